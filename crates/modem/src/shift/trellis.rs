//! Sequence detection over the intersymbol interference of a few symbols: Viterbi's algorithm
//! that tells for every symbol how sure it is and the best reading that has it otherwise.
//!
//! Literature: G. D. Forney, "The Viterbi algorithm", Proc. IEEE 61, 1973; J. Hagenauer and
//! P. Hoeher, "A Viterbi algorithm with soft-decision outputs and its applications", Proc. IEEE
//! GLOBECOM 1989.

use super::{AHEAD, SPAN};

const MEMORY: usize = SPAN - 1;
const STATES: usize = 1 << MEMORY;

/// Symbols from the newest of a state to the one whose merging paths are told.
const DEPTH: usize = 28;
/// Symbols after that until a symbol's sureness is told; later losers hardly matter.
const WAIT: usize = 12;
/// A power of two beyond all delays here.
const RING: usize = 64;

/// What lost where two paths met.
#[derive(Clone, Copy, Debug, Default)]
struct Loser {
    /// Where its levels differ from the winner's: bit 0 is the newest symbol of the state.
    differs: u64,
    /// By how much its squared distance was more.
    more: f32,
}

/// One symbol decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Symbol {
    /// The level.
    pub high: bool,
    /// The least increase of squared distance of any known reading that has it otherwise.
    pub more: f32,
    /// The best reading that ends (has its last difference) with this symbol: bit k is set if
    /// it differs k symbols earlier; 0 is none.
    pub rival: u64,
    /// The increase of squared distance of that reading.
    pub rival_more: f32,
}

/// The trellis.
#[derive(Clone, Debug)]
pub struct Trellis {
    /// Expected sample for every run of `SPAN` levels; bit 0 is the newest.
    expected: [f32; 2 * STATES],
    distance: [f32; STATES],
    /// Levels of each state's path; bit 0 is the newest.
    path: [u64; STATES],
    losers: Box<[[Loser; STATES]; RING]>,
    /// Symbols decided that still wait for their sureness.
    decided: [Symbol; RING],
    steps: usize,
}

impl Trellis {
    /// Samples from a symbol's own until it is told.
    pub const DELAY: usize = DEPTH + WAIT + MEMORY - AHEAD;

    /// A trellis that knows nothing yet.
    pub fn new(taps: &[f32; SPAN], offset: f32) -> Self {
        let nothing = Symbol {
            high: false,
            more: 0.0,
            rival: 0,
            rival_more: 0.0,
        };
        let mut trellis = Trellis {
            expected: [0.0; 2 * STATES],
            distance: [0.0; STATES],
            path: [0; STATES],
            losers: Box::new([[Loser::default(); STATES]; RING]),
            decided: [nothing; RING],
            steps: 0,
        };
        trellis.expect(taps, offset);
        trellis
    }

    /// Changes what is expected of the samples: `taps` says what the symbols give to a sample,
    /// the earliest first.
    pub fn expect(&mut self, taps: &[f32; SPAN], offset: f32) {
        for (run, expected) in self.expected.iter_mut().enumerate() {
            let signed = |(k, &tap): (usize, &f32)| {
                if run >> (SPAN - 1 - k) & 1 == 1 {
                    tap
                } else {
                    -tap
                }
            };
            *expected = offset + taps.iter().enumerate().map(signed).sum::<f32>();
        }
    }

    /// Takes the next sample; gives the symbol that lies [`Trellis::DELAY`] samples back.
    pub fn step(&mut self, sample: f32) -> Symbol {
        let (mut distance, mut path) = ([0.0; STATES], [0; STATES]);
        let losers = &mut self.losers[self.steps % RING];
        for state in 0..STATES {
            let (low, high) = (state >> 1, (state >> 1) | (STATES / 2));
            let gap = |from: usize, run: usize| {
                let d = sample - self.expected[run];
                self.distance[from] + d * d
            };
            let (a, b) = (gap(low, state), gap(high, state | STATES));
            let winner = if b < a { high } else { low };
            distance[state] = a.min(b);
            path[state] = self.path[winner] << 1 | (state & 1) as u64;
            losers[state] = Loser {
                differs: (self.path[low] ^ self.path[high]) << 1,
                more: (a - b).abs(),
            };
        }
        let least = distance.iter().copied().fold(f32::INFINITY, f32::min);
        distance.iter_mut().for_each(|d| *d -= least);
        self.distance = distance;
        self.path = path;
        let best = distance.iter().position(|&d| d <= 0.0).unwrap_or(0);
        self.decide(path[best])
    }

