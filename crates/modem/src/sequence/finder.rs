//! Finds flags: two of them in a row, at any time, off tune by anything up to a limit.
//!
//! A flag has a fixed line pattern: seven symbols of one tone, one of the other. The sound is
//! multiplied with the conjugate of two flags' waveform, in both polarities; if the flags are
//! there a steady tone remains, at the frequency by which the signal is off tune, and a Fourier
//! transform collects it. The share of the power that is in that tone does not depend on the
//! level.
//!
//! Literature: J. G. Proakis, Digital Communications, matched filter; S. Kay, "Fundamentals of
//! statistical signal processing: estimation theory", frequency of a sinusoid in noise.

use std::f64::consts::TAU;
use std::fmt;
use std::sync::Arc;

use num_complex::Complex32;
use rustfft::{Fft, FftPlannerScalar};

use super::ring::Ring;
use super::{Line, SequenceRecipe};
use crate::fir::dot;
use crate::recipe::SAMPLES_PER_SYMBOL;

const N: usize = SAMPLES_PER_SYMBOL;
/// Symbols of two flags.
const SYMBOLS: usize = 16;
/// Samples of two flags.
const SPAN: usize = SYMBOLS * N;
/// Products are added up over this many samples before the transform.
const BLOCK: usize = 2;
const BLOCKS: usize = SPAN / BLOCK;
/// Length of the transform: the blocks and as many zeros.
const LENGTH: usize = 2 * BLOCKS;
/// From one look to the next, samples: half a symbol.
const HOP: usize = N / 2;
/// A closer look is taken at this share of the threshold.
const NEARLY: f32 = 0.7;
/// So long after a first find a better one may still come, samples.
const PATIENCE: u64 = 4 * N as u64;
/// Samples after the start of two flags until they are told of, at most.
pub(super) const REACH: usize = SPAN + PATIENCE as usize + 2 * HOP;
/// With so few frequencies a direct sum is cheaper than a transform.
const FEW: usize = 7;
/// Products are added up over this many samples before a direct sum; all its frequencies are low.
const WIDE_BLOCK: usize = 4;
const WIDE_BLOCKS: usize = SPAN / WIDE_BLOCK;

/// Real and imaginary parts apart, so that the processor can work on several at a time.
#[derive(Clone, Copy, Debug)]
struct Parts<const COUNT: usize> {
    re: [f32; COUNT],
    im: [f32; COUNT],
}

impl<const COUNT: usize> Parts<COUNT> {
    const ZERO: Self = Parts {
        re: [0.0; COUNT],
        im: [0.0; COUNT],
    };

    fn of(value: impl Fn(usize) -> Complex32) -> Self {
        Parts {
            re: std::array::from_fn(|k| value(k).re),
            im: std::array::from_fn(|k| value(k).im),
        }
    }

    /// Times another, and times its conjugate: the four products of the parts are the same.
    fn times_both(&self, other: &Self) -> [Self; 2] {
        let [mut plain, mut conjugate] = [Self::ZERO; 2];
        for k in 0..COUNT {
            let (rr, ii) = (self.re[k] * other.re[k], self.im[k] * other.im[k]);
            let (ri, ir) = (self.re[k] * other.im[k], self.im[k] * other.re[k]);
            (plain.re[k], plain.im[k]) = (rr - ii, ri + ir);
            (conjugate.re[k], conjugate.im[k]) = (rr + ii, ir - ri);
        }
        [plain, conjugate]
    }

    /// The sum of `COUNT / SHORT` neighbours each.
    fn blocks<const SHORT: usize>(&self) -> Parts<SHORT> {
        let width = COUNT / SHORT;
        let sum = |row: &[f32; COUNT], k: usize| row[k * width..(k + 1) * width].iter().sum();
        Parts {
            re: std::array::from_fn(|k| sum(&self.re, k)),
            im: std::array::from_fn(|k| sum(&self.im, k)),
        }
    }

