//! Dated dialogues with the machine, and random ones with a judge outside.

use proptest::prelude::*;

use super::super::settings::KeyLine;
use super::*;

const MOST: Duration = Duration::from_secs(60);
const REST: Duration = Duration::from_secs(10);

fn settings(longest: u64) -> KeyerSettings {
    let mut settings = KeyerSettings::of("VHF", KeyLine::None);
    settings.longest = Duration::from_secs(longest);
    settings.rest = REST;
    settings
}

/// A machine with an obedient line.
struct Bench {
    machine: Machine,
    down: bool,
    told: Vec<Report>,
    ended: bool,
    /// The line answers with errors.
    broken: bool,
}

impl Bench {
    fn start(longest: u64) -> Self {
        let mut bench = Bench {
            machine: Machine::new(&settings(longest)),
            down: true,
            told: Vec::new(),
            ended: false,
            broken: false,
        };
        bench.drain(0);
        bench
    }

    fn drain(&mut self, ms: u64) {
        while let Some(output) = self.machine.poll() {
            match output {
                Output::Line { down } => {
                    let outcome = match self.broken {
                        true => Err("unplugged".into()),
                        false => Ok("bench".into()),
                    };
                    if !self.broken {
                        self.down = down;
                    }
                    let set = Input::LineSet { down, outcome };
                    self.machine.handle(Instant::from_millis(ms), set);
                }
                Output::Tell(report) => self.told.push(report),
                Output::End => self.ended = true,
            }
        }
    }

    fn give(&mut self, ms: u64, input: Input) {
        self.machine.handle(Instant::from_millis(ms), input);
        self.drain(ms);
    }

    fn beat(&mut self, ms: u64, down: Option<Duration>) {
        let age = Duration::ZERO;
        self.give(ms, Input::Beat { seq: ms, down, age });
    }

    /// Beats "down" every 50 ms over a span of milliseconds.
    fn hold(&mut self, from: u64, to: u64) {
        for ms in (from..to).step_by(50) {
            self.beat(ms, Some(MOST));
        }
    }

    fn press(&mut self, ms: u64) {
        self.beat(ms, None);
        self.beat(ms, Some(MOST));
    }

    fn last_word(&self) -> &Report {
        let heard = |r: &&Report| !matches!(r, Report::Heard { .. });
        self.told.iter().rev().find(heard).expect("something")
    }

    fn why(&self) -> &str {
        match self.last_word() {
            Report::Up { why } | Report::Refused { why } | Report::Ended { why } => why,
            Report::Fault { what } => what,
            other => panic!("no reason in {other:?}"),
        }
    }
}

#[test]
fn the_line_is_released_first_of_all_and_the_proof_told() {
    let bench = Bench::start(30);
    assert!(!bench.down);
    let evidence = "bench".into();
    assert_eq!(bench.told, [Report::Proved { evidence }]);
}

#[test]
fn a_press_keys_and_up_releases() {
    let mut bench = Bench::start(30);
    bench.press(100);
    assert!(bench.down);
    assert_eq!(bench.last_word(), &Report::Down);
    bench.beat(150, Some(MOST));
    bench.beat(190, None);
    assert!(!bench.down);
    assert_eq!(bench.why(), "the station asked");
}

#[test]
fn a_keyer_that_starts_under_a_station_that_says_down_does_not_key() {
    let mut bench = Bench::start(30);
    bench.hold(0, 1000);
    assert!(!bench.down);
    assert!(bench.why().contains("press afresh"), "{}", bench.why());
    let refusals = |r: &&Report| matches!(r, Report::Refused { .. });
    assert_eq!(bench.told.iter().filter(refusals).count(), 1);
    bench.press(1000);
    assert!(bench.down);
}

#[test]
fn without_a_beat_it_releases_after_200_ms_and_wants_a_fresh_press() {
    let mut bench = Bench::start(30);
    bench.press(100);
    bench.beat(140, Some(MOST));
    let wakeup = Some((Instant::from_millis(340), Wakeup::NoBeat));
    assert_eq!(bench.machine.next_wakeup(), wakeup);
    bench.give(339, Input::Wakeup);
    assert!(bench.down);
    bench.give(340, Input::Wakeup);
    assert!(!bench.down);
    assert!(
        bench.why().starts_with("no sign of life"),
        "{}",
        bench.why()
    );
    bench.hold(341, 900);
    assert!(!bench.down, "a late beat revives nothing");
    bench.press(900);
    assert!(bench.down);
}

#[test]
fn a_beat_after_the_limit_cannot_save_the_key_down() {
    let mut bench = Bench::start(30);
    bench.press(100);
    // The keyer itself was starved: the beat comes first, no wake-up before it.
    bench.beat(301, Some(MOST));
    assert!(!bench.down);
}

