//! What one keyer is told about its line. Checked as a whole before anything is opened.

use dunlin_clock::Duration;
use serde::{Deserialize, Serialize};

/// The longest key-down that can be set. 47 CFR 97.213(b) asks for a limit of three minutes
/// when the control link of a remotely controlled station fails; no setting goes beyond it.
pub const MOST_LONGEST: Duration = Duration::from_secs(180);
/// The longest key-down unless the plan says otherwise. Tens of seconds is more than a
/// transmission of packet radio needs; common practice, no source.
pub const USUAL_LONGEST: Duration = Duration::from_secs(30);
/// The rest after a key-down that ran into its limit, unless the plan says otherwise.
pub const USUAL_REST: Duration = Duration::from_secs(10);

/// What keys the transmitter of one port.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum KeyLine {
    /// Nothing is keyed: the port only receives, or a cable joins two sound devices.
    None,
    /// The radio keys itself when it gets sound.
    Vox,
    /// A hardware controller keys its radio itself.
    Controller,
    /// An output line of a serial port.
    Serial {
        /// The device node, best a name under `/dev/serial/by-id/` or `/dev/serial/by-path/`.
        device: String,
        /// Which line keys.
        line: SerialLine,
        /// The radio keys while the line is off.
        inverted: bool,
        /// The other line is always driven to the opposite: the radio keys only while the two
        /// differ in the right way, so a port with both lines on or both off keys nothing.
        opposed: bool,
    },
    /// An output pin of a GPIO chip.
    Gpio {
        /// The device node, for example `/dev/gpiochip0`.
        chip: String,
        /// The pin's number on the chip, from 0.
        line: u32,
        /// The radio keys while the pin is low.
        inverted: bool,
    },
    /// A pin of a USB audio codec, switched through its HID interface.
    Hid {
        /// The device node (`/dev/hidraw0`), or `usb:` and the beginning of the place where
        /// the codec is plugged in, as the kernel prints it: `usb:0000:00:14.0-2`.
        device: String,
        /// The pin, counted from 1 as data sheets do; 1 to 8.
        pin: u8,
        /// The radio keys while the pin is low.
        inverted: bool,
    },
    /// Commands to the radio over a serial port. The octets are the radio's own, from its manual.
    Cat {
        /// The device node, best a name under `/dev/serial/by-id/`.
        device: String,
        /// Speed in bit/s. 8 data bits, no parity, 1 stop bit, no flow control.
        baud: u32,
        /// What keys.
        key: Vec<u8>,
        /// What releases.
        release: Vec<u8>,
    },
}

/// An output line of a serial port.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SerialLine {
    /// Request to send.
    Rts,
    /// Data terminal ready.
    Dtr,
}

/// An input line of a serial port.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum StatusLine {
    /// Clear to send.
    Cts,
    /// Data carrier detect.
    Dcd,
    /// Data set ready.
    Dsr,
    /// Ring indicator.
    Ri,
}

/// A line by which the radio tells that its channel is busy.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SenseLine {
    /// An input line of a serial port; may be the port that keys.
    Serial {
        /// The device node.
        device: String,
        /// Which line.
        line: StatusLine,
        /// Busy while the line is off.
        inverted: bool,
    },
    /// An input pin of a GPIO chip.
    Gpio {
        /// The device node.
        chip: String,
        /// The pin's number on the chip.
        line: u32,
        /// Busy while the pin is low.
        inverted: bool,
    },
    /// An input pin of a USB audio codec. It tells changes only: until the first one, whether
    /// the channel is busy is not known and nothing is told.
    Hid {
        /// As for [`KeyLine::Hid`].
        device: String,
        /// The pin, 1 to 8.
        pin: u8,
        /// Busy while the pin is low.
        inverted: bool,
    },
}

/// Everything that one keyer is told at its start.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeyerSettings {
    /// The port's name, for logs.
    pub port: String,
    /// What keys.
    pub line: KeyLine,
    /// What tells that the channel is busy, if anything does.
    pub sense: Option<SenseLine>,
    /// The keyer's own limit of one key-down; 1 s to [`MOST_LONGEST`].
    pub longest: Duration,
    /// How long nobody may ask to key after that limit was reached; 1 s to 1 h.
    pub rest: Duration,
}

impl KeyerSettings {
    /// Settings for `line` with the usual limits and no sensing.
    pub fn of(port: &str, line: KeyLine) -> Self {
        KeyerSettings {
            port: port.into(),
            line,
            sense: None,
            longest: USUAL_LONGEST,
            rest: USUAL_REST,
        }
    }

