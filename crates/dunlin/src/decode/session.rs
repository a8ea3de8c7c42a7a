//! What is known of one recording while it is being decoded, and what is said of it.

use std::collections::BTreeMap;
use std::io::{self, Write};

use anyhow::Context;
use dunlin_clock::SampleRate;
use dunlin_modem::Mode;

use super::finding::Finding;
use super::found::Found;
use super::guessed::{self, Guessed};
use super::job::{Job, Outcome, Task, Tones};
use super::merge::Merger;
use super::pcap::Capture;
use super::report::{Gatherer, Report};
use super::resume::State;
use super::survey::Survey;
use super::tones::Spans;
use super::work::{self, Heard, Told};
use super::{print, survey, tones};

/// Takes outcomes in any order and says everything once, in order.
pub struct Session<'a, W> {
    sinks: Sinks<'a, W>,
    name: &'a str,
    rate: SampleRate,
    merger: Merger,
    /// Jobs whose outcome has not come.
    left: Vec<Job>,
    surveys: BTreeMap<u64, Survey>,
    failed: Option<(u64, io::Error)>,
    tally: Tally,
    /// What is wrong with the file itself.
    remarks: Vec<Finding>,
    tones: Vec<Tones>,
    guesses: Vec<Guessed>,
    /// Where frames lay.
    spans: Spans,
    /// The same exactly, for guesses.
    frames: Vec<(u64, u64)>,
    gatherer: Gatherer,
    /// The frame that is wanted for a picture.
    picked: Option<Found>,
}

/// Where everything goes.
pub struct Sinks<'a, W> {
    /// The screen.
    pub out: &'a mut W,
    /// JSON lines there, and not a table.
    pub json: bool,
    /// Guesses too.
    pub guesses: bool,
    /// The capture file.
    pub capture: Option<&'a mut Capture>,
    /// What survives a stop.
    pub state: Option<State>,
    /// The number of the frame that is wanted for a picture.
    pub wanted: Option<u64>,
}

/// Counts for each mode.
#[derive(Debug, Default)]
pub struct Tally {
    /// What was listened for.
    pub modes: Vec<Mode>,
    /// Frames of each mode that had any.
    pub frames: BTreeMap<Mode, u64>,
    /// Stretches of data that nobody could read, of each mode that had any.
    pub unreadable: BTreeMap<Mode, u64>,
}

impl Tally {
    /// Frames of all modes.
    pub fn all_frames(&self) -> u64 {
        self.frames.values().sum()
    }
}

/// What was said of a recording at its end.
pub struct Ended {
    /// Its length.
    pub seconds: f64,
    /// Its sound.
    pub survey: Survey,
    /// From which second on it could not be read, and why.
    pub failed: Option<(f64, io::Error)>,
    /// Its report.
    pub report: Report,
    /// Its frames.
    pub frames: u64,
    /// The frame that was wanted.
    pub picked: Option<Found>,
}

impl<'a, W: Write> Session<'a, W> {
    /// Begins with a recording.
    pub fn new(
        sinks: Sinks<'a, W>,
        name: &'a str,
        rate: SampleRate,
        modes: Vec<Mode>,
    ) -> io::Result<Self> {
        if !sinks.json {
            print::head(sinks.out, name, rate)?;
        }
        Ok(Session {
            sinks,
            name,
            rate,
            merger: Merger::default(),
            left: Vec::new(),
            surveys: BTreeMap::new(),
            failed: None,
            tally: Tally {
                modes,
                ..Tally::default()
            },
            remarks: Vec::new(),
            tones: Vec::new(),
            guesses: Vec::new(),
            frames: Vec::new(),
            spans: Spans::default(),
            gatherer: Gatherer::default(),
            picked: None,
        })
    }

    /// Something is wrong with the file itself, to be told with the findings about its sound.
    pub fn remark(&mut self, finding: Option<Finding>) {
        self.remarks.extend(finding);
    }

    /// These jobs are to be done, and this is what an earlier run has done of them. Returns the
    /// jobs that are left.
    pub fn expect(&mut self, jobs: Vec<Job>, done: Vec<Outcome>) -> anyhow::Result<Vec<Job>> {
        self.left = jobs;
        for outcome in done {
            if self.is_off_the_list(&outcome) {
                self.add(outcome);
            }
        }
        self.take(Told::Nothing, None)?;
        Ok(self.left.clone())
    }

    /// Takes a job from the list of those that are left; false if it was not there.
    fn is_off_the_list(&mut self, outcome: &Outcome) -> bool {
        let before = self.left.len();
        self.left
            .retain(|job| (job.task, job.number) != (outcome.task, outcome.number));
        self.left.len() < before
    }

