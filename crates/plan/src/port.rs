//! One port: `[[port]]` with its sound device and beacons.

use dunlin_ax25::CallSign;
use dunlin_clock::Duration;
use dunlin_modem::Mode;
use dunlin_station::gate::{GateConfig, Medium};
use dunlin_station::{PortConfig, Timing};

use crate::beacon::{self, BeaconPort};
use crate::fault::Faults;
use crate::finding::Finding;
use crate::quantity::{duration, frequency};
use crate::rule::Placed;
use crate::section::Section;
use crate::settings;
use crate::sound::{Device, PortDevices};

/// Fastest symbol rate that takes the defaults of HF.
const SLOW_BAUD: u32 = 300;

/// Octets of a frame besides its text: two addresses, control, PID, FCS, two flags.
const OVERHEAD: u32 = 20;

/// What was read of a port, as far as it could be read.
pub(crate) struct PortRead<'i> {
    pub config: Option<PortConfig>,
    pub name: Option<Placed<String>>,
    pub call: Option<Placed<CallSign>>,
    pub may_transmit: Option<bool>,
    pub devices: Option<PortDevices>,
    pub rest: Section<'i>,
}

/// Reads a port; `station_call` is its call sign unless it has one of its own.
pub(crate) fn read<'i>(
    mut section: Section<'i>,
    station_call: Option<CallSign>,
    faults: &mut Faults<'_>,
    findings: &mut Vec<Finding>,
) -> PortRead<'i> {
    let name = section.take(&settings::PORT_NAME, faults);
    let mode = section.take(&settings::MODE, faults);
    section.set_slow(mode.is_some_and(|mode| mode.baud() <= SLOW_BAUD));
    let own_call = section.take(&settings::PORT_CALL, faults);
    // A wrong call is not replaced by the default: that would only hide what depends on it.
    let default = station_call.filter(|_| !section.was_written("call"));
    let call = own_call.or(default);
    let transmit = section.take(&settings::TRANSMIT, faults);
    let devices = sound(&mut section, transmit, faults);
    let may_transmit = match (transmit, &devices) {
        (Some(transmit), _) => Some(transmit),
        (None, _) if section.was_written("transmit") => None,
        (None, _) if section.rules().rehearsal => Some(true),
        (None, devices) => devices
            .as_ref()
            .map(|devices| devices.output != Device::None),
    };
    let rate = match section.rules().rehearsal {
        true => Some(section.rules().rate),
        false => devices.as_ref().map(|devices| devices.rate),
    };
    let config = Partial {
        mode,
        call,
        may_transmit,
        name: name.clone(),
        rate,
    };
    let config = config.complete(&mut section, faults, findings);
    let placed = |name| section.at(name);
    PortRead {
        config,
        name: name.map(|value| Placed {
            value,
            at: placed("name"),
        }),
        call: call.map(|value| Placed {
            value,
            at: placed("call"),
        }),
        may_transmit,
        devices,
        rest: section,
    }
}

fn sound(
    section: &mut Section<'_>,
    transmit: Option<bool>,
    faults: &mut Faults<'_>,
) -> Option<PortDevices> {
    if section.rules().rehearsal {
        return None;
    }
    let Some(mut table) = section.table("sound", "[port.sound]", faults) else {
        if !section.was_written("sound") {
            let allowed = "a table [port.sound] behind its [[port]], with input = and output =";
            faults.add(
                section.at("sound"),
                "this port has no [port.sound]",
                allowed,
            );
        }
        return None;
    };
    let devices = PortDevices::read(&mut table, faults);
    if let Some(devices) = &devices {
        check_devices(devices, &table, transmit, faults);
    }
    table.finish(faults);
    devices
}

fn check_devices(
    devices: &PortDevices,
    table: &Section<'_>,
    transmit: Option<bool>,
    faults: &mut Faults<'_>,
) {
    let transmits = transmit.unwrap_or(devices.output != Device::None);
    if transmits && devices.output == Device::None {
        let what = "this port has transmit = true, but no output to transmit with";
        let allowed = "output = \"default\" or the name of a sound device, or transmit = false";
        faults.add(table.at("output"), what, allowed);
    }
    if devices.input == Device::None {
        let what = match transmits {
            true => "a port that hears nothing cannot know whether the channel is free",
            false => "this port hears nothing and sends nothing",
        };
        let allowed = "input = \"default\" or the name of a sound device";
        faults.add(table.at("input"), what, allowed);
    }
}

/// What a port's other settings depend on.
struct Partial {
    mode: Option<Mode>,
    call: Option<CallSign>,
    may_transmit: Option<bool>,
    name: Option<String>,
    rate: Option<dunlin_clock::SampleRate>,
}

