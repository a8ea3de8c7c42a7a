//! The self-synchronising scrambler 1 + x^12 + x^17.
//!
//! Source: J. Miller, "9600 Baud Packet Radio Modem Design", 7th ARRL Computer Networking
//! Conference, 1988, pp. 135-140. NRZI comes before scrambling (common practice).

use crate::nrzi::soft_equal;

/// Levels to scrambled levels.
#[derive(Clone, Copy, Debug, Default)]
pub struct Scrambler {
    /// Bit `i` is what was sent `i + 1` symbols ago.
    sent: u32,
}

impl Scrambler {
    /// The next symbol to send.
    pub fn step(&mut self, level: bool) -> bool {
        let out = level ^ (self.sent >> 11 & 1 == 1) ^ (self.sent >> 16 & 1 == 1);
        self.sent = (self.sent << 1 | u32::from(out)) & 0x1_FFFF;
        out
    }
}

/// Soft scrambled levels to soft levels.
#[derive(Clone, Copy, Debug, Default)]
pub struct Descrambler {
    /// What was received, as a ring; `at` is the oldest, 17 symbols ago.
    received: [f32; 17],
    at: usize,
}

impl Descrambler {
    /// The next level, as sure as the least sure of the three symbols that it hangs on.
    pub fn step(&mut self, symbol: f32) -> f32 {
        let ago_17 = self.received[self.at];
        let ago_12 = self.received[(self.at + 5) % 17];
        self.received[self.at] = symbol;
        self.at = (self.at + 1) % 17;
        // Equal is a zero of the exclusive or: two inversions cancel.
        soft_equal(soft_equal(symbol, ago_12), ago_17)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scramble(bits: impl Iterator<Item = bool>) -> Vec<bool> {
        let mut scrambler = Scrambler::default();
        bits.map(|b| scrambler.step(b)).collect()
    }

    #[test]
    fn one_pulse_gives_the_computed_response() {
        // From the polynomial of Miller 1988, zero start: the impulse response of
        // 1 / (1 + x^12 + x^17) has ones at these places below 64.
        let out = scramble((0..64).map(|n| n == 0));
        let ones: Vec<usize> = (0..64).filter(|&n| out[n]).collect();
        assert_eq!(ones, [0, 12, 17, 24, 34, 36, 41, 46, 48, 51, 60]);
    }

    #[test]
    fn all_ones_give_the_computed_sequence() {
        let out: String = scramble([true; 64].into_iter())
            .iter()
            .map(|&b| if b { '1' } else { '0' })
            .collect();
        assert_eq!(
            out,
            "1111111111110000011111110000000000110000011111001110000000001111"
        );
    }

    #[test]
    fn the_descrambler_finds_in_after_seventeen_symbols() {
        let data: Vec<bool> = (0..400_u32).map(|i| (i * i / 7) % 3 == 1).collect();
        let sent = scramble(data.iter().copied());
        let mut descrambler = Descrambler::default();
        for (i, (&level, &bit)) in sent.iter().zip(&data).enumerate().skip(29) {
            let soft = descrambler.step(if level { 0.5 } else { -0.5 });
            if i >= 29 + 17 {
                assert_eq!(soft, if bit { 0.5 } else { -0.5 }, "symbol {i}");
            }
        }
    }
}
