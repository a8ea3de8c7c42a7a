//! How sound devices are named, chosen and listed.
//!
//! A name is `pulse:NAME` for a device of the sound server (PulseAudio, or PipeWire through
//! its PulseAudio socket) or `alsa:NAME` for a device of the kernel, reached without a sound
//! server. A name without either word is looked up in both and must fit exactly one.

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
    /// Sound can be recorded from it.
    pub hears: bool,
    /// Sound can be played to it.
    pub plays: bool,
}

impl DeviceInfo {
    /// The name to write into a station plan.
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
        "there is no sound {way} `{wanted}`{}{}",
        server_note(no_server),
        listed(exist)
    )]
    Missing {
        /// Input or output.
        way: Way,
        /// The name looked for.
        wanted: String,
        /// Names that exist for this way.
        exist: Vec<String>,
        /// Why the sound server, had it answered, could not be asked.
        no_server: Option<String>,
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
         put the expected device back, or name the new one in the plan"
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

fn server_note(no_server: &Option<String>) -> String {
    no_server
        .as_ref()
        .map_or(String::new(), |reason| format!(" ({reason})"))
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

/// The devices that exist now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// All of them, those of the sound server first.
    pub devices: Vec<DeviceInfo>,
    /// Why the sound server offers none; `None` if it answered.
    pub no_server: Option<String>,
}

/// Looks which devices exist now.
pub fn list_devices() -> Listing {
    let (mut devices, no_server) = match crate::server::list() {
        Ok(devices) => (devices, None),
        Err(reason) => (Vec::new(), Some(reason)),
    };
    devices.extend(crate::alsa::list());
    Listing { devices, no_server }
}

/// The device that the system has chosen as its default now, by its own name: whoever keeps
/// the name keeps the device, also when the default changes.
///
/// # Errors
/// [`DeviceError::Missing`] if there is none.
pub fn default_device(way: Way) -> Result<DeviceName, DeviceError> {
    let no_server = match crate::server::default(way) {
        Ok(name) => {
            return Ok(DeviceName {
                host: Some(DeviceHost::Server),
                name,
            });
        }
        Err(reason) => reason,
    };
    let name = DeviceName {
        host: Some(DeviceHost::Alsa),
        name: "default".into(),
    };
    let devices = crate::alsa::list();
    let listing = Listing {
        devices,
        no_server: Some(no_server),
    };
    find(&listing, &name, way).map(|_| name.clone())
}

/// The one device of `listing` that `wanted` names.
///
/// # Errors
/// [`DeviceError::Missing`] or [`DeviceError::Ambiguous`], with the names that exist.
pub fn find<'a>(
    listing: &'a Listing,
    wanted: &DeviceName,
    way: Way,
) -> Result<&'a DeviceInfo, DeviceError> {
    let serves = |d: &&DeviceInfo| match way {
        Way::Hear => d.hears,
        Way::Play => d.plays,
    };
    let all = &listing.devices;
    let fit: Vec<&DeviceInfo> = all
        .iter()
        .filter(serves)
        .filter(|d| d.name == wanted.name && wanted.host.is_none_or(|host| host == d.host))
        .collect();
    match fit.as_slice() {
        [one] => Ok(one),
        [] => Err(DeviceError::Missing {
            way,
            wanted: wanted.to_string(),
            exist: all
                .iter()
                .filter(serves)
                .map(DeviceInfo::plan_name)
                .collect(),
            no_server: listing.no_server.clone(),
        }),
        several => Err(DeviceError::Ambiguous {
            way,
            wanted: wanted.to_string(),
            fit: several.iter().map(|d| d.plan_name()).collect(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn device(host: DeviceHost, name: &str, hears: bool, plays: bool) -> DeviceInfo {
        DeviceInfo {
            host,
            name: name.into(),
            description: String::new(),
            identity: None,
            hears,
            plays,
        }
    }

    fn listing<const N: usize>(devices: [DeviceInfo; N]) -> Listing {
        Listing {
            devices: devices.into(),
            no_server: None,
        }
    }

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
        assert_eq!("pulse: ".parse::<DeviceName>(), Err(NameError::Empty));
        assert!("a\nb".parse::<DeviceName>().is_err());
        assert!("x".repeat(300).parse::<DeviceName>().is_err());
    }

    #[test]
    fn a_missing_device_says_which_exist_for_that_way() {
        let all = listing([
            device(DeviceHost::Server, "radio", false, true),
            device(DeviceHost::Server, "radio.monitor", true, false),
        ]);
        let wanted: DeviceName = "pulse:codec".parse().expect("a name");
        let error = find(&all, &wanted, Way::Hear)
            .expect_err("not there")
            .to_string();
        assert!(error.contains("no sound input `pulse:codec`"), "{error}");
        assert!(error.contains("pulse:radio.monitor"), "{error}");
        assert!(!error.contains("pulse:radio\n"), "{error}");
        assert!(
            find(&Listing::default(), &wanted, Way::Play)
                .expect_err("none")
                .to_string()
                .contains("none exists")
        );
    }

    #[test]
    fn a_bare_name_must_fit_one_device_only() {
        let all = listing([
            device(DeviceHost::Server, "codec", true, true),
            device(DeviceHost::Alsa, "codec", true, false),
        ]);
        let bare: DeviceName = "codec".parse().expect("a name");
        assert!(matches!(
            find(&all, &bare, Way::Hear),
            Err(DeviceError::Ambiguous { .. })
        ));
        assert_eq!(find(&all, &bare, Way::Play), Ok(&all.devices[0]));
        let alsa: DeviceName = "alsa:codec".parse().expect("a name");
        assert_eq!(find(&all, &alsa, Way::Hear), Ok(&all.devices[1]));
    }

    #[test]
    fn channels_count_from_one_for_people() {
        assert_eq!(Channel::Number(1).index(), Some(0));
        assert_eq!(Channel::Right.index(), Some(1));
        assert_eq!(Channel::Mono.index(), None);
    }
}
