//! A numerically controlled oscillator for a frequency that is a ratio of whole hertz.
//!
//! The table holds one exact period, so the phase never drifts.

use std::f64::consts::TAU;

use num_complex::Complex32;

/// exp(-j 2 pi f n / rate), one value after the other.
#[derive(Clone, Debug)]
pub struct Downmixer {
    table: Vec<Complex32>,
    at: usize,
}

impl Downmixer {
    /// `hz` and `rate` in hertz. The table holds `rate / gcd(hz, rate)` values.
    pub fn new(hz: u32, rate: u32) -> Self {
        let (hz, rate) = (u64::from(hz), u64::from(rate.max(1)));
        let period = rate / gcd(hz, rate);
        // Whole turns are taken off in integers, so that the phase is exact.
        let turn = |n: u64| (n * hz % rate) as f64 / rate as f64;
        let value = |t: f64| Complex32::new((TAU * t).cos() as f32, -(TAU * t).sin() as f32);
        let table = (0..period).map(|n| value(turn(n))).collect();
        Downmixer { table, at: 0 }
    }

    /// The next value.
    pub fn step(&mut self) -> Complex32 {
        let value = self.table[self.at];
        self.at = if self.at + 1 == self.table.len() {
            0
        } else {
            self.at + 1
        };
        value
    }
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_phase_is_right_and_does_not_drift() {
        let mut mixer = Downmixer::new(1700, 9600);
        for n in 0..100_000_u64 {
            let phase = -TAU * ((1700 * n) % 9600) as f64 / 9600.0;
            let right = Complex32::new(phase.cos() as f32, phase.sin() as f32);
            assert!((mixer.step() - right).norm() < 1e-5, "step {n}");
        }
    }
}
