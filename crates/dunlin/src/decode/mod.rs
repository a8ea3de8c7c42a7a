//! `dunlin decode`: recordings to frames.
//!
//! A recording is cut into stretches ([`job`]), which workers hear in every mode ([`work`]); what
//! they find is put in order ([`merge`]) and printed. The sound itself is looked at beside that
//! ([`survey`]).

mod args;
mod finding;
mod found;
mod guessed;
mod job;
mod merge;
mod pair;
mod pcap;
mod picture;
mod print;
mod progress;
mod report;
mod resume;
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
use dunlin_modem::{Line, Mode};

pub use args::DecodeArgs;
use args::choose_channel;
use finding::Finding;
use job::{Cut, Outcome, STRETCH_S, Task};
use pcap::Capture;
use progress::Progress;
use report::Report;
use resume::{About, State};
use session::{Ended, Session, Sinks};
use survey::Survey;
use wav::{Ending, WavFile};
use work::Shared;

/// Set by Ctrl-C.
static STOP: AtomicBool = AtomicBool::new(false);

/// Less than this behind the sound is an odd end, seconds.
const LEAST_UNCLAIMED_S: f64 = 0.1;

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
    args.check()?;
    let mut out = BufWriter::new(io::stdout().lock());
    let mut capture = match &args.pcap {
        Some(path) => Some(
            Capture::create(path)
                .with_context(|| format!("{} cannot be written", path.display()))?,
        ),
        None => None,
    };
    let mut reports = Vec::new();
    let mut code = ExitCode::SUCCESS;
    for file in &args.files {
        if let Err(error) = decode(args, file, &mut out, capture.as_mut(), &mut reports) {
            out.flush()?;
            if error
                .downcast_ref::<io::Error>()
                .is_some_and(is_broken_pipe)
            {
                return Err(error);
            }
            let sentence = format!("{error:#}");
            let finding = match error.downcast_ref::<Flaw>() {
                Some(flaw) => flaw.finding.clone(),
                None => Some(Finding::of_error(&sentence)),
            };
            if let (true, Some(finding)) = (args.json, finding) {
                let _ = finding.json(&mut io::stderr().lock(), &file.display().to_string());
            }
            eprintln!("dunlin: {} {sentence}", file.display());
            code = ExitCode::FAILURE;
        }
        if STOP.load(Relaxed) {
            break;
        }
    }
    match &args.report {
        None => {}
        Some(None) => out.write_all(report::text(&reports).as_bytes())?,
        Some(Some(path)) => write_report(path, &reports)
            .with_context(|| format!("the report {} cannot be written", path.display()))?,
    }
    out.flush()?;
    Ok(code)
}

fn write_report(path: &Path, reports: &[Report]) -> anyhow::Result<()> {
    let json = path.extension().is_some_and(|e| e == "json");
    let text = if json {
        report::json(reports)?
    } else {
        report::text(reports)
    };
    Ok(std::fs::write(path, text)?)
}

fn is_broken_pipe(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::BrokenPipe
}

/// Decodes one file. The error is a sentence that follows the file's name.
fn decode(
    args: &DecodeArgs,
    path: &Path,
    out: &mut impl Write,
    capture: Option<&mut Capture>,
    reports: &mut Vec<Report>,
) -> anyhow::Result<()> {
    if args.pair {
        return pair::decode(args, path, out);
    }
    let name = path.display().to_string();
    let mut file = WavFile::open(path)?;
    let unclaimed_s = file.unclaimed_s().unwrap_or(0.0);
    let channel = choose_channel(args.channel, file.channels)?;
    let rate = SampleRate::new(file.rate).context("has no sample rate")?;
    let lines = args.lines(rate)?;
    for line in &lines {
        line.check_rate(rate)
            .context("cannot be decoded in that mode; choose another or convert the recording")?;
    }
    let (state, done) = match &args.resume {
        None => (None, Vec::new()),
        Some(_) if file.samples().is_none() => {
            bail!("is a pipe, which cannot be resumed; leave --resume out")
        }
        Some(to) => {
            let names = lines.iter().map(Line::to_string).collect();
            let about = About::new(path, channel, names, STRETCH_S)?;
            let (state, done) = State::open(to, &about)?;
            (Some(state), done)
        }
    };
    let sinks = Sinks {
        out,
        json: args.json,
        guesses: args.guesses || !args.json,
        capture,
        state,
        wanted: args.frame,
    };
    let shared = Shared {
        stop: &STOP,
        heard: &AtomicU64::new(0),
        channel,
        rate,
    };
    let modes = modes_of(&lines);
    let mut session = Session::new(sinks, &name, rate, modes)?;
    session.remark(more_than_promised(unclaimed_s));
    let (ended, missing_s) = listen(args.workers(), path, file, &lines, &shared, session, done)?;
    let said = complain(
        ended.seconds,
        &ended.survey,
        ended.failed.as_ref(),
        missing_s,
    );
    reports.push(ended.report);
    if STOP.load(Relaxed) {
        bail!("was not decoded to its end, because it was stopped; what was found stays");
    }
    if let (Some(to), Some(number)) = (&args.picture, args.frame) {
        let Some(found) = &ended.picked else {
            bail!("has no frame {number} to draw; it has {}", ended.frames);
        };
        picture::save(to, path, channel, (found.line, rate), number, found)?;
    }
    said
}

