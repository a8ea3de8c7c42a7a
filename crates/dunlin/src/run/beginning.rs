//! What a new run takes over from earlier ones: stops, and the brake on a station that dies
//! again and again.

use anyhow::Result;
use dunlin_clock::{Duration, WallTime};
use dunlin_station::StationConfig;

use super::say;
use crate::state::{Brake, KeptStop, Starts, StateDir, read_stops, write_stops};

/// Notes the start and puts what follows from earlier runs into `station`.
///
/// # Errors
/// The state directory cannot be written: a station that could not keep a stop must not start.
pub(super) fn begin(
    state: &StateDir,
    station: &mut StationConfig,
    now: WallTime,
) -> Result<Starts> {
    // In this order: whether a missing record means anything depends on earlier starts.
    let mut stops = read_stops(state, now);
    let starts = Starts::begin(state, now)?;
    for port in &mut station.ports {
        if let Brake::Listen(settle) = starts.brake(port.gate.settle) {
            port.gate.settle = settle;
        }
    }
    let whole = |stop: &KeptStop| stop.port.is_none();
    if starts.brake(Duration::ZERO) == Brake::Stopped && !stops.iter().any(whole) {
        stops.push(KeptStop {
            port: None,
            by: "the program".into(),
            why: format!(
                "it has ended {} times in a row without being told to; find out why before it \
                 transmits again",
                starts.bad_ends
            ),
            at: now,
        });
    }
    write_stops(state, &stops)?;
    for stop in &stops {
        let what = stop.port.as_deref().unwrap_or("the station");
        let why = match stop.why.as_str() {
            "" => "no reason given",
            why => why,
        };
        say(&format!(
            "STOPPED: {what}, by {}: {why}. Start it again with `dunlin start` or on the page.",
            stop.by
        ));
    }
    let names = names(station);
    station.stops = stops.iter().map(|stop| stop.for_ports(&names)).collect();
    Ok(starts)
}

/// What people must hear of earlier bad ends.
pub(super) fn restarts(starts: &Starts) -> Option<String> {
    let times = match starts.bad_ends {
        0 => return None,
        1 => "the last run ended".to_owned(),
        n => format!("the last {n} runs ended"),
    };
    Some(format!(
        "{times} without being told to, so this one listens longer before it transmits. Look into \
         its log for the reason"
    ))
}

/// The names of the ports in the order of the plan.
pub(super) fn names(station: &StationConfig) -> Vec<String> {
    station.ports.iter().map(|p| p.name.clone()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn station() -> StationConfig {
        crate::run::test_station("QA1SKY")
    }

    #[test]
    fn a_stop_asked_for_before_the_first_run_holds() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        let stop = KeptStop {
            port: Some("VHF".into()),
            by: "a test".into(),
            why: String::new(),
            at: WallTime(1),
        };
        write_stops(&state, &[stop]).expect("written");
        let mut config = station();
        begin(&state, &mut config, WallTime(2)).expect("begins");
        assert_eq!(config.stops.len(), 1);
    }

    #[test]
    fn a_lost_record_of_starts_lifts_no_stop_and_a_fresh_station_has_none() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        let mut config = station();
        begin(&state, &mut config, WallTime(2)).expect("begins");
        assert_eq!(config.stops, []);
        let stop = KeptStop {
            port: None,
            by: "a test".into(),
            why: String::new(),
            at: WallTime(1),
        };
        write_stops(&state, &[stop]).expect("written");
        std::fs::write(dir.path().join("starts.json"), "{").expect("spoiled");
        begin(&state, &mut config, WallTime(3)).expect("begins");
        assert_eq!(config.stops.len(), 1);
        assert_eq!(config.stops[0].by, "a test");
    }

    #[test]
    fn the_brake_stops_at_last_and_keeps_a_persons_stop() {
        let dir = tempfile::tempdir().expect("a directory");
        let state = StateDir::open(dir.path()).expect("there");
        let mut last = station();
        for _ in 0..6 {
            last = station();
            begin(&state, &mut last, WallTime(2)).expect("begins");
        }
        assert_eq!(last.stops[0].by, "the program");
        Starts::forgive(&state).expect("written");
        write_stops(&state, &[]).expect("written");
        let mut config = station();
        begin(&state, &mut config, WallTime(2)).expect("begins");
        assert_eq!(config.stops, []);
    }
}
