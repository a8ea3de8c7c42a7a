//! The receiver for two tones: a front end shared by one detector per tone offset.
//!
//! Samples are filtered, moved to the middle between the tones and brought to eight a symbol.
//! Each detector correlates with its two tones over one symbol (the matched filter), finds
//! the symbol timing, and decides once per twist branch which tone is stronger. This is the
//! noncoherent single-symbol receiver of the textbooks (Proakis, Digital Communications);
//! decisions over several symbols can take the place of [`Detector::decide`].

use std::f64::consts::TAU;

use dunlin_clock::{SampleCount, SampleRate};
use num_complex::{Complex32, Complex64};

use crate::carrier::{CarrierDetector, ToneContrast};
use crate::correlator::{Correlator, TAPS};
use crate::demodulator::{DemodEvent, Measurement};
use crate::front_end::{FrontEnd, Unclicked};
use crate::level::power_dbfs;
use crate::nrzi::NrziDecoder;
use crate::recipe::{DetectorRecipe, SAMPLES_PER_SYMBOL, ToneRecipe};
use crate::resampler::most_per_chunk;
use crate::sequence::{Line, SequenceReceiver};
use crate::statistics::RunningSums;
use crate::timing::SymbolTiming;
use crate::track::{Course, Track};

const N: usize = SAMPLES_PER_SYMBOL;

/// What the low-pass takes from a symbol between unlike neighbours, on average over random
/// data, dB; measured.
const LEVEL_LOST_DB: f32 = 0.45;

/// A correlation weaker than this (full scale is 1) is silence.
const SILENCE: f32 = 1e-5;

/// The whole receiver for one mode of two tones.
#[derive(Clone, Debug)]
pub struct ToneReceiver {
    front: FrontEnd,
    /// The sequence readers, which are late in any case, get the sound without clicks.
    unclicked: Option<Unclicked>,
    detectors: Vec<Detector>,
    watches: Vec<CarrierWatch>,
    sequence: SequenceReceiver,
    twists: usize,
    /// The latest samples, beginning with the last `TAPS - 1` of the chunk before.
    re: Vec<f32>,
    im: Vec<f32>,
    carrier: bool,
}

impl ToneReceiver {
    /// A receiver for samples at `rate`.
    pub fn new(rate: SampleRate, baud: u32, recipe: &ToneRecipe) -> Self {
        let rate_out = baud * N as u32;
        let front = FrontEnd::new(rate, rate_out, recipe);
        let capacity = most_per_chunk(&front.windows) + TAPS;
        let row = || {
            let mut row = Vec::with_capacity(capacity);
            row.resize(TAPS - 1, 0.0);
            row
        };
        let mut detectors: Vec<Detector> = recipe
            .detectors
            .iter()
            .map(|&detector| Detector::new(rate, baud, recipe, detector))
            .collect();
        for (pair, later) in recipe.detectors.windows(2).zip(&mut detectors[1..]) {
            later.sees_the_same = pair[0].correlates_like(&pair[1]);
        }
        ToneReceiver {
            detectors,
            watches: recipe
                .carrier_offsets_hz
                .iter()
                .map(|&offset| CarrierWatch::new(baud, recipe, offset))
                .collect(),
            sequence: SequenceReceiver::new(
                Line {
                    half_shift: TAU * f64::from(recipe.space_hz - recipe.mark_hz)
                        / 2.0
                        / f64::from(rate_out),
                    baud: f64::from(baud),
                    input_per_sample: rate.hz_f64() / f64::from(rate_out),
                    half_bandwidth_hz: recipe.half_bandwidth_hz,
                },
                &recipe.sequence,
            ),
            twists: recipe.twists_db.len(),
            re: row(),
            im: row(),
            unclicked: recipe
                .clicks
                .then(|| Unclicked::new(rate, rate_out, recipe))
                .flatten(),
            front,
            carrier: false,
        }
    }

    /// How many branches decide side by side.
    pub fn branches(&self) -> usize {
        self.detectors.len() * self.twists + self.sequence.branches()
    }

