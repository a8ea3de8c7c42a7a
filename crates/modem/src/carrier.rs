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

/// Values at each phase of the symbol clock. All phases are reckoned side by side, because most
/// of a receiver's time is spent on noise and here.
type Phases = [f32; N];

/// One symbol.
#[derive(Clone, Copy, Debug, Default)]
pub struct Symbol {
    value: Phases,
    /// How strong it was; only for tones.
    power: Phases,
}

/// How well a window of symbols looks like data, 0 to 1.
pub trait Quality {
    /// The quality at each phase of the symbol clock, reckoned quickly; `symbols` in order of
    /// time, at least one.
    fn quality(symbols: &[Symbol]) -> Phases;

    /// The quality at one phase less what speaks against data; `plain` is what
    /// [`quality`](Quality::quality) gave.
    fn judged(symbols: &[Symbol], phase: usize, plain: &Phases) -> f32;
}

/// For tones: a value is the difference of the two tones' power over its sum. Both tones
/// must occur, so that a steady tone is not taken for data.
#[derive(Clone, Copy, Debug)]
pub struct ToneContrast;

/// How much unevenness of a tone's power speaks against data: a sender's tones are steady, noise
/// and the pulses of a voice are not.
const UNEVEN: f32 = 0.4;
/// The rarer tone must be as clear as this on average; in a voice it is a stray symbol.
const RARER_CLEAR: f32 = 0.55;
/// Half a symbol from the right phase lie the changes of tone, and the symbols must be less clear
/// by this.
const CLEARER_THAN_BETWEEN: f32 = 0.05;

impl Quality for ToneContrast {
    fn quality(symbols: &[Symbol]) -> Phases {
        let (mut sum, mut least, mut most) = ([0.0; N], [0.0_f32; N], [0.0_f32; N]);
        for symbol in symbols {
            for p in 0..N {
                let v = symbol.value[p];
                sum[p] += v.abs();
                least[p] = if v < least[p] { v } else { least[p] };
                most[p] = if v > most[p] { v } else { most[p] };
            }
        }
        let n = symbols.len() as f32;
        let both = |p: usize| least[p] < -0.4 && most[p] > 0.4;
        std::array::from_fn(|p| if both(p) { sum[p] / n } else { 0.0 })
    }

    fn judged(symbols: &[Symbol], phase: usize, plain: &Phases) -> f32 {
        let (n, plain) = (symbols.len(), plain[phase]);
        // Of either tone: symbols, clearness, power and its square.
        let mut tones = [[0.0_f32; 4]; 2];
        let (mut changes, mut between, mut before) = (0, 0.0, None);
        for symbol in symbols {
            let (value, power) = (symbol.value[phase], symbol.power[phase]);
            let tone = usize::from(value > 0.0);
            let new = [1.0, value.abs(), power, power * power];
            tones[tone].iter_mut().zip(new).for_each(|(t, v)| *t += v);
            changes += usize::from(before.is_some_and(|b| b != tone));
            before = Some(tone);
            between += symbol.value[(phase + N / 2) % N].abs();
        }
        let rarer = tones[0][0].min(tones[1][0]) as usize;
        let clear = tones
            .iter()
            .all(|[count, clear, ..]| clear > &(RARER_CLEAR * count));
        let timed = plain - between / n as f32 > CLEARER_THAN_BETWEEN;
        if rarer < (n / 10).max(2) || changes < n / 7 || !clear || !timed {
            return 0.0;
        }
        // The variance of each tone's power as a share of the mean's square.
        let uneven = |[count, _, power, square]: [f32; 4]| {
            square * count * count / (power * power).max(f32::MIN_POSITIVE) - count
        };
        let unevenness = tones.into_iter().map(uneven).sum::<f32>() / n as f32;
        plain - UNEVEN * unevenness.max(0.0)
    }
}

/// For levels: how much of the values' scatter is explained by there being two levels.
/// White noise gives 2/pi = 0.64, a clean eye nearly 1.
#[derive(Clone, Copy, Debug)]
pub struct TwoLevels;

impl Quality for TwoLevels {
    fn quality(symbols: &[Symbol]) -> Phases {
        let n = symbols.len() as f32;
        let mut mean = [0.0; N];
        for symbol in symbols {
            for (mean, value) in mean.iter_mut().zip(symbol.value) {
                *mean += value / n;
            }
        }
        let (mut above, mut highs, mut scatter) = ([0.0; N], [0.0; N], [0.0; N]);
        for symbol in symbols {
            for p in 0..N {
                let d = symbol.value[p] - mean[p];
                above[p] += if d > 0.0 { d } else { 0.0 };
                highs[p] += if d > 0.0 { 1.0 } else { 0.0 };
                scatter[p] += d * d;
            }
        }
        // What lies below the mean is as much as what lies above it.
        let clarity = |p: usize| above[p] * above[p] * n / (highs[p] * (n - highs[p]) * scatter[p]);
        // One value apart from all others is a click, not a level.
        let any = |p: usize| highs[p] > 1.5 && highs[p] < n - 1.5 && scatter[p] > 1e-12;
        std::array::from_fn(|p| if any(p) { clarity(p) } else { 0.0 })
    }

