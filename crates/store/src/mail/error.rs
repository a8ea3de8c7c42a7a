//! What can go wrong with the mail file.

use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;
use thiserror::Error;

/// Why the mail cannot be opened or used. Each says what to do.
#[derive(Debug, Error)]
pub enum MailError {
    /// The file is no mail of this program. It was not touched.
    #[error(
        "{} does not hold mail of this program. It was left as it is; give another file name",
        .0.display()
    )]
    Foreign(PathBuf),
    /// The file was written by a later version of this program. It was not touched.
    #[error(
        "{} was written by a later version of Dunlin (schema {found}, this version knows up to {known}). It was \
         left as it is; use that version, or give another file name", path.display()
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
        "the mail {} cannot be opened ({reason}); check that its folder exists and may be written",
        path.display()
    )]
    CannotOpen {
        /// The file.
        path: PathBuf,
        /// What the database says.
        reason: String,
    },
    /// Another program holds the file.
    #[error("the mail {} is in use by another program, which does not let go of it", .0.display())]
    Locked(PathBuf),
    /// A station has the file open, which is to be written anew.
    #[error(
        "the mail {} cannot be written anew while a station has it open; stop the station first", .0.display()
    )]
    InUse(PathBuf),
    /// There is no room left.
    #[error("there is no room left for the mail {}. Free some space", .0.display())]
    Full(PathBuf),
    /// The file may be read but not written.
    #[error(
        "the mail {} may be read, but not written; check the rights of the file and of its folder",
        .0.display()
    )]
    ReadOnly(PathBuf),
    /// What stands in the file cannot be right.
    #[error("the mail {} is damaged ({reason}); restore a copy of it", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong in it.
        reason: String,
    },
    /// Anything else that the database says.
    #[error("the mail {} could not be used: {reason}", path.display())]
    Other {
        /// The file.
        path: PathBuf,
        /// What the database says.
        reason: String,
    },
}

impl MailError {
    /// What an error of the database means for the file at `path`.
    pub(super) fn from_sqlite(path: &Path, error: &rusqlite::Error) -> MailError {
        let path = path.to_owned();
        let reason = error.to_string();
        match error {
            rusqlite::Error::SqliteFailure(failure, _) => match failure.code {
                ErrorCode::NotADatabase => MailError::Foreign(path),
                ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked => MailError::Locked(path),
                ErrorCode::DiskFull => MailError::Full(path),
                ErrorCode::ReadOnly => MailError::ReadOnly(path),
                ErrorCode::CannotOpen | ErrorCode::PermissionDenied => {
                    MailError::CannotOpen { path, reason }
                }
                ErrorCode::DatabaseCorrupt => MailError::Damaged { path, reason },
                _ => MailError::Other { path, reason },
            },
            rusqlite::Error::FromSqlConversionFailure(..)
            | rusqlite::Error::IntegralValueOutOfRange(..)
            | rusqlite::Error::InvalidColumnType(..)
            | rusqlite::Error::Utf8Error(..) => MailError::Damaged { path, reason },
            _ => MailError::Other { path, reason },
        }
    }
}
