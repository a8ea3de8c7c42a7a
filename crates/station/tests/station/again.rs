//! A visitor of a crossing who comes again while the far half of the first visit still ends, and by which digipeaters one
//! is carried on.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Control, Role, pid};
use dunlin_clock::Instant;
use dunlin_modem::Mode;
use dunlin_station::gate::Medium;
use dunlin_station::{Input, Output, PortId, Station, WayThatWorked};

use crate::wire::{call, crossing, port, station};

const HF: PortId = PortId(0);
const VHF: PortId = PortId(1);

/// A station with a crossing, and what its ports have sent.
struct Desk {
    station: Station,
    now: Instant,
    ends: [Option<Instant>; 2],
    sent: Vec<(PortId, Frame)>,
}

impl Desk {
    fn new() -> Desk {
        Desk::with(0)
    }

    /// The crossing may lead by so many digipeaters.
    fn with(most_digipeaters: usize) -> Desk {
        let ports = vec![
            port("HF", Mode::Afsk300, "QA1SKY"),
            port("VHF", Mode::Afsk1200, "QA1SKY"),
        ];
        let mut config = station("QA1SKY", ports, 1);
        config
            .ports
            .iter_mut()
            .for_each(|p| p.medium = Medium::Frames);
        let mut rule = crossing(1, 0, "QA1SKY-8");
        rule.most_digipeaters = most_digipeaters;
        config.crossings.push(rule);
        Desk {
            station: Station::new(config).expect("good"),
            now: Instant::ZERO,
            ends: [None; 2],
            sent: Vec::new(),
        }
    }

    /// Lets so many seconds pass.
    fn runs(&mut self, seconds: u64) {
        let until = self.now + std::time::Duration::from_secs(seconds);
        loop {
            self.drain();
            let wakeup = self.station.next_wakeup().map(|(at, _)| at.max(self.now));
            let ends = self.ends.iter().flatten().min().copied();
            let next = wakeup.into_iter().chain(ends).min();
            let Some(next) = next.filter(|next| *next <= until) else {
                break;
            };
            self.now = next;
            match self.ends.iter().position(|end| *end == Some(next)) {
                Some(n) => {
                    self.ends[n] = None;
                    let port = PortId(n as u8);
                    self.station.handle(next, Input::Transmitted { port });
                }
                None => self.station.handle(next, Input::Wakeup),
            }
        }
        self.now = until;
    }

    fn drain(&mut self) {
        while let Some(output) = self.station.poll() {
            if let Output::OnBand {
                port,
                frames,
                airtime,
            } = output
            {
                let read = |octets: &[u8]| Frame::decode(octets).expect("a frame");
                self.sent
                    .extend(frames.iter().map(|f| (port, read(&f.octets))));
                self.ends[usize::from(port.0)] = Some(self.now + airtime);
            }
        }
    }

    /// What the visitor has of the station's text, as N(R).
    fn nr(&self) -> u8 {
        let near = self.sent.iter().filter(|(port, _)| *port == VHF);
        let mut text = near.filter_map(|(_, f)| match f.control {
            Control::I { ns, .. } => Some((ns + 1) % 8),
            _ => None,
        });
        text.next_back().unwrap_or(0)
    }

    fn acknowledges(&mut self) {
        let near = self.sent.iter().rfind(|(port, _)| *port == VHF);
        let asked = near.is_some_and(|(_, f)| matches!(f.control, Control::Rr { pf: true, .. }));
        let nr = self.nr();
        self.hears(VHF, Role::Response, Control::Rr { nr, pf: asked }, b"");
        self.runs(3);
    }

    /// Text number `ns` of the visitor.
    fn says(&mut self, ns: u8, text: &[u8]) {
        let (ns, nr) = (ns % 8, self.nr());
        let control = Control::I { ns, nr, p: false };
        self.hears(VHF, Role::Command, control, text);
    }

