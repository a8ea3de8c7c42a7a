//! What goes to standard output: lines for people, or JSON.

use std::io::{self, BufWriter, Stdout, Write};

use dunlin_rehearsal::{Happening, Summary, report, timeline};
use serde::Serialize;

/// Standard output of a rehearsal.
#[derive(Debug)]
pub struct Output {
    json: bool,
    out: BufWriter<Stdout>,
}

/// The last line of JSON.
#[derive(Serialize)]
struct Last<'a> {
    happening: &'a str,
    #[serde(flatten)]
    summary: &'a Summary,
}

impl Output {
    /// For people, or with `json` for programs.
    pub fn new(json: bool) -> Output {
        Output {
            json,
            out: BufWriter::new(io::stdout()),
        }
    }

    /// One line for people; nothing with JSON.
    pub fn line(&mut self, line: &str) -> io::Result<()> {
        if self.json {
            return Ok(());
        }
        writeln!(self.out, "{line}")
    }

    /// A text as it is.
    pub fn text(&mut self, text: &str) -> io::Result<()> {
        self.out.write_all(text.as_bytes())
    }

    /// One happening.
    pub fn happening(&mut self, happening: &Happening) -> io::Result<()> {
        if self.json {
            serde_json::to_writer(&mut self.out, happening)?;
            return writeln!(self.out);
        }
        for line in timeline::lines(happening) {
            writeln!(self.out, "{line}")?;
        }
        Ok(())
    }

    /// The summary.
    pub fn summary(&mut self, summary: &Summary) -> io::Result<()> {
        if self.json {
            let last = Last {
                happening: "summary",
                summary,
            };
            serde_json::to_writer(&mut self.out, &last)?;
            return writeln!(self.out);
        }
        write!(self.out, "\n{}", report::text(summary))
    }

    /// Lets everything out.
    pub fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}
