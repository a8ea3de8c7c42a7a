//! The one place of the program that asks what time it is in the world.

use std::time::{SystemTime, UNIX_EPOCH};

use dunlin_clock::WallTime;

/// The civil time now, as the operating system has it. Before 1970 it is taken for 1970.
pub fn now() -> WallTime {
    #[allow(clippy::disallowed_methods)] // This is the marked place.
    let since = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .unwrap_or_default();
    WallTime(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}
