//! Two links over a half-duplex channel that loses frames and keeps their order, in any sequence
//! of requests, transmissions, timers and foreign frames, against a list of what was given.
//!
//! Texts are numbered and consist of their number, so that every piece of one tells which it is.

use std::collections::BTreeSet;

use dunlin_ax25::Frame;
use dunlin_ax25::data_link::{Indication, Input, LinkConfig, Request, State, Timer, Version};
use dunlin_ax25::wire::{CallSign, Modulo, Repeater, Role, pid};
use dunlin_clock::Duration;

use super::half_duplex::Transceiver;
use super::source::Source;

/// Texts that one end may be given.
const MOST_TEXTS: u8 = 200;
/// Steps in which a channel without losses must bring everything to its end.
const HEALED_WITHIN: usize = 20_000;
const CALLS: [&str; 2] = ["QA1SKY", "QM3BAR"];

/// One end and its person.
struct End {
    at: Transceiver,
    /// How long each text given so far is.
    given: Vec<usize>,
    /// Texts that came out, in their order.
    delivered: Vec<u8>,
    /// Texts of which something came back and was not given again: the person knows.
    back: BTreeSet<u8>,
    was_down: bool,
    /// Something came out that is not one text.
    mixed: bool,
}

fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

impl End {
    fn new(place: usize, source: &mut Source<'_>) -> Self {
        let mut config = LinkConfig::new(call(CALLS[place]), call(CALLS[1 - place]));
        let kind = source.octet();
        config.version = [Version::V20, Version::V22][usize::from(kind & 1)];
        config.call_version = [Version::V22, Version::V20][usize::from(kind >> 1 & 1)];
        config.selective = kind & 4 == 0;
        config.accepts_connections = kind & 0xF8 != 0xF8;
        config.k = 1 + kind % 7;
        config.k_extended = 1 + kind % 12;
        config.n1 = 5 + source.below(60);
        config.n2 = 1 + source.octet() % 6;
        config.t3 = Duration::from_secs(60);
        End {
            at: Transceiver::new(config),
            given: Vec::new(),
            delivered: Vec::new(),
            back: BTreeSet::new(),
            was_down: false,
            mixed: false,
        }
    }

    fn handle(&mut self, input: Input) {
        for indication in self.at.handle(input) {
            self.indicated(indication);
        }
    }

    fn hear(&mut self, octets: &[u8]) {
        for indication in self.at.hear(octets) {
            self.indicated(indication);
        }
    }

    fn indicated(&mut self, indication: Indication) {
        match indication {
            // What the station would not take for text (where the ends differ in their modulo for a
            // while, the PID is read as a part of the text and N(R) as the PID).
            Indication::Data { pid: kind, .. } if kind != pid::NO_LAYER_3 => {}
            Indication::Data { info, .. } => {
                self.mixed |= !is_one_text(&info);
                self.delivered.push(info.first().copied().unwrap_or(0));
            }
            Indication::DataRefused { info, .. } => self.came_back(&info),
            Indication::ConnectIndication { .. } => self.take_back(true),
            // It asked for a fresh start, so what was given before is not for this link.
            Indication::ConnectConfirm => self.take_back(false),
            Indication::DisconnectIndication { .. } | Indication::DisconnectConfirm => {
                self.was_down = true;
                self.take_back(false);
            }
            _ => {}
        }
    }

    /// After a reset (`go_on`) what was certainly not sent is given again, if it is whole.
    fn take_back(&mut self, go_on: bool) {
        for unsent in self.at.link.take_unsent() {
            if unsent.was_sent || unsent.pid == pid::SEGMENT || !go_on {
                self.came_back(&unsent.info);
            } else {
                let (pid, info) = (unsent.pid, unsent.info);
                self.handle(Input::Request(Request::Data { pid, info }));
            }
        }
    }

    /// The last octet of a text, and of each of its segments but a first one that holds no more
    /// than the PID, is its number.
    fn came_back(&mut self, info: &[u8]) {
        let number = info.last().copied().filter(|&n| n <= MOST_TEXTS);
        self.back.extend(number);
    }

    fn give(&mut self, length: usize) {
        if self.given.len() >= usize::from(MOST_TEXTS) {
            return;
        }
        self.given.push(length);
        let (pid, info) = (pid::NO_LAYER_3, vec![self.given.len() as u8; length]);
        self.handle(Input::Request(Request::Data { pid, info }));
    }

