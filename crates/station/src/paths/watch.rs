//! What frames tell of who hears whom. Nothing is sent for it.
//!
//! * A frame heard proves that its transmitter is heard here. Of numbered frames heard straight
//!   from their sender, missing numbers count as not heard.
//! * An own I frame that is acknowledged has arrived; the one that the other end waits for counts
//!   as lost each time it is sent again (those behind it do not: the other end may have thrown
//!   them away). They count for the way there only: one later acknowledgement covers all.
//! * Each acknowledgement that comes counts for the way back; one that had to be asked for counts
//!   as one lost before.
//! * An own poll or call is a try of the whole way there and back.
//! * A digipeater that repeats a frame has heard whoever sent it before. (Hearsay.)
//! * A station that acknowledges another's frames, or answers it, has heard them. (Hearsay.)
//!
//! Where a way of several legs fails, nobody knows on which leg. The failure is shared among them
//! by how likely each was to fail (one step of expectation maximisation; Dempster, Laird, Rubin
//! 1977, from memory).

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::wire::{AddressField, Control, Modulo, Role, pid};
use dunlin_ax25::{CallSign, Frame};

use super::graph::Graph;
use super::{Node, WayThatWorked, When};
use crate::event::PortId;

/// Exchanges kept, one for each pair of stations and direction; the one quiet for longest makes
/// room.
pub(super) const MOST_EXCHANGES: usize = 500;
/// Ways that worked, one for each station and port; the oldest makes room.
pub(super) const MOST_WORKED: usize = 500;
/// So long a digipeater may take to repeat a frame.
const REPEATED_WITHIN_MS: When = 60_000;
/// Frames missing in one gap, at most: more is rather an exchange begun afresh.
const MOST_MISSING: u8 = 7;

/// A numbered frame of our own that is not acknowledged.
#[derive(Clone, Copy, Debug)]
struct Out {
    ns: u8,
    octets: usize,
}

/// What one station says to another.
#[derive(Debug, Default)]
struct Exchange {
    modulo: Option<Modulo>,
    /// N(S) that should come next.
    next: Option<u8>,
    /// N(R) it last said.
    said: Option<u8>,
    /// I frames heard from it since the other end last acknowledged any.
    unanswered: u8,
    /// Octets of the last of them.
    octets: usize,
    /// Own frames out, in order.
    out: VecDeque<Out>,
    /// An own poll or call has no answer yet; its octets.
    poll: Option<usize>,
    /// Digipeaters on the way of its last frame.
    via: Vec<CallSign>,
    touched: When,
}

/// Everything known of paths.
#[derive(Debug, Default)]
pub(crate) struct Paths {
    pub(super) graph: Graph,
    exchanges: BTreeMap<(PortId, Node, Node), Exchange>,
    pub(super) worked: BTreeMap<(CallSign, PortId), (When, Vec<CallSign>)>,
}

/// A frame heard, taken apart.
struct Heard<'a> {
    at: When,
    port: PortId,
    octets: &'a [u8],
    source: Node,
    destination: Node,
    /// Digipeaters in order, and how many of them have repeated it.
    via: Vec<Node>,
    repeated: usize,
}

impl Heard<'_> {
    fn transmitter(&self) -> Node {
        match self.repeated {
            0 => self.source,
            n => self.via[n - 1],
        }
    }
}

impl Paths {
    /// Takes in a frame heard. `modulo` is that of the own link that it is for, if it is for one.
    pub(crate) fn heard(
        &mut self,
        at: When,
        port: PortId,
        octets: &[u8],
        modulo: Option<Modulo>,
        is_own: impl Fn(CallSign) -> bool,
    ) {
        let Ok((field, _)) = AddressField::decode(octets) else {
            return;
        };
        let node = |call: Option<CallSign>| call.map(|c| Some(c).filter(|c| !is_own(*c)));
        let (Some(source), Some(destination)) = (
            node(field.source.call_sign()),
            node(field.destination.call_sign()),
        ) else {
            return; // Whoever that is, he cannot be called.
        };
        let via = field.repeaters.iter();
        let via: Option<Vec<Node>> = via.map(|r| node(r.address.call_sign())).collect();
        let Some(via) = via else { return };
        let repeated = field.repeaters.iter().take_while(|r| r.has_been_repeated);
        let heard = Heard {
            at,
            port,
            octets,
            source,
            destination,
            repeated: repeated.count(),
            via,
        };
        if heard.transmitter().is_none() {
            return; // Our own transmitter, or somebody who uses its call sign.
        }
        self.graph.at(port, heard.transmitter(), None).prove(at);
        self.repeated(&heard);
        self.asked(&heard);
        self.said(&heard, modulo, field.role);
    }

