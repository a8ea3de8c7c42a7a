//! How much of a sound is clipped: stands at full scale, or has its tops cut flat at some lower
//! level by whatever came before.
//!
//! A clipped sound holds a wall: many samples just below the highest and hardly any a little
//! further down. A sine has 1.4 times as many samples within a width w of its peak as
//! between w and 3 w, noise has far fewer; behind a wall it is many times as many. Derived from
//! the distribution of a sine's values; the thresholds were found by measurement.

use dunlin_clock::{SampleCount, SampleRate};

/// Sound is judged in blocks of this length, seconds.
const BLOCK_S: f64 = 0.01;
/// This many blocks are kept: 80 seconds.
const BLOCKS: usize = 8192;
/// What lies this close to the top of a block counts as top, as a share of the top.
const TOP: f32 = 0.005;
/// At least this, so that the steps of 16-bit samples do not look like a wall.
const TOP_LEAST: f32 = 2.0 / 32_768.0;
/// Tops lower than this are not judged: the steps of the samples are too coarse there.
const LOWEST: f32 = 0.01;
/// A wall below full scale holds at least this share of the samples. A tone whose period is
/// some whole samples can put 10 per cent of them on one value (1200 Hz at 48 kHz); a steady one
/// with a dozen samples a period cannot be told from a cut one.
const LEAST_SHARE: f64 = 0.15;
/// A wall holds so many times as many samples as there are just below it.
const STEEP: f64 = 2.0;
/// A smaller wall must be this clear, above values that noise has spread.
const CLEAR: f64 = 4.0;
const LEAST_CLEAR: f64 = 0.003;
const FEWEST_BELOW: f64 = 5.0;
/// From here on a sample stands at full scale: the last but one step of 16 bits.
const FULL_SCALE: f32 = 32_766.0 / 32_768.0;

/// What is known of one block.
#[derive(Clone, Copy, Debug, Default)]
struct Block {
    highest: f32,
    lowest: f32,
    /// Samples within one width of the highest or the lowest, and between one and three.
    tops: u32,
    below: u32,
    full: u32,
    samples: u32,
}

/// Watches samples as they come in, before any filter.
#[derive(Clone, Debug)]
pub struct ClippingMeter {
    length: usize,
    pending: Vec<f32>,
    ring: Vec<Block>,
    taken: u64,
}

impl ClippingMeter {
    /// A meter for samples at `rate`.
    pub fn new(rate: SampleRate) -> Self {
        let length = (BLOCK_S * rate.hz_f64()).ceil().max(16.0) as usize;
        ClippingMeter {
            length,
            pending: Vec::with_capacity(length),
            ring: Vec::with_capacity(BLOCKS),
            taken: 0,
        }
    }

    /// Takes the next samples.
    pub fn process(&mut self, mut samples: &[f32]) {
        while !samples.is_empty() {
            let taken = samples.len().min(self.length - self.pending.len());
            self.pending.extend_from_slice(&samples[..taken]);
            self.taken += taken as u64;
            samples = &samples[taken..];
            if self.pending.len() == self.length {
                let slot = (self.taken / self.length as u64 - 1) as usize % BLOCKS;
                let block = look(&self.pending);
                match self.ring.get_mut(slot) {
                    Some(old) => *old = block,
                    None => self.ring.push(block),
                }
                self.pending.clear();
            }
        }
    }

