//! Timing on the channel, window and frame length.

use super::{Check, Port, Say, View};
use crate::finding::Severity::{Attention, Hint};

const PRACTICE: &str = "common practice, no source";

fn ms(time: std::time::Duration) -> f64 {
    time.as_secs_f64() * 1e3
}

/// Says something of each sending port for which `finds` has evidence.
fn each(
    view: &View<'_>,
    out: &mut Vec<Say>,
    key: &str,
    what: &str,
    consequence: &'static str,
    remedy: &str,
    finds: impl Fn(&Port<'_>) -> Option<String>,
) {
    for port in view.sending() {
        if let Some(evidence) = finds(&port) {
            out.push(port.say(key, what, evidence, consequence, remedy));
        }
    }
}

/// `value` is below the limit of its speed.
fn below(value: f64, port: &Port<'_>, slow: f64, fast: f64) -> Option<String> {
    let limit = if port.slow() { slow } else { fast };
    (value < limit).then(|| format!("it is {value}, at this speed {limit} is the least"))
}

/// `value` is above the limit of its speed.
fn above(value: f64, port: &Port<'_>, slow: f64, fast: f64) -> Option<String> {
    let limit = if port.slow() { slow } else { fast };
    (value > limit).then(|| format!("it is {value}, at this speed {limit} is plenty"))
}

/// Octets of a frame besides its text, with flags.
const OVERHEAD: f64 = 20.0;

/// Time for a whole window and its acknowledgement on a channel that is clear, seconds: key-up
/// at both ends, frames with a twentieth for stuffing, and the mean wait for a slot, twice.
fn round_trip(port: &Port<'_>) -> f64 {
    let (config, timing) = (port.config, &port.config.timing);
    let octet = 8.0 * 1.05 / f64::from(config.line.baud());
    let text = f64::from(config.window) * (OVERHEAD + config.info_length as f64) * octet;
    let ends = 2.0 * (timing.key_up_delay + timing.tail).as_secs_f64();
    let waits = 2.0 * timing.slot_time.as_secs_f64() / timing.persistence;
    text + OVERHEAD * octet + ends + waits
}

pub(super) const CHECKS: &[Check] = &[
    Check {
        id: "slot-short",
        severity: Attention,
        reason: "A slot must exceed the time to notice another sender and its key-up.",
        source: "Kleinrock and Tobagi 1975; detection 40 to 50 ms on FM: common practice, no source",
        look: |view, out| {
            each(
                view,
                out,
                "slot_time_ms",
                "the slot is shorter than the detection of another sender",
                "Two stations begin in neighbouring slots and collide.",
                "Make slot_time_ms larger.",
                |port| below(ms(port.config.timing.slot_time), port, 150.0, 60.0),
            );
        },
    },
    Check {
        id: "slot-long",
        severity: Hint,
        reason: "A slot longer than needed leaves the channel idle.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "slot_time_ms",
                "the slot is long",
                "The channel stands idle while everybody waits.",
                "Make slot_time_ms smaller.",
                |port| above(ms(port.config.timing.slot_time), port, 1000.0, 500.0),
            );
        },
    },
    Check {
        id: "delay-short",
        severity: Attention,
        reason: "The transmitter rises and the other receiver recovers within the key-up delay.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "key_up_delay_ms",
                "the key-up delay is short",
                "The beginning of frames is lost and everything is sent again.",
                "Begin with 300 ms on FM and 400 ms on HF; shorten it only while somebody reports.",
                |port| below(ms(port.config.timing.key_up_delay), port, 250.0, 150.0),
            );
        },
    },
    Check {
        id: "delay-wasteful",
        severity: Hint,
        reason: "Key-up delay is time on the channel in which nobody says anything.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "key_up_delay_ms",
                "the key-up delay is long",
                "Most of a short transmission is then silence of everybody else.",
                "Shorten it in steps of 50 ms until frames are missed, then go back one step.",
                |port| above(ms(port.config.timing.key_up_delay), port, 900.0, 600.0),
            );
        },
    },
    Check {
        id: "tail-short",
        severity: Hint,
        reason: "A key that is released early cuts the last frame.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "tail_ms",
                "there is next to no tail",
                "The frame check of the last frame may be cut.",
                "Take 30 ms on VHF, 50 ms on HF.",
                |port| {
                    below(ms(port.config.timing.tail), port, 20.0, 10.0)
                        .filter(|_| port.devices.sound().is_some())
                },
            );
        },
    },
    Check {
        id: "tail-long",
        severity: Hint,
        reason: "A tail is time on the channel without content.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "tail_ms",
                "the tail is long",
                "The channel is held after the last frame.",
                "Take 30 to 50 ms.",
                |port| above(ms(port.config.timing.tail), port, 200.0, 200.0),
            );
        },
    },
    Check {
        id: "persistence-high",
        severity: Attention,
        reason: "With n stations waiting, a chance above 1/n makes collisions likely.",
        source: "W2JUP's HF packet tutorial; Kleinrock and Tobagi 1975",
        look: |view, out| {
            each(
                view,
                out,
                "persistence",
                "the persistence is high",
                "As soon as two stations wait they collide.",
                "Take 0.25 or less on a shared channel.",
                |port| above(port.config.timing.persistence, port, 0.5, 0.5),
            );
        },
    },
    Check {
        id: "persistence-low",
        severity: Hint,
        reason: "A low chance makes long waits on a channel with few stations.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "persistence",
                "the persistence is low",
                "Frames wait although the channel is free.",
                "Take 0.1 or more unless dozens wait.",
                |port| below(port.config.timing.persistence, port, 0.05, 0.05),
            );
        },
    },
    Check {
        id: "window-large",
        severity: Hint,
        reason: "One lost frame makes all after it be sent again.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "window_frames",
                "the window is large for a shared VHF channel",
                "One lost frame makes all after it be sent again.",
                "Take 4 or less.",
                |port| above(f64::from(port.config.window), port, 7.0, 4.0),
            );
        },
    },
    Check {
        id: "length-small",
        severity: Hint,
        reason: "Each frame costs some twenty octets and a key-up besides its text.",
        source: "AX.25 2.2, 3 (fields of a frame)",
        look: |view, out| {
            each(
                view,
                out,
                "info_length_octets",
                "the frames are short",
                "Most of the time on the channel is addresses and key-up delay.",
                "Take 128 on VHF, 32 to 64 on HF.",
                |port| below(port.config.info_length as f64, port, 16.0, 32.0),
            );
        },
    },
    Check {
        id: "round-trip-long",
        severity: Attention,
        reason: "Stations with a fixed T1 ask again before a long round trip is over.",
        source: "computed from key-up, frame times, slots and persistence; AX.25 2.2, T1",
        look: |view, out| {
            each(
                view,
                out,
                "window_frames",
                "a window and its acknowledgement take long",
                "A station at the other end whose T1 is shorter asks and repeats before the answer \
                 could come.",
                "Take a smaller window_frames, info_length_octets or key_up_delay_ms.",
                |port| {
                    let (time, limit) = (round_trip(port), if port.slow() { 10.0 } else { 9.0 });
                    (time > limit).then(|| {
                        format!(
                            "computed round trip {time:.1} s on a clear channel, {limit} s is much"
                        )
                    })
                },
            );
        },
    },
    Check {
        id: "retries-many",
        severity: Attention,
        reason: "A link without hope takes the channel from everybody.",
        source: PRACTICE,
        look: |view, out| {
            each(
                view,
                out,
                "retries",
                "a link is given up late",
                "Frames that nobody answers go on for minutes.",
                "Take 8 to 10.",
                |port| above(f64::from(port.config.retries), port, 10.0, 10.0),
            );
        },
    },
    Check {
        id: "idle-check-often",
        severity: Hint,
        reason: "Each enquiry on an idle link costs two transmissions.",
        source: "AX.25 2.2, T3; figures are common practice, no source",
        look: |view, out| {
            each(
                view,
                out,
                "idle_check_s",
                "idle links are asked often",
                "Enquiries fill the channel while nobody has anything to say.",
                "Take 300 s on VHF, 600 s on HF.",
                |port| {
                    below(
                        port.config.timing.idle_check.as_secs_f64(),
                        port,
                        180.0,
                        120.0,
                    )
                },
            );
        },
    },
];
