//! The people of a crowd: who writes to whom, when, and what came of it.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use dunlin_ax25::CallSign;
use dunlin_clock::{Chance, Duration, Instant};
use dunlin_station::{Command, Direction, Event, PortId, Reply, TalkId, TalkLine, TalkState};

use crate::world::{FrameWorld, OnBands};

/// Where beacons go.
pub(super) const BEACON: &str = "BEACON";
/// The one port of each station.
const PORT: PortId = PortId(0);
/// Between two lines of a talk: reading, thinking, typing, seconds.
const TYPES_S: (f64, f64) = (10.0, 40.0);
/// Until an answer is written, seconds.
const ANSWERS_S: (f64, f64) = (5.0, 20.0);
/// Lines that the caller writes in a talk.
const LINES: (u64, u64) = (3, 9);
/// Octets of a typed line.
const TYPED: (u64, u64) = (15, 65);
/// Octets of a bulk transfer, and of each of its lines.
const BULK: (u64, u64) = (1000, 6000);
const BULK_LINE: usize = 70;
/// A steady writer whose talk has ended calls again after this.
const CALLS_AGAIN: Duration = Duration::from_secs(30);
/// Steady writers begin within this time.
const BEGINS_WITHIN_S: f64 = 120.0;

/// What the people of a crowd do.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Traffic {
    /// Every station says something to all so often.
    pub beacon_every: Option<Duration>,
    /// Talks that each station opens in a day: lines typed and answered.
    pub talks_a_day: f64,
    /// Bulk transfers of 1000 to 6000 octets that each station begins in a day.
    pub bulk_a_day: f64,
    /// Each station but the first keeps a talk open and writes lines at random times.
    pub steady: Option<Steady>,
}

/// Lines at random times, as Poisson has them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steady {
    /// Mean time between two lines of a station.
    pub every: Duration,
    /// Octets of a line, 10 to 1000.
    pub octets: usize,
}

/// What a talk is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Typed,
    Bulk,
    Steady,
}

/// A talk that somebody opened.
#[derive(Clone, Debug)]
pub(super) struct Job {
    pub(super) station: usize,
    to: usize,
    pub(super) kind: Kind,
    talk: Option<TalkId>,
    /// Lines still to be written.
    left: u64,
    pub(super) opened: bool,
    pub(super) ended: bool,
    /// Lines written and arrived.
    pub(super) written: u64,
    pub(super) arrived: u64,
}

/// A line that was written.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    job: usize,
    pub(super) by: usize,
    pub(super) kind: Kind,
    pub(super) octets: usize,
    pub(super) said: Instant,
    pub(super) arrived: Option<Instant>,
}

/// What somebody will do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Act {
    Begin(u8),
    Write(usize),
    Close(usize),
    Answer(TalkId, usize),
}

/// All people of a crowd.
#[derive(Debug)]
pub(super) struct Users {
    traffic: Traffic,
    partners: Vec<Vec<usize>>,
    dice: Vec<Chance>,
    agenda: BinaryHeap<Reverse<(Instant, u64, usize, Act)>>,
    sequence: u64,
    pub(super) jobs: Vec<Job>,
    by_talk: BTreeMap<(usize, TalkId), usize>,
    pub(super) lines: Vec<Line>,
}

/// The call sign of a made-up station.
pub(super) fn call(number: usize) -> CallSign {
    let letter = |n: usize| char::from(b'A' + (n % 26) as u8);
    let text = format!(
        "Q{}{}{}{}{}",
        letter(number / 260 % 26),
        number / 26 % 10,
        letter(number),
        letter(number / 6760),
        letter(number / 175_760)
    );
    text.parse().expect("letters and digits")
}

impl Users {
    pub(super) fn new(traffic: Traffic, seed: u64, partners: Vec<Vec<usize>>) -> Users {
        let dice = |n| Chance::stream(seed, &format!("crowd/people/{n}"));
        let mut users = Users {
            dice: (0..partners.len()).map(dice).collect(),
            traffic,
            agenda: BinaryHeap::new(),
            sequence: 0,
            jobs: Vec::new(),
            by_talk: BTreeMap::new(),
            lines: Vec::new(),
            partners,
        };
        for station in 0..users.partners.len() {
            for kind in [Kind::Typed, Kind::Bulk] {
                users.plan_begin(Instant::ZERO, station, kind);
            }
            if users.traffic.steady.is_some() {
                let wait = users.dice[station].between(0.0, BEGINS_WITHIN_S);
                let at = Instant::ZERO + Duration::from_secs_f64(wait);
                users.plan(at, station, Act::Begin(Kind::Steady as u8));
            }
        }
        users
    }

