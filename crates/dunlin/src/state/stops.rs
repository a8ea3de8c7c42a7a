//! Who has stopped the station, kept over restarts, crashes and power cuts.
//!
//! Besides the record there is a mark that nothing is stopped. It is removed before a stop is
//! written, because a file can be removed even when the disk is full: a station whose mark is
//! missing starts stopped.

use std::io::ErrorKind;

use anyhow::{Context, Result};
use dunlin_clock::WallTime;
use dunlin_station::gate::Stop;

use super::StateDir;

const NAME: &str = "stops.json";
const MARK: &str = "nothing-stopped";

/// The stops in force. A record that cannot be read, or is missing although there should be
/// one, counts as a stop of the whole station: only a person may decide that it meant nothing.
pub fn read_stops(state: &StateDir, now: WallTime) -> Vec<Stop> {
    let lost = |why: String| {
        vec![Stop {
            port: None,
            by: "the program".into(),
            why,
            at: now,
        }]
    };
    match state.read::<Vec<Stop>>(NAME) {
        Err(error) => lost(format!("the record of who stopped it is lost: {error:#}")),
        Ok(Some(stops)) if stops.is_empty() && !is_marked(state) => {
            lost("somebody stopped it, and there was no room to write down who".into())
        }
        Ok(stops) => stops.unwrap_or_default(),
    }
}

/// Keeps the stops in force.
///
/// # Errors
/// No room, no permission. A stop holds all the same when the station starts again, as long
/// as the mark could be removed.
pub fn write_stops(state: &StateDir, stops: &[Stop]) -> Result<()> {
    let mark = state.path().join(MARK);
    if !stops.is_empty() {
        match std::fs::remove_file(&mark) {
            Err(error) if error.kind() != ErrorKind::NotFound => {
                return Err(error).with_context(|| format!("{} cannot be removed", mark.display()));
            }
            _ => {}
        }
    }
    state.write(NAME, &stops)?;
    if stops.is_empty() {
        state.write(MARK, &())?;
    }
    Ok(())
}

fn is_marked(state: &StateDir) -> bool {
    state.path().join(MARK).exists()
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_station::PortId;

    fn stop() -> Stop {
        Stop {
            port: Some(PortId(1)),
            by: "the page".into(),
            why: "interference".into(),
            at: WallTime(7),
        }
    }

    #[test]
    fn stops_are_kept_and_a_damaged_record_stops_everything() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        assert_eq!(read_stops(&state, WallTime(5)), Vec::new());
        write_stops(&state, &[stop()]).expect("written");
        assert_eq!(read_stops(&state, WallTime(9)), [stop()]);
        write_stops(&state, &[]).expect("written");
        assert_eq!(read_stops(&state, WallTime(9)), []);
        std::fs::write(dir.path().join(NAME), "[{").expect("spoiled");
        let stops = read_stops(&state, WallTime(9));
        assert_eq!((stops.len(), stops[0].port), (1, None));
        assert!(stops[0].why.contains("damaged"), "{}", stops[0].why);
    }

    #[test]
    fn a_stop_that_found_no_room_holds_at_the_next_start() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        write_stops(&state, &[]).expect("written");
        // Nothing can be written under this name: that is what a full disk looks like here.
        std::fs::create_dir(dir.path().join("stops.json.new")).expect("made");
        write_stops(&state, &[stop()]).expect_err("no room");
        let stops = read_stops(&state, WallTime(9));
        assert_eq!((stops.len(), stops[0].port), (1, None));
        assert!(stops[0].why.contains("no room"), "{}", stops[0].why);
    }
}
