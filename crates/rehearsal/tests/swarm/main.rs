//! Worlds drawn by chance, with faults: whatever happens, text arrives as it was written or is told
//! as lost, and every end has words.

mod draw;
mod threads;

use dunlin_clock::{Chance, Duration, Instant};
use dunlin_rehearsal::ledger::Arrival;
use dunlin_rehearsal::{Fidelity, Rehearsal, Scenario, Told};
use dunlin_station::{Command, Direction, TalkId, TalkState};

use draw::{Feature, World, world};

/// A talk that calls or closes for longer than this goes on without end.
const ENDLESS: Duration = Duration::from_secs(3 * 60 * 60);

/// What a day came to.
#[derive(Clone, Copy, Debug, Default)]
struct Day {
    frames: u64,
    talks: usize,
    whole: usize,
    octets: usize,
    lost_lines: usize,
    /// Texts that went whole through a crossing.
    across: usize,
}

/// Lets a world run. What it broke, a sentence each.
fn live(number: u64, world: &World, lasts: Duration) -> (Day, Vec<String>) {
    let scenario = Scenario::read("world", world.text.as_bytes())
        .unwrap_or_else(|faults| panic!("world {number}:\n{faults}\n{}", world.text));
    let begun = Rehearsal::begin_at(scenario, number, true, Fidelity::Frame);
    let mut rehearsal = begun.expect("it begins");
    let mut operator = Operator::new(number, world);
    while rehearsal.now() < Instant::ZERO + lasts {
        rehearsal.advance(rehearsal.now() + Duration::from_secs(20));
        operator.act(&mut rehearsal);
        while let Some(told) = rehearsal.poll() {
            operator.notice(&told);
        }
    }
    rehearsal.end();
    (day(&rehearsal), broken(&rehearsal))
}

fn day(rehearsal: &Rehearsal) -> Day {
    let scenario = rehearsal.scenario();
    let bands = 0..scenario.bands.len();
    let deliveries = rehearsal.talks().deliveries(scenario);
    let across = deliveries.iter().filter(|d| d.through.is_some());
    let across = across.flat_map(|d| [&d.there, &d.back]);
    let across = across.filter(|w| w.written > 0 && w.arrival == Arrival::Whole);
    let across = across.count();
    let ways = deliveries.iter().flat_map(|d| [&d.there, &d.back]);
    let ways: Vec<_> = ways.filter(|w| w.written > 0).collect();
    let talks = rehearsal.talks().talks();
    let lines = talks.flat_map(|(_, talk)| talk.lines.values());
    Day {
        frames: bands.map(|b| rehearsal.frames().tally(b).sent).sum(),
        talks: rehearsal.talks().talks().count(),
        whole: ways.iter().filter(|w| w.arrival == Arrival::Whole).count(),
        octets: ways.iter().map(|w| w.as_written).sum(),
        lost_lines: lines.filter(|line| line.lost).count(),
        across,
    }
}

/// What must hold in every world.
fn broken(rehearsal: &Rehearsal) -> Vec<String> {
    let mut broken = Vec::new();
    let scenario = rehearsal.scenario();
    assert_eq!(rehearsal.talks().forgotten(), 0, "too many talks to judge");
    let invented = rehearsal.frames().nobody_sent();
    if invented > 0 {
        broken.push(format!("{invented} frames were read that nobody sent"));
    }
    broken.extend(threads::broken(rehearsal));
    broken.extend(threads::broken_across(rehearsal));
    for (station, talk) in rehearsal.talks().talks() {
        let view = &talk.view;
        let name = format!(
            "{} with {}, opened at {} ms",
            scenario.stations[station].config.call, view.remote, view.opened_ms
        );
        let ended = view.state == TalkState::Ended;
        if ended && view.words.trim().is_empty() {
            broken.push(format!("{name}: ended without words"));
        }
        let sent = talk
            .lines
            .values()
            .filter(|l| l.direction == Direction::Sent);
        let untold = sent.filter(|l| !l.complete && !l.lost).count();
        if ended && untold > 0 {
            broken.push(format!(
                "{name}: of {untold} lines nobody knows what became"
            ));
        }
        let stands_since = Instant::from_millis(view.since_ms);
        let still = matches!(view.state, TalkState::Calling | TalkState::Closing);
        if still && rehearsal.now().since(stands_since) > ENDLESS {
            broken.push(format!("{name}: {:?} without end", view.state));
        }
    }
    broken
}

/// The living operator of a world that has one: stops, starts, closes talks in between.
struct Operator {
    chance: Chance,
    active: bool,
    talks: Vec<TalkId>,
}

impl Operator {
    fn new(number: u64, world: &World) -> Operator {
        Operator {
            chance: Chance::stream(number, "swarm/operator"),
            active: world.features.contains(&Feature::Stops),
            talks: Vec::new(),
        }
    }

    fn notice(&mut self, told: &Told) {
        if let Told::Operator(dunlin_station::Event::Talk(talk)) = told {
            self.talks.retain(|id| *id != talk.id);
            if talk.state != TalkState::Ended {
                self.talks.push(talk.id);
            }
        }
    }

    /// Every twenty seconds.
    fn act(&mut self, rehearsal: &mut Rehearsal) {
        if !self.active {
            return;
        }
        let by = "the operator".to_owned();
        let command = match self.chance.unit() {
            x if x < 0.002 => Command::Stop {
                port: None,
                by,
                why: "a visitor in the shack".to_owned(),
            },
            x if x < 0.012 => Command::Start { port: None, by },
            x if x < 0.016 && !self.talks.is_empty() => {
                let talk = self.chance.below(self.talks.len() as u64) as usize;
                Command::CloseTalk {
                    talk: self.talks[talk],
                }
            }
            _ => return,
        };
        // A refusal has its words; it is no fault.
        let _ = rehearsal.command(command);
    }
}

fn judge(worlds: std::ops::Range<u64>, lasts: Duration) {
    let mut all = Day::default();
    let mut bad = Vec::new();
    for number in worlds {
        let world = world(number);
        let (day, broken) = live(number, &world, lasts);
        println!(
            "world {number:3}: {:6} frames, {:5} talks, {:5} texts whole, {:7} octets, {:4} lines told as lost; {:?}",
            day.frames, day.talks, day.whole, day.octets, day.lost_lines, world.features
        );
        bad.extend(broken.iter().map(|b| format!("world {number}: {b}")));
        all.frames += day.frames;
        all.talks += day.talks;
        all.whole += day.whole;
        all.octets += day.octets;
        all.lost_lines += day.lost_lines;
        all.across += day.across;
    }
    println!("all: {all:?}");
    assert!(
        all.whole > 0 && all.lost_lines > 0 && all.across > 0,
        "{all:?}"
    );
    assert!(bad.is_empty(), "{} broken:\n{}", bad.len(), bad.join("\n"));
}

#[test]
fn no_promise_is_broken_in_a_few_worlds() {
    judge(0..6, Duration::from_secs(2 * 60 * 60));
}

/// The figures of docs/frame-level.md.
#[test]
#[ignore = "minutes; cargo test --release -p dunlin-rehearsal --test swarm -- --ignored --nocapture"]
fn no_promise_is_broken_in_a_hundred_worlds_of_a_day() {
    judge(0..100, Duration::from_secs(24 * 60 * 60));
}
