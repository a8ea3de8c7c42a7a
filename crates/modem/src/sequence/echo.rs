//! The reader that learns the echoes of the path.
//!
//! On HF the same signal comes by several ways that differ in time by a good part of a symbol,
//! and each fades by itself. Every survivor holds the path as a short filter with taps half a
//! symbol apart and corrects it with each symbol. What the taps can learn from a signal of two
//! tones is uneven, so their correction is weighted with the inverse of the signal's own
//! correlation (a fixed gain for each direction instead of a full least-squares recursion).
//!
//! Literature: R. Raheli, A. Polydoros and C.-K. Tzou, "Per-survivor processing", IEEE Trans.
//! Communications 43 (1995); S. Haykin, Adaptive Filter Theory, LMS-Newton (from memory).

use std::f64::consts::TAU;

use num_complex::Complex32;

use super::finder::Hit;
use super::phase::{MOST_SILENT, Probe, SILENT, cis, small_turn};
use super::ring::Ring;
use super::traceback::{Bit, Traceback};
use super::{EchoRecipe, Line};
use crate::recipe::SAMPLES_PER_SYMBOL;

const N: usize = SAMPLES_PER_SYMBOL;
/// Taps, half a symbol apart; the one in the middle is the path that the flags came by.
const TAPS: usize = 5;
/// Samples of a symbol that are compared.
const LOOKS: usize = 4;
/// Input samples of one look.
const WIDTH: usize = N / LOOKS;
const NOISE_GAIN: f32 = 0.02;
const LARGEST_ERROR: f32 = 1.0;
const WIDEST: f32 = 0.6;
/// How fast the symbol clock follows the middle of the taps.
const TIMING_GAIN: f32 = 0.002;

/// What a look expects of each tap.
type Template = [[Complex32; TAPS]; LOOKS];

#[derive(Clone, Copy, Debug)]
struct Survivor {
    metric: f32,
    levels: u64,
    /// The path, with the phase at the beginning of the symbol that is compared next.
    taps: [Complex32; TAPS],
    turn: f32,
    noise: f32,
}

/// A way to extend a survivor.
#[derive(Clone, Copy)]
struct Step {
    from: usize,
    metric: f32,
    error: [Complex32; LOOKS],
}

/// The reader.
#[derive(Clone, Debug)]
pub(super) struct EchoReader {
    line: Line,
    recipe: EchoRecipe,
    survivors: Vec<Survivor>,
    next: Vec<Survivor>,
    traceback: Traceback,
    /// For the symbol before, the one compared and the one after it, as three bits.
    templates: Vec<Template>,
    /// The inverse of the signal's correlation over the taps.
    weights: [[f32; TAPS]; TAPS],
    advance: [Complex32; 2],
    /// Where the symbol begins that is compared next; the newest one begins a symbol later.
    at: f64,
    base: f64,
    /// Power of the latest symbols, and how many have been silent since.
    lately: f32,
    silent: usize,
    probe: Probe,
    /// What a correlation over a whole symbol would leave of the noise of one look.
    noise_left: f32,
}

impl EchoReader {
    pub fn new(line: Line, recipe: EchoRecipe) -> Self {
        let states = 1 << recipe.memory.max(3);
        let idle = Survivor {
            metric: 0.0,
            levels: 0,
            taps: [Complex32::default(); TAPS],
            turn: 0.0,
            noise: 1.0,
        };
        let templates: Vec<Template> = (0..8).map(|bits| template(&line, bits)).collect();
        EchoReader {
            line,
            recipe,
            survivors: vec![idle; states],
            next: vec![idle; states],
            traceback: Traceback::new(states),
            weights: weights(&templates, recipe.damping),
            templates,
            advance: [0, 1].map(|level| cis(line.tone(level) * N as f64)),
            at: 0.0,
            base: 0.0,
            lately: 0.0,
            silent: 0,
            probe: Probe::default(),
            noise_left: noise_left(&line),
        }
    }

    /// Begins anew at flags that were found.
    pub fn start(&mut self, hit: &Hit) {
        let noise = hit.amplitude.norm_sqr() * (1.0 / hit.share.max(0.05) - 1.0).max(0.01);
        let mut taps = [Complex32::default(); TAPS];
        // The samples are turned back by the offset from sample 0 on.
        taps[TAPS / 2] = hit.amplitude * cis(-(hit.offset * hit.at).rem_euclid(TAU));
        self.survivors.fill(Survivor {
            metric: 0.0,
            levels: 0,
            taps,
            turn: 0.0,
            noise,
        });
        self.traceback.reset();
        self.at = hit.at;
        self.base = hit.offset;
        self.lately = 0.0;
        self.silent = 0;
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
        let heard = self.looks(ring)?;
        let best = self.advance(&heard);
        self.listen_for_silence(&heard);
        std::mem::swap(&mut self.survivors, &mut self.next);
        let latest = self.survivors[best];
        self.note(&latest);
        // The newest symbol is the one after that which was compared.
        let place = self.line.place(self.at + 1.5 * N as f64);
        self.at += N as f64;
        self.centre(&latest);
        Some(self.traceback.step(latest.levels, place, latest.noise))
    }

