//! A recording cut into stretches, each of which is heard in each mode by itself.
//!
//! A frame belongs to the stretch in which it **starts**. A receiver begins some seconds before
//! its stretch, to settle, and goes on after its end for as long as the longest frame that may
//! have started in it. Two neighbours can be of two minds about a frame that starts just where
//! they meet; so each tells of it, and the merger keeps one. Where the stretches lie depends on
//! the recording and the mode alone, never on how many of them are heard at a time: that is why
//! the outcome does not depend on it either.

use std::ops::Range;

use dunlin_clock::{SampleCount, SampleRate};
use dunlin_framing::Limits;
use dunlin_modem::{Line, ModemError};
use dunlin_station::port::{Receiver, ReceiverEvent};
use serde::{Deserialize, Serialize};

use super::found::Found;
use super::guessed::Guessed;
use super::survey::Survey;

/// A receiver listens this long before its stretch begins, seconds.
const SETTLE_S: f64 = 5.0;
/// Neighbours may place the start of a frame this far apart, symbols.
const DOUBT_SYMBOLS: u64 = 64;
/// The longest stretch is this many times as long as the longest frame, or the length asked for.
const LONG: u64 = 8;
/// Length of a stretch in seconds, unless frames are so long that more is worth while.
pub const STRETCH_S: u32 = 300;
/// Tones without a frame that are kept of a stretch.
const MOST_TONES: usize = 100;
/// Guesses that are kept of a stretch.
const MOST_GUESSES: usize = 1000;
/// What a receiver hears when nothing more comes.
const SILENCE: [f32; 1024] = [0.0; 1024];

/// What is done with a stretch.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Task {
    /// Levels, clipping, gaps.
    Survey,
    /// Frames of a mode, with its symbol rate and tones.
    Hear(Line),
}

/// One stretch and what to do with it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Job {
    /// What to do.
    pub task: Task,
    /// Which stretch, from 0.
    pub number: u64,
    /// Starts of frames that belong to it, samples.
    pub own: Range<u64>,
    /// What to listen to, samples.
    pub feed: Range<u64>,
    /// How far outside a start may be and still be told, samples.
    doubt: u64,
}

impl Job {
    /// The earliest start of a frame that it tells.
    pub fn earliest(&self) -> u64 {
        self.own.start.saturating_sub(self.doubt)
    }
}

/// How a recording is cut for one task.
#[derive(Clone, Copy, Debug)]
pub struct Cut {
    task: Task,
    length: u64,
    before: u64,
    after: u64,
    doubt: u64,
}

impl Cut {
    /// The cut for a task in stretches of `seconds` or more.
    pub fn new(task: Task, rate: SampleRate, seconds: u32) -> Self {
        let asked = u64::from(seconds.max(1)) * u64::from(rate.hz());
        let Task::Hear(line) = task else {
            return Cut {
                task,
                length: asked,
                before: 0,
                after: 0,
                doubt: 0,
            };
        };
        let symbols = |n: u64| n * u64::from(rate.hz()) / u64::from(line.baud());
        // Octets with six bits for five at the worst, and senders that are slow.
        let longest = symbols(Limits::default().longest as u64 * 8 * 6 / 5 * 21 / 20);
        let settle = (SETTLE_S * rate.hz_f64()) as u64;
        Cut {
            task,
            length: asked.max(if seconds >= STRETCH_S {
                LONG * longest
            } else {
                0
            }),
            before: settle,
            after: longest + settle,
            doubt: symbols(DOUBT_SYMBOLS),
        }
    }

    /// The stretch of this number in a recording of `total` samples, if it is that long.
    pub fn job(&self, number: u64, total: u64) -> Option<Job> {
        let start = number.checked_mul(self.length)?;
        let end = start.saturating_add(self.length);
        (start < total).then(|| Job {
            task: self.task,
            number,
            own: start..end,
            feed: start.saturating_sub(self.before)..end.saturating_add(self.after).min(total),
            doubt: self.doubt,
        })
    }
}

/// Two tones that were heard while their receiver read no frame.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tones {
    /// Where they began, samples of the recording.
    pub start: u64,
    /// Where they ended.
    pub end: u64,
    /// They have shift and rate of the mode that was listened for.
    pub suits: bool,
    /// What they are and what to do.
    pub sentence: String,
}

