//! What the station must remember from one start to the next, beside its plan: who has
//! stopped it, how it ended, which devices it uses. And the lock that keeps a second station
//! off the same plan.
//!
//! Each thing is one small JSON file in the state directory, written whole: first under
//! another name, then put on the disk, then renamed. A power cut leaves the old file or the
//! new one.

mod identities;
mod lock;
mod running;
mod starts;
mod stops;

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};
use serde::Serialize;
use serde::de::DeserializeOwned;

pub use identities::{read_identities, write_identities};
pub use lock::Lock;
pub use running::{Registered, find_of_plan, find_running};
pub use starts::{Brake, PROVED_AFTER, Starts};
pub use stops::{KeptStop, read_stops, write_stops};

/// Longest state file that is read, octets.
const MOST_OCTETS: u64 = 1 << 20;

/// The directory in which one station keeps its state.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StateDir(PathBuf);

impl StateDir {
    /// Where the state of the station of `plan` is kept if nobody says otherwise.
    pub fn beside(plan: &Path) -> PathBuf {
        plan.with_extension("state")
    }

    /// Opens the directory, and makes it if it is not there.
    ///
    /// # Errors
    /// It cannot be made, or is no directory.
    pub fn open(place: &Path) -> Result<StateDir> {
        let trouble = || {
            format!(
                "the state directory {} cannot be used; name another with --state",
                place.display()
            )
        };
        std::fs::create_dir_all(place).with_context(trouble)?;
        let whole = place.canonicalize().with_context(trouble)?;
        Ok(StateDir(whole))
    }

    /// The directory of a station that has run: it is not made.
    ///
    /// # Errors
    /// No station ever kept its state there.
    pub fn existing(place: &Path) -> Result<StateDir> {
        let state = place.is_dir().then(|| StateDir::open(place)).transpose()?;
        match state.filter(StateDir::has_run) {
            Some(state) => Ok(state),
            None => bail!(
                "no station has kept its state in {}; if it keeps it elsewhere, name the place \
                 with --state",
                place.display()
            ),
        }
    }

    /// A station has been started with its state here.
    pub fn has_run(&self) -> bool {
        starts::exists(self)
    }

    /// Puts changes of the directory itself on the disk.
    fn sync(&self) -> Result<()> {
        let sync = || std::fs::File::open(&self.0)?.sync_all();
        sync().with_context(|| format!("{} cannot be synchronised", self.0.display()))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// The socket by which other commands talk to the running station.
    pub fn control_socket(&self) -> PathBuf {
        self.0.join("control")
    }

    /// The file of the mail.
    pub fn mail(&self) -> PathBuf {
        StateDir::mail_in(&self.0)
    }

    /// The file of the mail in a state directory, which need not be there.
    pub fn mail_in(place: &Path) -> PathBuf {
        place.join("mail.db")
    }

    /// The folder of the files that go over talks.
    pub fn files(&self) -> PathBuf {
        self.0.join("files")
    }

    /// Reads one thing; `None` if it was never written.
    ///
    /// # Errors
    /// It is there and cannot be read or understood.
    fn read<T: DeserializeOwned>(&self, name: &str) -> Result<Option<T>> {
        let file = self.0.join(name);
        let unreadable = || format!("{} cannot be read", file.display());
        match std::fs::metadata(&file) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => return Err(error).with_context(unreadable),
            Ok(meta) if meta.len() > MOST_OCTETS => {
                anyhow::bail!("{} is too long to be a state file", file.display())
            }
            Ok(_) => {}
        }
        let text = std::fs::read(&file).with_context(unreadable)?;
        let thing = serde_json::from_slice(&text)
            .with_context(|| format!("{} is damaged", file.display()))?;
        Ok(Some(thing))
    }

    /// Writes one thing so that it survives a power cut from the moment this returns.
    ///
    /// # Errors
    /// No room, no permission.
    fn write<T: Serialize>(&self, name: &str, thing: &T) -> Result<()> {
        let file = self.0.join(name);
        let fresh = self.0.join(format!("{name}.new"));
        let write = || -> std::io::Result<()> {
            let mut out = std::fs::File::create(&fresh)?;
            out.write_all(&serde_json::to_vec_pretty(thing)?)?;
            out.sync_all()?;
            std::fs::rename(&fresh, &file)?;
            std::fs::File::open(&self.0)?.sync_all()
        };
        write().with_context(|| format!("{} cannot be written", file.display()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_is_read_again_and_what_never_was_is_nothing() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(&dir.path().join("a").join("b")).expect("it is made");
        assert_eq!(state.read::<Vec<u8>>("x").expect("nothing there"), None);
        state.write("x", &vec![1_u8, 2]).expect("written");
        state.write("x", &vec![3_u8]).expect("written again");
        assert_eq!(state.read("x").expect("there"), Some(vec![3_u8]));
        std::fs::write(state.path().join("x"), "{").expect("spoiled");
        let error = state.read::<Vec<u8>>("x").expect_err("damaged").to_string();
        assert!(error.contains("is damaged"), "{error}");
    }

    #[test]
    fn a_file_is_no_state_directory() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("plan.state");
        std::fs::write(&file, "").expect("written");
        let error = StateDir::open(&file).expect_err("a file").to_string();
        assert!(error.contains("--state"), "{error}");
    }
}
