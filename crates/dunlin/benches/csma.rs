//! How many events a second a band of frames carries out: stations that all notice each other,
//! each with a queue of packets that come at random, and the channel access of the ports.
//! `conformance/speed/csma.py` has the same model and compares.
//!
//! `cargo bench -p dunlin --bench csma -- STATIONS LOAD PERSISTENCE DELAY TIMES` prints
//! one line of JSON: the events, the seconds, the throughput.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::sync::Arc;

use dunlin_air::frames::{
    AirFrame, Curve, FrameBand, FrameBandConfig, FrameEvent, FramePath, Place, Signal,
};
use dunlin_clock::{Chance, Duration, Hours, Instant};
use dunlin_station::Access;

const PACKET: Duration = Duration::from_secs(1);

/// One station: its packets, whether it hears somebody, its slots.
struct Station {
    waiting: u32,
    busy: bool,
    sends: bool,
    access: Access,
    /// The entry of the agenda that holds.
    slot: Option<Instant>,
}

struct Model {
    band: FrameBand,
    stations: Vec<Station>,
    agenda: BinaryHeap<Reverse<(Instant, usize)>>,
    chance: Chance,
    next_packet: Instant,
    between: f64,
    now: Instant,
    packet: Arc<[u8]>,
    /// Arrivals, draws, edges at a station, frames read at a station, ends of transmissions.
    events: u64,
    /// Of these, frames read.
    read: u64,
}

impl Model {
    fn new(n: usize, load: f64, persistence: f64, delay: Duration) -> Model {
        let pairs = (0..n).flat_map(|from| (0..n).map(move |to| (from, to)));
        let path = |(from, to)| FramePath {
            hours: Hours::ALWAYS,
            from,
            to,
            level_db: 20.0,
            share: 1.0,
        };
        let config = FrameBandConfig {
            name: "speed".into(),
            seed: 1,
            signals: vec![Signal {
                detect: delay,
                release: delay,
                told: Duration::ZERO,
                noticed_db: 0.0,
                capture: Curve::new(&[(0.0, 0.0)]),
            }],
            places: vec![
                Place {
                    signal: 0,
                    recovery: Duration::ZERO,
                };
                n
            ],
            paths: pairs.filter(|(a, b)| a != b).map(path).collect(),
        };
        let station = |s| Station {
            waiting: 0,
            busy: false,
            sends: false,
            access: Access::new(persistence, delay, Chance::stream(1, &format!("slots {s}"))),
            slot: None,
        };
        Model {
            band: FrameBand::new(&config).expect("fits"),
            stations: (0..n).map(station).collect(),
            agenda: BinaryHeap::new(),
            chance: Chance::stream(1, "packets"),
            next_packet: Instant::ZERO,
            between: PACKET.as_secs_f64() / load,
            now: Instant::ZERO,
            packet: Arc::from([0_u8; 64]),
            events: 0,
            read: 0,
        }
    }

    fn run(&mut self, until: Instant) {
        while self.now < until {
            while let Some(&Reverse((at, s))) = self.agenda.peek() {
                if self.stations[s].slot == Some(at) {
                    break;
                }
                self.agenda.pop();
            }
            let slot = self.agenda.peek().map(|e| e.0.0);
            let band = self.band.next_event();
            let next = slot.map_or(self.next_packet, |s| s.min(self.next_packet));
            if let Some(at) = band.filter(|b| *b <= next) {
                self.now = at;
                self.band.advance(at);
                while let Some((_, event)) = self.band.poll() {
                    self.notice(event);
                }
            } else if slot == Some(next) {
                self.now = next;
                self.draw();
            } else {
                self.now = next;
                self.arrive();
            }
        }
    }

    fn arrive(&mut self) {
        self.events += 1;
        let wait = -(1.0 - self.chance.unit()).ln() * self.between;
        self.next_packet += Duration::from_secs_f64(wait);
        let s = self.chance.below(self.stations.len() as u64) as usize;
        self.stations[s].waiting += 1;
        self.update(s);
    }

    fn notice(&mut self, event: FrameEvent) {
        self.events += 1;
        match event {
            FrameEvent::Carrier { station, on } => {
                self.stations[station].busy = on;
                self.update(station);
            }
            FrameEvent::Frame { .. } => self.read += 1,
            FrameEvent::Ended { station } => {
                self.stations[station].sends = false;
                self.update(station);
            }
        }
    }

    fn update(&mut self, s: usize) {
        let station = &mut self.stations[s];
        let clear = !station.busy && !station.sends;
        station
            .access
            .update(self.now, station.waiting > 0, clear, false);
        let slot = station.access.next_wakeup();
        if slot != station.slot {
            station.slot = slot;
            self.agenda.extend(slot.map(|at| Reverse((at, s))));
        }
    }

    fn draw(&mut self) {
        self.events += 1;
        let Some(Reverse((_, s))) = self.agenda.pop() else {
            return;
        };
        let station = &mut self.stations[s];
        station.slot = None;
        if station.access.draw(self.now) {
            station.sends = true;
            station.waiting -= 1;
            let frame = AirFrame {
                octets: self.packet.clone(),
                start: Duration::ZERO,
                end: PACKET,
            };
            let keyed = self.band.key(self.now, s, PACKET, vec![frame]);
            keyed.expect("it was clear");
        }
        self.update(s);
    }
}

fn main() {
    let figures: Vec<f64> = std::env::args().filter_map(|a| a.parse().ok()).collect();
    let [n, load, persistence, delay, times] = match figures[..] {
        [n, load, persistence, delay, times] => [n, load, persistence, delay, times],
        _ => [50.0, 0.5, 0.05, 0.1, 200_000.0],
    };
    let mut model = Model::new(
        n as usize,
        load,
        persistence,
        Duration::from_secs_f64(delay),
    );
    let began = std::time::Instant::now();
    model.run(Instant::ZERO + PACKET.mul_f64(times));
    let seconds = began.elapsed().as_secs_f64();
    let through = model.read as f64 / (n - 1.0) / times;
    println!(
        "{{\"events\": {}, \"seconds\": {seconds:.4}, \"throughput\": {through:.4}}}",
        model.events
    );
}
