//! One line per frame, for people.
//!
//! `QM3BAR > QA1SKY via QD2HIL-1* : I ns 2 nr 1 poll "text"`
//!
//! A star marks a repeater that has sent the frame on. The PID is left out where it says "no
//! layer 3". Octets that are not UTF-8 show as the replacement character, everything that is
//! not plainly printable is escaped: no frame can move the reader's cursor.

use std::fmt::{self, Write as _};

use super::address::{Address, AddressField, Repeater, Role};
use super::control::Control;
use super::frame::Frame;
use super::pid;

impl fmt::Display for AddressField {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        path(f, &self.source, &self.destination, &self.repeaters)
    }
}

impl fmt::Display for Frame {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        path(f, &self.source, &self.destination, &self.repeaters)?;
        write!(f, " : {}", self.control.name())?;
        f.write_str(unexpected_role(self.role, self.control))?;
        numbers(f, self.control)?;
        if self.control.poll_or_final() {
            f.write_str(match self.role {
                Role::Command => " poll",
                Role::Response => " final",
                Role::Legacy { .. } => " poll/final",
            })?;
        }
        if let Some(pid) = self.pid.filter(|&pid| pid != pid::NO_LAYER_3) {
            write!(f, " pid 0x{pid:02X}")?;
        }
        match (self.control, self.info.as_slice()) {
            (_, []) => Ok(()),
            // These carry fields, not text.
            (Control::Xid { .. } | Control::Frmr { .. }, octets) => octets
                .iter()
                .try_for_each(|octet| write!(f, " {octet:02X}")),
            (_, text) => quoted(f, text),
        }
    }
}

fn path(
    f: &mut fmt::Formatter<'_>,
    source: &Address,
    destination: &Address,
    repeaters: &[Repeater],
) -> fmt::Result {
    write!(f, "{source} > {destination}")?;
    for (number, repeater) in repeaters.iter().enumerate() {
        let before = if number == 0 { " via " } else { ", " };
        let star = if repeater.has_been_repeated { "*" } else { "" };
        write!(f, "{before}{}{star}", repeater.address)?;
    }
    Ok(())
}

/// The role, where the kind of frame does not already say it.
fn unexpected_role(role: Role, control: Control) -> &'static str {
    let expected = match control {
        Control::I { .. } | Control::Ui { .. } => Some(Role::Command),
        Control::Sabm { .. } | Control::Sabme { .. } | Control::Disc { .. } => Some(Role::Command),
        Control::Dm { .. } | Control::Ua { .. } | Control::Frmr { .. } => Some(Role::Response),
        _ => None,
    };
    match role {
        _ if expected == Some(role) => "",
        Role::Command => " command",
        Role::Response => " response",
        Role::Legacy { .. } => " legacy",
    }
}

fn numbers(f: &mut fmt::Formatter<'_>, control: Control) -> fmt::Result {
    match control {
        Control::I { ns, nr, .. } => write!(f, " ns {ns} nr {nr}"),
        Control::Rr { nr, .. }
        | Control::Rnr { nr, .. }
        | Control::Rej { nr, .. }
        | Control::Srej { nr, .. } => write!(f, " nr {nr}"),
        _ => Ok(()),
    }
}

fn quoted(f: &mut fmt::Formatter<'_>, text: &[u8]) -> fmt::Result {
    f.write_str(" \"")?;
    for c in String::from_utf8_lossy(text).chars() {
        match c {
            '\'' => f.write_char(c)?,
            _ => write!(f, "{}", c.escape_debug())?,
        }
    }
    f.write_char('"')
}
