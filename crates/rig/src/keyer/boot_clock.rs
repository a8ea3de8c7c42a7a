//! The clock by which both sides of a keyer date what they say.

use dunlin_clock::Instant;
use rustix::time::{ClockId, clock_gettime};

/// Now, on the clock that counts from the start of the machine and through sleep, the same in
/// every process: `CLOCK_BOOTTIME` of clock_gettime(2). A machine that wakes up from sleep
/// with the key down sees at once that the last beat is old.
pub(super) fn now() -> Instant {
    let t = clock_gettime(ClockId::Boottime);
    let secs = u64::try_from(t.tv_sec).unwrap_or(0);
    let nanos = u64::try_from(t.tv_nsec).unwrap_or(0);
    Instant::from_nanos(secs.saturating_mul(1_000_000_000).saturating_add(nanos))
}
