//! Carrier sense and shared devices.

use super::{Check, Port, View};
use crate::device::{Device, SquelchLine};
use crate::finding::Severity::{Attention, Hint, Stop};
use crate::radio::Squelch;
use crate::sound::Channel;

const PRACTICE: &str = "common practice, no source";

fn meet(a: Channel, b: Channel) -> bool {
    a == b || a == Channel::Mono || b == Channel::Mono
}

/// Pairs of ports, the later one second.
fn pairs<'a>(view: &View<'a>) -> Vec<(Port<'a>, Port<'a>)> {
    let ports: Vec<Port<'a>> = view.ports().collect();
    let mut pairs = Vec::new();
    for (index, port) in ports.iter().enumerate() {
        pairs.extend(ports[..index].iter().map(|earlier| (*earlier, *port)));
    }
    pairs
}

/// The same line of the same device.
fn same_line(a: &SquelchLine, b: &SquelchLine) -> bool {
    match (a, b) {
        (
            SquelchLine::Serial {
                device: a, line: x, ..
            },
            SquelchLine::Serial {
                device: b, line: y, ..
            },
        ) => a == b && x == y,
        (
            SquelchLine::Gpio {
                chip: a, pin: x, ..
            },
            SquelchLine::Gpio {
                chip: b, pin: y, ..
            },
        ) => a == b && x == y,
        (
            SquelchLine::Hid {
                device: a, pin: x, ..
            },
            SquelchLine::Hid {
                device: b, pin: y, ..
            },
        ) => a == b && x == y,
        _ => false,
    }
}

