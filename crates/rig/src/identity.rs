//! What a sound device is, whatever number or name the system gives it today: where it is
//! plugged in, and what it says of itself.
//!
//! Names such as `hw:1` or `Device_1` go by the order in which devices were found, which can
//! change with every start. A radio must never come to hang on another radio's device, so a
//! port remembers the identity of its device and refuses any other.

use std::fmt;

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// What is known of a device beyond its name. What is not known is `None`.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Identity {
    /// The bus that it hangs on: `usb`, `pci` or `platform`.
    pub bus: Option<String>,
    /// Where on that bus. For USB the controller, a slash, and the chain of sockets:
    /// `0000:00:14.0/2.1` is socket 1 of the hub in socket 2.
    pub path: Option<String>,
    /// Vendor number, hexadecimal digits in lower case.
    pub vendor: Option<String>,
    /// Product number, hexadecimal digits in lower case.
    pub product: Option<String>,
    /// Serial number. Many sound interfaces have none.
    pub serial: Option<String>,
    /// What it calls itself; for people, and never compared.
    pub name: String,
}

impl Identity {
    /// Nothing is known that tells it from another device.
    pub fn is_empty(&self) -> bool {
        self.path.is_none() && self.vendor.is_none() && self.serial.is_none()
    }

    /// The name by what the device is: `usb:VENDOR:PRODUCT:SERIAL`. It stays right when the
    /// device is plugged in elsewhere. `None` without a serial number.
    pub fn name_by_serial(&self) -> Option<String> {
        let (bus, vendor) = (self.bus.as_deref()?, self.vendor.as_deref()?);
        let (product, serial) = (self.product.as_deref()?, self.serial.as_deref()?);
        Some(format!("{bus}:{vendor}:{product}:{}", plain(serial)))
    }

    /// The name by where the device is plugged in: `usb:CONTROLLER/SOCKETS`.
    pub fn name_by_path(&self) -> Option<String> {
        let (bus, path) = (self.bus.as_deref()?, self.path.as_deref()?);
        Some(format!("{bus}:{}", plain(path)))
    }
}

/// Spaces and the like are no part of a name in a plan.
fn plain(text: &str) -> String {
    let keep = |c: char| c.is_ascii_alphanumeric() || "._-:/".contains(c);
    text.chars()
        .map(|c| if keep(c) { c } else { '_' })
        .collect()
}

impl fmt::Display for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.name.is_empty() {
            f.write_str("a device without a name")?;
        } else {
            f.write_str(&self.name)?;
        }
        if let (Some(vendor), Some(product)) = (&self.vendor, &self.product) {
            write!(f, ", {vendor}:{product}")?;
        }
        match &self.serial {
            Some(serial) => write!(f, ", serial number {serial}")?,
            None => f.write_str(", no serial number")?,
        }
        if let Some(path) = &self.path {
            write!(f, ", at {} {path}", self.bus.as_deref().unwrap_or("bus"))?;
        }
        Ok(())
    }
}

/// The identities of a port's devices. `None` where there is no device, or nothing is known
/// of it: devices that exist only in a sound server have a name and no identity.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Identities {
    /// Where it hears.
    pub input: Option<Identity>,
    /// Where it plays.
    pub output: Option<Identity>,
}

/// A name now leads to another device than the one remembered.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error(
    "expected: {expected}; found: {}",
    found.as_ref().map_or("a device without any identity".into(), ToString::to_string)
)]
pub struct IdentityChanged {
    /// The one remembered.
    pub expected: Box<Identity>,
    /// The one that is there now; `None` = nothing is known of it.
    pub found: Option<Box<Identity>>,
}

/// Whether `found` is the device that is `expected`. All that is known of the expected one
/// must be the same; a serial number where a known model had none is another device.
///
/// # Errors
/// [`IdentityChanged`] with both.
pub fn compare(expected: &Identity, found: Option<&Identity>) -> Result<(), IdentityChanged> {
    let changed = || IdentityChanged {
        expected: Box::new(expected.clone()),
        found: found.cloned().map(Box::new),
    };
    if expected.is_empty() {
        return Ok(());
    }
    let there = found.ok_or_else(changed)?;
    let pairs = [
        (&expected.bus, &there.bus),
        (&expected.path, &there.path),
        (&expected.vendor, &there.vendor),
        (&expected.product, &there.product),
        (&expected.serial, &there.serial),
    ];
    let same = pairs
        .iter()
        .all(|(wanted, has)| wanted.is_none() || wanted == has);
    let serial_appeared =
        expected.vendor.is_some() && expected.serial.is_none() && there.serial.is_some();
    if same && !serial_appeared {
        Ok(())
    } else {
        Err(changed())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn codec(path: &str, serial: Option<&str>) -> Identity {
        Identity {
            bus: Some("usb".into()),
            path: Some(path.into()),
            vendor: Some("0d8c".into()),
            product: Some("0013".into()),
            serial: serial.map(Into::into),
            name: "USB codec".into(),
        }
    }

    #[test]
    fn the_same_device_is_the_same_whatever_it_calls_itself() {
        let mut renamed = codec("0000:00:14.0/1", Some("A1"));
        renamed.name = "another word".into();
        assert_eq!(
            compare(&codec("0000:00:14.0/1", Some("A1")), Some(&renamed)),
            Ok(())
        );
        let nothing_known = Identity::default();
        assert_eq!(compare(&nothing_known, Some(&renamed)), Ok(()));
        assert_eq!(compare(&nothing_known, None), Ok(()));
    }

    #[test]
    fn another_serial_path_vendor_or_product_is_another_device() {
        let expected = codec("0000:00:14.0/1", Some("A1"));
        let mut others = vec![
            codec("0000:00:14.0/2", Some("A1")),
            codec("0000:00:14.0/1", Some("A2")),
            codec("0000:00:14.0/1", None),
        ];
        let mut vendor = expected.clone();
        vendor.vendor = Some("08bb".into());
        let mut product = expected.clone();
        product.product = None;
        others.extend([vendor, product]);
        for other in &others {
            let error = compare(&expected, Some(other)).expect_err("another device");
            let text = error.to_string();
            assert!(
                text.contains(&format!("expected: {expected}")),
                "both are shown: {text}"
            );
            assert!(
                text.contains(&format!("found: {other}")),
                "both are shown: {text}"
            );
        }
        assert!(compare(&expected, None).is_err());
    }

    #[test]
    fn a_model_without_a_serial_number_that_has_one_now_is_another_device() {
        let expected = codec("0000:00:14.0/1", None);
        assert_eq!(compare(&expected, Some(&expected)), Ok(()));
        assert!(compare(&expected, Some(&codec("0000:00:14.0/1", Some("A1")))).is_err());
        // Where only the place was known, a serial number is news and no change.
        let place = Identity {
            bus: Some("usb".into()),
            path: Some("0000:00:14.0/1".into()),
            ..Identity::default()
        };
        assert_eq!(
            compare(&place, Some(&codec("0000:00:14.0/1", Some("A1")))),
            Ok(())
        );
    }

    #[test]
    fn names_hold_nothing_that_a_plan_could_misread() {
        let device = codec("0000:00:14.0/2.1", Some("AB \"1\""));
        assert_eq!(
            device.name_by_serial().as_deref(),
            Some("usb:0d8c:0013:AB__1_")
        );
        assert_eq!(
            device.name_by_path().as_deref(),
            Some("usb:0000:00:14.0/2.1")
        );
        assert_eq!(codec("x", None).name_by_serial(), None);
    }
}
