//! Where the stations that run on this machine have their state, so that `dunlin stop` finds
//! them without being told: each leaves a file named by its process. An entry counts only
//! while a station holds the lock of the state directory that it names.

use std::path::{Path, PathBuf};

use anyhow::{Result, bail};

use super::{Lock, StateDir};

/// Directories in which running stations may have registered.
fn places() -> Vec<PathBuf> {
    let own = std::env::var_os("XDG_RUNTIME_DIR").map(PathBuf::from);
    let mut places: Vec<PathBuf> = own.into_iter().map(|dir| dir.join("dunlin")).collect();
    places.push(PathBuf::from("/run/dunlin"));
    let home = std::env::var_os("HOME").map(PathBuf::from);
    places.extend(home.map(|home| home.join(".cache/dunlin")));
    places
}

/// The entry of a running station; it goes with this.
#[derive(Debug)]
pub struct Registered(PathBuf);

impl Registered {
    /// Registers the station of a state directory, in the first place that can be written.
    /// `None` if there is none: then commands need `--state` or `--plan`.
    pub fn enter(state: &StateDir) -> Option<Registered> {
        let enter = |place: &PathBuf| {
            std::fs::create_dir_all(place).ok()?;
            let file = place.join(format!("{}.station", std::process::id()));
            std::fs::write(&file, state.path().as_os_str().as_encoded_bytes()).ok()?;
            Some(Registered(file))
        };
        places().iter().find_map(enter)
    }
}

impl Drop for Registered {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0); // Whoever looks checks the lock anyway.
    }
}

/// The state directory of the one station that runs here.
///
/// # Errors
/// None runs, or several do.
pub fn find_running() -> Result<StateDir> {
    let mut found: Vec<StateDir> = Vec::new();
    for place in places() {
        let Ok(entries) = std::fs::read_dir(place) else {
            continue;
        };
        for entry in entries.flatten() {
            if let Some(state) = registered(&entry.path())
                && !found.contains(&state)
            {
                found.push(state);
            }
        }
    }
    match found.as_slice() {
        [one] => Ok(one.clone()),
        [] => bail!("no station of yours runs on this machine; name its plan with --plan"),
        several => {
            let names: Vec<String> = several
                .iter()
                .map(|s| format!("    --state {}", s.path().display()))
                .collect();
            bail!(
                "several stations run here; say which:\n{}",
                names.join("\n")
            )
        }
    }
}

/// The state directory that a file of the registry names, if a station holds its lock.
fn registered(file: &Path) -> Option<StateDir> {
    use std::os::unix::ffi::OsStringExt;
    let name = std::fs::read(file).ok()?;
    let place = PathBuf::from(std::ffi::OsString::from_vec(name));
    let state = place.is_dir().then(|| StateDir::open(&place).ok())??;
    Lock::is_held(&state).then_some(state)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_counts_only_while_its_station_runs() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(&dir.path().join("state")).expect("made");
        let file = dir.path().join("1.station");
        std::fs::write(&file, state.path().as_os_str().as_encoded_bytes()).expect("written");
        assert_eq!(registered(&file), None);
        let lock = Lock::take(&state).expect("free");
        assert_eq!(registered(&file), Some(state.clone()));
        drop(lock);
        assert_eq!(registered(&file), None);
    }
}
