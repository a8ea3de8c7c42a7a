//! A rehearsal without a page: the timeline of all bands, then the summary.

use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};

use dunlin_clock::{Duration, Instant};
use dunlin_rehearsal::{BLOCK, Rehearsal, Summary, Told};

use super::output::Output;
use super::{Pace, Speed};

/// So much of its time passes between two looks at Ctrl-C, where nobody waits for it.
const LEAP: Duration = Duration::from_secs(1);

/// Runs to `end`, or until `stop`.
pub fn run(
    mut rehearsal: Rehearsal,
    end: Option<Instant>,
    mut pace: Pace,
    json: bool,
    stop: &AtomicBool,
) -> anyhow::Result<ExitCode> {
    let mut output = Output::new(json);
    let began = std::time::Instant::now();
    while end.is_none_or(|end| rehearsal.now() < end) && !stop.load(Ordering::Relaxed) {
        std::thread::sleep(pace.wait(rehearsal.now()));
        let leap = match pace.speed {
            Speed::Real => BLOCK,
            Speed::Max => LEAP,
        };
        let until = rehearsal.now() + leap;
        rehearsal.advance(end.map_or(until, |end| until.min(end)));
        let told = tell(&mut rehearsal, &mut output)?;
        if told && pace.speed == Speed::Real {
            output.flush()?;
        }
    }
    rehearsal.end();
    tell(&mut rehearsal, &mut output)?;
    let summary = Summary::of(&rehearsal, true);
    output.summary(&summary)?;
    output.flush()?;
    // Speed differs from run to run and is no part of the output.
    let ratio = rehearsal.now().as_secs_f64() / began.elapsed().as_secs_f64().max(1e-9);
    eprintln!("{ratio:.1} times real time");
    Ok(if summary.kept {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    })
}

/// Puts out what has happened; whether there was anything.
fn tell(rehearsal: &mut Rehearsal, output: &mut Output) -> anyhow::Result<bool> {
    let mut any = false;
    while let Some(told) = rehearsal.poll() {
        if let Told::Happened(happening) = told {
            output.happening(&happening)?;
            any = true;
        }
    }
    Ok(any)
}
