//! Opening the file: looked at first without touching it, then made ready.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags};

use crate::migrate::{SchemaChange, known_copy};
use crate::schema::{APPLICATION_ID, NEWEST, migrations};
use crate::{Limits, Store, StoreError};

/// How long to wait for another program that holds the file, in milliseconds. It is short
/// because the caller has a station to run; what could not be written is tried again.
const PATIENCE_MS: u64 = 250;

/// Octets of the smallest database that has anything in it: one page of the least size
/// (SQLite, "Database File Format", section 1.3.2).
const SMALLEST_DATABASE: u64 = 512;

impl Store {
    /// Opens the journal at `path`, or makes a new one. One program at a time may write to
    /// it; others may read.
    ///
    /// # Errors
    /// The file cannot be opened, is no journal of this program, or of a later version. In
    /// the last two cases it is left as it was. A file of an earlier version is brought to the
    /// newest schema; see [`Store::upgrade`].
    pub fn open(path: &Path, limits: Limits) -> Result<Store, StoreError> {
        no_folder(path)?;
        match std::fs::metadata(path).map(|file| file.len()) {
            // SQLite takes a file shorter than its header for an empty database, and would
            // write over somebody's short letter.
            Ok(1..SMALLEST_DATABASE) => return Err(StoreError::NotADatabase(path.to_owned())),
            Ok(_) => drop(look_at(path)?),
            Err(_) => {} // No such file, most likely; if it is something else, opening says so.
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        let flags = flags | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags);
        let connection = connection.map_err(|error| StoreError::from_sqlite(path, &error))?;
        Store::ready(path.to_owned(), connection, limits)
    }

    /// A journal that is gone with the program, as for a rehearsal.
    ///
    /// # Errors
    /// No memory is left.
    pub fn in_memory(limits: Limits) -> Result<Store, StoreError> {
        let path = PathBuf::from("(in memory)");
        let connection = Connection::open_in_memory();
        let connection = connection.map_err(|error| StoreError::from_sqlite(&path, &error))?;
        Store::ready(path, connection, limits)
    }

    fn ready(
        path: PathBuf,
        mut connection: Connection,
        limits: Limits,
    ) -> Result<Store, StoreError> {
        let prepare = |connection: &Connection| -> rusqlite::Result<()> {
            connection.busy_timeout(std::time::Duration::from_millis(PATIENCE_MS))?;
            // With a log beside the file, what was committed outlives a killed program, and
            // readers do not hinder the writer. NORMAL leaves out waiting for the disk at each
            // commit: a power cut may cost the latest commits, never the file (SQLite,
            // "Write-Ahead Logging" and "PRAGMA synchronous").
            connection.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
            connection.pragma_update(None, "synchronous", "NORMAL")?;
            connection.pragma_update(None, "foreign_keys", true)?;
            overwrite_what_is_freed(connection)?;
            // After a burst the log shrinks again to 4 MiB.
            connection.pragma_update_and_check(None, "journal_size_limit", 4 << 20, |_| Ok(()))?;
            connection.set_prepared_statement_cache_capacity(32);
            Ok(())
        };
        // Again, now that the file is open for writing: it may be another one by now.
        let found = check_kind(&path, &connection)?;
        prepare(&connection).map_err(|error| StoreError::from_sqlite(&path, &error))?;
        let upgrade = (1..NEWEST)
            .contains(&found)
            .then(|| SchemaChange::prepare(&path, &connection, found, NEWEST));
        let upgrade = upgrade.transpose()?;
        migrated(&path, migrations().to_latest(&mut connection))?;
        let mut store = Store::new(path, connection, limits);
        store.upgrade = upgrade;
        Ok(store)
    }
}

/// What is deleted shall be gone from the file: no trace of a text in a page that is free.
pub(crate) fn overwrite_what_is_freed(connection: &Connection) -> rusqlite::Result<()> {
    connection.pragma_update_and_check(None, "secure_delete", true, |_| Ok(()))
}

/// What the library says of a change of the schema.
pub(crate) fn migrated(
    path: &Path,
    done: Result<(), rusqlite_migration::Error>,
) -> Result<(), StoreError> {
    match done {
        Ok(()) => Ok(()),
        Err(rusqlite_migration::Error::RusqliteError { err, .. }) => {
            Err(StoreError::from_sqlite(path, &err))
        }
        Err(error) => Err(StoreError::Other {
            path: path.to_owned(),
            reason: error.to_string(),
        }),
    }
}

/// The database would say something less clear of a folder.
fn no_folder(path: &Path) -> Result<(), StoreError> {
    match path.is_dir() {
        false => Ok(()),
        true => Err(StoreError::CannotOpen {
            path: path.to_owned(),
            reason: "it is a folder".into(),
        }),
    }
}

/// Looks at an existing file without the means to change it.
pub(crate) fn look_at(path: &Path) -> Result<(Connection, i64), StoreError> {
    no_folder(path)?;
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags);
    let connection = connection.map_err(|error| StoreError::from_sqlite(path, &error))?;
    let found = check_kind(path, &connection)?;
    Ok((connection, found))
}

/// An empty database or a journal of this version or an earlier one, or an error. Gives
/// its schema; 0 is an empty one.
pub(crate) fn check_kind(path: &Path, connection: &Connection) -> Result<i64, StoreError> {
    let number = |sql: &str| -> Result<i64, StoreError> {
        let value = connection.query_row(sql, [], |row| row.get(0));
        value.map_err(|error| StoreError::from_sqlite(path, &error))
    };
    let tables = number("SELECT count(*) FROM sqlite_master")?;
    let owner = number("PRAGMA application_id")?;
    let found = number("PRAGMA user_version")?;
    let is_empty = tables == 0 && owner == 0 && found == 0;
    if owner != APPLICATION_ID && !is_empty {
        return Err(StoreError::Foreign(path.to_owned()));
    }
    if found > NEWEST {
        return Err(StoreError::TooNew {
            path: path.to_owned(),
            found,
            known: NEWEST,
            copy: known_copy(path),
        });
    }
    Ok(found)
}
