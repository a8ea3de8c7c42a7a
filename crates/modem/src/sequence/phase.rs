//! The reader with one amplitude and one phase that runs on from symbol to symbol.
//!
//! Every survivor predicts the next symbol from its own amplitude, phase and frequency, which it
//! corrects with each symbol. The reader as a whole follows what changes slowly: how unlike the
//! two tones are in level and phase, and the symbol clock.

use num_complex::Complex32;

use super::finder::Hit;
use super::ring::Ring;
use super::traceback::{Bit, Traceback};
use super::{Line, PhaseRecipe};
use crate::recipe::SAMPLES_PER_SYMBOL;

const N: usize = SAMPLES_PER_SYMBOL;

/// What the slow loops take over of what is new, with each symbol.
const RATIO_GAIN: f32 = 0.01;
/// By how many symbols the ratio of the tones lags behind a steady change of it: every symbol tells
/// of one of them, moves that by the gain and the other by half of it the other way.
pub(super) const RATIO_LAG: f64 = 1.0 / (0.75 * RATIO_GAIN as f64);
const TIMING_GAIN: f32 = 0.02;
/// At first the clock learns faster, so that senders with an odd rate are caught while they still
/// send flags: like the mean of so many symbols, over so many before the first.
const TIMING_FIRST: (f32, f32) = (4.0, 60.0);
/// Symbol rates may be off by this share.
const RATE_LIMIT: f32 = 0.04;
const NOISE_GAIN: f32 = 0.02;
/// The noise of either tone is learned slowly, from a first guess that counts as so many symbols.
const WEIGHT_GAIN: f32 = 0.005;
const WEIGHT_FIRST: f32 = 40.0;
/// A symbol with less than this share of the power of the latest ones is silence.
pub(super) const SILENT: f32 = 1e-3;
/// So many of them in a row are the end.
pub(super) const MOST_SILENT: usize = 24;
/// Noise may be so many times as strong at one tone as at the other.
const MOST_UNLIKE: f32 = 4.0;
/// A single symbol may correct the frequency by no more than that of so large an error, radians.
const LARGEST_ERROR: f32 = 1.0;
/// The frequency may move so far from where it was found, radians a symbol.
const WIDEST: f32 = 0.6;

/// One path through the trellis.
#[derive(Clone, Copy, Debug)]
struct Survivor {
    metric: f32,
    levels: u64,
    /// Amplitude and phase at the beginning of the next symbol.
    amplitude: Complex32,
    /// How far off the reader's own frequency, radians a symbol.
    turn: f32,
    noise: f32,
}

/// What the reader makes of the latest symbol.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Probe {
    /// Amplitudes of the tones, by level; `None` for a tone that the symbol told nothing of.
    pub tones: [Option<f32>; 2],
    /// Power of the noise in one symbol.
    pub noise: f32,
    /// How far off tune, radians a sample.
    pub offset: f64,
    /// The share of the power that is explained, 0 to 1, over the latest symbols.
    pub share: f32,
    /// How much longer a symbol is than the nominal one, as a share.
    pub longer: f32,
    /// Mark against space; its angle tells how late the symbols come by the tones' phases.
    pub skew: Complex32,
}

/// The reader.
#[derive(Clone, Debug)]
pub(super) struct PhaseReader {
    line: Line,
    recipe: PhaseRecipe,
    survivors: Vec<Survivor>,
    next: Vec<Survivor>,
    traceback: Traceback,
    /// Where the next symbol begins, samples.
    at: f64,
    /// Off tune when found, radians a sample.
    base: f64,
    /// By how much a symbol is longer than `N`, samples.
    longer: f32,
    /// What either tone's amplitude is multiplied with; index is the level.
    ratio: [Complex32; 2],
    seen: [f32; 2],
    /// Power of the noise at either tone; it is unlike behind an FM discriminator.
    noise: [f32; 2],
    /// What an error at either tone counts for: more where there is less noise.
    weight: [f32; 2],
    /// Power that was predicted, over the latest symbols.
    power: f32,
    /// Symbols of silence in a row.
    silent: usize,
    probe: Probe,
    /// The flags that it began with, and how many of their symbols it has read.
    began: Option<(Hit, usize)>,
    /// How either tone turns the phase over the next symbol.
    advance: [Complex32; 2],
}

