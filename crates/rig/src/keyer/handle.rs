//! The station's side of a keyer: heartbeat, watch over the keyer, and a fresh one when it
//! dies or falls silent.
//!
//! [`Handle`] itself reads no clock and starts no process: it does so through
//! [`Nursery`] and [`Mate`], which are real processes in the program and
//! [simulated ones](super::simulated) in tests and rehearsals.

use std::collections::VecDeque;

use dunlin_clock::{Duration, Instant};

use super::port::{KeyPort, KeyerEvent};
use super::words::Report;

/// Time between two beats. A quarter of what the keyer waits.
pub const BEAT_EVERY: Duration = Duration::from_millis(50);
/// While keyed, a keyer that has said nothing for so long is killed …
pub const SILENCE_KEYED: Duration = Duration::from_millis(150);
/// … if a beat has lain unanswered for so long: a driver that did not beat gets no answer.
const UNANSWERED: Duration = Duration::from_millis(80);
/// The same while nothing is keyed and nothing hurries.
const SILENCE_IDLE: Duration = Duration::from_secs(1);
/// A keyer that has not proved its line by then is given up. The sentence for people says so.
const LONGEST_START: Duration = Duration::from_secs(3);
/// Pauses before the next keyer after failures in a row.
const PAUSES: [u64; 7] = [100, 300, 1000, 3000, 10_000, 20_000, 30_000];
/// Failures older than this are forgotten: after so long in good order …
const GOOD_ORDER: Duration = Duration::from_secs(60);
/// … and the same for the brake: at most [`MOST_STARTS`] keyers in this time.
const BRAKE_SPAN: Duration = Duration::from_secs(600);
const MOST_STARTS: usize = 30;
/// Reports taken in one turn.
const MOST_REPORTS: usize = 256;
/// Events kept for a driver that does not take them; the oldest go first.
const MOST_EVENTS: usize = 256;

/// One keyer at work.
pub trait Mate {
    /// Sends a beat. Never waits; what cannot be sent is lost and will be missed.
    fn beat(&mut self, now: Instant, seq: u64, down: Option<Duration>);
    /// What it said next, and how long ago.
    fn report(&mut self, now: Instant) -> Option<(Report, Duration)>;
    /// It has ended: how. Asked until it answers.
    fn ended(&mut self) -> Option<String>;
    /// Ends it at once, whatever it is doing.
    fn kill(&mut self);
}

/// Where keyers come from.
pub trait Nursery {
    /// What it gives.
    type Mate: Mate;
    /// Starts a keyer.
    ///
    /// # Errors
    /// Why none could be started.
    fn start(&mut self, now: Instant) -> Result<Self::Mate, String>;
}

/// One keyer, where it stands.
struct Working<M> {
    mate: M,
    since: Instant,
    proved: bool,
    /// Pressed, and neither refused nor told as released: the line may be keyed.
    down: bool,
    heard: Instant,
    /// When the oldest unanswered beat was sent, and its number.
    waiting: Option<(u64, Instant)>,
    last_beat: Option<Instant>,
    /// Its own last word, better than what the operating system says of its end.
    last_word: Option<String>,
}

/// The keying line of one port, held by a keyer.
pub struct Handle<N: Nursery> {
    port: String,
    nursery: N,
    working: Option<Working<N::Mate>>,
    /// Killed ones whose end was not seen yet.
    dying: Vec<N::Mate>,
    next_start: Instant,
    starts: VecDeque<Instant>,
    failures: usize,
    /// When the last keyer became good.
    good_since: Option<Instant>,
    seq: u64,
    /// `Some(most)` while the driver wants the key down.
    want: Option<Duration>,
    /// The line was keyed when its keyer was lost.
    lost_down: bool,
    failed: bool,
    failure_told: Option<String>,
    events: VecDeque<KeyerEvent>,
}

impl<N: Nursery> Handle<N> {
    /// A line that is not proved yet; its keyer is started in the first turn.
    pub fn new(port: &str, nursery: N, now: Instant) -> Self {
        Handle {
            port: port.into(),
            nursery,
            working: None,
            dying: Vec::new(),
            next_start: now,
            starts: VecDeque::new(),
            failures: 0,
            good_since: None,
            seq: 0,
            want: None,
            lost_down: false,
            failed: false,
            failure_told: None,
            events: VecDeque::new(),
        }
    }

