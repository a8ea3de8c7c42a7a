//! What a link is told when it is made.

use std::ops::RangeInclusive;

use dunlin_clock::Duration;
use thiserror::Error;

use crate::wire::{CallSign, MAX_REPEATERS};

/// Windows that modulo 8 allows (§6.7.2.3; E15: the 8 of Fig C4.7b cannot work).
const WINDOWS: RangeInclusive<u8> = 1..=7;
/// Windows that modulo 128 allows (§6.7.2.3).
const EXTENDED_WINDOWS: RangeInclusive<u8> = 1..=127;
/// Accepted N1, in octets. The upper bound is ours.
const INFO_LENGTHS: RangeInclusive<usize> = 1..=4096;
/// Accepted SRT. The bounds are ours.
const ROUND_TRIPS: RangeInclusive<Duration> = Duration::from_millis(1)..=Duration::from_secs(60);
/// Accepted T3. The bounds are ours.
const IDLE_TIMES: RangeInclusive<Duration> =
    Duration::from_millis(10)..=Duration::from_secs(86_400);

/// The highest version of the protocol that a link uses.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Version {
    /// 2.0: modulo 8, REJ.
    V20,
    /// 2.2: modulo 128, SREJ and XID, and 2.0 with those who know no other.
    V22,
}

/// The parameters of one link (§6.7).
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LinkConfig {
    /// This end.
    pub local: CallSign,
    /// The other end.
    pub remote: CallSign,
    /// The repeaters from here to there, in this order; at most eight.
    pub path: Vec<CallSign>,
    /// Whether a SABM from the other end is accepted; if not, the answer is DM.
    pub accepts_connections: bool,
    /// The highest version that is accepted.
    pub version: Version,
    /// The version that this end calls with, but no higher than `version`.
    pub call_version: Version,
    /// In version 2.2, whether missing frames may be asked for one by one (SREJ).
    pub selective: bool,
    /// k, the window: most I frames sent and not acknowledged, modulo 8; 1 to 7.
    pub k: u8,
    /// The same modulo 128; 1 to 127.
    pub k_extended: u8,
    /// N1, the longest information field, 1 to 4096 octets.
    pub n1: usize,
    /// N2, tries before giving up, 1 to 255.
    pub n2: u8,
    /// Initial smoothed round-trip time, 1 ms to 60 s. T1 starts at twice this value, which
    /// should be enough for the longest frame, its answer, and each repeater (§6.7.1.1).
    pub initial_srt: Duration,
    /// T3, idle time after which the other end is asked whether it is still there; 10 ms to
    /// one day, and should be well above T1.
    pub t3: Duration,
}

/// Why a [`LinkConfig`] cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum LinkConfigError {
    /// Too many repeaters.
    #[error("the path names {0} repeaters; eight is the most")]
    Path(usize),
    /// Window out of range.
    #[error("the window k must be from 1 to 7, not {0}")]
    Window(u8),
    /// Window modulo 128 out of range.
    #[error("the window k modulo 128 must be from 1 to 127, not {0}")]
    ExtendedWindow(u8),
    /// N1 out of range.
    #[error("N1, the longest information field, must be from 1 to 4096 octets, not {0}")]
    InfoLength(usize),
    /// N2 is zero.
    #[error("N2, the number of tries, must be at least 1")]
    Tries,
    /// SRT out of range.
    #[error("the round-trip time must be from 1 ms to 60 s, not {0:?}")]
    RoundTrip(Duration),
    /// T3 out of range.
    #[error("T3 must be from 10 ms to 24 h, not {0:?}")]
    IdleTime(Duration),
}

impl LinkConfig {
    /// The standard's defaults for version 2.0 (§6.3.2) on a direct path. T3, for which it has
    /// none, is three minutes; SRT is half the default T1 of 3 s (E26).
    pub fn new(local: CallSign, remote: CallSign) -> Self {
        LinkConfig {
            local,
            remote,
            path: Vec::new(),
            accepts_connections: true,
            version: Version::V20,
            call_version: Version::V22,
            selective: true,
            k: 7,
            k_extended: 32,
            n1: 256,
            n2: 10,
            initial_srt: Duration::from_millis(1500),
            t3: Duration::from_secs(180),
        }
    }

    /// Whether all values are in range.
    ///
    /// # Errors
    /// The first [`LinkConfigError`]; whoever made the configuration is at fault.
    pub fn check(&self) -> Result<(), LinkConfigError> {
        if self.path.len() > MAX_REPEATERS {
            Err(LinkConfigError::Path(self.path.len()))
        } else if !WINDOWS.contains(&self.k) {
            Err(LinkConfigError::Window(self.k))
        } else if !EXTENDED_WINDOWS.contains(&self.k_extended) {
            Err(LinkConfigError::ExtendedWindow(self.k_extended))
        } else if !INFO_LENGTHS.contains(&self.n1) {
            Err(LinkConfigError::InfoLength(self.n1))
        } else if self.n2 == 0 {
            Err(LinkConfigError::Tries)
        } else if !ROUND_TRIPS.contains(&self.initial_srt) {
            Err(LinkConfigError::RoundTrip(self.initial_srt))
        } else if !IDLE_TIMES.contains(&self.t3) {
            Err(LinkConfigError::IdleTime(self.t3))
        } else {
            Ok(())
        }
    }

    /// `srt` brought into the range of usable round-trip times.
    pub(super) fn usable_round_trip(srt: Duration) -> Duration {
        srt.clamp(*ROUND_TRIPS.start(), *ROUND_TRIPS.end())
    }
}
