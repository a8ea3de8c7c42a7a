//! One port: `[[port]]` with its sound device and beacons.

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, SampleRate};
use dunlin_modem::Line;
use dunlin_station::gate::{GateConfig, Medium};
use dunlin_station::port::most_bits;
use dunlin_station::{DigipeatLimits, PortConfig, Timing};

use crate::beacon::{self, BeaconPort};
use crate::device::{Carrier, ControllerPlan, Device, KeyLine, KeyPlan, PortDevices};
use crate::fault::Faults;
use crate::finding::Finding;
use crate::guard::{self, SensePart};
use crate::line;
use crate::measure::plain;
use crate::quantity::duration;
use crate::radio::{RadioKind, RadioPlan};
use crate::rule::Placed;
use crate::section::Section;
use crate::setting::PlanRules;
use crate::settings;
use crate::sound::{SecondSoundPlan, SoundPlan};
use crate::transmit;

/// Fastest symbol rate that takes the defaults of HF.
const SLOW_BAUD: u32 = 300;

/// Octets of a frame besides its text: two addresses, control, PID. FCS and flags come extra.
const OVERHEAD: usize = 16;

/// What was read of a port, as far as it could be read.
pub(crate) struct PortRead<'i> {
    pub config: Option<PortConfig>,
    pub name: Option<Placed<String>>,
    pub call: Option<Placed<CallSign>>,
    pub may_transmit: Option<bool>,
    /// It is slow, or its radio is said to be on HF.
    pub hf: bool,
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
    let line = mode.and_then(|mode| line::read(&mut section, mode, faults));
    let slow = line
        .or(mode.map(Line::from))
        .is_some_and(|line| line.baud() <= SLOW_BAUD);
    section.set_slow(slow);
    let also_hears = line::also(&mut section, line, faults);
    let own_call = section.take(&settings::PORT_CALL, faults);
    // A wrong call is not replaced by the default: that would only hide what depends on it.
    let default = station_call.filter(|_| !section.was_written("call"));
    let call = own_call.or(default);
    let transmit = section.take(&settings::TRANSMIT, faults);
    let sense = guard::sense(&mut section, faults);
    let gate_sense = sense.as_ref().map(|part| part.sense);
    let devices = match section.rules().rehearsal {
        true => None,
        false => devices(&mut section, sense, transmit, faults),
    };
    let is_loop = devices.as_ref().is_some_and(PortDevices::is_loop);
    let gate = guard::gate(&mut section, gate_sense, is_loop, faults);
    let may_transmit = match (transmit, &devices) {
        (Some(transmit), _) => Some(transmit),
        (None, _) if section.was_written("transmit") => None,
        (None, _) if section.rules().rehearsal => Some(true),
        (None, devices) => devices.as_ref().map(PortDevices::can_send),
    };
    let config = Partial {
        line,
        also_hears,
        second_input: devices.as_ref().is_some_and(|d| d.second.is_some()),
        call,
        may_transmit,
        name: name.clone(),
        rate: rate(section.rules(), devices.as_ref()),
        medium: medium(devices.as_ref()),
        gate,
    };
    let radio = devices.as_ref().and_then(|d| d.radio.as_ref());
    let hf_radio = radio.is_some_and(|r| r.kind == RadioKind::HfSsb);
    let config = config.complete(hf_radio, &mut section, faults, findings);
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
        hf: hf_radio || slow,
        devices,
        rest: section,
    }
}

fn rate(rules: &PlanRules, devices: Option<&PortDevices>) -> Option<SampleRate> {
    if rules.rehearsal {
        return Some(rules.rate);
    }
    devices.map(|devices| devices.sound().map_or(rules.rate, |sound| sound.rate))
}

fn medium(devices: Option<&PortDevices>) -> Medium {
    match devices.and_then(PortDevices::controller) {
        Some(_) => Medium::Controller,
        None => Medium::Sound,
    }
}

