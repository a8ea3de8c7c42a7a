//! The engine's boundary: what goes in, what comes out.

use dunlin_clock::Instant;

use crate::command::{Command, Refusal, Reply};
use crate::config::{ConfigError, StationConfig};
use crate::event::{Event, PortId, Snapshot};

/// One thing that happened outside.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// The next samples that a port heard, full scale = ±1. `now` is the moment of the last
    /// one. Every sample must be given, also those heard while transmitting.
    Samples {
        /// The port.
        port: PortId,
        /// The sound, at the port's sample rate.
        samples: &'a [f32],
    },
    /// The last sample of the port's transmission has been played and the key is released.
    Transmitted {
        /// The port.
        port: PortId,
    },
    /// The time of [`Station::next_wakeup`] has come.
    Wakeup,
}

/// One thing to do outside.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// Key the port, play all of this, release, then give [`Input::Transmitted`].
    Transmit {
        /// The port.
        port: PortId,
        /// The sound of the whole transmission, at the port's sample rate, full scale = ±1.
        samples: Vec<f32>,
    },
    /// Tell people and the journal.
    Event(Event),
}

/// Why the engine wants to be woken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WakeupReason {
    /// A slot of channel access begins.
    Slot(PortId),
    /// A timer of a link runs out.
    Link(PortId),
    /// A beacon is due.
    Beacon(PortId),
}
