//! Judges a run from outside: when each key line was down, against what was done to the
//! station at that time. It knows nothing of gates and drivers.

use std::fmt;

use dunlin_clock::{Duration, Instant};

/// Time within which every fault must have released the key.
pub(super) const RELEASE: Duration = Duration::from_millis(300);

/// Something that is so or not so over time.
#[derive(Clone, Debug, Default)]
pub(super) struct Course(Vec<(Instant, Instant)>, Option<Instant>);

impl Course {
    /// It is so, or not so, from `now` on.
    pub(super) fn set(&mut self, now: Instant, so: bool) {
        match (self.1, so) {
            (None, true) => self.1 = Some(now),
            (Some(since), false) => {
                self.0.push((since, now));
                self.1 = None;
            }
            _ => {}
        }
    }

    /// All spans in which it was so, until `end`.
    fn spans(&self, end: Instant) -> Vec<(Instant, Instant)> {
        let mut spans = self.0.clone();
        spans.extend(self.1.map(|since| (since, end)));
        spans
    }
}

/// What was true of one port.
#[derive(Clone, Debug, Default)]
pub(super) struct Truth {
    /// The station's process is dead.
    pub(super) dead: Course,
    /// It hangs.
    pub(super) hung: Course,
    /// The port or the station is stopped.
    pub(super) stopped: Course,
    /// Its device is gone.
    pub(super) gone: Course,
    /// Its keyer died or hung at these moments: a key that was down then must go up.
    pub(super) must_release: Vec<Instant>,
    /// The radio's busy line says busy.
    pub(super) busy: Course,
    /// The station is younger than its settling time.
    pub(super) settling: Course,
}

/// What a run showed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Runs that kept every rule.
    pub runs: u64,
    /// Times that a key went down.
    pub key_downs: u64,
    /// Key-downs that a fault or a stop cut into.
    pub cut_into: u64,
    /// Longest key-down.
    pub longest: Duration,
    /// Longest time from a fault or stop to the release of a key that was down.
    pub slowest: Duration,
}

impl Tally {
    /// Takes in another.
    pub fn add(&mut self, other: &Tally) {
        self.runs += other.runs;
        self.key_downs += other.key_downs;
        self.cut_into += other.cut_into;
        self.longest = self.longest.max(other.longest);
        self.slowest = self.slowest.max(other.slowest);
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} runs, {} key-downs ({} cut into by a fault or a stop); longest {:.2} s, slowest \
             release {} ms",
            self.runs,
            self.key_downs,
            self.cut_into,
            self.longest.as_secs_f64(),
            self.slowest.as_millis()
        )
    }
}

/// What is allowed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rules {
    /// Longest key-down.
    pub(super) single: Duration,
    /// Longest key-down altogether in one life of the station, none of which lasts ten
    /// minutes.
    pub(super) together: Duration,
    /// The ports must never be keyed together.
    pub(super) apart: bool,
}

/// The judgement on all ports.
pub(super) fn judge(
    ports: &[(Vec<(Instant, bool)>, Truth)],
    lives: &[(Instant, Instant)],
    rules: Rules,
    end: Instant,
) -> Result<Tally, Vec<String>> {
    let mut broken = Vec::new();
    let mut tally = Tally {
        runs: 1,
        ..Tally::default()
    };
    let mut all = Vec::new();
    for (number, (changes, truth)) in ports.iter().enumerate() {
        let downs = downs(changes, end);
        for &down in &downs {
            tally.key_downs += 1;
            tally.longest = tally.longest.max(down.1.since(down.0));
            one(number, down, truth, rules, end, &mut tally, &mut broken);
        }
        for &life in lives {
            let in_life: Duration = downs.iter().map(|&down| overlap(down, life)).sum();
            if in_life > rules.together + RELEASE {
                broken.push(format!(
                    "port {number}: key down for {in_life:?} in the life from {}, allowed are {:?}",
                    life.0, rules.together
                ));
            }
        }
        all.push(downs);
    }
    if rules.apart {
        for &a in &all[0] {
            let together = all[1].iter().find(|&&b| !overlap(a, b).is_zero());
            if let Some(b) = together {
                broken.push(format!(
                    "both keys down: {} to {}, {} to {}",
                    a.0, a.1, b.0, b.1
                ));
            }
        }
    }
    if broken.is_empty() {
        Ok(tally)
    } else {
        Err(broken)
    }
}