    /// How a branch decides, in few words.
    pub fn branch_name(&self, branch: usize) -> &'static str {
        match branch.checked_sub(self.detectors.len() * self.twists) {
            Some(own) => self.sequence.branch_name(own),
            None => "symbol by symbol",
        }
    }

    /// Whether a branch tells nothing while it hears no signal, and late when it does.
    pub fn is_late(&self, branch: usize) -> bool {
        branch >= self.detectors.len() * self.twists
    }

    /// Whether data is being heard.
    pub fn carrier(&self) -> bool {
        self.carrier
    }

    /// Samples from a symbol until its bit comes out, at most.
    pub fn delay(&self) -> usize {
        let symbols = self
            .detectors
            .iter()
            .map(|d| d.timing.delay() + TAPS)
            .max()
            .unwrap_or(0)
            .max(self.sequence.delay());
        let unclicked = self.unclicked.as_ref().map_or(0, |u| u.remover.delay());
        (symbols as f64 * self.front.windows.input_per_output()).ceil() as usize
            + self.front.windows.look_ahead()
            + unclicked
    }

    /// Takes samples, appends what they told.
    pub fn process(&mut self, mut samples: &[f32], out: &mut Vec<DemodEvent>) {
        while !samples.is_empty() {
            let taken = self.front.process(samples, &mut self.re, &mut self.im);
            let (now, later) = samples.split_at(taken);
            samples = later;
            for n in 0..self.re.len() + 1 - TAPS {
                self.step(n, out);
            }
            let first = self.detectors.len() * self.twists;
            let as_it_came = [&self.re[TAPS - 1..], &self.im[TAPS - 1..]];
            let [re, im] = match &mut self.unclicked {
                Some(unclicked) => unclicked.process(now, as_it_came),
                None => as_it_came,
            };
            self.sequence.process(re, im, first, out);
            let kept = self.re.len() + 1 - TAPS;
            for row in [&mut self.re, &mut self.im] {
                row.copy_within(kept.., 0);
                row.truncate(TAPS - 1);
            }
        }
    }

    fn step(&mut self, n: usize, out: &mut Vec<DemodEvent>) {
        let (re, im) = (&self.re[n..n + TAPS], &self.im[n..n + TAPS]);
        let mut told = [Complex32::default(); 2];
        for (i, detector) in self.detectors.iter_mut().enumerate() {
            if !detector.sees_the_same {
                told = detector.correlate(re, im);
            }
            detector.step(told);
            detector.decide((i * self.twists) as u8, out);
        }
        // The carrier is judged by the latest symbol alone, so that it is known early.
        let (re, im) = (&re[TAPS - N..], &im[TAPS - N..]);
        let (mut changed, heard) = (false, self.carrier);
        self.watches
            .iter_mut()
            .for_each(|watch| changed |= watch.step(re, im, heard));
        if !changed {
            return;
        }
        let on = self.watches.iter().any(|watch| watch.carrier.on());
        if std::mem::replace(&mut self.carrier, on) != on {
            let newest = self.detectors[0].pushed + ((TAPS - N) / 2) as u64;
            out.push(DemodEvent::Carrier {
                on,
                at: self.detectors[0].place(newest as f64),
            });
        }
    }

    /// What is known of the symbols between two places, as the branch saw them.
    pub fn measure(&self, branch: usize, from: SampleCount, to: SampleCount) -> Measurement {
        match branch.checked_sub(self.detectors.len() * self.twists) {
            Some(own) => self.sequence.measure(own, from, to),
            None => {
                let own = self.detectors[branch / self.twists].measure(from, to);
                self.sequence.refine(own, from, to)
            }
        }
    }
}

/// Watches for data around one offset: how much stronger the lower half of the channel is than
/// the upper half, -1 to 1, over each symbol.
#[derive(Clone, Debug)]
struct CarrierWatch {
    /// One symbol rate apart, so that white noise is independent in them and all values are
    /// equally likely.
    low: Correlator,
    high: Correlator,
    /// How much stronger the lower half usually is, natural logarithm of the power's ratio,
    /// and the factor that takes this off the lower half.
    tilt: f32,
    level: f32,
    /// From how many symbols the tilt was learned.
    learned: f32,
    /// Samples until the next look at the tilt.
    until_look: usize,
    carrier: CarrierDetector<ToneContrast>,
}

/// Over how many symbols the usual tilt of a channel is learned while no carrier is on it: the
/// noise of an FM receiver falls by some 5 dB from the lower tone to the higher, and would look
/// like half a carrier if it were not taken off. Long against a preamble, which is nearly all
/// one tone and must not be learned before it is recognised.
const TILT_SYMBOLS: f32 = 600.0;
/// The first guess counts as so many symbols, so that the start is quicker.
const TILT_FIRST_SYMBOLS: f32 = 100.0;
/// While a carrier is on, a symbol counts so much less: a station's own tilt must hardly
/// matter, but a wrong first guess must not hold for ever.
const TILT_SHARE_ON: f32 = 1.0 / 16.0;

impl CarrierWatch {
    fn new(baud: u32, recipe: &ToneRecipe, offset_hz: f64) -> Self {
        let (rate, half) = (f64::from(baud * N as u32), f64::from(baud) / 2.0);
        CarrierWatch {
            low: Correlator::of_one_symbol(offset_hz - half, rate),
            high: Correlator::of_one_symbol(offset_hz + half, rate),
            tilt: 0.0,
            level: 1.0,
            learned: TILT_FIRST_SYMBOLS,
            until_look: 0,
            carrier: CarrierDetector::new(recipe.carrier),
        }
    }

