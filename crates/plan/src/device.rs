//! What connects a port to the outer world, as the plan says it: sound device or controller,
//! key, and a line for the squelch. Nothing is opened here.

use std::time::Duration;

use toml::Spanned;
use toml::de::DeValue;

use crate::fault::Faults;
use crate::quantity::shorten;
use crate::radio::RadioPlan;
use crate::rule::text_of;
use crate::section::Section;
use crate::setting::{PlanRules, Rule, Setting, Wrong};
use crate::settings;
use crate::sound::{SecondSoundPlan, SoundPlan};

/// How one port is connected to the outer world.
#[derive(Clone, Debug, PartialEq)]
pub struct PortDevices {
    /// What carries its frames.
    pub carrier: Carrier,
    /// A second sound input of the same channel.
    pub second: Option<SecondSoundPlan>,
    /// What keys its transmitter.
    pub key: KeyPlan,
    /// A line that tells that the channel is busy.
    pub squelch_line: Option<SquelchLine>,
    /// How far above the noise floor energy occupies the channel, dB.
    pub energy_margin_db: f64,
    /// The radio, if the plan describes it.
    pub radio: Option<RadioPlan>,
}

/// What carries the frames of a port.
#[derive(Clone, Debug, PartialEq)]
pub enum Carrier {
    /// A sound device.
    Sound(SoundPlan),
    /// A KISS controller.
    Controller(ControllerPlan),
}

impl PortDevices {
    /// The sound device, if the port has one.
    pub fn sound(&self) -> Option<&SoundPlan> {
        match &self.carrier {
            Carrier::Sound(sound) => Some(sound),
            Carrier::Controller(_) => None,
        }
    }

    /// The controller, if the port has one.
    pub fn controller(&self) -> Option<&ControllerPlan> {
        match &self.carrier {
            Carrier::Sound(_) => None,
            Carrier::Controller(controller) => Some(controller),
        }
    }

    /// No radio is on it, by the plan's word.
    pub fn is_loop(&self) -> bool {
        self.sound().is_some_and(|sound| sound.is_loop)
    }

    /// It has something to transmit with.
    pub fn can_send(&self) -> bool {
        self.sound()
            .is_none_or(|sound| sound.output != Device::None)
    }
}

/// A KISS controller: `[port.controller]`.
#[derive(Clone, Debug, PartialEq)]
pub struct ControllerPlan {
    /// How it is reached.
    pub link: ControllerLink,
    /// Which of its radios, 0 to 15.
    pub number: u8,
    /// It sends without heed of what it hears.
    pub full_duplex: bool,
    /// It is told the port's tail.
    pub send_tail: bool,
    /// It is asked to say when a frame has left the transmitter.
    pub acknowledged: bool,
}

/// How a controller is reached.
#[derive(Clone, Debug, PartialEq)]
pub enum ControllerLink {
    /// A serial line with 8 data bits, no parity, 1 stop bit.
    Serial {
        /// The serial port.
        device: String,
        /// Its speed, Bd.
        speed_baud: u32,
        /// RTS and CTS say who may send on.
        flow_control: bool,
    },
    /// A network address, `host:port`.
    Tcp {
        /// The address.
        address: String,
    },
}

/// Key line and the limits of its keyer: `[port.key]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeyPlan {
    /// What keys.
    pub line: KeyLine,
    /// The keyer's own limit of one key-down.
    pub longest_key_down: Duration,
    /// How long nobody may ask to key after that limit was reached.
    pub rest: Duration,
}

/// The word for what keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyMethod {
    /// Nothing has to be keyed.
    None,
    /// The radio keys by sound.
    Vox,
    /// A line of a serial port.
    Serial,
    /// A pin of the computer.
    Gpio,
    /// A pin of a USB audio codec.
    Hid,
    /// Commands to the radio.
    Cat,
    /// The controller keys.
    Controller,
}