    /// The digipeaters that have repeated it have heard whoever was before them.
    fn repeated(&mut self, heard: &Heard<'_>) {
        let mut before = heard.source;
        for (n, &repeater) in heard.via[..heard.repeated].iter().enumerate() {
            if let Some(call) = repeater {
                self.graph.repeats(heard.at, heard.port, call);
            }
            if repeater != before {
                let leg = self.graph.at(heard.port, before, repeater);
                leg.prove(heard.at);
                // Earlier repetitions were counted when they were heard; what belongs to own
                // links is counted by the answers.
                let others = before.is_some() && repeater.is_some() && heard.destination.is_some();
                if n + 1 == heard.repeated && others {
                    let lately = heard.at - leg.asked_at <= REPEATED_WITHIN_MS;
                    let tries = if lately { leg.asked.max(1) } else { 1 };
                    leg.asked = 0;
                    leg.count(heard.at, f64::from(tries), 1.0, heard.octets.len());
                }
            }
            before = repeater;
        }
    }

    /// It asks the next digipeater to repeat it.
    fn asked(&mut self, heard: &Heard<'_>) {
        let Some(next) = heard.via.get(heard.repeated).copied().flatten() else {
            return;
        };
        let leg = self
            .graph
            .known(heard.port, heard.transmitter(), Some(next));
        if let Some(leg) = leg {
            if heard.at - leg.asked_at > REPEATED_WITHIN_MS {
                leg.asked = 0;
            }
            leg.asked = (leg.asked + 1).min(3);
            leg.asked_at = heard.at;
        }
    }

    /// What it says to its destination.
    fn said(&mut self, heard: &Heard<'_>, modulo: Option<Modulo>, role: Role) {
        if heard.source == heard.destination {
            return;
        }
        let (from, to) = (heard.source, heard.destination);
        let told = |from, to| {
            let exchange = self.exchanges.get(&(heard.port, from, to));
            exchange.and_then(|exchange| exchange.modulo)
        };
        let known = modulo.or(told(from, to)).or(told(to, from));
        let Ok(frame) = Frame::decode_modulo(heard.octets, known.unwrap_or(Modulo::Eight)) else {
            return;
        };
        if let Control::Ui { .. } = frame.control {
            return; // It answers nothing and has no number.
        }
        let known = known.or_else(|| taken_for_eight(&frame));
        let exchange = self.exchange(heard, from, to);
        exchange.modulo = known;
        exchange.touched = heard.at;
        let answers = matches!(role, Role::Response) && frame.control.poll_or_final();
        match frame.control {
            Control::Sabm { .. } => self.begins(heard, Modulo::Eight),
            Control::Sabme { .. } => self.begins(heard, Modulo::OneHundredTwentyEight),
            Control::Ua { .. } | Control::Dm { .. } => self.answered(heard),
            Control::I { ns, nr, .. } => {
                if let Some(modulo) = known {
                    self.numbered(heard, ns, modulo);
                    self.acknowledged(heard, nr, modulo, false);
                }
            }
            Control::Rr { nr, .. } | Control::Rnr { nr, .. } | Control::Rej { nr, .. } => {
                if let Some(modulo) = known {
                    self.acknowledged(heard, nr, modulo, answers);
                }
                if answers {
                    self.answered(heard);
                }
            }
            _ if answers => self.answered(heard),
            _ => {}
        }
    }

    fn exchange(&mut self, heard: &Heard<'_>, from: Node, to: Node) -> &mut Exchange {
        self.exchange_of(heard.at, heard.port, from, to)
    }

    fn exchange_of(&mut self, at: When, port: PortId, from: Node, to: Node) -> &mut Exchange {
        let key = (port, from, to);
        if !self.exchanges.contains_key(&key) && self.exchanges.len() >= MOST_EXCHANGES {
            let oldest = self.exchanges.iter().min_by_key(|(_, e)| e.touched);
            if let Some(oldest) = oldest.map(|(key, _)| *key) {
                self.exchanges.remove(&oldest);
            }
        }
        self.exchanges.entry(key).or_insert_with(|| Exchange {
            touched: at,
            ..Exchange::default()
        })
    }

    /// A link begins: both count from 0.
    fn begins(&mut self, heard: &Heard<'_>, modulo: Modulo) {
        let (from, to) = (heard.source, heard.destination);
        for (from, to) in [(from, to), (to, from)] {
            let exchange = self.exchange(heard, from, to);
            exchange.modulo = Some(modulo);
            (exchange.next, exchange.said) = (Some(0), Some(0));
            exchange.unanswered = 0;
            exchange.out.clear();
        }
    }

