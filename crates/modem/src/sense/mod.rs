//! Carrier sense beside the data itself: how loud it is against the learned floor, and what
//! kind of sound it is.
//!
//! The sound is brought to 8000 samples per second. Every 10 ms the energy detector takes a
//! step, every 128 ms the spectrum is looked at and the classifier asked. Nothing allocates
//! after construction.

mod baud_line;
mod classify;
mod energy;
mod floor;
mod heard_tones;
mod spectrum;
mod two_tone;

use dunlin_clock::{SampleCount, SampleRate};

pub use classify::{Sound, SoundKind};
pub use energy::{EnergyReport, EnergySettings};
pub use heard_tones::HeardTones;

use crate::Line;
use crate::fir::Lowpass;
use crate::level::power_dbfs;
use crate::resampler::Resampler;
use baud_line::BaudLines;
use classify::{Classifier, LEVELS, Look};
use energy::EnergyDetector;
use heard_tones::HeardTonesFinder;
use spectrum::{FRAME, HOP, RATE, Spectrum, Transform};
use two_tone::TwoToneFinder;

/// Samples in a step of the energy detector: 10 ms.
const BLOCK: usize = RATE as usize / 100;
/// What is passed, hertz.
const PASS_HZ: f64 = 3600.0;
/// A steady offset of the samples is taken off with this corner frequency, hertz.
const OFFSET_HZ: f32 = 15.0;

/// What a [`Sensor`] tells.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SenseEvent {
    /// Energy came or went.
    Energy {
        /// More sound than noise (true), or no more.
        on: bool,
        /// Where in the input.
        at: SampleCount,
    },
    /// The kind of sound has changed. At most every 256 ms.
    Sound(Sound),
    /// Two tones were heard for a while, whether or not anybody could read them. Told when they
    /// have gone, or after 16 seconds.
    Tones(HeardTones),
}

/// Listens to a port beside its demodulator.
#[derive(Clone, Debug)]
pub struct Sensor {
    front: Resampler,
    rows: Vec<Vec<f32>>,
    lines: BaudLines,
    at: u64,
    /// Samples of the input for one at 8000 per second.
    input_per_sample: f64,
    offset: f32,
    energy: EnergyDetector,
    block_sum: f32,
    block_filled: usize,
    data_blocks: f32,
    blocks: f32,
    loudest: f32,
    frame: Vec<f32>,
    transform: Transform,
    spectrum: Spectrum,
    tones: TwoToneFinder,
    heard_tones: HeardTonesFinder,
    classifier: Classifier,
}

impl Sensor {
    /// A sensor for a port of this line (or mode) that gets samples at `rate`.
    pub fn new(line: impl Into<Line>, rate: SampleRate, energy: EnergySettings) -> Self {
        let pass = Lowpass {
            cutoff_hz: PASS_HZ,
            half_span_s: 0.001_5,
            beta: 5.0,
        };
        let front = Resampler::new(rate, RATE, &[pass]);
        Sensor {
            rows: vec![Vec::with_capacity(front.most_per_chunk())],
            front,
            lines: BaudLines::new(rate),
            at: 0,
            offset: 0.0,
            energy: EnergyDetector::new(energy),
            block_sum: 0.0,
            block_filled: 0,
            data_blocks: 0.0,
            blocks: 0.0,
            loudest: 0.0,
            frame: Vec::with_capacity(FRAME),
            transform: Transform::new(),
            spectrum: Spectrum::new(),
            tones: TwoToneFinder::new(),
            heard_tones: HeardTonesFinder::new(),
            input_per_sample: rate.hz_f64() / f64::from(RATE),
            classifier: Classifier::new(&line.into()),
        }
    }

    /// Takes the next samples and appends what they told; `data`: the port's mode hears data in
    /// them. What is not a finite number counts as silence.
    pub fn process(&mut self, mut samples: &[f32], data: bool, out: &mut Vec<SenseEvent>) {
        while !samples.is_empty() {
            let taken = self.front.process(samples, &mut self.rows);
            self.lines.process(&samples[..taken]);
            let finite = samples[..taken].iter().filter(|s| s.is_finite());
            self.loudest = finite.fold(self.loudest, |most, s| most.max(s.abs()));
            self.at += taken as u64;
            samples = &samples[taken..];
            for n in 0..self.rows[0].len() {
                self.step(self.rows[0][n], data, out);
            }
            self.rows[0].clear();
        }
    }

    /// Lets `samples` samples pass in which the port could not listen. Nothing is learned from
    /// them.
    pub fn skip(&mut self, samples: u64) {
        self.at += samples;
        self.energy.pause();
        self.heard_tones.forget();
    }

    /// What the energy detector knows.
    pub fn energy(&self) -> EnergyReport {
        self.energy.report()
    }

    /// What kind of sound is heard.
    pub fn sound(&self) -> Sound {
        self.classifier.sound()
    }

    fn step(&mut self, value: f32, data: bool, out: &mut Vec<SenseEvent>) {
        self.offset += (value - self.offset) * (std::f32::consts::TAU * OFFSET_HZ / RATE as f32);
        let value = value - self.offset;
        self.block_sum += value * value;
        self.block_filled += 1;
        if self.block_filled == BLOCK {
            let mean = self.block_sum / BLOCK as f32;
            (self.block_sum, self.block_filled) = (0.0, 0);
            self.blocks += 1.0;
            self.data_blocks += if data { 1.0 } else { 0.0 };
            let at = SampleCount(self.at);
            let edge = self.energy.push(mean, data, at);
            out.extend(edge.map(|on| SenseEvent::Energy { on, at }));
        }
        self.frame.push(value);
        if self.frame.len() == FRAME {
            self.look(out);
            self.frame.copy_within(HOP.., 0);
            self.frame.truncate(FRAME - HOP);
        }
    }

    /// Looks at the latest frame.
    fn look(&mut self, out: &mut Vec<SenseEvent>) {
        let transform = &mut self.transform;
        self.spectrum.push(&self.frame, transform);
        let mut levels_dbfs = [0.0; LEVELS];
        let parts = self.frame[FRAME - HOP..].chunks(HOP / LEVELS);
        for (level, part) in levels_dbfs.iter_mut().zip(parts) {
            let square: f32 = part.iter().map(|s| s * s).sum::<f32>() / part.len() as f32;
            *level = power_dbfs(2.0 * f64::from(square));
        }
        let tones = self
            .tones
            .find(&self.spectrum.raw, &self.spectrum.power, transform);
        let length = (FRAME as f64 * self.input_per_sample) as u64;
        let span = (self.at.saturating_sub(length), self.at);
        let heard = self
            .heard_tones
            .push(tones, (SampleCount(span.0), SampleCount(span.1)));
        out.extend(heard.map(SenseEvent::Tones));
        let look = Look {
            levels_dbfs,
            loudest: std::mem::take(&mut self.loudest),
            data: self.data_blocks / self.blocks.max(1.0),
            line: self.spectrum.line(),
            pitch: self.spectrum.pitch(transform),
            tones,
            wide_baud: self.lines.take(),
        };
        (self.data_blocks, self.blocks) = (0.0, 0.0);
        let shape = self.spectrum.shape();
        if self.classifier.push(look, shape) {
            out.push(SenseEvent::Sound(self.classifier.sound()));
        }
    }
}
