//! Texts that are deleted because they hold a name. Who sent what kind of frame to whom, when, and
//! how it was heard, stays.
//!
//! What was deleted is gone from the file and not merely out of sight: the database overwrites what
//! it frees (SQLite, "PRAGMA secure_delete"), and the log beside the file is emptied.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::Duration;

use dunlin_clock::WallTime;
use rusqlite::{Connection, OpenFlags, Row, params};

use crate::migrate::copies;
use crate::open::{check_kind, overwrite_what_is_freed};
use crate::schema::OUTWARD_SCHEMA;
use crate::{Name, StoreError, cut};

use tails::Tails;

mod tails;

/// Rows that are looked at in one go.
const PAGE: i64 = 500;
/// Rows changed in one transaction; a station that writes waits for it.
const MOST_AT_ONCE: usize = 100;
/// How long to wait for a station that writes.
const PATIENCE: Duration = Duration::from_secs(10);
/// What stands in place of a sentence that was deleted.
const DELETED: &str = "(deleted)";

/// How many texts hold a name, or held it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Forgotten {
    /// Frames.
    pub frames: u64,
    /// Lines of talks.
    pub lines: u64,
    /// Latest words of stations heard.
    pub said: u64,
    /// Sentences: of the timeline, why something could not be read, how talks and crossings stand.
    pub sentences: u64,
    /// Kept plans of the station.
    pub plans: u64,
}

impl Forgotten {
    /// All together.
    pub fn total(&self) -> u64 {
        self.frames + self.lines + self.said + self.sentences + self.plans
    }
}

/// A journal from which texts are deleted; a station may be writing to it.
#[derive(Debug)]
pub struct Eraser {
    path: PathBuf,
    connection: Connection,
}

/// A row that holds the name.
enum Hit {
    Frame(i64, Vec<u8>),
    Why(i64),
    Line(i64),
    Said(i64, i64, String),
    /// Of this table, whose text stands in this column.
    Sentence(&'static str, &'static str, i64),
    Plan(i64, String),
}

/// Sentences: table and column.
const SENTENCES: [(&str, &str); 5] = [
    ("notes", "text"),
    ("talks", "words"),
    ("crossings", "words"),
    ("crossings", "near_words"),
    ("crossings", "far_words"),
];

