//! Carrier detect from what makes data data: symbols that are decided clearly, and clearly
//! at one phase of the symbol clock. Loudness plays no part.
//!
//! A strong signal is known after a few symbols, a weak one takes more: each window has its
//! own threshold, set so that noise rarely reaches it.
//!
//! Common practice, no source; the thresholds were found by measurement on noise and on
//! made signals.

use crate::recipe::{CarrierRecipe, CarrierWindow, SAMPLES_PER_SYMBOL};

const N: usize = SAMPLES_PER_SYMBOL;

/// How well a window of values at one phase of the symbol clock looks like data, 0 to 1.
pub trait Quality {
    /// `values` are one per symbol, in no particular order.
    fn quality(values: &[f32]) -> f32;
}

/// For tones: a value is the difference of the two tones' power over its sum. Both tones
/// must occur, so that a steady tone is not taken for data.
#[derive(Clone, Copy, Debug)]
pub struct ToneContrast;

impl Quality for ToneContrast {
    fn quality(values: &[f32]) -> f32 {
        let mut sum = 0.0;
        let (mut least, mut most) = (0.0_f32, 0.0_f32);
        for &v in values {
            sum += v.abs();
            least = least.min(v);
            most = most.max(v);
        }
        let both = least < -0.4 && most > 0.4;
        if both { sum / values.len() as f32 } else { 0.0 }
    }
}

/// For levels: how much of the values' scatter is explained by there being two levels.
/// White noise gives 2/pi = 0.64, a clean eye nearly 1.
#[derive(Clone, Copy, Debug)]
pub struct TwoLevels;

impl Quality for TwoLevels {
    fn quality(values: &[f32]) -> f32 {
        let n = values.len() as f32;
        let mean = values.iter().sum::<f32>() / n;
        let (mut high, mut highs, mut scatter) = (0.0, 0.0, 0.0);
        for &v in values {
            let d = v - mean;
            scatter += d * d;
            if d > 0.0 {
                high += d;
                highs += 1.0;
            }
        }
        // The lows' sum is the negative of the highs' sum.
        let lows = n - highs;
        if highs == 0.0 || lows == 0.0 || scatter < 1e-12 {
            return 0.0;
        }
        high * high * (1.0 / highs + 1.0 / lows) / scatter
    }
}

/// Says whether data is being heard.
#[derive(Clone, Debug)]
pub struct CarrierDetector<Q> {
    recipe: CarrierRecipe,
    longest: usize,
    /// For each phase of the symbol clock the latest `longest` values, as a ring that is
    /// written twice, so that the latest ones always lie in one piece.
    values: Vec<f32>,
    phase: usize,
    slot: usize,
    on: bool,
    kind: std::marker::PhantomData<Q>,
}

impl<Q: Quality> CarrierDetector<Q> {
    /// A detector that starts off.
    pub fn new(recipe: CarrierRecipe) -> Self {
        let windows = recipe.on.iter().chain([&recipe.hold]);
        let longest = windows.map(|w| w.symbols).max().unwrap_or(1);
        CarrierDetector {
            recipe,
            longest,
            values: vec![0.0; 2 * longest * N],
            phase: 0,
            slot: 0,
            on: false,
            kind: std::marker::PhantomData,
        }
    }

    /// Whether data is being heard.
    pub fn on(&self) -> bool {
        self.on
    }

    /// Takes the value of the next sample; tells of a change.
    pub fn push(&mut self, value: f32) -> Option<bool> {
        let start = self.phase * 2 * self.longest;
        self.values[start + self.slot] = value;
        self.values[start + self.slot + self.longest] = value;
        self.phase += 1;
        if self.phase < N {
            return None;
        }
        self.phase = 0;
        let now = if self.on {
            self.reaches(self.recipe.hold)
        } else {
            self.recipe.on.iter().any(|&window| self.reaches(window))
        };
        self.slot = (self.slot + 1) % self.longest;
        (std::mem::replace(&mut self.on, now) != now).then_some(now)
    }

    /// True if the latest symbols look like data at one phase of the symbol clock.
    fn reaches(&self, window: CarrierWindow) -> bool {
        let end = self.slot + self.longest + 1;
        self.values
            .chunks_exact(2 * self.longest)
            .any(|phase| Q::quality(&phase[end - window.symbols..end]) >= window.quality)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_clean_levels_are_one_and_noise_is_less() {
        assert!(TwoLevels::quality(&[1.3, -0.7, 1.3, 1.3, -0.7]) > 0.999);
        assert!(TwoLevels::quality(&[-2.0, -1.0, 0.0, 1.0, 2.0]) < 0.8);
        assert_eq!(TwoLevels::quality(&[0.5; 12]), 0.0);
    }

    #[test]
    fn a_steady_tone_is_not_data() {
        assert_eq!(ToneContrast::quality(&[0.95; 12]), 0.0);
        assert!(ToneContrast::quality(&[0.95, -0.95, 0.95, 0.95, 0.95]) > 0.9);
    }
}
