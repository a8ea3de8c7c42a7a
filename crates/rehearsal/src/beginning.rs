//! What a rehearsal begins with: its stations, its bands, and who is within reach of whom.

use std::collections::BTreeMap;

use dunlin_air::AirError;
use dunlin_station::Station;

use crate::driver::BeginError;
use crate::scenario::{Member, Scenario, Seat};

pub(crate) fn station(member: &Member) -> Result<Station, BeginError> {
    Station::new(member.config.clone()).map_err(|error| BeginError::Station {
        station: member.config.call.to_string(),
        error,
    })
}

/// All bands, each made of its number.
pub(crate) fn bands<B>(
    scenario: &Scenario,
    make: impl Fn(usize) -> Result<B, AirError>,
) -> Result<Vec<B>, BeginError> {
    let named = scenario.bands.iter().enumerate().map(|(number, config)| {
        make(number).map_err(|error| BeginError::Band {
            band: config.name.clone(),
            error,
        })
    });
    named.collect()
}

/// By band and sender: the stations that its signal reaches at all.
pub(crate) fn reach(scenario: &Scenario) -> Vec<BTreeMap<usize, Vec<usize>>> {
    let mut reach = vec![BTreeMap::new(); scenario.bands.len()];
    let seats = |station: usize| scenario.stations[station].seats.iter().copied();
    for from in 0..scenario.stations.len() {
        for Seat { band, place } in seats(from) {
            let config = &scenario.bands[band];
            let name = |place: usize| config.stations[place].name.as_str();
            let path = |to: usize| {
                let mut paths = config.paths.iter();
                paths.any(|p| p.from == name(place) && p.to == name(to))
            };
            let hears = |to: usize| seats(to).any(|s| s.band == band && path(s.place));
            let receivers = (0..scenario.stations.len())
                .filter(|&to| hears(to))
                .collect();
            reach[band].insert(from, receivers);
        }
    }
    reach
}