/// Reads what connects the port to the outer world. All tables are read before any can be
/// missing.
fn devices(
    section: &mut Section<'_>,
    sense: Option<SensePart>,
    transmit: Option<bool>,
    faults: &mut Faults<'_>,
) -> Option<PortDevices> {
    let carrier = carrier(section, transmit, faults);
    let second = second(section, faults)?;
    let has_controller = section.was_written("controller");
    let mut table = section.table_or_empty("key", "[port.key]", faults);
    let key = KeyPlan::read(&mut table, has_controller, faults);
    let vox_at = table.at("method");
    table.finish(faults);
    let is_loop = |carrier: &Carrier| matches!(carrier, Carrier::Sound(sound) if sound.is_loop);
    let radio = match section.table("radio", "[port.radio]", faults) {
        Some(mut table) => {
            let radio = RadioPlan::read(&mut table, faults);
            table.finish(faults);
            Some(radio?)
        }
        None => None,
    };
    let (carrier, key, sense) = (carrier?, key?, sense?);
    if is_loop(&carrier) && key.line != KeyLine::None {
        let what = "method: a loop has no radio that could be keyed";
        faults.add(
            vox_at,
            what,
            "method = \"none\" with loop = true, or leave [port.key] out",
        );
    }
    Some(PortDevices {
        carrier,
        second,
        key,
        squelch_line: sense.line,
        energy_margin_db: sense.margin_db,
        radio,
    })
}

