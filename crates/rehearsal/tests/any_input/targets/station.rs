//! A whole station with controllers for radios, in any sequence of commands, frames, reports and
//! waits. What is stopped hands nothing to a controller, what may not transmit never does, and
//! whatever is handed over is a frame of this station.

use dunlin_ax25::Frame;
use dunlin_ax25::data_link::Version;
use dunlin_ax25::wire::{CallSign, Control, Repeater, Role};
use dunlin_clock::{Duration, Instant};
use dunlin_plan::{Plan, PlanRules};
use dunlin_station::gate::{AlarmKind, DeviceState, KeyLineState, Medium, TestSignal};
use dunlin_station::{
    Command, CrossingId, Input, Output, PortId, Station, StationConfig, TalkId, WhoMayCross,
};

use super::source::Source;

const PLAN: &str = include_str!("station.toml");
/// Everybody who is heard or called; the first four are this station.
const CALLS: [&str; 10] = [
    "QA1SKY",
    "QA1SKY-1",
    "QA1SKY-7",
    "QD2HIL",
    "QM3BAR",
    "QX0RLF",
    "QC2CAP",
    "QM3BAR-5",
    "CQ",
    "QA1SKY-15",
];
/// Outputs that may follow from one step.
const MOST_OUTPUTS: usize = 5_000;

fn call(n: u8) -> CallSign {
    let text = CALLS[usize::from(n) % CALLS.len()];
    text.parse().expect("call sign")
}

fn config() -> StationConfig {
    let rules = PlanRules::rehearsal(PlanRules::real().rate);
    let plan = Plan::read("station.toml", PLAN.as_bytes(), &rules);
    let mut config = plan.unwrap_or_else(|list| panic!("{list}")).station;
    for port in &mut config.ports {
        port.medium = Medium::Controller;
    }
    config.ports[1].link_version = Version::V22;
    config.ports[2].may_transmit = false;
    assert!(matches!(config.crossings[0].who, WhoMayCross::All));
    config
}

/// A station of three ports, of which the last may not transmit.
pub fn station() -> Station {
    Station::new(config()).expect("good configuration")
}

struct Run {
    station: Station,
    now: Instant,
    /// When the frames that each controller was given should have been sent.
    sending: [Option<Instant>; 3],
    stopped: [bool; 3],
    all_stopped: bool,
}

pub fn run(octets: &[u8]) {
    let mut source = Source::new(octets);
    let mut run = Run {
        station: station(),
        now: Instant::ZERO,
        sending: [None; 3],
        stopped: [false; 3],
        all_stopped: false,
    };
    while !source.is_empty() {
        run.step(&mut source);
    }
    // Time goes on by itself, and there is an end to what happens in it.
    for _ in 0..50 {
        run.wake();
    }
    let _ = run.station.snapshot(run.now);
}

impl Run {
    fn step(&mut self, source: &mut Source<'_>) {
        let step = source.octet();
        let port = PortId(step >> 6);
        match step & 0x1F {
            0..=9 => {
                let frame = any_frame(source);
                self.handle(Input::Frame {
                    port,
                    octets: &frame,
                });
            }
            10 => {
                let length = source.below(40);
                let octets = source.take(length);
                self.handle(Input::Frame { port, octets });
            }
            11 | 12 => {
                let octets = any_frame(source);
                let client = u64::from(step >> 5 & 1);
                self.handle(Input::FromClient {
                    port,
                    client,
                    octets: &octets,
                });
            }
            13..=18 => self.wake(),
            19 => {
                self.now += Duration::from_millis(u64::from(source.word()) * 20);
                self.handle(Input::Wakeup);
            }
            20 => self.report(port, source),
            21..=23 => self.transmitted(),
            _ => self.command(port, source),
        }
    }

    fn handle(&mut self, input: Input<'_>) {
        self.station.handle(self.now, input);
        self.drain();
    }

    /// To the next thing that happens by itself.
    fn wake(&mut self) {
        let sent = self.sending.iter().flatten().min().copied();
        let due = self.station.next_wakeup().map(|(at, _)| at);
        let Some(at) = [sent, due].into_iter().flatten().min() else {
            return;
        };
        self.now = self.now.max(at);
        self.transmitted();
        self.handle(Input::Wakeup);
    }

    /// What should have been sent is reported.
    fn transmitted(&mut self) {
        for port in 0..3 {
            if self.sending[port].is_some_and(|at| at <= self.now) {
                self.sending[port] = None;
                let port = PortId(port as u8);
                self.handle(Input::Transmitted { port });
            }
        }
    }

    fn report(&mut self, port: PortId, source: &mut Source<'_>) {
        let input = match source.below(6) {
            0 => Input::Device {
                port,
                state: DeviceState::Lost("unplugged"),
            },
            1 => Input::Device {
                port,
                state: DeviceState::Healthy("a controller"),
            },
            2 => Input::KeyLine {
                port,
                state: KeyLineState::Failed("stuck"),
            },
            3 => Input::KeyLine {
                port,
                state: KeyLineState::Released("read back"),
            },
            4 => Input::ExternalCarrier {
                port,
                busy: source.chance(),
            },
            _ => Input::Trouble {
                kind: AlarmKind::Disk,
                port: None,
                text: source.chance().then_some("the disk is full"),
            },
        };
        self.handle(input);
    }

