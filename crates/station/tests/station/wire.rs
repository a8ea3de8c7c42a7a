//! Stations joined by wires: each wire carries the sum of what its stations send, without
//! noise. A driver in the smallest form, in virtual time.

use dunlin_ax25::CallSign;
use dunlin_ax25::data_link::Version;
use dunlin_clock::{Duration, Instant, SampleRate, WallTime};
use dunlin_modem::Mode;
use dunlin_station::gate::{GateConfig, Medium};
use dunlin_station::{
    Command, CrossingRule, Event, Input, Output, PortConfig, PortId, Reply, Station, StationConfig,
    Timing, WhoMayCross,
};

/// Samples in one step.
const STEP: usize = 240;
pub const RATE: u32 = 12_000;

/// A port of one station, on a wire.
struct Tap {
    station: usize,
    port: PortId,
    wire: usize,
    /// Sound being played, and how much of it has been.
    playing: Option<(Vec<f32>, usize)>,
}

/// The stations and what they told.
pub struct Wires {
    pub stations: Vec<Station>,
    pub told: Vec<Vec<Event>>,
    taps: Vec<Tap>,
    pub now: Instant,
    /// Transmissions to spoil: wire and sender, each for one whole transmission.
    pub cut: Option<(usize, usize)>,
}

pub fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

pub fn port(name: &str, mode: Mode, own: &str) -> PortConfig {
    let fast = mode == Mode::Afsk1200;
    PortConfig {
        name: name.into(),
        call: call(own),
        line: mode.into(),
        also_hears: Vec::new(),
        second_input: false,
        rate: SampleRate::new(RATE).expect("not zero"),
        may_transmit: true,
        full_duplex: false,
        level_dbfs: -6.0,
        offset_hz: 0.0,
        pre_emphasis_db_per_octave: 0.0,
        follow_most_hz: 0.0,
        fec: None,
        timing: Timing {
            key_up_delay: Duration::from_millis(200),
            tail: Duration::from_millis(30),
            persistence: 0.5,
            slot_time: Duration::from_millis(100),
            idle_check: Duration::from_secs(180),
            longest_transmission: Duration::from_secs(20),
        },
        link_version: Version::V20,
        window: if fast { 4 } else { 1 },
        info_length: if fast { 128 } else { 64 },
        adapt: false,
        retries: 5,
        digipeat: Vec::new(),
        digipeat_limits: Default::default(),
        beacons: Vec::new(),
        medium: Medium::Sound,
        gate: GateConfig::default(),
    }
}

pub fn station(own: &str, ports: Vec<PortConfig>, seed: u64) -> StationConfig {
    StationConfig {
        call: call(own),
        node: None,
        mail: None,
        files: Default::default(),
        greeting: String::new(),
        stops: Vec::new(),
        wall_at_zero: WallTime::default(),
        ports,
        crossings: Vec::new(),
        seed,
    }
}

pub fn crossing(from: u8, to: u8, own: &str) -> CrossingRule {
    CrossingRule {
        name: "to the mainland".into(),
        from: PortId(from),
        to: PortId(to),
        call: call(own),
        far_call: call(own),
        who: WhoMayCross::All,
        reach: Vec::new(),
        hours: Default::default(),
        most: 2,
        most_share: 1.0,
        most_digipeaters: 0,
        notes: Default::default(),
    }
}

impl Wires {
    /// Stations with, for each of their ports, the wire that it is on.
    pub fn new(configs: Vec<(StationConfig, Vec<usize>)>) -> Self {
        let mut wires = Wires {
            stations: Vec::new(),
            told: Vec::new(),
            taps: Vec::new(),
            now: Instant::ZERO,
            cut: None,
        };
        for (station, (config, on)) in configs.into_iter().enumerate() {
            for (port, wire) in on.into_iter().enumerate() {
                let port = PortId(port as u8);
                wires.taps.push(Tap {
                    station,
                    port,
                    wire,
                    playing: None,
                });
            }
            wires
                .stations
                .push(Station::new(config).expect("a good configuration"));
            wires.told.push(Vec::new());
        }
        wires
    }

    pub fn command(&mut self, station: usize, command: Command) -> Reply {
        let reply = self.stations[station]
            .command(self.now, command)
            .expect("carried out");
        self.drain(station);
        reply
    }

    /// Runs until `done` or for `most`; whether it was done.
    pub fn run(&mut self, most: Duration, mut done: impl FnMut(&Self) -> bool) -> bool {
        let end = self.now + most;
        while self.now < end {
            if done(self) {
                return true;
            }
            self.step();
        }
        done(self)
    }

    fn step(&mut self) {
        let until = self.now + Duration::from_millis(1000 * STEP as u64 / u64::from(RATE));
        for s in 0..self.stations.len() {
            while let Some((at, _)) = self.stations[s].next_wakeup().filter(|(at, _)| *at < until) {
                self.stations[s].handle(at.max(self.now), Input::Wakeup);
                self.drain(s);
            }
        }
        self.now = until;
        let pieces: Vec<Vec<f32>> = self.taps.iter_mut().map(Tap::play).collect();
        for i in 0..self.taps.len() {
            let mut heard = vec![0.0_f32; STEP];
            for (j, piece) in pieces.iter().enumerate() {
                let spoiled = self.cut == Some((self.taps[j].wire, self.taps[j].station));
                if i == j || self.taps[i].wire != self.taps[j].wire || spoiled {
                    continue;
                }
                heard.iter_mut().zip(piece).for_each(|(h, p)| *h += p);
            }
            let (s, port) = (self.taps[i].station, self.taps[i].port);
            self.stations[s].handle(
                until,
                Input::Samples {
                    port,
                    samples: &heard,
                },
            );
            let ended = self.taps[i]
                .playing
                .as_ref()
                .is_some_and(|(s, n)| *n >= s.len());
            if ended {
                self.taps[i].playing = None;
                self.stations[s].handle(until, Input::Transmitted { port });
            }
            self.drain(s);
        }
    }

    fn drain(&mut self, s: usize) {
        while let Some(output) = self.stations[s].poll() {
            match output {
                Output::Event(event) => self.told[s].push(event),
                Output::Mail { .. } | Output::File { .. } => panic!("nothing is kept"),
                Output::Transmit { port, samples } => {
                    let tap = self
                        .taps
                        .iter_mut()
                        .find(|t| t.station == s && t.port == port);
                    let tap = tap.expect("the port is on a wire");
                    assert!(tap.playing.is_none(), "keyed while keyed");
                    tap.playing = Some((samples, 0));
                }
                Output::Release { port, .. } => {
                    let mut taps = self.taps.iter_mut();
                    let tap = taps.find(|t| t.station == s && t.port == port);
                    tap.expect("the port is on a wire").playing = None;
                    self.stations[s].handle(self.now, Input::Transmitted { port });
                }
                Output::OnBand { .. } | Output::SendFrames { .. } => {
                    panic!("nothing on a wire has a controller")
                }
            }
        }
    }
}

impl Tap {
    fn play(&mut self) -> Vec<f32> {
        let Some((sound, at)) = &mut self.playing else {
            return Vec::new();
        };
        let end = (*at + STEP).min(sound.len());
        let piece = sound[*at..end].to_vec();
        *at = end;
        piece
    }
}
