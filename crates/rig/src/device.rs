//! How sound devices are named, and what can be wrong with them.
//!
//! A name is `pulse:NAME` for a device of the sound server (PulseAudio, or PipeWire through
//! its PulseAudio socket) or `alsa:NAME` for a device of the kernel, reached without a sound
//! server. A name without either word is looked up in both and must fit exactly one.
//!
//! The lasting names go by what a device is: `usb:VENDOR:PRODUCT:SERIAL`, or by where it is
//! plugged in: `usb:CONTROLLER/SOCKETS`, `pci:ADDRESS`. They mean the sound server's device if
//! the server has it, else the kernel's; `pulse:` or `alsa:` before them decides.

use std::fmt;
use std::str::FromStr;

use thiserror::Error;

use crate::identity::{Identity, IdentityChanged};

/// Who offers a device.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DeviceHost {
    /// The sound server of this login: PulseAudio, or PipeWire through the same socket.
    Server,
    /// ALSA, the sound interface of the kernel.
    Alsa,
}

impl DeviceHost {
    /// The word before the colon in a device's name.
    pub const fn word(self) -> &'static str {
        match self {
            DeviceHost::Server => "pulse",
            DeviceHost::Alsa => "alsa",
        }
    }
}

/// The name of a sound device, as written in a station plan.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct DeviceName {
    /// Where to look; `None` = wherever exactly one device has that name.
    pub host: Option<DeviceHost>,
    /// The name that the host uses, such as `air_a.monitor` or `plughw:CARD=Codec,DEV=0`.
    pub name: String,
}

/// A device name that cannot be one.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum NameError {
    /// Nothing but spaces.
    #[error("a sound device needs a name, such as `pulse:NAME` or `alsa:NAME`")]
    Empty,
    /// Longer than [`DeviceName::LONGEST`] octets or with control characters.
    #[error("this cannot be the name of a sound device: {0:?}")]
    Unusable(String),
}

impl DeviceName {
    /// Longest name, in octets.
    pub const LONGEST: usize = 256;

    /// It goes by what the device is or by where it is plugged in.
    pub fn is_lasting(&self) -> bool {
        ["usb:", "pci:", "platform:"]
            .iter()
            .any(|bus| self.name.starts_with(bus))
    }

    /// It names a lasting device by its serial number, wherever that is plugged in.
    pub(crate) fn is_by_serial(&self) -> bool {
        let mut parts = self.name.splitn(4, ':').skip(1);
        let four = |part: Option<&str>| {
            part.is_some_and(|p| p.len() == 4 && p.bytes().all(|b| b.is_ascii_hexdigit()))
        };
        self.is_lasting() && four(parts.next()) && four(parts.next()) && parts.next().is_some()
    }

    /// The number of the card, if the name goes by a number: `hw:1`, `plughw:1,0`,
    /// `hw:CARD=1,DEV=0`. Numbers go by the order in which the system found its devices.
    pub fn card_number(&self) -> Option<u32> {
        if self.host == Some(DeviceHost::Server) {
            return self.name.parse().ok();
        }
        if self.is_lasting() {
            return None;
        }
        let (_, arguments) = self.name.split_once(':')?;
        let first = arguments.split(',').next()?.trim();
        first.strip_prefix("CARD=").unwrap_or(first).parse().ok()
    }
}

impl FromStr for DeviceName {
    type Err = NameError;

    fn from_str(text: &str) -> Result<Self, NameError> {
        let text = text.trim();
        let (host, name) = match text.split_once(':') {
            Some(("pulse", name)) => (Some(DeviceHost::Server), name.trim()),
            Some(("alsa", name)) => (Some(DeviceHost::Alsa), name.trim()),
            _ => (None, text),
        };
        if name.is_empty() {
            return Err(NameError::Empty);
        }
        if name.len() > Self::LONGEST || name.chars().any(char::is_control) {
            return Err(NameError::Unusable(name.chars().take(80).collect()));
        }
        Ok(DeviceName {
            host,
            name: name.to_owned(),
        })
    }
}

impl fmt::Display for DeviceName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.host {
            Some(host) => write!(f, "{}:{}", host.word(), self.name),
            None => f.write_str(&self.name),
        }
    }
}

/// Which channel of a device carries the radio.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Channel {
    /// Hear the mean of all channels; play the same on all.
    #[default]
    Mono,
    /// The first channel only.
    Left,
    /// The second channel only.
    Right,
    /// The channel with this number, counted from 1.
    Number(u16),
}

impl Channel {
    /// Position from 0; `None` for all channels.
    pub const fn index(self) -> Option<usize> {
        match self {
            Channel::Mono => None,
            Channel::Left => Some(0),
            Channel::Right => Some(1),
            Channel::Number(n) => Some((n as usize).saturating_sub(1)),
        }
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Channel::Mono => f.write_str("mono"),
            Channel::Left => f.write_str("left"),
            Channel::Right => f.write_str("right"),
            Channel::Number(n) => write!(f, "{n}"),
        }
    }
}

/// One device that exists now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceInfo {
    /// Who offers it.
    pub host: DeviceHost,
    /// Its name there.
    pub name: String,
    /// What the host says about it, one line.
    pub description: String,
    /// What it is; `None` if nothing is known beyond its name.
    pub identity: Option<Identity>,
    /// It gives what an output plays, and is no device of its own.
    pub monitor: bool,
    /// Sound can be recorded from it.
    pub hears: bool,
    /// Sound can be played to it.
    pub plays: bool,
}