impl PhaseReader {
    pub fn new(line: Line, recipe: PhaseRecipe) -> Self {
        let states = 1 << recipe.memory;
        let idle = Survivor {
            metric: 0.0,
            levels: 0,
            amplitude: Complex32::default(),
            turn: 0.0,
            noise: 1.0,
        };
        PhaseReader {
            line,
            recipe,
            survivors: vec![idle; states],
            next: vec![idle; states],
            traceback: Traceback::new(states),
            at: 0.0,
            base: 0.0,
            longer: 0.0,
            ratio: [Complex32::new(1.0, 0.0); 2],
            seen: [0.0; 2],
            noise: [1.0; 2],
            weight: [1.0; 2],
            power: 0.0,
            silent: 0,
            probe: Probe::default(),
            began: None,
            advance: [Complex32::default(); 2],
        }
    }

    /// Begins anew at flags that were found.
    pub fn start(&mut self, hit: &Hit) {
        let noise = hit.amplitude.norm_sqr() * (1.0 / hit.share.max(0.05) - 1.0).max(0.01) * 0.4;
        let first = Survivor {
            metric: 0.0,
            levels: 0,
            amplitude: hit.amplitude,
            turn: 0.0,
            noise,
        };
        self.survivors.fill(first);
        self.traceback.reset();
        self.began = Some((*hit, 0));
        self.power = hit.amplitude.norm_sqr();
        self.silent = 0;
        self.at = hit.at;
        self.base = hit.offset;
        self.longer = 0.0;
        self.ratio = [Complex32::new(1.0, 0.0); 2];
        self.seen = [0.0; 2];
        self.noise = [noise; 2];
        self.weight = [1.0; 2];
        self.advance = [0, 1].map(|level| cis((self.line.tone(level) + self.base) * N as f64));
        self.probe = Probe {
            noise,
            offset: hit.offset,
            share: 0.7,
            ..Probe::default()
        };
    }

    /// Where the next symbol begins, samples.
    pub fn at(&self) -> f64 {
        self.at
    }

    /// What it makes of the latest symbol.
    pub fn probe(&self) -> Probe {
        self.probe
    }

    /// Reads the next symbol, if its samples are there. The bit that it tells is an earlier one.
    pub fn step(&mut self, ring: &Ring) -> Option<Option<Bit>> {
        let whole = self.at.floor();
        let share = (self.at - whole) as f32;
        let samples = ring.get((whole as u64).checked_sub(1)?, N + 3)?;
        let tones = [0, 1].map(|level| {
            let radians = self.line.tone(level) + self.probe.offset;
            correlate(samples, radians, share)
        });
        let known = self.began.and_then(|(hit, symbol)| hit.known(symbol));
        self.began = self
            .began
            .filter(|_| known.is_some())
            .map(|(hit, n)| (hit, n + 1));
        let best = self.advance(tones.map(|t| t.here), known);
        self.follow(&tones, best);
        // The next symbol turns the phase for as long as it lasts.
        let length = N as f64 + f64::from(self.longer);
        self.advance = [0, 1].map(|level| cis((self.line.tone(level) + self.base) * length));
        self.at += N as f64 + f64::from(self.longer);
        std::mem::swap(&mut self.survivors, &mut self.next);
        let latest = self.survivors[best.state];
        self.probe.noise = latest.noise;
        self.probe.offset = self.base + f64::from(latest.turn) / N as f64;
        let middle = self.at - N as f64 / 2.0;
        let place = self.line.place(middle);
        Some(self.traceback.step(latest.levels, place, latest.noise))
    }