    fn timer(&mut self) {
        if let Some((at, _)) = self.at.link.next_wakeup() {
            self.at.now = self.at.now.max(at);
            self.handle(Input::Wakeup);
        }
    }

    /// Something will wake a link that waits for the other end.
    fn check(&self) {
        assert!(self.at.link.unacknowledged() <= self.at.link.agreed().k_send.into());
        let timer = self.at.link.next_wakeup().map(|(_, timer)| timer);
        match self.at.link.state() {
            State::Disconnected => assert_eq!(timer, None),
            State::Connected => assert!(timer.is_some()),
            _ => assert!(timer.is_some_and(|t| t != Timer::T3)),
        }
    }
}

/// Whether this is one text and no mixture of two.
fn is_one_text(info: &[u8]) -> bool {
    info.windows(2).all(|two| two[0] == two[1])
}

struct Pair {
    ends: [End; 2],
    /// A frame was sent in an end's name that it did not make: nothing is promised any more.
    forged: bool,
}

pub fn run(octets: &[u8]) {
    let mut source = Source::new(octets);
    let ends = [0, 1].map(|place| End::new(place, &mut source));
    let mut pair = Pair {
        ends,
        forged: false,
    };
    while !source.is_empty() {
        pair.step(&mut source);
        pair.check();
    }
    if !pair.forged {
        pair.heal();
        pair.check_nothing_vanished();
    }
}

impl Pair {
    fn step(&mut self, source: &mut Source<'_>) {
        let step = source.octet();
        let place = usize::from(step & 1);
        let end = &mut self.ends[place];
        match step >> 1 & 0x0F {
            0 => end.handle(Input::Request(Request::Connect)),
            1 if step >> 5 == 0 => end.handle(Input::Request(Request::Disconnect)),
            1 if step >> 5 < 4 => end.handle(Input::Request(Request::FlowOff)),
            1 => end.handle(Input::Request(Request::FlowOn)),
            2..=4 => end.give(1 + usize::from(step >> 5)),
            5 => end.give(1 + source.below(200)),
            6 => self.foreign(place, step >> 5, source),
            7 if step >> 5 == 7 => self.forge(place, source),
            7 => end.at.now += Duration::from_millis(u64::from(source.word())),
            8 | 9 => end.timer(),
            10 => self.transmit(place, source.octet(), source.octet()),
            _ => self.transmit(place, 0, 0),
        }
    }

    /// An end transmits; bit n of `lost` says that frame n of the first eight is lost, and from
    /// `broken_off` on, if it is not 0, all are.
    fn transmit(&mut self, place: usize, lost: u8, broken_off: u8) {
        let burst = self.ends[place].at.burst();
        self.busy(true);
        for (n, octets) in burst.into_iter().enumerate() {
            let is_lost = n < 8 && lost >> n & 1 == 1;
            let is_cut = broken_off > 0 && n >= usize::from(broken_off % 16);
            if !is_lost && !is_cut {
                self.ends[1 - place].hear(&octets);
            }
        }
        self.busy(false);
    }

    fn busy(&mut self, busy: bool) {
        for end in &mut self.ends {
            end.handle(Input::ChannelBusy(busy));
        }
    }

    /// A frame that is none of the other end's comes in. It changes nothing.
    fn foreign(&mut self, place: usize, kind: u8, source: &mut Source<'_>) {
        let end = &mut self.ends[place];
        let mut frame = any_frame(end.at.link.remote(), end.at.link.local(), source);
        match kind {
            0 | 1 => frame.source = call("QX0RLF").into(),
            2 => frame.source = call("QM3BAR-1").into(),
            3 => frame.destination = call("QC2CAP").into(),
            // Its own, reflected.
            4 => (frame.source, frame.destination) = (frame.destination, frame.source),
            // A repeater has still to pass it on.
            5 | 6 => frame.repeaters = vec![Repeater::ahead(call("QD2HIL"))],
            _ => frame.repeaters = vec![Repeater::ahead(end.at.link.local())],
        }
        let before = (
            end.at.link.shape(),
            end.at.waiting.len(),
            end.delivered.len(),
        );
        end.handle(Input::Frame(frame));
        assert_eq!(
            (
                end.at.link.shape(),
                end.at.waiting.len(),
                end.delivered.len()
            ),
            before
        );
    }

