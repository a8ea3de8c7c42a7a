//! From decided levels to bits, and from differences between two readings of the levels to
//! differences between their bits.
//!
//! Descrambler and NRZI are linear over the field of two elements, so that an error event of
//! the levels makes the same flips of bits whatever was sent.

use crate::Rival;
use crate::nrzi::NrziDecoder;
use crate::scrambler::Descrambler;

/// The descrambler and the NRZI decoder of one branch, and the rivals on their way.
#[derive(Clone, Debug)]
pub struct Line {
    descrambler: Option<Descrambler>,
    nrzi: NrziDecoder,
    /// The latest rivals as differences of levels, a ring by symbol.
    waiting: [(u64, f32); 32],
    symbols: usize,
}

impl Line {
    /// A line with or without the scrambler.
    pub fn new(scrambled: bool) -> Self {
        Line {
            descrambler: scrambled.then(Descrambler::default),
            nrzi: NrziDecoder::default(),
            waiting: [(0, 0.0); 32],
            symbols: 0,
        }
    }

    /// Takes a symbol's soft level and the best reading of the levels that ends in another level
    /// for this symbol: bit k of `levels` is set if it differs k symbols earlier; 0 is none.
    /// Gives the soft bit and the rival that ends with it.
    pub fn step(&mut self, soft: f32, levels: u64, cost: f32) -> (f32, Option<Rival>) {
        let later = self.later();
        self.waiting[self.symbols % 32] = (levels, cost);
        let (levels, cost) = self.waiting[(self.symbols + 32 - later as usize) % 32];
        self.symbols += 1;
        let level = match &mut self.descrambler {
            Some(descrambler) => descrambler.step(soft),
            None => soft,
        };
        let rival = self.flips(levels).map(|flips| Rival { flips, cost });
        (self.nrzi.step(level), rival)
    }

    /// How many symbols later than the last differing level the last differing bit is.
    fn later(&self) -> u32 {
        if self.descrambler.is_some() { 18 } else { 1 }
    }

    /// Flips of bits, counted back from [`Line::later`] bits after the newest differing level.
    /// `None` if they do not fit.
    fn flips(&self, levels: u64) -> Option<u64> {
        if levels == 0 || levels.leading_zeros() < self.later() {
            return None;
        }
        let through = |late: u32| levels << (self.later() - late);
        // A level flips the descrambled level at its own place, 12 and 17 later; a descrambled
        // level flips the bit at its own place and the one after it.
        let levels = if self.descrambler.is_some() {
            through(0) ^ through(12) ^ through(17)
        } else {
            through(0)
        };
        Some(levels ^ levels >> 1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bits of a line whose levels are given, with one event of errors at its end.
    fn bits(scrambled: bool, levels: &[bool], event: &[(usize, u64)]) -> Vec<(bool, Option<u64>)> {
        let mut line = Line::new(scrambled);
        let step = |(n, &level): (usize, &bool)| {
            let known = event.iter().find(|(at, _)| *at == n).map_or(0, |(_, e)| *e);
            let (soft, rival) = line.step(if level { 0.5 } else { -0.5 }, known, 1.5);
            (soft > 0.0, rival.map(|r| r.flips))
        };
        levels.iter().enumerate().map(step).collect()
    }

    #[test]
    fn flipping_what_the_rival_says_gives_the_bits_of_the_other_levels() {
        for scrambled in [true, false] {
            for event in [0b1_u64, 0b11, 0b1_0110_1001, 1 << 44 | 1] {
                let levels: Vec<bool> = (0..300_u32).map(|i| (i * i / 7) % 3 == 1).collect();
                let mut other = levels.clone();
                (0..64)
                    .filter(|k| event >> k & 1 == 1)
                    .for_each(|k| other[200 - k] ^= true);
                let mut told = bits(scrambled, &levels, &[(200, event)]);
                let at = told.iter().position(|(_, r)| r.is_some()).expect("a rival");
                let flips = told[at].1.expect("a rival");
                assert_eq!(flips & 1, 1);
                (0..64)
                    .filter(|k| flips >> k & 1 == 1)
                    .for_each(|k| told[at - k].0 ^= true);
                let right = bits(scrambled, &other, &[]);
                assert!(
                    told.iter().zip(&right).all(|(a, b)| a.0 == b.0),
                    "{event:b}"
                );
            }
        }
    }

    #[test]
    fn a_rival_that_does_not_fit_is_dropped() {
        assert_eq!(Line::new(true).flips(1 << 46), None);
        assert!(Line::new(true).flips(1 << 45).is_some());
        assert!(Line::new(false).flips(1 << 62).is_some());
        assert_eq!(Line::new(false).flips(0), None);
    }
}
