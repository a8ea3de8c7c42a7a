//! Which devices exist now, and which one a name means.

use crate::cards::{self, Card};
use crate::device::{DeviceError, DeviceHost, DeviceInfo, DeviceName, Way};
use crate::identity::Identity;

/// The devices that exist now.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Listing {
    /// All of them, those of the sound server first.
    pub devices: Vec<DeviceInfo>,
    /// Why the sound server offers none; `None` if it answered.
    pub no_server: Option<String>,
    /// Why the kernel's own devices cannot be used; `None` if they can, or there are none.
    pub forbidden: Option<String>,
    /// The kernel's cards.
    pub(crate) cards: Vec<Card>,
}

/// Looks which devices exist now.
pub fn list_devices() -> Listing {
    let (mut devices, no_server) = match crate::server::list() {
        Ok(devices) => (devices, None),
        Err(reason) => (Vec::new(), Some(reason)),
    };
    let cards = cards::list();
    devices.extend(crate::alsa::list(&cards));
    let forbidden = cards::forbidden(&cards);
    Listing {
        devices,
        no_server,
        forbidden,
        cards,
    }
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
    let cards = cards::list();
    let listing = Listing {
        devices: crate::alsa::list(&cards),
        no_server: Some(no_server),
        forbidden: cards::forbidden(&cards),
        cards,
    };
    find(&listing, &name, way).map(|_| name.clone())
}

impl DeviceInfo {
    fn serves(&self, way: Way) -> bool {
        match way {
            Way::Hear => self.hears,
            Way::Play => self.plays,
        }
    }

    /// It can be meant by the lasting name of its device: no monitor, and of the many names
    /// that ALSA has for one card the one that fits every rate.
    fn stands_for_its_device(&self) -> bool {
        match self.host {
            DeviceHost::Server => !self.monitor,
            DeviceHost::Alsa => self.name.starts_with("plughw:CARD="),
        }
    }

    fn is_called(&self, name: &str) -> bool {
        let called = |identity: &Identity| {
            identity.name_by_serial().as_deref() == Some(name)
                || identity.name_by_path().as_deref() == Some(name)
        };
        self.identity.as_ref().is_some_and(called)
    }
}

/// Those that `wanted` fits.
fn fitting<'a>(listing: &'a Listing, wanted: &DeviceName, way: Way) -> Vec<&'a DeviceInfo> {
    let there = listing.devices.iter().filter(|d| d.serves(way));
    let there = there.filter(|d| wanted.host.is_none_or(|host| host == d.host));
    if !wanted.is_lasting() {
        return there.filter(|d| d.name == wanted.name).collect();
    }
    let fit: Vec<_> = there
        .filter(|d| d.stands_for_its_device() && d.is_called(&wanted.name))
        .collect();
    let of = |host| -> Vec<_> { fit.iter().copied().filter(|d| d.host == host).collect() };
    let server = of(DeviceHost::Server);
    if !server.is_empty() {
        return server;
    }
    // The first of the devices of one card is the card's own.
    let mut kernel = of(DeviceHost::Alsa);
    kernel.sort_by_key(|d| {
        (
            card_word(&d.name).map(str::to_owned),
            d.name.len(),
            d.name.clone(),
        )
    });
    kernel.dedup_by(|a, b| card_word(&a.name) == card_word(&b.name));
    kernel
}

/// What ALSA calls the card in a name such as `plughw:CARD=Codec,DEV=0`.
pub(crate) fn card_word(name: &str) -> Option<&str> {
    name.split_once("CARD=")?.1.split(',').next()
}

/// The one device of `listing` that `wanted` names.
///
/// # Errors
/// [`DeviceError::Missing`] or [`DeviceError::Ambiguous`], with the names that exist, and
/// [`DeviceError::Numbered`] for a name that goes by a number.
pub fn find<'a>(
    listing: &'a Listing,
    wanted: &DeviceName,
    way: Way,
) -> Result<&'a DeviceInfo, DeviceError> {
    if let Some(number) = wanted.card_number() {
        return Err(DeviceError::Numbered {
            way,
            wanted: wanted.to_string(),
            instead: instead_of(listing, wanted, number, way),
        });
    }
    let fit = fitting(listing, wanted, way);
    match fit.as_slice() {
        [one] => return Ok(one),
        [] => {}
        several => {
            return Err(DeviceError::Ambiguous {
                way,
                wanted: wanted.to_string(),
                fit: several.iter().map(|d| best_name(listing, d, way)).collect(),
            });
        }
    }
    let there = listing.devices.iter().filter(|d| d.serves(way));
    let notes = [&listing.no_server, &listing.forbidden];
    Err(DeviceError::Missing {
        way,
        wanted: wanted.to_string(),
        exist: there.map(DeviceInfo::plan_name).collect(),
        hint: hint(listing, wanted, way),
        notes: notes.into_iter().flatten().cloned().collect(),
    })
}

/// The lasting names of a device that goes by a number.
fn instead_of(listing: &Listing, wanted: &DeviceName, number: u32, way: Way) -> Vec<String> {
    if wanted.host == Some(DeviceHost::Server) {
        return Vec::new();
    }
    let Some(card) = listing.cards.iter().find(|card| card.number == number) else {
        return Vec::new();
    };
    let mut names: Vec<String> = Vec::new();
    for device in listing.devices.iter().filter(|d| d.serves(way)) {
        let of_card = device.host == DeviceHost::Alsa
            && device.stands_for_its_device()
            && card_word(&device.name) == Some(&card.id);
        if of_card && let Some(name) = lasting_name(listing, device, way) {
            names.push(name);
        }
    }
    if names.is_empty() {
        names.push(format!("alsa:plughw:CARD={}", card.id));
    }
    names.truncate(1);
    names
}

/// A name for `device` that stays right when devices are found in another order, if it has
/// one that means it and nothing else.
pub fn lasting_name(listing: &Listing, device: &DeviceInfo, way: Way) -> Option<String> {
    let identity = device.identity.as_ref()?;
    let names = [identity.name_by_serial(), identity.name_by_path()];
    for name in names.into_iter().flatten() {
        for host in [None, Some(device.host)] {
            let name = DeviceName {
                host,
                name: name.clone(),
            };
            if let [one] = fitting(listing, &name, way).as_slice()
                && *one == device
            {
                return Some(name.to_string());
            }
        }
    }
    None
}

fn best_name(listing: &Listing, device: &DeviceInfo, way: Way) -> String {
    lasting_name(listing, device, way).unwrap_or_else(|| device.plan_name())
}

/// What somebody may have meant who wrote a name that does not exist.
fn hint(listing: &Listing, wanted: &DeviceName, way: Way) -> Option<String> {
    let same_name = |d: &&DeviceInfo| d.name == wanted.name;
    let other_host = listing
        .devices
        .iter()
        .filter(same_name)
        .find(|d| d.serves(way) && wanted.host.is_some_and(|host| host != d.host));
    if let Some(device) = other_host {
        let owner = match device.host {
            DeviceHost::Server => "the sound server",
            DeviceHost::Alsa => "the kernel",
        };
        return Some(format!(
            "{owner} has a device of that name, `{}`",
            device.plan_name()
        ));
    }
    let fits = |d: &&DeviceInfo| wanted.host.is_none_or(|host| host == d.host);
    let other_way = listing.devices.iter().filter(same_name).find(fits)?;
    Some(match way {
        Way::Hear => format!("`{}` is an output", other_way.plan_name()),
        Way::Play => format!("`{}` is an input", other_way.plan_name()),
    })
}

#[cfg(test)]
mod tests;
