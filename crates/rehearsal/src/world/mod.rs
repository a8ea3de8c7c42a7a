//! The stations of a rehearsal and what lies between them, with sound or with whole frames. Both
//! hand every input to the same engine and tell what the stations tell.

mod frames;
pub(crate) mod measured;
mod sound;

use std::collections::VecDeque;

use dunlin_clock::Instant;
use dunlin_station::{Event, PortId};

pub(crate) use frames::FrameWorld;
pub use measured::Fidelity;
pub(crate) use measured::{frame_band, without_modem};
pub(crate) use sound::SoundWorld;

/// Wake-ups of one station without time passing; a station that wants more is faulty.
const MOST_WAKEUPS: usize = 1000;

/// What a station tells, and when.
pub(crate) type Told = (usize, Instant, Event);

/// What stations have told and nobody has taken yet.
pub(crate) type Telling = VecDeque<Told>;

fn port_id(port: usize) -> PortId {
    PortId(u8::try_from(port).unwrap_or(u8::MAX))
}
