//! The sound cards of the kernel, as it describes them in its file system `/sys`, and what can
//! be read there and in the property lists of sound servers of who a device is.
//!
//! The layout of `/sys`: the kernel's `Documentation/ABI/testing/sysfs-bus-usb`, `sysfs-bus-pci`
//! and `Documentation/admin-guide/sysfs-rules.rst` (from memory).

use std::path::{Path, PathBuf};

use crate::identity::Identity;

/// Where the kernel describes its devices.
const SYS: &str = "/sys";
/// Where the files of sound devices are.
const DEV: &str = "/dev/snd";
/// Most cards that are looked at; the kernel knows no more than 256.
const MOST_CARDS: usize = 256;
/// Longest text taken from a device, in octets: a USB string has 126 characters at most (USB
/// 2.0, section 9.6.7).
const LONGEST: usize = 252;

/// One sound card.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Card {
    /// Its number today.
    pub(crate) number: u32,
    /// The word that ALSA's names use for it, `CARD=` so.
    pub(crate) id: String,
    /// What it is.
    pub(crate) identity: Option<Identity>,
}

/// The cards that exist now.
pub(crate) fn list() -> Vec<Card> {
    list_in(Path::new(SYS))
}

fn list_in(sys: &Path) -> Vec<Card> {
    let Ok(entries) = std::fs::read_dir(sys.join("class/sound")) else {
        return Vec::new();
    };
    let card = |entry: std::fs::DirEntry| {
        let name = entry.file_name().into_string().ok()?;
        let number = name.strip_prefix("card")?.parse().ok()?;
        let place = entry.path().canonicalize().ok()?;
        let id = text(&place, "id")?;
        let identity = at(&place);
        Some(Card {
            number,
            id,
            identity,
        })
    };
    let entries = entries.flatten().take(16 * MOST_CARDS);
    let mut cards: Vec<Card> = entries.filter_map(card).take(MOST_CARDS).collect();
    cards.sort_by_key(|card| card.number);
    cards
}

/// What `place`, a directory of `/sys` or inside that of a device, says of the device.
fn at(place: &Path) -> Option<Identity> {
    for device in place.ancestors() {
        let path = device.to_str()?;
        if let Some(usb) = usb_place(path).filter(|usb| path.ends_with(&format!("/{}", usb.name))) {
            return Some(Identity {
                bus: Some("usb".into()),
                path: Some(usb.path),
                vendor: text(device, "idVendor"),
                product: text(device, "idProduct"),
                serial: text(device, "serial").filter(|s| says_something(s)),
                name: joined(text(device, "manufacturer"), text(device, "product")),
            });
        }
        let hexadecimal = |file| text(device, file).map(|t| digits(&t));
        if let (Some(vendor), Some(product)) = (hexadecimal("vendor"), hexadecimal("device"))
            && device.join("class").exists()
        {
            return Some(Identity {
                bus: Some("pci".into()),
                path: Some(device.file_name()?.to_str()?.into()),
                vendor: Some(vendor),
                product: Some(product),
                serial: None,
                name: text(place, "id").unwrap_or_default(),
            });
        }
    }
    None
}

fn text(place: &Path, file: &str) -> Option<String> {
    let text = std::fs::read_to_string(place.join(file)).ok()?;
    cleaned(&text)
}

/// What a device says of itself, fit to be printed; `None` if that is nothing.
fn cleaned(text: &str) -> Option<String> {
    let mut out = String::new();
    for c in text.trim().chars() {
        if out.len() + c.len_utf8() > LONGEST {
            break;
        }
        out.push(if c.is_control() { ' ' } else { c });
    }
    out.truncate(out.trim_end().len());
    Some(out).filter(|out| !out.is_empty())
}

/// A serial number of zeros only is none: cheap interfaces all have the same.
fn says_something(serial: &str) -> bool {
    serial.chars().any(|c| c.is_alphanumeric() && c != '0')
}

fn joined(maker: Option<String>, product: Option<String>) -> String {
    match (maker, product) {
        (Some(maker), Some(product)) if !product.starts_with(&maker) => {
            format!("{maker} {product}")
        }
        (maker, product) => product.or(maker).unwrap_or_default(),
    }
}

/// Four hexadecimal digits of a number such as `0x0D8C`.
fn digits(number: &str) -> String {
    let number = number.trim().to_ascii_lowercase();
    number.strip_prefix("0x").unwrap_or(&number).to_owned()
}

/// Where a USB device is plugged in.
#[derive(Debug, PartialEq, Eq)]
struct UsbPlace {
    /// The kernel's name for it, bus number and sockets: `1-2.1`.
    name: String,
    /// Controller and sockets, which stay when buses are counted in another order.
    path: String,
}

