//! What the spectrum of a quarter of a second tells: lines, the teeth of hum, how wide the sound
//! is, whether it has a pitch.
//!
//! Literature: A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing, chapter on
//! Fourier analysis; L. R. Rabiner, "On the use of autocorrelation analysis for pitch
//! detection", IEEE Trans. ASSP 25 (1977) 24 (both from memory).

use std::f64::consts::TAU;
use std::fmt;
use std::sync::Arc;

use num_complex::{Complex32, Complex64};
use rustfft::{Fft, FftDirection, FftPlannerScalar};

/// Sound is looked at with so many samples per second.
pub(super) const RATE: u32 = 8_000;
/// Samples in one look: 256 ms.
pub(super) const FRAME: usize = 2048;
/// Samples from one look to the next: 128 ms.
pub(super) const HOP: usize = 1024;
/// Spectra that are averaged: about one second.
const AVERAGED: usize = 8;
/// Width of one bin, hertz.
const BIN_HZ: f32 = RATE as f32 / FRAME as f32;
/// Bins that count: from 20 Hz to what the decimation passes.
const FIRST_BIN: usize = 5;
const LAST_BIN: usize = 921;
/// The least and the greatest lag of a voice's pitch: 400 Hz and 70 Hz.
const LAGS: std::ops::Range<usize> = RATE as usize / 400..RATE as usize / 70;
/// Teeth of hum are looked for below this, hertz.
const HUM_TO_HZ: f32 = 1000.0;

/// The transforms of one length, planned once. The scalar planner gives the same figures on
/// every machine.
#[derive(Clone)]
pub(super) struct Transform {
    /// Of half the length: even samples as real parts, odd ones as imaginary parts.
    half: Arc<dyn Fft<f32>>,
    inverse: Arc<dyn Fft<f32>>,
    /// exp(-j 2 pi k / FRAME).
    turns: Vec<Complex32>,
    packed: Vec<Complex32>,
    scratch: Vec<Complex32>,
}

impl fmt::Debug for Transform {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Transform").finish_non_exhaustive()
    }
}

impl Transform {
    pub(super) fn new() -> Self {
        let mut planner = FftPlannerScalar::new();
        let half = planner.plan_fft(FRAME / 2, FftDirection::Forward);
        let inverse = planner.plan_fft(FRAME, FftDirection::Inverse);
        let turn = |k: usize| Complex64::cis(-TAU * k as f64 / FRAME as f64);
        let turn = |k: usize| Complex32::new(turn(k).re as f32, turn(k).im as f32);
        let scratch = half
            .get_inplace_scratch_len()
            .max(inverse.get_inplace_scratch_len());
        Transform {
            half,
            inverse,
            turns: (0..FRAME / 2).map(turn).collect(),
            packed: vec![Complex32::default(); FRAME / 2],
            scratch: vec![Complex32::default(); scratch],
        }
    }

    /// The spectrum of real values, from 0 to half the rate. Source: Oppenheim and Schafer, Discrete-Time
    /// Signal Processing, section on transforms of real sequences (from memory).
    pub(super) fn forward(&mut self, frame: &[f32], out: &mut [Complex32]) {
        for (to, pair) in self.packed.iter_mut().zip(frame.as_chunks::<2>().0) {
            *to = Complex32::new(pair[0], pair[1]);
        }
        let half = FRAME / 2;
        self.half
            .process_with_scratch(&mut self.packed, &mut self.scratch);
        for (k, (to, turn)) in out.iter_mut().zip(&self.turns).enumerate() {
            let (a, b) = (self.packed[k], self.packed[(half - k) % half].conj());
            let (even, odd) = (a + b, a - b);
            // Over 2j.
            let odd = Complex32::new(odd.im, -odd.re);
            *to = (even + odd * turn) * 0.5;
        }
        out[half] = Complex32::new(self.packed[0].re - self.packed[0].im, 0.0);
    }

    pub(super) fn inverse(&mut self, frame: &mut [Complex32]) {
        self.inverse.process_with_scratch(frame, &mut self.scratch);
    }
}

/// The strongest line of a spectrum.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Line {
    pub(super) hz: f32,
    /// Its share of all power, 0 to 1.
    pub(super) share: f32,
    /// How far it stands above what lies beside it, dB.
    pub(super) above_db: f32,
}

/// What was found in the averaged spectrum.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Shape {
    /// How wide the sound is, hertz: the square of the sum over the sum of squares.
    pub(super) width_hz: f32,
    /// How far the highest bin stands above its neighbourhood, dB.
    pub(super) peak_db: f32,
    /// The mains frequency whose multiples hold most, hertz.
    pub(super) mains_hz: f32,
    /// How much of the power below 1000 Hz those multiples hold, 0 to 1.
    pub(super) teeth: f32,
    /// How much of all power lies below 1000 Hz, 0 to 1.
    pub(super) low: f32,
}

