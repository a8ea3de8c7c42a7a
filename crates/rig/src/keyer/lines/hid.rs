//! Pins of a USB audio codec by its HID interface.
//!
//! Layout of the reports, from memory of the public data sheets of this kind of codec (not
//! checked against one, nor on a real codec): the output report has four octets. In the
//! first, zero in the upper bits says that the next two concern the pins; the second holds the
//! pins' values, the third their directions (1 = output), bit 0 for pin 1; the fourth is not
//! used here. The input report has four octets too; its second holds the pins' values. The
//! kernel wants the number of the report in front of what is written, 0 where a device has
//! no numbered ones (Linux, Documentation/hid/hidraw.rst).

use std::cell::RefCell;
use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::path::Path;
use std::rc::Rc;

use super::node::{self, Kind};
use super::{Line, OpenError, Sense};

/// Where the kernel lists HID devices.
const LIST: &str = "/sys/class/hidraw";
/// Reports taken at once.
const MOST_REPORTS: usize = 64;

/// A codec's HID interface.
pub(super) struct Codec<F = File> {
    file: F,
    device: String,
    /// Values of the input pins, when they were told.
    inputs: Option<u8>,
}

impl Codec {
    pub(super) fn open(device: &str) -> Result<Self, OpenError> {
        let node = match device.strip_prefix("usb:") {
            Some(place) => find(Path::new(LIST), place)?,
            None => device.to_owned(),
        };
        let file = File::from(node::open(Kind::Hid, &node)?);
        Ok(Codec {
            file,
            device: device.into(),
            inputs: None,
        })
    }
}

/// The octets that set one pin.
fn output_report(pin: u8, high: bool) -> [u8; 5] {
    let bit = 1 << (pin - 1);
    [0, 0, if high { bit } else { 0 }, bit, 0]
}

/// The pins' values in an input report.
fn input_pins(report: &[u8]) -> Option<u8> {
    match report {
        [_, pins, _, _] => Some(*pins),
        _ => None,
    }
}

/// The node of the HID device plugged in at `place`.
fn find(list: &Path, place: &str) -> Result<String, OpenError> {
    let mut all = Vec::new();
    let entries = std::fs::read_dir(list).into_iter().flatten().flatten();
    for entry in entries {
        let facts = std::fs::read_to_string(entry.path().join("device/uevent"));
        let facts = facts.unwrap_or_default();
        let phys = facts.lines().find_map(|l| l.strip_prefix("HID_PHYS=usb-"));
        if let Some(phys) = phys {
            let at = phys.split('/').next().unwrap_or(phys).to_owned();
            let node = format!("/dev/{}", entry.file_name().to_string_lossy());
            all.push((at, node));
        }
    }
    all.sort();
    let mut here = all.iter().filter(|(at, _)| at == place);
    match (here.next(), here.next()) {
        (Some((_, node)), None) => Ok(node.clone()),
        (Some((_, one)), Some((_, two))) => Err(OpenError::Unusable(format!(
            "the device at usb:{place} has several HID interfaces ({one}, {two}, …): name one of \
             them by its device node"
        ))),
        (None, _) => {
            let names: Vec<String> = all
                .iter()
                .take(12)
                .map(|(at, _)| format!("usb:{at}"))
                .collect();
            Err(OpenError::Unusable(format!(
                "no HID device is plugged in at usb:{place}. {}",
                match names.is_empty() {
                    true => "None was found on this machine".into(),
                    false => format!("There are: {}", names.join(", ")),
                }
            )))
        }
    }
}

/// A pin that keys.
pub(super) struct HidKey<F = File> {
    codec: Rc<RefCell<Codec<F>>>,
    pin: u8,
    inverted: bool,
}

impl<F> HidKey<F> {
    pub(super) fn new(codec: Rc<RefCell<Codec<F>>>, pin: u8, inverted: bool) -> Self {
        let pin = pin.clamp(1, 8);
        HidKey {
            codec,
            pin,
            inverted,
        }
    }
}

impl<F: Write> Line for HidKey<F> {
    fn set(&mut self, down: bool) -> Result<String, String> {
        let mut codec = self.codec.borrow_mut();
        let high = down != self.inverted;
        let report = output_report(self.pin, high);
        let device = codec.device.clone();
        codec
            .file
            .write_all(&report)
            .map_err(|e| format!("the codec {device} does not obey ({e}): is it plugged in?"))?;
        Ok(format!(
            "the codec {device} has taken the order to set its pin {} {}; the pin cannot be read \
             back",
            self.pin,
            if high { "high" } else { "low" }
        ))
    }
}

