//! Whether a sound is two tones taking turns, whatever their place, shift and rate: the
//! momentary frequency stays at one of two values.
//!
//! Common practice, no source; the thresholds were found by measurement.

use std::f32::consts::TAU;

use num_complex::Complex32;
use wide::f32x8;

use super::spectrum::{FRAME, RATE, Transform};
use crate::fir::LANES;
use crate::levels::Levels;

/// Two tones taking turns.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct TwoTone {
    pub(super) low_hz: f32,
    pub(super) high_hz: f32,
    /// How much of the frequency's scatter two values explain, 0 to 1.
    pub(super) clarity: f32,
    /// Symbols per second, if enough changes were heard.
    pub(super) baud: Option<f32>,
}

impl TwoTone {
    pub(super) fn shift_hz(&self) -> f32 {
        self.high_hz - self.low_hz
    }

    pub(super) fn centre_hz(&self) -> f32 {
        (self.high_hz + self.low_hz) / 2.0
    }
}

/// One way to look: how wide a band around the strongest part, and over how many samples the
/// frequency is averaged.
#[derive(Clone, Copy, Debug)]
struct Look {
    half_band_hz: f32,
    samples: usize,
    shifts_hz: (f32, f32),
}

/// For 1200 Bd and about 1000 Hz, for 300 Bd and about 200 Hz.
const LOOKS: [Look; 2] = [
    Look {
        half_band_hz: 1100.0,
        samples: 4,
        shifts_hz: (350.0, 1400.0),
    },
    Look {
        half_band_hz: 320.0,
        samples: 12,
        shifts_hz: (70.0, 500.0),
    },
];

/// The edges of a frame are spoiled by the band filter.
const EDGE: usize = 256;
/// Every second sample is looked at.
const STEP: usize = 2;
const VALUES: usize = (FRAME - 2 * EDGE) / STEP;
// None is left over.
const _: () = assert!(VALUES.is_multiple_of(LANES));
/// The rarer tone must hold at least this share of the time.
const RARER: f32 = 0.06;
/// How far around a tone values belong to it, as shares of the shift: first wide, then narrow.
const CROWD: [f32; 2] = [0.3, 0.18];
/// Changes of tone that are remembered.
const MOST_CHANGES: usize = 256;

/// Finds two tones.
#[derive(Clone, Debug)]
pub(super) struct TwoToneFinder {
    work: Vec<Complex32>,
    turns: Vec<Complex32>,
    values: Vec<f32>,
    intervals: Vec<f32>,
    /// Kept only for its memory.
    sorted: Vec<f32>,
}

impl TwoToneFinder {
    pub(super) fn new() -> Self {
        TwoToneFinder {
            work: vec![Complex32::default(); FRAME],
            turns: vec![Complex32::default(); FRAME],
            values: vec![0.0; VALUES],
            intervals: Vec::with_capacity(MOST_CHANGES),
            sorted: Vec::with_capacity(MOST_CHANGES),
        }
    }

    /// The clearest two tones of a frame, given its spectrum and power spectrum.
    pub(super) fn find(
        &mut self,
        raw: &[Complex32],
        power: &[f32],
        transform: &mut Transform,
    ) -> Option<TwoTone> {
        let mut best: Option<TwoTone> = None;
        for look in LOOKS {
            let found = self.look(look, raw, power, transform);
            best = match (best, found) {
                (Some(a), Some(b)) if a.clarity >= b.clarity => Some(a),
                (a, b) => b.or(a),
            };
        }
        best
    }

    fn look(
        &mut self,
        look: Look,
        raw: &[Complex32],
        power: &[f32],
        transform: &mut Transform,
    ) -> Option<TwoTone> {
        let band = strongest_band(power, look.half_band_hz);
        self.work.fill(Complex32::default());
        self.work[band.clone()].copy_from_slice(&raw[band]);
        transform.inverse(&mut self.work);
        for n in 1..FRAME {
            self.turns[n] = self.work[n] * self.work[n - 1].conj();
        }
        for (i, value) in self.values.iter_mut().enumerate() {
            let n = EDGE + i * STEP;
            let sum: Complex32 = self.turns[n..n + look.samples].iter().sum();
            *value = sum.im.atan2(sum.re) / TAU * RATE as f32;
        }
        let levels = Levels::of(&self.values);
        let (low_hz, high_hz) = (levels.low, levels.high);
        let shift = high_hz - low_hz;
        if !(look.shifts_hz.0..=look.shifts_hz.1).contains(&shift) {
            return None;
        }
        let clarity = clarity(&self.values, levels)?;
        let baud = self.baud((low_hz + high_hz) / 2.0, shift / 4.0);
        Some(TwoTone {
            low_hz: self.settled(low_hz, shift),
            high_hz: self.settled(high_hz, shift),
            clarity,
            baud,
        })
    }

