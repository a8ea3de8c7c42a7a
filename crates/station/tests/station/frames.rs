//! Ports on a simulated band of whole frames.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::pid;
use dunlin_clock::{Duration, Instant};
use dunlin_modem::Mode;
use dunlin_station::gate::Medium;
use dunlin_station::port::TimedFrame;
use dunlin_station::{
    BlockKind, Command, ConfigError, Event, Input, Output, PortConfig, PortId, Station,
};

use crate::wire::{call, port, station};

const PORT: PortId = PortId(0);

fn on_band(own: &str) -> PortConfig {
    let mut config = port("VHF", Mode::Afsk1200, own);
    config.medium = Medium::Frames;
    config
}

/// One station, whose time jumps from wake-up to wake-up.
struct Bench {
    station: Station,
    now: Instant,
    sent: Vec<(Instant, Vec<TimedFrame>, Duration)>,
    released: Vec<Instant>,
    events: Vec<Event>,
    ends: Option<Instant>,
}

impl Bench {
    fn new(config: PortConfig) -> Bench {
        let config = station("QA1SKY", vec![config], 4);
        Bench {
            station: Station::new(config).expect("fits"),
            now: Instant::ZERO,
            sent: Vec::new(),
            released: Vec::new(),
            events: Vec::new(),
            ends: None,
        }
    }

    fn give(&mut self, input: Input<'_>) {
        self.station.handle(self.now, input);
        self.drain();
    }

    fn command(&mut self, command: Command) {
        self.station.command(self.now, command).expect("obeyed");
        self.drain();
    }

    fn drain(&mut self) {
        while let Some(output) = self.station.poll() {
            match output {
                Output::OnBand {
                    port,
                    frames,
                    airtime,
                } => {
                    assert_eq!(port, PORT);
                    self.ends = Some(self.now + airtime);
                    self.sent.push((self.now, frames, airtime));
                }
                Output::Release { .. } => {
                    self.released.push(self.now);
                    self.ends = Some(self.now);
                }
                Output::Event(event) => self.events.push(event),
                Output::Mail { .. } | Output::File { .. } => panic!("nothing is kept"),
                Output::Transmit { .. } | Output::SendFrames { .. } => panic!("no modem is there"),
            }
        }
    }

    /// Lets time pass up to `until`.
    fn run(&mut self, until: Instant) {
        loop {
            let wake = self.station.next_wakeup().map(|(at, _)| at);
            let next = wake.into_iter().chain(self.ends).min();
            let Some(at) = next.filter(|at| *at <= until) else {
                break;
            };
            self.now = self.now.max(at);
            if self.ends.is_some_and(|end| end <= at) {
                self.ends = None;
                self.give(Input::Transmitted { port: PORT });
            } else {
                self.give(Input::Wakeup);
            }
        }
        self.now = until;
    }

    fn say_to_all(&mut self, text: &str) {
        self.command(Command::SayToAll {
            port: PORT,
            to: call("CQ"),
            via: Vec::new(),
            text: text.into(),
        });
    }
}

/// What a rehearsal may leave out, a radio may not.
#[test]
fn nothing_real_can_have_a_port_without_modem() {
    let refused = |change: &dyn Fn(&mut PortConfig)| {
        let mut config = on_band("QA1SKY");
        change(&mut config);
        Station::new(station("QA1SKY", vec![config], 1)).err()
    };
    assert_eq!(refused(&|_| ()), None);
    let without = Some(ConfigError::RadioWithoutModem("VHF".into()));
    assert_eq!(refused(&|c| c.gate.real_radio = true), without);
    assert_eq!(refused(&|c| c.gate.needs_proof = true), without);
    // Nothing can be listened to besides, as with a controller.
    let second = |c: &mut PortConfig| c.also_hears = vec![Mode::Afsk300.into()];
    assert!(refused(&second).is_some());
}

