//! The station's side against simulated keyers, in virtual time.

use super::super::settings::{KeyLine, KeyerSettings};
use super::super::simulated::{SimulatedNursery, World};
use super::*;

/// Longest time between two turns of the driver.
const TURN: u64 = 20;
const LONG: Duration = Duration::from_secs(20);

struct Bench {
    world: World,
    handle: Option<Handle<SimulatedNursery>>,
    ms: u64,
    events: Vec<(u64, KeyerEvent)>,
}

impl Bench {
    /// A line that a crash left keyed.
    fn start() -> Self {
        let world = World::new(KeyerSettings::of("VHF", KeyLine::None), true);
        let handle = Some(Handle::new("VHF", world.nursery(), Instant::ZERO));
        Bench {
            world,
            handle,
            ms: 0,
            events: Vec::new(),
        }
    }

    fn now(&self) -> Instant {
        Instant::from_millis(self.ms)
    }

    fn handle(&mut self) -> &mut Handle<SimulatedNursery> {
        self.handle.as_mut().expect("the station lives")
    }

    /// The driver turns for so long.
    fn run(&mut self, ms: u64) {
        let end = self.ms + ms;
        while self.ms < end {
            self.turn();
            self.ms = end.min(self.ms + TURN);
            self.world.advance(self.now());
        }
        self.turn();
    }

    fn turn(&mut self) {
        let now = self.now();
        self.handle().turn(now);
        while let Some(event) = self.handle().poll() {
            self.events.push((self.ms, event));
        }
    }

    /// The driver hangs for so long.
    fn hang(&mut self, ms: u64) {
        self.ms += ms;
        self.world.advance(self.now());
    }

    fn press(&mut self) {
        let now = self.now();
        self.handle().press(now, LONG);
        self.turn();
        assert!(self.world.is_down(), "{:?}", self.events);
    }

    /// When the line was released after `ms`.
    fn released_after(&self, ms: u64) -> u64 {
        let from = Instant::from_millis(ms);
        let up = |(at, down): &(Instant, bool)| !down && *at >= from;
        let changes = self.world.changes();
        let (at, _) = changes.iter().find(|c| up(c)).expect("released");
        at.since(from).as_millis() as u64
    }

    fn said(&self, wanted: impl Fn(&KeyerEvent) -> bool) -> usize {
        self.events.iter().filter(|(_, e)| wanted(e)).count()
    }
}

fn failed(event: &KeyerEvent) -> bool {
    matches!(event, KeyerEvent::Failed { .. })
}

fn released(event: &KeyerEvent) -> bool {
    matches!(event, KeyerEvent::Released { .. })
}

fn proved(event: &KeyerEvent) -> bool {
    matches!(event, KeyerEvent::Proved { .. })
}

#[test]
fn a_line_that_a_crash_left_keyed_is_released_before_it_is_proved() {
    let mut bench = Bench::start();
    assert!(bench.world.is_down());
    bench.handle().press(Instant::ZERO, LONG);
    bench.run(100);
    assert!(!bench.world.is_down());
    let kinds: Vec<_> = bench.events.iter().map(|(_, e)| e.clone()).collect();
    assert!(matches!(kinds[0], KeyerEvent::Refused { .. }), "{kinds:?}");
    assert!(proved(&kinds[1]), "{kinds:?}");
    assert_eq!(kinds.len(), 2);
}

#[test]
fn beats_hold_the_key_and_release_lets_go_at_once() {
    let mut bench = Bench::start();
    bench.run(100);
    bench.press();
    bench.run(5000);
    assert!(bench.world.is_down());
    let now = bench.now();
    bench.handle().release(now, "played");
    assert!(!bench.world.is_down());
    bench.run(100);
    let (_, last) = bench.events.last().expect("an event");
    let why = "the station asked".into();
    let ago = Duration::ZERO;
    assert_eq!(*last, KeyerEvent::Released { why, ago });
    assert_eq!(bench.said(failed), 0);
    // And again, for a second transmission.
    bench.press();
}

#[test]
fn the_station_dies() {
    let mut bench = Bench::start();
    bench.run(100);
    bench.press();
    bench.handle = None;
    assert!(!bench.world.is_down());
}

#[test]
fn the_station_hangs() {
    let mut bench = Bench::start();
    bench.run(100);
    bench.press();
    let from = bench.ms;
    bench.hang(2000);
    assert!(bench.released_after(from) <= 200);
    bench.run(200);
    assert_eq!(bench.said(failed), 0, "{:?}", bench.events);
    assert_eq!(bench.said(released), 1);
    assert!(!bench.world.is_down());
    bench.press();
}