impl Eraser {
    /// Opens the journal at `path`.
    ///
    /// # Errors
    /// The file cannot be written, is no journal, or one of another schema than the newest.
    pub fn open(path: &Path) -> Result<Eraser, StoreError> {
        let fault = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags).map_err(fault)?;
        let found = check_kind(path, &connection)?;
        if found < OUTWARD_SCHEMA {
            return Err(StoreError::TooOld {
                path: path.to_owned(),
                found,
                known: OUTWARD_SCHEMA,
            });
        }
        connection.busy_timeout(PATIENCE).map_err(fault)?;
        overwrite_what_is_freed(&connection).map_err(fault)?;
        Ok(Eraser {
            path: path.to_owned(),
            connection,
        })
    }

    /// Counts the texts that hold a name.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn count(&mut self, name: &Name) -> Result<Forgotten, StoreError> {
        self.each(name, false)
    }

    /// Deletes every text that holds a name, in small steps, leaves a note that this was done
    /// (without the name), and empties the log of the file. What a running station writes later is
    /// not looked at.
    ///
    /// # Errors
    /// The file cannot be written; what was deleted until then is deleted.
    pub fn forget(&mut self, name: &Name, now: WallTime) -> Result<Forgotten, StoreError> {
        let forgotten = self.each(name, true)?;
        if forgotten.total() > 0 {
            let noted = self.note(forgotten.total(), now);
            noted.map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
        }
        self.empty_log()?;
        Ok(forgotten)
    }

    /// Writes the whole file anew, so that nothing is left of what was deleted before the database
    /// overwrote what it frees. A station that writes waits meanwhile, with what is new in memory.
    ///
    /// # Errors
    /// There is no room for a second copy, or a station does not let go of the file.
    pub fn compact(&self) -> Result<(), StoreError> {
        let done = self.connection.execute_batch("VACUUM");
        done.map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
        self.empty_log()
    }

    /// Files in which the letters of the name still stand, also within other words: the journal,
    /// its log, and copies made before a change of the schema.
    ///
    /// # Errors
    /// One of them cannot be read.
    pub fn remnants(&self, name: &Name) -> Result<Vec<PathBuf>, StoreError> {
        let mut log = self.path.clone().into_os_string();
        log.push("-wal");
        let mut files = vec![self.path.clone(), log.into()];
        files.extend(copies(&self.path));
        let mut found = Vec::new();
        for file in files.into_iter().filter(|file| file.is_file()) {
            let holds = holds(&file, name).map_err(|error| StoreError::Other {
                path: file.clone(),
                reason: error.to_string(),
            })?;
            if holds {
                found.push(file);
            }
        }
        Ok(found)
    }

    fn each(&mut self, name: &Name, delete: bool) -> Result<Forgotten, StoreError> {
        let mut all = Forgotten::default();
        let mut work = || -> rusqlite::Result<()> {
            self.frames(name, delete, &mut all)?;
            let lines =
                "SELECT row, text, octets FROM talk_lines WHERE row > ?1 ORDER BY row LIMIT ?2";
            self.rows(lines, delete, &mut all, |key, row| {
                let octets: Vec<u8> = row.get(2)?;
                let holds = name.is_in(&row.get::<_, String>(1)?) || name.is_in_octets(&octets);
                Ok(holds.then_some(Hit::Line(key)))
            })?;
            for (table, column) in SENTENCES {
                let sql = format!(
                    "SELECT row, {column} FROM {table} WHERE row > ?1 ORDER BY row LIMIT ?2"
                );
                self.rows(&sql, delete, &mut all, |key, row| {
                    let holds = name.is_in(&row.get::<_, String>(1)?);
                    Ok(holds.then_some(Hit::Sentence(table, column, key)))
                })?;
            }
            let plans = "SELECT row, text FROM plans WHERE row > ?1 ORDER BY row LIMIT ?2";
            self.rows(plans, delete, &mut all, |key, row| {
                let text: String = row.get(1)?;
                let rest = || {
                    text.lines().map(|line| {
                        if name.is_in(line) {
                            "# (deleted)"
                        } else {
                            line
                        }
                    })
                };
                let rest = || rest().flat_map(|line| [line, "\n"]).collect::<String>();
                Ok(name.is_in(&text).then(|| Hit::Plan(key, rest())))
            })?;
            self.said(name, delete, &mut all)
        };
        work().map_err(|error| StoreError::from_sqlite(&self.path, &error))?;
        Ok(all)
    }

    /// Looks at all rows that a question gives, whose first column is the growing number of the row.
    fn rows(
        &self,
        sql: &str,
        delete: bool,
        all: &mut Forgotten,
        mut look: impl FnMut(i64, &Row<'_>) -> rusqlite::Result<Option<Hit>>,
    ) -> rusqlite::Result<()> {
        let mut behind = i64::MIN;
        loop {
            let mut hits = Vec::new();
            let mut count = 0;
            {
                let mut statement = self.connection.prepare_cached(sql)?;
                let mut rows = statement.query(params![behind, PAGE])?;
                while let Some(row) = rows.next()? {
                    count += 1;
                    behind = row.get(0)?;
                    hits.extend(look(behind, row)?);
                }
            }
            self.take(hits, delete, all)?;
            if count < PAGE {
                return Ok(());
            }
        }
    }

    fn frames(&self, name: &Name, delete: bool, all: &mut Forgotten) -> rusqlite::Result<()> {
        let sql = "SELECT frame, text, octets, why, run, port, sender, addressee FROM frames
            WHERE frame > ?1 ORDER BY frame LIMIT ?2";
        let mut tails = Tails::new(name);
        // A name may begin in one frame and end in the next: then the one before is a hit too.
        let mut before: Vec<Hit> = Vec::new();
        self.rows(sql, delete, all, |key, row| {
            let octets: Vec<u8> = row.get(2)?;
            let why: Option<String> = row.get(3)?;
            let talk = (row.get(4)?, row.get(5)?, row.get(6)?, row.get(7)?);
            let whole = octets.clone();
            let info = &whole[cut::without_text(&whole).min(whole.len())..];
            let split = tails.follows(talk, key, &octets, info);
            if let Some((key, octets)) = split.clone() {
                before.push(Hit::Frame(key, octets));
            }
            // The text of a frame begins with its addresses, which are no part of what it says.
            let said = row.get::<_, String>(1)?;
            let said = said.split_once(" : ").map_or("", |(_, said)| said);
            let holds = split.is_some() || name.is_in_octets(info) || name.is_in(said);
            Ok(match why.is_some_and(|why| name.is_in(&why)) {
                _ if holds => Some(Hit::Frame(key, octets)),
                true => Some(Hit::Why(key)),
                false => None,
            })
        })?;
        self.take(before, delete, all)
    }

    fn said(&self, name: &Name, delete: bool, all: &mut Forgotten) -> rusqlite::Result<()> {
        let sql = "SELECT run, port, call, said FROM stations_heard WHERE (run, port, call) > (?1, ?2, ?3)
            ORDER BY run, port, call LIMIT ?4";
        let mut behind = (i64::MIN, i64::MIN, String::new());
        loop {
            let mut hits = Vec::new();
            let mut count = 0;
            {
                let mut statement = self.connection.prepare_cached(sql)?;
                let mut rows = statement.query(params![behind.0, behind.1, behind.2, PAGE])?;
                while let Some(row) = rows.next()? {
                    count += 1;
                    behind = (row.get(0)?, row.get(1)?, row.get(2)?);
                    if name.is_in(&row.get::<_, String>(3)?) {
                        hits.push(Hit::Said(behind.0, behind.1, behind.2.clone()));
                    }
                }
            }
            self.take(hits, delete, all)?;
            if count < PAGE {
                return Ok(());
            }
        }
    }

    /// Counts hits and, if so wanted, deletes them.
    fn take(&self, hits: Vec<Hit>, delete: bool, all: &mut Forgotten) -> rusqlite::Result<()> {
        for some in hits.chunks(MOST_AT_ONCE) {
            let transaction = delete
                .then(|| self.connection.unchecked_transaction())
                .transpose()?;
            for hit in some {
                *match hit {
                    Hit::Frame(..) => &mut all.frames,
                    Hit::Line(_) => &mut all.lines,
                    Hit::Said(..) => &mut all.said,
                    Hit::Why(_) | Hit::Sentence(..) => &mut all.sentences,
                    Hit::Plan(..) => &mut all.plans,
                } += 1;
                if delete {
                    erase(&self.connection, hit)?;
                }
            }
            transaction.map_or(Ok(()), rusqlite::Transaction::commit)?;
        }
        Ok(())
    }

    fn note(&self, total: u64, now: WallTime) -> rusqlite::Result<()> {
        let texts = match total {
            1 => "1 text was deleted from the journal".to_owned(),
            n => format!("{n} texts were deleted from the journal"),
        };
        let sql = "INSERT INTO notes (run, wall_ms, at_ms, port, urgency, text)
            SELECT run, ?1, max(?1 - began_wall_ms, 0), NULL, 'attention', ?2 FROM runs
            ORDER BY run DESC LIMIT 1";
        let text = format!("{texts} because a name in them is to be forgotten");
        self.connection.execute(sql, params![now.0, text])?;
        Ok(())
    }

    /// Puts what stands in the log beside the file into the file, and makes the log empty. It waits
    /// for who reads or writes as long as this connection waits for anybody (SQLite, "PRAGMA
    /// wal_checkpoint").
    fn empty_log(&self) -> Result<(), StoreError> {
        let sql = "PRAGMA wal_checkpoint(TRUNCATE)";
        let held = self
            .connection
            .query_row(sql, [], |row| row.get::<_, bool>(0));
        match held.map_err(|error| StoreError::from_sqlite(&self.path, &error))? {
            false => Ok(()),
            true => Err(StoreError::LogHeld(self.path.clone())),
        }
    }
}

