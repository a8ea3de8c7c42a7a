//! A link to a controller, open: a serial line or a connection, read and written without
//! ever waiting.

use std::fs;
use std::net::{TcpStream, ToSocketAddrs};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::Path;
use std::time::Duration;

use rustix::fs::{Access, FlockOperation, Mode, OFlags};
use rustix::io::Errno;
use rustix::net::sockopt;
use rustix::termios::{
    ControlModes, InputModes, OptionalActions, QueueSelector, ioctl_tiocexcl, tcflush, tcgetattr,
    tcsetattr,
};

use super::settings::{FlowControl, Link};
use super::usb::UsbIdentity;

/// Longest wait for a connection to come about.
const LONGEST_CONNECTING: Duration = Duration::from_secs(5);
/// A connection over which nothing has come for so long is asked whether it still stands.
const KEEPALIVE_AFTER: Duration = Duration::from_secs(30);
/// Time between two such questions.
const KEEPALIVE_EACH: Duration = Duration::from_secs(10);
/// Unanswered questions until it counts as broken.
const KEEPALIVE_COUNT: u32 = 3;
/// Octets that a controller on the network has not confirmed for so long are taken for lost,
/// and the connection for broken.
const LONGEST_UNCONFIRMED: Duration = Duration::from_secs(60);

/// An open link.
#[derive(Debug)]
pub(crate) struct OpenLink {
    fd: OwnedFd,
    /// What was opened, for the log.
    pub(crate) detail: String,
}

impl AsFd for OpenLink {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.fd.as_fd()
    }
}

impl OpenLink {
    /// Reads what is there. `Ok(0)`: nothing now. An error is a reason to give the link up.
    pub(crate) fn read(&self, into: &mut [u8]) -> Result<usize, String> {
        match rustix::io::read(&self.fd, into) {
            Ok(0) => Err("the other end has closed the link".into()),
            Ok(count) => Ok(count),
            Err(Errno::AGAIN | Errno::INTR) => Ok(0),
            Err(error) => Err(gone("reading from it", error)),
        }
    }

    /// Writes as much as goes now; perhaps nothing.
    pub(crate) fn write(&self, octets: &[u8]) -> Result<usize, String> {
        match rustix::io::write(&self.fd, octets) {
            Ok(count) => Ok(count),
            Err(Errno::AGAIN | Errno::INTR) => Ok(0),
            Err(error) => Err(gone("writing to it", error)),
        }
    }
}

fn gone(doing: &str, error: Errno) -> String {
    match error {
        Errno::IO | Errno::NODEV | Errno::NXIO => {
            "the device is gone; it may have been unplugged".into()
        }
        Errno::CONNRESET | Errno::PIPE => "the other end has broken the link".into(),
        other => format!("{doing} failed: {other}"),
    }
}

/// Looks, before anything is opened, for what only a person can mend. What may mend itself,
/// as a device that is not there yet, is no fault here.
pub(crate) fn check(link: &Link) -> Result<(), String> {
    let Link::Serial { device, .. } = link else {
        return Ok(());
    };
    let Ok(meta) = fs::metadata(device) else {
        return Ok(());
    };
    if !meta.file_type().is_char_device() {
        let what = if meta.is_dir() { "a folder" } else { "a file" };
        return Err(format!(
            "this is {what} and no serial line; serial lines are listed below /dev/serial/by-id"
        ));
    }
    match rustix::fs::access(device, Access::READ_OK | Access::WRITE_OK) {
        Err(Errno::ACCESS | Errno::PERM) => Err(no_permission(&meta)),
        _ => Ok(()),
    }
}

fn no_permission(meta: &fs::Metadata) -> String {
    let group = group_name(meta.gid()).unwrap_or_else(|| meta.gid().to_string());
    format!(
        "you may not open this device. Add your user to the group '{group}' \
         (as root: usermod -a -G {group} USER), log in again and start anew"
    )
}

/// The name of a group, as `/etc/group` tells it.
fn group_name(gid: u32) -> Option<String> {
    let groups = fs::read_to_string("/etc/group").ok()?;
    groups.lines().find_map(|line| {
        let mut fields = line.split(':');
        let name = fields.next()?;
        (fields.nth(1)?.parse::<u32>().ok()? == gid).then(|| name.to_owned())
    })
}

