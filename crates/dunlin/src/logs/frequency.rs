//! On which frequency a port was, as far as the plans say that the journal has kept.

use anyhow::Result;
use dunlin_plan::{Plan, PlanRules};
use dunlin_store::{Export, RunId};

/// Bands by the format's own names, with their ends in MHz (ADIF, band enumeration; from memory).
const BANDS: [(&str, f64, f64); 20] = [
    ("2190m", 0.1357, 0.1378),
    ("630m", 0.472, 0.479),
    ("160m", 1.8, 2.0),
    ("80m", 3.5, 4.0),
    ("60m", 5.06, 5.45),
    ("40m", 7.0, 7.3),
    ("30m", 10.1, 10.15),
    ("20m", 14.0, 14.35),
    ("17m", 18.068, 18.168),
    ("15m", 21.0, 21.45),
    ("12m", 24.89, 24.99),
    ("10m", 28.0, 29.7),
    ("6m", 50.0, 54.0),
    ("4m", 70.0, 71.0),
    ("2m", 144.0, 148.0),
    ("1.25m", 222.0, 225.0),
    ("70cm", 420.0, 450.0),
    ("33cm", 902.0, 928.0),
    ("23cm", 1240.0, 1300.0),
    ("13cm", 2300.0, 2450.0),
];

/// The band of a frequency in MHz.
pub fn band(mhz: f64) -> Option<&'static str> {
    let inside = |(_, from, to): &&(&str, f64, f64)| (*from..=*to).contains(&mhz);
    BANDS.iter().find(inside).map(|(name, ..)| *name)
}

/// The dials of the ports in the run that was looked at last.
#[derive(Default)]
pub struct Frequencies {
    run: Option<RunId>,
    dials: Vec<(String, f64)>,
}

impl Frequencies {
    /// What the dial of a port showed in a run, MHz; `None` if no plan says it.
    ///
    /// # Errors
    /// The journal cannot be read.
    pub fn of(&mut self, journal: &Export, run: RunId, port: &str) -> Result<Option<f64>> {
        if self.run != Some(run) {
            self.dials = journal
                .plan_of(run)?
                .map(|text| dials(&text))
                .unwrap_or_default();
            self.run = Some(run);
        }
        let mut dials = self.dials.iter();
        Ok(dials.find(|(name, _)| name == port).map(|(_, mhz)| *mhz))
    }
}

/// The names of ports and what their dials show, MHz. A plan that this version cannot read says
/// nothing.
fn dials(text: &str) -> Vec<(String, f64)> {
    // What is not kept of a secret is no value for its key, and nothing here needs it.
    let lines = text.lines().filter(|line| !line.contains("(not kept)"));
    let text: String = lines.flat_map(|line| [line, "\n"]).collect();
    let Ok(plan) = Plan::read("the kept plan", text.as_bytes(), &PlanRules::real()) else {
        return Vec::new();
    };
    let ports = plan.station.ports.iter().zip(&plan.devices);
    let dial = |device: &dunlin_plan::PortDevices| device.radio.as_ref()?.dial_khz;
    ports
        .filter_map(|(port, device)| Some((port.name.clone(), dial(device)? / 1000.0)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_dial_stands_in_the_plan_or_is_not_known() {
        let port = |name: &str, radio: &str| {
            format!(
                "[[port]]\nname = \"{name}\"\nmode = \"afsk1200\"\n[port.sound]\n\
                 input = \"pulse:{name}\"\noutput = \"pulse:{name}\"\n{radio}"
            )
        };
        let radio = "[port.radio]\nkind = \"vhf_fm\"\ndial_khz = 144800.0\n";
        let plan = "[station]\ncall = \"QA1SKY\"\n[page]\npassword_hash = \"(not kept)\"\n";
        let plan = format!("{plan}{}{}", port("VHF", radio), port("UHF", ""));
        assert_eq!(dials(&plan), [("VHF".to_owned(), 144.8)]);
        assert_eq!(dials("what = is this"), []);
        assert_eq!(
            (band(144.8), band(14.105), band(146.0)),
            (Some("2m"), Some("20m"), Some("2m"))
        );
        assert_eq!(band(100.0), None);
    }
}
