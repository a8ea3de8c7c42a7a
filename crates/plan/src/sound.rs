//! The sound device of a port: `[port.sound]`.

use dunlin_clock::SampleRate;
use toml::Spanned;
use toml::de::DeValue;

use crate::fault::Faults;
use crate::quantity::shorten;
use crate::rule::{Whole, text_of, wrong_type};
use crate::section::Section;
use crate::setting::{PlanRules, Rule, Wrong};
use crate::settings;

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

/// Which channel of a device carries the sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channel {
    /// Hear the mean of all channels, send the same on all.
    Mono,
    /// Only this one, counted from 0 (0 = left, 1 = right). At most 31.
    Only(u8),
}

/// What keys the transmitter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Keying {
    /// Nothing has to be keyed.
    None,
    /// The radio keys by itself when it gets sound.
    Vox,
}

/// How one port is connected to the outer world.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PortDevices {
    /// Where it hears.
    pub input: Device,
    /// Where it sends.
    pub output: Device,
    /// The channel, for both directions.
    pub channel: Channel,
    /// Samples per second, for both directions.
    pub rate: SampleRate,
    /// What keys the transmitter.
    pub keying: Keying,
    /// A cable or a loop in the sound server: no radio is on it.
    pub is_loop: bool,
}

/// Reads the name of a device.
#[derive(Clone, Copy, Debug)]
pub struct DeviceRule;

impl Rule for DeviceRule {
    type Value = Device;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<Device, Vec<Wrong>> {
        let text = text_of(value, "the name of a device in quotes")?;
        match text {
            "none" => Ok(Device::None),
            "default" => Ok(Device::Default),
            "" => Err(Wrong::whole("the name is empty")),
            long if long.len() > 200 => {
                Err(Wrong::whole(format!("'{}' is too long", shorten(long))))
            }
            odd if odd.contains(char::is_control) => {
                Err(Wrong::whole("the name has a control character"))
            }
            name => Ok(Device::Named(name.to_owned())),
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        "\"default\", \"none\", or the name of a sound device of at most 200 octets".to_owned()
    }
}

/// Reads a channel.
#[derive(Clone, Copy, Debug)]
pub struct ChannelRule;

const NUMBERS: Whole = Whole { from: 1, to: 32 };

impl Rule for ChannelRule {
    type Value = Channel;

    fn read(&self, value: &Spanned<DeValue<'_>>, rules: &PlanRules) -> Result<Channel, Vec<Wrong>> {
        match value.get_ref() {
            DeValue::String(word) => match word.as_ref() {
                "mono" => Ok(Channel::Mono),
                "left" => Ok(Channel::Only(0)),
                "right" => Ok(Channel::Only(1)),
                other => Err(Wrong::whole(format!("'{}' is no channel", shorten(other)))),
            },
            DeValue::Integer(_) => {
                let number = NUMBERS.read(value, rules)?;
                Ok(Channel::Only((number - 1) as u8)) // From 1 to 32 by its rule.
            }
            other => wrong_type(other, "a word in quotes or a number without"),
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        "\"mono\" or \"left\" or \"right\" or the number of a channel from 1 to 32".to_owned()
    }
}

impl PortDevices {
    /// Reads `[port.sound]`; what is wrong is noted in `faults`.
    pub(crate) fn read(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<PortDevices> {
        let input = section.take(&settings::INPUT, faults);
        let output = section.take(&settings::OUTPUT, faults);
        let channel = section.take(&settings::CHANNEL, faults);
        let rate = section.take(&settings::RATE, faults);
        let keying = section.take(&settings::KEY, faults);
        let is_loop = section.take(&settings::LOOP, faults);
        if (is_loop, keying) == (Some(true), Some(Keying::Vox)) {
            let what = "a loop has no radio that could key by itself";
            faults.add(section.at("key"), what, "key = \"none\" with loop = true");
        }
        Some(PortDevices {
            input: input?,
            output: output?,
            channel: channel?,
            rate: SampleRate::new(rate?.round() as u32)?, // 8000 to 192000 by its rule.
            keying: keying?,
            is_loop: is_loop?,
        })
    }
}
