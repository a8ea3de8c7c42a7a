//! Events on their way to the file. A newer state of a thing replaces the one that still
//! waits, so a line that grows by each frame is written once a second, not once a frame.

use std::collections::BTreeMap;

use dunlin_clock::WallTime;
use dunlin_station::{BlockKind, Event, TalkState};

/// Things that may wait; beyond that the oldest frames are given up, then the rest.
pub(crate) const MOST_PENDING: usize = 20_000;

/// Which thing an event is about. The order is the order of writing.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Key {
    Port(u8),
    Talk(u64),
    TalkGone(u64),
    Line(u64, u64),
    Crossing(u64),
    Heard(u8, String),
    Note(u64),
    Block(u64),
}

/// The newest state of a thing, with the wall time of its first and of its last event.
#[derive(Clone, Debug)]
pub(crate) struct Waiting {
    pub first: WallTime,
    pub last: WallTime,
    pub event: Event,
    /// When the link of a talk stood for the first time among the events that wait. A short talk
    /// may have begun and ended before anything is written.
    pub connected: Option<WallTime>,
}

/// Everything that waits.
#[derive(Debug, Default)]
pub(crate) struct Pending {
    things: BTreeMap<Key, Waiting>,
    notes: u64,
    lost: u64,
}

impl Pending {
    pub fn add(&mut self, wall: WallTime, event: &Event) {
        let key = match event {
            Event::Gate(_) | Event::Stops(_) | Event::Alarm(_) | Event::Reject(_) => return,
            Event::File(_) | Event::Partner(_) | Event::MailChanged => return,
            Event::Port(view) => Key::Port(view.port.0),
            Event::Talk(view) => Key::Talk(view.id.0),
            Event::TalkGone(id) => Key::TalkGone(id.0),
            Event::TalkLine(line) => Key::Line(line.talk.0, line.line),
            Event::Crossing(view) => Key::Crossing(view.id.0),
            Event::Heard(view) => Key::Heard(view.port.0, view.call.clone()),
            Event::Block(block) => Key::Block(block.id),
            Event::Note(_) => {
                self.notes += 1; // Notes have no number of their own: none replaces another.
                Key::Note(self.notes)
            }
        };
        match self.things.get_mut(&key) {
            Some(waiting) => {
                waiting.last = wall;
                waiting.event = event.clone();
                waiting.connected = waiting.connected.or(connected(wall, event));
            }
            None => {
                let waiting = Waiting {
                    first: wall,
                    last: wall,
                    event: event.clone(),
                    connected: connected(wall, event),
                };
                self.things.insert(key, waiting);
            }
        }
        while self.things.len() > MOST_PENDING {
            self.give_up_one();
        }
    }

    fn give_up_one(&mut self) {
        let frame = self
            .things
            .range(Key::Block(0)..)
            .next()
            .map(|(key, _)| key.clone());
        let note = || {
            self.things
                .range(Key::Note(0)..)
                .next()
                .map(|(key, _)| key.clone())
        };
        match frame.or_else(note) {
            Some(key) => drop(self.things.remove(&key)),
            None => drop(self.things.pop_first()),
        }
        self.lost += 1;
    }

    pub fn in_order(&self) -> impl Iterator<Item = &Waiting> {
        self.things.values()
    }

    /// The earliest wall time of anything that waits.
    pub fn first(&self) -> Option<WallTime> {
        self.things.values().map(|waiting| waiting.first).min()
    }

    /// Removes the first `most` things.
    pub fn remove_first(&mut self, most: usize) {
        for _ in 0..most.min(self.things.len()) {
            self.things.pop_first();
        }
    }

    pub fn len(&self) -> usize {
        self.things.len()
    }

    pub fn is_empty(&self) -> bool {
        self.things.is_empty()
    }

    /// Things that were given up because too much had to wait.
    pub fn lost(&self) -> u64 {
        self.lost
    }
}

/// Whether an event leaves something in the journal. A channel that was merely busy is seen
/// on the page and forgotten; but a block that turns out to be that may stand in the file.
pub(crate) fn is_busy(event: &Event) -> bool {
    matches!(event, Event::Block(block) if block.kind == BlockKind::Busy)
}

/// The time of an event by which the link of a talk stands.
fn connected(wall: WallTime, event: &Event) -> Option<WallTime> {
    let stands = |state| matches!(state, TalkState::Open | TalkState::Checking);
    matches!(event, Event::Talk(view) if stands(view.state)).then_some(wall)
}

#[cfg(test)]
mod tests {
    use dunlin_station::{Note, TalkId, Urgency};

    use super::*;

    fn note(text: &str) -> Event {
        let text = text.to_owned();
        Event::Note(Note {
            at_ms: 0,
            port: None,
            urgency: Urgency::Plain,
            text,
        })
    }

    #[test]
    fn the_same_thing_waits_once_and_notes_each() {
        let mut pending = Pending::default();
        pending.add(WallTime(1), &Event::TalkGone(TalkId(3)));
        pending.add(WallTime(2), &Event::TalkGone(TalkId(3)));
        pending.add(WallTime(3), &note("a"));
        pending.add(WallTime(4), &note("a"));
        assert_eq!(pending.len(), 3);
        let first = pending.in_order().next().map(|w| (w.first, w.last));
        assert_eq!(first, Some((WallTime(1), WallTime(2))));
    }

    #[test]
    fn when_too_much_waits_notes_go_before_talks() {
        let mut pending = Pending::default();
        pending.add(WallTime(0), &Event::TalkGone(TalkId(3)));
        for _ in 0..MOST_PENDING + 5 {
            pending.add(WallTime(0), &note("a"));
        }
        assert_eq!((pending.len(), pending.lost()), (MOST_PENDING, 6));
        let first = pending.in_order().next().map(|w| w.event.clone());
        assert_eq!(first, Some(Event::TalkGone(TalkId(3))));
    }
}
