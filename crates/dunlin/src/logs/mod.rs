//! `dunlin logs`: what the journal holds, in the formats of other programs, and the deletion of
//! names.

mod adif;
mod csv;
mod forget;
mod frequency;
mod json;
mod output;
mod packets;
pub(crate) mod time;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Result, bail};
use clap::{Args, Subcommand};
use dunlin_clock::WallTime;
use dunlin_store::{Export, Kind, Wanted};

use output::Output;

/// What `dunlin logs` is told.
#[derive(Debug, Args)]
pub struct LogsArgs {
    #[command(subcommand)]
    form: Form,
}

#[derive(Debug, Subcommand)]
enum Form {
    /// Contacts (talks that were connected both ways) as ADIF, for logbooks.
    Adif(ExportArgs),
    /// The whole journal as CSV, for spreadsheets.
    Csv(ExportArgs),
    /// The whole journal as JSON, one object a line.
    Json(ExportArgs),
    /// Frames heard and sent as pcap, for network analysers.
    Pcap(ExportArgs),
    /// Delete every text that holds a name. Who talked with whom, when and how, stays.
    Forget(forget::ForgetArgs),
}

/// What to export.
#[derive(Debug, Args)]
struct ExportArgs {
    /// The journal; a station may be writing to it
    #[arg(value_name = "JOURNAL")]
    file: PathBuf,
    /// Where it goes; a file that is there is replaced once the new one is whole [default: standard output]
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Nothing before this time, in UTC: 2027-01-15, or 2027-01-15T18:30
    #[arg(long, value_name = "TIME", value_parser = time::parse)]
    from: Option<WallTime>,
    /// Nothing at or after this time
    #[arg(long, value_name = "TIME", value_parser = time::parse)]
    to: Option<WallTime>,
    /// Only what belongs to the port of this name
    #[arg(long, value_name = "NAME")]
    port: Option<String>,
}

/// Carries the command out.
///
/// # Errors
/// The journal cannot be read or changed, or the export not be written.
pub fn run(args: &LogsArgs) -> Result<ExitCode> {
    match &args.form {
        Form::Adif(args) => export(args, "contacts", adif::write),
        Form::Csv(args) => export(args, "entries", csv::write),
        Form::Json(args) => export(args, "entries", json::write),
        Form::Pcap(args) => {
            output::not_to_a_terminal(args.output.as_deref())?;
            export(args, "frames", packets::write)
        }
        Form::Forget(args) => forget::run(args),
    }
}

/// Writes the journal to an output and tells how much it was.
type Write = fn(&Export, &mut Output) -> Result<u64>;

/// Whether a name is that of the journal or of one of the two files beside it (SQLite, "Temporary Files").
fn is_of(name: &Path, journal: &Path) -> bool {
    let real = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
    let beside = |ending: &str| {
        let mut name = journal.as_os_str().to_owned();
        name.push(ending);
        real(Path::new(&name))
    };
    let name = real(name);
    ["", "-wal", "-shm"]
        .iter()
        .any(|ending| name == beside(ending))
}

fn export(args: &ExportArgs, what: &str, write: Write) -> Result<ExitCode> {
    time::in_order(args.from, args.to)?;
    let wanted = Wanted {
        from: args.from,
        to: args.to,
        port: args.port.clone(),
    };
    if let Some(output) = args.output.as_deref().filter(|o| is_of(o, &args.file)) {
        bail!(
            "{} is the journal itself, or belongs to it; give the export another name",
            output.display()
        );
    }
    let journal = Export::open(&args.file, wanted)?;
    let mut output = Output::begin(args.output.as_deref())?;
    let count = write(&journal, &mut output)?;
    output.end()?;
    let what = match count {
        1 => what.trim_end_matches("ies").trim_end_matches('s'),
        _ => what,
    };
    let place = match &args.output {
        Some(file) => format!("; written to {}", file.display()),
        None => String::new(),
    };
    eprintln!("{count} {what}{place}");
    Ok(ExitCode::SUCCESS)
}

/// Gives every entry of these kinds to `take`, and counts those of which it says that it took them.
fn counted(
    journal: &Export,
    kinds: &[Kind],
    mut take: impl FnMut(&dunlin_store::Entry) -> Result<bool>,
) -> Result<u64> {
    let mut count = 0;
    journal.each(kinds, |entry| {
        count += u64::from(take(entry)?);
        anyhow::Ok(())
    })?;
    Ok(count)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_export_never_takes_the_place_of_the_journal() {
        let folder = tempfile::tempdir().expect("a folder");
        let journal = folder.path().join("journal.db");
        std::fs::write(&journal, "x").expect("written");
        let other_way = folder.path().join(".").join("journal.db");
        for name in [
            journal.clone(),
            other_way,
            folder.path().join("journal.db-wal"),
        ] {
            assert!(is_of(&name, &journal), "{}", name.display());
        }
        assert!(!is_of(&folder.path().join("log.csv"), &journal));
    }
}
