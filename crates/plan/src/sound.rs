//! The sound device of a port: `[port.sound]`.

use dunlin_clock::SampleRate;
use toml::Spanned;
use toml::de::DeValue;

use crate::device::Device;
use crate::fault::Faults;
use crate::quantity::shorten;
use crate::rule::{Whole, wrong_type};
use crate::section::Section;
use crate::setting::{PlanRules, Rule, Wrong};
use crate::settings;

/// Which channel of a device carries the sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channel {
    /// Hear the mean of all channels, send the same on all.
    Mono,
    /// Only this one, counted from 0 (0 = left, 1 = right). At most 31.
    Only(u8),
}

/// The sound device of a port.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SoundPlan {
    /// Where it hears.
    pub input: Device,
    /// Where it sends.
    pub output: Device,
    /// The channel, for both directions.
    pub channel: Channel,
    /// Samples per second, for both directions.
    pub rate: SampleRate,
    /// A cable or a loop in the sound server: no radio is on it.
    pub is_loop: bool,
}

/// A second sound input that hears the same channel: `[port.second_sound]`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SecondSoundPlan {
    /// Where it hears.
    pub input: Device,
    /// Its channel.
    pub channel: Channel,
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

impl SecondSoundPlan {
    /// Reads `[port.second_sound]`; what is wrong is noted in `faults`.
    pub(crate) fn read(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<Self> {
        let input = section.take(&settings::SECOND_INPUT, faults);
        let channel = section.take(&settings::SECOND_CHANNEL, faults);
        if input == Some(Device::None) {
            let what = "input: a second input that hears nothing";
            faults.add(
                section.at("input"),
                what,
                "the name of a sound device, or leave [port.second_sound] out",
            );
        }
        Some(SecondSoundPlan {
            input: input?,
            channel: channel?,
        })
    }
}

impl SoundPlan {
    /// Reads `[port.sound]`; what is wrong is noted in `faults`.
    pub(crate) fn read(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<SoundPlan> {
        let input = section.take(&settings::INPUT, faults);
        let output = section.take(&settings::OUTPUT, faults);
        let channel = section.take(&settings::CHANNEL, faults);
        let rate = section.take(&settings::RATE, faults);
        let is_loop = section.take(&settings::LOOP, faults);
        let key_moved = |word: Option<&str>| {
            let word = word.unwrap_or("vox");
            let what = "'key' has a table of its own now";
            (
                what.to_owned(),
                format!(
                    "[port.key] behind [port.sound], with method = \"{}\"",
                    shorten(word)
                ),
            )
        };
        section.moved("key", key_moved, faults);
        Some(SoundPlan {
            input: input?,
            output: output?,
            channel: channel?,
            rate: SampleRate::new(rate?.round() as u32)?, // 8000 to 192000 by its rule.
            is_loop: is_loop?,
        })
    }
}