/// What keys the transmitter of one port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum KeyLine {
    /// Nothing has to be keyed.
    None,
    /// The radio keys by itself when it gets sound.
    Vox,
    /// A controller keys its radio.
    Controller,
    /// An output line of a serial port.
    Serial {
        /// The serial port.
        device: String,
        /// Which line.
        line: SerialLine,
        /// The radio keys while the line is off.
        inverted: bool,
        /// The other line is driven to the opposite.
        opposed: bool,
    },
    /// A pin of a GPIO chip.
    Gpio {
        /// The device node.
        chip: String,
        /// The pin's number on the chip.
        pin: u32,
        /// The radio keys while the pin is low.
        inverted: bool,
    },
    /// A pin of a USB audio codec.
    Hid {
        /// Device node, or `usb:` and the socket.
        device: String,
        /// The pin, 1 to 8.
        pin: u8,
        /// The radio keys while the pin is low.
        inverted: bool,
    },
    /// Commands over a serial port.
    Cat {
        /// The serial port.
        device: String,
        /// Its speed, Bd.
        speed_baud: u32,
        /// What keys.
        key: Vec<u8>,
        /// What releases.
        release: Vec<u8>,
    },
}

impl KeyLine {
    /// The word in the plan.
    pub fn method(&self) -> KeyMethod {
        match self {
            KeyLine::None => KeyMethod::None,
            KeyLine::Vox => KeyMethod::Vox,
            KeyLine::Controller => KeyMethod::Controller,
            KeyLine::Serial { .. } => KeyMethod::Serial,
            KeyLine::Gpio { .. } => KeyMethod::Gpio,
            KeyLine::Hid { .. } => KeyMethod::Hid,
            KeyLine::Cat { .. } => KeyMethod::Cat,
        }
    }
}

/// An output line of a serial port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SerialLine {
    /// Request to send.
    Rts,
    /// Data terminal ready.
    Dtr,
}

/// An input line of a serial port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
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

/// The word for what tells that the squelch is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExternalSense {
    /// Nothing.
    None,
    /// An input line of a serial port.
    Serial,
    /// A pin of the computer.
    Gpio,
    /// A pin of a USB audio codec.
    Hid,
}

/// A line by which the radio tells that its channel is busy.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SquelchLine {
    /// An input line of a serial port.
    Serial {
        /// The serial port.
        device: String,
        /// Which line.
        line: StatusLine,
        /// Busy while it is off.
        inverted: bool,
    },
    /// A pin of a GPIO chip.
    Gpio {
        /// The device node.
        chip: String,
        /// The pin's number on the chip.
        pin: u32,
        /// Busy while it is low.
        inverted: bool,
    },
    /// A pin of a USB audio codec.
    Hid {
        /// Device node, or `usb:` and the socket.
        device: String,
        /// The pin, 1 to 8.
        pin: u8,
        /// Busy while it is low.
        inverted: bool,
    },
}

/// A sound device in one direction.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Device {
    /// None: this direction is not used.
    None,
    /// What the system has chosen as its default.
    Default,
    /// The device of this name.
    Named(String),
}

/// Reads the name of a device.
#[derive(Clone, Copy, Debug)]
pub struct DeviceRule;

/// Reads the place of a device file.
#[derive(Clone, Copy, Debug)]
pub struct Path;

/// Reads octets in hexadecimal digits.
#[derive(Clone, Copy, Debug)]
pub struct OctetString {
    /// Most octets.
    pub most: usize,
}

/// A name without faults that any kind of device shares.
fn name_of<'v>(value: &'v Spanned<DeValue<'_>>) -> Result<&'v str, Vec<Wrong>> {
    let text = text_of(value, "the name of a device in quotes")?;
    match text {
        "" => Err(Wrong::whole("the name is empty")),
        long if long.len() > 200 => Err(Wrong::whole(format!("'{}' is too long", shorten(long)))),
        odd if odd.contains(char::is_control) => {
            Err(Wrong::whole("the name has a control character"))
        }
        name => Ok(name),
    }
}

impl Rule for DeviceRule {
    type Value = Device;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<Device, Vec<Wrong>> {
        Ok(match name_of(value)? {
            "none" => Device::None,
            "default" => Device::Default,
            name => Device::Named(name.to_owned()),
        })
    }

    fn allowed(&self, _: &PlanRules) -> String {
        "\"default\", \"none\", or the name of a sound device of at most 200 octets".to_owned()
    }
}