#[test]
fn a_beat_that_lay_in_the_pipe_counts_from_when_it_was_sent() {
    let mut bench = Bench::start(30);
    bench.press(100);
    let old = |age| Input::Beat {
        seq: 1,
        down: Some(MOST),
        age: Duration::from_millis(age),
    };
    bench.give(250, old(100));
    let wakeup = Some((Instant::from_millis(350), Wakeup::NoBeat));
    assert_eq!(bench.machine.next_wakeup(), wakeup);
    bench.give(350, Input::Wakeup);
    assert!(!bench.down);
    // A press that old is none at all.
    bench.beat(1000, None);
    bench.give(1000, old(200));
    assert!(!bench.down);
    assert!(bench.why().contains("200 ms old"), "{}", bench.why());
}

#[test]
fn the_own_limit_releases_and_asks_for_rest_without_any_press() {
    let mut bench = Bench::start(1);
    bench.press(0);
    bench.hold(0, 1000);
    assert!(bench.down);
    bench.hold(1000, 3000);
    assert!(!bench.down);
    bench.press(3000);
    assert!(!bench.down);
    assert!(bench.why().contains("rests"), "{}", bench.why());
    // The press at 3 s began the rest anew.
    bench.press(12_999);
    assert!(!bench.down);
    bench.beat(13_050, None);
    bench.press(22_998);
    assert!(!bench.down);
    bench.beat(23_000, None);
    bench.press(32_998);
    assert!(bench.down);
}

#[test]
fn the_limit_that_came_with_the_press_needs_no_rest_but_a_fresh_press() {
    let mut bench = Bench::start(30);
    bench.beat(0, None);
    for ms in (0..800).step_by(50) {
        bench.beat(ms, Some(Duration::from_millis(500)));
        assert_eq!(bench.down, ms < 500, "{ms}");
    }
    bench.press(800);
    assert!(bench.down);
}

#[test]
fn a_beat_can_shorten_but_not_lengthen() {
    let mut bench = Bench::start(30);
    bench.beat(0, None);
    for (ms, most) in [
        (0, 400),
        (50, 60_000),
        (100, 300),
        (150, 60_000),
        (250, 60_000),
    ] {
        bench.beat(ms, Some(Duration::from_millis(most)));
    }
    bench.give(300, Input::Wakeup);
    assert!(!bench.down);
}

#[test]
fn the_end_of_the_orders_releases_and_ends() {
    let mut bench = Bench::start(30);
    bench.press(100);
    let why = || "the station is gone".to_owned();
    bench.give(110, Input::Close { why: why() });
    assert!(!bench.down && bench.ended);
    assert!(bench.told.contains(&Report::Up { why: why() }));
    assert_eq!(bench.last_word(), &Report::Ended { why: why() });
    bench.press(200);
    assert!(!bench.down);
}

#[test]
fn a_request_to_release_leaves_the_keyer_at_work() {
    let mut bench = Bench::start(30);
    let why = || "a signal asked to release".to_owned();
    bench.give(50, Input::Release { why: why() });
    assert_eq!(bench.told.len(), 1, "nothing to release, nothing told");
    bench.press(100);
    bench.give(110, Input::Release { why: why() });
    bench.hold(120, 500);
    assert!(!bench.down && !bench.ended);
    bench.press(500);
    assert!(bench.down);
}

#[test]
fn a_line_that_does_not_obey_is_tried_and_then_told() {
    let mut bench = Bench::start(30);
    bench.press(100);
    bench.broken = true;
    bench.beat(120, None);
    assert!(bench.ended);
    assert!(
        bench.why().contains("could not be released"),
        "{}",
        bench.why()
    );
    assert!(bench.why().contains("unplugged"), "{}", bench.why());

    let mut bench = Bench::start(30);
    bench.broken = true;
    bench.press(100);
    assert!(bench.ended);
    assert!(!bench.machine.is_down());
}

#[test]
fn a_driver_that_takes_nothing_loses_reports_but_no_order_to_the_line() {
    let mut machine = Machine::new(&settings(30));
    for seq in 0..10_000 {
        let (down, age) = (None, Duration::ZERO);
        machine.handle(Instant::ZERO, Input::Beat { seq, down, age });
    }
    assert_eq!(machine.poll(), Some(Output::Line { down: false }));
    assert!(machine.outputs.len() <= MOST_OUTPUTS);
}

/// One step of a random dialogue.
#[derive(Clone, Debug)]
enum Step {
    Wait(u64),
    Beat { down: Option<u64>, age: u64 },
    Wakeup,
    Release,
    Busy(bool),
}