    /// The sum of the products with another, and with its conjugate.
    fn dot_both(&self, other: &Self) -> [Complex32; 2] {
        let [rr, ii] = [dot(&self.re, &other.re), dot(&self.im, &other.im)];
        let [ri, ir] = [dot(&self.re, &other.im), dot(&self.im, &other.re)];
        [
            Complex32::new(rr - ii, ri + ir),
            Complex32::new(rr + ii, ir - ri),
        ]
    }
}

/// Two flags that were found.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    /// Where they begin, samples.
    pub at: f64,
    /// Amplitude and phase there.
    pub amplitude: Complex32,
    /// How far off tune, radians a sample.
    pub offset: f64,
    /// The share of the sound's power that is theirs, 0 to 1.
    pub share: f32,
    /// The level of the line before them.
    pub level: usize,
}

impl Hit {
    /// The level of a symbol of these flags; `None` after their end.
    pub fn known(&self, symbol: usize) -> Option<usize> {
        // Every zero changes the level; of the bits 01111110 the first and the last are zeros.
        let changes =
            symbol / FLAG.len() * 2 + usize::from(symbol % FLAG.len() == FLAG.len() - 1) + 1;
        (symbol < SYMBOLS).then_some((self.level + changes) & 1)
    }
}

/// A flag's bits.
const FLAG: [bool; 8] = [false, true, true, true, true, true, true, false];

/// Looks for flags.
#[derive(Clone)]
pub(super) struct Finder {
    /// The conjugate waveform of two flags on a line that has level 0 before them. That of the other
    /// level is its conjugate: the tones lie as far to one side of the centre as to the other.
    waveform: Box<Parts<SPAN>>,
    transform: Arc<dyn Fft<f32>>,
    scratch: Vec<Complex32>,
    spectrum: Vec<Complex32>,
    /// Bins either side of zero that are looked at.
    reach: usize,
    /// For few bins: the turns over the blocks of each bin from 0 up. Those of the bin as far below
    /// are their conjugates.
    turns: Vec<Parts<WIDE_BLOCKS>>,
    threshold: f32,
    next: u64,
    best: Option<Hit>,
}

impl fmt::Debug for Finder {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Finder").finish_non_exhaustive()
    }
}

impl Finder {
    pub fn new(line: &Line, recipe: &SequenceRecipe) -> Self {
        let transform = FftPlannerScalar::new().plan_fft_forward(LENGTH);
        let scratch = vec![Complex32::default(); transform.get_inplace_scratch_len()];
        let bin_hz = line.hertz(TAU / (LENGTH * BLOCK) as f64);
        // One bin more, so that a peak at the edge can be interpolated.
        let reach = (recipe.search_hz / bin_hz).ceil() as usize + 1;
        let reach = reach.min(LENGTH / 2 - 1);
        let turn = |bin: usize| {
            let step = -TAU * bin as f64 / (LENGTH * BLOCK) as f64;
            Parts::of(|b| cis(step * (b * WIDE_BLOCK) as f64))
        };
        Finder {
            waveform: waveform(line),
            transform,
            scratch,
            spectrum: vec![Complex32::default(); LENGTH],
            reach,
            turns: if 2 * reach < FEW {
                (0..=reach).map(turn).collect()
            } else {
                Vec::new()
            },
            threshold: recipe.threshold,
            next: 0,
            best: None,
        }
    }

    /// The next find among the samples that are there, once no better one can follow it.
    pub fn find(&mut self, ring: &Ring) -> Option<Hit> {
        self.next = self.next.max(ring.start() + N as u64);
        while self.next + (SPAN + HOP) as u64 <= ring.end() {
            let at = self.next;
            self.next += HOP as u64;
            if let Some(hit) = self.look(ring, at)
                && hit.share > NEARLY * self.threshold
            {
                self.closer(ring, at, hit);
            }
            if let Some(best) = self.best
                && at as f64 >= best.at + PATIENCE as f64
            {
                self.best = None;
                return Some(best);
            }
        }
        None
    }

