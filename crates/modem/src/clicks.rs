//! Takes out the clicks of an FM discriminator that hears little.
//!
//! When the noise turns the carrier once around, the discriminator tells a turn of 2 pi that
//! was never sent: a short and tall pulse. Near the threshold these clicks are nearly all the
//! noise that matters, and one of them shifts a whole symbol. They are told by their height
//! above the signal and by their shortness, and what was there is drawn straight across.
//!
//! White noise has tall samples too, and more is lost than won where they are taken out. So
//! nothing is done where noise prevails, and single tall samples are left.
//!
//! Literature: S. O. Rice, "Noise in FM receivers", in Time Series Analysis (1963), for what a
//! click is (from memory); S. V. Vaseghi, Advanced Digital Signal Processing and Noise
//! Reduction, on taking out impulses by threshold and interpolation (from memory). The
//! thresholds were found by measurement; see docs/receiving.md.

use dunlin_clock::SampleRate;

/// The sound is judged in blocks of this length, seconds. What is in a block comes out when the
/// next one is complete.
const BLOCK_S: f64 = 0.01;
/// The usual height is that of so much of the samples: of a tone nearly its peak, of noise 2.05
/// standard deviations. More than seven eighths, because flags hold one of the tones for one
/// symbol in eight only, and that may be the stronger.
const USUAL: f32 = 0.96;
/// Not every sample is needed to know the usual height.
const LOOKED_AT: usize = 192;
/// A click is so many times the usual height,
const TALL: f32 = 1.15;
/// and no longer than this, seconds.
const LONGEST_S: f64 = 0.2e-3;
/// So much on either side of it is taken out with it, seconds.
const EDGE_S: f64 = 0.042e-3;
/// A click is at least so many samples long. White noise is hardly ever so tall for two in a row.
const SHORTEST: usize = 2;
/// Below this sample rate, hertz, a click is a single sample, which noise makes too.
const LOWEST_RATE: f64 = 20_000.0;
/// The usual height is so many times the median of a sine: 1.41, of noise: 3.04, and of both
/// together something between. Beyond this there is so much noise without clicks that its tall
/// samples are better left.
const NOISY: f32 = 2.7;
/// That ratio is learned over so many blocks.
const LEARNED_OVER: f32 = 8.0;

/// Samples in, samples with fewer clicks out, somewhat later.
#[derive(Clone, Debug)]
pub struct ClickRemover {
    block: usize,
    longest: usize,
    edge: usize,
    /// The block before, the one that comes out next, and the one that fills.
    samples: Vec<f32>,
    fill: usize,
    /// The usual heights of the first two.
    usual: [f32; 2],
    /// How many times the median that is, of late.
    ratio: f32,
    heights: Vec<f32>,
    /// Whether the start of the next block was already changed with the end of the one before.
    reaches_over: bool,
}

/// Samples that come out of a [`ClickRemover`].
#[derive(Clone, Copy, Debug)]
pub struct Block<'a> {
    /// The samples.
    pub samples: &'a [f32],
    /// Whether any of them is another than went in.
    pub changed: bool,
}

impl ClickRemover {
    /// For samples at `rate`; `None` if clicks cannot be told at that rate.
    pub fn new(rate: SampleRate) -> Option<Self> {
        if rate.hz_f64() < LOWEST_RATE {
            return None;
        }
        let samples = |seconds: f64| (seconds * rate.hz_f64()).round().max(1.0) as usize;
        let block = samples(BLOCK_S).max(16);
        Some(ClickRemover {
            block,
            longest: samples(LONGEST_S),
            edge: samples(EDGE_S),
            samples: vec![0.0; 3 * block],
            // The first sample to come out is the first to come in.
            fill: block,
            usual: [0.0; 2],
            ratio: NOISY,
            heights: Vec::with_capacity(LOOKED_AT + 1),
            reaches_over: false,
        })
    }

    /// How many samples a sample waits at most.
    pub fn delay(&self) -> usize {
        2 * self.block
    }

    /// Takes samples up to the end of a block, and tells how many they were. When a block is
    /// complete, the one before it comes out.
    pub fn process(&mut self, samples: &[f32]) -> (usize, Option<Block<'_>>) {
        let taken = samples.len().min(self.samples.len() - self.fill);
        for (to, &from) in self.samples[self.fill..].iter_mut().zip(&samples[..taken]) {
            *to = if from.is_finite() { from } else { 0.0 };
        }
        self.fill += taken;
        if self.fill < self.samples.len() {
            return (taken, None);
        }
        let block = self.block;
        let newest = self.usual_height();
        let usual = self.usual[0].max(self.usual[1]).max(newest);
        let mut changed = std::mem::take(&mut self.reaches_over);
        if self.ratio < NOISY {
            changed |= self.take_out(TALL * usual);
        }
        self.usual = [self.usual[1], newest];
        self.samples.copy_within(block.., 0);
        self.fill = 2 * block;
        let samples = &self.samples[..block];
        (taken, Some(Block { samples, changed }))
    }

    /// The usual height of the newest block; learns the ratio to its median.
    fn usual_height(&mut self) -> f32 {
        let newest = &self.samples[2 * self.block..];
        let step = newest.len().div_ceil(LOOKED_AT);
        self.heights.clear();
        self.heights
            .extend(newest.iter().step_by(step).map(|x| x.abs()));
        let place = (USUAL * (self.heights.len() - 1) as f32) as usize;
        let (lower, usual, _) = self.heights.select_nth_unstable_by(place, f32::total_cmp);
        let middle = lower.len() * 50 / 96;
        let (_, median, _) = lower.select_nth_unstable_by(middle, f32::total_cmp);
        if *median > 0.0 {
            let ratio = (*usual / *median).min(2.0 * NOISY);
            self.ratio += (ratio - self.ratio) / LEARNED_OVER;
        }
        *usual
    }