/// The modes of some lines, each once: one mode may be listened for with several pairs of tones.
fn modes_of(lines: &[Line]) -> Vec<Mode> {
    let mut modes = Vec::new();
    for mode in lines.iter().map(Line::mode) {
        if !modes.contains(&mode) {
            modes.push(mode);
        }
    }
    modes
}

/// Listens to a whole file. Also gives the seconds that its header promised and that are missing.
fn listen<W: Write>(
    workers: usize,
    path: &Path,
    file: WavFile,
    lines: &[Line],
    shared: &Shared,
    mut session: Session<W>,
    done: Vec<Outcome>,
) -> anyhow::Result<(Ended, f64)> {
    let tasks = std::iter::once(Task::Survey).chain(lines.iter().copied().map(Task::Hear));
    let cuts: Vec<Cut> = tasks
        .map(|task| Cut::new(task, shared.rate, STRETCH_S))
        .collect();
    let mut missing_s = file.missing_s();
    if let Some(total) = file.samples() {
        let left = session.expect(work::jobs(&cuts, total), done)?;
        let mut progress = Progress::new(&left, total, shared.rate, shared.heard);
        let jobs = VecDeque::from(left);
        let result = work::side_by_side(path, jobs, workers, shared, &mut |told| {
            session.take(told, None)?;
            progress.show(session.frames());
            Ok(())
        });
        progress.end();
        result?;
    } else {
        let ending = work::as_it_comes(file, &cuts, shared, &mut |told, left| {
            session.take(told, Some(left))
        })?;
        if let Ending::Short { missing_s: missing } = ending {
            missing_s = missing;
        }
    }
    Ok((session.end()?, missing_s))
}

/// What is wrong with a recording that was decoded as far as it goes: a sentence that follows the file's
/// name.
#[derive(Debug, thiserror::Error)]
#[error("{sentence}")]
struct Flaw {
    sentence: String,
    /// The same in its parts; `None` if it is among the findings about the sound.
    finding: Option<Finding>,
}

/// Says what was wrong with a file that has been decoded as far as it goes.
fn complain(
    seconds: f64,
    survey: &Survey,
    failed: Option<&(f64, io::Error)>,
    missing_s: f64,
) -> anyhow::Result<()> {
    let samples = survey.samples;
    let lost = "frames behind that are not among those told";
    let again = "copy or record it again";
    if let Some((at_s, error)) = failed {
        bail!(Flaw {
            sentence: format!(
                "could be read only up to {at_s:.1} s ({error}); what came before is decoded"
            ),
            finding: Some(Finding::new(
                "The recording could not be read to its end",
                format!("after {at_s:.1} s: {error}"),
                lost,
                again,
            )),
        });
    }
    if missing_s > 0.0 {
        bail!(Flaw {
            sentence: format!(
                "is cut off after {seconds:.1} s: its header promises {missing_s:.1} s more; what is \
                 there is decoded"
            ),
            finding: Some(Finding::new(
                "The recording is cut off",
                format!(
                    "it ends after {seconds:.1} s, and its header promises {missing_s:.1} s more"
                ),
                lost,
                again,
            )),
        });
    }
    if samples == 0 {
        bail!(Flaw {
            sentence: "holds no sound: its header is there, but no samples follow".into(),
            finding: Some(Finding::new(
                "The recording holds no sound",
                "its header is there, but no samples follow",
                "there is nothing in it to decode",
                again,
            )),
        });
    }
    if survey.not_numbers > 0 {
        bail!(Flaw {
            sentence: format!(
                "is damaged: {} of its {samples} samples are not numbers and were taken as silence; \
                 the rest is decoded",
                survey.not_numbers
            ),
            finding: None,
        });
    }
    Ok(())
}

/// A finding about sound behind what the header claims.
fn more_than_promised(unclaimed_s: f64) -> Option<Finding> {
    (unclaimed_s >= LEAST_UNCLAIMED_S).then(|| {
        Finding::new(
            "The recording is longer than its header says",
            format!("about {unclaimed_s:.1} s more follow behind its end"),
            "they are not decoded",
            "mend the header: a program that writes WAV files anew does, or record again",
        )
    })
}