    /// A numbered frame: what is missing before it was not heard, if it came straight.
    fn numbered(&mut self, heard: &Heard<'_>, ns: u8, modulo: Modulo) {
        if heard.repeated > 0 {
            return;
        }
        let octets = heard.octets.len();
        let exchange = self.exchange(heard, heard.source, heard.destination);
        exchange.unanswered = exchange.unanswered.saturating_add(1);
        exchange.octets = octets;
        let expected = exchange.next.unwrap_or(ns);
        let gap = ns.wrapping_sub(expected) & modulo.mask();
        if gap > modulo.mask() / 2 {
            return; // Sent again: how often that was not heard before, its number does not tell.
        }
        exchange.next = Some(ns.wrapping_add(1) & modulo.mask());
        let missing = gap.min(MOST_MISSING);
        let leg = self.graph.at(heard.port, heard.source, None);
        leg.count(heard.at, f64::from(missing) + 1.0, 1.0, octets);
    }

    /// N(R): the destination's frames before it have arrived.
    fn acknowledged(&mut self, heard: &Heard<'_>, nr: u8, modulo: Modulo, answers: bool) {
        let (from, to) = (heard.source, heard.destination);
        let before = self.exchange(heard, from, to).said.replace(nr);
        if to.is_none() {
            return self.own_acknowledged(heard, nr, modulo, answers);
        }
        let Some(before) = before else {
            self.exchange(heard, to, from).unanswered = 0;
            return; // How many of them are new is not known.
        };
        let new = nr.wrapping_sub(before) & modulo.mask();
        if new == 0 || new > modulo.mask() / 2 + 1 {
            return;
        }
        self.prove_way_back(heard);
        let other = self.exchange(heard, to, from);
        let tries = std::mem::take(&mut other.unanswered).max(new);
        let octets = other.octets;
        if heard.via.is_empty() && octets > 0 {
            let leg = self.graph.at(heard.port, to, from);
            leg.count(heard.at, f64::from(tries), f64::from(new), octets);
        }
    }

    /// It answers something that its destination sent.
    fn answered(&mut self, heard: &Heard<'_>) {
        self.prove_way_back(heard);
        if heard.destination.is_some() {
            return;
        }
        let exchange = self.exchange(heard, None, heard.source);
        let (poll, via) = (exchange.poll.take(), exchange.via.clone());
        if let (Some(octets), Some(to)) = (poll, heard.source) {
            let legs = round(&via, to);
            self.succeeded(heard.at, heard.port, &legs, octets);
            self.has_worked(heard.at, heard.port, to, via);
        }
    }

    /// What its destination sent has reached its source, by the same digipeaters.
    fn prove_way_back(&mut self, heard: &Heard<'_>) {
        let back = heard.via.iter().rev().copied().chain([heard.source]);
        let mut from = heard.destination;
        for to in back {
            if from != to {
                self.graph.at(heard.port, from, to).prove(heard.at);
            }
            from = to;
        }
    }

    fn own_acknowledged(&mut self, heard: &Heard<'_>, nr: u8, modulo: Modulo, answers: bool) {
        let exchange = self.exchange(heard, None, heard.source);
        let asked = answers && exchange.poll.is_some();
        let first = exchange.out.front().map_or(nr, |out| out.ns);
        let new = usize::from(nr.wrapping_sub(first) & modulo.mask());
        if new == 0 || new > exchange.out.len() {
            return;
        }
        let arrived: Vec<Out> = exchange.out.drain(..new).collect();
        let via = exchange.via.clone();
        self.prove_way_back(heard);
        if let Some(to) = heard.source {
            let legs = there(&via, to);
            for out in arrived {
                self.succeeded(heard.at, heard.port, &legs, out.octets);
            }
            // The answer to a poll is counted as such.
            for (from, to) in legs {
                let leg = self.graph.at(heard.port, to, from);
                leg.count(
                    heard.at,
                    1.0,
                    f64::from(u8::from(!asked)),
                    heard.octets.len(),
                );
            }
            self.has_worked(heard.at, heard.port, to, via);
        }
    }

    /// Takes in a frame that a link of this station sends.
    pub(crate) fn sent(&mut self, at: When, port: PortId, octets: &[u8], modulo: Modulo) {
        let Ok(frame) = Frame::decode_modulo(octets, modulo) else {
            return;
        };
        let Some(to) = frame.destination.call_sign() else {
            return;
        };
        let via = frame.repeaters.iter().map(|r| r.address.call_sign());
        let Some(via) = via.collect::<Option<Vec<_>>>() else {
            return;
        };
        let exchange = self.exchange_of(at, port, None, Some(to));
        exchange.touched = at;
        exchange.modulo = Some(modulo);
        if exchange.via != via {
            // What was sent by another way says nothing of this one.
            exchange.out.clear();
            exchange.poll = None;
            exchange.via.clone_from(&via);
        }
        let mut lost = None;
        let begins = matches!(frame.control, Control::Sabm { .. } | Control::Sabme { .. });
        if begins || exchange.out.len() > usize::from(modulo.mask()) {
            exchange.out.clear();
        }
        if let Control::I { ns, .. } = frame.control {
            let sent = Out {
                ns,
                octets: octets.len(),
            };
            match exchange.out.iter().position(|out| out.ns == ns) {
                Some(0) => lost = Some((there(&via, to), sent.octets)),
                Some(_) => {}
                None => exchange.out.push_back(sent),
            }
        } else if asks(&frame) {
            let before = exchange.poll.replace(octets.len());
            lost = before.map(|octets| (round(&via, to), octets));
        }
        if let Some((legs, octets)) = lost {
            self.failed(at, port, &legs, octets);
        }
    }

