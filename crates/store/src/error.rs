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
         {known}). It was left as it is; take that version, or give another file name",
        path.display()
    )]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Schema of the file.
        found: i64,
        /// Newest schema that is known here.
        known: i64,
    },
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
