//! Scenario files: as plans.

use dunlin_rehearsal::{MOST_BANDS, MOST_STATIONS, Scenario};

pub fn run(octets: &[u8]) {
    match Scenario::read("any.toml", octets) {
        Ok(scenario) => {
            assert!((1..=MOST_STATIONS).contains(&scenario.stations.len()));
            assert!((1..=MOST_BANDS).contains(&scenario.bands.len()));
            assert!(scenario.operator < scenario.stations.len());
            let stations = scenario.people.iter().map(|person| person.station);
            assert!(stations.into_iter().all(|s| s < scenario.stations.len()));
            for member in &scenario.stations {
                assert!(member.config.check().is_ok(), "the engine refuses it");
            }
        }
        Err(list) => super::plan::faults(octets, &list),
    }
}