pub(super) const CHECKS: &[Check] = &[
    Check {
        id: "sense-nothing",
        severity: Stop,
        reason: "A station listens before it sends.",
        source: PRACTICE,
        look: |view, out| {
            for port in view.sending().filter(|port| port.devices.sound().is_some()) {
                let sense = port.config.gate.sense;
                if !(sense.data || sense.energy || sense.external) {
                    out.push(port.say(
                        "sense",
                        "nothing tells it that the channel is occupied",
                        "data = false, energy = false, external = \"none\"",
                        "It sends over everybody.",
                        "Set data = true in [port.sense].",
                    ));
                }
            }
        },
    },
    Check {
        id: "sense-no-data",
        severity: Attention,
        reason: "Data of the own mode is the surest sign of another station.",
        source: PRACTICE,
        look: |view, out| {
            for port in view.sending().filter(|port| port.devices.sound().is_some()) {
                let sense = port.config.gate.sense;
                if !sense.data && (sense.energy || sense.external) {
                    out.push(port.say(
                        "sense.data",
                        "it does not look for data of its own mode",
                        "data = false",
                        "Weak stations of the same channel are sent over.",
                        "Set data = true beside the others.",
                    ));
                }
            }
        },
    },
    Check {
        id: "energy-unsquelched",
        severity: Attention,
        reason: "Hiss of an open squelch is energy, often more than a signal.",
        source: PRACTICE,
        look: |view, out| {
            for port in view.sending() {
                let Some(radio) = &port.devices.radio else {
                    continue;
                };
                if port.config.gate.sense.energy
                    && radio.kind.is_fm()
                    && radio.squelch != Squelch::Closed
                {
                    out.push(port.say(
                        "sense.energy",
                        "energy is sensed on a line without squelch",
                        "energy = true, and squelch is not \"closed\" in [port.radio]",
                        "The detector flickers or stays on, and nothing is ever sent.",
                        "Sense data instead, or close the squelch and say so.",
                    ));
                }
            }
        },
    },
    Check {
        id: "squelch-closed",
        severity: Hint,
        reason: "A data detector behind a squelch notices other stations later.",
        source: "Duffy, Open squelch data carrier detect",
        look: |view, out| {
            for port in view.sending() {
                let closed = port
                    .devices
                    .radio
                    .is_some_and(|radio| radio.squelch == Squelch::Closed);
                if closed && port.config.gate.sense.data && !port.config.gate.sense.energy {
                    out.push(port.say(
                        "radio.squelch",
                        "the squelch is closed",
                        "squelch = \"closed\" and data is sensed",
                        "The beginning of frames is lost and other senders are noticed late.",
                        "Open the squelch.",
                    ));
                }
            }
        },
    },
    Check {
        id: "sense-line-shared",
        severity: Attention,
        reason: "One line cannot speak for two channels.",
        source: "arithmetic",
        look: |view, out| {
            for (first, port) in pairs(view) {
                let lines = first
                    .devices
                    .squelch_line
                    .as_ref()
                    .zip(port.devices.squelch_line.as_ref());
                if lines.is_some_and(|(a, b)| same_line(a, b)) {
                    out.push(port.say(
                        "sense.external",
                        "two ports share one squelch line",
                        format!("also port {}", first.config.name),
                        "One channel holds both, or the wrong one.",
                        "Give each port its own line.",
                    ));
                }
            }
        },
    },
    Check {
        id: "same-input",
        severity: Attention,
        reason: "Two ports that hear the same sound hear the same channel.",
        source: "arithmetic",
        look: |view, out| {
            for (first, port) in pairs(view) {
                let (Some(a), Some(b)) = (first.devices.sound(), port.devices.sound()) else {
                    continue;
                };
                if a.input == b.input && a.input != Device::None && meet(a.channel, b.channel) {
                    out.push(port.say(
                        "sound",
                        "it hears the same channel of the same sound device as another port",
                        format!("port {}: 'input' and 'channel'", first.config.name),
                        "Each senses the other's channel, and everything is heard twice.",
                        "Give each port its own device, or left to one and right to the other.",
                    ));
                }
            }
        },
    },
    Check {
        id: "second-same",
        severity: Attention,
        reason: "What is combined must have noise of its own.",
        source: "D. G. Brennan, Proc. IRE 47, 1959 (from memory)",
        look: |view, out| {
            for port in view.ports() {
                let (Some(sound), Some(second)) = (port.devices.sound(), &port.devices.second)
                else {
                    continue;
                };
                if sound.input == second.input && meet(sound.channel, second.channel) {
                    out.push(port.say(
                        "second_sound",
                        "its second input is the first one again",
                        "the same device in [port.sound] and [port.second_sound], and no two \
                         channels of it that differ",
                        "Nothing is gained, and every frame is worked on twice.",
                        "Give one receiver the left channel and the other the right, or another \
                         device.",
                    ));
                }
            }
        },
    },
    Check {
        id: "second-other",
        severity: Attention,
        reason: "Two ports that hear the same sound hear the same channel.",
        source: "arithmetic",
        look: |view, out| {
            for port in view.ports() {
                let Some(second) = &port.devices.second else {
                    continue;
                };
                let other = view.ports().find(|other| {
                    let hears = other.devices.sound().is_some_and(|sound| {
                        sound.input == second.input && meet(sound.channel, second.channel)
                    });
                    hears && other.index != port.index
                });
                if let Some(other) = other {
                    out.push(port.say(
                        "second_sound",
                        "its second input hears what another port hears",
                        format!("port {}: 'input' and 'channel'", other.config.name),
                        "Each senses the other's channel, and frames are heard on both.",
                        "Give the second input a receiver of this port's channel.",
                    ));
                }
            }
        },
    },
    Check {
        id: "controller-senses",
        severity: Hint,
        reason: "A controller senses the channel itself.",
        source: "KISS paper, section 6",
        look: |view, out| {
            for port in view
                .ports()
                .filter(|port| port.devices.controller().is_some())
            {
                if view.has(&port.path("sense")) {
                    out.push(port.say(
                        "sense",
                        "[port.sense] has no effect",
                        "the port has a controller, which senses the channel itself",
                        "Nothing of it is used.",
                        "Set the squelch and the detector at the controller.",
                    ));
                }
            }
        },
    },
    Check {
        id: "controller-twice",
        severity: Stop,
        reason: "One radio of a controller is one port.",
        source: "KISS paper, section 4",
        look: |view, out| {
            for (first, port) in pairs(view) {
                let (Some(a), Some(b)) = (first.devices.controller(), port.devices.controller())
                else {
                    continue;
                };
                if a.link == b.link && a.number == b.number {
                    out.push(port.say(
                        "controller.number",
                        "two ports are the same radio of one controller",
                        format!("port {} too has number {}", first.config.name, a.number),
                        "Both send by one radio and know nothing of each other.",
                        "Give each its own number.",
                    ));
                }
            }
        },
    },
    Check {
        id: "port-duplex",
        severity: Attention,
        reason: "Full duplex sends without listening.",
        source: "AX.25 2.2, Fig C2b",
        look: |view, out| {
            for port in view.sending().filter(|port| port.config.full_duplex) {
                out.push(port.say(
                    "full_duplex",
                    "it sends without listening",
                    "full_duplex = true",
                    "On a shared channel it sends over everybody.",
                    "Leave it false unless each direction has a frequency of its own.",
                ));
            }
        },
    },
    Check {
        id: "controller-duplex",
        severity: Attention,
        reason: "Full duplex sends without listening.",
        source: "KISS paper, section 6",
        look: |view, out| {
            for port in view.sending() {
                if port
                    .devices
                    .controller()
                    .is_some_and(|controller| controller.full_duplex)
                {
                    out.push(port.say(
                        "controller.full_duplex",
                        "the controller sends without listening",
                        "full_duplex = true",
                        "On a shared channel it sends over everybody.",
                        "Leave it false unless each direction has a channel of its own.",
                    ));
                }
            }
        },
    },
];
