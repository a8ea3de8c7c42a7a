//! NRZI: a zero changes the line's level, a one keeps it.
//!
//! Source: common practice with HDLC on packet radio; the AX.25 standard leaves it open.

/// Bits to levels.
#[derive(Clone, Copy, Debug, Default)]
pub struct NrziEncoder {
    level: bool,
}

impl NrziEncoder {
    /// The line's level for the next bit.
    pub fn step(&mut self, bit: bool) -> bool {
        self.level ^= !bit;
        self.level
    }
}

/// Soft levels to soft bits.
#[derive(Clone, Copy, Debug, Default)]
pub struct NrziDecoder {
    level: f32,
}

impl NrziDecoder {
    /// The bit that the next level makes: positive for a one. It is as sure as the less
    /// sure of the two levels.
    pub fn step(&mut self, level: f32) -> f32 {
        let before = std::mem::replace(&mut self.level, level);
        soft_equal(before, level)
    }
}

/// Positive if both have the same sign; as sure as the less sure of them.
pub fn soft_equal(a: f32, b: f32) -> f32 {
    a.abs().min(b.abs()) * a.signum() * b.signum()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zeros_change_the_level_and_ones_keep_it() {
        let mut encoder = NrziEncoder::default();
        let levels: Vec<bool> = [false, true, true, false, false]
            .iter()
            .map(|&b| encoder.step(b))
            .collect();
        assert_eq!(levels, [true, true, true, false, true]);
    }

    #[test]
    fn either_polarity_decodes_alike_and_doubt_is_kept() {
        for sign in [1.0, -1.0] {
            let mut decoder = NrziDecoder::default();
            decoder.step(0.9 * sign);
            assert_eq!(decoder.step(0.2 * sign), 0.2);
            assert_eq!(decoder.step(-0.7 * sign), -0.2);
            assert_eq!(decoder.step(-0.7 * sign), 0.7);
        }
    }
}
