//! The station plan: one TOML file that describes a station, read as a whole and explained.
//!
//! Text goes in, a [`Plan`] or a list of everything that is wrong comes out; no file is
//! opened here. Every fault names line and column, what is wrong, and what is allowed.
//!
//! ```
//! let text = "[station]\ncall = \"QA1SKY\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n\
//!             persistance = 0.2\n[port.sound]\n";
//! let rules = dunlin_plan::PlanRules::real();
//! let list = dunlin_plan::Plan::read("plan.toml", text.as_bytes(), &rules).unwrap_err();
//! assert!(list.to_string().starts_with("plan.toml:6:1: 'persistance' is not known in [[port]]"));
//! ```
//!
//! # Settings
//!
//! Each setting is one item in [`settings`]: its key, help, default and rule. Reading, the
//! messages and [`Plan::explain`] come from the same items.
//!
//! # Stations inside another file
//!
//! A scenario of the rehearsal holds many stations, each with the same tables as a plan.
//! Read it with the same parts: [`parse`] the text into a [`Section`], take keys with
//! [`Setting`]s of your own, and give every table that holds `station`, `port` and
//! `crossing` to [`station_from`]. Keys that a port has besides (its band, say) are taken
//! from [`PortPart::rest`]; [`Section::finish`] complains about what nobody took.
//!
//! ```
//! use dunlin_clock::SampleRate;
//! use dunlin_plan::{Faults, PlanRules, Preset, Setting, Words, parse, station_from};
//!
//! static BAND: Setting<Words> = Setting {
//!     table: "[[stations.port]]",
//!     name: "band",
//!     help: "The simulated band that the port is on.",
//!     preset: Preset::Required("\"vhf\""),
//!     rule: Words { fewest: 1, most: 24, lines: false },
//! };
//!
//! let text = "[[stations]]\n[stations.station]\ncall = \"QM3BAR\"\n\
//!             [[stations.port]]\nname = \"VHF\"\nmode = \"afsk1200\"\nband = \"vhf\"\n";
//! let rules = PlanRules::rehearsal(SampleRate::new(12_000).unwrap());
//! let mut faults = Faults::new("scenario.toml", text);
//! let mut found = Vec::new();
//! if let Some(mut file) = parse(text, "the scenario", &rules, &mut faults) {
//!     for mut table in file.tables("stations", "[[stations]]", 64, &mut faults) {
//!         let mut part = station_from(&mut table, &mut faults);
//!         for mut port in part.ports.drain(..) {
//!             let band = port.rest.take(&BAND, &mut faults);
//!             port.rest.finish(&mut faults);
//!             found.push((part.config.clone(), band));
//!         }
//!         table.finish(&mut faults);
//!     }
//!     file.finish(&mut faults);
//! }
//! let found = faults.decide(Some(found)).unwrap();
//! assert_eq!(found[0].1.as_deref(), Some("vhf"));
//! assert!(found[0].0.as_ref().unwrap().ports[0].may_transmit);
//! ```

pub mod measure;
pub mod rule;
pub mod settings;

pub mod checks;

mod beacon;
mod crossing;
mod device;
mod explain;
mod fault;
mod files;
mod finding;
mod fresh;
mod guard;
mod hours;
mod line;
mod lines;
mod mail;
mod nearest;
mod node;
mod place;
mod port;
mod quantity;
mod radio;
mod region;
mod section;
mod setting;
mod sound;
mod station;
mod transmit;
mod visitors;
mod whole;

use dunlin_station::{PortId, StationConfig};

pub use device::{
    Carrier, ControllerLink, ControllerPlan, Device, DeviceRule, ExternalSense, KeyLine, KeyMethod,
    KeyPlan, OctetString, Path, PortDevices, SerialLine, SquelchLine, StatusLine,
};
pub use fault::{Fault, FaultList, Faults};
pub use finding::{Finding, Severity};
pub use fresh::Fresh;
pub use hours::OpenHours;
pub use place::Place;
pub use radio::{RadioKind, RadioPlan, Sideband, Squelch};
pub use region::{Automatic, Bandwidth, Identify, Region};
pub use rule::{
    Address, Call, Calls, Choice, Figures, Placed, Share, Time, Version, Whole, Words, YesNo,
};
pub use section::{Section, parse};
pub use setting::{Described, PlanRules, Preset, Rule, Setting, Wrong};
pub use sound::{Channel, ChannelRule, SecondSoundPlan, SoundPlan};
pub use station::{PortPart, StationPart, station_from};
pub use transmit::is_invented;
pub use visitors::Visitors;
pub use whole::{Command, JournalPlan, KissServerPlan, Names, PagePlan, PasswordHash, WholePlan};

/// Longest file that is read, in octets. A plan of a few hundred lines has some thousand.
pub const MOST_OCTETS: usize = 256 * 1024;

/// A station plan that was read and found without fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// The station, independent of devices. Its seed comes from the call sign; a driver
    /// that has better dice puts its own there.
    pub station: StationConfig,
    /// The devices of each port, in the order of `station.ports`. Empty if the plan was
    /// read for a rehearsal.
    pub devices: Vec<PortDevices>,
    /// Page, KISS server, journal, alarms and region. In a rehearsal they are the defaults.
    pub whole: WholePlan,
    /// The note for the operators; never sent.
    pub note: String,
    /// What works, yet may not be what was meant, in the order of the file.
    pub findings: Vec<Finding>,
    lines: lines::Lines,
}