    /// Keyers started so far, of those that the brake still counts.
    pub fn recent_starts(&self) -> usize {
        self.starts.len()
    }

    fn put(&mut self, event: KeyerEvent) {
        if self.events.len() == MOST_EVENTS {
            self.events.pop_front();
        }
        self.events.push_back(event);
    }

    fn beat(&mut self, now: Instant) {
        let Some(working) = &mut self.working else {
            return;
        };
        self.seq += 1;
        working.mate.beat(now, self.seq, self.want);
        working.last_beat = Some(now);
        working.waiting.get_or_insert((self.seq, now));
    }

    /// Takes in what the keyer said.
    fn listen(&mut self, now: Instant) {
        for _ in 0..MOST_REPORTS {
            let Some(working) = &mut self.working else {
                return;
            };
            let Some((report, ago)) = working.mate.report(now) else {
                return;
            };
            working.heard = now;
            self.heard(now, report, ago);
        }
    }

    fn heard(&mut self, now: Instant, report: Report, ago: Duration) {
        let Some(working) = &mut self.working else {
            return;
        };
        match report {
            Report::Heard { seq } => {
                if working.waiting.is_some_and(|(oldest, _)| seq >= oldest) {
                    // Later ones may be under way: they were sent after this one.
                    let later = (seq < self.seq).then_some((self.seq, now));
                    working.waiting = later;
                }
            }
            Report::Proved { evidence } => self.proved(now, evidence),
            Report::Down => {
                tracing::info!(port = self.port, "key down");
                self.put(KeyerEvent::Down { ago });
            }
            Report::Up { why } => {
                self.want = None;
                tracing::info!(port = self.port, why, "key released");
                if std::mem::take(&mut working.down) {
                    self.put(KeyerEvent::Released { why, ago });
                }
            }
            Report::Refused { why } => {
                working.down = false;
                self.want = None;
                tracing::warn!(port = self.port, why, "press refused");
                self.put(KeyerEvent::Refused { why });
            }
            Report::Busy(busy) => self.put(KeyerEvent::External { busy }),
            Report::Fault { what } => working.last_word = Some(what),
            Report::Ended { why } => working.last_word = Some(format!("it ended: {why}")),
        }
    }

    fn proved(&mut self, now: Instant, evidence: String) {
        let Some(working) = &mut self.working else {
            return;
        };
        working.proved = true;
        self.good_since = Some(now);
        self.failure_told = None;
        tracing::info!(port = self.port, evidence, "key proved released");
        if std::mem::take(&mut self.failed) {
            self.put(KeyerEvent::Alive);
        }
        if std::mem::take(&mut self.lost_down) {
            let why = format!("a fresh keyer released the line: {evidence}");
            let ago = Duration::ZERO;
            self.put(KeyerEvent::Released { why, ago });
        }
        self.put(KeyerEvent::Proved { evidence });
        // Says "up", so that the first press is a fresh one.
        self.beat(now);
    }

    /// Looks after the keyer.
    fn watch(&mut self, now: Instant) {
        self.dying.retain_mut(|mate| mate.ended().is_none());
        let Some(working) = &mut self.working else {
            return;
        };
        if let Some(how) = working.mate.ended() {
            // What it said before it ended says more than how it ended.
            self.listen(now);
            let word = self.working.as_mut().and_then(|w| w.last_word.take());
            self.lost(now, word.unwrap_or(how));
            return;
        }
        let silent = now.since(working.heard);
        let unanswered = working
            .waiting
            .map_or(Duration::ZERO, |(_, at)| now.since(at));
        let limit = match working.down {
            true => SILENCE_KEYED,
            false => SILENCE_IDLE,
        };
        if !working.proved {
            if now.since(working.since) >= LONGEST_START {
                let s = LONGEST_START.as_secs();
                self.kill(now, format!("the keyer did not open its line within {s} s"));
            }
        } else if silent >= limit && unanswered >= UNANSWERED {
            let ms = silent.as_millis();
            self.kill(
                now,
                format!("the keyer gave no sign of life for {ms} ms and was killed"),
            );
        }
    }

