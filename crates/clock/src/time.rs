//! Instants, sample counts and wall time, each as its own type.

use std::fmt;
use std::ops::{Add, AddAssign, Sub};
use std::time::Duration;

use serde::{Deserialize, Serialize};

/// A moment on the engine's own time line. Starts at zero when the engine starts, never
/// goes back, and knows nothing of calendars. Resolution: one nanosecond.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Instant(u64);

impl Instant {
    /// The start of the engine's time line.
    pub const ZERO: Instant = Instant(0);

    /// The moment `nanos` nanoseconds after the start.
    pub const fn from_nanos(nanos: u64) -> Self {
        Instant(nanos)
    }

    /// The moment `millis` milliseconds after the start.
    pub const fn from_millis(millis: u64) -> Self {
        Instant(millis * 1_000_000)
    }

    /// The moment `secs` seconds after the start.
    pub const fn from_secs(secs: u64) -> Self {
        Instant(secs * 1_000_000_000)
    }

    /// Nanoseconds since the start.
    pub const fn as_nanos(self) -> u64 {
        self.0
    }

    /// Whole milliseconds since the start.
    pub const fn as_millis(self) -> u64 {
        self.0 / 1_000_000
    }

    /// Seconds since the start.
    pub fn as_secs_f64(self) -> f64 {
        self.0 as f64 * 1e-9
    }

    /// Time from `earlier` to `self`; zero if `earlier` is later.
    pub fn since(self, earlier: Instant) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }
}

impl Add<Duration> for Instant {
    type Output = Instant;
    fn add(self, d: Duration) -> Instant {
        let nanos = u64::try_from(d.as_nanos()).unwrap_or(u64::MAX);
        Instant(self.0.saturating_add(nanos))
    }
}

impl AddAssign<Duration> for Instant {
    fn add_assign(&mut self, d: Duration) {
        *self = *self + d;
    }
}

impl Sub<Duration> for Instant {
    type Output = Instant;
    fn sub(self, d: Duration) -> Instant {
        let nanos = u64::try_from(d.as_nanos()).unwrap_or(u64::MAX);
        Instant(self.0.saturating_sub(nanos))
    }
}

impl fmt::Display for Instant {
    /// `h:mm:ss.mmm` since the start.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = self.as_millis();
        let (h, m, s) = (ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60);
        write!(f, "{h}:{m:02}:{s:02}.{:03}", ms % 1000)
    }
}

/// Samples per second of one channel. Always above zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct SampleRate(u32);

impl SampleRate {
    /// A rate in hertz, or `None` for zero.
    pub const fn new(hz: u32) -> Option<Self> {
        if hz == 0 { None } else { Some(SampleRate(hz)) }
    }

    /// The rate in hertz.
    pub const fn hz(self) -> u32 {
        self.0
    }

    /// The rate in hertz as a float.
    pub fn hz_f64(self) -> f64 {
        f64::from(self.0)
    }

    /// How long `n` samples last.
    pub fn duration_of(self, n: u64) -> Duration {
        let nanos = u128::from(n) * 1_000_000_000 / u128::from(self.0);
        Duration::from_nanos(u64::try_from(nanos).unwrap_or(u64::MAX))
    }

    /// How many whole samples fit into `d`.
    pub fn samples_in(self, d: Duration) -> u64 {
        let n = d.as_nanos() * u128::from(self.0) / 1_000_000_000;
        u64::try_from(n).unwrap_or(u64::MAX)
    }
}

/// Position of a sample in a stream; the first sample is number zero.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct SampleCount(pub u64);

impl SampleCount {
    /// Seconds from the start of the stream at `rate`.
    pub fn seconds(self, rate: SampleRate) -> f64 {
        self.0 as f64 / rate.hz_f64()
    }
}

impl Add<u64> for SampleCount {
    type Output = SampleCount;
    fn add(self, n: u64) -> SampleCount {
        SampleCount(self.0 + n)
    }
}

/// A moment of civil time: milliseconds since 1970-01-01 00:00 UTC. The engine never reads
/// it; the driver maps [`Instant`] to it for people and for logs.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct WallTime(pub i64);

impl WallTime {
    /// The wall time `d` later.
    pub fn after(self, d: Duration) -> WallTime {
        WallTime(self.0 + i64::try_from(d.as_millis()).unwrap_or(i64::MAX))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn subtracting_past_the_start_stays_at_the_start() {
        assert_eq!(
            Instant::from_secs(1) - Duration::from_secs(2),
            Instant::ZERO
        );
        assert_eq!(Instant::ZERO.since(Instant::from_secs(1)), Duration::ZERO);
    }

    #[test]
    fn samples_and_durations_agree() {
        let r = SampleRate::new(48_000).expect("not zero");
        assert_eq!(r.duration_of(24_000), Duration::from_millis(500));
        assert_eq!(r.samples_in(Duration::from_millis(500)), 24_000);
        assert!(SampleRate::new(0).is_none());
    }

    #[test]
    fn an_instant_reads_as_hours_minutes_seconds() {
        assert_eq!(Instant::from_millis(3_723_004).to_string(), "1:02:03.004");
    }
}
