//! The journal: an SQLite file that remembers what was heard, sent and said.
//!
//! The caller hands in every [`Event`] of the engine with [`Store::record`] and calls
//! [`Store::tick`] several times a second. What came in is written and committed at least
//! once a second of the engine's time, so a program that is killed loses at most its last
//! second. There is no thread and no clock in here.
//!
//! ```
//! use dunlin_clock::{Instant, WallTime};
//! use dunlin_station::{Event, Note, Urgency};
//! use dunlin_store::{Limits, Store};
//!
//! let mut store = Store::in_memory(Limits::default())?;
//! let began = WallTime(1_800_000_000_000);
//! store.begin_run(began, "QA1SKY")?;
//! let text = "port VHF waits: the channel is busy".to_owned();
//! let note = Note { at_ms: 500, port: None, urgency: Urgency::Attention, text };
//! store.record(began, &Event::Note(note.clone()));
//! store.tick(Instant::from_secs(1))?;
//! assert_eq!(store.notes(None, 10)?[0].value, note);
//! store.end_run(began)?;
//! # Ok::<(), dunlin_store::StoreError>(())
//! ```
//!
//! When writing fails (no room, file held by another program), what is new waits in memory
//! and each later tick tries again; see [`Store::waiting`] and [`Store::lost`].

#[cfg(test)]
mod ceiling;
mod cut;
mod error;
mod export;
mod find;
#[cfg(test)]
mod finding;
mod forget;
#[cfg(test)]
mod forgotten;
mod glance;
#[cfg(test)]
mod hardship;
mod mail;
mod migrate;
mod name;
mod open;
mod pending;
mod plans;
mod quoted;
mod read;
mod retain;
mod schema;
mod shelf;
#[cfg(test)]
mod versions;
mod ways;
mod words;
mod write;

use std::path::{Path, PathBuf};

use dunlin_clock::{Duration, Instant, WallTime};
use dunlin_station::Event;
use rusqlite::{Connection, params};
use serde::Serialize;

use crate::pending::Pending;

pub use error::StoreError;
pub use export::{Entry, Export, Field, Kind, Wanted};
pub use find::{Finder, Found, FoundKind, Item, Place, Sought};
pub use forget::{Eraser, Forgotten};
pub use glance::{Glance, glance};
pub use mail::{MailError, MailForgotten, MailStore};
pub use migrate::SchemaChange;
pub use name::Name;
pub use plans::lines_that_differ;
pub use read::{HeardStation, Kept, KeptTalk, MOST_ANSWERED, Run};
pub use retain::Limits;
pub use shelf::{MOST_OFFERED, NotPut, Shelf};
pub use ways::KeptWay;

/// One start of the station. Numbers grow from start to start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct RunId(pub i64);

/// Longest time that anything waits before it is written.
const FLUSH_EVERY: Duration = Duration::from_secs(1);

/// Flushes between two looks at whether too much is kept.
const FLUSHES_PER_RETAIN: u32 = 30;

/// Things written in one transaction. What comes in within a second is far less; but when
/// writing has failed for long, each new try must not take long too.
const MOST_AT_ONCE: usize = 1000;

/// Pieces removed at one look; what is left goes at the next.
const MOST_PIECES: usize = 20;

/// The journal.
#[derive(Debug)]
pub struct Store {
    path: PathBuf,
    connection: Connection,
    limits: Limits,
    run: Option<RunId>,
    pending: Pending,
    flushed: Instant,
    flushes: u32,
    /// Wall time of what came in last.
    latest: WallTime,
    /// The clock has leapt since the run before: nothing goes by age.
    leapt: bool,
    upgrade: Option<SchemaChange>,
}

impl Store {
    pub(crate) fn new(path: PathBuf, connection: Connection, limits: Limits) -> Store {
        Store {
            path,
            connection,
            limits,
            run: None,
            pending: Pending::default(),
            flushed: Instant::ZERO,
            flushes: 0,
            latest: WallTime(0),
            leapt: false,
            upgrade: None,
        }
    }

    /// The file, or a stand-in for a journal in memory.
    pub fn path(&self) -> &Path {
        &self.path
    }

    pub(crate) fn connection(&self) -> &Connection {
        &self.connection
    }

    /// What opening changed in the file, if it was of an earlier version.
    pub fn upgrade(&self) -> Option<&SchemaChange> {
        self.upgrade.as_ref()
    }

    /// The run that is being written, once there is one.
    pub fn run(&self) -> Option<RunId> {
        self.run
    }

    /// Things that wait to be written.
    pub fn waiting(&self) -> usize {
        self.pending.len()
    }

    /// Things that were given up because writing failed for so long that too much waited.
    pub fn lost(&self) -> u64 {
        self.pending.lost()
    }