    /// Slow sounds can have two clear levels too, but change rarely, and are as clear half a
    /// symbol later.
    fn judged(symbols: &[Symbol], phase: usize, plain: &Phases) -> f32 {
        let between = plain[(phase + N / 2) % N];
        let n = symbols.len();
        let mean = symbols.iter().map(|s| s.value[phase]).sum::<f32>() / n as f32;
        let change =
            |pair: &[Symbol]| (pair[0].value[phase] > mean) != (pair[1].value[phase] > mean);
        let changes = symbols.windows(2).filter(|pair| change(pair)).count();
        if changes < n / 7 || plain[phase] - between < CLEARER_THAN_BETWEEN {
            0.0
        } else {
            plain[phase]
        }
    }
}

/// Says whether data is being heard.
#[derive(Clone, Debug)]
pub struct CarrierDetector<Q> {
    recipe: CarrierRecipe,
    longest: usize,
    /// The latest `longest` symbols, as a ring that is written twice, so that the latest ones
    /// always lie in one piece.
    symbols: Vec<Symbol>,
    phase: usize,
    slot: usize,
    /// Symbols since the start or since it went off, up to `longest`.
    fresh: usize,
    on: bool,
    kind: std::marker::PhantomData<Q>,
}

impl<Q: Quality> CarrierDetector<Q> {
    /// A detector that starts off.
    pub fn new(recipe: CarrierRecipe) -> Self {
        let windows = recipe.on.iter().chain(recipe.hold);
        let longest = windows.map(|w| w.symbols).max().unwrap_or(1);
        CarrierDetector {
            recipe,
            longest,
            symbols: vec![Symbol::default(); 2 * longest],
            phase: 0,
            slot: 0,
            fresh: 0,
            on: false,
            kind: std::marker::PhantomData,
        }
    }

    /// Whether data is being heard.
    pub fn on(&self) -> bool {
        self.on
    }

    /// Takes the next sample's value, and for tones its power; tells of a change.
    pub fn push(&mut self, value: f32, power: f32) -> Option<bool> {
        for slot in [self.slot, self.slot + self.longest] {
            self.symbols[slot].value[self.phase] = value;
            self.symbols[slot].power[self.phase] = power;
        }
        self.phase += 1;
        if self.phase < N {
            return None;
        }
        self.phase = 0;
        self.fresh = (self.fresh + 1).min(self.longest);
        let any = |windows: &[CarrierWindow], judge: bool| {
            windows.iter().any(|&window| self.reaches(window, judge))
        };
        let now = any(self.recipe.hold, false) && (self.on || any(self.recipe.on, true));
        if self.on && !now {
            // What is over must not bring it back.
            self.fresh = 0;
        }
        self.slot = (self.slot + 1) % self.longest;
        (std::mem::replace(&mut self.on, now) != now).then_some(now)
    }

    /// True if the latest symbols look like data at one phase of the symbol clock. `judge`: and
    /// nothing speaks against it.
    fn reaches(&self, window: CarrierWindow, judge: bool) -> bool {
        if window.symbols > self.fresh {
            return false;
        }
        let end = self.slot + self.longest + 1;
        let symbols = &self.symbols[end - window.symbols..end];
        let qualities = Q::quality(symbols);
        qualities.iter().enumerate().any(|(phase, &quality)| {
            quality >= window.quality
                && (!judge || Q::judged(symbols, phase, &qualities) >= window.quality)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The quality of one value per symbol, the same at every phase.
    fn quality<Q: Quality>(values: &[f32]) -> f32 {
        let symbol = |&v: &f32| Symbol {
            value: [v; N],
            power: [1.0; N],
        };
        let symbols: Vec<Symbol> = values.iter().map(symbol).collect();
        let qualities = Q::quality(&symbols);
        assert!(qualities.iter().all(|q| *q == qualities[0]));
        qualities[0]
    }

    #[test]
    fn two_clean_levels_are_one_and_noise_is_less() {
        assert!(quality::<TwoLevels>(&[1.3, -0.7, 1.3, 1.3, -0.7]) > 0.999);
        assert!(quality::<TwoLevels>(&[-2.0, -1.0, 0.0, 1.0, 2.0]) < 0.8);
        assert_eq!(quality::<TwoLevels>(&[0.5; 12]), 0.0);
    }

    #[test]
    fn a_steady_tone_is_not_data() {
        assert_eq!(quality::<ToneContrast>(&[0.95; 12]), 0.0);
        assert!(quality::<ToneContrast>(&[0.95, -0.95, 0.95, 0.95, 0.95]) > 0.9);
    }
}
