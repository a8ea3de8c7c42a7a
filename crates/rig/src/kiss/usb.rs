//! Which USB device stands behind a serial line, as the kernel tells below `/sys`.
//!
//! A name like `/dev/ttyUSB0` belongs to whichever device came first. The identity keeps a
//! controller from being mistaken for another device that took its name.

use std::fmt;
use std::fs;
use std::path::Path;

/// What is known of a USB device behind a serial line. Source of the file names:
/// the Linux kernel's documentation of `/sys/bus/usb`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UsbIdentity {
    /// The maker's number, four hexadecimal digits.
    pub vendor: String,
    /// The product's number, four hexadecimal digits.
    pub product: String,
    /// The serial number, where the device has one.
    pub serial: Option<String>,
    /// The socket by bus and hubs, as `1-1.2`.
    pub socket: String,
    /// The interface inside the device, for one with several lines.
    pub interface: Option<String>,
    /// The line inside the interface, likewise.
    pub line: Option<String>,
}

impl fmt::Display for UsbIdentity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "USB device {}:{}", self.vendor, self.product)?;
        match &self.serial {
            Some(serial) => write!(f, ", serial number {serial}")?,
            None => f.write_str(" without serial number")?,
        }
        write!(f, ", in socket {}", self.socket)?;
        if let Some(interface) = &self.interface {
            write!(f, ", interface {interface}")?;
        }
        match &self.line {
            Some(line) => write!(f, ", line {line}"),
            None => Ok(()),
        }
    }
}

impl UsbIdentity {
    /// The device behind the character device of this number; `None` if it is none of USB.
    pub(crate) fn of_device(number: u64) -> Option<UsbIdentity> {
        let (major, minor) = (rustix::fs::major(number), rustix::fs::minor(number));
        UsbIdentity::read(Path::new("/sys"), &format!("dev/char/{major}:{minor}"))
    }

    /// The device behind a node below `sys`, as `class/tty/ttyUSB0`.
    fn read(sys: &Path, node: &str) -> Option<UsbIdentity> {
        let start = fs::canonicalize(sys.join(node).join("device")).ok()?;
        let first = |name: &str| start.ancestors().find_map(|folder| field(folder, name));
        let device = start
            .ancestors()
            .find(|folder| folder.starts_with(sys) && folder.join("idVendor").exists())?;
        Some(UsbIdentity {
            vendor: field(device, "idVendor")?,
            product: field(device, "idProduct")?,
            serial: field(device, "serial"),
            socket: device.file_name()?.to_string_lossy().into_owned(),
            interface: first("bInterfaceNumber"),
            line: first("port_number"),
        })
    }

    /// Whether `other` is the same line of the same device. The socket counts only where
    /// there is no serial number to tell two alike devices apart.
    pub(crate) fn is_same(&self, other: &UsbIdentity) -> bool {
        let kind = |i: &UsbIdentity| {
            let parts = (i.vendor.clone(), i.product.clone(), i.serial.clone());
            (parts, i.interface.clone(), i.line.clone())
        };
        kind(self) == kind(other) && (self.serial.is_some() || self.socket == other.socket)
    }
}

/// The trimmed text of a small file, without anything that is not printable; `None` if it is
/// missing or empty.
fn field(folder: &Path, name: &str) -> Option<String> {
    let text = fs::read_to_string(folder.join(name)).ok()?;
    let plain = text.trim().chars().filter(|c| matches!(c, ' '..='~'));
    let plain: String = plain.take(100).collect();
    (!plain.is_empty()).then_some(plain)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A folder as the kernel builds it, with one device.
    fn plug(sys: &Path, tty: &str, socket: &str, serial: Option<&str>) {
        let device = sys.join("devices/pci0000:00/usb1").join(socket);
        let interface = device.join(format!("{socket}:1.0"));
        let line = interface.join(tty);
        fs::create_dir_all(&line).expect("folders");
        let write = |folder: &Path, name, text: &str| {
            fs::write(folder.join(name), format!("{text}\n")).expect("a file");
        };
        write(&device, "idVendor", "1209");
        write(&device, "idProduct", "0001");
        if let Some(serial) = serial {
            write(&device, "serial", serial);
        }
        write(&interface, "bInterfaceNumber", "00");
        write(&line, "port_number", "0");
        let class = sys.join("class/tty").join(tty);
        fs::create_dir_all(&class).expect("folders");
        let link = class.join("device");
        let _ = fs::remove_file(&link);
        symlink(&line, link).expect("a link");
    }

    #[test]
    fn a_device_is_known_by_its_numbers_and_its_socket() {
        let folder = tempfile::tempdir().expect("a folder");
        let sys = fs::canonicalize(folder.path()).expect("its path");
        plug(&sys, "ttyUSB0", "1-1.2", Some("QM-7"));
        let identity = UsbIdentity::read(&sys, "class/tty/ttyUSB0").expect("a device");
        assert_eq!(
            identity.to_string(),
            "USB device 1209:0001, serial number QM-7, in socket 1-1.2, interface 00, line 0"
        );
        assert_eq!(UsbIdentity::read(&sys, "class/tty/ttyUSB1"), None);
        assert_eq!(UsbIdentity::read(&sys, "class/tty/../../../etc"), None);
    }

    #[test]
    fn another_device_under_the_same_name_is_another() {
        let folder = tempfile::tempdir().expect("a folder");
        let sys = fs::canonicalize(folder.path()).expect("its path");
        let read = |socket, serial| {
            plug(&sys, "ttyUSB0", socket, serial);
            UsbIdentity::read(&sys, "class/tty/ttyUSB0").expect("a device")
        };
        let first = read("1-1", Some("QM-7"));
        assert!(first.is_same(&read("1-4", Some("QM-7"))), "it only moved");
        assert!(!first.is_same(&read("1-2", Some("QM-8"))));
        assert!(!first.is_same(&read("1-3", None)));
        let plain = read("1-3", None);
        assert!(!plain.is_same(&read("1-5", None)), "who could tell?");
    }
}