    /// Takes the latest symbol. `heard`: a carrier is on, here or elsewhere in the channel. True
    /// if it came or went here.
    fn step(&mut self, re: &[f32], im: &[f32], heard: bool) -> bool {
        let low = self.low.at(re, im).norm_sqr();
        let high = self.high.at(re, im).norm_sqr();
        if low + high <= SILENCE * SILENCE {
            return self.carrier.push(0.0, 0.0).is_some();
        }
        match self.until_look.checked_sub(1) {
            Some(left) => self.until_look = left,
            None => self.look(low, high, heard),
        }
        let low = low * self.level;
        let contrast = (low - high) / (low + high).max(f32::MIN_POSITIVE);
        self.carrier.push(contrast, low.max(high)).is_some()
    }

    /// Takes one look at the tilt of the channel.
    fn look(&mut self, low: f32, high: f32, heard: bool) {
        self.until_look = N - 1;
        let ratio = (low.max(f32::MIN_POSITIVE) / high.max(f32::MIN_POSITIVE)).ln();
        let share = if heard { TILT_SHARE_ON } else { 1.0 };
        self.learned = (self.learned + share).min(TILT_SYMBOLS);
        self.tilt += share / self.learned * (ratio.clamp(-8.0, 8.0) - self.tilt);
        self.level = (-self.tilt).exp();
    }
}

/// How many correlations are kept, samples; more than the timing's delay.
const KEPT: usize = 1024;

/// Sums for measurement: per tone the number of symbols, second and fourth power of the
/// amplitude; then real and imaginary part of the turn from sample to sample.
type Sums = RunningSums<8>;

/// One pair of correlators with its own symbol timing.
#[derive(Clone, Debug)]
struct Detector {
    /// Whether it correlates like the detector before it, and differs in its timing only.
    sees_the_same: bool,
    mark: Correlator,
    space: Correlator,
    /// Where the tones are looked for, hertz from the middle of the channel.
    mark_hz: f64,
    space_hz: f64,
    /// How far each nominal tone turns in two samples, to be taken off.
    mark_turn: Complex32,
    space_turn: Complex32,
    offset_hz: f64,
    own_rate: f64,
    input_per_sample: f64,
    /// Correlations of the latest samples with either tone, as rings.
    marks: Vec<Complex32>,
    spaces: Vec<Complex32>,
    pushed: u64,
    timing: SymbolTiming,
    /// For each twist, the factor for the space tone, and the line decoder.
    slicers: Vec<(f32, NrziDecoder)>,
    sums: Sums,
    track: Track,
}

impl Detector {
    fn new(rate: SampleRate, baud: u32, recipe: &ToneRecipe, own: DetectorRecipe) -> Self {
        let DetectorRecipe {
            offset_hz,
            cutoff_hz,
            timing,
        } = own;
        let own_rate = f64::from(baud * N as u32);
        let half_shift = f64::from(recipe.space_hz - recipe.mark_hz) / 2.0;
        let (mark, space) = (offset_hz - half_shift, offset_hz + half_shift);
        let turn = |hz: f64| Complex32::from_polar(1.0, (-2.0 * TAU * hz / own_rate) as f32);
        let slicer = |&db: &f32| (10_f32.powf(db / 20.0), NrziDecoder::default());
        Detector {
            sees_the_same: false,
            mark: Correlator::new(mark, own_rate, offset_hz, cutoff_hz),
            space: Correlator::new(space, own_rate, offset_hz, cutoff_hz),
            mark_hz: mark,
            space_hz: space,
            mark_turn: turn(mark),
            space_turn: turn(space),
            offset_hz,
            own_rate,
            input_per_sample: rate.hz_f64() / own_rate,
            marks: vec![Complex32::default(); KEPT],
            spaces: vec![Complex32::default(); KEPT],
            pushed: 0,
            timing: SymbolTiming::new(timing),
            slicers: recipe.twists_db.iter().map(slicer).collect(),
            sums: Sums::default(),
            track: Track::new(N as f64, 1.0, 0.0),
        }
    }

    /// The place in the input of a place among the correlations.
    fn place(&self, sample: f64) -> SampleCount {
        // A correlation belongs to the middle of its window. The window of the first one
        // lies half before the first sample.
        let middle = (TAPS - 1) as f64 / 2.0;
        SampleCount(((sample - middle) * self.input_per_sample).max(0.0) as u64)
    }

    /// The correlations of one window with mark and space.
    fn correlate(&self, re: &[f32], im: &[f32]) -> [Complex32; 2] {
        [self.mark.at(re, im), self.space.at(re, im)]
    }

    /// Takes the correlations of the next window.
    fn step(&mut self, [mark, space]: [Complex32; 2]) {
        let slot = self.pushed as usize % KEPT;
        self.marks[slot] = mark;
        self.spaces[slot] = space;
        self.pushed += 1;
        // Without the care that `norm` takes of powers out of range: sound has none.
        self.timing
            .push(mark.norm_sqr().max(space.norm_sqr()).sqrt());
    }