    fn hears(&mut self, port: PortId, role: Role, control: Control, info: &[u8]) {
        let (from, to) = match port {
            HF => ("QX0RLF", "QA1SKY-8"),
            _ => ("QM3BAR", "QA1SKY-8"),
        };
        let mut frame = Frame::ui(call(from), call(to), &[], pid::NO_LAYER_3, info.to_vec());
        (frame.role, frame.control) = (role, control);
        frame.pid = control.has_pid().then_some(pid::NO_LAYER_3);
        let octets = &frame.encode();
        self.station.handle(self.now, Input::Frame { port, octets });
        self.drain();
    }
}

#[test]
fn two_crossings_of_one_visitor_do_not_pull_at_one_link() {
    let mut desk = Desk::new();
    let (command, response) = (Role::Command, Role::Response);
    desk.runs(1);
    desk.hears(VHF, command, Control::Sabm { p: true }, b"");
    desk.runs(10);
    desk.acknowledges();
    desk.says(0, b"QX0RLF\r");
    desk.runs(5);
    desk.acknowledges();
    desk.hears(HF, response, Control::Ua { f: true }, b"");
    desk.runs(5);
    desk.acknowledges();
    // Much text, of which nothing is acknowledged on HF.
    for ns in 1..14 {
        desk.says(ns, b"forty cots and six stretchers\r");
        desk.runs(1);
    }
    desk.runs(3);
    let busy = |(port, frame): &(PortId, Frame)| {
        *port == VHF && matches!(frame.control, Control::Rnr { .. })
    };
    let said: Vec<_> = desk
        .sent
        .iter()
        .map(|(p, f)| {
            (
                p.0,
                f.control,
                String::from_utf8_lossy(&f.info).into_owned(),
            )
        })
        .collect();
    assert!(
        desk.sent.iter().any(busy),
        "the visitor is asked to wait: {said:?}"
    );
    desk.hears(VHF, command, Control::Disc { p: true }, b"");
    desk.runs(3);
    desk.sent.clear();
    // HF still has what to send; the visitor comes again.
    desk.hears(VHF, command, Control::Sabm { p: true }, b"");
    desk.runs(3);
    let near: Vec<_> = desk.sent.iter().filter(|(port, _)| *port == VHF).collect();
    assert!(
        !near.is_empty() && !near.iter().any(|f| busy(f)),
        "{near:?}"
    );
    let crossings = desk.station.snapshot(desk.now).crossings;
    assert_eq!(crossings.len(), 2, "{crossings:?}");
}

/// The digipeaters in the call on HF, when the rule allows so many, these led to the station before, and it was heard
/// direct or not.
fn called_by(most: usize, worked: &[&str], heard: bool) -> Vec<String> {
    let mut desk = Desk::with(most);
    desk.station.remember_ways([WayThatWorked {
        port: HF,
        to: call("QX0RLF"),
        via: worked.iter().map(|v| call(v)).collect(),
        before_start_ms: 60_000,
    }]);
    desk.runs(1);
    if heard {
        desk.hears(HF, Role::Command, Control::Ui { pf: false }, b"here");
    }
    desk.hears(VHF, Role::Command, Control::Sabm { p: true }, b"");
    desk.runs(10);
    desk.acknowledges();
    desk.says(0, b"QX0RLF\r");
    desk.runs(10);
    let mut far = desk.sent.iter().filter(|(port, _)| *port == HF);
    let is_call = |f: &Frame| matches!(f.control, Control::Sabm { .. } | Control::Sabme { .. });
    let (_, call) = far.find(|(_, f)| is_call(f)).expect("it is called");
    let via = call.repeaters.iter();
    via.map(|r| r.address.call_sign().expect("a call sign").to_string())
        .collect()
}

#[test]
fn a_crossing_uses_digipeaters_if_its_rule_allows_them_and_the_station_was_not_heard() {
    assert_eq!(called_by(1, &["QD2HIL"], false), ["QD2HIL"]);
    let two = ["QD2HIL", "QD3TOR"];
    assert_eq!(called_by(2, &two, false), two);
    let none: [&str; 0] = [];
    assert_eq!(called_by(1, &two, false), none, "more than the rule allows");
    assert_eq!(called_by(0, &["QD2HIL"], false), none);
    assert_eq!(called_by(2, &["QD2HIL"], true), none, "heard direct");
}