/// A pin that tells that the channel is busy.
pub(super) struct HidSense<F = File> {
    codec: Rc<RefCell<Codec<F>>>,
    pin: u8,
    inverted: bool,
}

impl<F> HidSense<F> {
    pub(super) fn new(codec: Rc<RefCell<Codec<F>>>, pin: u8, inverted: bool) -> Self {
        let pin = pin.clamp(1, 8);
        HidSense {
            codec,
            pin,
            inverted,
        }
    }
}

impl<F: Read> Sense for HidSense<F> {
    fn busy(&mut self) -> Result<Option<bool>, String> {
        let mut codec = self.codec.borrow_mut();
        for _ in 0..MOST_REPORTS {
            let mut report = [0; 64];
            match codec.file.read(&mut report) {
                Ok(0) => break,
                Ok(n) => codec.inputs = input_pins(&report[..n]).or(codec.inputs),
                Err(e) if e.kind() == ErrorKind::WouldBlock => break,
                Err(e) if e.kind() == ErrorKind::Interrupted => {}
                Err(e) => return Err(format!("the codec's pins cannot be read: {e}")),
            }
        }
        let high = codec.inputs.map(|pins| pins >> (self.pin - 1) & 1 == 1);
        Ok(high.map(|high| high != self.inverted))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn codec<F>(file: F) -> Rc<RefCell<Codec<F>>> {
        let device = "fake".into();
        Rc::new(RefCell::new(Codec {
            file,
            device,
            inputs: None,
        }))
    }

    #[test]
    fn a_pin_is_an_output_and_has_its_value() {
        let codec = codec(Vec::new());
        let mut plain = HidKey::new(codec.clone(), 3, false);
        let mut inverted = HidKey::new(codec.clone(), 1, true);
        for down in [false, true] {
            plain.set(down).expect("it obeys");
            inverted.set(down).expect("it obeys");
        }
        let written = codec.borrow().file.clone();
        assert_eq!(
            written,
            [
                [0, 0, 0, 4, 0],
                [0, 0, 1, 1, 0],
                [0, 0, 4, 4, 0],
                [0, 0, 0, 1, 0]
            ]
            .concat()
        );
    }

    #[test]
    fn nothing_is_said_of_a_pin_before_its_first_report() {
        let mut silent = HidSense::new(codec(std::io::empty()), 2, false);
        assert_eq!(silent.busy(), Ok(None));
        let reports: &[u8] = &[0, 2, 0, 0];
        let mut told = HidSense::new(codec(reports), 2, false);
        assert_eq!(told.busy(), Ok(Some(true)));
        let mut inverted = HidSense::new(codec(reports), 2, true);
        assert_eq!(inverted.busy(), Ok(Some(false)));
        assert_eq!(input_pins(&[1, 2, 3]), None);
    }

    #[test]
    fn a_codec_is_found_by_where_it_is_plugged_in() {
        let list = tempfile::tempdir().expect("a temporary directory");
        for (node, phys) in [
            ("hidraw0", "usb-0000:00:14.0-2/input0"),
            ("hidraw1", "usb-0000:00:14.0-21/input3"),
            ("hidraw2", "usb-0000:00:14.0-4/input0"),
            ("hidraw3", "usb-0000:00:14.0-4/input1"),
        ] {
            let folder = list.path().join(node).join("device");
            std::fs::create_dir_all(&folder).expect("a folder");
            let text = format!("DRIVER=hid-generic\nHID_PHYS={phys}\n");
            std::fs::write(folder.join("uevent"), text).expect("a file");
        }
        let said = |place| find(list.path(), place);
        assert_eq!(said("0000:00:14.0-2"), Ok("/dev/hidraw0".into()));
        assert_eq!(said("0000:00:14.0-21"), Ok("/dev/hidraw1".into()));
        let text = said("0000:00:14.0-4").expect_err("two").sentence();
        assert!(text.contains("several HID interfaces"), "{text}");
        let text = said("0000:00:14.0-9").expect_err("none").sentence();
        assert!(text.contains("There are: usb:0000:00:14.0-2,"), "{text}");
    }
}