    /// A frame comes in under the other end's call sign that it has not sent.
    fn forge(&mut self, place: usize, source: &mut Source<'_>) {
        self.forged = true;
        let end = &mut self.ends[place];
        let frame = any_frame(end.at.link.remote(), end.at.link.local(), source);
        end.hear(&frame.encode_modulo(end.at.link.modulo()));
    }

    fn check(&self) {
        for end in &self.ends {
            end.check();
            assert!(end.at.link.queued() + end.at.waiting.len() < 100_000);
        }
        if self.forged {
            return;
        }
        let resets = self.ends.iter().map(|end| end.at.link.counters().resets);
        let in_doubt = resets.sum::<u64>() > 0 || self.ends.iter().any(|end| end.was_down);
        assert!(!self.ends[0].mixed && !self.ends[1].mixed, "of two texts");
        for (to, from) in [(0, 1), (1, 0)] {
            let (delivered, from) = (&self.ends[to].delivered, &self.ends[from]);
            assert!(
                delivered.is_sorted_by(|a, b| a < b),
                "twice or out of order: {delivered:?}"
            );
            assert!(
                delivered
                    .last()
                    .is_none_or(|&n| usize::from(n) <= from.given.len())
            );
            // Nothing is left out but what the person knows of.
            let mut left_out = (1..=delivered.last().copied().unwrap_or(0))
                .filter(|n| !delivered.contains(n) && !from.back.contains(n));
            assert!(
                in_doubt || left_out.next().is_none(),
                "left out: {left_out:?}"
            );
        }
    }

    /// No more losses, and everybody listens: all doubt comes to an end. Timers wait for those
    /// who want to transmit.
    fn heal(&mut self) {
        for place in [0, 1] {
            self.ends[place].handle(Input::Request(Request::FlowOn));
        }
        let mut quiet = 0;
        for _ in 0..HEALED_WITHIN {
            if let Some(place) = (0..2).find(|&p| self.ends[p].at.wants_to_send()) {
                self.transmit(place, 0, 0);
            } else if self.is_settled() && quiet > 2 {
                return;
            } else {
                // Also an end that believes that all is well asks once in a while.
                quiet += 1;
                self.ends.iter_mut().for_each(End::timer);
            }
            self.check();
        }
        let links = self.ends.each_ref().map(|end| &end.at.link);
        panic!("for ever: {links:#?}");
    }

    fn is_settled(&self) -> bool {
        let states = self.ends.each_ref().map(|end| end.at.link.state());
        let settled = |end: &End| end.at.link.unacknowledged() + end.at.link.queued() == 0;
        states == [State::Disconnected; 2]
            || states == [State::Connected; 2] && self.ends.iter().all(settled)
    }

    /// Every text has arrived or came back, or does so when both ends give up.
    fn check_nothing_vanished(&mut self) {
        for end in &mut self.ends {
            end.handle(Input::Request(Request::Disconnect));
            end.handle(Input::Request(Request::Disconnect));
            assert_eq!(end.at.link.state(), State::Disconnected);
        }
        for (to, from) in [(0, 1), (1, 0)] {
            let (delivered, from) = (&self.ends[to].delivered, &self.ends[from]);
            for number in 1..=from.given.len() as u8 {
                let known = delivered.contains(&number) || from.back.contains(&number);
                assert!(known, "text {number} is nowhere");
            }
        }
    }
}

/// A frame with any control field that can be made.
fn any_frame(from: CallSign, to: CallSign, source: &mut Source<'_>) -> Frame {
    let length = source.below(9);
    let mut frame = Frame::ui(from, to, &[], pid::NO_LAYER_3, source.take(length).to_vec());
    let (first, second, kind) = (source.octet(), source.octet(), source.octet());
    let octets = frame.encode();
    let mut made = octets[..14].to_vec();
    made.extend([first, second, 0xF0]);
    let modulo = [Modulo::Eight, Modulo::OneHundredTwentyEight][usize::from(kind & 1)];
    let decoded = Frame::decode_modulo(&made, modulo)
        .or_else(|_| Frame::decode_modulo(&made[..15], modulo))
        .or_else(|_| Frame::decode_modulo(&made[..16], modulo));
    if let Ok(known) = decoded {
        frame.control = known.control;
    }
    frame.role = match kind >> 1 & 3 {
        0 | 1 => Role::Command,
        2 => Role::Response,
        _ => Role::Legacy {
            c_bits: kind & 8 == 0,
        },
    };
    if !frame.control.has_pid() {
        frame.pid = None;
    }
    if !frame.control.may_have_info() {
        frame.info.clear();
    }
    frame
}