    /// Tells what the best path says of the symbols long past.
    fn decide(&mut self, path: u64) -> Symbol {
        let now = self.steps;
        self.steps += 1;
        let there = (path >> DEPTH) as usize % STATES;
        let loser = self.losers[(now + RING - DEPTH) % RING][there];
        // The state holds all symbols newer than the one by which winner and loser differ.
        let rival = loser.differs >> MEMORY;
        self.decided[now % RING] = Symbol {
            high: path >> (DEPTH + MEMORY) & 1 == 1,
            more: loser.more,
            rival,
            rival_more: loser.more,
        };
        let mut left = rival & ((1 << (WAIT + 1)) - 1);
        while left != 0 {
            let back = left.trailing_zeros() as usize;
            left &= left - 1;
            let symbol = &mut self.decided[(now + RING - back) % RING];
            symbol.more = symbol.more.min(loser.more);
        }
        self.decided[(now + RING - WAIT) % RING]
    }
}

#[cfg(test)]
mod tests {
    use dunlin_clock::Chance;

    use super::*;

    const TAPS: [f32; SPAN] = [-0.1, 0.3, 1.0, 0.25, -0.05];

    fn samples(levels: &[bool], noise: f32, chance: &mut Chance) -> Vec<f32> {
        let sign = |n: usize| match levels.get(n) {
            Some(true) => 1.0,
            Some(false) => -1.0,
            None => 0.0,
        };
        (0..levels.len())
            .map(|n| {
                let tap = |(k, &tap): (usize, &f32)| tap * sign((n + k).wrapping_sub(AHEAD));
                let clean: f32 = TAPS.iter().enumerate().map(tap).sum();
                clean + noise * chance.normal()
            })
            .collect()
    }

    #[test]
    fn taps_and_levels_agree_in_direction_and_delay() {
        let mut chance = Chance::stream(1, "trellis");
        let levels: Vec<bool> = (0..400).map(|_| chance.bits() & 1 == 1).collect();
        let mut trellis = Trellis::new(&TAPS, 0.0);
        for (n, sample) in samples(&levels, 0.05, &mut chance).into_iter().enumerate() {
            let symbol = trellis.step(sample);
            if n > 2 * Trellis::DELAY {
                assert_eq!(symbol.high, levels[n - Trellis::DELAY], "{n}");
                assert!(symbol.more > 1.0);
            }
        }
    }

    #[test]
    fn a_wrong_decision_has_the_truth_among_its_rivals_with_a_fair_cost() {
        // Ungerboeck, "Adaptive maximum-likelihood receiver for carrier-modulated data-
        // transmission systems", IEEE Trans. Communications COM-22, 1974: the share of wrong
        // symbols is near Q(d / 2 sigma) with d the least distance between two sequences.
        let mut chance = Chance::stream(2, "trellis");
        let levels: Vec<bool> = (0..200_000).map(|_| chance.bits() & 1 == 1).collect();
        let mut trellis = Trellis::new(&TAPS, 0.0);
        let mut told = Vec::new();
        for sample in samples(&levels, 0.4, &mut chance) {
            told.push(trellis.step(sample));
        }
        let told = &told[Trellis::DELAY..];
        let wrong: Vec<usize> = (100..told.len())
            .filter(|&n| told[n].high != levels[n])
            .collect();
        assert!(wrong.len() > 200, "{}", wrong.len());
        // The last wrong symbol of an event comes with the rival that corrects it all.
        let (mut events, mut corrected) = (0, 0);
        for &n in &wrong {
            let other = |n: usize| told[n].high != levels[n];
            if (1..=8).any(|k| other(n + k)) || (8..16).any(|k| other(n - k)) {
                continue;
            }
            events += 1;
            let right =
                |k: usize| (told[n - k].high != levels[n - k]) == (told[n].rival >> k & 1 == 1);
            corrected += usize::from((0..16).all(right));
        }
        // Of the others a third reading had beaten the truth before it met the winner.
        assert!(corrected * 10 > events * 9, "{corrected} of {events}");
    }
}
