//! What a band of frames shows of itself.

use std::ops::Range;

use dunlin_clock::{Duration, Instant, SampleCount};

use super::{FrameBand, FrameTally, Out, nanos};
use crate::judge::{History, Reception, Rival, overlap};

impl FrameBand {
    /// From now on remembers who sent when, for [`FrameBand::reception`].
    pub fn remember(&mut self) {
        self.history.get_or_insert_with(History::default);
    }

    /// How many stations there are; they are numbered from 0.
    pub fn stations(&self) -> usize {
        self.stations.len()
    }

    /// What became of all frames so far.
    pub fn tally(&self) -> FrameTally {
        self.tally
    }

    /// How long a station's carrier detector has said occupied so far.
    pub fn busy_time(&self, station: usize) -> Duration {
        self.stations.get(station).map_or(Duration::ZERO, |s| {
            let now = match s.noticed {
                0 => Duration::ZERO,
                _ => self.now.since(s.busy_since),
            };
            Duration::from_nanos(s.busy_ns) + now
        })
    }

    /// How long a station's key has been down in transmissions that have ended.
    pub fn key_down_time(&self, station: usize) -> Duration {
        let ns = self.stations.get(station).map_or(0, |s| s.key_down_ns);
        Duration::from_nanos(ns)
    }

    /// Whether a station's key is down.
    pub fn is_keyed(&self, station: usize) -> bool {
        self.stations
            .get(station)
            .is_some_and(|s| s.sends.is_some())
    }

    /// The level of the path from one station to another, `None` if it is not heard there.
    pub fn level_db(&self, from: usize, to: usize) -> Option<f64> {
        self.path(from, to).map(|path| f64::from(path.level_db))
    }

    /// The same, at a moment (ns).
    fn level_at(&self, from: usize, to: usize, at: u64) -> Option<f64> {
        let path = self.path(from, to)?;
        let hours = &self.hours[usize::from(path.hours)];
        let open = hours.open_at(Instant::from_nanos(at));
        open.then(|| f64::from(path.level_db))
    }

    fn path(&self, from: usize, to: usize) -> Option<&Out> {
        self.stations.get(from)?;
        let paths = &self.paths[self.paths_of(from)];
        let at = paths.binary_search_by_key(&to, |p| p.to as usize).ok()?;
        paths.get(at)
    }

    /// What station `to` was up against in `time` (ns) when it should have heard station `from`,
    /// as [`Band::reception`](crate::Band::reception); all spans are nanoseconds. Only what was
    /// sent since [`FrameBand::remember`] counts.
    pub fn reception(&self, from: usize, to: usize, time: Range<u64>) -> Reception {
        let time = SampleCount(time.start)..SampleCount(time.end);
        let recovery = self.stations.get(to).map_or(0, |s| nanos(s.recovery));
        let deaf = self.busy(to, &time, recovery);
        let others = (0..self.stations.len()).filter(|s| *s != from && *s != to);
        let rival = Rival::strongest(others.filter_map(|station| {
            Some(Rival {
                station,
                level_db: self.level_at(station, to, time.start.0)?,
                overlap: self.busy(station, &time, 0),
            })
        }));
        Reception {
            level_db: self.level_at(from, to, time.start.0),
            deaf,
            rival,
        }
    }

    fn busy(&self, station: usize, time: &Range<SampleCount>, after: u64) -> u64 {
        let Some(state) = self.stations.get(station) else {
            return 0;
        };
        let past = self.history.as_ref();
        let past = past.map_or(0, |h| h.busy(station, time, after));
        let now = state.sends.map_or(0, |_| {
            overlap(time, state.deaf_from.as_nanos(), self.now.as_nanos())
        });
        past + now
    }
}
