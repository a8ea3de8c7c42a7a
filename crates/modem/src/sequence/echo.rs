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

use super::echo_trellis::{EchoTrellis, Gains, LOOKS, STATES, Survivor, TAPS, Template};
use super::finder::Hit;
use super::phase::{MOST_SILENT, Probe, SILENT, cis};
use super::ring::Ring;
use super::traceback::{Bit, Traceback};
use super::{EchoRecipe, Line};
use crate::recipe::SAMPLES_PER_SYMBOL;

const N: usize = SAMPLES_PER_SYMBOL;
/// Input samples of one look.
const WIDTH: usize = N / LOOKS;
const NOISE_GAIN: f32 = 0.02;
/// How fast the symbol clock follows the middle of the taps.
const TIMING_GAIN: f32 = 0.002;

/// The reader.
#[derive(Clone, Debug)]
pub(super) struct EchoReader {
    line: Line,
    trellis: EchoTrellis,
    traceback: Traceback,
    /// Where the symbol begins that is compared next; the newest one begins a symbol later.
    at: f64,
    base: f64,
    /// Power of the latest symbols, and how many have been silent since.
    lately: f32,
    silent: usize,
    probe: Probe,
    /// What a correlation over a whole symbol would leave of the noise of one look.
    noise_left: f32,
    /// By level: what each tap does to that tone.
    delays: [[Complex32; TAPS]; 2],
}

impl EchoReader {
    pub fn new(line: Line, recipe: EchoRecipe) -> Self {
        let templates: [Template; 8] = std::array::from_fn(|bits| template(&line, bits));
        let gains = Gains {
            taps: recipe.gain,
            frequency: recipe.frequency_gain,
        };
        let weights = weights(&templates, recipe.damping);
        let advance = [0, 1].map(|level| cis(line.tone(level) * N as f64));
        EchoReader {
            line,
            trellis: EchoTrellis::new(gains, &templates, weights, advance),
            traceback: Traceback::new(STATES),
            at: 0.0,
            base: 0.0,
            lately: 0.0,
            silent: 0,
            probe: Probe::default(),
            noise_left: noise_left(&line),
            delays: [0, 1].map(|level| {
                let tone = line.tone(level) * N as f64;
                std::array::from_fn(|tap| cis(-tone * late(tap)))
            }),
        }
    }

    /// Begins anew at flags that were found.
    pub fn start(&mut self, hit: &Hit) {
        let noise = hit.amplitude.norm_sqr() * (1.0 / hit.share.max(0.05) - 1.0).max(0.01);
        let mut taps = [Complex32::default(); TAPS];
        // The samples are turned back by the offset from sample 0 on.
        taps[TAPS / 2] = hit.amplitude * cis(-(hit.offset * hit.at).rem_euclid(TAU));
        self.trellis.start(&Survivor {
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
        let latest = self.trellis.step(&heard, self.traceback.losers());
        self.listen_for_silence(&heard);
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

    fn note(&mut self, latest: &Survivor) {
        // The gain of the path at either tone.
        let gain = |level: usize| {
            let taps = latest.taps.iter().zip(&self.delays[level]);
            taps.map(|(tap, delay)| tap * delay).sum::<Complex32>()
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
