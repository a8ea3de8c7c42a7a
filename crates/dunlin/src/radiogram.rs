//! `dunlin radiogram`: reads a radiogram, counts it, and shows it on paper, aloud, or as it goes on.

use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result};
use clap::Args;
use dunlin_mail::radiogram::{FigureWords, Radiogram};

/// Longest input that is read, octets; a radiogram has far fewer.
const MOST_OCTETS: u64 = 64 * 1024;

/// What `dunlin radiogram` is told.
#[derive(Debug, Args)]
pub struct RadiogramArgs {
    /// A file with one radiogram and nothing else; - is standard input
    file: PathBuf,
    /// How it is read aloud, a breath a line
    #[arg(long, conflicts_with = "onward")]
    aloud: bool,
    /// With --aloud: figures as the code words of the ITU's Appendix 14
    #[arg(long, requires = "aloud")]
    code_words: bool,
    /// As it goes on to the next station: the same words, the check counted and, if wrong, corrected
    #[arg(long)]
    onward: bool,
}

/// Reads and shows it; what an operator should know of it goes to standard error. Exit code 2 if it does not
/// keep to the form.
pub fn run(args: &RadiogramArgs) -> Result<ExitCode> {
    let text = read(&args.file)?;
    let radiogram: Radiogram = match text.parse() {
        Ok(radiogram) => radiogram,
        Err(fault) => {
            eprintln!("dunlin: {}: {fault}", args.file.display());
            return Ok(ExitCode::from(2));
        }
    };
    let mut out = std::io::stdout().lock();
    for remark in radiogram.remarks() {
        eprintln!("note: {remark}");
    }
    if args.aloud {
        let figures = match args.code_words {
            true => FigureWords::CodeWords,
            false => FigureWords::Plain,
        };
        for line in radiogram.spoken(figures) {
            writeln!(out, "{line}")?;
        }
        return Ok(ExitCode::SUCCESS);
    }
    let check = radiogram.receive().check;
    let counted = radiogram.with_check(check);
    match args.onward {
        true => out.write_all(counted.body()?.as_bytes())?,
        false => out.write_all(counted.printed().as_bytes())?,
    }
    Ok(ExitCode::SUCCESS)
}

fn read(file: &Path) -> Result<String> {
    let mut octets = Vec::new();
    let cannot = || format!("{} cannot be read", file.display());
    let input: Box<dyn Read> = match file == Path::new("-") {
        true => Box::new(std::io::stdin().lock()),
        false => Box::new(std::fs::File::open(file).with_context(cannot)?),
    };
    input
        .take(MOST_OCTETS)
        .read_to_end(&mut octets)
        .with_context(cannot)?;
    String::from_utf8(octets).with_context(|| format!("{} is no text", file.display()))
}
