//! `dunlin keyer`: this program as the process that holds one port's keying line.

use std::process::ExitCode;

use anyhow::Result;
use dunlin_rig::keyer::process::{self, Ending};

use crate::wall_clock;

/// Holds a line until the station's orders end.
///
/// # Errors
/// A person has started it, or the operating system refuses what every process may have.
pub fn run() -> Result<ExitCode> {
    Ok(match process::run(stamp)? {
        Ending::Told => ExitCode::SUCCESS,
        Ending::Fault => ExitCode::FAILURE,
    })
}

/// The date of a line in the log: UTC to the millisecond.
fn stamp() -> String {
    let ms = wall_clock::now().0;
    jiff::Timestamp::from_millisecond(ms).map_or_else(|_| format!("{ms} ms"), |t| format!("{t:.3}"))
}