    /// A process is needed: there is a line to hold or to watch.
    pub fn needs_process(&self) -> bool {
        self.sense.is_some()
            || !matches!(
                self.line,
                KeyLine::None | KeyLine::Vox | KeyLine::Controller
            )
    }

    /// Looks at the values alone; no device is touched.
    ///
    /// # Errors
    /// The first value that cannot be, and what it may be.
    pub fn check(&self) -> Result<(), String> {
        let second = Duration::from_secs(1);
        if self.port.chars().count() > 64 || self.port.chars().any(char::is_control) {
            return Err(
                "the port's name has more than 64 characters, or one that cannot be \
                        printed"
                    .into(),
            );
        }
        if self.longest < second || self.longest > MOST_LONGEST {
            return Err(format!(
                "the longest key-down is {:?}; it may be 1 s to {} s",
                self.longest,
                MOST_LONGEST.as_secs()
            ));
        }
        if self.rest < second || self.rest > Duration::from_secs(3600) {
            return Err(format!("the rest is {:?}; it may be 1 s to 1 h", self.rest));
        }
        self.check_line()?;
        match &self.sense {
            Some(SenseLine::Hid { pin, .. }) => check_pin(*pin),
            _ => Ok(()),
        }
    }

    fn check_line(&self) -> Result<(), String> {
        match &self.line {
            KeyLine::Hid { pin, .. } => check_pin(*pin),
            KeyLine::Cat {
                baud, key, release, ..
            } => {
                if !(50..=4_000_000).contains(baud) {
                    return Err(format!(
                        "the speed is {baud} bit/s; it may be 50 to 4000000. The radio's manual \
                         or menu says which"
                    ));
                }
                let fits = |octets: &[u8]| (1..=64).contains(&octets.len());
                if !fits(key) || !fits(release) {
                    return Err(
                        "the commands to key and to release need 1 to 64 octets each; \
                                the radio's manual has them"
                            .into(),
                    );
                }
                if key == release {
                    return Err(
                        "the commands to key and to release are the same, so the radio \
                                could not be released"
                            .into(),
                    );
                }
                Ok(())
            }
            _ => Ok(()),
        }
    }
}

fn check_pin(pin: u8) -> Result<(), String> {
    match pin {
        1..=8 => Ok(()),
        _ => Err(format!("pin {pin} of the codec; pins are 1 to 8")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cat(key: &[u8], release: &[u8], baud: u32) -> KeyerSettings {
        KeyerSettings::of(
            "HF",
            KeyLine::Cat {
                device: "/dev/serial/by-id/radio".into(),
                baud,
                key: key.into(),
                release: release.into(),
            },
        )
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_may_be() {
        let refused = |s: KeyerSettings| s.check().expect_err("refused");
        assert!(refused(cat(b"", b"R", 9600)).contains("1 to 64 octets"));
        assert!(refused(cat(b"R", b"R", 9600)).contains("the same"));
        assert!(refused(cat(b"K", b"R", 0)).contains("50 to 4000000"));
        let mut long = cat(b"K", b"R", 9600);
        assert_eq!(long.check(), Ok(()));
        long.longest = Duration::from_secs(181);
        assert!(refused(long.clone()).contains("1 s to 180 s"));
        long.longest = USUAL_LONGEST;
        long.rest = Duration::ZERO;
        assert!(refused(long).contains("the rest"));
        let hid = KeyLine::Hid {
            device: "/dev/hidraw0".into(),
            pin: 9,
            inverted: false,
        };
        assert!(refused(KeyerSettings::of("VHF", hid)).contains("pins are 1 to 8"));
    }

    #[test]
    fn settings_survive_their_line_of_json() {
        let mut settings = cat(b"\xfe\x01", b"\xfe\x00", 19_200);
        settings.sense = Some(SenseLine::Serial {
            device: "/dev/ttyS0".into(),
            line: StatusLine::Dcd,
            inverted: true,
        });
        let line = serde_json::to_string(&settings).expect("it can be written");
        assert!(!line.contains('\n'));
        let back: KeyerSettings = serde_json::from_str(&line).expect("it can be read");
        assert_eq!(back, settings);
    }

    #[test]
    fn only_lines_that_somebody_holds_or_watches_need_a_process() {
        assert!(cat(b"K", b"R", 9600).needs_process());
        let mut none = KeyerSettings::of("HF", KeyLine::Vox);
        assert!(!none.needs_process());
        none.sense = Some(SenseLine::Gpio {
            chip: "/dev/gpiochip0".into(),
            line: 4,
            inverted: false,
        });
        assert!(none.needs_process());
    }
}
