//! Whether a transmit device may be opened at all, and what its tones can do.

use dunlin_ax25::CallSign;
use dunlin_modem::LEAST_SENT_HZ;
use dunlin_station::gate::Medium;
use dunlin_station::{PortConfig, PortId, StationConfig};

use crate::device::PortDevices;
use crate::fault::Faults;
use crate::section::Section;

/// What is asked of tones that a port has not, or does not make itself.
pub(crate) fn check_tones(config: &PortConfig, section: &Section<'_>, faults: &mut Faults<'_>) {
    let line = config.line;
    let mut wrong = |key: &str, what: String| {
        let allowed = format!("{key} = 0, or leave it out");
        faults.add(section.at(key), format!("{key}: {what}"), allowed);
    };
    if config.offset_hz != 0.0 && !line.has_tones() {
        wrong(
            "tone_offset_hz",
            format!("{line} has no tones that could be moved"),
        );
    }
    let offset_hz = f64::from(config.offset_hz);
    let lowest = line
        .low_and_high()
        .map(|(low, _)| f64::from(low) + offset_hz);
    if let Some(lowest) = lowest.filter(|hz| *hz < LEAST_SENT_HZ) {
        let what = format!(
            "it puts the lower tone at {lowest} Hz, and none is sent below {LEAST_SENT_HZ} Hz"
        );
        wrong("tone_offset_hz", what);
    }
    let makes_sound = config.medium == Medium::Sound;
    let controller = || "a controller makes the tones itself".to_owned();
    if config.pre_emphasis_db_per_octave != 0.0 && !line.has_tones() {
        let what = format!("{line} has no tones, of which one could be raised");
        wrong("pre_emphasis_db_per_octave", what);
    } else if config.pre_emphasis_db_per_octave != 0.0 && !makes_sound {
        wrong("pre_emphasis_db_per_octave", controller());
    }
    if config.follow_most_hz != 0.0 && !line.is_searched() {
        let what = format!(
            "{line} does not look for tones off their place, so it measures no offset to go by"
        );
        wrong("follow_most_hz", what);
    } else if config.follow_most_hz != 0.0 && !makes_sound {
        wrong("follow_most_hz", controller());
    } else if config.follow_most_hz != 0.0 && config.second_input {
        let what = "with [port.second_sound] an offset may be that of the second receiver's dial, \
                    so it says nothing about where to send";
        wrong("follow_most_hz", what.to_owned());
    }
}

/// Whether nobody can hold this call sign: the ITU allocates no series that begins with Q,
/// because the Q code uses it (Radio Regulations, Appendix 42, as several summaries state).
pub fn is_invented(call: CallSign) -> bool {
    call.characters().starts_with('Q')
}

/// Every call sign under which the station would transmit on `port`.
pub(crate) fn own_calls(station: &StationConfig, port: usize) -> Vec<CallSign> {
    let mut calls = vec![station.call];
    if let Some(config) = station.ports.get(port) {
        calls.push(config.call);
        calls.extend(&config.digipeat);
    }
    let is_here = |id: PortId| usize::from(id.0) == port;
    for rule in &station.crossings {
        calls.extend(Some(rule.call).filter(|_| is_here(rule.from)));
        calls.extend(Some(rule.far_call).filter(|_| is_here(rule.to)));
    }
    calls
}

/// Whether the transmit device of a port may be opened; the error says why not and what to
/// do about it.
pub(crate) fn may_open(
    station: &StationConfig,
    port: usize,
    devices: &PortDevices,
) -> Result<(), String> {
    let Some(config) = station.ports.get(port) else {
        return Err(format!("there is no port number {port} in the plan"));
    };
    let name = &config.name;
    if !config.may_transmit {
        return Err(format!(
            "port {name} only hears: it has no output in [port.sound], or transmit = false"
        ));
    }
    let invented = own_calls(station, port)
        .into_iter()
        .find(|call| is_invented(*call));
    match invented {
        Some(call) if !devices.is_loop() => Err(format!(
            "port {name} does not transmit: {call} begins with Q, and such call signs belong to \
             nobody. Put your own call sign into the plan; or, if this port is a cable or a \
             sound-server loop with no radio on it, say loop = true in its [port.sound]"
        )),
        _ => Ok(()),
    }
}
