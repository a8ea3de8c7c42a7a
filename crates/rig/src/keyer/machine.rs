//! What the keyer decides, without a clock, a line or a process: the same machine runs in
//! the real process and, in virtual time, in tests and rehearsals.
//!
//! It keys only while beats arrive that ask for it, and releases by itself
//! - when no beat was sent for [`BEAT_LIMIT`];
//! - when its own limit or the one that the station gave for this transmission is over;
//! - when the stream of orders ends, or it is told to end.
//!
//! After a release of its own it keys again only for a fresh press: a beat that says up, and
//! then one that says down. After its own limit nobody may have asked for the whole rest.

use std::collections::VecDeque;

use dunlin_clock::{Duration, Instant};

use super::settings::{KeyerSettings, MOST_LONGEST};
use super::words::Report;

/// Without a beat for so long, counted from when the last one was sent, the line is released.
/// The rest of the 300 ms that a release may take belongs to the operating system and the line.
pub const BEAT_LIMIT: Duration = Duration::from_millis(200);
/// How often a release that fails is tried before the keyer gives up and says so.
const RELEASE_TRIES: u8 = 3;
/// Reports kept for a driver that does not take them; the oldest go first.
const MOST_OUTPUTS: usize = 256;

/// What happens to a keyer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Input {
    /// The station's sign of life.
    Beat {
        /// Its number.
        seq: u64,
        /// `Some(most)` = key, in all at most that long; `None` = released.
        down: Option<Duration>,
        /// How long ago it was sent.
        age: Duration,
    },
    /// The line was set, or could not be. Follows on every [`Output::Line`].
    LineSet {
        /// What was wanted.
        down: bool,
        /// How it is known to be so, or what went wrong.
        outcome: Result<String, String>,
    },
    /// The radio's busy line, told on each change.
    Busy(bool),
    /// Release now; a fresh press may key again.
    Release {
        /// Why.
        why: String,
    },
    /// Release and end.
    Close {
        /// Why.
        why: String,
    },
    /// Something besides the keying line broke; release and end.
    Broken {
        /// What.
        what: String,
    },
    /// [`Machine::next_wakeup`] has come.
    Wakeup,
}

/// What a keyer does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// Set the line now; answer with [`Input::LineSet`].
    Line {
        /// Keyed or released.
        down: bool,
    },
    /// Tell the station.
    Tell(Report),
    /// End the process.
    End,
}

/// Why [`Machine::next_wakeup`] wants to be called.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wakeup {
    /// The last beat gets too old.
    NoBeat,
    /// The key-down reaches its limit.
    Limit,
}

/// One key-down.
#[derive(Clone, Copy, Debug)]
struct KeyDown {
    since: Instant,
    /// When the last beat was sent.
    beat: Instant,
    until: Instant,
    /// `until` is the keyer's own limit, not the station's.
    own: bool,
}

/// The keyer's mind.
#[derive(Debug)]
pub struct Machine {
    longest: Duration,
    rest: Duration,
    proved: bool,
    ended: bool,
    keyed: Option<KeyDown>,
    /// The station has said "up" since the last key-down: the next "down" is a fresh press.
    fresh: bool,
    /// The last "down" was refused and told; it is not told for every beat.
    refused: bool,
    /// Resting after the own limit; when somebody last asked to key.
    resting: Option<Instant>,
    /// Why the line is being released, and how often that was tried in vain.
    releasing: Option<(String, u8)>,
    /// Ends as soon as the line is released.
    ending: Option<Report>,
    outputs: VecDeque<Output>,
}

impl Machine {
    /// A keyer at its start. Its first output releases the line.
    pub fn new(settings: &KeyerSettings) -> Self {
        let mut machine = Machine {
            longest: settings.longest.min(MOST_LONGEST),
            rest: settings.rest,
            proved: false,
            ended: false,
            keyed: None,
            fresh: false,
            refused: false,
            resting: None,
            releasing: None,
            ending: None,
            outputs: VecDeque::new(),
        };
        machine.let_go("the keyer starts".into());
        machine
    }

    /// The line is keyed, or was ordered to be.
    pub fn is_down(&self) -> bool {
        self.keyed.is_some()
    }

    /// Takes in one thing.
    pub fn handle(&mut self, now: Instant, input: Input) {
        if self.ended {
            return;
        }
        // What is overdue comes before what is new: a beat cannot revive a key-down that
        // should have been over.
        self.expire(now);
        match input {
            Input::Beat { seq, down, age } => {
                self.tell(Report::Heard { seq });
                match down {
                    Some(most) => self.asked(now, most, age),
                    None => self.asked_up(),
                }
            }
            Input::LineSet { down, outcome } => self.line_set(down, outcome),
            Input::Busy(busy) => self.tell(Report::Busy(busy)),
            Input::Release { why } => {
                self.fresh = false;
                if self.keyed.is_some() {
                    self.let_go(why);
                }
            }
            Input::Close { why } => self.end(why.clone(), Report::Ended { why }),
            Input::Broken { what } => self.end(what.clone(), Report::Fault { what }),
            Input::Wakeup => {}
        }
    }

    /// Gives out what follows, until nothing is left.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When to call again with [`Input::Wakeup`] if nothing happens.
    pub fn next_wakeup(&self) -> Option<(Instant, Wakeup)> {
        let keyed = self.keyed?;
        let silent = keyed.beat + BEAT_LIMIT;
        if silent <= keyed.until {
            Some((silent, Wakeup::NoBeat))
        } else {
            Some((keyed.until, Wakeup::Limit))
        }
    }