impl Partial {
    fn complete(
        self,
        section: &mut Section<'_>,
        faults: &mut Faults<'_>,
        findings: &mut Vec<Finding>,
    ) -> Option<PortConfig> {
        let level = section.take(&settings::LEVEL, faults);
        let offset = section.take(&settings::TONE_OFFSET, faults);
        let timing = timing(section, faults);
        let window = section.take(&settings::WINDOW, faults);
        let info_length = section.take(&settings::INFO_LENGTH, faults);
        let retries = section.take(&settings::RETRIES, faults);
        let digipeat = section.take(&settings::DIGIPEAT, faults);
        let beacon_port = BeaconPort {
            info_length: info_length.map(|n| n as usize),
            slow: self.mode.is_some_and(|mode| mode.baud() <= SLOW_BAUD),
            may_transmit: self.may_transmit != Some(false),
        };
        let mut beacons = Vec::new();
        let tables = section.tables("beacon", "[[port.beacon]]", settings::MOST_BEACONS, faults);
        for table in tables {
            beacons.extend(beacon::read(table, &beacon_port, faults, findings));
        }
        let config = PortConfig {
            name: self.name?,
            call: self.call?,
            mode: self.mode?,
            rate: self.rate?,
            may_transmit: self.may_transmit?,
            level_dbfs: level? as f32,
            offset_hz: offset? as f32,
            timing: timing?,
            window: window? as u8, // 1 to 7 by its rule.
            info_length: info_length? as usize,
            retries: retries?,
            digipeat: digipeat?.into_iter().map(|call| call.value).collect(),
            beacons,
            medium: Medium::Sound,
            gate: GateConfig::default(),
        };
        check_modem(&config, section, faults);
        check_longest(&config, section, faults);
        findings.extend(hf_habits(&config, section, faults));
        Some(config)
    }
}

fn timing(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<Timing> {
    // All are taken before any can be missing, so that each wrong one is told.
    let key_up_delay = section.take(&settings::KEY_UP_DELAY, faults);
    let tail = section.take(&settings::TAIL, faults);
    let persistence = section.take(&settings::PERSISTENCE, faults);
    let slot_time = section.take(&settings::SLOT_TIME, faults);
    let idle_check = section.take(&settings::IDLE_CHECK, faults);
    let longest = section.take(&settings::LONGEST_TRANSMISSION, faults);
    Some(Timing {
        key_up_delay: key_up_delay?,
        tail: tail?,
        persistence: persistence?,
        slot_time: slot_time?,
        idle_check: idle_check?,
        longest_transmission: longest?,
    })
}

fn check_modem(config: &PortConfig, section: &Section<'_>, faults: &mut Faults<'_>) {
    let mode = config.mode;
    if config.offset_hz != 0.0 && !mode.has_tones() {
        let what = format!("tone_offset: {mode} has no tones that could be moved");
        faults.add(
            section.at("tone_offset"),
            what,
            "tone_offset = \"0 Hz\", or leave it out",
        );
    }
    if let Err(error) = mode.check_rate(config.rate) {
        let lowest = frequency(f64::from(mode.lowest_sample_rate()));
        let allowed = format!("rate = \"48 kHz\" in [port.sound]; for {mode} at least {lowest}");
        faults.add(section.at("mode"), format!("mode: {error}"), allowed);
    }
}

/// A frame that is longer than the longest transmission could never be sent.
fn check_longest(config: &PortConfig, section: &Section<'_>, faults: &mut Faults<'_>) {
    let octets = OVERHEAD + config.info_length as u32; // At most 256 by its rule.
    // Bit stuffing adds at most one bit to five (AX.25 2.2, 3.6).
    let bits = f64::from(octets * 8) * 1.2;
    let frame = Duration::from_secs_f64(bits / f64::from(config.mode.baud()));
    let timing = &config.timing;
    let needed = timing.key_up_delay + frame + timing.tail;
    if needed > timing.longest_transmission {
        let needed_ms = Duration::from_millis(needed.as_millis() as u64 + 1);
        let what = format!(
            "longest_transmission: a frame with {} octets of text needs {}, with key-up delay \
             and tail; the longest transmission is {}",
            config.info_length,
            duration(needed_ms),
            duration(timing.longest_transmission)
        );
        let allowed = format!(
            "longest_transmission = \"{}\" or longer, or a smaller info_length",
            duration(Duration::from_secs(needed.as_secs() + 1))
        );
        faults.add(section.at("longest_transmission"), what, allowed);
    }
}

/// Settings that suit VHF and spoil HF.
fn hf_habits(config: &PortConfig, section: &Section<'_>, faults: &Faults<'_>) -> Vec<Finding> {
    if config.mode.baud() > SLOW_BAUD {
        return Vec::new();
    }
    let mut findings = Vec::new();
    let mut note = |name: &str, evidence: String, consequence: &str, remedy: &str| {
        findings.push(Finding {
            line: faults.line_of(section.at(name).start),
            what: format!("'{name}' of port {} does not suit HF", config.name),
            evidence,
            consequence: consequence.to_owned(),
            remedy: remedy.to_owned(),
        });
    };
    if config.window > 2 {
        let evidence = format!("it is {}; common practice is 1 or 2", config.window);
        let consequence = "One frame lost to noise makes all after it be sent again.";
        note("window", evidence, consequence, "Take 1.");
    }
    if config.info_length > 80 {
        let evidence = format!("it is {}; common practice is 32 to 80", config.info_length);
        let consequence = "The longer a frame, the rarer it arrives whole.";
        note("info_length", evidence, consequence, "Take 64 or less.");
    }
    if !config.digipeat.is_empty() {
        let evidence = format!("it repeats for {} call signs", config.digipeat.len());
        let consequence = "Every repeat occupies a channel that covers half a continent.";
        note(
            "digipeat",
            evidence,
            consequence,
            "Leave it out, or let a crossing carry the traffic.",
        );
    }
    findings
}
