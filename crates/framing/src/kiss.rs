//! KISS: frames between a host and a modem, as octets on a serial line or a network link.
//!
//! Source: [K] M. Chepponis, P. Karn, "The KISS TNC: A Simple Host-to-TNC Communications
//! Protocol", 6th ARRL Computer Networking Conference, 1987. The acknowledged data of [M]
//! K. Medcalf, "Multi-Drop KISS Operation", 1991, is the one addition.
//!
//! The content of a data frame is an AX.25 frame from its addresses to its information,
//! without flags and without FCS.

mod decode;
mod encode;

use thiserror::Error;

pub use decode::{DEFAULT_LONGEST, Decoded, Decoder, Problem};
pub use encode::{encode, ten_ms_units, wire_persistence};

/// Frame end, [K] section 2.
pub const FEND: u8 = 0xC0;
/// Escape, [K] section 2.
pub const FESC: u8 = 0xDB;
/// Behind an escape: the octet of [`FEND`], [K] section 2.
pub const TFEND: u8 = 0xDC;
/// Behind an escape: the octet of [`FESC`], [K] section 2.
pub const TFESC: u8 = 0xDD;

/// The whole type octet that tells a controller to leave KISS, [K] section 4.
const RETURN: u8 = 0xFF;

/// The number of a port inside one controller: 0 to 15, the high nibble of the type octet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KissPort(u8);

/// A port number that KISS cannot carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[error("{0} is no port number of KISS; there are 0 to 15")]
pub struct NoSuchPort(pub u8);

impl KissPort {
    /// The port of this number.
    ///
    /// # Errors
    /// If it is above 15.
    pub const fn new(number: u8) -> Result<Self, NoSuchPort> {
        if number > 15 {
            return Err(NoSuchPort(number));
        }
        Ok(KissPort(number))
    }

    /// Its number, 0 to 15.
    pub const fn number(self) -> u8 {
        self.0
    }
}

impl std::fmt::Display for KissPort {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

/// What a frame is for: the low nibble of the type octet, [K] section 4.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Command {
    /// 0: a frame to send, or a frame heard. The only one that a modem sends.
    Data,
    /// 1: key-up delay, in units of 10 ms.
    KeyUpDelay,
    /// 2: persistence; the value P means a chance of (P + 1) / 256.
    Persistence,
    /// 3: slot time, in units of 10 ms.
    SlotTime,
    /// 4: time to hold the key behind the FCS, in units of 10 ms. Obsolete in [K].
    Tail,
    /// 5: 0 = half duplex, anything else = full duplex.
    FullDuplex,
    /// 6: whatever the maker of the modem chose.
    SetHardware,
    /// C: data that begin with two octets, which come back in such a frame of their own when
    /// the data have left the transmitter. [M]; plain KISS does not know it.
    AcknowledgedData,
    /// The whole octet FF: leave KISS. It belongs to no port.
    Return,
    /// Any other low nibble, 7 to 15. To be ignored.
    Unknown(u8),
}

impl Command {
    /// The type octet for this command and port. An unknown command keeps its low nibble.
    pub const fn type_octet(self, port: KissPort) -> u8 {
        let low = match self {
            Command::Data => 0,
            Command::KeyUpDelay => 1,
            Command::Persistence => 2,
            Command::SlotTime => 3,
            Command::Tail => 4,
            Command::FullDuplex => 5,
            Command::SetHardware => 6,
            Command::AcknowledgedData => 0xC,
            Command::Return => return RETURN,
            Command::Unknown(nibble) => nibble & 0x0F,
        };
        port.0 << 4 | low
    }

    /// Command and port of a type octet. `FF` is [`Command::Return`], so port 15 has no
    /// command 15.
    pub const fn of_type_octet(octet: u8) -> (Command, KissPort) {
        let command = match octet & 0x0F {
            _ if octet == RETURN => Command::Return,
            0 => Command::Data,
            1 => Command::KeyUpDelay,
            2 => Command::Persistence,
            3 => Command::SlotTime,
            4 => Command::Tail,
            5 => Command::FullDuplex,
            6 => Command::SetHardware,
            0xC => Command::AcknowledgedData,
            other => Command::Unknown(other),
        };
        (command, KissPort(octet >> 4))
    }
}

/// One frame: for which port, what for, and its content with all escapes undone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// The port inside the controller.
    pub port: KissPort,
    /// What it is for.
    pub command: Command,
    /// The content. A parameter has one octet.
    pub octets: Vec<u8>,
    /// Escapes in it that were none, [`Problem::BadEscape`]. Above zero, octets are missing.
    pub bad_escapes: u32,
}

#[cfg(test)]
mod tests;
