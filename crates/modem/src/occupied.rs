//! How wide a signal is: the occupied bandwidth of a sound, and that of theory.
//!
//! The occupied bandwidth is the width outside which half a per cent of the power lies on either
//! side (ITU Radio Regulations No. 1.153, from memory). The density of power of two tones: J. G.
//! Proakis, Digital Communications, section on continuous-phase frequency shift keying (from
//! memory; `conformance/spectrum.py` has it beside a simulation that shares nothing with this).
//! Nothing here works while samples pass: it looks at a whole sound, and allocates for it.

use std::f64::consts::{PI, TAU};
use std::fmt;

use dunlin_clock::SampleRate;
use num_complex::Complex64;
use rustfft::FftPlanner;

use crate::Line;
use crate::pulse::ROLL_OFF;

/// The share of the power outside.
const BEYOND: f64 = 0.01;
/// The formula is summed up to so many symbol rates above the middle of the tones; a hundred
/// thousandth of the power lies beyond.
const REACH: f64 = 20.0;
/// Points of the formula in one symbol rate.
const POINTS: f64 = 1000.0;
/// A shift this near to a whole number of symbol rates has lines at its tones, of which the
/// formula knows nothing.
const NEARLY_WHOLE: f64 = 0.02;

/// Between which frequencies 99 % of the power of a sound lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Occupied {
    /// The lower edge, hertz; 0 for direct frequency shift, whose spectrum begins at nought.
    pub low_hz: f64,
    /// The upper edge, hertz.
    pub high_hz: f64,
}

impl Occupied {
    /// Measures a sound; silence before, after and between changes nothing. `None` if there is
    /// nothing but silence.
    pub fn measure(line: &Line, sound: &[f32], rate: SampleRate) -> Option<Occupied> {
        let size = (rate.hz() as usize / 2).next_power_of_two().max(2);
        let power = spectrum(sound, size);
        Occupied::of(line, &power, rate.hz_f64() / size as f64)
    }

    /// The bandwidth of bits that are random and without end, both tones of one level.
    pub fn theory(line: &Line) -> Occupied {
        let baud = f64::from(line.baud());
        let step_hz = baud / POINTS;
        let power = match (line.centre_hz(), line.shift_hz()) {
            (Some(centre), Some(shift)) => tones(centre / baud, shift / baud),
            _ => {
                let row = (0..POINTS as usize).map(|n| raised_cosine(n as f64 / POINTS).powi(2));
                row.collect()
            }
        };
        Occupied::of(line, &power, step_hz).expect("a formula is not silent")
    }

    /// The edges of the power around each multiple of `step_hz`.
    fn of(line: &Line, power: &[f64], step_hz: f64) -> Option<Occupied> {
        let whole: f64 = power.iter().sum();
        let edge = |share: f64| {
            let (mut below, goal) = (0.0, share * whole);
            for (n, &p) in power.iter().enumerate() {
                if below + p >= goal && p > 0.0 {
                    return Some((n as f64 + (goal - below) / p - 0.5).max(0.0) * step_hz);
                }
                below += p;
            }
            None
        };
        Some(match line.has_tones() {
            true => Occupied {
                low_hz: edge(BEYOND / 2.0)?,
                high_hz: edge(1.0 - BEYOND / 2.0)?,
            },
            // A spectrum with one edge has the whole per cent beyond it.
            false => Occupied {
                low_hz: 0.0,
                high_hz: edge(1.0 - BEYOND)?,
            },
        })
    }

    /// The width, hertz.
    pub fn width_hz(&self) -> f64 {
        self.high_hz - self.low_hz
    }
}

impl fmt::Display for Occupied {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (low, high) = (self.low_hz, self.high_hz);
        write!(f, "{:.0} Hz ({low:.0} to {high:.0} Hz)", self.width_hz())
    }
}

