//! `dunlin decode`: recordings to frames.
//!
//! A recording is cut into stretches ([`job`]), which workers hear in every mode ([`work`]); what
//! they find is put in order ([`merge`]) and printed. The sound itself is looked at beside that
//! ([`survey`]).

mod args;
mod found;
mod job;
mod merge;
mod pair;
mod print;
mod progress;
mod session;
mod survey;
mod tones;
mod wav;
mod work;

use std::collections::VecDeque;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};

use anyhow::{Context, bail};
use dunlin_clock::SampleRate;

pub use args::DecodeArgs;
use args::choose_channel;
use job::{Cut, STRETCH_S, Task};
use progress::Progress;
use session::Session;
use wav::{Ending, WavFile};
use work::Shared;

/// Set by Ctrl-C.
static STOP: AtomicBool = AtomicBool::new(false);

/// Carries the command out.
///
/// # Errors
/// What went wrong with standard output. What is wrong with a file goes to standard error,
/// and the other files are still decoded.
pub fn run(args: &DecodeArgs) -> anyhow::Result<ExitCode> {
    let stop = || {
        if STOP.swap(true, Relaxed) {
            std::process::exit(1); // asked twice: do not even end in order
        }
    };
    ctrlc::set_handler(stop).context("Ctrl-C cannot be caught")?;
    let mut out = BufWriter::new(io::stdout().lock());
    let mut code = ExitCode::SUCCESS;
    for file in &args.files {
        if let Err(error) = decode(args, file, &mut out) {
            out.flush()?;
            if error
                .downcast_ref::<io::Error>()
                .is_some_and(is_broken_pipe)
            {
                return Err(error);
            }
            eprintln!("dunlin: {} {error:#}", file.display());
            code = ExitCode::FAILURE;
        }
        if STOP.load(Relaxed) {
            break;
        }
    }
    out.flush()?;
    Ok(code)
}

fn is_broken_pipe(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::BrokenPipe
}

/// Decodes one file. The error is a sentence that follows the file's name.
fn decode(args: &DecodeArgs, path: &Path, out: &mut impl Write) -> anyhow::Result<()> {
    if args.pair {
        return pair::decode(args, path, out);
    }
    let name = path.display().to_string();
    let file = WavFile::open(path)?;
    let channel = choose_channel(args.channel, file.channels)?;
    let rate = SampleRate::new(file.rate).context("has no sample rate")?;
    let modes = args.mode.at(rate);
    for mode in &modes {
        mode.check_rate(rate)
            .context("cannot be decoded in that mode; choose another or convert the recording")?;
    }
    let tasks = std::iter::once(Task::Survey).chain(modes.iter().copied().map(Task::Hear));
    let cuts: Vec<Cut> = tasks.map(|task| Cut::new(task, rate, STRETCH_S)).collect();
    let heard = AtomicU64::new(0);
    let shared = Shared {
        stop: &STOP,
        heard: &heard,
        channel,
        rate,
    };
    let mut session = Session::new(args.json, &name, rate, modes, out)?;
    let mut missing_s = file.missing_s();
    match file.samples() {
        Some(total) => {
            let jobs = work::jobs(&cuts, total);
            let mut progress = Progress::new(&jobs, total, rate, &heard);
            session.expect(&jobs);
            work::side_by_side(
                path,
                VecDeque::from(jobs),
                args.workers(),
                &shared,
                &mut |told| {
                    session.take(told, None)?;
                    progress.show(session.frames());
                    Ok(())
                },
            )?;
            progress.end();
        }
        None => {
            let ending = work::as_it_comes(file, &cuts, &shared, &mut |told, left| {
                session.take(told, Some(left))
            })?;
            if let Ending::Short { missing_s: missing } = ending {
                missing_s = missing;
            }
        }
    }
    let ended = session.end()?;
    if STOP.load(Relaxed) {
        bail!("was not decoded to its end, because it was stopped; what was found stays");
    }
    complain(&ended, missing_s)
}

/// Says what was wrong with a file that has been decoded as far as it goes.
fn complain(ended: &session::Ended, missing_s: f64) -> anyhow::Result<()> {
    let seconds = ended.seconds;
    let samples = ended.survey.samples;
    if let Some((at_s, error)) = &ended.failed {
        bail!("could be read only up to {at_s:.1} s ({error}); what came before is decoded");
    }
    if missing_s > 0.0 {
        bail!(
            "is cut off after {seconds:.1} s: its header promises {missing_s:.1} s more; what is \
             there is decoded"
        );
    }
    if samples == 0 {
        bail!("holds no sound: its header is there, but no samples follow");
    }
    if ended.survey.not_numbers > 0 {
        bail!(
            "is damaged: {} of its {samples} samples are not numbers and were taken as silence; \
             the rest is decoded",
            ended.survey.not_numbers
        );
    }
    Ok(())
}
