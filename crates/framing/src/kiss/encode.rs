//! Frames to octets, and settings to parameters.
//!
//! Source: [K] sections 2 to 4, named at the top of this module.

use dunlin_clock::Duration;

use super::{Command, FEND, FESC, KissPort, TFEND, TFESC};

/// One frame as octets: an opening [`FEND`], the type octet, the content, a closing [`FEND`].
///
/// An empty parameter or data frame is encoded as it is asked for; what a receiver makes of it
/// is its affair.
pub fn encode(port: KissPort, command: Command, octets: &[u8]) -> Vec<u8> {
    let mut line = Vec::with_capacity(octets.len() + octets.len() / 16 + 4);
    line.push(FEND);
    // FF is a command by itself and needs no escape; a data frame of port 12 has the type
    // octet C0 and does ([K] section 3 makes no exception).
    escape(command.type_octet(port), &mut line);
    octets.iter().for_each(|&octet| escape(octet, &mut line));
    line.push(FEND);
    line
}

fn escape(octet: u8, line: &mut Vec<u8>) {
    match octet {
        FEND => line.extend([FESC, TFEND]),
        FESC => line.extend([FESC, TFESC]),
        other => line.push(other),
    }
}

/// A time as a parameter: units of 10 ms, rounded up so that no time gets shorter than asked.
/// `None` if it is above 2550 ms, the most that one octet can say.
pub fn ten_ms_units(time: Duration) -> Option<u8> {
    let units = time.as_nanos().div_ceil(10_000_000);
    u8::try_from(units).ok()
}

/// A persistence (a chance) as its parameter: round(p · 256 − 1), which [K] section 4 reads
/// as (P + 1) / 256. Chances below 1/256 become 1/256, those above 1 become 1; what is no
/// number becomes 1/256.
pub fn wire_persistence(chance: f64) -> u8 {
    // A float cast saturates, and makes zero of what is no number.
    (chance * 256.0 - 1.0).round() as u8
}
