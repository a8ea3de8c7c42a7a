//! Who has stopped the station, kept over restarts, crashes and power cuts.
//!
//! Besides the record there is a mark that the record is current. It is removed, and its
//! removal put on the disk, before the record is changed, because a file can be removed even
//! when the disk is full; and it is made again when the new record is there. A station that
//! has run before and finds no mark starts stopped: only a person may decide that nothing
//! was meant.
//!
//! Ports are kept by their names, so that a stop stays with its radio when the plan changes.

use std::io::ErrorKind;

use anyhow::{Context, Result};
use dunlin_clock::WallTime;
use dunlin_station::PortId;
use dunlin_station::gate::Stop;
use serde::{Deserialize, Serialize};

use super::StateDir;

const NAME: &str = "stops.json";
const MARK: &str = "stops-are-current";

/// A stop as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptStop {
    /// Name of the port in the plan; `None` = the whole station.
    pub port: Option<String>,
    /// Who stopped it.
    pub by: String,
    /// Why.
    pub why: String,
    /// When.
    pub at: WallTime,
}

impl KeptStop {
    /// The stop of a station whose ports have these names.
    pub fn of(stop: &Stop, names: &[String]) -> KeptStop {
        let name = |port: PortId| names.get(usize::from(port.0)).cloned();
        KeptStop {
            port: stop.port.and_then(name),
            by: stop.by.clone(),
            why: stop.why.clone(),
            at: stop.at,
        }
    }

    /// The same for a station whose ports have these names. A port that is no longer in the
    /// plan may have got another name: then everything is stopped.
    pub fn for_ports(&self, names: &[String]) -> Stop {
        let (by, at) = (self.by.clone(), self.at);
        let found = self.port.as_ref().map(|port| {
            let position = names.iter().position(|n| n == port);
            position.and_then(|n| u8::try_from(n).ok()).map(PortId)
        });
        let (port, why) = match (found, &self.port) {
            (Some(Some(id)), _) => (Some(id), self.why.clone()),
            (Some(None), Some(name)) => {
                let why = format!(
                    "port {name} was stopped and is not in the plan now. {}",
                    self.why
                );
                (None, why)
            }
            _ => (None, self.why.clone()),
        };
        Stop { port, by, why, at }
    }
}

/// The stops in force.
pub fn read_stops(state: &StateDir, now: WallTime) -> Vec<KeptStop> {
    let lost = |why: String| KeptStop {
        port: None,
        by: "the program".into(),
        why,
        at: now,
    };
    let record = state.read::<Vec<KeptStop>>(NAME);
    let current = state.path().join(MARK).exists();
    match record {
        Err(error) => vec![lost(format!(
            "the record of who stopped it is lost: {error:#}"
        ))],
        Ok(None) if !current && !state.has_run() => Vec::new(),
        Ok(None) => vec![lost("the record of who stopped it is missing".into())],
        Ok(Some(stops)) if current || stops.iter().any(|stop| stop.port.is_none()) => stops,
        Ok(Some(mut stops)) => {
            let why = "somebody stopped or started something, and it could not be written down";
            stops.push(lost(why.into()));
            stops
        }
    }
}

/// Keeps the stops in force.
///
/// # Errors
/// No room, no permission. The station then starts stopped next time, as long as the mark
/// could be removed.
pub fn write_stops(state: &StateDir, stops: &[KeptStop]) -> Result<()> {
    let mark = state.path().join(MARK);
    match std::fs::remove_file(&mark) {
        Err(error) if error.kind() != ErrorKind::NotFound => {
            return Err(error).with_context(|| format!("{} cannot be removed", mark.display()));
        }
        _ => state.sync()?,
    }
    state.write(NAME, &stops)?;
    state.write(MARK, &())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stop(port: Option<&str>) -> KeptStop {
        KeptStop {
            port: port.map(str::to_owned),
            by: "the page".into(),
            why: "interference".into(),
            at: WallTime(7),
        }
    }

    fn fresh() -> (tempfile::TempDir, StateDir) {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        (dir, state)
    }

    #[test]
    fn stops_are_kept_and_a_damaged_or_missing_record_stops_everything() {
        let (dir, state) = fresh();
        assert_eq!(read_stops(&state, WallTime(5)), Vec::new());
        write_stops(&state, &[stop(Some("VHF"))]).expect("written");
        assert_eq!(read_stops(&state, WallTime(9)), [stop(Some("VHF"))]);
        write_stops(&state, &[]).expect("written");
        assert_eq!(read_stops(&state, WallTime(9)), []);
        std::fs::write(dir.path().join(NAME), "[{").expect("spoiled");
        let stops = read_stops(&state, WallTime(9));
        assert_eq!((stops.len(), &stops[0].port), (1, &None));
        assert!(stops[0].why.contains("damaged"), "{}", stops[0].why);
        std::fs::remove_file(dir.path().join(NAME)).expect("removed");
        assert_eq!(read_stops(&state, WallTime(9)).len(), 1);
    }

    #[test]
    fn a_stop_that_found_no_room_holds_at_the_next_start() {
        for before in [Vec::new(), vec![stop(Some("VHF"))]] {
            let (dir, state) = fresh();
            write_stops(&state, &before).expect("written");
            // Nothing can be written under this name: that is what a full disk looks like.
            std::fs::create_dir(dir.path().join("stops.json.new")).expect("made");
            write_stops(&state, &[stop(None)]).expect_err("no room");
            let stops = read_stops(&state, WallTime(9));
            assert!(stops.iter().any(|stop| stop.port.is_none()), "{stops:?}");
        }
    }

    #[test]
    fn a_stop_stays_with_its_port_when_the_plan_changes() {
        let names = |names: [&str; 2]| names.map(str::to_owned);
        let kept = stop(Some("VHF"));
        assert_eq!(kept.for_ports(&names(["HF", "VHF"])).port, Some(PortId(1)));
        assert_eq!(kept.for_ports(&names(["VHF", "HF"])).port, Some(PortId(0)));
        let renamed = kept.for_ports(&names(["HF", "UHF"]));
        assert_eq!(renamed.port, None);
        assert!(renamed.why.contains("VHF"), "{}", renamed.why);
        let live = kept.for_ports(&names(["HF", "VHF"]));
        assert_eq!(KeptStop::of(&live, &names(["HF", "VHF"])), kept);
    }
}
