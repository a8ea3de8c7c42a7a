//! Whole frames.

use thiserror::Error;

use super::address::{self, Address, AddressField, Repeater, Role};
use super::call_sign::CallSign;
use super::control::{Control, Modulo};

/// An AX.25 frame: what stands between the flags, without the FCS.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Frame {
    /// For whom the frame is.
    pub destination: Address,
    /// Who made the frame.
    pub source: Address,
    /// The path, in the order of travel; at most [`super::MAX_REPEATERS`].
    pub repeaters: Vec<Repeater>,
    /// Command or response.
    pub role: Role,
    /// The control field.
    pub control: Control,
    /// The protocol identifier; in I and UI frames, and only there.
    pub pid: Option<u8>,
    /// The information field; empty where [`Control::may_have_info`] is false.
    pub info: Vec<u8>,
}

/// Why octets are no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum DecodeError {
    /// No octet has the extension bit that ends the address field (§3.12.2).
    #[error("the address field has no end")]
    AddressWithoutEnd,
    /// The address field is not made of two or more subfields of seven octets.
    #[error("the address field is {0} octets long, which is not 14 plus 7 for each repeater")]
    AddressLength(usize),
    /// More than eight repeaters (§3.12.5).
    #[error("the address field names {0} repeaters; eight is the most")]
    TooManyRepeaters(usize),
    /// The frame ends before the control field does.
    #[error("the control field is missing or cut short")]
    NoControl,
    /// The control field is none of the standard's.
    #[error("the control field {0:#04X} is not defined")]
    UnknownControl(u8),
    /// An I or UI frame ends before the PID.
    #[error("an {0} frame must have a PID octet")]
    NoPid(&'static str),
    /// Octets after the control field of a frame that must have none.
    #[error("an {0} frame must have no information field")]
    InfoNotPermitted(&'static str),
}

/// What the data link must be told of a frame that has good addresses and a bad rest: the
/// standard's control field error, information not permitted, and length error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Control field not defined.
    ControlField,
    /// Information field where none is allowed.
    InfoNotPermitted,
    /// Too short for its kind.
    Length,
}

impl DecodeError {
    /// The fault to hand to the data link, if the addresses are good enough to find one.
    pub fn fault(self) -> Option<Fault> {
        match self {
            DecodeError::UnknownControl(_) => Some(Fault::ControlField),
            DecodeError::InfoNotPermitted(_) => Some(Fault::InfoNotPermitted),
            DecodeError::NoControl | DecodeError::NoPid(_) => Some(Fault::Length),
            DecodeError::AddressWithoutEnd
            | DecodeError::AddressLength(_)
            | DecodeError::TooManyRepeaters(_) => None,
        }
    }
}

impl Frame {
    /// Decodes a frame of a link modulo 8, or of an unknown link. `octets` starts with the
    /// address field and ends before the FCS.
    ///
    /// # Errors
    /// [`DecodeError`]; the sender is at fault, or it was never an AX.25 frame.
    pub fn decode(octets: &[u8]) -> Result<Self, DecodeError> {
        Frame::decode_modulo(octets, Modulo::Eight)
    }

    /// Decodes a frame of a link that was not followed from its start: as modulo 8, and if it
    /// does not fit so, as modulo 128 (§4.2.1: which of them it is only SABM or SABME tell).
    ///
    /// # Errors
    /// Why it is no frame modulo 8.
    pub fn decode_overheard(octets: &[u8]) -> Result<Self, DecodeError> {
        let extended = || Frame::decode_modulo(octets, Modulo::OneHundredTwentyEight);
        Frame::decode(octets).or_else(|error| extended().map_err(|_| error))
    }

    /// Decodes a frame of a link whose modulo is known.
    ///
    /// # Errors
    /// As [`Frame::decode`].
    pub fn decode_modulo(octets: &[u8], modulo: Modulo) -> Result<Self, DecodeError> {
        let (field, rest) = AddressField::decode(octets)?;
        let Some((control, rest)) = Control::decode(rest, modulo) else {
            // An I or S field modulo 128 cut after its first octet is short, not unknown.
            return Err(match rest {
                [] => DecodeError::NoControl,
                [first] if first & 0b11 != 0b11 => DecodeError::NoControl,
                [first, ..] => DecodeError::UnknownControl(*first),
            });
        };
        let (pid, info) = if control.has_pid() {
            let (&pid, info) = rest
                .split_first()
                .ok_or(DecodeError::NoPid(control.name()))?;
            (Some(pid), info)
        } else {
            (None, rest)
        };
        if !info.is_empty() && !control.may_have_info() {
            return Err(DecodeError::InfoNotPermitted(control.name()));
        }
        let AddressField {
            destination,
            source,
            repeaters,
            role,
        } = field;
        let info = info.to_vec();
        Ok(Frame {
            destination,
            source,
            repeaters,
            role,
            control,
            pid,
            info,
        })
    }

    /// The octets of a frame of a link modulo 8, from address field to end of information.
    pub fn encode(&self) -> Vec<u8> {
        self.encode_modulo(Modulo::Eight)
    }

    /// The octets of a frame of a link with the given modulo.
    pub fn encode_modulo(&self, modulo: Modulo) -> Vec<u8> {
        let mut out = Vec::with_capacity(17 + 7 * self.repeaters.len() + self.info.len());
        address::encode(
            &self.destination,
            &self.source,
            &self.repeaters,
            self.role,
            &mut out,
        );
        self.control.encode(modulo, &mut out);
        out.extend(self.pid);
        out.extend(&self.info);
        out
    }

    /// A UI command (§4.3.3.6) from `source` to `destination` by `path`, to be sent to anyone.
    pub fn ui(
        source: CallSign,
        destination: CallSign,
        path: &[CallSign],
        pid: u8,
        info: Vec<u8>,
    ) -> Self {
        Frame {
            destination: destination.into(),
            source: source.into(),
            repeaters: path.iter().copied().map(Repeater::ahead).collect(),
            role: Role::Command,
            control: Control::Ui { pf: false },
            pid: Some(pid),
            info,
        }
    }
}