    /// Draws a straight line where the middle block has clicks. Tells whether it has any.
    fn take_out(&mut self, limit: f32) -> bool {
        let (mut at, end) = (self.block, 2 * self.block);
        let mut found = false;
        while at < end {
            if self.samples[at].abs() <= limit {
                at += 1;
                continue;
            }
            let rest = &self.samples[at..];
            let length = rest.iter().take_while(|x| x.abs() > limit).count();
            if (SHORTEST..=self.longest).contains(&length) {
                let to = at + length + self.edge;
                self.bridge(at - self.edge, to);
                self.reaches_over |= to > end;
                found = true;
            }
            at += length + self.edge;
        }
        found
    }

    fn bridge(&mut self, from: usize, to: usize) {
        let to = to.min(self.samples.len() - 1);
        let (first, last) = (self.samples[from - 1], self.samples[to]);
        let step = (last - first) / (to + 1 - from) as f32;
        for (k, x) in (1_u16..).zip(&mut self.samples[from..to]) {
            *x = first + step * f32::from(k);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use dunlin_clock::Chance;

    use super::*;

    fn tone(rate: u32, seconds: f64) -> Vec<f32> {
        let sample = |n: usize| (TAU * 1700.0 * n as f64 / f64::from(rate)).sin() as f32;
        (0..(seconds * f64::from(rate)) as usize)
            .map(sample)
            .collect()
    }

    fn cleaned(rate: u32, samples: &[f32]) -> Vec<f32> {
        let rate = SampleRate::new(rate).expect("not zero");
        let mut remover = ClickRemover::new(rate).expect("fast enough");
        let (mut out, mut rest) = (Vec::new(), samples);
        while !rest.is_empty() {
            let (taken, block) = remover.process(rest);
            if let Some(Block {
                samples: block,
                changed,
            }) = block
            {
                // What is told to be unchanged is.
                let before = &samples[out.len()..out.len() + block.len()];
                assert!(changed || block == before, "at {}", out.len());
                out.extend(block);
            }
            rest = &rest[taken..];
        }
        assert!(out.len() + remover.delay() >= samples.len());
        out
    }

    #[test]
    fn clicks_are_taken_out_and_the_tone_stays() {
        for rate in [24_000, 48_000, 192_000] {
            let tone = tone(rate, 1.0);
            let width = rate as usize / 10_000 + 1;
            let mut spoiled = tone.clone();
            for start in (100..spoiled.len() - 50).step_by(rate as usize / 150) {
                spoiled[start..start + width]
                    .iter_mut()
                    .for_each(|x| *x += 3.3);
            }
            let clean = cleaned(rate, &spoiled);
            let wrong = |a: &[f32]| {
                let late = a.len() / 2;
                let pairs = a[late..].iter().zip(&tone[late..]);
                pairs.map(|(x, y)| (x - y) * (x - y)).sum::<f32>()
            };
            let (before, after) = (wrong(&spoiled[..clean.len()]), wrong(&clean));
            assert!(after < 0.1 * before, "{rate}: {after} of {before}");
        }
    }

    #[test]
    fn noise_and_tones_pass_unchanged() {
        let mut chance = Chance::stream(3, "clicks");
        for rate in [24_000, 48_000, 96_000] {
            for level in [0.0_f32, 0.3, 1.0, 3.0] {
                let mut sound = tone(rate, 20.0);
                sound.iter_mut().for_each(|x| *x += level * chance.normal());
                // The tone begins in the midst of faint noise.
                let quiet = sound.len() / 2;
                sound[..quiet].iter_mut().for_each(|x| *x *= 0.01);
                let out = cleaned(rate, &sound);
                let changed = out.iter().zip(&sound).filter(|(x, y)| x != y).count();
                let share = changed as f64 / out.len() as f64;
                assert!(share < 0.002, "{rate} Hz, noise {level}: {share}");
            }
        }
    }

    /// Flags hold one tone for seven symbols of eight, so that the other, if it is the stronger, is
    /// above what is usual.
    #[test]
    fn the_rarer_and_stronger_tone_of_flags_is_no_click() {
        for rate in [24_000_u32, 44_100, 48_000] {
            for (often, seldom) in [(1200.0, 2200.0), (2200.0, 1200.0)] {
                for stronger in [1.3_f32, 1.5, 2.0, 4.0] {
                    let mut phase = 0.0;
                    let mut sound = Vec::new();
                    for n in 0..rate {
                        let symbol = (u64::from(n) * 1200 / u64::from(rate)) % 8;
                        let (hz, level) = if symbol == 0 {
                            (seldom, stronger)
                        } else {
                            (often, 1.0)
                        };
                        phase += TAU * hz / f64::from(rate);
                        sound.push(phase.sin() as f32 * level);
                    }
                    let out = cleaned(rate, &sound);
                    let changed = out.iter().zip(&sound).filter(|(x, y)| x != y).count();
                    let share = changed as f64 / out.len() as f64;
                    assert!(share < 0.005, "{rate} Hz, {seldom} Hz {stronger}: {share}");
                }
            }
        }
    }

    #[test]
    fn slow_samples_cannot_tell_clicks() {
        for rate in [1, 8_000, 16_000] {
            assert!(ClickRemover::new(SampleRate::new(rate).expect("not zero")).is_none());
        }
    }
}