fn erase(db: &Connection, hit: &Hit) -> rusqlite::Result<()> {
    match hit {
        Hit::Frame(key, octets) => {
            cut::frame(db, *key, octets)?;
            let sql = "UPDATE frames SET text = '', why = iif(why IS NULL, NULL, ?2)
                WHERE frame = ?1";
            db.prepare_cached(sql)?.execute(params![key, DELETED])?;
        }
        Hit::Why(key) => {
            let sql = "UPDATE frames SET why = ?2 WHERE frame = ?1";
            db.prepare_cached(sql)?.execute(params![key, DELETED])?;
        }
        Hit::Line(key) => cut::line(db, *key)?,
        Hit::Said(run, port, call) => cut::said(db, *run, *port, call)?,
        Hit::Sentence(table, column, key) => {
            let sql = format!("UPDATE {table} SET {column} = ?2 WHERE row = ?1");
            db.prepare_cached(&sql)?.execute(params![key, DELETED])?;
        }
        Hit::Plan(key, text) => {
            let sql = "UPDATE plans SET text = ?2 WHERE row = ?1";
            db.prepare_cached(sql)?.execute(params![key, text])?;
        }
    }
    Ok(())
}

/// Whether the letters of a name stand in a file, which is read in pieces that overlap.
pub(crate) fn holds(file: &Path, name: &Name) -> std::io::Result<bool> {
    const PIECE: usize = 1 << 20;
    let mut file = File::open(file)?;
    let overlap = name.octets() - 1;
    let mut octets = Vec::new();
    loop {
        let kept = octets.len().min(overlap);
        octets.drain(..octets.len() - kept);
        let read = (&mut file).take(PIECE as u64).read_to_end(&mut octets)?;
        if name.letters_are_in(&octets) {
            return Ok(true);
        }
        if read == 0 {
            return Ok(false);
        }
    }
}
