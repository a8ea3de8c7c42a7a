//! Sound clock error: reading audio at a slightly wrong speed.
//!
//! Band-limited interpolation by a windowed sinc of 32 taps, from a table of 512 phases with
//! linear interpolation between them (J. O. Smith, "Digital Audio Resampling", 2002, from
//! memory). Error below -80 dB of the signal up to 0.4 of the sample rate (measured in the test
//! below). The place read is computed from the number of the output sample in double
//! precision, so the speed is exact and does not drift.

use crate::fir::{kaiser, sinc};

const TAPS: usize = 32;
const PHASES: usize = 512;
/// Kaiser parameter for about 90 dB.
const BETA: f64 = 8.5;

/// The interpolation table; one serves any number of readers.
#[derive(Clone, Debug)]
pub(crate) struct Resampler {
    /// `PHASES + 1` rows of `TAPS`.
    table: Vec<[f32; TAPS]>,
}

impl Default for Resampler {
    fn default() -> Self {
        Resampler::new()
    }
}

impl Resampler {
    /// Output lags the input by so many samples, so that no input ahead of it is needed.
    pub const DELAY: usize = TAPS / 2;

    /// Computes the table.
    pub fn new() -> Self {
        let row = |p: usize| {
            let mu = p as f64 / PHASES as f64;
            let mut row = [0.0_f64; TAPS];
            for (k, tap) in row.iter_mut().enumerate() {
                let x = k as f64 - (TAPS / 2 - 1) as f64 - mu;
                *tap = sinc(x) * kaiser(BETA, x / (TAPS / 2) as f64);
            }
            let sum: f64 = row.iter().sum();
            row.map(|t| (t / sum) as f32)
        };
        Resampler {
            table: (0..=PHASES).map(row).collect(),
        }
    }

    /// The input at place `at - DELAY`, `at` in samples from its start. Silence lies before and
    /// after the input.
    pub fn read(&self, input: &[f32], at: f64) -> f32 {
        let base = at.floor();
        let fine = (at - base) * PHASES as f64;
        let row = (fine as usize).min(PHASES - 1);
        let mix = (fine - row as f64) as f32;
        let first = base as i64 - (TAPS as i64 - 1);
        let (mut low, mut high) = (0.0_f32, 0.0_f32);
        for k in 0..TAPS {
            let index = usize::try_from(first + k as i64).ok();
            let x = index.and_then(|i| input.get(i)).copied().unwrap_or(0.0);
            low += x * self.table[row][k];
            high += x * self.table[row + 1][k];
        }
        low + mix * (high - low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    /// Definition of ppm: a tone of f played by a clock that is p ppm fast is f (1 + p / 10^6).
    #[test]
    fn a_tone_moves_by_exactly_the_ppm_and_stays_clean() {
        let table = Resampler::new();
        for (cycles, ppm) in [(0.05, 250.0), (0.2, -120.0), (0.4, 1000.0)] {
            let x: Vec<f32> = (0..40_000)
                .map(|i| (TAU * cycles * f64::from(i)).sin() as f32)
                .collect();
            let step = 1.0 + ppm * 1e-6;
            let mut worst = 0.0_f64;
            for k in 100..39_000_u32 {
                let place = f64::from(k) * step;
                let want = (TAU * cycles * (place - Resampler::DELAY as f64)).sin();
                worst = worst.max((f64::from(table.read(&x, place)) - want).abs());
            }
            assert!(worst < 1e-4, "{cycles} {ppm}: {worst}");
        }
    }

    #[test]
    fn a_perfect_clock_only_delays() {
        let (table, x) = (Resampler::new(), [0.25_f32, -0.5, 1.0]);
        for (i, v) in x.iter().enumerate() {
            assert!((table.read(&x, (i + Resampler::DELAY) as f64) - v).abs() < 1e-6);
        }
    }
}