fn step() -> impl Strategy<Value = Step> {
    let beat = |ages| {
        (proptest::option::weighted(0.8, 1..3000_u64), ages)
            .prop_map(|(down, age)| Step::Beat { down, age })
    };
    prop_oneof![
        4 => (1..120_u64).prop_map(Step::Wait),
        1 => (120..4000_u64).prop_map(Step::Wait),
        8 => beat(0..20_u64),
        1 => beat(0..400_u64),
        2 => Just(Step::Wakeup),
        1 => Just(Step::Release),
        1 => any::<bool>().prop_map(Step::Busy),
    ]
}

/// Watches a dialogue from outside, with nothing of the machine's own state.
struct Judge {
    bench: Bench,
    now: u64,
    /// When the youngest beat was sent.
    sent: u64,
    pressed: Option<u64>,
    /// The last key-down ran into the own limit; when somebody last asked to key.
    resting: Option<u64>,
    said_up: bool,
}

const OWN: u64 = 2000;

impl Judge {
    /// Time passes as in the real process: wake-ups are kept to the millisecond.
    fn wait(&mut self, ms: u64) {
        let end = self.now + ms;
        while let Some((at, _)) = self.bench.machine.next_wakeup() {
            let at = at.as_nanos().div_ceil(1_000_000);
            if at > end {
                break;
            }
            self.now = self.now.max(at);
            self.bench.give(self.now, Input::Wakeup);
            self.look();
        }
        self.now = end;
        self.look();
    }

    fn look(&mut self) {
        if !self.bench.down {
            if let Some(since) = self.pressed.take()
                && self.now - since >= OWN
            {
                self.resting = Some(self.now);
            }
            return;
        }
        let since = *self.pressed.get_or_insert(self.now);
        assert!(
            self.now - since < OWN,
            "keyed beyond the limit at {}",
            self.now
        );
        assert!(
            self.now - self.sent < 200,
            "keyed without a beat at {}",
            self.now
        );
    }

    fn beat(&mut self, down: Option<u64>, age: u64) {
        let age = age.min(self.now);
        let was_down = self.bench.down;
        self.sent = self.sent.max(self.now - age);
        let input = Input::Beat {
            seq: 0,
            down: down.map(Duration::from_millis),
            age: Duration::from_millis(age),
        };
        let fresh = self.said_up;
        self.bench.give(self.now, input);
        if !was_down && self.bench.down {
            assert!(fresh, "keyed without a fresh press");
            let rested = self.resting.is_none_or(|asked| self.now - asked >= 10_000);
            assert!(rested, "keyed before the rest was over at {}", self.now);
            self.resting = None;
        }
        match down {
            None => assert!(!self.bench.down, "up must always release"),
            Some(_) if self.resting.is_some() => self.resting = Some(self.now),
            Some(_) => {}
        }
        self.said_up = down.is_none();
        self.look();
    }

    fn step(&mut self, step: &Step) {
        match *step {
            Step::Wait(ms) => self.wait(ms),
            Step::Beat { down, age } => self.beat(down, age),
            Step::Wakeup => self.bench.give(self.now, Input::Wakeup),
            Step::Busy(busy) => self.bench.give(self.now, Input::Busy(busy)),
            Step::Release => {
                let why = "because".into();
                self.bench.give(self.now, Input::Release { why });
                assert!(!self.bench.down, "release must always release");
            }
        }
        self.look();
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]
    /// Never keyed without a beat sent within 200 ms, never beyond the limit, never before the
    /// rest is over, never without a fresh press; a release always releases.
    #[test]
    fn whatever_comes_the_line_keeps_its_promises(
        steps in proptest::collection::vec(step(), 1..300)
    ) {
        let mut bench = Bench::start(OWN / 1000);
        bench.machine.rest = REST;
        let mut judge = Judge { bench, now: 0, sent: 0, pressed: None, resting: None, said_up: false };
        for step in &steps {
            judge.step(step);
        }
        let why = "over".into();
        judge.bench.give(judge.now, Input::Close { why });
        prop_assert!(!judge.bench.down && judge.bench.ended);
    }

    /// The same with a keyer that is starved: wake-ups come late or not at all, but nothing
    /// that comes afterwards holds the line.
    #[test]
    fn a_starved_keyer_releases_at_the_first_thing_that_it_sees(
        late in 200..5000_u64, beat in any::<bool>()
    ) {
        let mut bench = Bench::start(30);
        bench.press(1000);
        match beat {
            true => bench.beat(1000 + late, Some(MOST)),
            false => bench.give(1000 + late, Input::Busy(true)),
        }
        prop_assert!(!bench.down);
    }
}
