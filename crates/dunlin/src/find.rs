//! `dunlin find`: what was said, heard or noted, found in a journal by words, station and time.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Result;
use clap::ValueEnum;
use dunlin_clock::WallTime;
use dunlin_station::CallSign;
use dunlin_store::{Finder, FoundKind, Item, Place, Sought};

use crate::logs::time;

/// What `dunlin find` is told.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Whole words are looked for, in any order and case, and all of them must be there. Without words, a
station or a time will do. The newest come last; all times are UTC.")]
pub struct FindArgs {
    /// The journal; a station may be writing to it
    #[arg(value_name = "JOURNAL")]
    file: PathBuf,
    /// Words that must all be there
    #[arg(value_name = "WORD")]
    words: Vec<String>,
    /// A station that sent it, was called, passed it on, or is named in a note; without SSID with any
    #[arg(long, value_name = "CALL", value_parser = call_sign)]
    station: Option<CallSign>,
    /// Nothing before this time, in UTC: 2027-01-15, or 2027-01-15T18:30
    #[arg(long, value_name = "TIME", value_parser = time::parse)]
    from: Option<WallTime>,
    /// Nothing at or after this time
    #[arg(long, value_name = "TIME", value_parser = time::parse)]
    to: Option<WallTime>,
    /// Only such things
    #[arg(long, value_name = "KIND")]
    only: Option<Only>,
    /// So many things at most, the newest
    #[arg(long, value_name = "N", default_value_t = 40, value_parser = clap::value_parser!(u16).range(1..=1000))]
    most: u16,
    /// One JSON object for each thing, the newest first
    #[arg(long)]
    json: bool,
}

/// Kinds of things, as people call them.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Only {
    /// Frames heard, sent and not readable
    Frames,
    /// Lines of talks
    Lines,
    /// Notes of the timeline
    Notes,
}

fn call_sign(text: &str) -> Result<CallSign, String> {
    let call = text.trim().to_uppercase().parse();
    call.map_err(|error| format!("{error}"))
}

/// Carries the command out.
///
/// # Errors
/// The journal cannot be read, or the times leave nothing between them.
pub fn run(args: &FindArgs) -> Result<ExitCode> {
    time::in_order(args.from, args.to)?;
    let sought = Sought {
        words: args.words.join(" "),
        station: args.station,
        from: args.from,
        until: args.to,
        only: args.only.map(|only| match only {
            Only::Frames => FoundKind::Frame,
            Only::Lines => FoundKind::Line,
            Only::Notes => FoundKind::Note,
        }),
        behind: Place::default(),
        most: args.most.into(),
    };
    let found = Finder::open(&args.file)?.find(&sought)?;
    let mut text = String::new();
    if args.json {
        for item in &found.items {
            writeln!(text, "{}", serde_json::to_string(item)?)?;
        }
    } else {
        for item in found.items.iter().rev() {
            writeln!(text, "{}", line(item))?;
        }
    }
    std::io::stdout().write_all(text.as_bytes())?;
    let count = found.items.len();
    match count {
        0 => eprintln!(
            "Nothing in {} fits. Only whole words are found.",
            args.file.display()
        ),
        _ if found.more => eprintln!(
            "{count} things, the newest; there are more. Give more words, a time, or a larger --most."
        ),
        1 => eprintln!("1 thing"),
        _ => eprintln!("{count} things"),
    }
    Ok(ExitCode::SUCCESS)
}

/// One thing on a line of its own. Texts from the air were made safe to show when they were written.
fn line(item: &Item) -> String {
    let time = time::iso(item.wall).unwrap_or_default().replace('T', " ");
    let time = time.split('.').next().unwrap_or_default();
    let port = item.port.as_deref().unwrap_or("-");
    let words = match item.kind {
        FoundKind::Frame => format!("{}: {}", item.mark, item.words),
        FoundKind::Line => format!("{} to {}: {}", item.from, item.to, item.words),
        FoundKind::Note => format!("note: {}", item.words),
    };
    format!("{time}  {port:<6}  {words}")
}