/// What came out of a stretch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// What was done.
    pub task: Task,
    /// Which stretch.
    pub number: u64,
    /// Frames that belong to it.
    pub found: Vec<Found>,
    /// Stretches of data in it that nobody could read.
    pub unreadable: u64,
    /// What some of these may have been.
    #[serde(default)]
    pub guesses: Vec<Guessed>,
    /// Tones in it of which no frame came.
    #[serde(default)]
    pub tones: Vec<Tones>,
    /// What the sound is like.
    pub survey: Option<Survey>,
}

/// A stretch that is being listened to.
pub struct Listening {
    job: Job,
    ears: Ears,
    events: Vec<ReceiverEvent>,
    found: Vec<Found>,
    unreadable: u64,
    guesses: Vec<Guessed>,
    tones: Vec<Tones>,
    /// Samples taken in.
    fed: u64,
}

enum Ears {
    Survey(Box<Survey>),
    Receiver(Box<Receiver>),
}

impl Listening {
    /// Begins with a stretch. `full_scale` is the largest value that a sample can have.
    pub fn new(job: Job, rate: SampleRate, full_scale: f32) -> Result<Self, ModemError> {
        let ears = match job.task {
            Task::Survey => Ears::Survey(Box::new(Survey::new(rate, full_scale, job.own.start))),
            Task::Hear(line) => Ears::Receiver(Box::new(Receiver::new(line, rate)?)),
        };
        Ok(Listening {
            job,
            ears,
            events: Vec::new(),
            found: Vec::new(),
            unreadable: 0,
            guesses: Vec::new(),
            tones: Vec::new(),
            fed: 0,
        })
    }

    /// The sample that it wants next; `None` when it has heard all that it wants.
    pub fn wants(&self) -> Option<u64> {
        let next = self.job.feed.start + self.fed;
        (next < self.job.feed.end).then_some(next)
    }

    /// Takes samples of which the first is number `at`; what it does not want is left out.
    pub fn hear(&mut self, at: u64, samples: &[f32]) {
        let Some(next) = self.wants() else { return };
        let skip = next.saturating_sub(at).min(samples.len() as u64) as usize;
        let most = (self.job.feed.end - next).min((samples.len() - skip) as u64) as usize;
        let samples = &samples[skip..skip + most];
        self.fed += most as u64;
        match &mut self.ears {
            Ears::Survey(survey) => survey.look(samples),
            Ears::Receiver(receiver) => {
                receiver.process(samples, &mut self.events);
                self.sort_events();
            }
        }
    }

    /// Keeps what belongs to this stretch.
    fn sort_events(&mut self) {
        let Task::Hear(line) = self.job.task else {
            return;
        };
        let own = &self.job.own;
        let told = self.job.earliest()..own.end.saturating_add(self.job.doubt);
        let from = self.job.feed.start;
        for event in self.events.drain(..) {
            match event {
                ReceiverEvent::Frame { octets, report } => {
                    let found = Found::new(line, octets, &report, from);
                    if told.contains(&found.start) {
                        self.found.push(found);
                    }
                }
                ReceiverEvent::Unreadable { report, guess, .. } => {
                    let SampleCount(start) = report.start;
                    if own.contains(&(from + start)) {
                        self.unreadable += 1;
                        if let Some(guess) = guess
                            && self.guesses.len() < MOST_GUESSES
                        {
                            self.guesses.push(Guessed::new(line.mode(), &guess, from));
                        }
                    }
                }
                ReceiverEvent::Tones(advice) if self.tones.len() < MOST_TONES => {
                    let (start, end) = (from + advice.start.0, from + advice.end.0);
                    if own.contains(&start) {
                        self.tones.push(Tones {
                            start,
                            end,
                            suits: advice.suits,
                            sentence: advice.sentence,
                        });
                    }
                }
                _ => {}
            }
        }
    }

    /// Nothing more comes: what was on its way comes out.
    pub fn finish(mut self) -> Outcome {
        if let Ears::Receiver(receiver) = &mut self.ears {
            let mut left = receiver.delay() + 1;
            while left > 0 {
                let some = left.min(SILENCE.len());
                receiver.process(&SILENCE[..some], &mut self.events);
                left -= some;
            }
            self.sort_events();
        }
        let survey = match self.ears {
            Ears::Survey(survey) => Some(survey.finished()),
            Ears::Receiver(_) => None,
        };
        Outcome {
            task: self.job.task,
            number: self.job.number,
            found: self.found,
            unreadable: self.unreadable,
            guesses: self.guesses,
            tones: self.tones,
            survey,
        }
    }

    /// What it listens to.
    pub fn job(&self) -> &Job {
        &self.job
    }
}
