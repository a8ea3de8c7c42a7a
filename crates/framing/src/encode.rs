//! Frame octets to bits: flags, FCS, bit stuffing, bit order.
//!
//! Source: AX.25 v2.2 sections 3.1, 3.6, 3.7, 3.8, 3.11.

use crate::{FLAG, fcs};

/// The bits of one transmission, in the order in which they go on the air.
///
/// `lead_flags` flags, then the frames (octets without FCS) with their FCS appended and one
/// shared flag between neighbours, then `tail_flags` flags. At least one flag stands at
/// either end, whatever the arguments say, because a frame without flags is none.
pub fn encode<F: AsRef<[u8]>>(frames: &[F], lead_flags: usize, tail_flags: usize) -> Vec<bool> {
    let octets: usize = frames.iter().map(|f| f.as_ref().len() + 3).sum();
    let mut line = Line::with_capacity((octets * 6 / 5 + lead_flags + tail_flags + 2) * 8);
    (0..lead_flags.max(1)).for_each(|_| line.flag());
    for (i, frame) in frames.iter().enumerate() {
        if i > 0 {
            line.flag();
        }
        line.frame(frame.as_ref());
    }
    (0..tail_flags.max(1)).for_each(|_| line.flag());
    line.bits
}

/// Bits that are being put together.
pub(crate) struct Line {
    pub(crate) bits: Vec<bool>,
    /// Consecutive ones since the frame began or a zero passed.
    ones: u8,
}

impl Line {
    pub(crate) fn with_capacity(bits: usize) -> Self {
        Line {
            bits: Vec::with_capacity(bits),
            ones: 0,
        }
    }

    /// A flag is never stuffed.
    pub(crate) fn flag(&mut self) {
        self.plain(&[FLAG]);
    }

    /// Octets low bit first, without stuffing.
    pub(crate) fn plain(&mut self, octets: &[u8]) {
        let bits = |octet: &u8| {
            let octet = *octet;
            (0..8).map(move |i| octet >> i & 1 == 1)
        };
        self.bits.extend(octets.iter().flat_map(bits));
    }

    /// A frame and its FCS, without flags.
    pub(crate) fn frame(&mut self, frame: &[u8]) {
        frame.iter().for_each(|&octet| self.octet(octet));
        let check = fcs(frame).to_le_bytes();
        check.iter().for_each(|&octet| self.octet(octet));
        self.ones = 0;
    }

    /// Low bit first, a zero after five ones.
    fn octet(&mut self, octet: u8) {
        for i in 0..8 {
            let bit = octet >> i & 1 == 1;
            self.bits.push(bit);
            self.ones = if bit { self.ones + 1 } else { 0 };
            if self.ones == 5 {
                self.bits.push(false);
                self.ones = 0;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(bits: &[bool]) -> String {
        bits.iter().map(|&b| if b { '1' } else { '0' }).collect()
    }

    #[test]
    fn octets_go_low_bit_first_and_the_fcs_low_octet_first() {
        // AX.25 v2.2 sections 3.7 and 3.8, computed here by definition: the
        // bits after the flag must be the octet, then the low FCS octet, then the high one.
        let check = fcs(&[0x01]);
        let plain: String = [0x01, check as u8, (check >> 8) as u8]
            .iter()
            .flat_map(|o| (0..8).map(move |i| if o >> i & 1 == 1 { '1' } else { '0' }))
            .collect();
        let stuffed = plain.replace("11111", "111110");
        assert_eq!(
            text(&encode(&[[0x01]], 1, 1)),
            format!("01111110{stuffed}01111110")
        );
    }

    #[test]
    fn a_zero_follows_every_five_ones() {
        // AX.25 v2.2 section 3.6. Twelve ones become 111110 111110 11.
        let bits = text(&encode(&[[0xFF, 0x0F]], 1, 1));
        assert!(bits.starts_with("01111110111110111110110000"), "{bits}");
    }

    #[test]
    fn neighbours_share_one_flag() {
        let one = encode(&[[0x55; 20]], 3, 2).len();
        let two = encode(&[[0x55; 20], [0x55; 20]], 3, 2).len();
        assert_eq!(two - one, one - 5 * 8 + 8);
    }

    #[test]
    fn there_is_always_a_flag_at_either_end() {
        assert_eq!(encode(&[[0x00; 1]], 0, 0), encode(&[[0x00; 1]], 1, 1));
        assert_eq!(text(&encode::<&[u8]>(&[], 1, 1)), "0111111001111110");
    }
}
