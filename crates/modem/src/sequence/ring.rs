//! The latest complex samples, any stretch of them in one piece.

use num_complex::Complex32;

/// How many samples are kept.
const KEPT: usize = 1 << 12;
/// Readers must have read on when this many samples more have come.
pub(super) const PIECE: usize = 256;

/// The latest samples. Each is written twice, so that any stretch of up to `KEPT` samples lies
/// in one piece.
#[derive(Clone, Debug)]
pub(super) struct Ring {
    samples: Vec<Complex32>,
    pushed: u64,
}

impl Default for Ring {
    fn default() -> Self {
        Ring {
            samples: vec![Complex32::default(); 2 * KEPT],
            pushed: 0,
        }
    }
}

impl Ring {
    /// Takes the next sample.
    pub fn push(&mut self, sample: Complex32) {
        let slot = self.pushed as usize % KEPT;
        self.samples[slot] = sample;
        self.samples[slot + KEPT] = sample;
        self.pushed += 1;
    }

    /// How many samples have come.
    pub fn end(&self) -> u64 {
        self.pushed
    }

    /// The oldest sample that is still there.
    pub fn start(&self) -> u64 {
        self.pushed.saturating_sub(KEPT as u64)
    }

    /// `len` samples from number `from` on; `None` if they are not there yet or no longer.
    pub fn get(&self, from: u64, len: usize) -> Option<&[Complex32]> {
        if from < self.start() || from + len as u64 > self.pushed {
            return None;
        }
        let slot = from as usize % KEPT;
        self.samples.get(slot..slot + len)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn any_stretch_lies_in_one_piece() {
        let mut ring = Ring::default();
        for n in 0..3 * KEPT + 17 {
            ring.push(Complex32::new(n as f32, 0.0));
        }
        let end = ring.end();
        assert!(ring.get(end - 10, 11).is_none());
        assert!(ring.get(ring.start() - 1, 1).is_none());
        for from in [ring.start(), end - KEPT as u64 / 2, end - 300] {
            let piece = ring.get(from, 300).expect("is there");
            assert!((from..).zip(piece).all(|(n, x)| x.re == n as f32));
        }
    }
}