    /// Begins a run: the station called `call` starts, and its engine's zero is at `began`.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn begin_run(&mut self, began: WallTime, call: &str) -> Result<RunId, StoreError> {
        self.flush()?; // What still waits belongs to the run before.
        let begun = retain::last_time(&self.connection)
            .and_then(|last| Ok((last, begin_run(&self.connection, began, call)?)));
        let (last, run) = begun.map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
        self.run = Some(run);
        self.latest = began;
        self.leapt = self.limits.leapt(last, began);
        self.flushed = Instant::ZERO;
        self.retain()?;
        Ok(run)
    }

    /// Takes in an event; `wall` is the wall time of it. Nothing is written yet. Without
    /// [`Store::begin_run`], a run without call sign begins with the first event.
    pub fn record(&mut self, wall: WallTime, event: &Event) {
        self.latest = wall;
        self.pending.add(wall, event);
    }

    /// Writes what waits if the last time was a second ago. Call it several times a second
    /// with the engine's time. True if something was written.
    ///
    /// # Errors
    /// The file cannot be written; what waits goes on waiting until a later call.
    pub fn tick(&mut self, now: Instant) -> Result<bool, StoreError> {
        if now.since(self.flushed) < FLUSH_EVERY {
            return Ok(false);
        }
        self.flushed = now;
        let anything = !self.pending.is_empty();
        self.flush()?;
        Ok(anything)
    }

    /// Writes and commits what waits.
    ///
    /// # Errors
    /// The file cannot be written; what waits goes on waiting.
    pub fn flush(&mut self) -> Result<(), StoreError> {
        if self.pending.is_empty() {
            return Ok(());
        }
        while let Some(first) = self.pending.first() {
            let written = self.commit(first);
            let run = written.map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
            self.run = Some(run);
            self.pending.remove_first(MOST_AT_ONCE);
            // Much may come in at once after a time without room: the ceiling holds also then.
            let over = retain::is_over(&self.connection, &self.limits);
            if over.map_err(|error| StoreError::from_sqlite(&self.path, &error))? {
                self.retain()?;
            }
        }
        self.flushes += 1;
        if self.flushes.is_multiple_of(FLUSHES_PER_RETAIN) {
            self.retain()?;
        }
        Ok(())
    }

    /// One transaction: the first things that wait, or nothing of them.
    fn commit(&mut self, first: WallTime) -> rusqlite::Result<RunId> {
        let transaction = self.connection.transaction()?;
        let run = match self.run {
            Some(run) => run,
            None => begin_run(&transaction, first, "")?,
        };
        for waiting in self.pending.in_order().take(MOST_AT_ONCE) {
            write::write(&transaction, run, waiting)?;
        }
        transaction.commit()?;
        Ok(run)
    }

    /// Removes what is too much or too old, in small pieces.
    fn retain(&mut self) -> Result<(), StoreError> {
        let cutoff = self.limits.cutoff(self.latest).filter(|_| !self.leapt);
        let texts = self.limits.texts_cutoff(self.latest);
        let texts = texts.filter(|_| !self.leapt);
        let mut piece = || {
            let transaction = self.connection.transaction()?;
            let mut removed = retain::retain(&transaction, &self.limits, cutoff)?;
            if let Some(texts) = texts {
                removed |= retain::delete_texts(&transaction, texts)?;
            }
            transaction.commit()?;
            Ok(removed)
        };
        for _ in 0..MOST_PIECES {
            let removed = piece().map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
            if !removed {
                break;
            }
        }
        Ok(())
    }

    /// Ends the run: writes what waits and notes that the station stopped by itself.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn end_run(&mut self, ended: WallTime) -> Result<(), StoreError> {
        self.flush()?;
        if let Some(run) = self.run.take() {
            let sql = "UPDATE runs SET ended_wall_ms = ?2 WHERE run = ?1";
            let done = self.connection.execute(sql, params![run.0, ended.0]);
            done.map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
        }
        Ok(())
    }

    /// Reads the whole file and checks that everything in it fits together. Takes about a
    /// second for some hundred megabytes.
    ///
    /// # Errors
    /// The file is damaged or cannot be read.
    pub fn check(&self) -> Result<(), StoreError> {
        let sql = "PRAGMA integrity_check(1)";
        let answer = self
            .connection
            .query_row(sql, [], |row| row.get::<_, String>(0));
        match answer {
            Ok(answer) if answer == "ok" => Ok(()),
            Ok(reason) => Err(StoreError::Damaged {
                path: self.path.clone(),
                reason,
            }),
            Err(error) => Err(StoreError::from_sqlite(&self.path, &error)),
        }
    }
}

fn begin_run(db: &Connection, began: WallTime, call: &str) -> rusqlite::Result<RunId> {
    let sql = "INSERT INTO runs (call, began_wall_ms) VALUES (?1, ?2)";
    db.execute(sql, params![call, began.0])?;
    Ok(RunId(db.last_insert_rowid()))
}