    /// Decides every symbol that has become due.
    fn decide(&mut self, first_branch: u8, out: &mut Vec<DemodEvent>) {
        while let Some(middle) = self.timing.next_symbol() {
            let before = middle as u64;
            let share = (middle - before as f64) as f32;
            let slot = |n: u64| n as usize % KEPT;
            let between = |ring: &[Complex32]| {
                let magnitude = |n| ring[slot(n)].norm_sqr().sqrt();
                let (a, b) = (magnitude(before), magnitude(before + 1));
                a + (b - a) * share
            };
            let (mark, space) = (between(&self.marks), between(&self.spaces));
            let at = self.place(middle);
            for (branch, (factor, line)) in (first_branch..).zip(&mut self.slicers) {
                let (m, s) = (mark, space * *factor);
                let soft = line.step((m - s) / (m + s).max(SILENCE));
                out.push(DemodEvent::Bit {
                    branch,
                    soft,
                    at,
                    rival: None,
                });
            }
            self.note(middle, mark, space, at);
        }
    }

    /// Adds a symbol to the sums.
    fn note(&mut self, middle: f64, mark: f32, space: f32, at: SampleCount) {
        let nearest = middle.round() as u64;
        let is_mark = mark > space;
        let (ring, turn) = if is_mark {
            (&self.marks, self.mark_turn)
        } else {
            (&self.spaces, self.space_turn)
        };
        let slot = |n: u64| n as usize % KEPT;
        let turned = ring[slot(nearest + 1)] * ring[slot(nearest.saturating_sub(1))].conj() * turn;
        let square = f64::from(mark.max(space)).powi(2);
        let mut values = [0.0; 8];
        let first = if is_mark { 0 } else { 3 };
        values[first..first + 3].copy_from_slice(&[1.0, square, square * square]);
        values[6] = f64::from(turned.re);
        values[7] = f64::from(turned.im);
        self.sums.push(at, values);
        let turned = Complex64::new(values[6], values[7]);
        self.track
            .push(at, middle, turned, Complex32::new(1.0, 0.0));
    }

    fn measure(&self, from: SampleCount, to: SampleCount) -> Measurement {
        let [marks, m2, m4, spaces, s2, s4, re, im] = self.sums.over(from, to);
        let symbols = marks + spaces;
        if symbols < 1.0 {
            return Measurement::NOTHING;
        }
        // The turn is that of two samples.
        let residual = im.atan2(re) / (2.0 * TAU) * self.own_rate;
        // Tones off their place pass the filter unequally; that is not the signal's doing.
        let gain =
            |tone: &Correlator, hz: f64| tone.gain(hz + residual, self.own_rate).max(0.3).powi(2);
        let (mark_gain, space_gain) = (
            gain(&self.mark, self.mark_hz),
            gain(&self.space, self.space_hz),
        );
        let (mark, mark_noise) = signal_and_noise(marks, m2, m4);
        let (space, space_noise) = signal_and_noise(spaces, s2, s4);
        let noise = (marks * mark_noise + spaces * space_noise) / symbols;
        let through = (marks * mark + spaces * space) / symbols;
        let (mark, space) = (mark / mark_gain, space / space_gain);
        let signal = (marks * mark + spaces * space) / symbols;
        let known = |x: f64| Some(x as f32).filter(|x| x.is_finite());
        let course = self.track.over(from, to);
        // The turn is that of two samples, the drift that of a symbol.
        let drift = |c: Course| {
            c.radians_per_symbol / (2.0 * TAU) * self.own_rate * self.own_rate / N as f64
        };
        Measurement {
            level_dbfs: power_dbfs(signal) + LEVEL_LOST_DB,
            offset_hz: known(self.offset_hz + residual),
            twist_db: known(10.0 * (mark / space).log10()),
            snr_db: known(10.0 * (through / noise.max(through * 1e-4)).log10()),
            drift_hz_s: course.and_then(|c| known(drift(c))),
            rate_error_ppm: course.and_then(|c| known(c.faster * 1e6)),
            clipped: None,
        }
    }
}

/// Splits the moments of an amplitude into the power of a steady signal and that of complex
/// Gaussian noise. Literature: R. Matzner, "An SNR estimation algorithm for complex baseband
/// signals using higher order statistics", 1993 (from memory).
fn signal_and_noise(count: f64, second: f64, fourth: f64) -> (f64, f64) {
    if count < 1.0 {
        return (0.0, 0.0);
    }
    let (m2, m4) = (second / count, fourth / count);
    let signal = (2.0 * m2 * m2 - m4).max(0.0).sqrt();
    (signal, (m2 - signal).max(0.0))
}