    fn command(&mut self, port: PortId, source: &mut Source<'_>) {
        let (talk, text) = (TalkId(u64::from(source.octet() % 8)), any_text(source));
        let to = call(source.octet());
        let via = (0..source.below(4)).map(|_| call(source.octet())).collect();
        let (one, by) = (source.chance().then_some(port), "op".to_owned());
        let command = match source.octet() % 14 {
            0..=3 => Command::OpenTalk { port, to, via },
            4..=6 => Command::Say { talk, text },
            7 => Command::CloseTalk { talk },
            8 => Command::PutAway { talk },
            9 => Command::CutCrossing {
                crossing: CrossingId(talk.0),
            },
            10 => Command::SayToAll {
                port,
                to,
                via,
                text,
            },
            11 => Command::Stop {
                port: one,
                by,
                why: text,
            },
            12 => Command::Start { port: one, by },
            _ => match source.octet() % 6 {
                4 => Command::CallPartner { partner: to },
                5 => Command::EndPartner {
                    partner: to,
                    why: text,
                },
                0 => Command::Identify { port },
                1 => Command::EndTest { port },
                2 => Command::Test {
                    port,
                    signal: TestSignal::RepeatedFrame,
                    seconds: 1 + source.octet() % 30,
                },
                _ => Command::Test {
                    port,
                    signal: TestSignal::LowTone,
                    seconds: source.octet(),
                },
            },
        };
        let asked = command.clone();
        match self.station.command(self.now, command) {
            Ok(_) => self.obeyed(&asked),
            Err(refusal) => assert!(!super::could_steer(&refusal.to_string())),
        }
        self.drain();
    }

    /// What is stopped from now on, counted here.
    fn obeyed(&mut self, command: &Command) {
        match command {
            Command::Stop { port: None, .. } => self.all_stopped = true,
            Command::Stop {
                port: Some(port), ..
            } => self.stopped[usize::from(port.0)] = true,
            Command::Start { port: None, .. } => self.all_stopped = false,
            Command::Start {
                port: Some(port), ..
            } => self.stopped[usize::from(port.0)] = false,
            _ => {}
        }
    }

    fn drain(&mut self) {
        for _ in 0..MOST_OUTPUTS {
            match self.station.poll() {
                None => return,
                Some(Output::SendFrames {
                    port,
                    frames,
                    airtime,
                }) => {
                    self.handed_over(port, &frames, airtime);
                }
                Some(Output::Transmit { .. } | Output::OnBand { .. }) => {
                    panic!("a controller plays no sound and is on no band")
                }
                Some(
                    Output::Release { .. }
                    | Output::Event(_)
                    | Output::Mail { .. }
                    | Output::File { .. },
                ) => {}
            }
        }
        panic!("there is no end to what one input leads to");
    }

    fn handed_over(&mut self, port: PortId, frames: &[Vec<u8>], airtime: Duration) {
        let n = usize::from(port.0);
        assert!(n < 2, "it may not transmit");
        assert!(!self.all_stopped && !self.stopped[n], "it is stopped");
        assert!(self.sending[n].is_none(), "it still sends");
        assert!(!frames.is_empty());
        for octets in frames {
            let frame = Frame::decode_overheard(octets).expect("decodes");
            assert!(frame.source.call_sign().is_some());
        }
        self.sending[n] = Some(self.now + airtime);
    }
}

/// Text as people type it, and some that they should not.
fn any_text(source: &mut Source<'_>) -> String {
    let length = source.below(40);
    let octets = source.take(length).iter();
    octets.map(|&octet| char::from(octet & 0x7F)).collect()
}

/// A frame between stations of the list, from any to any.
fn any_frame(source: &mut Source<'_>) -> Vec<u8> {
    let who = source.octet();
    let (from, to) = (call(4 + (who & 7)), call(who >> 4));
    let length = source.below(24);
    let mut frame = Frame::ui(from, to, &[], 0xF0, source.take(length).to_vec());
    let numbers = source.octet();
    let (ns, nr, pf) = (numbers & 7, numbers >> 5, numbers & 16 != 0);
    let kind = source.octet();
    frame.control = match kind & 15 {
        0..=3 => Control::I { ns, nr, p: pf },
        4 | 5 => Control::Rr { nr, pf },
        6 => Control::Rnr { nr, pf },
        7 => Control::Rej { nr, pf },
        8 | 9 => Control::Sabm { p: pf },
        10 => Control::Sabme { p: pf },
        11 => Control::Disc { p: pf },
        12 => [Control::Dm { f: pf }, Control::Frmr { f: pf }][usize::from(ns & 1)],
        13 => Control::Ua { f: pf },
        14 => [Control::Xid { pf }, Control::Test { pf }][usize::from(ns & 1)],
        _ => Control::Ui { pf },
    };
    frame.role = match kind >> 4 & 3 {
        0 | 1 => Role::Command,
        2 => Role::Response,
        _ => Role::Legacy { c_bits: false },
    };
    if kind & 0x80 != 0 {
        let mut repeater = Repeater::ahead(call(source.octet()));
        repeater.has_been_repeated = kind & 0x40 != 0;
        frame.repeaters.push(repeater);
    }
    if !frame.control.has_pid() {
        frame.pid = None;
    }
    if !frame.control.may_have_info() {
        frame.info.clear();
    }
    frame.encode()
}
