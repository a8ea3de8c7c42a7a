//! What the line does to a symbol: levels from a window of samples, and interference, offset
//! and noise that are tracked from the symbols decided.
//!
//! Literature: J. G. Proakis, Digital Communications, chapter on adaptive equalization (the
//! stochastic gradient).

use super::SPAN;
use crate::levels::Levels;

/// The levels are taken from so many symbols before the one in question.
const PAST: usize = 176;
/// And so many after it, which is delay.
const FUTURE: usize = 64;
/// On both sides, where a burst begins or ends.
const NEAR: usize = 24;
/// The near levels count alone if their middle is so far from the middle of all, as a share of the
/// distance between level and middle.
const APART: f32 = 0.2;
/// Or if their distance is larger or smaller by this factor.
const UNLIKE: f32 = 1.2;

/// Samples to samples whose levels are near -1 and 1.
#[derive(Clone, Debug)]
pub struct Normaliser {
    /// The latest samples twice in a row, so that any window is one piece.
    kept: Vec<f32>,
    pushed: usize,
}

/// A sample on the scale of its neighbourhood.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Normalised {
    /// The levels are near -1 and 1.
    pub value: f32,
    /// What 1 stands for.
    pub scale: f32,
}

impl Normaliser {
    const LEN: usize = PAST + FUTURE + 1;
    /// Samples come out so many symbols later.
    pub const DELAY: usize = FUTURE;

    /// Knows nothing yet.
    pub fn new() -> Self {
        Normaliser {
            kept: vec![0.0; 2 * Self::LEN],
            pushed: 0,
        }
    }

    /// Takes a sample and gives the one `DELAY` before.
    pub fn step(&mut self, value: f32) -> Option<Normalised> {
        let slot = self.pushed % Self::LEN;
        self.kept[slot] = value;
        self.kept[slot + Self::LEN] = value;
        self.pushed += 1;
        let known = self.pushed.min(Self::LEN);
        if known <= FUTURE {
            return None;
        }
        let newest = slot + Self::LEN;
        let wanted = newest - FUTURE;
        let far = Levels::of(&self.kept[newest + 1 - known..=newest]);
        let near = (newest + 1 - known).max(wanted - NEAR);
        let near = Levels::of(&self.kept[near..=wanted + NEAR]);
        let levels = if alike(&far, &near) { far } else { near };
        let scale = half(&levels);
        let value = (self.kept[wanted] - middle(&levels)) / scale;
        Some(Normalised {
            value: value.clamp(-4.0, 4.0),
            scale,
        })
    }
}

fn middle(levels: &Levels) -> f32 {
    (levels.high + levels.low) / 2.0
}

fn half(levels: &Levels) -> f32 {
    f32::max((levels.high - levels.low) / 2.0, f32::MIN_POSITIVE)
}

fn alike(far: &Levels, near: &Levels) -> bool {
    let (a, b) = (half(far), half(near));
    (middle(far) - middle(near)).abs() < APART * b && a < UNLIKE * b && b < UNLIKE * a
}

/// How fast taps and offset follow.
const STEP: f32 = 0.0025;
/// How fast they fall back to what is expected.
const FALL: f32 = 0.0005;
/// How fast the noise follows.
const NOISE_STEP: f32 = 1.0 / 64.0;
/// Less noise than this is not believed, the levels being 1 from the middle.
const LEAST_NOISE: f32 = 1e-3;

/// Follows what each symbol gives to the samples around it.
#[derive(Clone, Debug)]
pub struct Tracker {
    prior: [f32; SPAN],
    taps: [f32; SPAN],
    offset: f32,
    noise: f32,
}

impl Tracker {
    /// Begins with what a pulse's front promises.
    pub fn new(prior: [f32; SPAN]) -> Self {
        Tracker {
            prior,
            taps: prior,
            offset: 0.0,
            noise: 0.1,
        }
    }

    /// Takes a sample and the levels around it, bit 0 of `run` being the latest.
    pub fn step(&mut self, sample: f32, run: u64) {
        let sign = |k: usize| {
            if run >> (SPAN - 1 - k) & 1 == 1 {
                1.0
            } else {
                -1.0
            }
        };
        let mut error = sample - self.offset;
        for (k, tap) in self.taps.iter().enumerate() {
            error -= tap * sign(k);
        }
        self.noise += (error * error - self.noise) * NOISE_STEP;
        self.offset += STEP * error - FALL * self.offset;
        for (k, (tap, prior)) in self.taps.iter_mut().zip(&self.prior).enumerate() {
            *tap += STEP * error * sign(k) + FALL * (prior - *tap);
        }
    }

    /// What the symbols around a sample give to it, the earliest first.
    pub fn taps(&self) -> &[f32; SPAN] {
        &self.taps
    }

    /// What a sample has beside the symbols.
    pub fn offset(&self) -> f32 {
        self.offset
    }

    /// The variance of the noise.
    pub fn noise(&self) -> f32 {
        self.noise.max(LEAST_NOISE)
    }
}

#[cfg(test)]
mod tests {
    use dunlin_clock::Chance;

    use super::*;

    #[test]
    fn a_burst_between_louder_noise_of_another_offset_keeps_its_levels_to_the_edges() {
        let mut chance = Chance::stream(1, "normaliser");
        let mut normaliser = Normaliser::new();
        let inside = 500..900;
        for n in 0..1400 {
            let high = chance.bits() & 1 == 1;
            let value = if inside.contains(&n) {
                0.3 + if high { 0.1 } else { -0.1 } + 0.01 * chance.normal()
            } else {
                chance.normal()
            };
            let out = normaliser.step(value);
            if n >= inside.start + FUTURE + NEAR && n < inside.end + FUTURE - NEAR {
                let out = out.expect("running");
                assert!((out.value.abs() - 1.0).abs() < 0.6, "{n}: {out:?}");
                assert!((out.scale - 0.1).abs() < 0.03, "{n}: {out:?}");
            }
        }
    }

    #[test]
    fn taps_offset_and_noise_are_found() {
        let mut chance = Chance::stream(2, "tracker");
        let right = [0.0, 0.2, 1.0, -0.1, 0.05];
        let mut tracker = Tracker::new([0.0, 0.0, 1.0, 0.0, 0.0]);
        let mut run = 0_u64;
        for _ in 0..4000 {
            run = run << 1 | chance.bits() & 1;
            let sign = |k: usize| {
                if run >> (SPAN - 1 - k) & 1 == 1 {
                    1.0
                } else {
                    -1.0
                }
            };
            let clean: f32 = (0..SPAN).map(|k| right[k] * sign(k)).sum();
            tracker.step(clean + 0.1 + 0.3 * chance.normal(), run);
        }
        for (tap, right) in tracker.taps().iter().zip(&right) {
            assert!((tap - right).abs() < 0.07, "{tap} {right}");
        }
        assert!((tracker.offset() - 0.1).abs() < 0.06);
        assert!((tracker.noise() - 0.09).abs() < 0.04);
    }
}