    /// Takes what a worker told. `left` says which jobs are still to come, if they were not
    /// announced by [`expect`](Session::expect).
    pub fn take(&mut self, told: Told, left: Option<&[Job]>) -> anyhow::Result<()> {
        if let Told::Heard(heard) = told {
            let Heard {
                outcome,
                whole,
                failed,
            } = *heard;
            if let (true, None, Some(state)) = (whole, &failed, &mut self.sinks.state) {
                state
                    .add(&outcome)
                    .context("has a state that cannot be written")?;
            }
            if let Some((at, error)) = failed
                && self.failed.as_ref().is_none_or(|(known, _)| at < *known)
            {
                self.failed = Some((at, error));
            }
            if whole {
                self.is_off_the_list(&outcome);
            }
            self.add(outcome);
        }
        let known = work::known(left.unwrap_or(&self.left).iter());
        self.release(known)?;
        Ok(())
    }

    /// Takes what is known of a stretch.
    fn add(&mut self, outcome: Outcome) {
        if let Some(survey) = outcome.survey {
            self.surveys.insert(outcome.number, survey);
        }
        if let (Task::Hear(line), 1..) = (outcome.task, outcome.unreadable) {
            *self.tally.unreadable.entry(line.mode()).or_default() += outcome.unreadable;
        }
        self.tones.extend(outcome.tones);
        self.guesses.extend(outcome.guesses);
        guessed::limit(&mut self.guesses);
        self.merger.add(outcome.found);
    }

    fn release(&mut self, known: u64) -> io::Result<()> {
        let mut ready = Vec::new();
        self.merger.release(known, &mut ready);
        for found in &ready {
            self.say(found)?;
        }
        if !ready.is_empty() {
            self.sinks.out.flush()?;
        }
        Ok(())
    }

    fn say(&mut self, found: &Found) -> io::Result<()> {
        *self.tally.frames.entry(found.mode()).or_default() += 1;
        let number = self.tally.all_frames();
        self.spans.add(found.start, found.end, self.rate);
        self.frames.push((found.start, found.end));
        self.gatherer.add(self.rate, found);
        if let Some(capture) = &mut self.sinks.capture {
            capture.add(self.rate, found)?;
        }
        if self.sinks.wanted == Some(number) {
            self.picked = Some(found.clone());
        }
        if self.sinks.json {
            print::json(self.sinks.out, self.name, number, self.rate, found)
        } else {
            print::row(self.sinks.out, number, self.rate, found)
        }
    }

    /// Guesses, where they are wanted, and as JSON the findings: on standard error, so that whoever
    /// takes the frames from a pipe gets nothing else.
    fn say_what_is_no_frame(
        &mut self,
        guesses: &[Guessed],
        findings: &[Finding],
    ) -> io::Result<()> {
        let (name, rate) = (self.name, self.rate);
        let Sinks {
            out,
            json,
            guesses: wanted,
            ..
        } = &mut self.sinks;
        for guess in guesses.iter().filter(|_| *wanted) {
            match json {
                true => guess.json(out, name, rate)?,
                false => guess.row(out, rate)?,
            }
        }
        for finding in findings.iter().filter(|_| *json) {
            // Whoever reads the frames may have closed it.
            let _ = finding.json(&mut io::stderr().lock(), name);
        }
        Ok(())
    }

    /// Frames said so far.
    pub fn frames(&self) -> u64 {
        self.tally.all_frames()
    }

    /// Everything has come that will: says the rest.
    pub fn end(mut self) -> anyhow::Result<Ended> {
        self.release(u64::MAX)?;
        let mut whole = Survey::default();
        for survey in std::mem::take(&mut self.surveys).into_values() {
            whole.append(survey);
        }
        let seconds = whole.samples as f64 / self.rate.hz_f64();
        let mut findings = std::mem::take(&mut self.remarks);
        findings.extend(survey::findings(&whole, self.rate, &self.tally));
        findings.extend(tones::findings(
            std::mem::take(&mut self.tones),
            &self.spans,
            self.rate,
        ));
        let guesses = guessed::choose(
            std::mem::take(&mut self.guesses),
            std::mem::take(&mut self.frames),
        );
        self.say_what_is_no_frame(&guesses, &findings)?;
        if !self.sinks.json {
            print::foot(self.sinks.out, seconds, &self.tally, &whole, &findings)?;
        }
        let report = (self.gatherer).report(self.name, whole.figures(), &self.tally, findings);
        Ok(Ended {
            seconds,
            report,
            frames: self.tally.all_frames(),
            picked: self.picked,
            survey: whole,
            failed: self
                .failed
                .map(|(at, error)| (at as f64 / self.rate.hz_f64(), error)),
        })
    }
}