impl Rule for Path {
    type Value = String;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<String, Vec<Wrong>> {
        let name = name_of(value)?;
        if name.starts_with('/') || name.starts_with("usb:") {
            return Ok(name.to_owned());
        }
        Err(Wrong::whole(format!(
            "'{}' is not the whole path of a device",
            shorten(name)
        )))
    }

    fn allowed(&self, _: &PlanRules) -> String {
        "the whole path of a device, such as \"/dev/serial/by-id/usb-…\", or for a codec usb: and \
         its socket"
            .to_owned()
    }
}

impl Rule for OctetString {
    type Value = Vec<u8>;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<Vec<u8>, Vec<Wrong>> {
        let text = text_of(value, "hexadecimal digits in quotes")?;
        let digits: Option<Vec<u32>> = text
            .chars()
            .filter(|c| *c != ' ')
            .map(|c| c.to_digit(16))
            .collect();
        let Some(digits) = digits else {
            let what = format!("'{}' has more than hexadecimal digits", shorten(text));
            return Err(Wrong::whole(what));
        };
        if digits.len() % 2 == 1 {
            let what = format!("{} digits do not make whole octets", digits.len());
            return Err(Wrong::whole(what));
        }
        let octets: Vec<u8> = digits
            .chunks(2)
            .map(|pair| (pair[0] * 16 + pair[1]) as u8) // Two hexadecimal digits.
            .collect();
        match octets.len() {
            0 => Err(Wrong::whole("these are no octets")),
            n if n > self.most => Err(Wrong::whole(format!("these are {n} octets"))),
            _ => Ok(octets),
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        format!(
            "1 to {} octets, two hexadecimal digits each, spaces allowed, such as \"FE FE 1C\"",
            self.most
        )
    }
}

/// The value of a setting that this choice needs; a fault if it is not there.
pub(crate) fn needed<R: Rule>(
    section: &Section<'_>,
    setting: &Setting<R>,
    value: &Option<R::Value>,
    choice: &str,
    faults: &mut Faults<'_>,
) where
    R::Value: Clone,
{
    // A wrong one has its fault already.
    if value.is_none() && !section.was_written(setting.name) {
        let what = format!("{} with {choice} needs '{}'", section.title(), setting.name);
        let allowed = format!(
            "{} = {}",
            setting.name,
            setting.rule.allowed(section.rules())
        );
        faults.add(section.at(""), what, allowed);
    }
}

impl KeyPlan {
    /// Reads `[port.key]`; `controller`: the port has one.
    pub(crate) fn read(
        section: &mut Section<'_>,
        controller: bool,
        faults: &mut Faults<'_>,
    ) -> Option<KeyPlan> {
        let method = section.take(&settings::KEY_METHOD, faults);
        let method = match (method, section.was_written("method"), controller) {
            (None, false, true) => Some(KeyMethod::Controller),
            (None, false, false) => Some(KeyMethod::None),
            (method, ..) => method,
        };
        if let Some(method) = method
            && (method == KeyMethod::Controller) != controller
        {
            let (what, allowed) = match controller {
                true => (
                    "method: a controller keys its radio itself",
                    "method = \"controller\", or leave [port.key] out",
                ),
                false => (
                    "method: this port has no controller that could key",
                    "another method, or [port.controller] instead of [port.sound]",
                ),
            };
            faults.add(section.at("method"), what, allowed);
        }
        let line = key_line(section, method, faults);
        let longest = section.take(&settings::LONGEST_KEY_DOWN, faults);
        let rest = section.take(&settings::KEY_REST, faults);
        Some(KeyPlan {
            line: line?,
            longest_key_down: longest?,
            rest: rest?,
        })
    }
}

fn key_line(
    section: &mut Section<'_>,
    method: Option<KeyMethod>,
    faults: &mut Faults<'_>,
) -> Option<KeyLine> {
    let device = section.take(&settings::KEY_DEVICE, faults);
    let line = section.take(&settings::KEY_LINE, faults);
    let inverted = section.take(&settings::KEY_INVERTED, faults);
    let opposed = section.take(&settings::KEY_OPPOSED, faults);
    let chip = section.take(&settings::KEY_CHIP, faults);
    let pin = section.take(&settings::KEY_PIN, faults);
    let key = section.take(&settings::KEY_HEX, faults);
    let release = section.take(&settings::RELEASE_HEX, faults);
    let speed = section.take(&settings::KEY_SPEED, faults);
    let pin_written = section.was_written("pin");
    match method? {
        KeyMethod::None => Some(KeyLine::None),
        KeyMethod::Vox => Some(KeyLine::Vox),
        KeyMethod::Controller => Some(KeyLine::Controller),
        KeyMethod::Serial => {
            let choice = "method = \"serial\"";
            needed(section, &settings::KEY_DEVICE, &device, choice, faults);
            Some(KeyLine::Serial {
                device: device?,
                line: line?,
                inverted: inverted?,
                opposed: opposed?,
            })
        }
        KeyMethod::Gpio => {
            let choice = "method = \"gpio\"";
            needed(section, &settings::KEY_CHIP, &chip, choice, faults);
            needed(section, &settings::KEY_PIN, &pin, choice, faults);
            Some(KeyLine::Gpio {
                chip: chip?,
                pin: pin?,
                inverted: inverted?,
            })
        }
        KeyMethod::Hid => {
            let choice = "method = \"hid\"";
            needed(section, &settings::KEY_DEVICE, &device, choice, faults);
            let pin = pin.or((!pin_written).then_some(3));
            Some(KeyLine::Hid {
                device: device?,
                pin: codec_pin(section, pin?, faults)?,
                inverted: inverted?,
            })
        }
        KeyMethod::Cat => {
            let choice = "method = \"cat\"";
            needed(section, &settings::KEY_DEVICE, &device, choice, faults);
            needed(section, &settings::KEY_HEX, &key, choice, faults);
            needed(section, &settings::RELEASE_HEX, &release, choice, faults);
            if key.is_some() && key == release {
                let what = "release_hex: it is the same as key_hex, so nothing would release";
                let allowed = "what the radio's manual gives to stop transmitting";
                faults.add(section.at("release_hex"), what, allowed);
            }
            Some(KeyLine::Cat {
                device: device?,
                speed_baud: speed? as u32, // 50 to 4000000 by its rule.
                key: key?,
                release: release?,
            })
        }
    }
}

pub(crate) fn codec_pin(section: &Section<'_>, pin: u32, faults: &mut Faults<'_>) -> Option<u8> {
    if (1..=8).contains(&pin) {
        return u8::try_from(pin).ok();
    }
    let what = format!("pin: {pin} is no pin of a codec");
    faults.add(section.at("pin"), what, "a whole number from 1 to 8");
    None
}

impl ControllerPlan {
    /// Reads `[port.controller]`.
    pub(crate) fn read(
        section: &mut Section<'_>,
        faults: &mut Faults<'_>,
    ) -> Option<ControllerPlan> {
        let tcp = section.take(&settings::LINK, faults);
        let device = section.take(&settings::CONTROLLER_DEVICE, faults);
        let speed = section.take(&settings::CONTROLLER_SPEED, faults);
        let flow_control = section.take(&settings::FLOW_CONTROL, faults);
        let address = section.take(&settings::ADDRESS, faults);
        let number = section.take(&settings::NUMBER, faults);
        let full_duplex = section.take(&settings::FULL_DUPLEX, faults);
        let send_tail = section.take(&settings::SEND_TAIL, faults);
        let acknowledged = section.take(&settings::ACKNOWLEDGED, faults);
        let link = match tcp? {
            true => ControllerLink::Tcp { address: address? },
            false => {
                let choice = "link = \"serial\"";
                needed(
                    section,
                    &settings::CONTROLLER_DEVICE,
                    &device,
                    choice,
                    faults,
                );
                ControllerLink::Serial {
                    device: device?,
                    speed_baud: speed? as u32, // 300 to 4000000 by its rule.
                    flow_control: flow_control?,
                }
            }
        };
        Some(ControllerPlan {
            link,
            number: number? as u8, // 0 to 15 by its rule.
            full_duplex: full_duplex?,
            send_tail: send_tail?,
            acknowledged: acknowledged?,
        })
    }
}
