//! `dunlin journal`: what a journal holds, and its way to another schema and back.

use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Result;
use dunlin_clock::WallTime;
use dunlin_store::{Store, glance};

/// What `dunlin journal` is told.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Before you go back to an older program, end the station, bring its journal to the schema of that
program with --schema, and install the older program before the next start: a newer one brings the
file to its own schema again. A copy of the file from before is kept beside it.")]
pub struct JournalArgs {
    /// The journal
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Bring it to this schema, up or back; no station may be using it
    #[arg(long, value_name = "N")]
    schema: Option<i64>,
}

/// Carries the command out.
///
/// # Errors
/// The file cannot be read, or not be changed.
pub fn run(args: &JournalArgs) -> Result<ExitCode> {
    if let Some(schema) = args.schema {
        match Store::change_schema(&args.file, schema)? {
            Some(change) => println!("{change}"),
            None => println!("The journal has schema {schema} already."),
        }
        return Ok(ExitCode::SUCCESS);
    }
    let seen = glance(&args.file)?;
    println!("{}", args.file.display());
    println!(
        "  schema {}, this program knows {}",
        seen.schema, seen.known
    );
    if let Some((first, last)) = seen.span {
        println!("  from {} to {}", utc(first), utc(last));
    }
    for (table, rows) in &seen.rows {
        println!("  {rows:>9} {table}");
    }
    match &seen.damage {
        None => println!("  everything in it fits together"),
        Some(damage) => println!("  DAMAGED: {damage}"),
    }
    Ok(match seen.damage {
        None => ExitCode::SUCCESS,
        Some(_) => ExitCode::FAILURE,
    })
}

fn utc(wall: WallTime) -> String {
    match jiff::Timestamp::from_millisecond(wall.0) {
        Ok(time) => time.strftime("%Y-%m-%d %H:%M:%S UTC").to_string(),
        Err(_) => "an impossible time".into(),
    }
}
