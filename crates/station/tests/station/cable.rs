//! Stations whose ports are controllers, joined frame by frame: each controller waits, without
//! telling, until the others are silent, and frames may be lost.

use dunlin_clock::{Chance, Duration, Instant};
use dunlin_mail::post::Ask;
use dunlin_station::gate::Medium;
use dunlin_station::{Command, Event, Input, Output, PortId, Reply, Station, StationConfig};

use crate::wire::{call, port, station};
use dunlin_modem::Mode;

/// One frame on its way.
struct Flying {
    at: Instant,
    from: usize,
    octets: Vec<u8>,
}

/// Stations of one port each, all on one channel.
pub struct Cable {
    pub stations: Vec<Station>,
    pub told: Vec<Vec<Event>>,
    pub now: Instant,
    /// What each station handed to its controller, and when.
    pub handed: Vec<Vec<(Instant, Vec<u8>)>>,
    /// What each station asked of whoever keeps its mail.
    pub asked: Vec<Vec<(u64, Ask)>>,
    /// Share of frames that are lost.
    pub loss: f64,
    chance: Chance,
    /// When the channel is free of what was handed over so far.
    free_at: Instant,
    flying: Vec<Flying>,
    /// When each driver reports its frames as sent: it only reckons.
    reports: Vec<Option<Instant>>,
}

/// A station with one controller at 1200 Bd.
pub fn with_controller(own: &str, seed: u64) -> StationConfig {
    let mut only = port("C", Mode::Afsk1200, own);
    only.medium = Medium::Controller;
    station(own, vec![only], seed)
}

impl Cable {
    pub fn new(configs: Vec<StationConfig>, seed: u64) -> Self {
        let n = configs.len();
        let stations = configs.into_iter().map(|c| Station::new(c).expect("good"));
        Cable {
            stations: stations.collect(),
            told: vec![Vec::new(); n],
            now: Instant::ZERO,
            handed: vec![Vec::new(); n],
            asked: vec![Vec::new(); n],
            loss: 0.0,
            chance: Chance::stream(seed, "cable"),
            free_at: Instant::ZERO,
            flying: Vec::new(),
            reports: vec![None; n],
        }
    }

    pub fn pair(seed: u64) -> Self {
        let both = [("QA1SKY", seed), ("QM3BAR", seed + 1)];
        Cable::new(both.map(|(own, s)| with_controller(own, s)).into(), seed)
    }

    pub fn open(&mut self, from: usize, to: &str) -> dunlin_station::TalkId {
        let open = Command::OpenTalk {
            port: PortId(0),
            to: call(to),
            via: Vec::new(),
        };
        match self.command(from, open) {
            Reply::Talk(id) => id,
            _ => panic!("a talk was asked for"),
        }
    }

    pub fn command(&mut self, s: usize, command: Command) -> Reply {
        let reply = self.stations[s].command(self.now, command);
        self.drain(s);
        reply.expect("carried out")
    }

    pub fn handle(&mut self, s: usize, input: Input<'_>) {
        self.stations[s].handle(self.now, input);
        self.drain(s);
    }

    /// Somebody else occupies the channel for so long from now; no controller tells.
    pub fn hold(&mut self, time: Duration) {
        self.free_at = self.now.max(self.free_at) + time;
    }

    /// Runs until `done` or for `most`; whether it was done.
    pub fn run(&mut self, most: Duration, mut done: impl FnMut(&Self) -> bool) -> bool {
        let end = self.now + most;
        while !done(self) {
            let wakeups = self.stations.iter().filter_map(Station::next_wakeup);
            let flights = self.flying.iter().map(|f| f.at);
            let reports = self.reports.iter().flatten().copied();
            let next = wakeups
                .map(|(at, _)| at)
                .chain(flights)
                .chain(reports)
                .min();
            let Some(at) = next.filter(|at| *at <= end) else {
                self.now = end;
                return done(self);
            };
            self.now = at.max(self.now);
            self.step();
        }
        true
    }

    fn step(&mut self) {
        let now = self.now;
        let (landed, flying) = std::mem::take(&mut self.flying)
            .into_iter()
            .partition(|f| f.at <= now);
        self.flying = flying;
        let landed: Vec<Flying> = landed;
        for frame in landed {
            for s in (0..self.stations.len()).filter(|s| *s != frame.from) {
                if self.chance.unit() >= self.loss {
                    let octets = &frame.octets;
                    self.handle(
                        s,
                        Input::Frame {
                            port: PortId(0),
                            octets,
                        },
                    );
                }
            }
        }
        for s in 0..self.stations.len() {
            if self.reports[s].is_some_and(|at| at <= now) {
                self.reports[s] = None;
                self.handle(s, Input::Transmitted { port: PortId(0) });
            }
            if self.stations[s]
                .next_wakeup()
                .is_some_and(|(at, _)| at <= now)
            {
                self.handle(s, Input::Wakeup);
            }
        }
    }

    fn drain(&mut self, s: usize) {
        while let Some(output) = self.stations[s].poll() {
            match output {
                Output::Mail { ticket, ask } => self.asked[s].push((ticket, ask)),
                Output::File { .. } => {}
                Output::Event(event) => self.told[s].push(event),
                Output::SendFrames {
                    frames, airtime, ..
                } => {
                    assert!(self.reports[s].is_none(), "handed over while sending");
                    self.reports[s] = Some(self.now + airtime);
                    let start = self.now.max(self.free_at);
                    self.free_at = start + airtime;
                    for octets in frames {
                        self.handed[s].push((self.now, octets.clone()));
                        let at = start + airtime;
                        self.flying.push(Flying {
                            at,
                            from: s,
                            octets,
                        });
                    }
                }
                Output::Transmit { .. } | Output::OnBand { .. } => {
                    panic!("a controller plays no sound")
                }
                Output::Release { .. } => panic!("nothing was stopped"),
            }
        }
    }
}