/// Opens a link. The USB identity of the first device found goes into `known`; from then on
/// no other device is accepted.
pub(crate) fn open(link: &Link, known: &mut Option<Known>) -> Result<OpenLink, String> {
    match link {
        Link::Serial {
            device,
            baud,
            flow_control,
        } => open_serial(device, *baud, *flow_control, known),
        Link::Tcp { host_port } => connect(host_port),
    }
}

/// What was found behind a serial line when it was first opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Known(pub(crate) Option<UsbIdentity>);

impl Known {
    /// The sentence that refuses another device; `None` if it is the same.
    fn refusal(&self, found: &Option<UsbIdentity>) -> Option<String> {
        let same = match (&self.0, found) {
            (Some(known), Some(found)) => known.is_same(found),
            (known, found) => known.is_none() && found.is_none(),
        };
        let name = |identity: &Option<UsbIdentity>| match identity {
            Some(identity) => identity.to_string(),
            None => "a device that is none of USB".to_owned(),
        };
        (!same).then(|| {
            format!(
                "another device has come under this name: it was {}, it is {}. Plug the right \
                 one in, or correct the plan and start anew",
                name(&self.0),
                name(found)
            )
        })
    }
}

fn open_serial(
    device: &Path,
    baud: u32,
    flow_control: FlowControl,
    known: &mut Option<Known>,
) -> Result<OpenLink, String> {
    let meta = fs::metadata(device).map_err(|e| match e.kind() {
        std::io::ErrorKind::NotFound => "there is no such device now; is it plugged in?".into(),
        _ => format!("it cannot be looked at: {e}"),
    })?;
    check(&Link::Serial {
        device: device.into(),
        baud,
        flow_control,
    })?;
    let identity = UsbIdentity::of_device(meta.rdev());
    if let Some(refusal) = known.as_ref().and_then(|k| k.refusal(&identity)) {
        return Err(refusal);
    }
    let flags = OFlags::RDWR | OFlags::NOCTTY | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let fd = rustix::fs::open(device, flags, Mode::empty()).map_err(|e| match e {
        Errno::BUSY => "another program uses this serial line; end it first".into(),
        other => format!("it cannot be opened: {other}"),
    })?;
    let opened = rustix::fs::fstat(&fd).map_err(|e| format!("it cannot be looked at: {e}"))?;
    if opened.st_rdev != meta.rdev() {
        return Err("the device changed while it was being opened".into());
    }
    prepare(&fd, baud, flow_control)?;
    let mut detail = format!("serial line {} at {baud} Bd", device.display());
    if flow_control == FlowControl::RtsCts {
        detail.push_str(" with RTS/CTS flow control");
    }
    if let Some(identity) = &identity {
        detail.push_str(&format!(" ({identity})"));
    }
    known.get_or_insert(Known(identity));
    Ok(OpenLink { fd, detail })
}

/// For us alone, raw, 8 data bits, no parity, 1 stop bit ([K] section 2).
fn prepare(fd: &OwnedFd, baud: u32, flow_control: FlowControl) -> Result<(), String> {
    let fault = |e: Errno| match e {
        Errno::NOTTY => "this device is no serial line".to_owned(),
        other => format!("it cannot be set to {baud} Bd: {other}"),
    };
    let mut line = tcgetattr(fd).map_err(fault)?;
    // The lock is for programs of root, whom the exclusive use does not stop.
    rustix::fs::flock(fd, FlockOperation::NonBlockingLockExclusive)
        .map_err(|_| "another program uses this serial line; end it first".to_owned())?;
    ioctl_tiocexcl(fd).map_err(fault)?;
    line.make_raw();
    line.input_modes &= !(InputModes::IXON | InputModes::IXOFF | InputModes::IXANY);
    let off = ControlModes::PARENB
        | ControlModes::CSTOPB
        | ControlModes::CSIZE
        | ControlModes::CRTSCTS
        | ControlModes::HUPCL;
    line.control_modes &= !off;
    line.control_modes |= ControlModes::CS8 | ControlModes::CREAD | ControlModes::CLOCAL;
    if flow_control == FlowControl::RtsCts {
        line.control_modes |= ControlModes::CRTSCTS;
    }
    line.set_speed(baud).map_err(fault)?;
    tcsetattr(fd, OptionalActions::Now, &line).map_err(fault)?;
    let set = tcgetattr(fd).map_err(fault)?;
    // Speeds are whole divisors of a clock; a few per cent are in order.
    let off_by = set.output_speed().abs_diff(baud);
    if off_by > baud / 33 {
        return Err(format!(
            "it cannot run at {baud} Bd (it offers {} Bd)",
            set.output_speed()
        ));
    }
    tcflush(fd, QueueSelector::IOFlush).map_err(fault)
}