    /// The share of the samples between two places that is clipped, 0 to 1; `None` if nothing is
    /// known of them. Told to within a block at either end.
    pub fn over(&self, from: SampleCount, to: SampleCount) -> Option<f32> {
        let length = self.length as u64;
        let known = self.taken / length;
        let first = (from.0 / length).max(known.saturating_sub(BLOCKS as u64));
        let last = (to.0 / length + 1).min(known);
        let blocks = || (first..last).map(|n| &self.ring[n as usize % BLOCKS]);
        let highest = blocks().map(|b| b.highest).fold(0.0, f32::max);
        let lowest = blocks().map(|b| b.lowest).fold(0.0, f32::min);
        let total: f64 = blocks().map(|b| f64::from(b.samples)).sum();
        if total < 1.0 {
            return None;
        }
        let full: f64 = blocks().map(|b| f64::from(b.full)).sum();
        // A wall stands at the same height all the time.
        let at_wall = |b: &&Block| {
            b.highest >= highest - 3.0 * width(highest) && b.lowest <= lowest + 3.0 * width(lowest)
        };
        let (mut tops, mut below) = (0.0, 0.0);
        for block in blocks().filter(at_wall) {
            tops += f64::from(block.tops);
            below += f64::from(block.below);
        }
        let wall = tops - below / 2.0;
        let loud = highest.max(-lowest) >= LOWEST;
        let large = tops > STEEP * below && wall > LEAST_SHARE * total;
        let clear = tops > CLEAR * below && below > FEWEST_BELOW && wall > LEAST_CLEAR * total;
        let is_wall = loud && (large || clear);
        let clipped = if is_wall { wall.max(full) } else { full };
        Some((clipped / total) as f32)
    }
}

fn width(top: f32) -> f32 {
    (TOP * top.abs()).max(TOP_LEAST)
}

fn look(samples: &[f32]) -> Block {
    let finite = || samples.iter().copied().filter(|s| s.is_finite());
    let highest = finite().fold(0.0, f32::max);
    let lowest = finite().fold(0.0, f32::min);
    let (up, down) = (width(highest), width(lowest));
    let mut block = Block {
        highest,
        lowest,
        samples: samples.len() as u32,
        ..Block::default()
    };
    for s in finite() {
        let (from_top, from_bottom) = ((highest - s) / up, (s - lowest) / down);
        let near = from_top.min(from_bottom);
        block.tops += u32::from(near <= 1.0);
        block.below += u32::from(near > 1.0 && near <= 3.0);
        block.full += u32::from(s.abs() >= FULL_SCALE);
    }
    block
}

#[cfg(test)]
mod tests {
    use std::f32::consts::TAU;

    use super::*;

    fn share(mut sound: impl FnMut(usize) -> f32) -> f32 {
        let rate = SampleRate::new(48_000).expect("not zero");
        let mut meter = ClippingMeter::new(rate);
        let samples: Vec<f32> = (0..48_000).map(&mut sound).collect();
        samples.chunks(777).for_each(|chunk| meter.process(chunk));
        meter
            .over(SampleCount(4800), SampleCount(43_200))
            .expect("known")
    }

    #[test]
    fn sines_of_any_level_and_frequency_are_not_clipped() {
        for hz in [100.0, 1200.0, 1601.0, 1800.0, 2200.0, 2410.0] {
            for level in [0.001, 0.02, 0.3, 0.9] {
                // As 16-bit samples give it.
                let steps = |x: f32| (x * 32_768.0).round() / 32_768.0;
                let found = share(|n| steps(level * (n as f32 * hz / 48_000.0 * TAU).sin()));
                assert_eq!(found, 0.0, "{hz} Hz, {level}");
            }
        }
    }

    #[test]
    fn a_cut_sine_tells_how_much_of_it_is_cut() {
        for (wall, level) in [(0.5_f32, 1.0_f32), (0.9, 1.0), (0.7, 0.2), (0.3, 1.9)] {
            let cut = wall * level;
            let hz = 1234.5;
            let found =
                share(|n| (level * (n as f32 * hz / 48_000.0 * TAU).sin()).clamp(-cut, cut));
            let truth = 1.0 - wall.asin() * 4.0 / TAU;
            assert!((found - truth).abs() < 0.03, "{wall}: {found} for {truth}");
        }
    }

    #[test]
    fn full_scale_counts_even_where_it_is_rare() {
        let found = share(|n| {
            if n % 50 == 0 {
                1.0
            } else {
                0.3 * (n as f32 * 0.7).sin()
            }
        });
        assert!((found - 0.02).abs() < 0.001, "{found}");
    }

    #[test]
    fn what_is_no_number_or_unknown_is_not_clipped() {
        assert_eq!(share(|_| f32::NAN), 0.0);
        let meter = ClippingMeter::new(SampleRate::new(8000).expect("not zero"));
        assert_eq!(meter.over(SampleCount(0), SampleCount(100)), None);
    }
}