    /// Extends every survivor by one symbol. Tells the best of them and where it came from.
    /// `known` is the symbol's level, if that is known.
    fn advance(&mut self, heard: [Complex32; 2], known: Option<usize>) -> Best {
        let states = self.survivors.len();
        let ratio = self.ratio;
        let power = ratio.map(|r| r.norm_sqr());
        let seen = [heard[0] * ratio[0].conj(), heard[1] * ratio[1].conj()];
        let losers = self.traceback.losers();
        let mut best = Best::default();
        for (state, loser) in losers.iter_mut().enumerate() {
            let level = state & 1;
            let (x, p, weight) = (seen[level], power[level], self.weight[level]);
            let metric = |s: &Survivor| {
                let a = s.amplitude;
                s.metric + weight * (2.0 * (a.re * x.re + a.im * x.im) - a.norm_sqr() * p)
            };
            let (a, b) = (state >> 1, (state >> 1) | (states >> 1));
            let (ma, mb) = (metric(&self.survivors[a]), metric(&self.survivors[b]));
            let denied = known.is_some_and(|known| known != level);
            let (from, other, metric, behind) = if ma >= mb {
                (a, b, ma, ma - mb)
            } else {
                (b, a, mb, mb - ma)
            };
            let metric = if denied { f32::MIN / 4.0 } else { metric };
            let s = self.survivors[from];
            loser.behind = behind;
            loser.differs = (s.levels ^ self.survivors[other].levels) << 1;
            let error = x - s.amplitude * p;
            let off = error * s.amplitude.conj() / s.amplitude.norm_sqr().max(f32::MIN_POSITIVE);
            let turn =
                s.turn + self.recipe.frequency_gain * off.im.clamp(-LARGEST_ERROR, LARGEST_ERROR);
            let turn = turn.clamp(-WIDEST, WIDEST);
            let wrong = weight * (heard[level] - s.amplitude * ratio[level]).norm_sqr();
            self.next[state] = Survivor {
                metric,
                levels: s.levels << 1 | level as u64,
                amplitude: (s.amplitude + error * self.recipe.gain)
                    * self.advance[level]
                    * small_turn(turn),
                turn,
                noise: s.noise + NOISE_GAIN * (wrong - s.noise),
            };
            if state == 0 || metric > best.metric {
                best = Best {
                    state,
                    from,
                    metric,
                };
            }
        }
        self.next.iter_mut().for_each(|s| s.metric -= best.metric);
        best
    }

