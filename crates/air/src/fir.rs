//! Finite impulse response filter and its design by the Kaiser window.
//!
//! Literature: J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window
//! function", Proc. IEEE Int. Symp. Circuits and Systems, 1974; formulas as in A. V. Oppenheim,
//! R. W. Schafer, Discrete-Time Signal Processing, section 7.5 (from memory).

/// Samples handled at once. Every block in this crate takes at most so many.
pub(crate) const CHUNK: usize = 512;
/// Stop-band attenuation of all filters here, dB.
const STOP_DB: f64 = 60.0;
/// Outputs worked on together, so that the compiler keeps them in vector registers.
const LANES: usize = 32;

/// A filter with real taps over a real signal. Each output is summed in the order of the taps,
/// so the result does not depend on how the signal is cut into calls.
#[derive(Clone, Debug)]
pub(crate) struct Fir {
    /// Taps, last first.
    taps: Vec<f32>,
    /// The last `taps - 1` inputs, then room for one chunk.
    line: Vec<f32>,
}

impl Fir {
    /// A filter with these taps (at least one).
    pub fn new(mut taps: Vec<f32>) -> Self {
        taps.reverse();
        let line = vec![0.0; taps.len() + CHUNK];
        Fir { taps, line }
    }

    /// Forgets all input.
    pub fn reset(&mut self) {
        self.line.fill(0.0);
    }

    /// Delay in samples of a filter with symmetric taps.
    pub fn delay(&self) -> usize {
        self.taps.len() / 2
    }

    /// Power of white noise after the filter over that before it.
    pub fn noise_gain(&self) -> f64 {
        self.taps
            .iter()
            .map(|t| f64::from(*t) * f64::from(*t))
            .sum()
    }

    /// Filters `data` in place, at most [`CHUNK`] samples.
    pub fn process(&mut self, data: &mut [f32]) {
        let (n, past) = (data.len(), self.taps.len() - 1);
        self.line[past..past + n].copy_from_slice(data);
        let whole = n / LANES * LANES;
        for at in (0..whole).step_by(LANES) {
            let mut sum = [0.0_f32; LANES];
            for (k, tap) in self.taps.iter().enumerate() {
                let x = &self.line[at + k..at + k + LANES];
                for (s, v) in sum.iter_mut().zip(x) {
                    *s += tap * v;
                }
            }
            data[at..at + LANES].copy_from_slice(&sum);
        }
        for (at, out) in data.iter_mut().enumerate().skip(whole) {
            let x = &self.line[at..at + self.taps.len()];
            *out = self.taps.iter().zip(x).fold(0.0, |s, (t, v)| s + t * v);
        }
        self.line.copy_within(n..n + past, 0);
    }
}

/// Modified Bessel function of the first kind, order 0, by its power series.
pub(crate) fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum, mut k) = (1.0, 1.0, 1.0);
    while term > sum * 1e-15 {
        term *= (x / (2.0 * k)) * (x / (2.0 * k));
        sum += term;
        k += 1.0;
    }
    sum
}

/// The Kaiser window with parameter `beta`, at `x` from -1 to 1; zero outside.
pub(crate) fn kaiser(beta: f64, x: f64) -> f64 {
    if x.abs() > 1.0 {
        return 0.0;
    }
    bessel_i0(beta * (1.0 - x * x).sqrt()) / bessel_i0(beta)
}

/// sin(pi x) / (pi x).
pub(crate) fn sinc(x: f64) -> f64 {
    let y = std::f64::consts::PI * x;
    if y.abs() < 1e-12 { 1.0 } else { y.sin() / y }
}

/// Taps of a low-pass with gain 1 at 0 Hz. `cutoff` (-6 dB) and `transition` (from passband to
/// -60 dB) are fractions of the sample rate. The number of taps is odd and at most 2001.
pub(crate) fn low_pass(cutoff: f64, transition: f64) -> Vec<f64> {
    let beta = 0.1102 * (STOP_DB - 8.7);
    let order = (STOP_DB - 7.95) / (14.36 * transition);
    let half = (order / 2.0).ceil().clamp(1.0, 1000.0);
    let at = |k: f64| 2.0 * cutoff * sinc(2.0 * cutoff * k) * kaiser(beta, k / half);
    let count = 2 * half as usize + 1;
    let mut taps: Vec<f64> = (0..count).map(|k| at(k as f64 - half)).collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|t| *t /= sum);
    taps
}

/// Single-precision taps of [`low_pass`].
pub(crate) fn low_pass_f32(cutoff: f64, transition: f64) -> Vec<f32> {
    low_pass(cutoff, transition)
        .iter()
        .map(|t| *t as f32)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn gain_db(taps: &[f64], f: f64) -> f64 {
        let (c, s) = taps.iter().enumerate().fold((0.0, 0.0), |(c, s), (k, t)| {
            let a = TAU * f * k as f64;
            (c + t * a.cos(), s + t * a.sin())
        });
        10.0 * (c * c + s * s).log10()
    }

    /// Kaiser's design formulas promise the stop-band attenuation and -6 dB at the cutoff
    /// (Oppenheim and Schafer, section 7.5, from memory).
    #[test]
    fn the_low_pass_meets_its_design() {
        let taps = low_pass(0.2, 0.05);
        assert!(gain_db(&taps, 0.17).abs() < 0.02);
        assert!((gain_db(&taps, 0.2) + 6.02).abs() < 0.1);
        for f in [0.23, 0.25, 0.3, 0.4, 0.5] {
            assert!(gain_db(&taps, f) < -58.0, "{f}: {}", gain_db(&taps, f));
        }
    }

    /// I0(1) = 1.2660658778 (Abramowitz and Stegun, table 9.8).
    #[test]
    fn bessel_i0_agrees_with_the_table() {
        assert!((bessel_i0(1.0) - 1.266_065_877_8).abs() < 1e-9);
    }

    #[test]
    fn cutting_the_signal_differently_changes_no_bit() {
        let taps = low_pass_f32(0.2, 0.05);
        let x: Vec<f32> = (0..300).map(|i| ((i * i % 71) as f32).sin()).collect();
        let (mut whole, mut parts) = (x.clone(), x);
        Fir::new(taps.clone()).process(&mut whole);
        let mut f = Fir::new(taps);
        for part in parts.chunks_mut(37) {
            f.process(part);
        }
        assert_eq!(whole, parts);
    }
}
