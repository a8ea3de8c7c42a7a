//! Time and chance as plain data: nothing in this crate reads a clock or asks the
//! operating system for randomness. Whoever drives the engine passes both in.

mod chance;
mod hours;
mod time;

pub use chance::Chance;
pub use hours::{Hours, MOST_SPANS};
pub use std::time::Duration;
pub use time::{Instant, SampleCount, SampleRate, WallTime};
