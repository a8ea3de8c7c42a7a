//! What keys the transmitter.

use super::{Check, Say, View};
use crate::device::{ControllerLink, Device, KeyLine, KeyMethod};
use crate::finding::Severity::{Attention, Hint, Stop};

/// A serial port by its number, which changes when devices are plugged in another order.
fn by_number(device: &str) -> bool {
    let name = device.strip_prefix("/dev/").unwrap_or(device);
    name.starts_with("ttyUSB") || name.starts_with("ttyACM") || name.starts_with("hidraw")
}

/// The device file of a key line.
fn device(line: &KeyLine) -> Option<&str> {
    match line {
        KeyLine::Serial { device, .. }
        | KeyLine::Hid { device, .. }
        | KeyLine::Cat { device, .. } => Some(device),
        _ => None,
    }
}

fn same_key(a: &KeyLine, b: &KeyLine) -> bool {
    match (a, b) {
        (
            KeyLine::Gpio {
                chip: a, pin: x, ..
            },
            KeyLine::Gpio {
                chip: b, pin: y, ..
            },
        ) => a == b && x == y,
        (
            KeyLine::Serial {
                device: a,
                line: x,
                opposed: o,
                ..
            },
            KeyLine::Serial {
                device: b,
                line: y,
                opposed: p,
                ..
            },
        ) => a == b && (x == y || *o || *p),
        (
            KeyLine::Hid {
                device: a, pin: x, ..
            },
            KeyLine::Hid {
                device: b, pin: y, ..
            },
        ) => a == b && x == y,
        (KeyLine::Cat { device: a, .. }, other) | (other, KeyLine::Cat { device: a, .. }) => {
            device(other) == Some(a.as_str())
        }
        _ => false,
    }
}

/// Keys of [port.key] that a method uses.
fn used(method: KeyMethod) -> &'static [&'static str] {
    match method {
        KeyMethod::None | KeyMethod::Vox | KeyMethod::Controller => &[],
        KeyMethod::Serial => &[
            "device",
            "line",
            "inverted",
            "opposed",
            "longest_key_down_s",
            "rest_s",
        ],
        KeyMethod::Gpio => &["chip", "pin", "inverted", "longest_key_down_s", "rest_s"],
        KeyMethod::Hid => &["device", "pin", "inverted", "longest_key_down_s", "rest_s"],
        KeyMethod::Cat => &[
            "device",
            "key_hex",
            "release_hex",
            "speed_baud",
            "longest_key_down_s",
            "rest_s",
        ],
    }
}

const ALL: &[&str] = &[
    "device",
    "line",
    "inverted",
    "opposed",
    "chip",
    "pin",
    "key_hex",
    "release_hex",
    "speed_baud",
    "longest_key_down_s",
    "rest_s",
];

fn unused(view: &View<'_>, out: &mut Vec<Say>) {
    for port in view.ports() {
        let method = port.devices.key.line.method();
        for key in ALL.iter().filter(|key| !used(method).contains(key)) {
            let path = format!("key.{key}");
            if view.has(&port.path(&path)) {
                out.push(port.say(
                    &path,
                    format!("'{key}' of [port.key] has no effect"),
                    "its method does not use it",
                    "It may have been meant for another method.",
                    "Take it out, or choose the method that uses it.",
                ));
            }
        }
    }
}

pub(super) const CHECKS: &[Check] = &[
    Check {
        id: "vox-on-hf",
        severity: Attention,
        reason: "Vox hangs and starts late; data needs positive keying.",
        source: "common practice, no source",
        look: |view, out| {
            for port in view
                .sending()
                .filter(|port| port.slow() && port.devices.key.line == KeyLine::Vox)
            {
                out.push(port.say(
                    "key.method",
                    "vox keys a transmitter on HF",
                    "method = \"vox\" at 300 Bd",
                    "The hang time eats the answers of the other end.",
                    "Key by serial, gpio, hid or cat.",
                ));
            }
        },
    },
    Check {
        id: "vox-default-device",
        severity: Attention,
        reason: "With vox every sound of the computer goes on the air.",
        source: "common practice, no source",
        look: |view, out| {
            for port in view
                .sending()
                .filter(|port| port.devices.key.line == KeyLine::Vox)
            {
                if port
                    .devices
                    .sound()
                    .is_some_and(|sound| sound.output == Device::Default)
                {
                    out.push(port.say(
                        "sound.output",
                        "the system's sounds would key the radio",
                        "output = \"default\" with vox",
                        "Any program that plays a sound transmits.",
                        "Name a sound device that nothing else uses.",
                    ));
                }
            }
        },
    },
    Check {
        id: "key-inverted",
        severity: Attention,
        reason: "A radio that keys on an idle line keys when the computer is off.",
        source: "arithmetic",
        look: |view, out| {
            for port in view.sending() {
                let inverted = match &port.devices.key.line {
                    KeyLine::Serial { inverted, .. }
                    | KeyLine::Gpio { inverted, .. }
                    | KeyLine::Hid { inverted, .. } => *inverted,
                    _ => false,
                };
                if inverted {
                    out.push(port.say("key.inverted", "the radio keys while the line is off", "inverted = true",
                        "It transmits when the plug is pulled, the computer starts or has no power.",
                        "Change the interface so that it keys on an active line."));
                }
            }
        },
    },
    Check {
        id: "device-by-number",
        severity: Attention,
        reason: "Numbers of devices change when they are plugged in another order.",
        source: "common practice, no source",
        look: |view, out| {
            for port in view.ports() {
                let key = device(&port.devices.key.line).filter(|device| by_number(device));
                let controller = port
                    .devices
                    .controller()
                    .and_then(|controller| match &controller.link {
                        ControllerLink::Serial { device, .. } if by_number(device) => {
                            Some(device.as_str())
                        }
                        _ => None,
                    });
                for (path, device) in [("key.device", key), ("controller.device", controller)] {
                    if let Some(device) = device {
                        out.push(port.say(path, "a device is named by its number", device,
                            "After the next start it may be another device, and another radio is keyed.",
                            "Use its name below /dev/serial/by-id or /dev/serial/by-path; for a codec usb: and its socket."));
                    }
                }
            }
        },
    },
    Check {
        id: "key-shared",
        severity: Stop,
        reason: "One line keys one radio.",
        source: "arithmetic",
        look: |view, out| {
            let ports: Vec<_> = view.ports().collect();
            for (index, port) in ports.iter().enumerate() {
                for first in &ports[..index] {
                    if same_key(&first.devices.key.line, &port.devices.key.line) {
                        out.push(port.say(
                            "key",
                            "two ports use one key line",
                            format!("also port {}", first.config.name),
                            "Each keys the other's radio.",
                            "Give each port its own line.",
                        ));
                    }
                }
            }
        },
    },
    Check {
        id: "key-unused",
        severity: Hint,
        reason: "A setting without effect was probably meant to have one.",
        source: "arithmetic",
        look: unused,
    },
    Check {
        id: "serial-not-opposed",
        severity: Hint,
        reason: "A starting computer may set a serial line before any program runs.",
        source: "common practice, no source",
        look: |view, out| {
            for port in view.sending() {
                if let KeyLine::Serial { opposed: false, .. } = port.devices.key.line {
                    out.push(port.say("key.method", "the serial line may key while the computer starts", "opposed = false",
                        "The radio transmits until the station starts.",
                        "Watch the radio while the computer starts; use an interface that wants opposed lines, and the radio's own time-out."));
                }
            }
        },
    },
];
