//! The address field (§3.12): destination, source and up to eight repeaters.

use std::fmt::{self, Write as _};

use super::call_sign::CallSign;
use super::frame::DecodeError;

/// Octets of one address subfield (§3.12.2).
const SUBFIELD: usize = 7;
/// Most repeaters one frame can name (§3.12.5; E2 of the figures 3.1 notwithstanding).
pub const MAX_REPEATERS: usize = 8;

/// Extension bit: set in the last octet of the address field only.
const EXTENSION: u8 = 0x01;
/// C bit of destination and source, H bit of a repeater.
const C_OR_H: u8 = 0x80;
/// The two R bits; 1 unless a network gives them a meaning (§3.12.2).
const RESERVED: u8 = 0x60;

/// One station as an address field names it, as heard.
///
/// Anything can be heard on the air, so this keeps the raw octets: it may hold what is no
/// [`CallSign`]. The C or H bit and the extension bit are not part of it. Displayed as a call
/// sign if it is one; else all six characters stand escaped between double quotes, followed by
/// the SSID, e.g. `"qa1\u{5} X"-3`. The R bits are kept but not displayed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Address {
    /// Seven-bit codes, not shifted.
    characters: [u8; 6],
    /// R bits and SSID, at their places in the SSID octet.
    reserved_and_ssid: u8,
}

impl Address {
    /// The call sign, unless the octets are no proper one.
    pub fn call_sign(&self) -> Option<CallSign> {
        CallSign::from_padded(self.characters, self.ssid())
    }

    /// Whether this is `call`.
    pub fn is(&self, call: CallSign) -> bool {
        self.call_sign() == Some(call)
    }

    /// The SSID, 0 to 15.
    pub fn ssid(&self) -> u8 {
        (self.reserved_and_ssid >> 1) & 0x0F
    }

    fn decode(octets: &[u8; SUBFIELD]) -> Self {
        let [c0, c1, c2, c3, c4, c5, last] = *octets;
        Address {
            characters: [c0, c1, c2, c3, c4, c5].map(|octet| octet >> 1),
            reserved_and_ssid: last & !(C_OR_H | EXTENSION),
        }
    }

    fn encode(&self, c_or_h: bool, is_last: bool, out: &mut Vec<u8>) {
        out.extend(self.characters.map(|code| code << 1));
        let c_or_h = if c_or_h { C_OR_H } else { 0 };
        out.push(self.reserved_and_ssid | c_or_h | u8::from(is_last));
    }
}

impl From<CallSign> for Address {
    fn from(call: CallSign) -> Self {
        Address {
            characters: call.padded(),
            reserved_and_ssid: RESERVED | call.ssid() << 1,
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(call) = self.call_sign() {
            return call.fmt(f);
        }
        f.write_char('"')?;
        for code in self.characters {
            write!(f, "{}", char::from(code).escape_debug())?;
        }
        write!(f, "\"-{}", self.ssid())
    }
}

/// A repeater (digipeater) named in a frame's path.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Repeater {
    /// Who shall repeat, or has repeated, the frame.
    pub address: Address,
    /// The H bit (§3.12.5): this repeater has sent the frame on.
    pub has_been_repeated: bool,
}

impl Repeater {
    /// A repeater that the frame has still to pass.
    pub fn ahead(call: CallSign) -> Self {
        Repeater {
            address: call.into(),
            has_been_repeated: false,
        }
    }
}

/// What the two C bits say (§6.1.2, Fig 6.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Role {
    /// Destination C bit 1, source C bit 0.
    Command,
    /// Destination C bit 0, source C bit 1.
    Response,
    /// Both alike: sent by a station with a version before 2.0, which did not tell the two
    /// apart.
    Legacy {
        /// The value of both C bits.
        c_bits: bool,
    },
}

impl Role {
    fn from_c_bits(destination: bool, source: bool) -> Self {
        match (destination, source) {
            (true, false) => Role::Command,
            (false, true) => Role::Response,
            (c_bits, _) => Role::Legacy { c_bits },
        }
    }

    fn c_bits(self) -> (bool, bool) {
        match self {
            Role::Command => (true, false),
            Role::Response => (false, true),
            Role::Legacy { c_bits } => (c_bits, c_bits),
        }
    }
}

