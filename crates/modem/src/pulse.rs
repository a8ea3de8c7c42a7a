//! Levels to a smooth waveform: raised-cosine pulses, exact for any ratio of rates.
//!
//! The spectrum is down 6 dB at half the symbol rate and ends at three quarters of it, close to
//! the shaping described by J. Miller, "9600 Baud Packet Radio Modem Design", 1988 (-6 dB at
//! 4800 Hz, -60 dB at 7500 Hz).

use std::f64::consts::PI;

use dunlin_clock::SampleRate;

use crate::fir::{bessel_i0, sinc};

/// Excess bandwidth.
pub(crate) const ROLL_OFF: f64 = 0.5;
/// A pulse reaches this many symbols to either side.
const REACH: usize = 8;
/// Points per symbol in the table, between which values are interpolated.
const STEPS: usize = 256;

/// Levels to a waveform.
#[derive(Clone, Debug)]
pub struct PulseShaper {
    rate: u64,
    baud: u64,
    /// The pulse from its middle outwards, scaled.
    table: Vec<f32>,
}

impl PulseShaper {
    /// `peak` is never exceeded by any sequence of levels, 1 being full scale.
    pub fn new(rate: SampleRate, baud: u32, peak: f64) -> Self {
        let point = |i: usize| pulse(i as f64 / STEPS as f64);
        let pulse: Vec<f64> = (0..=REACH * STEPS + 1).map(point).collect();
        // The worst sequence has every pulse add up at some moment between two symbols.
        let worst = (0..=STEPS / 2)
            .map(|phase| {
                let distance = |k: usize| (k * STEPS).abs_diff(REACH * STEPS + phase);
                (0..=2 * REACH)
                    .map(|k| pulse.get(distance(k)).map_or(0.0, |p| p.abs()))
                    .sum()
            })
            .fold(1.0, f64::max);
        PulseShaper {
            rate: u64::from(rate.hz()),
            baud: u64::from(baud),
            table: pulse.iter().map(|p| (p * peak / worst) as f32).collect(),
        }
    }

    /// How many samples `symbols` levels make.
    pub fn samples(&self, symbols: usize) -> u64 {
        if symbols == 0 {
            0
        } else {
            ((symbols + 2 * REACH) as u64 * self.rate).div_ceil(self.baud)
        }
    }

    /// Appends one transmission. A true level is the positive one.
    pub fn process(&self, levels: &[bool], out: &mut Vec<f32>) {
        for k in 0..self.samples(levels.len()) {
            // Symbols since the start of the first pulse, whole and in parts.
            let time = k * self.baud;
            let whole = (time / self.rate) as usize;
            let part = (time % self.rate) as f64 / self.rate as f64;
            // The pulse of symbol n has its middle at n + REACH.
            let newest = (whole + 1).min(levels.len());
            let oldest = whole.saturating_sub(2 * REACH).min(newest);
            let mut sum = 0.0;
            for (n, &level) in levels[oldest..newest].iter().enumerate() {
                let middle = (oldest + n + REACH) as f64;
                let distance = ((whole as f64 - middle + part).abs() * STEPS as f64) as f32;
                let value = self.at(distance);
                sum += if level { value } else { -value };
            }
            out.push(sum);
        }
    }

    fn at(&self, distance: f32) -> f32 {
        let i = distance as usize;
        match self.table.get(i..i + 2) {
            Some(&[a, b]) => a + (b - a) * (distance - i as f32),
            _ => 0.0,
        }
    }
}

/// The raised-cosine pulse `t` symbols from its middle, tapered to end at `REACH`.
fn pulse(t: f64) -> f64 {
    let u = t / REACH as f64;
    if u >= 1.0 {
        return 0.0;
    }
    let beta = 3.0;
    let taper = bessel_i0(beta * (1.0 - u * u).sqrt()) / bessel_i0(beta);
    let bend = 1.0 - (2.0 * ROLL_OFF * t).powi(2);
    let shape = if bend.abs() < 1e-9 {
        PI / 4.0 * sinc(1.0 / (2.0 * ROLL_OFF))
    } else {
        sinc(t) * (PI * ROLL_OFF * t).cos() / bend
    };
    // The taper must not lower the peak or move the zeros; it only ends the tails.
    shape * taper
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shape(rate: u32, levels: &[bool]) -> Vec<f32> {
        let mut out = Vec::new();
        let rate = SampleRate::new(rate).expect("not zero");
        PulseShaper::new(rate, 9600, 0.5).process(levels, &mut out);
        out
    }

    #[test]
    fn every_symbol_stands_at_its_level_in_its_middle() {
        let levels: Vec<bool> = (0..300_u32).map(|i| (i * i / 5) % 2 == 0).collect();
        let out = shape(48_000, &levels);
        let level = out[REACH * 5].abs();
        assert!(level > 0.25);
        for (n, &l) in levels.iter().enumerate() {
            let y = out[(n + REACH) * 5];
            assert!(
                (y - if l { level } else { -level }).abs() < 1e-4,
                "symbol {n}"
            );
        }
    }

    #[test]
    fn the_peak_is_kept_and_the_edges_are_smooth() {
        for rate in [22_050, 44_100, 48_000] {
            let out = shape(
                rate,
                &(0..4000_u32)
                    .map(|i| (i * i / 7) % 3 == 1)
                    .collect::<Vec<_>>(),
            );
            assert!(out.iter().all(|y| y.abs() <= 0.5001));
            assert!(out[0].abs() < 0.005 && out[out.len() - 1].abs() < 0.005);
        }
        assert!(shape(48_000, &[]).is_empty());
    }
}
