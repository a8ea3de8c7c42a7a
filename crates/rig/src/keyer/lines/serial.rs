//! RTS and DTR of a serial port, and its status lines.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::rc::Rc;

use rustix::termios::{
    ControlModes, OptionalActions, ioctl_tiocexcl, isatty, tcgetattr, tcsetattr,
};

use super::node::{self, Kind};
use super::{Line, OpenError, Sense};
use crate::keyer::settings::{SerialLine, StatusLine};

/// The lines of a serial port beside its data.
pub trait ModemLines {
    /// Switches an output line; on is the positive voltage of RS-232.
    ///
    /// # Errors
    /// Of the operating system.
    fn set(&self, line: SerialLine, on: bool) -> io::Result<()>;
    /// Reads an input line.
    ///
    /// # Errors
    /// Of the operating system.
    fn get(&self, line: StatusLine) -> io::Result<bool>;
}

impl ModemLines for serial2::SerialPort {
    fn set(&self, line: SerialLine, on: bool) -> io::Result<()> {
        match line {
            SerialLine::Rts => self.set_rts(on),
            SerialLine::Dtr => self.set_dtr(on),
        }
    }

    fn get(&self, line: StatusLine) -> io::Result<bool> {
        match line {
            StatusLine::Cts => self.read_cts(),
            StatusLine::Dcd => self.read_cd(),
            StatusLine::Dsr => self.read_dsr(),
            StatusLine::Ri => self.read_ri(),
        }
    }
}

/// Opens a serial port for itself alone: raw, without flow control, `baud` or what it had.
/// The kernel lowers both output lines when it is closed or its process dies (`HUPCL`,
/// termios(3)).
pub(super) fn open(device: &str, baud: Option<u32>) -> Result<serial2::SerialPort, OpenError> {
    let fd: OwnedFd = node::open(Kind::Serial, device)?;
    if !isatty(&fd) {
        return Err(OpenError::Unusable(format!(
            "{device} is a device, but not a serial port"
        )));
    }
    let unusable = |e: io::Error| {
        let speed = baud.map_or(String::new(), |b| format!(" for {b} bit/s"));
        OpenError::Unusable(format!(
            "the serial port {device} cannot be set up{speed}: {e}"
        ))
    };
    ioctl_tiocexcl(&fd).map_err(|e| unusable(e.into()))?;
    set_up(&fd, baud).map_err(unusable)?;
    Ok(serial2::SerialPort::from(fd))
}

fn set_up(fd: impl AsFd, baud: Option<u32>) -> io::Result<()> {
    let mut modes = tcgetattr(&fd)?;
    modes.make_raw();
    let one_stop_bit = ControlModes::CSTOPB | ControlModes::CRTSCTS;
    modes.control_modes.remove(one_stop_bit);
    let on = ControlModes::HUPCL | ControlModes::CLOCAL | ControlModes::CREAD;
    modes.control_modes.insert(on);
    if let Some(baud) = baud {
        modes.set_speed(baud)?;
    }
    Ok(tcsetattr(&fd, OptionalActions::Now, &modes)?)
}

/// RTS or DTR as a keying line.
pub struct SerialKey<P> {
    port: Rc<P>,
    device: String,
    line: SerialLine,
    inverted: bool,
    opposed: bool,
}

impl<P: ModemLines> SerialKey<P> {
    /// `line` of `port`; keyed while off if `inverted`; the other line its opposite if
    /// `opposed`.
    pub fn new(port: Rc<P>, device: &str, line: SerialLine, inverted: bool, opposed: bool) -> Self {
        SerialKey {
            port,
            device: device.into(),
            line,
            inverted,
            opposed,
        }
    }

    fn other(&self) -> SerialLine {
        match self.line {
            SerialLine::Rts => SerialLine::Dtr,
            SerialLine::Dtr => SerialLine::Rts,
        }
    }
}

impl<P: ModemLines> Line for SerialKey<P> {
    fn set(&mut self, down: bool) -> Result<String, String> {
        let on = down != self.inverted;
        let failed = |e: io::Error| {
            let device = &self.device;
            format!("{device} does not obey ({e}): is it still plugged in?")
        };
        // In between both lines are alike, which keys nothing: when keying the other line
        // changes first, when releasing the keying line does.
        if self.opposed && down {
            self.port.set(self.other(), !on).map_err(failed)?;
        }
        self.port.set(self.line, on).map_err(failed)?;
        if self.opposed && !down {
            self.port.set(self.other(), !on).map_err(failed)?;
        }
        let state = |on| if on { "on" } else { "off" };
        let other = match self.opposed {
            true => format!(" and {} {}", name(self.other()), state(!on)),
            false => String::new(),
        };
        Ok(format!(
            "the kernel has set {} {}{other} on {}; a serial port cannot measure its own output",
            name(self.line),
            state(on),
            self.device
        ))
    }
}