    pub(super) fn next(&self) -> Option<Instant> {
        self.agenda.peek().map(|entry| entry.0.0)
    }

    fn plan(&mut self, at: Instant, station: usize, act: Act) {
        self.sequence += 1;
        self.agenda.push(Reverse((at, self.sequence, station, act)));
    }

    /// When somebody next begins a talk of this kind.
    fn plan_begin(&mut self, now: Instant, station: usize, kind: Kind) {
        let a_day = match kind {
            Kind::Typed => self.traffic.talks_a_day,
            Kind::Bulk => self.traffic.bulk_a_day,
            Kind::Steady => return,
        };
        if a_day > 0.0 {
            let wait = exponential(&mut self.dice[station]) * 86_400.0 / a_day;
            let at = now + Duration::from_secs_f64(wait.min(1e7));
            self.plan(at, station, Act::Begin(kind as u8));
        }
    }

    /// The next thing that somebody does.
    pub(super) fn act(&mut self, now: Instant, world: &mut FrameWorld) {
        let Some(Reverse((_, _, station, act))) = self.agenda.pop() else {
            return;
        };
        match act {
            Act::Begin(kind) => {
                let kind = [Kind::Typed, Kind::Bulk, Kind::Steady][usize::from(kind)];
                self.begin(now, station, kind, world);
                self.plan_begin(now, station, kind);
            }
            Act::Write(job) => self.write(now, job, world),
            Act::Close(job) => {
                if let Some(talk) = self.jobs[job].talk {
                    // It may have ended by itself.
                    let _ = world.command(station, now, Command::CloseTalk { talk });
                }
            }
            Act::Answer(talk, job) => {
                let octets = self.between(station, TYPED) as usize;
                self.say(now, station, talk, job, octets, world);
            }
        }
    }

    fn between(&mut self, station: usize, (low, high): (u64, u64)) -> u64 {
        low + self.dice[station].below(high - low + 1)
    }

    fn after(&mut self, now: Instant, station: usize, (low, high): (f64, f64)) -> Instant {
        now + Duration::from_secs_f64(self.dice[station].between(low, high))
    }

    /// Calls somebody.
    fn begin(&mut self, now: Instant, station: usize, kind: Kind, world: &mut FrameWorld) {
        let among = self.partners[station].len() as u64;
        if among == 0 {
            return;
        }
        let to = self.partners[station][self.dice[station].below(among) as usize];
        let command = Command::OpenTalk {
            port: PORT,
            to: call(to),
            via: Vec::new(),
        };
        let Ok(Reply::Talk(talk)) = world.command(station, now, command) else {
            if kind == Kind::Steady {
                self.plan(now + CALLS_AGAIN, station, Act::Begin(kind as u8));
            }
            return;
        };
        let left = match kind {
            Kind::Typed => self.between(station, LINES),
            Kind::Bulk => self.between(station, BULK) / BULK_LINE as u64,
            Kind::Steady => u64::MAX,
        };
        self.by_talk.insert((station, talk), self.jobs.len());
        self.jobs.push(Job {
            station,
            to,
            kind,
            talk: Some(talk),
            left,
            opened: false,
            ended: false,
            written: 0,
            arrived: 0,
        });
    }

    /// Writes the next line of a talk, or all of a bulk transfer.
    fn write(&mut self, now: Instant, job: usize, world: &mut FrameWorld) {
        let Job {
            station,
            kind,
            talk,
            left,
            ..
        } = self.jobs[job];
        let Some(talk) = talk else {
            return;
        };
        match kind {
            Kind::Typed => {
                let octets = self.between(station, TYPED) as usize;
                self.say(now, station, talk, job, octets, world);
                self.jobs[job].left = left.saturating_sub(1);
                let at = self.after(now, station, TYPES_S);
                let last = left <= 1;
                self.plan(
                    at,
                    station,
                    if last {
                        Act::Close(job)
                    } else {
                        Act::Write(job)
                    },
                );
            }
            Kind::Bulk => {
                for _ in 0..left {
                    self.say(now, station, talk, job, BULK_LINE, world);
                }
                self.jobs[job].left = 0;
                self.plan(now, station, Act::Close(job));
            }
            Kind::Steady => {
                let Some(steady) = self.traffic.steady else {
                    return;
                };
                let octets = steady.octets.clamp(10, 1000);
                self.say(now, station, talk, job, octets, world);
                self.plan_steady(now, station, job, steady);
            }
        }
    }

