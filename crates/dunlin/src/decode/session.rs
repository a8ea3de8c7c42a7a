//! What is known of one recording while it is being decoded, and what is said of it.

use std::collections::BTreeMap;
use std::io::{self, Write};

use dunlin_clock::SampleRate;
use dunlin_modem::Mode;

use super::found::Found;
use super::job::{Job, Outcome, Task, Tones};
use super::merge::Merger;
use super::survey::Survey;
use super::tones::Spans;
use super::work::{self, Heard, Told};
use super::{print, survey, tones};

/// Takes outcomes in any order and says everything once, in order.
pub struct Session<'a, W> {
    json: bool,
    name: &'a str,
    rate: SampleRate,
    out: &'a mut W,
    merger: Merger,
    /// Jobs whose outcome has not come.
    left: Vec<Job>,
    surveys: BTreeMap<u64, Survey>,
    failed: Option<(u64, io::Error)>,
    tally: Tally,
    tones: Vec<Tones>,
    /// Where frames lay.
    spans: Spans,
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
}

impl<'a, W: Write> Session<'a, W> {
    /// Begins with a recording.
    pub fn new(
        json: bool,
        name: &'a str,
        rate: SampleRate,
        modes: Vec<Mode>,
        out: &'a mut W,
    ) -> io::Result<Self> {
        if !json {
            print::head(out, name, rate)?;
        }
        Ok(Session {
            json,
            name,
            rate,
            out,
            merger: Merger::default(),
            left: Vec::new(),
            surveys: BTreeMap::new(),
            failed: None,
            tally: Tally {
                modes,
                ..Tally::default()
            },
            tones: Vec::new(),
            spans: Spans::default(),
        })
    }

    /// These jobs will come.
    pub fn expect(&mut self, jobs: &[Job]) {
        self.left = jobs.to_vec();
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
            if let Some((at, error)) = failed
                && self.failed.as_ref().is_none_or(|(known, _)| at < *known)
            {
                self.failed = Some((at, error));
            }
            if whole {
                self.left
                    .retain(|job| (job.task, job.number) != (outcome.task, outcome.number));
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
        if let (Task::Hear(mode), 1..) = (outcome.task, outcome.unreadable) {
            *self.tally.unreadable.entry(mode).or_default() += outcome.unreadable;
        }
        self.tones.extend(outcome.tones);
        self.merger.add(outcome.found);
    }

    fn release(&mut self, known: u64) -> io::Result<()> {
        let mut ready = Vec::new();
        self.merger.release(known, &mut ready);
        for found in &ready {
            self.say(found)?;
        }
        if !ready.is_empty() {
            self.out.flush()?;
        }
        Ok(())
    }

    fn say(&mut self, found: &Found) -> io::Result<()> {
        *self.tally.frames.entry(found.mode).or_default() += 1;
        let number = self.tally.all_frames();
        self.spans.add(found.start, found.end, self.rate);
        if self.json {
            print::json(self.out, self.name, number, self.rate, found)
        } else {
            print::row(self.out, number, self.rate, found)
        }
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
        let mut findings = survey::findings(&whole, self.rate, &self.tally);
        findings.extend(tones::findings(
            std::mem::take(&mut self.tones),
            &self.spans,
            self.rate,
        ));
        if !self.json {
            print::foot(self.out, seconds, &self.tally, &whole, &findings)?;
        }
        Ok(Ended {
            seconds,
            survey: whole,
            failed: self
                .failed
                .map(|(at, error)| (at as f64 / self.rate.hz_f64(), error)),
        })
    }
}
