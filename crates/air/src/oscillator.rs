//! Frequency shift of a complex signal.
//!
//! The phase is a function of the absolute sample number alone, so it neither drifts nor depends
//! on how the signal is cut: an exact phase for each run of 64 samples times a table of the
//! phases within a run. Frequencies are taken to 2^-64 of the sample rate.

use std::f64::consts::TAU;

const RUN: u64 = 64;

/// Turns a signal by a steady frequency.
#[derive(Clone, Debug)]
pub(crate) struct Oscillator {
    /// Phase per sample in units of 2^-64 turns; wraps.
    step: u64,
    within: Vec<(f32, f32)>,
}

impl Oscillator {
    /// Shift by `hz` at `rate` samples per second; `None` if there is nothing to shift.
    pub fn new(hz: f64, rate: f64) -> Option<Self> {
        // Through i128 so that negative frequencies wrap as two's complement.
        let step = (hz / rate * 18_446_744_073_709_551_616.0) as i128 as u64;
        let within = (0..RUN).map(|i| phasor(step.wrapping_mul(i))).collect();
        (step != 0).then_some(Oscillator { step, within })
    }

    /// Shifts the signal whose first sample has number `from`.
    pub fn process(&self, from: u64, re: &mut [f32], im: &mut [f32]) {
        let mut base = phasor(self.step.wrapping_mul(from / RUN * RUN));
        for (i, (a, b)) in re.iter_mut().zip(im).enumerate() {
            let n = from + i as u64;
            if n.is_multiple_of(RUN) {
                base = phasor(self.step.wrapping_mul(n));
            }
            let w = self.within[(n % RUN) as usize];
            let (c, s) = (base.0 * w.0 - base.1 * w.1, base.0 * w.1 + base.1 * w.0);
            (*a, *b) = (*a * c - *b * s, *a * s + *b * c);
        }
    }
}

/// Cosine and sine of a phase in units of 2^-64 turns.
fn phasor(phase: u64) -> (f32, f32) {
    let (s, c) = (TAU * phase as f64 / 18_446_744_073_709_551_616.0).sin_cos();
    (c as f32, s as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Definition: after n samples the phase is 2 pi f n / rate.
    #[test]
    fn the_phase_is_that_of_the_frequency_even_after_an_hour() {
        for hz in [-37.5, 0.25, 1234.5] {
            let from = 12_000 * 3600 + 17;
            let (mut re, mut im) = (vec![1.0; 100], vec![0.0; 100]);
            let o = Oscillator::new(hz, 12_000.0).expect("not zero");
            o.process(from, &mut re, &mut im);
            for (i, (a, b)) in re.iter().zip(&im).enumerate() {
                let turns = (hz * (from + i as u64) as f64 / 12_000.0).fract();
                let (s, c) = (TAU * turns).sin_cos();
                assert!((f64::from(*a) - c).abs() < 1e-5 && (f64::from(*b) - s).abs() < 1e-5);
            }
        }
        assert!(Oscillator::new(0.0, 12_000.0).is_none());
    }
}
