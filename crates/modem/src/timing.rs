//! Symbol timing from the symbol-rate line of a signal that peaks once a symbol.
//!
//! The phase of that line, taken over a window around each symbol, says where the symbols'
//! middles are; nothing has to lock first, so that a short preamble is enough, and the
//! symbols behind the one in question help as well.
//!
//! Literature: M. Oerder and H. Meyr, "Digital filter and square timing recovery", IEEE
//! Trans. Communications COM-36, 1988.

use std::f64::consts::TAU;

use num_complex::Complex32;

use crate::fir::{LANES, dot_complex};
use crate::recipe::{SAMPLES_PER_SYMBOL, TimingRecipe};

const N: usize = SAMPLES_PER_SYMBOL;

/// How far the timing may be moved from one symbol to the next, samples.
const LARGEST_STEP: f64 = 2.0;

/// Tells where symbols have their middle.
#[derive(Clone, Debug)]
pub struct SymbolTiming {
    future: u64,
    /// Samples per symbol that are expected.
    period: f64,
    /// Weights from the oldest to the newest block of the window, real and imaginary parts apart.
    /// They turn as the line does when the symbols are shorter or longer than the nominal ones.
    weights: [Vec<f32>; 2],
    /// The symbol-rate line of one block of samples each, parts apart, as a ring that is written
    /// twice, so that any window lies in one piece.
    lines: [Vec<f32>; 2],
    rotation: [Complex32; N],
    line: Complex32,
    pushed: u64,
    /// The middle of the latest symbol told, samples.
    middle: f64,
}

impl SymbolTiming {
    /// Timing that looks around as the recipe says.
    pub fn new(recipe: TimingRecipe) -> Self {
        // Raised cosine on either side, so that nearer symbols count for more.
        let weight = |k: usize, reach: usize| {
            let u = k as f64 / (reach + 1) as f64;
            (0.5 + 0.5 * (u * std::f64::consts::PI).cos()) as f32
        };
        let turned = |k: isize, weight: f32| {
            let angle = -TAU * k as f64 * recipe.faster;
            Complex32::from_polar(weight, angle as f32)
        };
        let past = (1..=recipe.past)
            .rev()
            .map(|k| turned(-(k as isize), weight(k, recipe.past)));
        let future = (0..=recipe.future).map(|k| turned(k as isize, weight(k, recipe.future)));
        // Nothing before the oldest, so that vectors of [`LANES`] divide the window.
        let length = recipe.past + recipe.future + 1;
        let missing = length.next_multiple_of(LANES) - length;
        let nothing = std::iter::repeat_n(Complex32::default(), missing);
        let weights: Vec<Complex32> = nothing.chain(past).chain(future).collect();
        // One more than the window, because the newest block may be one after it.
        let ring = (weights.len() + 1).next_power_of_two();
        let turn = |k: usize| -TAU * k as f64 / N as f64;
        SymbolTiming {
            future: recipe.future as u64,
            period: N as f64 / (1.0 + recipe.faster),
            lines: [(); 2].map(|()| vec![0.0; 2 * ring]),
            weights: [
                weights.iter().map(|w| w.re).collect(),
                weights.iter().map(|w| w.im).collect(),
            ],
            rotation: std::array::from_fn(|k| {
                Complex32::new(turn(k).cos() as f32, turn(k).sin() as f32)
            }),
            line: Complex32::default(),
            pushed: 0,
            middle: 0.0,
        }
    }

    /// Samples between a symbol and the moment at which its timing is known, at most.
    pub fn delay(&self) -> usize {
        (self.future as usize + 3) * N
    }

    /// Slots of the ring.
    fn ring(&self) -> usize {
        self.lines[0].len() / 2
    }

    /// Takes the next sample of the peaking signal.
    pub fn push(&mut self, sample: f32) {
        let k = (self.pushed % N as u64) as usize;
        self.line += self.rotation[k] * sample;
        self.pushed += 1;
        if k == N - 1 {
            let block = self.pushed / N as u64 - 1;
            let line = std::mem::take(&mut self.line);
            let ring = self.ring();
            let slot = block as usize & (ring - 1);
            for slot in [slot, slot + ring] {
                self.lines[0][slot] = line.re;
                self.lines[1][slot] = line.im;
            }
        }
    }

    /// The middle of the next symbol as a sample number, once enough has been pushed.
    pub fn next_symbol(&mut self) -> Option<f64> {
        let expected = self.middle + self.period;
        let block = expected as u64 / N as u64;
        if self.pushed < (block + self.future + 1) * N as u64 {
            return None;
        }
        let newest = block + self.future;
        // Blocks before the first are slots that nothing was written to yet.
        let window = self.weights[0].len();
        let ring = self.ring();
        let end = (newest as usize & (ring - 1)) + 1;
        let end = if end < window { end + ring } else { end };
        let [re, im] = &self.lines;
        let [weights_re, weights_im] = &self.weights;
        let window = end - window..end;
        let sum = dot_complex([&re[window.clone()], &im[window]], [weights_re, weights_im]);
        let peak = -f64::from(sum.arg()) / TAU * N as f64;
        let n = N as f64;
        let error = (peak - expected + n / 2.0).rem_euclid(n) - n / 2.0;
        self.middle = expected + error.clamp(-LARGEST_STEP, LARGEST_STEP);
        Some(self.middle)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RECIPE: TimingRecipe = TimingRecipe {
        past: 32,
        future: 24,
        faster: 0.0,
    };

    /// Middles found for a line of `per_symbol` samples a symbol with its peak at `at`.
    fn find(per_symbol: f64, at: f64, symbols: usize) -> Vec<f64> {
        let mut timing = SymbolTiming::new(RECIPE);
        let mut found = Vec::new();
        for i in 0..symbols * N {
            let phase = TAU * (i as f64 - at) / per_symbol;
            timing.push(1.0 + phase.cos() as f32);
            found.extend(timing.next_symbol());
        }
        found
    }

    #[test]
    fn any_phase_is_found_exactly() {
        for at in [0.0, 1.3, 2.0, 3.9, 4.1, 6.5] {
            let found = find(8.0, at, 200);
            assert!(found.len() > 160);
            for middle in &found[10..] {
                let error = (middle - at + 4.0).rem_euclid(8.0) - 4.0;
                assert!(error.abs() < 0.01, "{at}: {middle}");
            }
        }
    }

    #[test]
    fn two_per_cent_of_rate_error_costs_a_fifth_of_a_sample_at_most_and_no_symbol() {
        for per_symbol in [8.0 * 0.98, 8.0 * 1.02] {
            let found = find(per_symbol, 3.0, 1000);
            for pair in found[40..].windows(2) {
                assert!((pair[1] - pair[0] - per_symbol).abs() < 0.3);
            }
            let symbols = (found[found.len() - 1] - found[40]) / per_symbol;
            assert_eq!(symbols.round() as usize, found.len() - 41);
        }
    }
}
