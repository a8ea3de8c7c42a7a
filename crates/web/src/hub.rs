//! Where events wait for those who listen: numbered, in a ring of bounded size.
//!
//! Listeners keep only a number of their own. A slow one therefore costs no memory; when the
//! ring has moved past it, it is told so and starts again from a snapshot.

use std::collections::VecDeque;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use dunlin_clock::Instant;
use dunlin_station::Event;
use tokio::sync::watch;

/// Events kept for listeners that were away.
const MOST_EVENTS: usize = 20_000;
/// Octets of JSON kept, so that large events cannot fill the memory.
const MOST_OCTETS: usize = 16 << 20;

/// The meeting point of one driver, which publishes, and any number of listeners.
#[derive(Debug)]
pub struct Hub {
    run: String,
    ring: Mutex<Ring>,
    last: watch::Sender<u64>,
    now_ms: AtomicU64,
}

#[derive(Debug)]
struct Ring {
    /// Number of the first event in `kept`, if any.
    first: u64,
    kept: VecDeque<Arc<str>>,
    octets: usize,
    most_events: usize,
    most_octets: usize,
}

/// What a listener has not had yet.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Missed {
    /// The events after the given number, oldest first, as JSON; perhaps none.
    Events(Vec<(u64, Arc<str>)>),
    /// That number is not of this run's ring: begin with a snapshot.
    Gone,
}

impl Hub {
    /// An empty hub. `run` names this run of the program and goes into every event's id.
    pub(crate) fn new(run: String) -> Self {
        Hub::with_limits(run, MOST_EVENTS, MOST_OCTETS)
    }

    pub(crate) fn with_limits(run: String, most_events: usize, most_octets: usize) -> Self {
        Hub {
            run,
            ring: Mutex::new(Ring {
                first: 1,
                kept: VecDeque::new(),
                octets: 0,
                most_events,
                most_octets,
            }),
            last: watch::Sender::new(0),
            now_ms: AtomicU64::new(0),
        }
    }

    /// Gives the event the next number and hands it to all listeners.
    pub fn publish(&self, event: &Event) {
        let json = match serde_json::to_string(event) {
            Ok(json) => json,
            Err(error) => {
                // Cannot happen with the engine's types; a lost number would break clients.
                tracing::error!("an event cannot be written as JSON: {error}");
                return;
            }
        };
        let mut ring = self.ring();
        ring.push(json.into());
        let last = ring.last();
        drop(ring);
        self.last.send_replace(last);
    }

    /// Number of the latest event published; 0 if there was none.
    pub fn last(&self) -> u64 {
        *self.last.borrow()
    }

    /// Says what time it is for the engine.
    pub fn tick(&self, now: Instant) {
        self.now_ms.store(now.as_millis(), Ordering::Relaxed);
    }

    pub(crate) fn now_ms(&self) -> u64 {
        self.now_ms.load(Ordering::Relaxed)
    }

    pub(crate) fn run(&self) -> &str {
        &self.run
    }

    /// The id of event number `seq`, as clients see it.
    pub(crate) fn id(&self, seq: u64) -> String {
        format!("{}-{seq}", self.run)
    }

    /// The number in an id of this run, or `None` if it is of another run or no id at all.
    pub(crate) fn number(&self, id: &str) -> Option<u64> {
        let (run, number) = id.rsplit_once('-')?;
        (run == self.run).then(|| number.parse().ok()).flatten()
    }

    /// Up to `most` events that follow number `after`.
    pub(crate) fn missed(&self, after: u64, most: usize) -> Missed {
        let ring = self.ring();
        if after > ring.last() || after + 1 < ring.first {
            return Missed::Gone;
        }
        let skip = usize::try_from(after + 1 - ring.first).unwrap_or(usize::MAX);
        let waiting = ring.kept.iter().skip(skip).take(most);
        Missed::Events((after + 1..).zip(waiting.cloned()).collect())
    }

    /// Changes whenever something is published.
    pub(crate) fn changes(&self) -> watch::Receiver<u64> {
        self.last.subscribe()
    }

    fn ring(&self) -> MutexGuard<'_, Ring> {
        // No code panics while it holds the lock, and the ring is whole between statements.
        self.ring.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Ring {
    fn last(&self) -> u64 {
        self.first + self.kept.len() as u64 - 1
    }

    fn push(&mut self, json: Arc<str>) {
        self.octets += json.len();
        self.kept.push_back(json);
        while self.kept.len() > self.most_events || self.octets > self.most_octets {
            let Some(oldest) = self.kept.pop_front() else {
                break;
            };
            self.octets -= oldest.len();
            self.first += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use dunlin_station::{Note, TalkId, Urgency};

    use super::*;

    fn numbers(missed: Missed) -> Vec<u64> {
        match missed {
            Missed::Events(events) => events.iter().map(|(seq, _)| *seq).collect(),
            Missed::Gone => panic!("gone"),
        }
    }

    fn hub_with(events: u64, most_events: usize, most_octets: usize) -> Hub {
        let hub = Hub::with_limits("r".into(), most_events, most_octets);
        for n in 0..events {
            hub.publish(&Event::TalkGone(TalkId(n)));
        }
        hub
    }

    #[test]
    fn events_are_numbered_from_one_without_gaps() {
        let hub = hub_with(5, 10, 1000);
        assert_eq!(hub.last(), 5);
        assert_eq!(numbers(hub.missed(0, 100)), [1, 2, 3, 4, 5]);
        assert_eq!(numbers(hub.missed(3, 100)), [4, 5]);
        assert_eq!(numbers(hub.missed(0, 2)), [1, 2]);
        assert_eq!(numbers(hub.missed(5, 100)), Vec::<u64>::new());
        let Missed::Events(events) = hub.missed(4, 1) else {
            panic!("gone");
        };
        assert_eq!(&*events[0].1, r#"{"talk_gone":4}"#);
    }

    #[test]
    fn what_left_the_ring_or_was_never_there_is_gone() {
        let hub = hub_with(15, 10, 1000);
        assert_eq!(hub.missed(4, 100), Missed::Gone);
        assert_eq!(numbers(hub.missed(5, 100)), (6..=15).collect::<Vec<_>>());
        assert_eq!(hub.missed(16, 100), Missed::Gone);
        assert_eq!(hub_with(0, 10, 10).missed(1, 1), Missed::Gone);
        assert_eq!(numbers(hub_with(0, 10, 10).missed(0, 1)), Vec::<u64>::new());
    }

    #[test]
    fn large_events_push_older_ones_out_and_one_too_large_is_not_kept() {
        let hub = Hub::with_limits("r".into(), 10, 300);
        let note = |length| {
            Event::Note(Note {
                at_ms: 0,
                port: None,
                urgency: Urgency::Plain,
                text: "x".repeat(length),
            })
        };
        hub.publish(&note(100));
        hub.publish(&note(100));
        assert_eq!(hub.missed(0, 9), Missed::Gone);
        assert_eq!(numbers(hub.missed(1, 9)), [2]);
        hub.publish(&note(1000));
        assert_eq!(hub.missed(2, 9), Missed::Gone);
        assert_eq!(numbers(hub.missed(3, 9)), Vec::<u64>::new());
        assert_eq!(hub.last(), 3);
    }

    #[test]
    fn ids_of_other_runs_are_not_ours() {
        let hub = Hub::new("18c.2f".into());
        assert_eq!(hub.number(&hub.id(7)), Some(7));
        for id in ["18c.30-7", "7", "", "18c.2f-", "18c.2f-x", "18c.2f--7"] {
            assert_eq!(hub.number(id), None, "{id}");
        }
    }
}
