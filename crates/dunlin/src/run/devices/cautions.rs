//! What people must read before a port that can transmit starts.

use dunlin_plan::{KeyLine, PortDevices};

/// The lines for one port.
pub(super) fn cautions(port: &str, devices: &PortDevices) -> Vec<String> {
    if devices.is_loop() {
        return vec![format!(
            "Port {port} is a loop by the plan's word: make sure that no radio is on its output."
        )];
    }
    let mut lines = vec![how(port, &devices.key.line)];
    if let KeyLine::Vox | KeyLine::None = devices.key.line {
        lines.push(
            "  Any sound on that device goes on the air: give Dunlin a device of its own, and keep \
             other programs and system sounds off it."
                .into(),
        );
    }
    let rest = [
        "  A radio that stays keyed overheats and blocks the channel. Set the radio's own time-out \
         timer, and know how to cut its power.",
        "  First try on a dummy load at low power, and watch the radio while it sends.",
        "  Before an antenna: safe distances for radio-frequency fields, no lightning about, and a \
         licence that covers what you do, also unattended.",
    ];
    lines.extend(rest.map(String::from));
    lines
}

fn how(port: &str, line: &KeyLine) -> String {
    match line {
        KeyLine::Vox => format!("CAUTION: port {port} keys its radio by sound (vox)."),
        KeyLine::None => format!(
            "CAUTION: port {port} plays sound to an output and keys nothing; a radio set to vox \
             would transmit."
        ),
        KeyLine::Controller => format!(
            "CAUTION: port {port} sends through a controller, which keys by itself: what it was \
             given cannot be called back."
        ),
        KeyLine::Serial { device, .. } | KeyLine::Cat { device, .. } => {
            format!("CAUTION: port {port} keys its radio by {device}.")
        }
        KeyLine::Gpio { chip, pin, .. } => {
            format!("CAUTION: port {port} keys its radio by pin {pin} of {chip}.")
        }
        KeyLine::Hid { device, pin, .. } => {
            format!("CAUTION: port {port} keys its radio by pin {pin} of the codec {device}.")
        }
    }
}