    /// In digital silence signal and noise fade alike, so it has to be told by itself.
    fn listen_for_silence(&mut self, heard: &[Complex32; LOOKS]) {
        let power = heard.iter().map(Complex32::norm_sqr).sum::<f32>();
        if power <= SILENT * self.lately {
            self.silent += 1;
        } else {
            self.silent = 0;
            self.lately += NOISE_GAIN * (power - self.lately);
        }
    }

    /// The samples of the symbol that is compared, turned back by the offset.
    fn looks(&self, ring: &Ring) -> Option<[Complex32; LOOKS]> {
        let first = self.at + (WIDTH as f64 - 1.0) / 2.0 - (WIDTH as f64 / 2.0 - 0.5);
        let whole = first.floor();
        let share = (first - whole) as f32;
        let samples = ring.get(whole as u64, N + 1)?;
        let mut out = [Complex32::default(); LOOKS];
        let start = cis(-(self.base * (self.at + WIDTH as f64 / 2.0)).rem_euclid(TAU));
        let step = cis(-self.base * WIDTH as f64);
        let mut turn = start;
        for (look, sum) in out.iter_mut().enumerate() {
            let part = &samples[look * WIDTH..];
            let mean: Complex32 = (0..WIDTH)
                .map(|k| part[k] + (part[k + 1] - part[k]) * share)
                .sum();
            *sum = mean * turn / WIDTH as f32;
            turn *= step;
        }
        Some(out)
    }

    /// Extends every survivor by one symbol; tells the best.
    fn advance(&mut self, heard: &[Complex32; LOOKS]) -> usize {
        let states = self.survivors.len();
        let mut best = 0;
        for state in 0..states {
            let a = self.extend(state >> 1, state & 1, heard);
            let b = self.extend((state >> 1) | (states >> 1), state & 1, heard);
            let (won, lost) = if a.metric >= b.metric { (a, b) } else { (b, a) };
            let loser = &mut self.traceback.losers()[state];
            loser.behind = won.metric - lost.metric;
            loser.differs =
                (self.survivors[won.from].levels ^ self.survivors[lost.from].levels) << 1;
            self.next[state] = self.learn(&won, state & 1, heard);
            if won.metric > self.next[best].metric {
                best = state;
            }
        }
        let top = self.next[best].metric;
        self.next.iter_mut().for_each(|s| s.metric -= top);
        best
    }

    fn extend(&self, from: usize, level: usize, heard: &[Complex32; LOOKS]) -> Step {
        let s = &self.survivors[from];
        let template = &self.templates[(from << 1 | level) & 7];
        let mut metric = s.metric;
        let mut error = [Complex32::default(); LOOKS];
        for ((error, &heard), row) in error.iter_mut().zip(heard).zip(template) {
            let expected: Complex32 = s.taps.iter().zip(row).map(|(tap, x)| tap * x).sum();
            *error = heard - expected;
            metric -= error.norm_sqr();
        }
        Step {
            from,
            metric,
            error,
        }
    }

    /// The survivor after a step.
    fn learn(&self, step: &Step, level: usize, heard: &[Complex32; LOOKS]) -> Survivor {
        let s = &self.survivors[step.from];
        let template = &self.templates[(step.from << 1 | level) & 7];
        let mut slope = [Complex32::default(); TAPS];
        let (mut off, mut power, mut wrong) = (0.0, f32::MIN_POSITIVE, 0.0);
        for ((&error, &heard), row) in step.error.iter().zip(heard).zip(template) {
            for (sum, x) in slope.iter_mut().zip(row) {
                *sum += x.conj() * error;
            }
            let expected = heard - error;
            off += (heard * expected.conj()).im;
            power += expected.norm_sqr();
            wrong += error.norm_sqr();
        }
        let turn = s.turn
            + self.recipe.frequency_gain * (off / power).clamp(-LARGEST_ERROR, LARGEST_ERROR);
        let turn = turn.clamp(-WIDEST, WIDEST);
        let compared = step.from & 1;
        let advance = self.advance[compared] * small_turn(turn);
        let mut taps = s.taps;
        for (tap, weights) in taps.iter_mut().zip(&self.weights) {
            let change: Complex32 = weights.iter().zip(&slope).map(|(w, s)| s * *w).sum();
            *tap = (*tap + change * self.recipe.gain) * advance;
        }
        Survivor {
            metric: step.metric,
            levels: s.levels << 1 | level as u64,
            taps,
            turn,
            noise: s.noise + NOISE_GAIN * (wrong / LOOKS as f32 - s.noise),
        }
    }