/// Power spectra, the latest one and the average of the last second.
#[derive(Clone, Debug)]
pub(super) struct Spectrum {
    /// The spectrum of the latest frame under a rectangular window, up to half the rate.
    pub(super) raw: Vec<Complex32>,
    /// Its power under Hann's window.
    pub(super) power: Vec<f32>,
    ring: Vec<Vec<f32>>,
    at: usize,
    filled: usize,
    average: Vec<f32>,
    sums: Vec<f32>,
    /// The power at all frequencies, and what comes of it.
    mirrored: Vec<f32>,
    repeats: Vec<Complex32>,
}

impl Spectrum {
    pub(super) fn new() -> Self {
        Spectrum {
            raw: vec![Complex32::default(); FRAME / 2 + 1],
            power: vec![0.0; FRAME / 2],
            ring: vec![vec![0.0; FRAME / 2]; AVERAGED],
            at: 0,
            filled: 0,
            average: vec![0.0; FRAME / 2],
            sums: vec![0.0; FRAME / 2 + 1],
            mirrored: vec![0.0; FRAME],
            repeats: vec![Complex32::default(); FRAME / 2 + 1],
        }
    }

    /// Takes the next frame.
    pub(super) fn push(&mut self, frame: &[f32], transform: &mut Transform) {
        transform.forward(frame, &mut self.raw);
        // Hann's window is a sum of three neighbours in frequency.
        self.power[0] = 0.0;
        for k in 1..FRAME / 2 {
            let hann = self.raw[k] * 0.5 - (self.raw[k - 1] + self.raw[k + 1]) * 0.25;
            self.power[k] = hann.norm_sqr();
        }
        self.ring[self.at].copy_from_slice(&self.power);
        self.at = (self.at + 1) % AVERAGED;
        self.filled = (self.filled + 1).min(AVERAGED);
        self.average.fill(0.0);
        for row in &self.ring[..self.filled] {
            for (sum, value) in self.average.iter_mut().zip(row) {
                *sum += value;
            }
        }
    }

    /// The strongest line of the latest frame.
    pub(super) fn line(&self) -> Line {
        let p = &self.power;
        let all: f32 = p[FIRST_BIN..LAST_BIN].iter().sum();
        let (k, most) = strongest(p);
        if most <= 0.0 {
            return Line::default();
        }
        let own: f32 = p[k - 2..=k + 2].iter().sum();
        let log = |k: usize| p[k].max(f32::MIN_POSITIVE).ln();
        let bend = 2.0 * log(k) - log(k - 1) - log(k + 1);
        let shift = if bend > 1e-6 {
            (0.5 * (log(k + 1) - log(k - 1)) / bend).clamp(-0.5, 0.5)
        } else {
            0.0
        };
        Line {
            hz: (k as f32 + shift) * BIN_HZ,
            share: own / all,
            above_db: above_db(p, k, 6, 40),
        }
    }

    /// What the averaged spectrum looks like.
    pub(super) fn shape(&mut self) -> Shape {
        let p = &self.average;
        let inside = &p[FIRST_BIN..LAST_BIN];
        let all: f32 = inside.iter().sum();
        if all <= 0.0 {
            return Shape::default();
        }
        // Smoothed over 60 Hz, so that the grain of noise does not make it narrower.
        self.sums[0] = 0.0;
        let mut sum = 0.0;
        for (to, value) in self.sums[1..].iter_mut().zip(p) {
            sum += value;
            *to = sum;
        }
        let smooth = |k: usize| (self.sums[k + 8] - self.sums[k - 7]) / 15.0;
        let squares: f32 = (8..LAST_BIN).map(|k| smooth(k) * smooth(k)).sum();
        let (k, _) = strongest(p);
        let below = (HUM_TO_HZ / BIN_HZ) as usize;
        let low: f32 = p[FIRST_BIN..below].iter().sum();
        let [fifty, sixty] = [50.0, 60.0].map(|hz| teeth(p, hz) / low.max(f32::MIN_POSITIVE));
        let (mains_hz, teeth) = if fifty >= sixty {
            (50.0, fifty)
        } else {
            (60.0, sixty)
        };
        Shape {
            width_hz: all * all / squares.max(f32::MIN_POSITIVE) * BIN_HZ,
            peak_db: above_db(p, k, 4, 20),
            mains_hz,
            teeth: teeth.min(1.0),
            low: low / all,
        }
    }

