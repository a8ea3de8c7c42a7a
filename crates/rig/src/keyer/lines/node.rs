//! Device nodes: found, opened, locked; and sentences for when they are not.

use std::ffi::OsStr;
use std::fs::Metadata;
use std::os::fd::OwnedFd;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, Mode, OFlags, flock};
use rustix::io::Errno;

use super::OpenError;

/// Names shown in a sentence, at most.
const MOST_NAMES: usize = 12;

/// A kind of device node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Serial,
    Gpio,
    Hid,
}

impl Kind {
    fn noun(self) -> &'static str {
        match self {
            Kind::Serial => "serial port",
            Kind::Gpio => "GPIO chip",
            Kind::Hid => "HID device",
        }
    }

    /// Where such nodes are, and how their names begin. Names that stay come first.
    fn places(self) -> &'static [(&'static str, &'static str)] {
        match self {
            Kind::Serial => &[
                ("/dev/serial/by-id", ""),
                ("/dev/serial/by-path", ""),
                ("/dev", "ttyUSB"),
                ("/dev", "ttyACM"),
                ("/dev", "ttyAMA"),
            ],
            Kind::Gpio => &[("/dev", "gpiochip")],
            Kind::Hid => &[("/dev", "hidraw")],
        }
    }

    /// An example of a udev rule (udev(7)) that opens such nodes to a group.
    fn rule(self) -> &'static str {
        match self {
            Kind::Serial => r#"SUBSYSTEM=="tty", KERNEL=="ttyUSB*", GROUP="dialout", MODE="0660""#,
            Kind::Gpio => r#"SUBSYSTEM=="gpio", KERNEL=="gpiochip*", GROUP="gpio", MODE="0660""#,
            Kind::Hid => r#"SUBSYSTEM=="hidraw", GROUP="audio", MODE="0660""#,
        }
    }
}

/// Opens `device` for reading and writing and locks it against other keyers. Nothing waits.
pub(super) fn open(kind: Kind, device: &str) -> Result<OwnedFd, OpenError> {
    let path = Path::new(device);
    let meta =
        std::fs::metadata(path).map_err(|e| OpenError::Unusable(missing(kind, device, &e)))?;
    if let Some(what) = not_a_device(&meta) {
        let noun = kind.noun();
        let text = format!("{device} is {what}, not a {noun}. {}", existing(kind));
        return Err(OpenError::Unusable(text));
    }
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let fd = rustix::fs::open(path, flags, Mode::empty())
        .map_err(|errno| refused(kind, device, &meta, errno))?;
    match flock(&fd, FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => Ok(fd),
        Err(Errno::WOULDBLOCK) => Err(taken(device)),
        Err(e) => Err(OpenError::Unusable(format!(
            "{device} cannot be locked against other programs: {e}"
        ))),
    }
}

/// What a path is if it cannot be a device.
fn not_a_device(meta: &Metadata) -> Option<&'static str> {
    let kind = meta.file_type();
    match () {
        () if kind.is_char_device() => None,
        () if kind.is_file() => Some("a file"),
        () if kind.is_dir() => Some("a directory"),
        () if kind.is_block_device() => Some("a disk"),
        () if kind.is_socket() => Some("a socket"),
        () => Some("a pipe"),
    }
}

fn missing(kind: Kind, device: &str, error: &std::io::Error) -> String {
    let noun = kind.noun();
    match error.kind() {
        std::io::ErrorKind::NotFound => {
            format!(
                "there is no {noun} {device}: is it plugged in? {}",
                existing(kind)
            )
        }
        _ => format!("the {noun} {device} cannot be looked at: {error}"),
    }
}

/// Says which devices of the kind exist.
fn existing(kind: Kind) -> String {
    let mut names: Vec<String> = Vec::new();
    for (folder, begin) in kind.places() {
        let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
        let mut here: Vec<String> = entries
            .filter(|e| e.file_name().to_string_lossy().starts_with(begin))
            .map(|e| e.path().display().to_string())
            .collect();
        here.sort();
        names.append(&mut here);
    }
    let more = names.len().saturating_sub(MOST_NAMES);
    names.truncate(MOST_NAMES);
    match (names.is_empty(), more) {
        (true, _) => format!("No {} was found on this machine", kind.noun()),
        (false, 0) => format!("There are: {}", names.join(", ")),
        (false, _) => format!("There are: {} and {more} more", names.join(", ")),
    }
}