/// From a path such as `/devices/pci0000:00/0000:00:14.0/usb1/1-2/1-2.1/1-2.1:1.0/sound/card1`.
fn usb_place(path: &str) -> Option<UsbPlace> {
    let parts: Vec<&str> = path.split('/').collect();
    let is_root = |part: &&str| {
        let number = part.strip_prefix("usb");
        number.is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()))
    };
    let root = parts.iter().rposition(is_root)?;
    let controller = parts.get(root.checked_sub(1)?)?;
    let sockets = |part: &&str| -> Option<String> {
        let (bus, sockets) = part.split_once('-')?;
        let plain = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        (plain(bus) && plain(sockets)).then(|| sockets.to_owned())
    };
    let name = parts[root..].iter().rfind(|part| sockets(part).is_some())?;
    Some(UsbPlace {
        path: format!("{controller}/{}", sockets(name)?),
        name: (*name).to_owned(),
    })
}

/// What a sound server's property list says of a device. `get` looks up a property.
///
/// The server's word for the place is the kernel's own path where it tells it, else udev's
/// `ID_PATH`, such as `pci-0000:00:14.0-usb-0:2.1:1.0`. The kernel is asked itself where its
/// description can be read, so that both give the same identity for the same device.
pub(crate) fn from_properties(get: impl Fn(&str) -> Option<String>) -> Option<Identity> {
    identity_in(Path::new(SYS), get)
}

fn identity_in(sys: &Path, get: impl Fn(&str) -> Option<String>) -> Option<Identity> {
    let get = |key: &str| get(key).and_then(|value| cleaned(&value));
    let kernel = get("sysfs.path").or_else(|| get("device.sysfs.path"));
    if let Some(found) = kernel.as_deref().and_then(|path| read(sys, path)) {
        return Some(found);
    }
    let place = get("device.bus_path").or_else(|| get("device.bus-path"));
    let (bus, path) = match kernel.as_deref().and_then(usb_place) {
        Some(usb) => (Some("usb".to_owned()), Some(usb.path)),
        None => place.as_deref().map_or((None, None), udev_place),
    };
    let identity = Identity {
        bus: bus.or_else(|| get("device.bus")),
        path,
        vendor: get("device.vendor.id").map(|v| digits(&v)),
        product: get("device.product.id").map(|v| digits(&v)),
        serial: get("device.serial").filter(|s| says_something(s)),
        name: joined(get("device.vendor.name"), get("device.product.name")),
    };
    (!identity.is_empty()).then_some(identity)
}

/// Reads the kernel's own description of the device at `path` under `sys`.
fn read(sys: &Path, path: &str) -> Option<Identity> {
    let path: PathBuf = sys.join(path.trim_start_matches('/')).canonicalize().ok()?;
    path.starts_with(sys.canonicalize().ok()?)
        .then(|| at(&path))?
}

/// Bus and place from udev's `ID_PATH`.
fn udev_place(path: &str) -> (Option<String>, Option<String>) {
    let last_of = |text: &str| {
        let after = |word: &str| {
            text.rfind(word)
                .map(|at| text[at + word.len()..].to_owned())
        };
        after("pci-").or_else(|| after("platform-"))
    };
    if let Some((controller, rest)) = path.split_once("-usb")
        && let Some(sockets) = rest.split(':').nth(1)
        && let Some(controller) = last_of(controller)
    {
        return (Some("usb".into()), Some(format!("{controller}/{sockets}")));
    }
    for bus in ["pci", "platform"] {
        if let Some(at) = path.rfind(&format!("{bus}-")) {
            let place = path[at + bus.len() + 1..].to_owned();
            return (Some(bus.into()), Some(place));
        }
    }
    (None, None)
}

/// Why the kernel's cards cannot be used by this user; `None` if they can, or there are none.
pub(crate) fn forbidden(cards: &[Card]) -> Option<String> {
    let open = |number: u32| {
        let file = Path::new(DEV).join(format!("controlC{number}"));
        std::fs::File::open(file).map(|_| ())
    };
    forbidden_among(cards, open)
}

fn forbidden_among(cards: &[Card], open: impl Fn(u32) -> std::io::Result<()>) -> Option<String> {
    let shut = |card: &&Card| {
        open(card.number).is_err_and(|e| e.kind() == std::io::ErrorKind::PermissionDenied)
    };
    let names: Vec<&str> = cards.iter().filter(shut).map(|c| c.id.as_str()).collect();
    if names.is_empty() {
        return None;
    }
    Some(format!(
        "this user may not open the kernel's sound card(s) {}: add the user to the group `audio` \
         (`sudo usermod -aG audio USER`) and log in again",
        names.join(", ")
    ))
}

#[cfg(test)]
mod tests;