    /// How much the latest frame repeats itself at some pitch of a voice, 0 to 1.
    pub(super) fn pitch(&mut self, transform: &mut Transform) -> f32 {
        // Power is real and even: its transform is the same either way.
        for k in FIRST_BIN..LAST_BIN {
            self.mirrored[k] = self.power[k];
            self.mirrored[FRAME - k] = self.power[k];
        }
        transform.forward(&self.mirrored, &mut self.repeats);
        let whole = self.repeats[0].re.max(f32::MIN_POSITIVE);
        // A single line repeats itself too: a pitch must first have been left.
        let mut left = false;
        let mut best = 0.0_f32;
        for lag in LAGS.start / 2..LAGS.end {
            let value = self.repeats[lag].re / whole;
            left |= value < 0.3;
            if left && LAGS.contains(&lag) {
                best = best.max(value);
            }
        }
        best
    }
}

/// The bin that holds most, and what it holds.
fn strongest(p: &[f32]) -> (usize, f32) {
    let mut best = (FIRST_BIN, 0.0);
    for (k, &value) in p.iter().enumerate().take(LAST_BIN).skip(FIRST_BIN) {
        if value > best.1 {
            best = (k, value);
        }
    }
    best
}

/// How far bin `k` stands above the mean of what is `near` to `far` bins away, dB.
fn above_db(p: &[f32], k: usize, near: usize, far: usize) -> f32 {
    let side = |range: std::ops::Range<usize>| -> (f32, usize) {
        let range = range.start.max(FIRST_BIN)..range.end.min(LAST_BIN);
        (
            p.get(range.clone()).map_or(0.0, |s| s.iter().sum()),
            range.len(),
        )
    };
    let (low, lows) = side(k.saturating_sub(far)..k.saturating_sub(near));
    let (high, highs) = side(k + near..k + far);
    let mean = (low + high) / (lows + highs).max(1) as f32;
    10.0 * (p[k] / mean.max(1e-9 * p[k]).max(f32::MIN_POSITIVE)).log10()
}

/// Power at the multiples of `mains` below 1000 Hz.
fn teeth(p: &[f32], mains: f32) -> f32 {
    let count = (HUM_TO_HZ / mains) as usize;
    (1..count)
        .map(|n| (n as f32 * mains / BIN_HZ).round() as usize)
        .map(|k| p[k - 1..=k + 1].iter().sum::<f32>())
        .sum()
}

#[cfg(test)]
mod tests {
    use std::f32::consts::TAU;

    use dunlin_clock::Chance;

    use super::*;

    fn looked_at(sound: impl Fn(f32) -> f32) -> (Spectrum, Transform) {
        let (mut spectrum, mut transform) = (Spectrum::new(), Transform::new());
        let sound: Vec<f32> = (0..10 * HOP)
            .map(|n| sound(n as f32 / RATE as f32))
            .collect();
        for at in (0..=sound.len() - FRAME).step_by(HOP) {
            spectrum.push(&sound[at..at + FRAME], &mut transform);
        }
        (spectrum, transform)
    }

    #[test]
    fn a_sine_is_one_line_at_its_place() {
        let (spectrum, _) = looked_at(|t| (TAU * 1234.5 * t).sin());
        let line = spectrum.line();
        assert!((line.hz - 1234.5).abs() < 0.3, "{line:?}");
        assert!(line.share > 0.99 && line.above_db > 40.0, "{line:?}");
    }

    #[test]
    fn noise_is_wide_and_without_lines_or_pitch() {
        let mut chance = Chance::stream(1, "spectrum");
        let noise: Vec<f32> = (0..10 * HOP).map(|_| chance.normal()).collect();
        let (mut spectrum, mut transform) =
            looked_at(|t| noise[(t * RATE as f32).round() as usize]);
        let shape = spectrum.shape();
        assert!(shape.width_hz > 3000.0, "{shape:?}");
        assert!(shape.peak_db < 8.0, "{shape:?}");
        assert!(shape.teeth < 0.4, "{shape:?}");
        assert!(spectrum.pitch(&mut transform) < 0.3);
    }

    #[test]
    fn hum_has_teeth_and_tells_its_mains() {
        for mains in [50.0_f32, 60.0] {
            let hum = |t: f32| {
                (1..9)
                    .map(|n| (TAU * mains * n as f32 * t).sin() / n as f32)
                    .sum::<f32>()
            };
            let (mut spectrum, _) = looked_at(hum);
            let shape = spectrum.shape();
            assert_eq!(shape.mains_hz, mains);
            assert!(shape.teeth > 0.95 && shape.low > 0.99, "{shape:?}");
        }
    }
}
