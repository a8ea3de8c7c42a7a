//! The clocks of the operating system, read nowhere else while the station runs.

use std::hash::{BuildHasher, Hasher, RandomState};

use dunlin_clock::{Instant, WallTime};

use crate::wall_clock;

/// The engine's time line, tied to the machine's monotonic clock.
pub(super) struct Clock {
    zero: std::time::Instant,
    wall: WallTime,
}

impl Clock {
    /// A time line that begins now.
    pub(super) fn start() -> Self {
        Clock {
            zero: std::time::Instant::now(),
            wall: wall_clock::now(),
        }
    }

    /// The engine's now.
    pub(super) fn now(&self) -> Instant {
        Instant::from_nanos(u64::try_from(self.zero.elapsed().as_nanos()).unwrap_or(u64::MAX))
    }

    /// Civil time at the zero of the time line.
    pub(super) fn wall_at_zero(&self) -> WallTime {
        self.wall
    }
}

/// A seed from the operating system's own chance: two stations with equal dice would collide
/// in every slot.
pub(super) fn dice() -> u64 {
    RandomState::new().build_hasher().finish()
}
