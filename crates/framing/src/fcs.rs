//! The frame check sequence: CRC-16/X.25.
//!
//! Source: AX.25 v2.2 section 3.7, which cites ISO 3309. Generator x^16 + x^12 + x^5 + 1,
//! register preset to ones, result complemented; octets enter low bit first, so the
//! reflected polynomial 0x8408 serves.

/// x^16 + x^12 + x^5 + 1, reflected.
const POLYNOMIAL: u16 = 0x8408;

const TABLE: [u16; 256] = table();

const fn table() -> [u16; 256] {
    let mut table = [0; 256];
    let mut i = 0;
    while i < 256 {
        let mut register = i as u16;
        let mut bit = 0;
        while bit < 8 {
            register = if register & 1 == 1 {
                (register >> 1) ^ POLYNOMIAL
            } else {
                register >> 1
            };
            bit += 1;
        }
        table[i] = register;
        i += 1;
    }
    table
}

/// A running check over octets that arrive one after the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fcs(u16);

impl Default for Fcs {
    fn default() -> Self {
        Fcs(0xFFFF)
    }
}

impl Fcs {
    /// What the register holds after data followed by its own right FCS.
    pub const RESIDUE: u16 = 0xF0B8;

    /// Takes in one octet.
    pub fn push(&mut self, octet: u8) {
        self.0 = (self.0 >> 8) ^ TABLE[usize::from((self.0 ^ u16::from(octet)) & 0xFF)];
    }

    /// The register as it is, before the final complement.
    pub fn register(self) -> u16 {
        self.0
    }

    /// Takes in one bit: eight of them, lowest first, do what their octet does.
    pub(crate) fn push_bit(&mut self, bit: bool) {
        let feedback = (self.0 & 1 == 1) != bit;
        self.0 = (self.0 >> 1) ^ if feedback { POLYNOMIAL } else { 0 };
    }

    /// Undoes [`Fcs::push_bit`]: what the register must have been before that bit.
    pub(crate) fn pull_bit(&mut self, bit: bool) {
        let feedback = self.0 & 0x8000 != 0;
        let shifted = self.0 ^ if feedback { POLYNOMIAL } else { 0 };
        self.0 = shifted << 1 | u16::from(feedback != bit);
    }

    /// The register after data with its own right FCS.
    pub(crate) fn right() -> Self {
        Fcs(Fcs::RESIDUE)
    }

    /// The check value of the octets so far.
    pub fn value(self) -> u16 {
        !self.0
    }
}

/// The FCS of `octets`. It goes on the air low octet first.
pub fn fcs(octets: &[u8]) -> u16 {
    let mut check = Fcs::default();
    octets.iter().for_each(|&octet| check.push(octet));
    check.value()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_check_value_is_the_published_one() {
        // CRC-16/X.25 check value over "123456789"; ITU-T V.42 section 8.1.1.6 defines the
        // same check.
        assert_eq!(fcs(b"123456789"), 0x906E);
    }

    #[test]
    fn bits_do_what_octets_do_and_can_be_undone() {
        let mut by_octet = Fcs::default();
        let mut by_bit = Fcs::default();
        for octet in 0..=255_u8 {
            by_octet.push(octet);
            for i in 0..8 {
                let before = by_bit;
                by_bit.push_bit(octet >> i & 1 == 1);
                let mut undone = by_bit;
                undone.pull_bit(octet >> i & 1 == 1);
                assert_eq!(undone, before);
            }
            assert_eq!(by_bit, by_octet);
        }
    }

    #[test]
    fn data_with_its_fcs_leaves_the_residue() {
        let mut check = Fcs::default();
        b"123456789\x6E\x90"
            .iter()
            .for_each(|&octet| check.push(octet));
        assert_eq!(check.register(), Fcs::RESIDUE);
    }

    #[test]
    fn the_standards_example_frame_has_fcs_ef69() {
        // AX.25 v2.2 Figure 3.4 (I frame, N7LEM to NJ7P); the standard prints "HH" for the
        // FCS, 0xEF69 was computed with the published parameters above.
        let frame = [
            0x9C, 0x94, 0x6E, 0xA0, 0x40, 0x40, 0xE0, 0x9C, 0x6E, 0x98, 0x8A, 0x9A, 0x40, 0x61,
            0x3E, 0xF0,
        ];
        assert_eq!(fcs(&frame), 0xEF69);
    }
}
