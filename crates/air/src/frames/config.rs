//! What a band of whole frames consists of.

use dunlin_clock::{Duration, Hours};

use super::curve::Curve;
use crate::config::AirError;

/// The most stations on one band of frames.
pub const MOST_PLACES: usize = 100_000;

/// A kind of signal and how it is heard. Stations of different kinds do not read or notice each
/// other, but disturb each other.
#[derive(Clone, Debug, PartialEq)]
pub struct Signal {
    /// From keying to the carrier detectors of those who hear it.
    pub detect: Duration,
    /// From unkeying until they say clear.
    pub release: Duration,
    /// From the end of a frame until its receivers have it.
    pub told: Duration,
    /// From this level on carrier detectors notice it, dB as the paths are given.
    pub noticed_db: f64,
    /// Frames read in spite of another signal all the time, by the level above that signal.
    pub capture: Curve,
}

/// A station of a band of frames.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// Which [`Signal`] it sends and hears.
    pub signal: usize,
    /// From unkeying to hearing again.
    pub recovery: Duration,
}

/// One direction of a path.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FramePath {
    /// Number of the sending station.
    pub from: usize,
    /// Number of the receiving station.
    pub to: usize,
    /// Level at the receiver, dB.
    pub level_db: f64,
    /// Share of the frames of [`CURVE_OCTETS`](super::CURVE_OCTETS) octets that come through with
    /// nothing else on the air.
    pub share: f64,
    /// When the path is open.
    pub hours: Hours,
}

/// A band of frames.
#[derive(Clone, Debug, PartialEq)]
pub struct FrameBandConfig {
    /// Name of the band; with the seed it fixes its random stream.
    pub name: String,
    /// Seed of the random stream.
    pub seed: u64,
    /// The kinds of signal.
    pub signals: Vec<Signal>,
    /// The stations, at most [`MOST_PLACES`]. Their place in this list is their number.
    pub places: Vec<Place>,
    /// Who hears whom; a pair that is missing does not hear each other.
    pub paths: Vec<FramePath>,
}

impl FrameBandConfig {
    pub(super) fn check(&self) -> Result<(), AirError> {
        let out_of_range = |what, value: f64, low, high| AirError::OutOfRange {
            what,
            value,
            low,
            high,
        };
        let n = self.places.len();
        if n == 0 || n > MOST_PLACES {
            let most = MOST_PLACES as f64;
            return Err(out_of_range("number of stations", n as f64, 1.0, most));
        }
        for place in &self.places {
            if place.signal >= self.signals.len() {
                let last = self.signals.len() as f64 - 1.0;
                let given = place.signal as f64;
                return Err(out_of_range("kind of signal", given, 0.0, last));
            }
        }
        for path in &self.paths {
            let unknown = [path.from, path.to].into_iter().find(|p| *p >= n);
            if let Some(unknown) = unknown {
                return Err(AirError::NoSuchStation(unknown));
            }
            if path.from == path.to {
                let name = path.from.to_string();
                return Err(AirError::Path {
                    from: name.clone(),
                    to: name,
                });
            }
            if !(-40.0..=80.0).contains(&path.level_db) {
                return Err(out_of_range("path level in dB", path.level_db, -40.0, 80.0));
            }
            if !(0.0..=1.0).contains(&path.share) {
                return Err(out_of_range("share of frames", path.share, 0.0, 1.0));
            }
        }
        Ok(())
    }
}
