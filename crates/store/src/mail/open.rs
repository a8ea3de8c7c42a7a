//! Opening the mail: looked at first without touching it, then made ready.

use std::path::{Path, PathBuf};

use dunlin_mail::post::Much;
use rusqlite::{Connection, OpenFlags};

use super::schema::{APPLICATION_ID, NEWEST, migrations};
use super::{MailError, MailStore};

/// How long to wait for another program that holds the file, in milliseconds.
const PATIENCE_MS: u64 = 250;
/// Octets of the smallest database that has anything in it: one page of the least size (SQLite, "Database File
/// Format", section 1.3.2). SQLite takes a shorter file for an empty one and would write over it.
const SMALLEST_DATABASE: u64 = 512;

/// As long as nobody says how much.
const NO_LIMIT: Much = Much {
    messages: u64::MAX,
    octets: u64::MAX,
};

impl MailStore {
    /// Opens the mail at `path`, or makes a new file. One program at a time may write to it.
    ///
    /// # Errors
    /// The file cannot be opened, holds no mail of this program, or is of a later version. In the last two cases it
    /// is left as it was.
    pub fn open(path: &Path) -> Result<MailStore, MailError> {
        if path.is_dir() {
            let reason = "it is a folder".to_owned();
            let path = path.to_owned();
            return Err(MailError::CannotOpen { path, reason });
        }
        match std::fs::metadata(path).map(|file| file.len()) {
            Ok(1..SMALLEST_DATABASE) => return Err(MailError::Foreign(path.to_owned())),
            Ok(_) => {
                let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
                let looked = Connection::open_with_flags(path, flags);
                let looked = looked.map_err(|error| MailError::from_sqlite(path, &error))?;
                check_kind(path, &looked)?;
            }
            Err(_) => {} // No such file, most likely; if it is something else, opening says so.
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        let connection = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX);
        let connection = connection.map_err(|error| MailError::from_sqlite(path, &error))?;
        check_kind(path, &connection)?;
        MailStore::ready(path.to_owned(), connection)
    }

    /// Mail that is gone with the program, as for a rehearsal.
    ///
    /// # Errors
    /// No memory is left.
    pub fn in_memory() -> Result<MailStore, MailError> {
        let path = PathBuf::from("(in memory)");
        let connection = Connection::open_in_memory();
        let connection = connection.map_err(|error| MailError::from_sqlite(&path, &error))?;
        MailStore::ready(path, connection)
    }

    fn ready(path: PathBuf, mut connection: Connection) -> Result<MailStore, MailError> {
        prepare(&connection).map_err(|error| MailError::from_sqlite(&path, &error))?;
        match migrations().to_latest(&mut connection) {
            Ok(()) => Ok(MailStore {
                path,
                connection,
                most: NO_LIMIT,
                wrong_since: None,
            }),
            Err(rusqlite_migration::Error::RusqliteError { err, .. }) => {
                Err(MailError::from_sqlite(&path, &err))
            }
            Err(error) => {
                let reason = error.to_string();
                Err(MailError::Other { path, reason })
            }
        }
    }
}

fn prepare(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(std::time::Duration::from_millis(PATIENCE_MS))?;
    // A partner deletes its copy, or stops offering, because of what is said here; so each commit waits for the
    // disk (SQLite, "PRAGMA synchronous").
    connection.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "foreign_keys", true)?;
    // What is deleted is overwritten.
    connection.pragma_update_and_check(None, "secure_delete", true, |_| Ok(()))?;
    connection.pragma_update_and_check(None, "journal_size_limit", 4 << 20, |_| Ok(()))?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(())
}

/// An empty database or mail of this version or an earlier one, or an error.
fn check_kind(path: &Path, connection: &Connection) -> Result<(), MailError> {
    let number = |sql: &str| -> Result<i64, MailError> {
        let value = connection.query_row(sql, [], |row| row.get(0));
        value.map_err(|error| MailError::from_sqlite(path, &error))
    };
    let tables = number("SELECT count(*) FROM sqlite_master")?;
    let owner = number("PRAGMA application_id")?;
    let found = number("PRAGMA user_version")?;
    let is_empty = tables == 0 && owner == 0 && found == 0;
    if owner != APPLICATION_ID && !is_empty {
        return Err(MailError::Foreign(path.to_owned()));
    }
    match found > NEWEST {
        true => Err(MailError::TooNew {
            path: path.to_owned(),
            found,
            known: NEWEST,
        }),
        false => Ok(()),
    }
}