    /// The value near `level` around which the others crowd: the mean is drawn towards the other
    /// tone by the changes (mean shift: K. Fukunaga, L. Hostetler, IEEE Trans. IT-21 (1975) 32,
    /// from memory).
    fn settled(&self, level: f32, shift: f32) -> f32 {
        let mut at = level;
        for width in CROWD {
            for _ in 0..3 {
                let (sum, count) = crowd(&self.values, at, width * shift);
                if count > 0.0 {
                    at = sum / count;
                }
            }
        }
        at
    }

    /// The symbol rate: of the times between changes of tone the shortest are one symbol long,
    /// and all are whole multiples of it.
    fn baud(&mut self, middle: f32, margin: f32) -> Option<f32> {
        self.note_intervals(middle, margin);
        if self.intervals.len() < 4 {
            return None;
        }
        self.sorted.clear();
        self.sorted.extend_from_slice(&self.intervals);
        self.sorted.sort_by(f32::total_cmp);
        let short = self.sorted[self.sorted.len() / 4];
        let near = |x: &&f32| (0.7 * short..=1.35 * short).contains(*x);
        let (sum, count) = self
            .intervals
            .iter()
            .filter(near)
            .fold((0.0, 0.0), |(s, n), x| (s + x, n + 1.0));
        let mut symbol = sum / count;
        // The better the symbol is known, the longer the intervals that can be counted in it.
        for most in [2.5, 4.5, 8.5] {
            let (mut length, mut symbols) = (0.0, 0.0);
            for &interval in self.intervals.iter().filter(|i| **i < most * symbol) {
                length += interval;
                symbols += (interval / symbol).round().max(1.0);
            }
            if symbols > 0.0 {
                symbol = length / symbols;
            }
        }
        Some(RATE as f32 / STEP as f32 / symbol)
    }

    /// Finds the times between changes of tone. A change counts when the frequency has passed
    /// the middle by `margin`, and its time is that of the last crossing of the middle.
    fn note_intervals(&mut self, middle: f32, margin: f32) {
        self.intervals.clear();
        let (mut above, mut last) = (None, None);
        let mut crossed = 0.0;
        let mut before = self.values[0] - middle;
        for (i, &value) in self.values.iter().enumerate() {
            let here = value - middle;
            if (here > 0.0) != (before > 0.0) {
                crossed = i as f32 - here / (here - before);
            }
            before = here;
            let now = here > 0.0;
            if here.abs() < margin || above == Some(now) {
                continue;
            }
            if above.is_some() && self.intervals.len() < MOST_CHANGES {
                self.intervals.extend(last.map(|last| crossed - last));
                last = Some(crossed);
            }
            above = Some(now);
        }
    }
}

/// The sum and the number of the values within `width` of a place.
fn crowd(values: &[f32], at: f32, width: f32) -> (f32, f32) {
    let (chunks, _) = values.as_chunks::<LANES>();
    let (mut sum, mut count) = (f32x8::ZERO, f32x8::ZERO);
    for &chunk in chunks {
        let values = f32x8::new(chunk);
        let near = (values - f32x8::splat(at))
            .abs()
            .simd_lt(f32x8::splat(width));
        sum += near.select(values, f32x8::ZERO);
        count += near.select(f32x8::ONE, f32x8::ZERO);
    }
    (sum.reduce_add(), count.reduce_add())
}

/// The bins of the band that holds most power.
fn strongest_band(power: &[f32], half_hz: f32) -> std::ops::Range<usize> {
    let half = (half_hz * FRAME as f32 / RATE as f32) as usize;
    let first = 25; // 100 Hz
    let mut sum: f32 = power[first..first + 2 * half].iter().sum();
    let (mut best, mut at) = (sum, first);
    for start in first + 1..power.len() - 2 * half {
        sum += power[start + 2 * half - 1] - power[start - 1];
        if sum > best {
            (best, at) = (sum, start);
        }
    }
    at..at + 2 * half
}

/// How much of the scatter the two levels explain; `None` if one of them is too rare.
fn clarity(values: &[f32], levels: Levels) -> Option<f32> {
    let n = values.len() as f32;
    let mean = values.iter().sum::<f32>() / n;
    let highs = values.iter().filter(|v| **v > mean).count() as f32 / n;
    if !(RARER..=1.0 - RARER).contains(&highs) {
        return None;
    }
    let scatter = values.iter().map(|v| (v - mean).powi(2)).sum::<f32>() / n;
    let explained = highs * (1.0 - highs) * (levels.high - levels.low).powi(2);
    Some(explained / scatter.max(f32::MIN_POSITIVE))
}