/// Reads `[port.second_sound]`. The outer `None`: it is wrong.
fn second(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<Option<SecondSoundPlan>> {
    let Some(mut table) = section.table("second_sound", "[port.second_sound]", faults) else {
        return (!section.was_written("second_sound")).then_some(None);
    };
    let second = SecondSoundPlan::read(&mut table, faults);
    table.finish(faults);
    if section.was_written("controller") {
        let what = "this port has a second sound input and a controller";
        let allowed = "[port.second_sound] beside [port.sound]; a controller hears by itself";
        faults.add(section.at("second_sound"), what, allowed);
    }
    second.map(Some)
}

/// Reads `[port.sound]` or `[port.controller]`, of which a port has one.
fn carrier(
    section: &mut Section<'_>,
    transmit: Option<bool>,
    faults: &mut Faults<'_>,
) -> Option<Carrier> {
    let sound = section.table("sound", "[port.sound]", faults);
    let controller = section.table("controller", "[port.controller]", faults);
    let sound = sound.and_then(|mut table| {
        let sound = SoundPlan::read(&mut table, faults);
        if let Some(sound) = &sound {
            check_sound(sound, &table, transmit, faults);
        }
        table.finish(faults);
        sound
    });
    let controller = controller.and_then(|mut table| {
        let controller = ControllerPlan::read(&mut table, faults);
        table.finish(faults);
        controller
    });
    match (
        section.was_written("sound"),
        section.was_written("controller"),
    ) {
        (true, true) => {
            let what = "this port has a sound device and a controller";
            let allowed = "[port.sound], or [port.controller], in which the modem is built in";
            faults.add(section.at("controller"), what, allowed);
            None
        }
        (false, false) => {
            let allowed = "a table [port.sound] behind its [[port]], with input = and output =; or \
                           [port.controller] for a KISS controller";
            let what = "this port has no [port.sound] and no [port.controller]";
            faults.add(section.at("sound"), what, allowed);
            None
        }
        _ => sound
            .map(Carrier::Sound)
            .or(controller.map(Carrier::Controller)),
    }
}

fn check_sound(
    sound: &SoundPlan,
    table: &Section<'_>,
    transmit: Option<bool>,
    faults: &mut Faults<'_>,
) {
    let transmits = transmit.unwrap_or(sound.output != Device::None);
    if transmits && sound.output == Device::None {
        let what = "this port has transmit = true, but no output to transmit with";
        let allowed = "output = \"default\" or the name of a sound device, or transmit = false";
        faults.add(table.at("output"), what, allowed);
    }
    if sound.input == Device::None {
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
    line: Option<Line>,
    also_hears: Option<Vec<Line>>,
    second_input: bool,
    call: Option<CallSign>,
    may_transmit: Option<bool>,
    name: Option<String>,
    rate: Option<SampleRate>,
    medium: Medium,
    gate: Option<GateConfig>,
}

impl Partial {
    fn complete(
        self,
        hf_radio: bool,
        section: &mut Section<'_>,
        faults: &mut Faults<'_>,
        findings: &mut Vec<Finding>,
    ) -> Option<PortConfig> {
        let level = section.take(&settings::LEVEL, faults);
        let offset = section.take(&settings::TONE_OFFSET, faults);
        let follow = section.take(&settings::FOLLOW, faults);
        let pre_emphasis = section.take(&settings::PRE_EMPHASIS, faults);
        let fec = section.take(&settings::FEC, faults);
        let timing = timing(section, faults);
        let full_duplex = section.take(&settings::PORT_FULL_DUPLEX, faults);
        let link_version = section.take(&settings::LINK_VERSION, faults);
        let window = section.take(&settings::WINDOW, faults);
        let info_length = section.take(&settings::INFO_LENGTH, faults);
        let adapt = section.take(&settings::ADAPT, faults);
        let retries = section.take(&settings::RETRIES, faults);
        let digipeat = section.take(&settings::DIGIPEAT, faults);
        let on_hf = section.take(&settings::DIGIPEAT_ON_HF, faults);
        let digipeat_limits = digipeat_limits(section, faults);
        let beacon_port = BeaconPort {
            info_length: info_length.map(|n| n as usize),
            slow: self.line.is_some_and(|line| line.baud() <= SLOW_BAUD),
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
            line: self.line?,
            also_hears: self.also_hears?,
            second_input: self.second_input,
            rate: self.rate?,
            may_transmit: self.may_transmit?,
            level_dbfs: level? as f32,
            offset_hz: offset? as f32,
            pre_emphasis_db_per_octave: pre_emphasis? as f32,
            follow_most_hz: follow? as f32,
            fec: fec?,
            timing: timing?,
            full_duplex: full_duplex?,
            link_version: link_version?,
            window: window? as u8, // 1 to 7 by its rule.
            info_length: info_length? as usize,
            adapt: adapt?,
            retries: retries?,
            digipeat: digipeat?.into_iter().map(|call| call.value).collect(),
            digipeat_limits: digipeat_limits?,
            beacons,
            medium: self.medium,
            gate: self.gate?,
        };
        check_modem(&config, section, faults);
        check_duplex(&config, section, faults);
        check_longest(&config, section, faults);
        let said = (hf_radio, on_hf?);
        check_digipeat(&config, said, section, faults);
        findings.extend(hf_habits(&config, section, faults));
        Some(config)
    }
}

fn digipeat_limits(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<DigipeatLimits> {
    let hops = section.take(&settings::DIGIPEAT_HOPS, faults);
    let user = section.take(&settings::DIGIPEAT_USER, faults);
    let port = section.take(&settings::DIGIPEAT_PORT, faults);
    Some(DigipeatLimits {
        // At most 8 and 1000 by their rules.
        most_hops: hops? as u8,
        user_a_minute: user? as u16,
        port_a_minute: port? as u16,
    })
}

/// On a slow port, and on one whose radio is said to be on HF, single frames are repeated only in so many
/// words.
fn check_digipeat(
    config: &PortConfig,
    (hf_radio, on_hf): (bool, bool),
    section: &Section<'_>,
    faults: &mut Faults<'_>,
) {
    let hf = hf_radio || config.line.baud() <= SLOW_BAUD;
    if !config.digipeat.is_empty() && hf && !on_hf {
        let baud = config.line.baud();
        let what = match hf_radio {
            true => "digipeat: single frames would be repeated on HF".to_owned(),
            false => format!("digipeat: single frames would be repeated at {baud} Bd"),
        };
        faults.add(
            section.at("digipeat"),
            what,
            "leave it out, or say digipeat_on_hf = true: every repeat on HF occupies a channel that \
             covers half a continent",
        );
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
    let line = config.line;
    transmit::check_tones(config, section, faults);
    if config.fec.is_some() && config.medium == Medium::Controller {
        let what = "fec_check_octets: a controller makes the bits itself, nothing can be added";
        let allowed = "fec_check_octets = 0 with [port.controller], or leave it out";
        faults.add(section.at("fec_check_octets"), what, allowed);
    }
    check_also(config, section, faults);
    if let Err(error) = line.check_rate(config.rate) {
        let lowest = line.lowest_sample_rate();
        let allowed = format!("rate_hz = 48000 in [port.sound]; for {line} at least {lowest}");
        faults.add(section.at("mode"), format!("mode: {error}"), allowed);
    }
}

/// A controller is told by its own settings.
fn check_duplex(config: &PortConfig, section: &Section<'_>, faults: &mut Faults<'_>) {
    if config.full_duplex && config.medium == Medium::Controller {
        let what = "full_duplex: the controller of this port senses the channel, not the port";
        let allowed = "full_duplex = true in [port.controller], or leave it out";
        faults.add(section.at("full_duplex"), what, allowed);
    }
}

/// What is listened to besides.
fn check_also(config: &PortConfig, section: &Section<'_>, faults: &mut Faults<'_>) {
    if config.also_hears.is_empty() {
        return;
    }
    if config.medium == Medium::Controller {
        let what = "also_hears: a controller hears by itself, in one mode";
        let allowed = "no [[port.also_hears]] with [port.controller]";
        faults.add(section.at("also_hears"), what, allowed);
    }
    for line in &config.also_hears {
        if let Err(error) = line.check_rate(config.rate) {
            let lowest = line.lowest_sample_rate();
            let allowed = format!("rate_hz = 48000 in [port.sound]; for {line} at least {lowest}");
            faults.add(section.at("also_hears"), format!("mode: {error}"), allowed);
        }
    }
}

/// A frame that is longer than the longest transmission could never be sent, and a
/// transmission longer than the key-down limit would be cut.
fn check_longest(config: &PortConfig, section: &Section<'_>, faults: &mut Faults<'_>) {
    // The length is at most 256 by its rule.
    let bits = most_bits(OVERHEAD + config.info_length, config.fec);
    let frame = Duration::from_secs_f64(bits as f64 / f64::from(config.line.baud()));
    let timing = &config.timing;
    let needed = timing.key_up_delay + frame + timing.tail;
    let seconds = |time: Duration| plain(time.as_secs_f64());
    if needed > timing.longest_transmission {
        let needed_ms = Duration::from_millis(needed.as_millis() as u64 + 1);
        let what = format!(
            "longest_transmission_s: a frame with {} octets of text needs {}, with key-up delay \
             and tail; the longest transmission is {}",
            config.info_length,
            duration(needed_ms),
            duration(timing.longest_transmission)
        );
        let allowed = format!(
            "longest_transmission_s = {} or more, or a smaller info_length_octets",
            needed.as_secs() + 1
        );
        faults.add(section.at("longest_transmission_s"), what, allowed);
    } else if timing.longest_transmission > config.gate.limits.single {
        let what = format!(
            "longest_transmission_s: it is {} s, and single_s of [port.limits] cuts every key-down \
             at {} s",
            seconds(timing.longest_transmission),
            seconds(config.gate.limits.single)
        );
        let allowed = "a longest_transmission_s below single_s";
        faults.add(section.at("longest_transmission_s"), what, allowed);
    }
}

/// Settings that suit VHF and spoil HF.
fn hf_habits(config: &PortConfig, section: &Section<'_>, faults: &Faults<'_>) -> Vec<Finding> {
    if config.line.baud() > SLOW_BAUD {
        return Vec::new();
    }
    let mut findings = Vec::new();
    let mut note = |name: &str, evidence: String, consequence: &str, remedy: &str| {
        findings.push(Finding {
            id: "hf-habits",
            severity: crate::finding::Severity::Attention,
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
        note("window_frames", evidence, consequence, "Take 1.");
    }
    if config.info_length > 80 {
        let evidence = format!("it is {}; common practice is 32 to 80", config.info_length);
        let consequence = "The longer a frame, the rarer it arrives whole.";
        note(
            "info_length_octets",
            evidence,
            consequence,
            "Take 64 or less.",
        );
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
