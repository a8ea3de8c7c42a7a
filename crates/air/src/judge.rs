//! Why a transmission was not received, seen from outside: facts of the medium, for the summary
//! of a rehearsal. Nothing here acts on the signals.

use std::collections::VecDeque;
use std::ops::Range;

use dunlin_clock::SampleCount;

use crate::band::Transmission;

/// Ended transmissions that are remembered.
const REMEMBERED: usize = 4096;

/// What a receiver was up against while another station sent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reception {
    /// Level of the path, dB as configured; `None` if the stations do not hear each other.
    pub level_db: Option<f64>,
    /// Samples of the time asked about in which the receiver was keyed or recovering.
    pub deaf: u64,
    /// The strongest other station that the receiver heard in this time.
    pub rival: Option<Rival>,
}

/// Another station on the air at the same time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rival {
    /// Its number.
    pub station: usize,
    /// Its level at the receiver, dB as configured.
    pub level_db: f64,
    /// Samples of the time asked about in which it was keyed.
    pub overlap: u64,
}

impl Rival {
    /// The strongest of those that were on the air at all; of equal ones the first.
    pub(crate) fn strongest(all: impl Iterator<Item = Rival>) -> Option<Rival> {
        all.filter(|r| r.overlap > 0)
            .reduce(|best, r| if best.level_db < r.level_db { r } else { best })
    }
}

/// The likeliest cause of a loss.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Cause {
    /// There is no path.
    NoPath,
    /// The receiver was itself sending, or just had been.
    OwnTransmission,
    /// Another station was on the air.
    Collision,
    /// None of these: noise, fading or distortion.
    Noise,
}

impl Reception {
    /// The likeliest cause if nothing was received: the first that applies, in the order of
    /// [`Cause`].
    pub fn likeliest_cause(&self) -> Cause {
        if self.level_db.is_none() {
            Cause::NoPath
        } else if self.deaf > 0 {
            Cause::OwnTransmission
        } else if self.rival.is_some() {
            Cause::Collision
        } else {
            Cause::Noise
        }
    }
}

/// The last transmissions that ended.
#[derive(Clone, Debug, Default)]
pub(crate) struct History(VecDeque<Transmission>);

impl History {
    /// Remembers a transmission, and forgets the oldest beyond the limit.
    pub fn remember(&mut self, t: Transmission) {
        if self.0.len() == REMEMBERED {
            self.0.pop_front();
        }
        self.0.push_back(t);
    }

    /// Samples of `time` in which `station` was keyed, or had unkeyed less than `after` before.
    pub fn busy(&self, station: usize, time: &Range<SampleCount>, after: u64) -> u64 {
        let spans = self.0.iter().filter(|t| t.station == station);
        let total: u64 = spans
            .map(|t| overlap(time, t.start.0, t.end.0 + after))
            .sum();
        total.min(time.end.0.saturating_sub(time.start.0))
    }
}

/// Samples that `time` and `from..to` have in common.
pub(crate) fn overlap(time: &Range<SampleCount>, from: u64, to: u64) -> u64 {
    to.min(time.end.0).saturating_sub(from.max(time.start.0))
}