    /// Lets the slow loops follow what the best survivor decided.
    fn follow(&mut self, tones: &[Correlation; 2], best: Best) {
        // In digital silence power and noise fade alike: it has to be told by itself.
        let loudest = tones[0].here.norm_sqr().max(tones[1].here.norm_sqr());
        if loudest <= SILENT * self.power {
            self.silent += 1;
            if self.silent > MOST_SILENT {
                self.probe.share = 0.0;
            }
            return;
        }
        self.silent = 0;
        let level = best.state & 1;
        let predicted = self.survivors[best.from].amplitude * self.ratio[level];
        let power = predicted.norm_sqr().max(f32::MIN_POSITIVE);
        let relative = tones[level].here * predicted.conj() / power - 1.0;
        let relative = Complex32::new(relative.re.clamp(-1.5, 1.5), relative.im.clamp(-1.5, 1.5));
        self.seen[level] += 1.0;
        let gain = RATIO_GAIN.max(1.0 / (self.seen[level] + 2.0));
        // What both tones have in common is the amplitude's to follow.
        self.ratio[level] *= 1.0 + relative * gain;
        self.ratio[level ^ 1] *= 1.0 - relative * (0.5 * gain);
        let size = (0.5 * (self.ratio[0].norm_sqr() + self.ratio[1].norm_sqr())).sqrt();
        self.ratio = self.ratio.map(|r| r / size);
        // Later minus earlier: positive if the symbol lies later than thought.
        let common = self.survivors[best.from].amplitude.norm_sqr();
        let slope =
            ((tones[level].later - tones[level].earlier) * predicted.conj()).re / power.max(common);
        let slope = slope.clamp(-1.0, 1.0);
        let (weight, before) = TIMING_FIRST;
        let gain = TIMING_GAIN.max(weight / (self.seen[0] + self.seen[1] + before));
        // Critically damped: the second loop learns the rate.
        self.longer += gain * gain / 4.0 * slope * N as f32;
        self.longer = self
            .longer
            .clamp(-RATE_LIMIT * N as f32, RATE_LIMIT * N as f32);
        let later = f64::from(gain * slope * N as f32);
        self.at += later;
        // Until the next symbol begins the latest tone goes on for so much longer.
        let on = [0, 1].map(|level| cis(self.line.tone(level) * later) * size);
        let levels = self.next.iter_mut().zip([0, 1].into_iter().cycle());
        levels.for_each(|(s, level)| s.amplitude *= on[level]);
        let wrong = (tones[level].here - predicted).norm_sqr();
        let gain = WEIGHT_GAIN.max(1.0 / (self.seen[level] + WEIGHT_FIRST));
        self.noise[level] += gain * (wrong - self.noise[level]);
        let [a, b] = self.noise;
        let mean = 2.0 * a * b / (a + b).max(f32::MIN_POSITIVE);
        self.weight = self
            .noise
            .map(|n| (mean / n.max(f32::MIN_POSITIVE)).clamp(1.0 / MOST_UNLIKE, MOST_UNLIKE));
        self.power += NOISE_GAIN * (power - self.power);
        self.probe.share = self.power / (self.power + self.probe.noise);
        // What lies in the predicted phase: the mean of it is right before the ratio is.
        self.probe.tones = [None; 2];
        self.probe.tones[level] = Some((1.0 + relative.re) * power.sqrt());
        self.probe.longer = self.longer / N as f32;
        self.probe.skew = self.ratio[1] * self.ratio[0].conj();
    }
}

/// The best path.
#[derive(Clone, Copy, Debug, Default)]
struct Best {
    state: usize,
    from: usize,
    metric: f32,
}

/// A symbol's correlation with one tone, at the time in question and an eighth of a symbol
/// before and after it; all with the phase counted from the time in question.
#[derive(Clone, Copy, Debug)]
struct Correlation {
    earlier: Complex32,
    here: Complex32,
    later: Complex32,
}

/// Correlates `N` samples with a tone. The first of `samples` lies one before the whole part of
/// the time, `share` is the rest.
fn correlate(samples: &[Complex32], radians: f64, share: f32) -> Correlation {
    let step = cis(-radians);
    let mut turned = [Complex32::default(); N + 3];
    let mut turn = cis(radians * (1.0 + f64::from(share)));
    for (y, &x) in turned.iter_mut().zip(samples) {
        *y = x * turn;
        turn *= step;
    }
    let first: Complex32 = turned[..N].iter().sum();
    let second = first - turned[0] + turned[N];
    let third = second - turned[1] + turned[N + 1];
    let fourth = third - turned[2] + turned[N + 2];
    let between = |a: Complex32, b: Complex32| (a + (b - a) * share) / N as f32;
    Correlation {
        earlier: between(first, second),
        here: between(second, third),
        later: between(third, fourth),
    }
}

pub(super) fn cis(angle: f64) -> Complex32 {
    Complex32::new(angle.cos() as f32, angle.sin() as f32)
}

/// exp(j x) for small x.
pub(super) fn small_turn(x: f32) -> Complex32 {
    let square = x * x;
    Complex32::new(
        1.0 - square * (0.5 - square / 24.0),
        x * (1.0 - square / 6.0),
    )
}