    fn kill(&mut self, now: Instant, reason: String) {
        if let Some(working) = &mut self.working {
            working.mate.kill();
        }
        self.lost(now, reason);
    }

    /// The keyer is gone or as good as gone.
    fn lost(&mut self, now: Instant, reason: String) {
        let Some(working) = self.working.take() else {
            return;
        };
        let was_down = working.down;
        let was_good = self
            .good_since
            .take()
            .is_some_and(|at| now.since(at) >= GOOD_ORDER);
        self.dying.push(working.mate);
        self.want = None;
        self.lost_down |= was_down;
        self.fail(now, reason, was_good);
        if was_down {
            // The line may still be keyed: nothing is more urgent than a fresh keyer.
            self.next_start = now;
        }
    }

    fn fail(&mut self, now: Instant, reason: String, was_good: bool) {
        self.failures = if was_good { 0 } else { self.failures + 1 };
        let pause = PAUSES[self.failures.saturating_sub(1).min(PAUSES.len() - 1)];
        self.next_start = now + Duration::from_millis(pause);
        self.failed = true;
        tracing::warn!(port = self.port, reason, "keyer lost");
        // The same sentence every half a minute helps nobody.
        if self.failure_told.as_ref() != Some(&reason) {
            self.failure_told = Some(reason.clone());
            self.put(KeyerEvent::Failed { reason });
        }
    }

    /// Why a press is not even tried.
    fn objection(&mut self, now: Instant) -> Option<String> {
        if !self.is_proved() {
            return Some("the keying line is not proved released".into());
        }
        self.brake(now)
    }

    /// Too many keyers were lost: how many, and until when none is trusted.
    fn brake(&mut self, now: Instant) -> Option<String> {
        let over = |at: &Instant| now.since(*at) >= BRAKE_SPAN;
        while self.starts.front().is_some_and(over) {
            self.starts.pop_front();
        }
        let oldest = *self.starts.front()?;
        (self.starts.len() >= MOST_STARTS).then(|| {
            format!(
                "{} keyers were needed within {} minutes, which is too many; the port waits \
                 {} s. Look for what ends them",
                self.starts.len(),
                BRAKE_SPAN.as_secs() / 60,
                (oldest + BRAKE_SPAN).since(now).as_secs()
            )
        })
    }

    fn start(&mut self, now: Instant) {
        if self.working.is_some() || now < self.next_start {
            return;
        }
        if let Some(reason) = self.brake(now)
            && !self.lost_down
        {
            self.next_start = self.starts[0] + BRAKE_SPAN;
            return self.put(KeyerEvent::Failed { reason });
        }
        self.starts.push_back(now);
        match self.nursery.start(now) {
            Ok(mate) => {
                self.working = Some(Working {
                    mate,
                    since: now,
                    proved: false,
                    down: false,
                    heard: now,
                    waiting: None,
                    last_beat: None,
                    last_word: None,
                });
            }
            Err(why) => self.fail(now, why, false),
        }
    }
}

impl<N: Nursery> KeyPort for Handle<N> {
    fn press(&mut self, now: Instant, most: Duration) {
        if let Some(why) = self.objection(now) {
            return self.put(KeyerEvent::Refused { why });
        }
        if self.want.is_some() {
            return;
        }
        // Up, then down: a fresh press.
        self.beat(now);
        self.want = Some(most);
        if let Some(working) = &mut self.working {
            working.down = true;
        }
        self.beat(now);
    }

    fn release(&mut self, now: Instant, why: &str) {
        if self.want.take().is_some() {
            tracing::info!(port = self.port, why, "release asked");
            self.beat(now);
        }
    }

    fn turn(&mut self, now: Instant) {
        self.listen(now);
        self.watch(now);
        self.start(now);
        let due = |w: &Working<N::Mate>| w.last_beat.is_none_or(|at| now.since(at) >= BEAT_EVERY);
        if self.working.as_ref().is_some_and(due) {
            self.beat(now);
        }
    }

    fn poll(&mut self) -> Option<KeyerEvent> {
        self.events.pop_front()
    }

    fn is_proved(&self) -> bool {
        self.working.as_ref().is_some_and(|w| w.proved)
    }
}

#[cfg(test)]
#[path = "handle_tests.rs"]
mod tests;