    /// Looks half a step to either side and keeps the best.
    fn closer(&mut self, ring: &Ring, at: u64, hit: Hit) {
        let half = (HOP / 2) as u64;
        let before = at.checked_sub(half).and_then(|t| self.look(ring, t));
        let after = self.look(ring, at + half);
        let side = |h: Option<Hit>| h.map_or(0.0, |h| h.share);
        let (b, a) = (side(before), side(after));
        let mut best = [before, after]
            .into_iter()
            .flatten()
            .fold(hit, |x, y| if y.share > x.share { y } else { x });
        if best.share == hit.share {
            // A parabola through the three tells the place between.
            let bend = b - 2.0 * hit.share + a;
            if bend < 0.0 {
                let shift = f64::from(0.5 * (b - a) / bend) * half as f64;
                best.at += shift;
            }
        }
        if best.share > self.threshold && self.best.is_none_or(|known| best.share > known.share) {
            self.best = Some(best);
        }
    }

    /// The strongest flags that begin at a place.
    fn look(&mut self, ring: &Ring, at: u64) -> Option<Hit> {
        let samples = ring.get(at, SPAN)?;
        let samples = Parts::<SPAN>::of(|k| samples[k]);
        let power = dot(&samples.re, &samples.re) + dot(&samples.im, &samples.im);
        if power <= f32::MIN_POSITIVE {
            return None;
        }
        let mut found: Option<Hit> = None;
        let both = samples.times_both(&self.waveform);
        for (level, turned) in both.iter().enumerate() {
            let (bin, value, shift) = self.strongest(turned);
            let share = value.norm_sqr() / (power * SPAN as f32);
            if found.is_none_or(|f| share > f.share) {
                let offset = TAU * (bin as f64 + shift) / (LENGTH * BLOCK) as f64;
                found = Some(Hit {
                    at: at as f64,
                    // The interpolated tone turns by less than half a bin over the span.
                    amplitude: value
                        * cis(-std::f64::consts::PI * shift * SPAN as f64 / (LENGTH * BLOCK) as f64)
                        / SPAN as f32,
                    offset,
                    share,
                    level,
                });
            }
        }
        found
    }

    /// The strongest frequency: its bin, its value, and how far beside the bin it lies.
    fn strongest(&mut self, turned: &Parts<SPAN>) -> (isize, Complex32, f64) {
        let reach = self.reach as isize;
        if self.turns.is_empty() {
            let blocks = turned.blocks::<BLOCKS>();
            for (k, x) in self.spectrum[..BLOCKS].iter_mut().enumerate() {
                *x = Complex32::new(blocks.re[k], blocks.im[k]);
            }
            self.spectrum[BLOCKS..].fill(Complex32::default());
            self.transform
                .process_with_scratch(&mut self.spectrum, &mut self.scratch);
        } else {
            let blocks = turned.blocks::<WIDE_BLOCKS>();
            for (bin, turns) in self.turns.iter().enumerate() {
                let [above, below] = blocks.dot_both(turns);
                self.spectrum[(LENGTH - bin) % LENGTH] = below;
                self.spectrum[bin] = above;
            }
        }
        let value = |bin: isize| self.spectrum[bin.rem_euclid(LENGTH as isize) as usize];
        let inner = (1 - reach)..reach;
        let best = inner.max_by(|&a, &b| value(a).norm_sqr().total_cmp(&value(b).norm_sqr()));
        let best = best.unwrap_or(0);
        let [l, m, r] = [best - 1, best, best + 1].map(|bin| f64::from(value(bin).norm()));
        let bend = l - 2.0 * m + r;
        let shift = if bend < 0.0 {
            (0.5 * (l - r) / bend).clamp(-0.5, 0.5)
        } else {
            0.0
        };
        (best, value(best), shift)
    }
}

fn cis(angle: f64) -> Complex32 {
    Complex32::new(angle.cos() as f32, angle.sin() as f32)
}

/// The conjugate waveform of two flags on a line that has level 0 before them.
fn waveform(line: &Line) -> Box<Parts<SPAN>> {
    let (mut level, mut phase) = (0, 0.0);
    let mut out = Parts::ZERO;
    for n in 0..SPAN {
        if n % N == 0 && !FLAG[n / N % FLAG.len()] {
            level ^= 1;
        }
        let value = cis(-phase);
        (out.re[n], out.im[n]) = (value.re, value.im);
        phase += line.tone(level);
    }
    Box::new(out)
}
