//! Listening to the stretches of a recording, several at a time.

use std::collections::VecDeque;
use std::io;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::thread;
use std::time::Duration;

use anyhow::Context;
use dunlin_clock::SampleRate;

use super::job::{Cut, Job, Listening, Outcome, Task};
use super::wav::{Ending, WavFile};

/// Outcomes that may wait to be taken.
const WAITING: usize = 16;
/// How often to look after the progress while nothing comes.
const LOOK: Duration = Duration::from_millis(200);

/// What a worker tells.
pub enum Told {
    /// A stretch is done with.
    Heard(Box<Heard>),
    /// Nothing new; time to look after the progress.
    Nothing,
}

/// A stretch that is done with.
pub struct Heard {
    /// What came out.
    pub outcome: Outcome,
    /// It was heard to its end, not stopped on the way.
    pub whole: bool,
    /// From which sample on the file could not be read, and why.
    pub failed: Option<(u64, io::Error)>,
}

/// What all workers see.
pub struct Shared<'a> {
    /// Set by whoever wants an end.
    pub stop: &'a AtomicBool,
    /// Samples heard, of all stretches together.
    pub heard: &'a AtomicU64,
    /// Which channel.
    pub channel: usize,
    /// Samples per second.
    pub rate: SampleRate,
}

/// Listens to the jobs of a file of known length with so many workers. `take` gets what they
/// tell, in any order.
///
/// # Errors
/// That of `take`, or that the file or a receiver could not be opened.
pub fn side_by_side(
    path: &Path,
    jobs: VecDeque<Job>,
    workers: usize,
    shared: &Shared,
    take: &mut dyn FnMut(Told) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let workers = workers.clamp(1, jobs.len().max(1));
    let jobs = Mutex::new(jobs);
    let work = || -> Option<anyhow::Result<Heard>> {
        if shared.stop.load(Relaxed) {
            return None;
        }
        let job = jobs.lock().ok()?.pop_front()?;
        Some(listen(path, job, shared))
    };
    thread::scope(|scope| {
        let (tell, told) = sync_channel(WAITING);
        for _ in 0..workers {
            let tell = tell.clone();
            scope.spawn(move || {
                while let Some(heard) = work() {
                    if tell.send(heard).is_err() {
                        break;
                    }
                }
            });
        }
        drop(tell);
        let taken = loop {
            let message = match told.recv_timeout(LOOK) {
                Ok(Ok(heard)) => Told::Heard(Box::new(heard)),
                Ok(Err(error)) => break Err(error),
                Err(RecvTimeoutError::Timeout) => Told::Nothing,
                Err(RecvTimeoutError::Disconnected) => break Ok(()),
            };
            if let Err(error) = take(message) {
                break Err(error);
            }
        };
        if taken.is_err() {
            shared.stop.store(true, Relaxed);
        }
        taken
    })
}

/// Listens to one job, with a look into the file of its own.
fn listen(path: &Path, job: Job, shared: &Shared) -> anyhow::Result<Heard> {
    let mut file = WavFile::open(path)?;
    let mut at = job.feed.start;
    let mut listening = begin(job, &file, shared)?;
    let mut failed = file.seek(at).err().map(|error| (at, error));
    let mut samples = Vec::new();
    let mut more = failed.is_none();
    let mut whole = true;
    while more && listening.wants().is_some() {
        if shared.stop.load(Relaxed) {
            whole = false;
            break;
        }
        samples.clear();
        more = file
            .read(shared.channel, &mut samples)
            .unwrap_or_else(|error| {
                failed = Some((at, error));
                false
            });
        listening.hear(at, &samples);
        at += samples.len() as u64;
        shared.heard.fetch_add(samples.len() as u64, Relaxed);
    }
    Ok(Heard {
        outcome: listening.finish(),
        whole,
        failed,
    })
}

fn begin(job: Job, file: &WavFile, shared: &Shared) -> anyhow::Result<Listening> {
    Listening::new(job, shared.rate, file.full_scale())
        .context("cannot be decoded in that mode; choose another or convert the recording")
}

/// Listens to all tasks of a pipe at once, which can be read only from its beginning to its end.
/// `take` gets outcomes and with each the jobs that are still to come. Returns how it ended.
///
/// # Errors
/// That of `take`, or that a receiver could not be made.
pub fn as_it_comes(
    mut file: WavFile,
    cuts: &[Cut],
    shared: &Shared,
    take: &mut dyn FnMut(Told, &[Job]) -> anyhow::Result<()>,
) -> anyhow::Result<Ending> {
    let mut coming: Vec<(Cut, Job)> = cuts
        .iter()
        .filter_map(|c| Some((*c, c.job(0, u64::MAX)?)))
        .collect();
    let mut open: Vec<Listening> = Vec::new();
    let (mut samples, mut at, mut more, mut failed) = (Vec::new(), 0, true, None);
    while more {
        samples.clear();
        more = !shared.stop.load(Relaxed)
            && file
                .read(shared.channel, &mut samples)
                .unwrap_or_else(|error| {
                    failed = Some(error);
                    false
                });
        let end = at + samples.len() as u64;
        for (cut, job) in &mut coming {
            while job.feed.start < end {
                let Some(next) = cut.job(job.number + 1, u64::MAX) else {
                    break;
                };
                open.push(begin(std::mem::replace(job, next), &file, shared)?);
            }
        }
        open.iter_mut().for_each(|o| o.hear(at, &samples));
        at = end;
        shared.heard.store(at, Relaxed);
        let done: Vec<Listening> = open
            .extract_if(.., |o| !more || o.wants().is_none())
            .collect();
        let mut left: Vec<Job> = open.iter().map(|o| o.job().clone()).collect();
        left.extend(coming.iter().map(|(_, job)| job.clone()).filter(|_| more));
        for listening in done {
            // Ears that were opened early for a stretch that never came.
            let empty = listening.job().own.start >= at;
            let heard = Heard {
                outcome: listening.finish(),
                whole: !shared.stop.load(Relaxed),
                failed: failed.take().map(|error| (at, error)),
            };
            if !empty {
                take(Told::Heard(Box::new(heard)), &left)?;
            }
        }
        take(Told::Nothing, &left)?;
    }
    Ok(file.ending())
}

/// The jobs of a recording of `total` samples, earliest first.
pub fn jobs(cuts: &[Cut], total: u64) -> Vec<Job> {
    let of = |cut: &Cut| {
        let cut = *cut;
        (0..).map_while(move |n| cut.job(n, total))
    };
    let mut jobs: Vec<Job> = cuts.iter().flat_map(of).collect();
    jobs.sort_by_key(|job| job.own.start);
    jobs
}

/// No frame of a job that is still to come starts before this sample.
pub fn known<'a>(left: impl Iterator<Item = &'a Job>) -> u64 {
    left.filter(|job| job.task != Task::Survey)
        .map(Job::earliest)
        .min()
        .unwrap_or(u64::MAX)
}
