//! The matched filter for one tone over one symbol: a complex correlator.
//!
//! Literature: J. G. Proakis, Digital Communications, noncoherent detection of orthogonal
//! signals; the magnitude of the correlation is what the textbook receiver compares.

use std::f64::consts::TAU;

use num_complex::{Complex32, Complex64};

use crate::fir::{Lowpass, dot_complex};
use crate::recipe::SAMPLES_PER_SYMBOL;

/// How many samples a correlation looks at: one symbol, and what the low-pass spreads it by.
pub const TAPS: usize = 4 * SAMPLES_PER_SYMBOL;

/// Correlates samples with one tone over one symbol, after a low-pass around the middle of
/// the channel. Both are one complex filter.
#[derive(Clone, Debug)]
pub struct Correlator {
    re: Vec<f32>,
    im: Vec<f32>,
}

impl Correlator {
    /// For a tone of `hz` (negative below the centre) in samples at `rate` hertz, behind a
    /// low-pass of `cutoff_hz` to either side of `channel_hz`.
    pub fn new(hz: f64, rate: f64, channel_hz: f64, cutoff_hz: f64) -> Self {
        let n = SAMPLES_PER_SYMBOL;
        // The low-pass has TAPS - n + 1 taps around its middle.
        let reach = ((TAPS - n) / 2) as isize;
        let lowpass = Lowpass {
            cutoff_hz,
            half_span_s: (reach as f64 + 1.0) / rate,
            beta: 2.5,
        };
        let middle = (TAPS - 1) as f64 / 2.0;
        let mut taps = [Complex64::default(); TAPS];
        for k in 0..n {
            let late = k as f64 - (n - 1) as f64 / 2.0;
            let symbol = Complex64::cis(-TAU * hz / rate * late) / n as f64;
            for l in -reach..=reach {
                let t = l as f64 / rate;
                let tap = lowpass.at(t) / rate * Complex64::cis(-TAU * channel_hz * t);
                taps[(late + l as f64 + middle).round() as usize] += symbol * tap;
            }
        }
        // Its own tone must give its own amplitude.
        let gain: Complex64 = (0..TAPS)
            .map(|k| taps[k] * Complex64::cis(TAU * hz / rate * (k as f64 - middle)))
            .sum();
        let scale = 1.0 / gain.norm();
        Correlator {
            re: taps.iter().map(|tap| (tap.re * scale) as f32).collect(),
            im: taps.iter().map(|tap| (tap.im * scale) as f32).collect(),
        }
    }

    /// For a tone of `hz` in samples at `rate` hertz over one symbol, with no low-pass.
    pub fn of_one_symbol(hz: f64, rate: f64) -> Self {
        let n = SAMPLES_PER_SYMBOL;
        let middle = (n - 1) as f64 / 2.0;
        let tap = |k: usize| Complex64::cis(-TAU * hz / rate * (k as f64 - middle)) / n as f64;
        Correlator {
            re: (0..n).map(|k| tap(k).re as f32).collect(),
            im: (0..n).map(|k| tap(k).im as f32).collect(),
        }
    }

    /// The magnitude that a steady tone of amplitude 1 at `hz` would give, with samples at
    /// `rate` hertz.
    pub fn gain(&self, hz: f64, rate: f64) -> f64 {
        let taps = self.re.iter().zip(&self.im).enumerate();
        taps.map(|(k, (&re, &im))| {
            Complex64::new(f64::from(re), f64::from(im))
                * Complex64::cis(TAU * hz / rate * k as f64)
        })
        .sum::<Complex64>()
        .norm()
    }

    /// The correlation over a window of [`TAPS`] or one symbol, as constructed, oldest sample first, given as real and
    /// imaginary parts. A tone of amplitude `a` gives magnitude `a`, and its phase is the
    /// tone's in the middle of the window.
    pub fn at(&self, re: &[f32], im: &[f32]) -> Complex32 {
        dot_complex([re, im], [&self.re, &self.im])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: f64 = 9600.0;

    fn response(at_hz: f64, tone_hz: f64) -> f32 {
        let phase = |k: usize| TAU * tone_hz / RATE * k as f64 + 1.0;
        let re: Vec<f32> = (0..TAPS).map(|k| phase(k).cos() as f32).collect();
        let im: Vec<f32> = (0..TAPS).map(|k| phase(k).sin() as f32).collect();
        Correlator::new(at_hz, RATE, 0.0, 800.0).at(&re, &im).norm()
    }

    #[test]
    fn its_own_tone_gives_one_and_an_orthogonal_tone_nothing() {
        assert!((response(-500.0, -500.0) - 1.0).abs() < 1e-5);
        assert!(response(-500.0, 700.0) < 1e-5);
    }

    #[test]
    fn the_two_tones_of_bell_202_correlate_as_computed() {
        // |sin(pi df T) / (pi df T)| for df = 1000 Hz, T = 1/1200 s is 0.1910; eight samples
        // per symbol approximate the integral by sin(x) / (8 sin(x/8)). The low-pass treats
        // both tones alike.
        let x = std::f64::consts::PI * 1000.0 / 1200.0;
        let sampled = (x.sin() / (8.0 * (x / 8.0).sin())).abs() as f32;
        assert!((response(-500.0, 500.0) - sampled).abs() < 1e-3);
        assert!((response(-500.0, 500.0) - 0.191).abs() < 0.01);
    }

    #[test]
    fn the_low_pass_keeps_the_neighbours_out() {
        assert!(response(500.0, 2500.0) < 0.01);
        assert!(response(500.0, -2500.0) < 0.01);
    }
}
