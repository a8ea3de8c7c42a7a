//! The journal while the station runs: every event goes in, and trouble with the file is told
//! once when it begins and once when it is over.

use std::path::Path;

use anyhow::Result;
use dunlin_clock::{Instant, WallTime};
use dunlin_station::{Event, StationConfig};
use dunlin_store::{Limits, Store};

/// The journal of a running station.
pub struct Journal {
    store: Store,
    wall_at_zero: WallTime,
    failing: bool,
}

impl Journal {
    /// Opens or makes the file and begins a run in it.
    pub fn open(file: &Path, station: &StationConfig, wall_at_zero: WallTime) -> Result<Journal> {
        Journal::begin(Store::open(file, Limits::default())?, station, wall_at_zero)
    }

    /// A journal that is gone with the program.
    #[cfg(test)]
    pub fn in_memory(station: &StationConfig) -> Result<Journal> {
        Journal::begin(
            Store::in_memory(Limits::default())?,
            station,
            WallTime::default(),
        )
    }

    fn begin(mut store: Store, station: &StationConfig, wall_at_zero: WallTime) -> Result<Journal> {
        store.begin_run(wall_at_zero, &station.call.to_string())?;
        Ok(Journal {
            store,
            wall_at_zero,
            failing: false,
        })
    }

    fn wall(&self, now: Instant) -> WallTime {
        self.wall_at_zero.after(now.since(Instant::ZERO))
    }

    /// Takes in an event.
    pub fn record(&mut self, now: Instant, event: &Event) {
        self.store.record(self.wall(now), event);
    }

    /// Writes what is due. A sentence comes back when writing begins to fail or works again.
    pub fn tick(&mut self, now: Instant) -> Option<String> {
        match self.store.tick(now) {
            Err(error) if !self.failing => {
                self.failing = true;
                Some(error.to_string())
            }
            Ok(true) if self.failing => {
                self.failing = false;
                let lost = self.store.lost();
                Some(format!(
                    "the journal is written again; {lost} things were given up"
                ))
            }
            Ok(_) | Err(_) => None,
        }
    }

    /// Writes the rest and notes that the station stopped by itself.
    pub fn end(&mut self, now: Instant) -> Result<()> {
        let wall = self.wall(now);
        Ok(self.store.end_run(wall)?)
    }

    /// What is kept.
    #[cfg(test)]
    pub fn store(&self) -> &Store {
        &self.store
    }
}
