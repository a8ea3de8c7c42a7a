//! Whether a transmit device may be opened at all.

use dunlin_ax25::CallSign;
use dunlin_station::{PortId, StationConfig};

use crate::device::PortDevices;

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