    /// A link of this station has ended: what has no answer now gets none.
    pub(crate) fn link_ended(&mut self, at: When, port: PortId, to: CallSign) {
        let Some(exchange) = self.exchanges.get_mut(&(port, None, Some(to))) else {
            return;
        };
        exchange.out.clear();
        let (poll, via) = (exchange.poll.take(), exchange.via.clone());
        if let Some(octets) = poll {
            self.failed(at, port, &round(&via, to), octets);
        }
    }

    fn succeeded(&mut self, at: When, port: PortId, legs: &[(Node, Node)], octets: usize) {
        for &(from, to) in legs {
            self.graph.at(port, from, to).count(at, 1.0, 1.0, octets);
        }
    }

    /// A frame did not get through all of these legs. It reached a leg and failed there or later
    /// with the chance that it came so far, less that it came through all, of the chance that it
    /// failed.
    fn failed(&mut self, at: When, port: PortId, legs: &[(Node, Node)], octets: usize) {
        let ratios: Vec<f64> = legs
            .iter()
            .map(|&(from, to)| self.graph.at(port, from, to).ratio(at, octets))
            .collect();
        let all: f64 = ratios.iter().product();
        let failed = (1.0 - all).max(1e-9);
        let mut reached = 1.0;
        for (&(from, to), ratio) in legs.iter().zip(ratios) {
            let passed = reached * ratio;
            let share = |chance: f64| ((chance - all) / failed).clamp(0.0, 1.0);
            let leg = self.graph.at(port, from, to);
            leg.count(at, share(reached), share(passed), octets);
            reached = passed;
        }
    }

    fn has_worked(&mut self, at: When, port: PortId, to: CallSign, via: Vec<CallSign>) {
        let key = (to, port);
        if !self.worked.contains_key(&key) && self.worked.len() >= MOST_WORKED {
            let oldest = self.worked.iter().min_by_key(|(_, (at, _))| *at);
            if let Some(oldest) = oldest.map(|(key, _)| *key) {
                self.worked.remove(&oldest);
            }
        }
        self.worked.insert(key, (at, via));
    }

    /// Remembers a way that worked before this start.
    pub(crate) fn remember(&mut self, way: WayThatWorked) {
        let at = When::try_from(way.before_start_ms).map_or(When::MIN, |ms| -ms);
        let known = self.worked.get(&(way.to, way.port));
        if known.is_none_or(|(when, _)| *when < at) {
            self.has_worked(at, way.port, way.to, way.via);
        }
    }

    /// How much is kept: legs, exchanges, ways that worked.
    #[cfg(test)]
    pub(super) fn kept(&self) -> [usize; 3] {
        [self.graph.len(), self.exchanges.len(), self.worked.len()]
    }
}

/// A frame heard in an exchange whose beginning was not: text modulo 8 has its PID behind one
/// control octet, where modulo 128 it would be N(R) 120. (Our reading.)
fn taken_for_eight(frame: &Frame) -> Option<Modulo> {
    let text = matches!(frame.control, Control::I { .. }) && frame.pid == Some(pid::NO_LAYER_3);
    text.then_some(Modulo::Eight)
}

/// A frame that wants an answer at once, and is no I frame.
fn asks(frame: &Frame) -> bool {
    let command = matches!(frame.role, Role::Command);
    command && frame.control.poll_or_final() && !matches!(frame.control, Control::Ui { .. })
}

/// The legs from here.
fn there(via: &[CallSign], to: CallSign) -> Vec<(Node, Node)> {
    let mut from: Node = None;
    let stations = via.iter().copied().chain([to]);
    stations
        .map(|next| (from.replace(next), Some(next)))
        .collect()
}

/// The legs from here and back.
fn round(via: &[CallSign], to: CallSign) -> Vec<(Node, Node)> {
    let there = there(via, to);
    let back = there.iter().rev().map(|(from, to)| (*to, *from));
    there.iter().copied().chain(back).collect()
}
