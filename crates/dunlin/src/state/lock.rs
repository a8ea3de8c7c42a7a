//! One station at a time on one plan.

use std::fs::{File, TryLockError};
use std::io::{Read, Seek, Write};
use std::path::Path;

use anyhow::{Context, Result, bail};

use super::StateDir;

/// Held while the station runs; the kernel lets go of it when the program ends, however it
/// ends.
#[derive(Debug)]
pub struct Lock(#[allow(dead_code)] File); // Held, never read.

impl Lock {
    /// Takes the lock of a state directory.
    ///
    /// # Errors
    /// Another station holds it; the sentence names its process.
    pub fn take(state: &StateDir) -> Result<Lock> {
        let path = state.path().join("lock");
        let mut file = File::options()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .with_context(|| format!("{} cannot be opened", path.display()))?;
        match file.try_lock() {
            Ok(()) => {
                file.set_len(0)?;
                file.rewind()?;
                write!(file, "{}", std::process::id())?;
                Ok(Lock(file))
            }
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let _ = file.read_to_string(&mut holder); // Only to name it.
                let holder = match holder.trim() {
                    "" => String::new(),
                    pid => format!(" (process {pid})"),
                };
                bail!(
                    "a station already runs on this plan{holder}: two of them would key the same \
                     radios. Ask it with `dunlin why`, or end it first"
                )
            }
            Err(TryLockError::Error(error)) => {
                Err(error).with_context(|| format!("{} cannot be locked", path.display()))
            }
        }
    }

    /// Locks the plan itself, so that a second station cannot run on it with its state
    /// elsewhere.
    ///
    /// # Errors
    /// Another station runs on this plan.
    pub fn take_plan(plan: &Path) -> Result<Lock> {
        let name = plan.display();
        let file = File::open(plan).with_context(|| format!("{name} cannot be opened"))?;
        match file.try_lock() {
            Ok(()) => Ok(Lock(file)),
            Err(TryLockError::WouldBlock) => bail!(
                "a station already runs on this plan, {name}: two of them would key the same \
                 radios. Ask it with `dunlin why`, or end it first"
            ),
            Err(TryLockError::Error(error)) => {
                Err(error).with_context(|| format!("{name} cannot be locked"))
            }
        }
    }

    /// Whether a running station holds the lock of this directory.
    pub fn is_held(state: &StateDir) -> bool {
        let path = state.path().join("lock");
        File::open(path).is_ok_and(|file| matches!(file.try_lock(), Err(TryLockError::WouldBlock)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_station_is_refused_and_told_who_is_first() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        assert!(!Lock::is_held(&state));
        let first = Lock::take(&state).expect("free");
        assert!(Lock::is_held(&state));
        let error = Lock::take(&state).expect_err("taken").to_string();
        assert!(error.contains(&std::process::id().to_string()), "{error}");
        drop(first);
        assert!(!Lock::is_held(&state));
        Lock::take(&state).expect("free again");
    }
}
