//! The matched filter for one tone over one symbol: a complex correlator.
//!
//! Literature: J. G. Proakis, Digital Communications, noncoherent detection of orthogonal
//! signals; the magnitude of the correlation is what the textbook receiver compares.

use std::f64::consts::TAU;

use num_complex::Complex32;

use crate::recipe::SAMPLES_PER_SYMBOL;

/// Correlates the latest symbol's worth of samples with one tone.
#[derive(Clone, Copy, Debug)]
pub struct Correlator {
    re: [f32; SAMPLES_PER_SYMBOL],
    im: [f32; SAMPLES_PER_SYMBOL],
}

impl Correlator {
    /// For a tone of `hz` (negative below the centre) in samples at `rate` hertz.
    pub fn new(hz: f64, rate: f64) -> Self {
        let middle = (SAMPLES_PER_SYMBOL - 1) as f64 / 2.0;
        let angle = |k: usize| -TAU * hz / rate * (k as f64 - middle);
        let scale = 1.0 / SAMPLES_PER_SYMBOL as f64;
        Correlator {
            re: std::array::from_fn(|k| (angle(k).cos() * scale) as f32),
            im: std::array::from_fn(|k| (angle(k).sin() * scale) as f32),
        }
    }

    /// The correlation over a window of one symbol, oldest sample first, given as real and
    /// imaginary parts. A tone of amplitude `a` gives magnitude `a`, and its phase is the
    /// tone's in the middle of the window.
    pub fn at(&self, re: &[f32], im: &[f32]) -> Complex32 {
        let mut sum = Complex32::new(0.0, 0.0);
        for k in 0..SAMPLES_PER_SYMBOL {
            sum.re += re[k] * self.re[k] - im[k] * self.im[k];
            sum.im += re[k] * self.im[k] + im[k] * self.re[k];
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn response(at_hz: f64, tone_hz: f64) -> f32 {
        let rate = 9600.0;
        let phase = |k: usize| TAU * tone_hz / rate * k as f64 + 1.0;
        let re: Vec<f32> = (0..8).map(|k| phase(k).cos() as f32).collect();
        let im: Vec<f32> = (0..8).map(|k| phase(k).sin() as f32).collect();
        Correlator::new(at_hz, rate).at(&re, &im).norm()
    }

    #[test]
    fn its_own_tone_gives_one_and_an_orthogonal_tone_nothing() {
        assert!((response(-500.0, -500.0) - 1.0).abs() < 1e-6);
        assert!(response(-500.0, 700.0) < 1e-6);
    }

    #[test]
    fn the_two_tones_of_bell_202_correlate_as_computed() {
        // |sin(pi df T) / (pi df T)| for df = 1000 Hz, T = 1/1200 s is 0.1910; eight samples
        // per symbol approximate the integral by sin(x) / (8 sin(x/8)).
        let x = std::f64::consts::PI * 1000.0 / 1200.0;
        let sampled = (x.sin() / (8.0 * (x / 8.0).sin())).abs() as f32;
        assert!((response(-500.0, 500.0) - sampled).abs() < 1e-5);
        assert!((response(-500.0, 500.0) - 0.191).abs() < 0.01);
    }
}