#[test]
fn the_keyer_dies_or_freezes_while_keyed_at_any_moment() {
    for moment in 0..120 {
        for freeze in [false, true] {
            let mut bench = Bench::start();
            bench.run(100);
            bench.press();
            bench.run(moment);
            let from = bench.ms;
            if freeze {
                bench.world.freeze(true);
            } else {
                bench.world.kill();
            }
            bench.run(400);
            let took = bench.released_after(from);
            assert!(took < 250, "{took} ms, moment {moment}, freeze {freeze}");
            assert_eq!(bench.said(failed), 1, "{:?}", bench.events);
            assert_eq!(bench.said(|e| *e == KeyerEvent::Alive), 1);
            assert_eq!(bench.said(released), 1);
            assert_eq!(bench.said(proved), 2);
            assert!(!bench.world.is_down(), "nothing keys by itself again");
            bench.press();
        }
    }
}

#[test]
fn a_keyer_that_ends_on_a_signal_is_replaced() {
    let mut bench = Bench::start();
    bench.run(100);
    bench.press();
    bench.world.terminate();
    assert!(!bench.world.is_down());
    bench.run(500);
    assert_eq!(bench.said(proved), 2);
    let reason = bench.events.iter().find_map(|(_, e)| match e {
        KeyerEvent::Failed { reason } => Some(reason.clone()),
        _ => None,
    });
    assert_eq!(reason.as_deref(), Some("it ended: a signal asked to end"));
}

#[test]
fn a_line_that_is_unplugged_is_told_once_and_tried_ever_more_rarely() {
    let mut bench = Bench::start();
    bench.run(100);
    bench.press();
    bench.world.break_line(true);
    let now = bench.now();
    bench.handle().release(now, "played");
    bench.run(120_000);
    let born = bench.world.born();
    assert!((8..=13).contains(&born), "{born} keyers in two minutes");
    assert!(bench.said(failed) <= 2, "{:?}", bench.events);
    assert!(!bench.handle().is_proved());
    bench.world.break_line(false);
    bench.run(40_000);
    assert!(bench.handle().is_proved());
    assert!(!bench.world.is_down());
    assert_eq!(bench.said(released), 1);
    bench.press();
}

#[test]
fn a_program_that_cannot_be_started_is_told_and_tried_again() {
    let mut bench = Bench::start();
    bench.world.make_barren(true);
    bench.run(10_000);
    assert_eq!(bench.said(failed), 1);
    bench.world.make_barren(false);
    bench.run(30_000);
    assert!(bench.handle().is_proved());
}

#[test]
fn keyers_that_die_again_and_again_brake_the_port() {
    let mut bench = Bench::start();
    bench.run(100);
    let mut presses = 0;
    for _ in 0..100 {
        let now = bench.now();
        bench.handle().press(now, LONG);
        bench.turn();
        presses += u32::from(bench.world.is_down());
        bench.world.kill();
        bench.run(400);
        assert!(!bench.world.is_down());
    }
    assert!(presses < 40, "{presses}");
    let refused =
        |e: &KeyerEvent| matches!(e, KeyerEvent::Refused { why } if why.contains("too many"));
    assert!(bench.said(refused) > 0, "{:?}", bench.events.last());
    bench.run(700_000);
    bench.press();
}

#[test]
fn the_own_limit_of_the_keyer_reaches_the_driver_with_its_reason() {
    let mut bench = Bench::start();
    bench.run(100);
    let now = bench.now();
    bench.handle().press(now, Duration::from_secs(100));
    bench.run(40_000);
    let why = bench.events.iter().find_map(|(_, e)| match e {
        KeyerEvent::Released { why, .. } => Some(why.clone()),
        _ => None,
    });
    assert!(why.expect("released").contains("own limit"));
    let now = bench.now();
    bench.handle().press(now, LONG);
    bench.run(100);
    let (_, last) = bench.events.last().expect("an event");
    assert!(
        matches!(last, KeyerEvent::Released { .. } | KeyerEvent::Down { .. }),
        "{last:?}"
    );
}

#[test]
fn the_busy_line_is_passed_on() {
    let mut bench = Bench::start();
    bench.run(100);
    bench.world.sense(true);
    bench.run(20);
    let (_, last) = bench.events.last().expect("an event");
    assert_eq!(*last, KeyerEvent::External { busy: true });
}

#[test]
fn an_idle_keyer_that_freezes_is_replaced_too() {
    let mut bench = Bench::start();
    bench.run(5000);
    bench.world.freeze(true);
    bench.run(2000);
    assert_eq!(bench.world.born(), 2);
    assert!(bench.handle().is_proved());
}
