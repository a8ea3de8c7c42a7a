//! From the threads of the sound devices to the driver: one queue for all, bounded for sound.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::Sender;

use dunlin_clock::Duration;
use dunlin_rig::{EventSink, SoundEvent};
use dunlin_station::PortId;

use super::driver::Message;

/// Pieces of sound of one port that may wait; at 20 ms each, five seconds.
const MOST_WAITING: usize = 250;

/// How many pieces of sound of a port wait for the driver.
#[derive(Clone, Debug, Default)]
pub(crate) struct Waiting(Arc<AtomicUsize>);

impl Waiting {
    /// The driver has taken one.
    pub(super) fn taken(&self) {
        self.0.fetch_sub(1, Ordering::Relaxed);
    }

    /// What the sink does before it sends a piece.
    pub(crate) fn put(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }
}

/// Where the events of one port go.
pub(super) struct PortSink {
    pub(super) port: PortId,
    /// It is the second input of the port.
    pub(super) second: bool,
    pub(super) sender: Sender<Message>,
    pub(super) waiting: Waiting,
}

impl EventSink for PortSink {
    fn heard(&self, samples: Vec<f32>, age: Duration) -> bool {
        if self.waiting.0.fetch_add(1, Ordering::Relaxed) >= MOST_WAITING {
            self.waiting.0.fetch_sub(1, Ordering::Relaxed);
            return false;
        }
        let event = SoundEvent::Heard { samples, age };
        self.sender.send(self.message(event)).is_ok()
    }

    fn tell(&self, event: SoundEvent) {
        // Nobody listens any more only when the program ends.
        let _ = self.sender.send(self.message(event));
    }
}

impl PortSink {
    fn message(&self, event: SoundEvent) -> Message {
        let port = self.port;
        match self.second {
            true => Message::SecondSound { port, event },
            false => Message::Sound { port, event },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::mpsc;

    #[test]
    fn sound_that_nobody_takes_is_dropped_and_nothing_else_is() {
        let (sender, inbox) = mpsc::channel();
        let waiting = Waiting::default();
        let sink = PortSink {
            port: PortId(0),
            second: false,
            sender,
            waiting: waiting.clone(),
        };
        for _ in 0..MOST_WAITING {
            assert!(sink.heard(vec![0.0], Duration::ZERO));
        }
        assert!(!sink.heard(vec![0.0], Duration::ZERO));
        sink.tell(SoundEvent::Played { underruns: 0 });
        assert_eq!(inbox.try_iter().count(), MOST_WAITING + 1);
        waiting.taken();
        assert!(sink.heard(vec![0.0], Duration::ZERO));
    }
}