/// Why the kernel did not open it.
pub(super) fn refused(kind: Kind, device: &str, meta: &Metadata, errno: Errno) -> OpenError {
    let noun = kind.noun();
    match errno {
        Errno::ACCESS | Errno::PERM => {
            let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
            let group = group_name(&groups, meta.gid());
            OpenError::Unusable(no_permission(kind, device, &group, meta.mode()))
        }
        Errno::BUSY => taken(device),
        Errno::NXIO | Errno::NODEV | Errno::IO => OpenError::Unusable(format!(
            "the {noun} {device} has a name but no device behind it: is it plugged in?"
        )),
        e => OpenError::Unusable(format!("the {noun} {device} cannot be opened: {e}")),
    }
}

/// Somebody else has it; says who, where that can be seen.
pub(super) fn taken(device: &str) -> OpenError {
    let by = match users(Path::new(device)).as_slice() {
        [] => "another program".into(),
        names => names.join(", "),
    };
    OpenError::Taken(format!(
        "{device} is in use by {by}. Two programs cannot hold one keying line: stop the other \
         one, or choose another device"
    ))
}

fn no_permission(kind: Kind, device: &str, group: &str, mode: u32) -> String {
    let group_may = mode & 0o060 == 0o060 && group != "root";
    if group_may {
        return format!(
            "no permission for {device}: only members of the group '{group}' may use it. Add the \
             station's user to it (as root: usermod -aG {group} USER), then log in again"
        );
    }
    format!(
        "no permission for {device}: it is for root alone. Write a udev rule into \
         /etc/udev/rules.d/70-station.rules, such as {} , add the station's user to that group, \
         and plug the device in again",
        kind.rule()
    )
}

/// The name of a group in the text of `/etc/group` (group(5)).
fn group_name(groups: &str, gid: u32) -> String {
    let number = gid.to_string();
    let name = groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)? == number).then_some(name)
    });
    name.map_or(number.clone(), str::to_owned)
}

/// Programs that have the device open, as far as we may look: name and number.
fn users(device: &Path) -> Vec<String> {
    let Ok(node) = device.canonicalize() else {
        return Vec::new();
    };
    let processes = std::fs::read_dir("/proc").into_iter().flatten().flatten();
    let uses = |process: &PathBuf| {
        let files = std::fs::read_dir(process.join("fd")).into_iter().flatten();
        files
            .flatten()
            .any(|f| std::fs::read_link(f.path()).is_ok_and(|to| to == node))
    };
    let number = |p: &PathBuf| p.file_name().and_then(OsStr::to_str)?.parse::<u32>().ok();
    let mut found = Vec::new();
    for process in processes.map(|p| p.path()) {
        let Some(id) = number(&process).filter(|id| *id != std::process::id()) else {
            continue;
        };
        if found.len() < MOST_NAMES && uses(&process) {
            let name = std::fs::read_to_string(process.join("comm")).unwrap_or_default();
            found.push(format!("'{}' (process {id})", name.trim()));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sentence(kind: Kind, device: &str) -> String {
        open(kind, device).expect_err("refused").sentence()
    }

    #[test]
    fn a_file_or_directory_is_no_serial_port() {
        let file = tempfile::NamedTempFile::new().expect("a temporary file");
        let name = file.path().to_str().expect("a plain path");
        let said = sentence(Kind::Serial, name);
        assert!(said.contains("is a file, not a serial port"), "{said}");
        let said = sentence(Kind::Hid, "/tmp");
        assert!(said.contains("is a directory, not a HID device"), "{said}");
    }

    #[test]
    fn a_missing_device_is_answered_with_what_exists_or_that_nothing_does() {
        let said = sentence(Kind::Serial, "/dev/serial/by-id/none-such");
        assert!(said.contains("there is no serial port /dev/serial/by-id/none-such"));
        assert!(
            said.contains("There are: /dev/") || said.contains("No serial port was found"),
            "{said}"
        );
    }

    #[test]
    fn missing_permission_names_the_group_or_a_rule() {
        let groups = "root:x:0:\ndialout:x:20:ann\nbroken\ngpio:x:997:\n";
        assert_eq!(group_name(groups, 20), "dialout");
        assert_eq!(group_name(groups, 4711), "4711");
        let said = no_permission(Kind::Serial, "/dev/ttyUSB0", "dialout", 0o20660);
        assert!(said.contains("group 'dialout'"), "{said}");
        assert!(said.contains("usermod -aG dialout"), "{said}");
        for (group, mode) in [("root", 0o660), ("audio", 0o600)] {
            let said = no_permission(Kind::Hid, "/dev/hidraw3", group, mode);
            assert!(said.contains("udev rule"), "{said}");
            assert!(said.contains(r#"SUBSYSTEM=="hidraw""#), "{said}");
        }
        let meta = std::fs::metadata("/dev/null").expect("there is one");
        let refusal = refused(Kind::Gpio, "/dev/gpiochip0", &meta, Errno::ACCESS);
        assert!(refusal.sentence().contains("no permission"));
    }
}