#[test]
fn a_frame_leaves_with_its_airtime_when_the_band_is_clear() {
    let mut config = on_band("QA1SKY");
    config.timing.persistence = 1.0;
    let mut bench = Bench::new(config);
    bench.run(Instant::from_secs(1));
    bench.give(Input::Carrier {
        port: PORT,
        on: true,
    });
    bench.say_to_all("wind south 4");
    bench.run(Instant::from_secs(30));
    assert!(bench.sent.is_empty(), "the band is occupied");
    bench.give(Input::Carrier {
        port: PORT,
        on: false,
    });
    bench.run(Instant::from_secs(40));
    let [(at, frames, airtime)] = &bench.sent[..] else {
        panic!("one transmission, and not {:?}", bench.sent);
    };
    assert_eq!(at.as_millis(), 30_100, "one slot after the band is clear");
    let octets = Frame::ui(
        call("QA1SKY"),
        call("CQ"),
        &[],
        pid::NO_LAYER_3,
        b"wind south 4".to_vec(),
    )
    .encode();
    assert_eq!(frames[0].octets, octets);
    // Key-up delay 200 ms; 28 octets, FCS, two flags, some stuffing at 1200 Bd; 30 ms of tail.
    let lasted = (frames[0].end - frames[0].start).as_millis();
    assert!((213..235).contains(&lasted), "{lasted} ms");
    assert!((193..=201).contains(&frames[0].start.as_millis()));
    assert!((430..480).contains(&airtime.as_millis()), "{airtime:?}");
    let block = bench
        .station
        .snapshot(bench.now)
        .blocks
        .pop()
        .expect("sent");
    assert_eq!(block.kind, BlockKind::Sent);
}

#[test]
fn a_frame_from_the_band_is_heard_and_its_port_occupied() {
    let mut bench = Bench::new(on_band("QA1SKY"));
    bench.run(Instant::from_secs(5));
    let text = b"ferry at nine".to_vec();
    let octets = Frame::ui(call("QM3BAR"), call("CQ"), &[], pid::NO_LAYER_3, text).encode();
    bench.give(Input::Carrier {
        port: PORT,
        on: true,
    });
    assert!(bench.station.snapshot(bench.now).ports[0].busy);
    bench.run(Instant::from_millis(5500));
    let octets = &octets;
    bench.give(Input::Frame { port: PORT, octets });
    bench.give(Input::Carrier {
        port: PORT,
        on: false,
    });
    let view = bench.station.snapshot(bench.now);
    assert!(!view.ports[0].busy && view.ports[0].occupied > 0.0);
    let kinds: Vec<BlockKind> = view.blocks.iter().map(|b| b.kind).collect();
    assert_eq!(kinds, [BlockKind::Busy, BlockKind::Heard]);
    assert_eq!(view.heard[0].call, "QM3BAR");
    // A port that is missing, or has sound, takes none of it.
    bench.give(Input::Carrier {
        port: PortId(9),
        on: true,
    });
    bench.give(Input::Frame {
        port: PortId(9),
        octets,
    });
}

#[test]
fn a_stop_releases_the_key_of_the_band() {
    let mut config = on_band("QA1SKY");
    config.timing.persistence = 1.0;
    let mut bench = Bench::new(config);
    bench.say_to_all(&"x".repeat(100));
    bench.run(Instant::from_millis(600));
    assert_eq!(bench.sent.len(), 1);
    bench.command(Command::Stop {
        port: None,
        by: "the operator".into(),
        why: String::new(),
    });
    assert_eq!(bench.released, [Instant::from_millis(600)]);
    bench.run(Instant::from_secs(20));
    assert_eq!(bench.sent.len(), 1, "nothing leaves a stopped station");
    assert_eq!(bench.station.snapshot(bench.now).ports[0].queued, 1);
}

#[test]
fn what_nobody_watches_goes_on_the_air_just_the_same() {
    let run = |watched: bool| {
        let mut bench = Bench::new(on_band("QA1SKY"));
        if !watched {
            bench.station.leave_unwatched();
        }
        let calling = Command::OpenTalk {
            port: PORT,
            to: call("QM3BAR"),
            via: Vec::new(),
        };
        bench.command(calling);
        for n in 0..40 {
            bench.give(Input::Carrier {
                port: PORT,
                on: n % 2 == 0,
            });
            bench.say_to_all(&format!("line {n}"));
            bench.run(Instant::from_millis(700 * (n + 1)));
        }
        bench.run(Instant::from_secs(300));
        let of_talks = bench.events.iter().filter(|e| matches!(e, Event::Talk(_)));
        let shown = bench.events.iter();
        let shown =
            shown.filter(|e| matches!(e, Event::Block(_) | Event::Gate(_) | Event::Port(_)));
        (
            bench.sent.clone(),
            of_talks.cloned().collect::<Vec<_>>(),
            shown.count(),
        )
    };
    let (watched, unwatched) = (run(true), run(false));
    assert!(watched.0.len() > 20, "{}", watched.0.len());
    assert_eq!(watched.0, unwatched.0);
    assert_eq!(watched.1, unwatched.1);
    assert!(watched.2 > 100);
    assert_eq!(unwatched.2, 0);
}
