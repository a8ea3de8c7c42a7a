//! AX.25 frames: what is decoded encodes again octet for octet, and reads as one harmless line.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{MAX_REPEATERS, Modulo};

use super::could_steer;

pub fn run(octets: &[u8]) {
    for modulo in [Modulo::Eight, Modulo::OneHundredTwentyEight] {
        match Frame::decode_modulo(octets, modulo) {
            Ok(frame) => check(&frame, octets, modulo),
            Err(error) => assert!(!could_steer(&error.to_string())),
        }
    }
    let either = Frame::decode_modulo(octets, Modulo::OneHundredTwentyEight).is_ok();
    let expected = Frame::decode(octets).is_ok() || either;
    assert_eq!(Frame::decode_overheard(octets).is_ok(), expected);
}

fn check(frame: &Frame, octets: &[u8], modulo: Modulo) {
    assert_eq!(frame.encode_modulo(modulo), octets);
    assert!(!could_steer(&frame.to_string()), "{frame}");
    assert!(frame.repeaters.len() <= MAX_REPEATERS);
    assert_eq!(frame.pid.is_some(), frame.control.has_pid());
    if let Some(path) = frame.reply_path() {
        assert_eq!(path.len(), frame.repeaters.len());
    }
    // Each repeater on the way changes one bit, and in the end the destination may take it.
    let mut on_the_way = frame.clone();
    let mut before = octets.to_vec();
    while let Some(call) = on_the_way
        .next_repeater()
        .map(|next| next.address.call_sign())
    {
        let Some(call) = call else { return };
        assert!(on_the_way.mark_repeated(call));
        let after = on_the_way.encode_modulo(modulo);
        let changed = before.iter().zip(&after).map(|(b, a)| (b ^ a).count_ones());
        assert_eq!(changed.sum::<u32>(), 1);
        before = after;
    }
    assert!(on_the_way.is_fully_repeated());
}