/// The rules for one key-down.
fn one(
    number: usize,
    down: (Instant, Instant),
    truth: &Truth,
    rules: Rules,
    end: Instant,
    tally: &mut Tally,
    broken: &mut Vec<String>,
) {
    let lasted = down.1.since(down.0);
    if lasted > rules.single + RELEASE {
        broken.push(format!(
            "port {number}: key down at {} for {lasted:?}",
            down.0
        ));
    }
    let standing = [
        ("the station was dead", &truth.dead),
        ("the station hung", &truth.hung),
        ("it was stopped", &truth.stopped),
        ("the device was gone", &truth.gone),
    ];
    for (what, course) in standing {
        for span in course.spans(end) {
            if overlap(down, span).is_zero() {
                continue;
            }
            if down.0 <= span.0 {
                tally.cut_into += 1;
                let took = down.1.min(span.1).since(span.0);
                tally.slowest = tally.slowest.max(took);
            }
            let late = (span.0 + RELEASE, span.1);
            if !overlap(down, late).is_zero() {
                broken.push(format!(
                    "port {number}: key down from {} to {} although {what} from {} to {}",
                    down.0, down.1, span.0, span.1
                ));
            }
        }
    }
    for &at in truth
        .must_release
        .iter()
        .filter(|at| down.0 <= **at && **at < down.1)
    {
        tally.cut_into += 1;
        let took = down.1.since(at);
        tally.slowest = tally.slowest.max(took);
        if took > RELEASE {
            broken.push(format!(
                "port {number}: key down from {} to {} although its keyer died or hung at {at}",
                down.0, down.1
            ));
        }
    }
    keyed_though(number, down, truth, end, broken);
}

/// What must not be so when a key goes down.
fn keyed_though(
    number: usize,
    down: (Instant, Instant),
    truth: &Truth,
    end: Instant,
    broken: &mut Vec<String>,
) {
    let at_start = [
        ("the radio said busy", &truth.busy),
        ("the station had just started", &truth.settling),
        ("it was stopped", &truth.stopped),
    ];
    for (what, course) in at_start {
        for span in course.spans(end) {
            if down.0 > span.0 + RELEASE && down.0 < span.1 {
                broken.push(format!(
                    "port {number}: keyed at {} although {what} from {} to {}",
                    down.0, span.0, span.1
                ));
            }
        }
    }
}

/// The spans in which a line was down. What was down before anybody held it does not count.
fn downs(changes: &[(Instant, bool)], end: Instant) -> Vec<(Instant, Instant)> {
    let mut spans = Vec::new();
    let mut since = None;
    for &(at, down) in changes {
        match (since, down) {
            (None, true) => since = Some(at),
            (Some(from), false) => {
                spans.push((from, at));
                since = None;
            }
            _ => {}
        }
    }
    spans.extend(since.map(|from| (from, end)));
    spans.retain(|span| span.0 > Instant::ZERO);
    spans
}

fn overlap(a: (Instant, Instant), b: (Instant, Instant)) -> Duration {
    let (from, to) = (a.0.max(b.0), a.1.min(b.1));
    if from >= to {
        Duration::ZERO
    } else {
        to.since(from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RULES: Rules = Rules {
        single: Duration::from_secs(5),
        together: Duration::from_secs(8),
        apart: true,
    };

    fn at(ms: u64) -> Instant {
        Instant::from_millis(ms)
    }

    fn judged(changes: &[(u64, bool)], truth: Truth) -> Result<Tally, Vec<String>> {
        let changes = changes.iter().map(|&(ms, down)| (at(ms), down)).collect();
        let ports = [(changes, truth), (Vec::new(), Truth::default())];
        judge(&ports, &[(at(0), at(60_000))], RULES, at(60_000))
    }

    #[test]
    fn a_key_that_is_held_too_long_is_seen() {
        assert!(judged(&[(1000, true), (6200, false)], Truth::default()).is_ok());
        assert!(judged(&[(1000, true), (6400, false)], Truth::default()).is_err());
        assert!(judged(&[(59_000, true)], Truth::default()).is_ok());
        assert!(
            judged(&[(50_000, true)], Truth::default()).is_err(),
            "never released"
        );
        let often = [(1000, true), (5000, false), (6000, true), (10_500, false)];
        assert!(judged(&often, Truth::default()).is_err());
    }

    #[test]
    fn a_key_that_outlives_a_death_is_seen() {
        let mut truth = Truth::default();
        truth.dead.set(at(2000), true);
        truth.dead.set(at(5000), false);
        let tally = judged(&[(1000, true), (2250, false)], truth.clone()).expect("in time");
        assert_eq!(tally.slowest, Duration::from_millis(250));
        assert!(judged(&[(1000, true), (2310, false)], truth.clone()).is_err());
        assert!(judged(&[(3000, true), (3010, false)], truth).is_err());
    }

    #[test]
    fn keying_on_a_busy_channel_or_in_a_stop_is_seen() {
        let mut truth = Truth::default();
        truth.busy.set(at(2000), true);
        truth.busy.set(at(9000), false);
        assert!(judged(&[(1000, true), (4000, false)], truth.clone()).is_ok());
        assert!(judged(&[(3000, true), (4000, false)], truth).is_err());
        let mut truth = Truth::default();
        truth.stopped.set(at(2000), true);
        assert!(judged(&[(1000, true), (2400, false)], truth).is_err());
    }

    #[test]
    fn two_keys_at_once_are_seen() {
        let changes = |a, b| vec![(at(a), true), (at(b), false)];
        let ports = [
            (changes(1000, 2000), Truth::default()),
            (changes(1900, 3000), Truth::default()),
        ];
        assert!(judge(&ports, &[], RULES, at(9000)).is_err());
    }
}