    fn note(&mut self, latest: &Survivor) {
        // The gain of the path at either tone.
        let gain = |level: usize| {
            let tone = self.line.tone(level);
            (0..TAPS)
                .map(|k| latest.taps[k] * cis(-tone * late(k) * N as f64))
                .sum::<Complex32>()
        };
        let (mark, space) = (gain(1), gain(0));
        let skew = mark * space.conj();
        let (mark, space) = (mark.norm_sqr(), space.norm_sqr());
        let power = 0.5 * (mark + space);
        let explained = power / (power + latest.noise).max(f32::MIN_POSITIVE);
        self.probe = Probe {
            tones: [space, mark].map(|power| Some(power.sqrt())),
            noise: latest.noise * self.noise_left,
            offset: self.base + f64::from(latest.turn) / N as f64,
            share: match self.silent > MOST_SILENT {
                true => 0.0,
                false => self.probe.share + NOISE_GAIN * (explained - self.probe.share),
            },
            longer: 0.0,
            skew,
        };
    }

    /// Lets the symbol clock follow the middle of the taps.
    fn centre(&mut self, latest: &Survivor) {
        let power: f32 = latest.taps.iter().map(Complex32::norm_sqr).sum();
        let middle: f32 = (0..TAPS)
            .map(|k| latest.taps[k].norm_sqr() * late(k) as f32)
            .sum();
        if power > f32::MIN_POSITIVE {
            self.at += f64::from(TIMING_GAIN * middle / power) * N as f64;
        }
    }
}

/// What a correlation over a whole symbol leaves of the power of noise that is white within the
/// channel, compared with the mean of two neighbouring samples.
fn noise_left(line: &Line) -> f32 {
    // The gain of that mean is cos(pi f / rate); its square's average over the channel.
    let edge = line.half_bandwidth_hz / (line.baud * N as f64);
    let passed = 0.5 + (TAU * edge).sin() / (2.0 * TAU * edge);
    (line.baud / (2.0 * line.half_bandwidth_hz * passed)) as f32
}

/// How late a tap is, symbols.
fn late(tap: usize) -> f64 {
    0.5 * (tap as f64 - (TAPS / 2) as f64)
}

/// What the looks of the middle one of three symbols expect of each tap, with the phase counted
/// from the beginning of that symbol.
fn template(line: &Line, bits: usize) -> Template {
    let turn = |level: usize| line.tone(level) * N as f64;
    let (before, here, after) = (turn(bits >> 2 & 1), turn(bits >> 1 & 1), turn(bits & 1));
    let phase = |t: f64| {
        if t < 0.0 {
            before * t
        } else if t < 1.0 {
            here * t
        } else {
            here + after * (t - 1.0)
        }
    };
    std::array::from_fn(|look| {
        let t = (look as f64 + 0.5) / LOOKS as f64;
        std::array::from_fn(|tap| cis(phase(t - late(tap))))
    })
}

/// The inverse of the correlation of what the taps see, with damping, for the sum over a symbol.
fn weights(templates: &[Template], damping: f64) -> [[f32; TAPS]; TAPS] {
    let mut m = [[0.0_f64; 2 * TAPS]; TAPS];
    let count = (templates.len() * LOOKS) as f64;
    for row in templates.iter().flatten() {
        for a in 0..TAPS {
            for b in 0..TAPS {
                m[a][b] += f64::from((row[a].conj() * row[b]).re) / count;
            }
        }
    }
    for (k, row) in m.iter_mut().enumerate() {
        row[k] += damping;
        row[TAPS + k] = 1.0;
    }
    // Gauss and Jordan; the damping keeps every pivot well above zero.
    for a in 0..TAPS {
        let pivot = m[a][a];
        m[a].iter_mut().for_each(|x| *x /= pivot);
        let pivot_row = m[a];
        for (b, row) in m.iter_mut().enumerate().filter(|(b, _)| *b != a) {
            let _ = b;
            let share = row[a];
            row.iter_mut()
                .zip(&pivot_row)
                .for_each(|(x, p)| *x -= share * p);
        }
    }
    std::array::from_fn(|a| std::array::from_fn(|b| (m[a][TAPS + b] / LOOKS as f64) as f32))
}
