//! Dated rules of a region, from a data file. They help to think; the licence decides.

use serde::Deserialize;

/// The rules of one region.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Region {
    /// Name for people.
    pub title: String,
    /// To which date it holds.
    pub as_of: String,
    /// What it cannot decide.
    pub caution: String,
    /// Identification.
    pub identify: Identify,
    /// Limits of bandwidth and symbol rate.
    #[serde(default)]
    pub bandwidth: Vec<Bandwidth>,
    /// Automatic control.
    pub automatic: Option<Automatic>,
}

/// How often a station identifies.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Identify {
    /// At least every so many minutes.
    pub every_min: f64,
    /// Where that is written.
    pub source: String,
}

/// How wide and fast a signal may be.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bandwidth {
    /// From this frequency, kHz.
    pub from_khz: f64,
    /// To this frequency, kHz.
    pub to_khz: f64,
    /// Widest signal, Hz.
    pub most_hz: f64,
    /// Fastest symbol rate, Bd.
    pub most_baud: Option<f64>,
    /// Where that is written.
    pub source: String,
}

/// Where stations under automatic control may send of themselves.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Automatic {
    /// Only frequencies below are restricted, kHz.
    pub below_khz: f64,
    /// The segments, each from and to, kHz.
    pub segments_khz: Vec<[f64; 2]>,
    /// Elsewhere, answering only, a signal may be so wide, Hz.
    pub elsewhere_most_hz: f64,
    /// Where that is written.
    pub source: String,
}

impl Region {
    /// A region that comes with the program.
    pub fn built_in(name: &str) -> Option<Region> {
        let text = match name {
            "neutral" => include_str!("../regions/neutral.toml"),
            "us-part97" => include_str!("../regions/us-part97.toml"),
            _ => return None,
        };
        Region::read(text).ok()
    }

    /// Reads a region file.
    ///
    /// # Errors
    /// What is wrong with it, with line and column.
    pub fn read(text: &str) -> Result<Region, String> {
        toml::from_str(text).map_err(|error| error.to_string())
    }

    /// The limit that holds at a frequency.
    pub(crate) fn bandwidth_at(&self, khz: f64) -> Option<&Bandwidth> {
        let holds = |limit: &&Bandwidth| (limit.from_khz..=limit.to_khz).contains(&khz);
        self.bandwidth.iter().find(holds)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_regions_of_the_program_can_be_read() {
        assert!(Region::built_in("neutral").is_some());
        let us = Region::built_in("us-part97").expect("there");
        // 47 CFR 97.221(b) has nine segments below 6 m.
        assert_eq!(us.automatic.map(|a| a.segments_khz.len()), Some(9));
        assert!(Region::built_in("elsewhere").is_none());
        assert!(Region::read("title = 1").is_err());
    }
}
