//! The receive filter: matched to a pulse, with the noise at the symbols' middles white.
//!
//! The filter has the pulse's own spectrum, divided by the root of what that spectrum's square
//! folds to at the symbol rate. One sample a symbol then loses nothing of what a symbol's pulse
//! carries, and equal noise falls on each sample independently, so that a trellis can weigh them
//! by plain squares. Intersymbol interference stays; the trellis undoes it.
//!
//! Literature: G. D. Forney, "Maximum-likelihood sequence estimation of digital sequences in the
//! presence of intersymbol interference", IEEE Trans. Information Theory IT-18, 1972; J. G.
//! Proakis, Digital Communications, chapter on communication through band-limited channels.

use std::f64::consts::{PI, TAU};

use super::{AHEAD, SPAN};
use crate::fir::{bessel_i0, sinc};

/// The filter reaches this many symbols to either side.
const REACH: f64 = 5.0;
/// Points per symbol in the table of the response.
const STEPS: usize = 64;
/// Points of the spectrum up to twice the symbol rate.
const POINTS: usize = 512;
/// No part of the spectrum beyond this multiple of the symbol rate is passed.
const HIGHEST: f64 = 1.0;
/// What the folded spectrum is not let fall below, as a share of its value at 0 Hz: what a sender
/// does not send need not be made white.
const LEAST_FOLDED: f64 = 0.02;

/// The pulse that a sender is expected to make of each symbol.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pulse {
    /// Raised-cosine spectrum with this excess bandwidth, 0 to 1.
    RaisedCosine(f64),
    /// A level held for a symbol, through a Gaussian filter with this product of its -3 dB
    /// bandwidth and the symbol's length.
    Gaussian(f64),
}

impl Pulse {
    /// The spectrum at `f` times the symbol rate; 1 at 0.
    fn spectrum(self, f: f64) -> f64 {
        let f = f.abs();
        match self {
            Pulse::RaisedCosine(alpha) => {
                let into = (f - (1.0 - alpha) / 2.0) / alpha.max(1e-6);
                0.5 + 0.5 * (PI * into.clamp(0.0, 1.0)).cos()
            }
            Pulse::Gaussian(bt) => sinc(f) * (-(f / bt).powi(2) * 2_f64.ln() / 2.0).exp(),
        }
    }

    /// The spectrum of the filter for this pulse.
    fn front(self, f: f64) -> f64 {
        if f.abs() > HIGHEST {
            return 0.0;
        }
        let folded = self.folded(f);
        self.spectrum(f) / folded.max(LEAST_FOLDED).sqrt()
    }

    fn folded(self, f: f64) -> f64 {
        let alias = |k: i32| self.spectrum(f + f64::from(k)).powi(2);
        (-2..=2).map(alias).sum()
    }
}

/// A receive filter, as a function of continuous time, and what it leaves of each symbol.
#[derive(Clone, Debug)]
pub struct Front {
    baud: f64,
    /// From the middle outwards, `STEPS` points a symbol.
    response: Vec<f64>,
    taps: [f32; SPAN],
}

impl Front {
    /// The filter for one pulse.
    pub fn new(pulse: Pulse, baud: u32) -> Self {
        let spectrum: Vec<f64> = (0..POINTS).map(|i| pulse.front(middle(i))).collect();
        let window = |t: f64| {
            let beta: f64 = 3.0;
            let inside = (1.0 - (t / REACH).powi(2)).max(0.0);
            bessel_i0(beta * inside.sqrt()) / bessel_i0(beta)
        };
        let points = (REACH * STEPS as f64) as usize;
        let at = |i: usize| {
            let t = i as f64 / STEPS as f64;
            integral(&spectrum, t) * window(t)
        };
        let whole: Vec<f64> = (0..POINTS)
            .map(|i| pulse.front(middle(i)) * pulse.spectrum(middle(i)))
            .collect();
        let own = integral(&whole, 0.0);
        Front {
            baud: f64::from(baud),
            response: (0..=points + 1).map(at).collect(),
            taps: std::array::from_fn(|k| {
                (integral(&whole, k.abs_diff(AHEAD) as f64) / own) as f32
            }),
        }
    }

    /// The response `t` seconds from its centre, per second.
    pub fn at(&self, t: f64) -> f64 {
        let place = t.abs() * self.baud * STEPS as f64;
        let i = place as usize;
        match self.response.get(i..i + 2) {
            Some(&[a, b]) if place < REACH * STEPS as f64 => {
                (a + (b - a) * (place - i as f64)) * self.baud
            }
            _ => 0.0,
        }
    }

    /// How far the response reaches to either side, seconds.
    pub fn half_span_s(&self) -> f64 {
        REACH / self.baud
    }

    /// What the symbols around a sample give to it, the earliest first; the middle one gives 1.
    pub fn taps(&self) -> [f32; SPAN] {
        self.taps
    }
}

/// The frequency of a point of the spectrum, symbol rate 1.
fn middle(point: usize) -> f64 {
    (point as f64 + 0.5) * HIGHEST / POINTS as f64
}

/// The response at `t` symbols of what has this even spectrum.
fn integral(spectrum: &[f64], t: f64) -> f64 {
    let part = |(i, s): (usize, &f64)| s * (TAU * middle(i) * t).cos();
    let sum: f64 = spectrum.iter().enumerate().map(part).sum();
    2.0 * sum * HIGHEST / POINTS as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The response's correlation with itself, a whole number of symbols late.
    fn correlation(front: &Front, late: f64) -> f64 {
        let step = 1.0 / 32.0;
        (-400..400)
            .map(|i| f64::from(i) * step)
            .map(|t| front.at(t) * front.at(t - late) * step)
            .sum()
    }

    #[test]
    fn noise_is_white_from_symbol_to_symbol() {
        for pulse in [Pulse::RaisedCosine(0.5), Pulse::Gaussian(0.5)] {
            let front = Front::new(pulse, 1);
            let power = correlation(&front, 0.0);
            for late in 1..4 {
                let other = correlation(&front, f64::from(late)) / power;
                assert!(other.abs() < 0.02, "{pulse:?} {late}: {other}");
            }
        }
    }

    #[test]
    fn nothing_of_a_raised_cosine_pulse_is_lost() {
        // Proakis: the matched filter's signal to noise ratio is the pulse's energy. By
        // Parseval the energy of a raised-cosine pulse is 1 - alpha / 4 symbols; here the
        // energies of the taps must add up to it, because the noise on each is 1.
        let front = Front::new(Pulse::RaisedCosine(0.5), 1);
        let own = 1.0 / front.taps()[AHEAD];
        assert!((own - 1.0).abs() < 1e-6);
        let pulse = Pulse::RaisedCosine(0.5);
        let whole: Vec<f64> = (0..POINTS)
            .map(|i| pulse.front(middle(i)) * pulse.spectrum(middle(i)))
            .collect();
        let energy: f64 = (-8..=8)
            .map(|k| integral(&whole, f64::from(k)).powi(2))
            .sum();
        assert!((energy - 0.875).abs() < 1e-3, "{energy}");
    }
}
