//! The state that a snapshot shows, kept by applying the very events that are published.

use std::collections::VecDeque;
use std::fmt::Debug;
use std::str::FromStr;

use dunlin_station::{
    Block, CrossingView, Event, HeardView, Note, PortId, PortView, Snapshot, TalkLine, TalkView,
    Urgency,
};

/// Blocks kept for a snapshot.
const MOST_BLOCKS: usize = 1500;

/// State and the events that led to it and were not yet taken.
pub struct Picture {
    state: Snapshot,
    out: VecDeque<Event>,
    /// For each port, whether somebody has stopped it: then the bands send nothing of ours.
    pub stopped: [bool; 2],
}

/// A call sign that is written in this example.
pub fn call<CallSign: FromStr<Err: Debug>>(text: &str) -> CallSign {
    text.parse().expect("a call sign written here")
}

impl Picture {
    pub fn new() -> Picture {
        let port = |port, name: &str, mode: &str, call_sign: &str| PortView {
            port: PortId(port),
            name: name.into(),
            mode: mode.into(),
            call: call(call_sign),
            busy: false,
            transmitting: false,
            queued: 0,
            waits: None,
            level_dbfs: Some(-48.0),
            occupied: 0.0,
            own_share: 0.0,
            may_transmit: true,
        };
        let state = Snapshot {
            now_ms: 0,
            call: call("QA1SKY"),
            ports: vec![
                port(0, "VHF", "afsk1200", "QA1SKY-1"),
                port(1, "HF", "afsk300", "QA1SKY-2"),
            ],
            blocks: Vec::new(),
            heard: Vec::new(),
            talks: Vec::new(),
            lines: Vec::new(),
            crossings: Vec::new(),
            notes: Vec::new(),
            gates: Vec::new(),
            stops: Vec::new(),
            alarms: Vec::new(),
            rejects: Vec::new(),
            mutes: Vec::new(),
            partners: Vec::new(),
            files: Vec::new(),
        };
        Picture {
            state,
            out: VecDeque::new(),
            stopped: [false; 2],
        }
    }

    pub fn snapshot(&self, now_ms: u64) -> Snapshot {
        Snapshot {
            now_ms,
            ..self.state.clone()
        }
    }

    pub fn drain(&mut self) -> impl Iterator<Item = Event> + '_ {
        self.out.drain(..)
    }

    pub fn tell(&mut self, event: Event) {
        let state = &mut self.state;
        match event.clone() {
            Event::Block(b) => upsert(&mut state.blocks, b, |a, b| a.id == b.id),
            Event::Port(p) => upsert(&mut state.ports, p, |a, b| a.port == b.port),
            Event::Heard(h) => upsert(&mut state.heard, h, |a, b| {
                (a.port, &a.call) == (b.port, &b.call)
            }),
            Event::Talk(t) => upsert(&mut state.talks, t, |a, b| a.id == b.id),
            Event::TalkLine(l) => upsert(&mut state.lines, l, |a, b| {
                (a.talk, a.line) == (b.talk, b.line)
            }),
            Event::TalkGone(id) => {
                state.talks.retain(|t| t.id != id);
                state.lines.retain(|l| l.talk != id);
            }
            Event::Crossing(c) => upsert(&mut state.crossings, c, |a, b| a.id == b.id),
            Event::Note(n) => state.notes.push(n),
            Event::Gate(g) => upsert(&mut state.gates, g, |a, b| a.port == b.port),
            Event::Stops(s) => state.stops = s,
            Event::Reject(r) => upsert(&mut state.rejects, r, |a, b| {
                (a.port, a.kind) == (b.port, b.kind)
            }),
            Event::Partner(p) => upsert(&mut state.partners, p, |a, b| a.call == b.call),
            Event::File(f) => upsert(&mut state.files, f, |a, b| (a.talk, a.id) == (b.talk, b.id)),
            Event::MailChanged => {}
            Event::Alarm(a) => {
                state
                    .alarms
                    .retain(|b| (a.kind, a.port) != (b.kind, b.port));
                state.alarms.extend(a.active.then_some(a));
            }
        }
        let excess = state.blocks.len().saturating_sub(MOST_BLOCKS);
        state.blocks.drain(..excess);
        let excess = state.notes.len().saturating_sub(200);
        state.notes.drain(..excess);
        self.out.push_back(event);
    }

    pub fn note(&mut self, at_ms: u64, port: Option<u8>, urgency: Urgency, text: &str) {
        self.tell(Event::Note(Note {
            at_ms,
            port: port.map(PortId),
            urgency,
            text: text.into(),
        }));
    }

    /// Changes a port and tells the change.
    pub fn port(&mut self, port: u8, change: impl FnOnce(&mut PortView)) {
        let mut view = self.state.ports[usize::from(port)].clone();
        change(&mut view);
        self.tell(Event::Port(view));
    }

    pub fn ports(&self) -> &[PortView] {
        &self.state.ports
    }

    pub fn talks(&self) -> &[TalkView] {
        &self.state.talks
    }

    pub fn lines(&self) -> &[TalkLine] {
        &self.state.lines
    }

    pub fn crossings(&self) -> &[CrossingView] {
        &self.state.crossings
    }

    pub fn heard(&self, port: u8, call: &str) -> Option<&HeardView> {
        let mut all = self.state.heard.iter();
        all.find(|h| h.port == PortId(port) && h.call == call)
    }

    pub fn blocks(&self) -> &[Block] {
        &self.state.blocks
    }
}

fn upsert<T>(all: &mut Vec<T>, new: T, same: impl Fn(&T, &T) -> bool) {
    match all.iter_mut().rev().find(|old| same(old, &new)) {
        Some(old) => *old = new,
        None => all.push(new),
    }
}
