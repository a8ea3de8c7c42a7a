//! What people have stopped: the whole station, or single ports. Each stop stands for itself.

use super::Stop;
use crate::event::PortId;
use crate::words;

/// Longest name of who stopped or started, characters.
const LONGEST_NAME: usize = 60;
/// Longest reason, characters.
pub(crate) const LONGEST_REASON: usize = 200;

/// All stops, the station's first.
#[derive(Clone, Debug, Default)]
pub(crate) struct Stops {
    all: Vec<Stop>,
}

impl Stops {
    /// The stops from before this start. One of a port that the plan no longer has stops the
    /// whole station: whoever set it must look where that port has gone.
    pub(crate) fn new(earlier: &[Stop], ports: usize) -> Self {
        let mut stops = Stops::default();
        for stop in earlier {
            let mut stop = stop.clone();
            if let Some(port) = stop.port.filter(|p| usize::from(p.0) >= ports) {
                let lost = format!(
                    "port number {} was stopped, and the station plan no longer has it",
                    port.0
                );
                stop.why = match stop.why.is_empty() {
                    true => lost,
                    false => format!("{} ({lost})", stop.why),
                };
                stop.port = None;
            }
            stops.add(stop);
        }
        stops
    }

    /// Adds a stop. False if that very thing is stopped already; then the earlier one stays.
    pub(crate) fn add(&mut self, mut stop: Stop) -> bool {
        if self.all.iter().any(|s| s.port == stop.port) {
            return false;
        }
        stop.by = somebody(&stop.by);
        stop.why = clean(&stop.why, LONGEST_REASON);
        self.all.push(stop);
        self.all.sort_by_key(|s| s.port);
        true
    }

    /// Lifts one stop and returns it.
    pub(crate) fn lift(&mut self, port: Option<PortId>) -> Option<Stop> {
        let at = self.all.iter().position(|s| s.port == port)?;
        Some(self.all.remove(at))
    }

    /// What stops a port: the station's stop first, then its own.
    pub(crate) fn of(&self, port: PortId) -> impl Iterator<Item = &Stop> {
        let holds = move |s: &&Stop| s.port.is_none_or(|p| p == port);
        self.all.iter().filter(holds)
    }

    pub(crate) fn all(&self) -> &[Stop] {
        &self.all
    }
}

/// A name as it is shown.
pub(crate) fn somebody(name: &str) -> String {
    match clean(name, LONGEST_NAME) {
        name if name.is_empty() => "somebody".into(),
        name => name,
    }
}

/// A stop is never refused because of its words: what cannot be shown is escaped, what is too
/// long is cut.
pub(crate) fn clean(text: &str, longest: usize) -> String {
    let text: String = text.trim().chars().take(longest).collect();
    words::escaped(text.as_bytes())
}

#[cfg(test)]
mod tests {
    use dunlin_clock::WallTime;

    use super::*;

    fn stop(port: Option<u8>, by: &str, why: &str) -> Stop {
        Stop {
            port: port.map(PortId),
            by: by.into(),
            why: why.into(),
            at: WallTime(0),
        }
    }

    #[test]
    fn the_station_and_its_ports_are_stopped_apart() {
        let mut stops = Stops::default();
        assert!(stops.add(stop(Some(1), "Ann", "")));
        assert!(stops.add(stop(None, "Bo", "storm")));
        assert!(!stops.add(stop(None, "Cy", "")), "Bo's stands");
        assert_eq!(stops.of(PortId(0)).count(), 1);
        let of_1: Vec<&str> = stops.of(PortId(1)).map(|s| s.by.as_str()).collect();
        assert_eq!(of_1, ["Bo", "Ann"]);
        assert_eq!(stops.lift(None).map(|s| s.by), Some("Bo".into()));
        assert_eq!(stops.lift(None), None);
        assert_eq!(stops.of(PortId(1)).count(), 1);
    }

    #[test]
    fn a_stop_of_a_port_that_is_gone_stops_everything() {
        let stops = Stops::new(&[stop(Some(2), "Ann", "noise")], 2);
        let held: Vec<&Stop> = stops.of(PortId(0)).collect();
        assert!(held[0].port.is_none() && held[0].why.starts_with("noise (port number 2"));
    }

    #[test]
    fn no_words_are_too_odd_to_stop() {
        let mut stops = Stops::default();
        assert!(stops.add(stop(None, " \n", &"\u{1b}".repeat(1000))));
        assert_eq!(stops.all()[0].by, "somebody");
        assert_eq!(stops.all()[0].why.len(), 4 * LONGEST_REASON);
    }
}
