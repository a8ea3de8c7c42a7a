//! From one schema to another, with a copy of the file made first.

use std::ffi::OsString;
use std::fmt;
use std::fs;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use crate::open::{check_kind, look_at, migrated};
use crate::schema::{NEWEST, migrations};
use crate::{Store, StoreError};

/// A change of the schema of a file that was there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SchemaChange {
    /// Schema before.
    pub from: i64,
    /// Schema now.
    pub to: i64,
    /// The copy of the file from before, or why there is none.
    pub copy: Result<PathBuf, String>,
    /// Kept plans that are not in the file any more.
    pub plans_lost: u64,
}

impl fmt::Display for SchemaChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "The journal was brought from schema {} to {}. ",
            self.from, self.to
        )?;
        if self.plans_lost > 0 {
            write!(
                f,
                "Schema {} has no place for the kept plans ({}). ",
                self.to, self.plans_lost
            )?;
        }
        match &self.copy {
            Ok(copy) => write!(f, "A copy from before is {}.", copy.display()),
            Err(reason) => write!(f, "There is no copy from before ({reason})."),
        }
    }
}

impl SchemaChange {
    /// Makes the copy, if it can be made, and counts what will be lost.
    pub(crate) fn prepare(
        path: &Path,
        connection: &Connection,
        from: i64,
        to: i64,
    ) -> Result<SchemaChange, StoreError> {
        let plans = || connection.query_row("SELECT count(*) FROM plans", [], |row| row.get(0));
        let plans_lost: i64 = match from > 1 && to < 2 {
            true => plans().map_err(|error| StoreError::from_sqlite(path, &error))?,
            false => 0,
        };
        Ok(SchemaChange {
            from,
            to,
            copy: copy(path, connection, from),
            plans_lost: plans_lost.unsigned_abs(),
        })
    }
}

impl Store {
    /// The schema of a journal that will be brought up when it is opened, and that to which: with much in it that takes a
    /// while. `None` if there is nothing to do, or no journal.
    pub fn upgrade_due(path: &Path) -> Option<(i64, i64)> {
        let (_, found) = look_at(path).ok()?;
        (1..NEWEST).contains(&found).then_some((found, NEWEST))
    }

    /// Brings the journal at `path` to another schema, up or back, with a copy of it made
    /// beside it first if there is room. `None` if it has that schema already.
    ///
    /// # Errors
    /// The file is no journal of a known schema, there is no such schema, or another program
    /// has the file open; then it is left as it was.
    pub fn change_schema(path: &Path, to: i64) -> Result<Option<SchemaChange>, StoreError> {
        if !(1..=NEWEST).contains(&to) {
            return Err(StoreError::NoSuchSchema {
                asked: to,
                known: NEWEST,
            });
        }
        drop(look_at(path)?);
        let fault = |error: rusqlite::Error| StoreError::from_sqlite(path, &error);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut connection = Connection::open_with_flags(path, flags).map_err(fault)?;
        let found = check_kind(path, &connection)?;
        if found == to {
            return Ok(None);
        }
        alone(path, &connection)?;
        let version = usize::try_from(to).unwrap_or(0); // It is positive.
        let change = SchemaChange::prepare(path, &connection, found, to)?;
        migrated(path, migrations().to_version(&mut connection, version))?;
        Ok(Some(change))
    }
}

/// Makes sure that no other program has the file open: the log beside it can be put away only
/// by the last one (SQLite, "Write-Ahead Logging", on leaving this mode).
fn alone(path: &Path, connection: &Connection) -> Result<(), StoreError> {
    let mode = connection.pragma_update_and_check(None, "journal_mode", "DELETE", |row| {
        row.get::<_, String>(0)
    });
    match mode.map_err(|error| StoreError::from_sqlite(path, &error)) {
        Ok(mode) if mode == "delete" => Ok(()),
        Ok(_) | Err(StoreError::Locked(_)) => Err(StoreError::Held(path.to_owned())),
        Err(error) => Err(error),
    }
}

/// The name of the copy of a file of this schema.
fn copy_name(path: &Path, schema: i64, ending: &str) -> PathBuf {
    let mut name = OsString::from(path);
    name.push(format!(".schema{schema}{ending}"));
    name.into()
}

/// The newest copy beside the file whose schema is known here.
pub(crate) fn known_copy(path: &Path) -> Option<PathBuf> {
    let mut names = (1..=NEWEST).rev().map(|schema| copy_name(path, schema, ""));
    names.find(|name| name.is_file())
}

/// The copies beside the file, of whatever schema.
pub(crate) fn copies(path: &Path) -> Vec<PathBuf> {
    let names = (1..=NEWEST).map(|schema| copy_name(path, schema, ""));
    names.filter(|name| name.is_file()).collect()
}

/// Copies the whole file, in one moment of it, in place of an earlier copy of this schema.
fn copy(path: &Path, connection: &Connection, schema: i64) -> Result<PathBuf, String> {
    let unfinished = copy_name(path, schema, ".unfinished");
    let name = copy_name(path, schema, "");
    let _ = fs::remove_file(&unfinished); // Of an earlier try; most likely there is none.
    let place = unfinished
        .to_str()
        .ok_or("its name is not readable as text")?;
    let copied = connection.execute("VACUUM INTO ?1", [place]);
    let done = copied
        .map_err(|error| error.to_string())
        .and_then(|_| fs::rename(&unfinished, &name).map_err(|error| error.to_string()));
    match done {
        Ok(()) => Ok(name),
        Err(reason) => {
            // Half a copy is worth nothing, and the room is needed.
            let _ = fs::remove_file(&unfinished);
            Err(reason)
        }
    }
}