fn name(line: SerialLine) -> &'static str {
    match line {
        SerialLine::Rts => "RTS",
        SerialLine::Dtr => "DTR",
    }
}

/// A status line that tells that the channel is busy.
pub struct SerialSense<P> {
    port: Rc<P>,
    line: StatusLine,
    inverted: bool,
}

impl<P: ModemLines> SerialSense<P> {
    /// `line` of `port`; busy while off if `inverted`.
    pub fn new(port: Rc<P>, line: StatusLine, inverted: bool) -> Self {
        SerialSense {
            port,
            line,
            inverted,
        }
    }
}

impl<P: ModemLines> Sense for SerialSense<P> {
    fn busy(&mut self) -> Result<Option<bool>, String> {
        let on = self
            .port
            .get(self.line)
            .map_err(|e| format!("the busy line cannot be read: {e}"))?;
        Ok(Some(on != self.inverted))
    }
}

#[cfg(test)]
mod tests {
    use std::cell::{Cell, RefCell};

    use super::*;

    /// Records what is set. A pseudo-terminal has no such lines, so the real call to the kernel
    /// is tested only on a machine with a serial port.
    #[derive(Default)]
    struct Fake {
        set: RefCell<Vec<(SerialLine, bool)>>,
        dcd: Cell<bool>,
        gone: Cell<bool>,
    }

    impl ModemLines for Fake {
        fn set(&self, line: SerialLine, on: bool) -> io::Result<()> {
            if self.gone.get() {
                return Err(io::ErrorKind::BrokenPipe.into());
            }
            self.set.borrow_mut().push((line, on));
            Ok(())
        }
        fn get(&self, line: StatusLine) -> io::Result<bool> {
            assert_eq!(line, StatusLine::Dcd);
            Ok(self.dcd.get())
        }
    }

    const RTS: SerialLine = SerialLine::Rts;
    const DTR: SerialLine = SerialLine::Dtr;

    fn trace(line: SerialLine, inverted: bool, opposed: bool) -> Vec<(SerialLine, bool)> {
        let port = Rc::new(Fake::default());
        let mut key = SerialKey::new(port.clone(), "fake", line, inverted, opposed);
        for down in [false, true, false] {
            key.set(down).expect("it obeys");
        }
        port.set.take()
    }

    #[test]
    fn polarity_decides_what_keys() {
        assert_eq!(
            trace(RTS, false, false),
            [(RTS, false), (RTS, true), (RTS, false)]
        );
        assert_eq!(
            trace(DTR, true, false),
            [(DTR, true), (DTR, false), (DTR, true)]
        );
    }

    #[test]
    fn an_opposed_pair_is_keyed_in_the_last_step_and_released_in_the_first() {
        for (line, other) in [(RTS, DTR), (DTR, RTS)] {
            for inverted in [false, true] {
                let steps = trace(line, inverted, true);
                let keyed_when = |state: &[(SerialLine, bool)]| {
                    let last = |l| state.iter().rev().find(|s| s.0 == l).map(|s| s.1);
                    last(line) == Some(!inverted) && last(other) == Some(inverted)
                };
                let keyed: Vec<bool> = (1..=6).map(|n| keyed_when(&steps[..n])).collect();
                let expected = [false, false, false, true, false, false];
                assert_eq!(keyed, expected, "{line:?} inverted {inverted}: {steps:?}");
            }
        }
    }

    #[test]
    fn a_port_that_is_gone_is_told() {
        let port = Rc::new(Fake::default());
        port.gone.set(true);
        let mut key = SerialKey::new(port, "/dev/ttyUSB0", RTS, false, true);
        let said = key.set(false).expect_err("it is gone");
        assert!(said.contains("/dev/ttyUSB0 does not obey"), "{said}");
    }

    #[test]
    fn a_busy_line_has_a_polarity_too() {
        let port = Rc::new(Fake::default());
        let mut plain = SerialSense::new(port.clone(), StatusLine::Dcd, false);
        let mut inverted = SerialSense::new(port.clone(), StatusLine::Dcd, true);
        for dcd in [false, true] {
            port.dcd.set(dcd);
            assert_eq!(plain.busy(), Ok(Some(dcd)));
            assert_eq!(inverted.busy(), Ok(Some(!dcd)));
        }
    }

    #[test]
    fn what_is_no_terminal_is_no_serial_port() {
        let said = open("/dev/null", None).expect_err("refused").sentence();
        assert_eq!(said, "/dev/null is a device, but not a serial port");
    }
}
