//! The decision threshold of a direct-shift receiver: midway between the two levels heard
//! around a symbol, so that an offset of the carrier does no harm.
//!
//! Common practice, no source.

use crate::levels::Levels;

/// Finds the threshold for each symbol from its neighbours on both sides.
#[derive(Clone, Debug)]
pub struct Threshold {
    ring: Vec<f32>,
    pushed: usize,
    reach: usize,
}

/// A symbol with what its neighbours say about the levels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sliced {
    /// How far the symbol lies above the threshold, as a share of the levels' distance from it.
    pub soft: f32,
    /// How far the symbol lies above the threshold.
    pub above: f32,
}

impl Threshold {
    /// A threshold from `reach` symbols on either side; symbols come out `reach` later.
    pub fn new(reach: usize) -> Self {
        Threshold {
            ring: vec![0.0; 2 * reach + 1],
            pushed: 0,
            reach,
        }
    }

    /// How many symbols on either side count.
    pub fn reach(&self) -> usize {
        self.reach
    }

    /// Takes a symbol's value and gives back the one `reach` symbols before.
    pub fn step(&mut self, value: f32) -> Option<Sliced> {
        let len = self.ring.len();
        self.ring[self.pushed % len] = value;
        self.pushed += 1;
        if self.pushed <= self.reach {
            return None;
        }
        let known = &self.ring[..self.pushed.min(len)];
        let Levels { high, low, .. } = Levels::of(known);
        let wanted = self.ring[(self.pushed - 1 - self.reach) % len];
        let above = wanted - (high + low) / 2.0;
        let half = f32::max((high - low) / 2.0, f32::MIN_POSITIVE);
        Some(Sliced {
            soft: (above / half).clamp(-4.0, 4.0),
            above,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_offset_is_taken_off_even_with_unlike_shares_of_highs_and_lows() {
        let mut threshold = Threshold::new(16);
        for i in 0..200 {
            let high = i % 4 == 0;
            let sliced = threshold.step(if high { 1.3 } else { -0.7 });
            if i >= 32 {
                let right = if (i - 16) % 4 == 0 { 1.0 } else { -1.0 };
                assert!((sliced.expect("running").soft - right).abs() < 1e-5);
            }
        }
    }
}