/// The address field alone, for a frame whose rest could not be decoded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AddressField {
    /// For whom the frame is.
    pub destination: Address,
    /// Who made the frame.
    pub source: Address,
    /// The path, in the order of travel; at most [`MAX_REPEATERS`].
    pub repeaters: Vec<Repeater>,
    /// Command or response.
    pub role: Role,
}

impl AddressField {
    /// Decodes the address field at the start of `octets`; also gives what follows it.
    ///
    /// # Errors
    /// [`DecodeError`] if the field never ends, ends inside a subfield, or names fewer than
    /// two or more than ten stations.
    pub fn decode(octets: &[u8]) -> Result<(Self, &[u8]), DecodeError> {
        let end = octets.iter().position(|octet| octet & EXTENSION != 0);
        let length = end.ok_or(DecodeError::AddressWithoutEnd)? + 1;
        let (field, rest) = octets.split_at(length);
        let (subfields, left_over) = field.as_chunks::<SUBFIELD>();
        if !left_over.is_empty() {
            return Err(DecodeError::AddressLength(length));
        }
        let [destination, source, repeaters @ ..] = subfields else {
            return Err(DecodeError::AddressLength(length));
        };
        if repeaters.len() > MAX_REPEATERS {
            return Err(DecodeError::TooManyRepeaters(repeaters.len()));
        }
        let bit = |subfield: &[u8; SUBFIELD]| subfield[SUBFIELD - 1] & C_OR_H != 0;
        let field = AddressField {
            destination: Address::decode(destination),
            source: Address::decode(source),
            repeaters: repeaters
                .iter()
                .map(|r| Repeater {
                    address: Address::decode(r),
                    has_been_repeated: bit(r),
                })
                .collect(),
            role: Role::from_c_bits(bit(destination), bit(source)),
        };
        Ok((field, rest))
    }
}

/// Writes an address field. The caller holds the parts, so that a frame need not be taken apart.
pub(super) fn encode(
    destination: &Address,
    source: &Address,
    repeaters: &[Repeater],
    role: Role,
    out: &mut Vec<u8>,
) {
    let (destination_c, source_c) = role.c_bits();
    destination.encode(destination_c, false, out);
    source.encode(source_c, repeaters.is_empty(), out);
    for (number, repeater) in repeaters.iter().enumerate() {
        let is_last = number + 1 == repeaters.len();
        repeater
            .address
            .encode(repeater.has_been_repeated, is_last, out);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unusual_address_is_marked_and_keeps_every_character() {
        let octets = [
            b'q' << 1,
            b'"' << 1,
            5 << 1,
            b' ' << 1,
            b'A' << 1,
            b' ' << 1,
            0x66,
        ];
        let address = Address::decode(&octets);
        assert_eq!(address.call_sign(), None);
        assert_eq!(address.to_string(), r#""q\"\u{5} A "-3"#);
        let mut again = Vec::new();
        address.encode(false, false, &mut again);
        assert_eq!(again, octets);
    }

    #[test]
    fn reserved_bits_are_kept_and_do_not_change_who_it_is() {
        let call: CallSign = "QA1SKY-7".parse().expect("call sign");
        let octets = [
            b'Q' << 1,
            b'A' << 1,
            b'1' << 1,
            b'S' << 1,
            b'K' << 1,
            b'Y' << 1,
            7 << 1,
        ];
        let address = Address::decode(&octets);
        assert!(address.is(call));
        assert_ne!(address, Address::from(call));
    }

    #[test]
    fn each_bad_length_has_its_own_error() {
        assert_eq!(
            AddressField::decode(&[]),
            Err(DecodeError::AddressWithoutEnd)
        );
        assert_eq!(
            AddressField::decode(&[0; 80]),
            Err(DecodeError::AddressWithoutEnd)
        );
        let field = |length: usize| {
            let mut octets = vec![0x40; length];
            octets[length - 1] |= EXTENSION;
            AddressField::decode(&octets).map(|(field, _)| field.repeaters.len())
        };
        assert_eq!(field(7), Err(DecodeError::AddressLength(7)));
        assert_eq!(field(15), Err(DecodeError::AddressLength(15)));
        assert_eq!(field(14), Ok(0));
        assert_eq!(field(70), Ok(8));
        assert_eq!(field(77), Err(DecodeError::TooManyRepeaters(9)));
    }
}
