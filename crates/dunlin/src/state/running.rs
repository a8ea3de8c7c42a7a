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
    pub fn enter(state: &StateDir, plan: &Path) -> Option<Registered> {
        let plan = plan.canonicalize().ok()?;
        let mut entry = state.path().as_os_str().as_encoded_bytes().to_vec();
        entry.push(0);
        entry.extend_from_slice(plan.as_os_str().as_encoded_bytes());
        let enter = |place: &PathBuf| {
            std::fs::create_dir_all(place).ok()?;
            let file = place.join(format!("{}.station", std::process::id()));
            std::fs::write(&file, &entry).ok()?;
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
    let found = all_running();
    match found.as_slice() {
        [(one, _)] => Ok(one.clone()),
        [] => bail!("no station of yours runs on this machine; name its plan with --plan"),
        several => {
            let names: Vec<String> = several
                .iter()
                .map(|(s, _)| format!("    --state {}", s.path().display()))
                .collect();
            bail!(
                "several stations run here; say which:\n{}",
                names.join("\n")
            )
        }
    }
}

/// The state directory of the station that runs on this plan, wherever it is.
pub fn find_of_plan(plan: &Path) -> Option<StateDir> {
    let plan = plan.canonicalize().ok()?;
    let mut running = all_running().into_iter();
    running.find(|(_, p)| *p == plan).map(|(state, _)| state)
}

/// Every station that runs here, and its plan.
fn all_running() -> Vec<(StateDir, PathBuf)> {
    let mut found: Vec<(StateDir, PathBuf)> = Vec::new();
    for place in places() {
        let Ok(entries) = std::fs::read_dir(place) else {
            continue;
        };
        for entry in entries.flatten() {
            if let Some(station) = registered(&entry.path())
                && !found.contains(&station)
            {
                found.push(station);
            }
        }
    }
    found
}

/// What a file of the registry names, if a station holds the lock there.
fn registered(file: &Path) -> Option<(StateDir, PathBuf)> {
    use std::os::unix::ffi::OsStringExt;
    let entry = std::fs::read(file).ok()?;
    let at = entry.iter().position(|octet| *octet == 0)?;
    let path = |octets: &[u8]| PathBuf::from(std::ffi::OsString::from_vec(octets.to_vec()));
    let place = path(&entry[..at]);
    let state = place.is_dir().then(|| StateDir::open(&place).ok())??;
    Lock::is_held(&state).then(|| (state, path(&entry[at + 1..])))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_entry_counts_only_while_its_station_runs() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(&dir.path().join("state")).expect("made");
        let file = dir.path().join("1.station");
        let mut entry = state.path().as_os_str().as_encoded_bytes().to_vec();
        entry.extend_from_slice(b"\0/a/plan.toml");
        std::fs::write(&file, entry).expect("written");
        assert_eq!(registered(&file), None);
        let lock = Lock::take(&state).expect("free");
        let plan = PathBuf::from("/a/plan.toml");
        assert_eq!(registered(&file), Some((state.clone(), plan)));
        drop(lock);
        assert_eq!(registered(&file), None);
    }
}
