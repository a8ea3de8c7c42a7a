//! What can be had at best: the computed bound of selective repeat, written from `docs/goodput.md`
//! and not from the code of the station.

use crate::stand::{Setup, timing};

/// Stuffed bits in one of text: none of the letters used has five ones in a row, but pairs of
/// letters and numbers may; measured on random letters.
const STUFFED: f64 = 1.005;
/// Frame besides its text, octets: two addresses, PID, FCS and a flag (AX.25 2.2 §3.1), without
/// the control field.
const FRAME: f64 = 18.0;

/// Octets of control field of an I or S frame.
fn control(setup: &Setup) -> f64 {
    match setup.version {
        dunlin_ax25::data_link::Version::V20 => 1.0,
        dunlin_ax25::data_link::Version::V22 => 2.0,
    }
}

/// Octets of text a second for frames of `length` octets, `k` in a burst, of which each is lost
/// alone and sent again alone, and every answer arrives.
pub fn selective(setup: &Setup, length: usize, k: u8) -> f64 {
    let t = timing(setup.baud);
    let baud = f64::from(setup.baud);
    let flags = |s: f64| (s * baud / 8.0).ceil() * 8.0 / baud;
    let key = flags(t.key_up_delay.as_secs_f64()) + flags(t.tail.as_secs_f64());
    let wait = t.slot_time.as_secs_f64() / t.persistence;
    let bits = (FRAME + control(setup) + length as f64) * 8.0 * STUFFED;
    let frame = bits / baud;
    let answer = (FRAME - 1.0 + control(setup)) * 8.0 * STUFFED / baud;
    let room = (t.longest_transmission.as_secs_f64() - key) / frame;
    let burst = f64::from(k).min(room.floor()).max(1.0);
    // The answer is not drawn for.
    let cycle = wait + 2.0 * key + burst * frame + answer;
    burst * length as f64 * (1.0 - setup.bit_errors).powf(bits) / cycle
}