    fn expire(&mut self, now: Instant) {
        let (Some(keyed), Some((at, why))) = (self.keyed, self.next_wakeup()) else {
            return;
        };
        if now < at {
            return;
        }
        self.fresh = false;
        let lasted = now.since(keyed.since).as_secs_f64();
        // A limit that has passed counts even when the beats had stopped before.
        if keyed.own && now >= keyed.until {
            self.resting = Some(now);
        }
        self.let_go(match why {
            Wakeup::NoBeat => format!(
                "no sign of life from the station for {} ms",
                now.since(keyed.beat).as_millis()
            ),
            Wakeup::Limit if keyed.own => format!(
                "keyed for {lasted:.1} s, the keyer's own limit; it rests {} s",
                self.rest.as_secs()
            ),
            Wakeup::Limit => {
                format!("keyed for {lasted:.1} s, the limit that came with the press")
            }
        });
    }

    /// A beat asks to key.
    fn asked(&mut self, now: Instant, most: Duration, age: Duration) {
        let sent = now - age;
        if let Some(keyed) = &mut self.keyed {
            keyed.beat = keyed.beat.max(sent);
            let until = keyed.since + most;
            if until < keyed.until {
                (keyed.until, keyed.own) = (until, false);
            }
            return self.expire(now);
        }
        match self.objection(now, most, age) {
            None => self.press(now, sent, most),
            Some(why) if !self.refused => {
                self.refused = true;
                self.tell(Report::Refused { why });
            }
            Some(_) => {}
        }
    }

    /// Why a press at `now` does not key.
    fn objection(&mut self, now: Instant, most: Duration, age: Duration) -> Option<String> {
        if let Some(asked) = self.resting {
            let left = (asked + self.rest).since(now);
            if !left.is_zero() {
                self.resting = Some(now);
                self.fresh = false;
                return Some(format!(
                    "it rests after its own limit; {} s without any press are needed",
                    self.rest.as_secs()
                ));
            }
            self.resting = None;
        }
        if self.releasing.is_some() || !self.proved {
            self.fresh = false;
            return Some("the line is not proved released yet".into());
        }
        if !self.fresh {
            return Some("the last key-down is not ended by the station; press afresh".into());
        }
        if age >= BEAT_LIMIT {
            self.fresh = false;
            return Some(format!("the press is {} ms old", age.as_millis()));
        }
        most.is_zero().then(|| "the press allows no time".into())
    }

    fn press(&mut self, now: Instant, sent: Instant, most: Duration) {
        self.fresh = false;
        self.refused = false;
        self.keyed = Some(KeyDown {
            since: now,
            beat: sent,
            until: now + most.min(self.longest),
            own: self.longest <= most,
        });
        self.put(Output::Line { down: true });
    }

    fn asked_up(&mut self) {
        self.refused = false;
        if self.keyed.is_some() {
            self.let_go("the station asked".into());
        }
        self.fresh = true;
    }

    /// Orders the line released.
    fn let_go(&mut self, why: String) {
        self.keyed = None;
        self.releasing = Some((why, 0));
        self.put(Output::Line { down: false });
    }

    fn end(&mut self, why: String, last_word: Report) {
        if self.ending.is_none() {
            self.ending = Some(last_word);
            self.let_go(why);
        }
    }

    fn line_set(&mut self, down: bool, outcome: Result<String, String>) {
        match (down, outcome) {
            (true, Ok(_)) if self.keyed.is_some() => self.tell(Report::Down),
            // It was keyed after it should not be any more. Never leave it so.
            (true, Ok(_)) => self.put(Output::Line { down: false }),
            (true, Err(what)) => {
                let what = format!("the line could not be keyed: {what}");
                self.end(what.clone(), Report::Fault { what });
            }
            (false, Ok(evidence)) => self.released(evidence),
            (false, Err(what)) => self.not_released(what),
        }
    }

    fn released(&mut self, evidence: String) {
        if self.keyed.is_some() {
            return;
        }
        if let Some((why, _)) = self.releasing.take() {
            if self.proved {
                self.tell(Report::Up { why });
            } else {
                self.proved = true;
                self.tell(Report::Proved { evidence });
            }
        }
        self.finish();
    }

    fn not_released(&mut self, what: String) {
        let (why, tries) = self.releasing.take().unwrap_or_default();
        if tries + 1 < RELEASE_TRIES {
            self.releasing = Some((why, tries + 1));
            return self.put(Output::Line { down: false });
        }
        let what = format!("the line could not be released ({why}): {what}");
        self.ending = Some(Report::Fault { what });
        self.finish();
    }

    fn finish(&mut self) {
        if let Some(last_word) = self.ending.take() {
            self.tell(last_word);
            self.put(Output::End);
            self.ended = true;
        }
    }

    fn tell(&mut self, report: Report) {
        self.put(Output::Tell(report));
    }

    fn put(&mut self, output: Output) {
        if self.outputs.len() == MOST_OUTPUTS {
            // Orders to the line are never lost; a report may be.
            if let Some(at) = self
                .outputs
                .iter()
                .position(|o| matches!(o, Output::Tell(_)))
            {
                self.outputs.remove(at);
            }
        }
        self.outputs.push_back(output);
    }
}

#[cfg(test)]
#[path = "machine_tests.rs"]
mod tests;