fn connect(host_port: &str) -> Result<OpenLink, String> {
    let addresses: Vec<_> = host_port
        .to_socket_addrs()
        .map_err(|e| format!("the name cannot be looked up: {e}"))?
        .take(4)
        .collect();
    let mut reason = "the name has no address".to_owned();
    for address in addresses {
        match TcpStream::connect_timeout(&address, LONGEST_CONNECTING) {
            Ok(stream) => return connected(stream, &address.to_string()),
            Err(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
                reason = format!("nothing listens at {address}; is the controller on?");
            }
            Err(error) => reason = format!("no connection to {address}: {error}"),
        }
    }
    Err(reason)
}

fn connected(stream: TcpStream, address: &str) -> Result<OpenLink, String> {
    let fault = |e: &dyn std::fmt::Display| format!("the connection cannot be set up: {e}");
    stream.set_nonblocking(true).map_err(|e| fault(&e))?;
    stream.set_nodelay(true).map_err(|e| fault(&e))?;
    keep_alive(&stream, LONGEST_UNCONFIRMED).map_err(|e| fault(&e))?;
    Ok(OpenLink {
        fd: stream.into(),
        detail: format!("connection to {address}"),
    })
}

/// Lets a connection whose other end vanished without a word end: within a minute or so when
/// nothing is on its way, after `unconfirmed` when something is.
pub(crate) fn keep_alive(stream: &TcpStream, unconfirmed: Duration) -> rustix::io::Result<()> {
    sockopt::set_socket_keepalive(stream, true)?;
    sockopt::set_tcp_keepidle(stream, KEEPALIVE_AFTER)?;
    sockopt::set_tcp_keepintvl(stream, KEEPALIVE_EACH)?;
    sockopt::set_tcp_keepcnt(stream, KEEPALIVE_COUNT)?;
    let ms = u32::try_from(unconfirmed.as_millis()).unwrap_or(u32::MAX);
    sockopt::set_tcp_user_timeout(stream, ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn identity(serial: &str) -> Option<UsbIdentity> {
        Some(UsbIdentity {
            vendor: "1209".into(),
            product: "0001".into(),
            serial: Some(serial.into()),
            socket: "1-1".into(),
            interface: None,
            line: None,
        })
    }

    #[test]
    fn another_device_is_refused_with_both_names() {
        let known = Known(identity("QM-7"));
        assert_eq!(known.refusal(&identity("QM-7")), None);
        let refusal = known.refusal(&identity("QM-8")).expect("another");
        assert!(
            refusal.contains("QM-7") && refusal.contains("QM-8"),
            "{refusal}"
        );
        assert!(
            known
                .refusal(&None)
                .expect("another")
                .contains("none of USB")
        );
        assert_eq!(Known(None).refusal(&None), None);
        assert!(Known(None).refusal(&identity("QM-7")).is_some());
    }

    fn serial(device: &str) -> Link {
        Link::Serial {
            device: device.into(),
            baud: 9600,
            flow_control: FlowControl::Off,
        }
    }

    #[test]
    fn what_is_no_serial_line_is_told_in_a_sentence() {
        let file = tempfile::NamedTempFile::new().expect("a file");
        let path = file.path().to_str().expect("its path");
        assert!(
            check(&serial(path))
                .expect_err("a file")
                .contains("a file and no serial")
        );
        assert!(
            check(&serial("/tmp"))
                .expect_err("a folder")
                .contains("a folder")
        );
        assert_eq!(check(&serial("/dev/not-plugged-in")), Ok(()), "it may come");
        let reason = |device| open(&serial(device), &mut None).expect_err("no line");
        assert_eq!(reason("/dev/null"), "this device is no serial line");
        assert!(reason("/dev/not-plugged-in").contains("is it plugged in?"));
    }

    #[test]
    fn an_address_where_nothing_listens_is_told_in_a_sentence() {
        let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("an address");
        let address = taken.local_addr().expect("its name").to_string();
        drop(taken);
        let link = Link::Tcp { host_port: address };
        let reason = open(&link, &mut None).expect_err("nothing there");
        assert!(reason.contains("nothing listens"), "{reason}");
    }
}