/// The power of a sound at multiples of its rate divided by `size`, up to half of the rate, all
/// of its energy counted alike: sine windows that overlap by half have squares that add to one.
fn spectrum(sound: &[f32], size: usize) -> Vec<f64> {
    let fft = FftPlanner::new().plan_fft_forward(size);
    let window: Vec<f64> = (0..size)
        .map(|n| (PI * (n as f64 + 0.5) / size as f64).sin())
        .collect();
    let half = size / 2;
    let mut sum = vec![0.0; half];
    let mut row = vec![Complex64::default(); size];
    for block in 0..sound.len().div_ceil(half) + 1 {
        // The first block begins half a window before the sound.
        let value = |n: usize| {
            let place = (block * half + n).checked_sub(half);
            place.and_then(|i| sound.get(i)).map_or(0.0, |s| *s)
        };
        for (n, x) in row.iter_mut().enumerate() {
            *x = Complex64::new(window[n] * f64::from(value(n)), 0.0);
        }
        fft.process(&mut row);
        sum.iter_mut()
            .zip(&row)
            .for_each(|(s, x)| *s += x.norm_sqr());
    }
    sum
}

/// The power of random bits around each point, from nought up, for tones whose middle lies at
/// `centre` symbol rates and which lie `shift` symbol rates apart. What would lie below nought is
/// folded over, as it is in a sound.
fn tones(centre: f64, shift: f64) -> Vec<f64> {
    let whole_shift = shift.round();
    let has_lines = (shift - whole_shift).abs() < NEARLY_WHOLE;
    let h = if has_lines { whole_shift } else { shift };
    let count = ((centre + REACH) * POINTS) as usize;
    let at = |n: usize| {
        let x = n as f64 / POINTS;
        (two_tones(x - centre, h) + two_tones(x + centre, h)) / POINTS
    };
    let mut power: Vec<f64> = (0..count).map(at).collect();
    if has_lines {
        let rest = 1.0 - power.iter().sum::<f64>();
        for x in [centre - h / 2.0, centre + h / 2.0] {
            power[(x * POINTS).round() as usize] += rest / 2.0;
        }
    }
    power
}

/// Density of power `x` symbol rates from the middle of two tones that lie `h` symbol rates
/// apart, of random bits; all of it together is 1, the lines of a whole `h` included, which are
/// left out here.
fn two_tones(x: f64, h: f64) -> f64 {
    let sinc = |x: f64| match x.abs() < 1e-12 {
        true => 1.0,
        false => (PI * x).sin() / (PI * x),
    };
    let levels = [-1.0, 1.0];
    let a = levels.map(|level| sinc(x - 0.5 * level * h));
    let psi = (PI * h).cos();
    let under = (1.0 + psi * psi - 2.0 * psi * (TAU * x).cos()).max(1e-12);
    let mut sum = 0.0;
    for n in 0..2 {
        sum += 0.5 * a[n] * a[n];
        for m in 0..2 {
            let alpha = PI * h * (levels[n] + levels[m]) / 2.0;
            let b = ((TAU * x - alpha).cos() - psi * alpha.cos()) / under;
            sum += 0.5 * b * a[n] * a[m];
        }
    }
    sum.max(0.0)
}

/// The shape of direct shift's pulses at `x` symbol rates.
fn raised_cosine(x: f64) -> f64 {
    let (from, to) = ((1.0 - ROLL_OFF) / 2.0, (1.0 + ROLL_OFF) / 2.0);
    match x {
        x if x < from => 1.0,
        x if x < to => 0.5 + 0.5 * (PI * (x - from) / (to - from)).cos(),
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lowest_rates_are_measured_without_a_panic() {
        let line = Line::from(crate::Mode::Afsk300);
        for hz in 1..=4 {
            let rate = SampleRate::new(hz).expect("not zero");
            assert!(
                Occupied::measure(&line, &[0.5; 16], rate).is_some(),
                "{hz} Hz"
            );
            assert_eq!(Occupied::measure(&line, &[], rate), None, "{hz} Hz");
        }
    }
}
