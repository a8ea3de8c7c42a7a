//! The gate of a port as people see it: one sentence first, then every condition, then what
//! waits and why.

use std::collections::VecDeque;

use dunlin_ax25::Frame;
use dunlin_ax25::wire::AddressField;

use super::judge::{CONDITIONS, Why};
use super::words::{Facts, stopped};
use super::{ConditionView, WaitingView};
use crate::channel::Queued;
use crate::event::ms;
use crate::words::{purpose, span};

/// Frames of the queue that are shown.
const MOST_SHOWN: usize = 20;

impl Facts<'_> {
    /// Every condition, in order.
    pub(crate) fn conditions(&self) -> Vec<ConditionView> {
        let all = CONDITIONS.into_iter().zip(self.gate.standings);
        all.map(|(condition, standing)| {
            let (evidence, remedy) = self.say(standing.why);
            ConditionView {
                condition,
                open: standing.why.is_open(),
                since_ms: ms(standing.since),
                evidence,
                remedy,
            }
        })
        .collect()
    }

    /// The first frames of the queue, each with its own reason.
    pub(crate) fn waiting(&self, queue: &VecDeque<Queued>) -> Vec<WaitingView> {
        let shown = queue.iter().take(MOST_SHOWN).enumerate();
        shown
            .map(|(n, queued)| {
                let (what, to) = what_and_to(&queued.octets);
                WaitingView {
                    what,
                    to,
                    since_ms: ms(queued.since),
                    reason: self.reason(queue, n),
                }
            })
            .collect()
    }

    /// Why the frame at place `n` of the queue waits.
    pub(crate) fn reason(&self, queue: &VecDeque<Queued>, n: usize) -> String {
        let lead = queue.iter().position(|q| q.urgent).unwrap_or(0);
        if n == lead || self.gate.held().is_some() {
            return self.first_reason();
        }
        let (Some(first), Some(own)) = (queue.get(lead), queue.get(n)) else {
            return String::new();
        };
        let (_, to) = what_and_to(&first.octets);
        if (first.origin, first.urgent) == (own.origin, own.urgent) {
            return format!("goes out with the frame before it for {to}, if there is room");
        }
        match n {
            0 => format!("a repeated frame for {to} goes first"),
            1 => format!("goes after the frame for {to}"),
            n => format!("goes after {n} frames before it, the first for {to}"),
        }
    }

    /// Why the first frame waits.
    fn first_reason(&self) -> String {
        if self.is_keyed() {
            return "this port is transmitting".into();
        }
        match self.gate.first_shut() {
            Some((_, standing)) => self.say(standing.why).0,
            None => "the channel is clear; waiting for a slot".into(),
        }
    }

    fn is_keyed(&self) -> bool {
        self.gate.key_down.down_since().is_some()
    }

    /// All in one sentence: what happens or does not, since when, why, what to do.
    pub(crate) fn sentence(&self, queue: &VecDeque<Queued>) -> String {
        let name = &self.port.name;
        if self.is_keyed() {
            return self.while_keyed();
        }
        if !self.port.may_transmit {
            return format!("{name} is receive-only: the station plan lets it listen, not send.");
        }
        let shut = self.gate.first_shut();
        if let Some(stop) = self.stops.first() {
            let (_, remedy) = self.say(Why::Stopped);
            let held = match queue.len() {
                0 => String::new(),
                1 => " 1 frame is held.".into(),
                n => format!(" {n} frames are held."),
            };
            return format!("{name} sends nothing: {}.{held} {remedy}", stopped(stop));
        }
        match (queue.front(), shut) {
            (None, None) => format!("{name}: nothing waits to be sent; the gate is open."),
            (None, Some((_, standing))) => {
                let (evidence, remedy) = self.say(standing.why);
                format!(
                    "{name}: nothing waits to be sent, and now nothing could be: {evidence}. {remedy}"
                )
            }
            (Some(first), Some((_, standing))) => {
                let (evidence, remedy) = self.say(standing.why);
                let waited = span(self.now.since(first.since));
                format!("{name} has waited {waited}: {evidence}. {remedy}")
            }
            (Some(_), None) => format!("{name}: the channel is clear; waiting for a slot."),
        }
    }

    fn while_keyed(&self) -> String {
        let name = &self.port.name;
        let down = self.gate.key_down.down_since().unwrap_or(self.now);
        let lasts = span(self.now.since(down));
        if self.gate.stuck {
            let (evidence, remedy) = self.say(Why::LineStuck);
            return format!("{name} may still be keyed after {lasts}: {evidence}. {remedy}");
        }
        match self.gate.breaks_off() {
            Some((_, standing)) => {
                let (evidence, _) = self.say(standing.why);
                format!("{name} is being released after {lasts}: {evidence}.")
            }
            None => format!("{name} has been transmitting for {lasts}."),
        }
    }
}

/// What a frame is and whom it is for, as on the air.
pub(crate) fn what_and_to(octets: &[u8]) -> (String, String) {
    if let Ok(frame) = Frame::decode_overheard(octets) {
        return (purpose(&frame), frame.destination.to_string());
    }
    let to = AddressField::decode(octets).map_or(String::new(), |(f, _)| f.destination.to_string());
    ("a kind not in the standard".into(), to)
}