impl DeviceInfo {
    /// Its name at its host.
    pub fn plan_name(&self) -> String {
        format!("{}:{}", self.host.word(), self.name)
    }
}

/// Which way the sound goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// From the device to this program.
    Hear,
    /// From this program to the device.
    Play,
}

impl fmt::Display for Way {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Way::Hear => "input",
            Way::Play => "output",
        })
    }
}

/// Why a sound device does not work.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum DeviceError {
    /// No device of that name; `exist` lists those there are.
    #[error(
        "there is no sound {way} `{wanted}`{}{}{}",
        hinted(hint),
        noted(notes),
        listed(exist)
    )]
    Missing {
        /// Input or output.
        way: Way,
        /// The name looked for.
        wanted: String,
        /// Names that exist for this way.
        exist: Vec<String>,
        /// What the wanted name may have meant.
        hint: Option<String>,
        /// Why the sound server or the kernel's devices cannot be used, if so.
        notes: Vec<String>,
    },
    /// The name goes by a number.
    #[error(
        "sound {way} `{wanted}` goes by a number, and numbers change when devices are plugged \
         in or found in another order; use {}",
        or_list(instead)
    )]
    Numbered {
        /// Input or output.
        way: Way,
        /// The name looked for.
        wanted: String,
        /// Lasting names of that device.
        instead: Vec<String>,
    },
    /// The name fits several devices.
    #[error(
        "`{wanted}` fits more than one sound {way}; write one of{}",
        listed(fit)
    )]
    Ambiguous {
        /// Input or output.
        way: Way,
        /// The name looked for.
        wanted: String,
        /// Those that fit.
        fit: Vec<String>,
    },
    /// The device has fewer channels than the chosen one needs.
    #[error("sound {way} `{device}` has {has} channel(s); channel {wanted} does not exist")]
    NoSuchChannel {
        /// Input or output.
        way: Way,
        /// The device.
        device: String,
        /// How many channels it has.
        has: usize,
        /// The one wanted.
        wanted: Channel,
    },
    /// The name leads to another device than the one remembered.
    #[error(
        "sound {way} `{device}` is another device than before. {changed}. Nothing was opened: \
         put the expected device back or, if you have changed it on purpose, start once with \
         --new-devices"
    )]
    Changed {
        /// Input or output.
        way: Way,
        /// The name in the plan.
        device: String,
        /// Both.
        changed: IdentityChanged,
    },
    /// The device exists and cannot be used.
    #[error("sound {way} `{device}` cannot be used: {reason}")]
    Unusable {
        /// Input or output.
        way: Way,
        /// The device.
        device: String,
        /// What it or its host says.
        reason: String,
    },
}

fn hinted(hint: &Option<String>) -> String {
    hint.as_ref().map_or(String::new(), |h| format!(": {h}"))
}

fn noted(notes: &[String]) -> String {
    notes.iter().map(|note| format!(" ({note})")).collect()
}

fn or_list(names: &[String]) -> String {
    if names.is_empty() {
        return "a name that `dunlin run --list-devices` prints".into();
    }
    let quoted: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
    quoted.join(" or ")
}

fn listed(names: &[String]) -> String {
    if names.is_empty() {
        return "; none exists here (is the sound server running, is the device plugged in?)"
            .into();
    }
    let mut text = String::from("; these exist:");
    for name in names {
        text.push_str("\n    ");
        text.push_str(name);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_read_and_print_the_same() {
        for text in [
            "pulse:air_a.monitor",
            "alsa:plughw:CARD=Codec,DEV=0",
            "air_a",
        ] {
            let name: DeviceName = text.parse().expect("a name");
            assert_eq!(name.to_string(), text);
        }
        let usb: DeviceName = "usb:0d8c:0013:A1".parse().expect("a name");
        assert_eq!((usb.host, usb.is_lasting()), (None, true));
        assert_eq!("pulse: ".parse::<DeviceName>(), Err(NameError::Empty));
        assert!("a\nb".parse::<DeviceName>().is_err());
        assert!("x".repeat(300).parse::<DeviceName>().is_err());
    }

    #[test]
    fn numbers_are_recognised() {
        let number = |text: &str| text.parse::<DeviceName>().expect("a name").card_number();
        for text in [
            "hw:1",
            "alsa:plughw:1,0",
            "alsa:hw:CARD=1,DEV=0",
            "front:1",
            "pulse:1",
        ] {
            assert_eq!(number(text), Some(1), "{text}");
        }
        for text in [
            "alsa:hw:CARD=Codec,DEV=0",
            "usb:0d8c:0013:1",
            "pulse:a1",
            "default",
        ] {
            assert_eq!(number(text), None, "{text}");
        }
    }

    #[test]
    fn a_name_by_serial_number_is_told_from_one_by_place() {
        let by_serial = |text: &str| text.parse::<DeviceName>().expect("a name").is_by_serial();
        assert!(by_serial("usb:0d8c:0013:A1:2"));
        assert!(by_serial("alsa:usb:0d8c:0013:A1"));
        assert!(!by_serial("usb:0000:00:14.0/2.1"));
        assert!(!by_serial("pci:0000:00:1f.3"));
        assert!(!by_serial("pulse:codec"));
    }

    #[test]
    fn channels_count_from_one_for_people() {
        assert_eq!(Channel::Number(1).index(), Some(0));
        assert_eq!(Channel::Right.index(), Some(1));
        assert_eq!(Channel::Mono.index(), None);
    }
}
