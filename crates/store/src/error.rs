//! What can go wrong with the journal's file, in sentences that say what to do.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;

/// Why the journal could not be opened, written or read.
#[derive(Debug, Error)]
pub enum StoreError {
    /// The file is no SQLite database. It was not touched.
    #[error(
        "{} is no journal: it is not an SQLite database. It was left as it is; give another \
         file name", .0.display()
    )]
    NotADatabase(PathBuf),
    /// The file is an SQLite database of another program. It was not touched.
    #[error(
        "{} is a database of another program. It was left as it is; give another file name",
        .0.display()
    )]
    Foreign(PathBuf),
    /// The file was written by a later version of this program. It was not touched.
    #[error(
        "{} was written by a later version of Dunlin (schema {found}, this version knows up to \
         {known}). It was left as it is; go back with that version (`dunlin journal {} --schema \
         {known}`){}, or give another file name",
        path.display(), path.display(), beside(copy.as_deref())
    )]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Schema of the file.
        found: i64,
        /// Newest schema that is known here.
        known: i64,
        /// A copy of it in a schema that is known here, made before it was changed.
        copy: Option<PathBuf>,
    },
    /// The file was written by an earlier version and not yet brought to this one's schema.
    #[error(
        "{} was written by an earlier version of Dunlin (schema {found}; this needs {known}). It \
         was left as it is; bring it up with `dunlin journal {} --schema {known}`, or start the \
         station once",
        path.display(), path.display()
    )]
    TooOld {
        /// The file.
        path: PathBuf,
        /// Schema of the file.
        found: i64,
        /// The schema that is needed.
        known: i64,
    },
    /// A schema that this version cannot make.
    #[error("there is no schema {asked} of the journal; this version knows 1 to {known}")]
    NoSuchSchema {
        /// What was asked for.
        asked: i64,
        /// Newest schema that is known here.
        known: i64,
    },
    /// The schema cannot be changed while another program has the file open.
    #[error(
        "the journal {} is in use, most likely by a running station, and was left as it is; end \
         the station first, then try again", .0.display()
    )]
    Held(PathBuf),
    /// The file cannot be opened or made.
    #[error(
        "the journal {} cannot be opened ({reason}); check that its folder exists and may be \
         written", path.display()
    )]
    CannotOpen {
        /// The file.
        path: PathBuf,
        /// What the database says.
        reason: String,
    },
    /// Another program holds the file.
    #[error(
        "the journal {} is in use by another program, which does not let go of it; what is new \
         waits in memory and is tried again", .0.display()
    )]
    Locked(PathBuf),
    /// The log beside the file could not be emptied.
    #[error(
        "the texts are deleted, but their octets may still stand in the log beside the journal {}: \
         another program reads it without end. End that program (an export, a database browser), \
         then do this again", .0.display()
    )]
    LogHeld(PathBuf),
    /// There is no room left.
    #[error(
        "there is no room left for the journal {}; what is new waits in memory and is tried \
         again. Free some space", .0.display()
    )]
    Full(PathBuf),
    /// The file may be read but not written.
    #[error(
        "the journal {} may be read, but not written; check the rights of the file and of its \
         folder", .0.display()
    )]
    ReadOnly(PathBuf),
    /// What stands in the file cannot be right.
    #[error(
        "the journal {} is damaged ({reason}); move it aside, and the station begins a new one",
        path.display()
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong in it.
        reason: String,
    },
    /// Anything else that the database says.
    #[error("the journal {} could not be used: {reason}", path.display())]
    Other {
        /// The file.
        path: PathBuf,
        /// What the database says.
        reason: String,
    },
}

/// Where the copy is, as a part of a sentence.
fn beside(copy: Option<&Path>) -> String {
    match copy {
        Some(copy) => format!(
            ", or take the copy from before the change, {}",
            copy.display()
        ),
        None => String::new(),
    }
}

impl StoreError {
    /// What an error of the database means for the file at `path`.
    pub(crate) fn from_sqlite(path: &Path, error: &rusqlite::Error) -> StoreError {
        let path = path.to_owned();
        let reason = error.to_string();
        match error {
            rusqlite::Error::SqliteFailure(failure, _) => match failure.code {
                ErrorCode::NotADatabase => StoreError::NotADatabase(path),
                ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => StoreError::Locked(path),
                ErrorCode::DiskFull => StoreError::Full(path),
                ErrorCode::ReadOnly => StoreError::ReadOnly(path),
                ErrorCode::CannotOpen | ErrorCode::PermissionDenied => {
                    StoreError::CannotOpen { path, reason }
                }
                ErrorCode::DatabaseCorrupt => StoreError::Damaged { path, reason },
                _ => StoreError::Other { path, reason },
            },
            rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::Utf8Error(..) => StoreError::Damaged { path, reason },
            _ => StoreError::Other { path, reason },
        }
    }
}