impl Plan {
    /// Reads the content of a file; `file` is its name for messages.
    ///
    /// # Errors
    /// Everything that is wrong with it, each with line and column.
    pub fn read(file: &str, octets: &[u8], rules: &PlanRules) -> Result<Plan, FaultList> {
        let text = text_of(file, octets)?;
        let mut faults = Faults::new(file, text);
        let Some(mut section) = parse(text, "the plan", rules, &mut faults) else {
            return faults.decide(None);
        };
        let part = station_from(&mut section, &mut faults);
        let names = part.port_names();
        let whole = WholePlan::read(&mut section, &names, &mut faults);
        let (mut devices, mut lines) = (Vec::new(), Vec::new());
        for port in part.ports {
            lines.push(faults.line_of(port.rest.at("name").start));
            devices.extend(port.devices);
            port.rest.finish(&mut faults);
        }
        section.finish(&mut faults);
        faults.other_version_alone();
        let mut findings = part.findings;
        let plan = part.config.zip(whole).map(|(station, whole)| {
            findings.extend(refused(&station, &devices, &lines));
            findings.sort_by_key(|finding| finding.line);
            let mut plan = Plan {
                station,
                devices,
                whole,
                note: part.note,
                findings,
                lines: lines::Lines::of(text),
            };
            if let (false, Some(region)) = (rules.rehearsal, plan.built_in_region()) {
                plan.check(&region);
            }
            plan
        });
        faults.decide(plan)
    }

    /// The region that the plan names, if it comes with the program; else its name is the path
    /// of a file, to be read by [`Region::read`] and given to [`Plan::check`].
    pub fn built_in_region(&self) -> Option<Region> {
        Region::built_in(&self.whole.region)
    }

    /// Adds what the checks of the whole plan find by the rules of a region. [`Plan::read`] has
    /// done so for a plan whose region comes with the program.
    pub fn check(&mut self, region: &Region) {
        let found = checks::run(self, region);
        self.findings.extend(found);
        self.findings.sort_by_key(|finding| finding.line);
    }

    /// Whether the station's own call sign is invented: it begins with Q.
    pub fn is_invented_call(&self) -> bool {
        is_invented(self.station.call)
    }

    /// Whether the transmit device of a port may be opened.
    ///
    /// # Errors
    /// A sentence for people that says why not and what to do: the port does not transmit,
    /// does not exist, or would send under a call sign that begins with Q and is not marked
    /// `loop = true`.
    pub fn may_open_output(&self, port: PortId) -> Result<(), String> {
        let index = usize::from(port.0);
        match self.devices.get(index) {
            Some(devices) => transmit::may_open(&self.station, index, devices),
            None => Err(format!(
                "port number {} has no sound device in the plan",
                port.0
            )),
        }
    }

    /// A plan that names every setting with its help, its range and its default, as
    /// commented TOML. It is itself a plan that can be read.
    pub fn explain() -> String {
        explain::explain()
    }

    /// The explanation of every setting called `key`.
    ///
    /// # Errors
    /// There is none; the sentence names the nearest.
    pub fn explain_key(key: &str) -> Result<String, String> {
        explain::key(key)
    }
}

/// The text in the octets of a file, or what speaks against it.
///
/// # Errors
/// The file is longer than [`MOST_OCTETS`], is not UTF-8, or has nothing in it.
pub fn text_of<'o>(file: &str, octets: &'o [u8]) -> Result<&'o str, FaultList> {
    let refuse = |text: &str, at: usize, what: String, allowed: &str| {
        let mut faults = Faults::new(file, text);
        faults.add(at..at, what, allowed);
        faults.decide::<&str>(None)
    };
    let size = octets.len();
    if size > MOST_OCTETS {
        let what = format!("this file has {size} octets, too many for a plan");
        return refuse("", 0, what, &format!("at most {MOST_OCTETS} octets"));
    }
    match std::str::from_utf8(octets) {
        // Some editors put this mark in front of a text; it means nothing.
        Ok(text) if text.trim_start_matches('\u{FEFF}').trim().is_empty() => {
            let what = "this file is empty".to_owned();
            refuse(
                text,
                0,
                what,
                "at least [station] with a call and one [[port]]",
            )
        }
        Ok(text) => Ok(text.strip_prefix('\u{FEFF}').unwrap_or(text)),
        Err(error) => {
            let good = error.valid_up_to();
            let readable = std::str::from_utf8(&octets[..good]).unwrap_or_default();
            let octet = octets.get(good).copied().unwrap_or_default();
            let what = format!("this is no text: octet 0x{octet:02X} does not belong to UTF-8");
            refuse(readable, good, what, "a text file in UTF-8")
        }
    }
}

/// One finding for each port that would transmit if its call sign were somebody's.
fn refused(station: &StationConfig, devices: &[PortDevices], lines: &[usize]) -> Vec<Finding> {
    let mut findings = Vec::new();
    for (index, (port_devices, line)) in devices.iter().zip(lines).enumerate() {
        let wants = station
            .ports
            .get(index)
            .is_some_and(|port| port.may_transmit);
        if let (true, Err(sentence)) = (wants, transmit::may_open(station, index, port_devices)) {
            let (what, remedy) = sentence.split_once(". ").unwrap_or((&sentence, ""));
            findings.push(Finding {
                id: "invented-call",
                severity: crate::finding::Severity::Attention,
                line: *line,
                what: what.to_owned(),
                evidence: "no country is allocated a series that begins with Q".into(),
                consequence: "It hears as planned and keeps silent.".into(),
                remedy: format!("{remedy}."),
            });
        }
    }
    findings
}
