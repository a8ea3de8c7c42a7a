//! From the plan's words on keying to those of the keyer.

use dunlin_plan::{KeyLine as Planned, PortDevices, SerialLine, SquelchLine, StatusLine};
use dunlin_rig::keyer::{self, KeyLine, KeyerSettings, SenseLine};

/// What the keyer of a port is told. A port that may not send gets no line to hold.
pub(super) fn settings(port: &str, devices: &PortDevices, may_send: bool) -> KeyerSettings {
    let line = match may_send {
        true => line(&devices.key.line),
        false => KeyLine::None,
    };
    KeyerSettings {
        sense: devices.squelch_line.as_ref().map(sense),
        longest: devices.key.longest_key_down,
        rest: devices.key.rest,
        ..KeyerSettings::of(port, line)
    }
}

fn line(planned: &Planned) -> KeyLine {
    match planned.clone() {
        Planned::None => KeyLine::None,
        Planned::Vox => KeyLine::Vox,
        Planned::Controller => KeyLine::Controller,
        Planned::Serial {
            device,
            line,
            inverted,
            opposed,
        } => KeyLine::Serial {
            device,
            line: match line {
                SerialLine::Rts => keyer::SerialLine::Rts,
                SerialLine::Dtr => keyer::SerialLine::Dtr,
            },
            inverted,
            opposed,
        },
        Planned::Gpio {
            chip,
            pin,
            inverted,
        } => KeyLine::Gpio {
            chip,
            line: pin,
            inverted,
        },
        Planned::Hid {
            device,
            pin,
            inverted,
        } => KeyLine::Hid {
            device,
            pin,
            inverted,
        },
        Planned::Cat {
            device,
            speed_baud,
            key,
            release,
        } => KeyLine::Cat {
            device,
            baud: speed_baud,
            key,
            release,
        },
    }
}

fn sense(planned: &SquelchLine) -> SenseLine {
    match planned.clone() {
        SquelchLine::Serial {
            device,
            line,
            inverted,
        } => SenseLine::Serial {
            device,
            line: match line {
                StatusLine::Cts => keyer::StatusLine::Cts,
                StatusLine::Dcd => keyer::StatusLine::Dcd,
                StatusLine::Dsr => keyer::StatusLine::Dsr,
                StatusLine::Ri => keyer::StatusLine::Ri,
            },
            inverted,
        },
        SquelchLine::Gpio {
            chip,
            pin,
            inverted,
        } => SenseLine::Gpio {
            chip,
            line: pin,
            inverted,
        },
        SquelchLine::Hid {
            device,
            pin,
            inverted,
        } => SenseLine::Hid {
            device,
            pin,
            inverted,
        },
    }
}