    fn plan_steady(&mut self, now: Instant, station: usize, job: usize, steady: Steady) {
        let wait = exponential(&mut self.dice[station]) * steady.every.as_secs_f64();
        let at = now + Duration::from_secs_f64(wait.min(1e7));
        self.plan(at, station, Act::Write(job));
    }

    /// Writes a line that its receiver can be known by: it begins with its number.
    fn say(
        &mut self,
        now: Instant,
        station: usize,
        talk: TalkId,
        job: usize,
        octets: usize,
        world: &mut FrameWorld,
    ) {
        let mut text = format!("#{} ", self.lines.len());
        while text.len() < octets {
            text.push_str("the quick gull over the grey sound ");
        }
        text.truncate(octets.max(8));
        let octets = text.len() + 1;
        if world
            .command(station, now, Command::Say { talk, text })
            .is_err()
        {
            return; // The talk has ended, or too much waits in it.
        }
        self.jobs[job].written += 1;
        self.lines.push(Line {
            job,
            by: station,
            kind: self.jobs[job].kind,
            octets,
            said: now,
            arrived: None,
        });
    }

    /// A station shows something.
    pub(super) fn notice(&mut self, now: Instant, station: usize, event: &Event) {
        match event {
            Event::Talk(view) => {
                let Some(&job) = self.by_talk.get(&(station, view.id)) else {
                    return;
                };
                match view.state {
                    TalkState::Open => self.opened(now, station, job),
                    TalkState::Ended => self.ended(now, station, view.id, job),
                    _ => {}
                }
            }
            Event::TalkLine(line) if line.direction == Direction::Received && line.complete => {
                self.read(now, station, line);
            }
            _ => {}
        }
    }

    fn opened(&mut self, now: Instant, station: usize, job: usize) {
        if std::mem::replace(&mut self.jobs[job].opened, true) {
            return;
        }
        match (self.jobs[job].kind, self.traffic.steady) {
            (Kind::Typed, _) => {
                let at = self.after(now, station, TYPES_S);
                self.plan(at, station, Act::Write(job));
            }
            (Kind::Steady, Some(steady)) => self.plan_steady(now, station, job, steady),
            _ => self.plan(now, station, Act::Write(job)),
        }
    }

    fn ended(&mut self, now: Instant, station: usize, talk: TalkId, job: usize) {
        self.by_talk.remove(&(station, talk));
        let ended = &mut self.jobs[job];
        (ended.talk, ended.ended) = (None, true);
        if ended.kind == Kind::Steady {
            self.plan(now + CALLS_AGAIN, station, Act::Begin(Kind::Steady as u8));
        }
    }

    /// A line has come; who was asked answers.
    fn read(&mut self, now: Instant, station: usize, line: &TalkLine) {
        let number = line
            .text
            .strip_prefix('#')
            .and_then(|t| t.split(' ').next());
        let number = number.and_then(|n| n.parse::<usize>().ok());
        let Some(known) = number.and_then(|n| self.lines.get_mut(n)) else {
            return;
        };
        let job = known.job;
        let of_caller = known.by != station && self.jobs[job].to == station;
        if known.arrived.is_some() || known.by == station {
            return;
        }
        known.arrived = Some(now);
        let kind = known.kind;
        self.jobs[job].arrived += 1;
        if of_caller && kind == Kind::Typed {
            let at = self.after(now, station, ANSWERS_S);
            self.plan(at, station, Act::Answer(line.talk, job));
        }
    }
}

/// A draw from the exponential distribution with mean 1.
fn exponential(chance: &mut Chance) -> f64 {
    -(1.0 - chance.unit()).ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_station_has_a_call_sign_of_its_own_that_is_nobodys() {
        let calls: std::collections::BTreeSet<String> = (0..super::super::MOST_CROWD)
            .map(|n| call(n).to_string())
            .collect();
        assert_eq!(calls.len(), super::super::MOST_CROWD);
        assert!(calls.iter().all(|c| c.starts_with('Q') && c.len() == 6));
        assert!(!calls.contains(BEACON));
    }
}
