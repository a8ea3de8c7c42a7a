//! One station's transmission: from the audio that its sound device plays to its carrier.

use dunlin_clock::Chance;

use crate::config::{AirError, BandConfig, Kind, MAX_DELAY, StationConfig};
use crate::fir::CHUNK;
use crate::fm::FmModulator;
use crate::oscillator::Oscillator;
use crate::resample::Resampler;
use crate::ssb::SsbModulator;

/// The longest transmission, seconds.
const MAX_SECONDS: u64 = 600;

#[derive(Clone, Debug)]
enum Modulator {
    Fm(FmModulator),
    Ssb(SsbModulator),
}

/// A transmission under way or about to begin.
#[derive(Clone, Debug)]
struct Playing {
    /// Number of the first sample with the key down.
    start: u64,
    audio: Vec<f32>,
}

/// Keying of a station within one chunk, in samples from the chunk's start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Keyed {
    /// First sample with the key down.
    pub from: usize,
    /// First sample after it.
    pub to: usize,
    /// Set if the transmission ended in this chunk: its first sample.
    pub began: Option<u64>,
}

/// The sending half of a station.
#[derive(Clone, Debug)]
pub(crate) struct Sender {
    modulator: Modulator,
    oscillator: Option<Oscillator>,
    /// Where a new FM carrier's phase comes from.
    chance: Chance,
    /// Input samples per output sample.
    speed: f64,
    key_up: u64,
    rate: u64,
    playing: Option<Playing>,
    /// First sample of the latest transmission.
    begun: u64,
    audio: Vec<f32>,
    /// Signal of the longest delay, then of this chunk.
    re: Vec<f32>,
    im: Vec<f32>,
    past: usize,
    /// From this sample on the buffers hold zeros only.
    silent_from: u64,
}

impl Sender {
    /// The sending half of `station`.
    pub fn new(band: &BandConfig, station: &StationConfig) -> Self {
        let rate = band.rate.hz_f64();
        let modulator = match &band.kind {
            Kind::Fm(c) => Modulator::Fm(FmModulator::new(c, station, rate)),
            Kind::Ssb(c) => Modulator::Ssb(SsbModulator::new(c, station, rate)),
        };
        let past = band.rate.samples_in(MAX_DELAY) as usize + 1;
        let stream = format!("air/{}/carrier/{}", band.name, station.name);
        Sender {
            modulator,
            oscillator: Oscillator::new(band.shift_hz(station), rate),
            chance: Chance::stream(band.seed, &stream),
            speed: 1.0 + station.clock_ppm * 1e-6,
            key_up: band.rate.samples_in(station.key_up),
            rate: u64::from(band.rate.hz()),
            playing: None,
            begun: 0,
            audio: vec![0.0; CHUNK],
            re: vec![0.0; past + CHUNK],
            im: vec![0.0; past + CHUNK],
            past,
            silent_from: 0,
        }
    }

    /// Delay of the audio from the sound device to the air, samples.
    pub fn delay(&self) -> usize {
        let radio = match &self.modulator {
            Modulator::Fm(m) => m.delay(),
            Modulator::Ssb(m) => m.delay(),
        };
        Resampler::DELAY + radio
    }

    /// First sample of the transmission under way or about to begin.
    pub fn start(&self) -> Option<u64> {
        self.playing.as_ref().map(|p| p.start)
    }

    /// First sample of the latest transmission, whether or not it goes on.
    pub fn begun(&self) -> u64 {
        self.begun
    }

    /// Begins a transmission at sample `start`, or adds to the one there is.
    pub fn play(&mut self, start: u64, mut audio: Vec<f32>) -> Result<(), AirError> {
        let before = self.playing.as_ref().map_or(0, |p| p.audio.len());
        let seconds = (before + audio.len()) as u64 / self.rate;
        if seconds >= MAX_SECONDS {
            return Err(AirError::TooLong {
                seconds,
                limit: MAX_SECONDS,
            });
        }
        for v in &mut audio {
            // A sound device cannot play more than full scale, nor what is not a number.
            *v = if v.is_finite() {
                v.clamp(-1.0, 1.0)
            } else {
                0.0
            };
        }
        if let Some(p) = &mut self.playing {
            p.audio.append(&mut audio);
            return Ok(());
        }
        let phase = self.chance.unit();
        match &mut self.modulator {
            Modulator::Fm(m) => m.reset(phase),
            Modulator::Ssb(m) => m.reset(),
        }
        self.playing = Some(Playing { start, audio });
        self.begun = start;
        Ok(())
    }

    /// Ends the transmission before sample `now`; its first sample, if there was one.
    pub fn cut(&mut self, now: u64) -> Option<u64> {
        self.silent_from = self.silent_from.min(now + self.past as u64);
        self.playing.take().map(|p| p.start)
    }

    /// Makes the `n` samples from number `now` on.
    pub fn advance(&mut self, table: &Resampler, now: u64, n: usize) -> Keyed {
        if self.playing.is_none() && now >= self.silent_from {
            return Keyed::default();
        }
        let (past, end) = (self.past, self.past + n);
        self.re[past..end].fill(0.0);
        self.im[past..end].fill(0.0);
        let Some(playing) = &self.playing else {
            return Keyed::default();
        };
        let began = playing.start;
        let from = began.saturating_sub(now).min(n as u64) as usize;
        let last = began + self.length(playing.audio.len());
        let to = last.saturating_sub(now).min(n as u64) as usize;
        self.silent_from = last + past as u64;
        if from < to {
            self.send(table, now, from, to);
        }
        let over = last <= now + n as u64;
        if over {
            self.playing = None;
        }
        Keyed {
            from,
            to,
            began: over.then_some(began),
        }
    }

    /// Samples on the air for so much audio: until the last of it has left the radio.
    fn length(&self, audio: usize) -> u64 {
        if audio == 0 {
            0
        } else {
            (audio as f64 / self.speed).ceil() as u64 + self.delay() as u64
        }
    }

    /// Modulates the samples `from..to` of the chunk.
    fn send(&mut self, table: &Resampler, now: u64, from: usize, to: usize) {
        let Some(playing) = &self.playing else { return };
        let first = now + from as u64 - playing.start;
        let audio = &mut self.audio[..to - from];
        for (i, v) in audio.iter_mut().enumerate() {
            *v = table.read(&playing.audio, (first + i as u64) as f64 * self.speed);
        }
        let re = &mut self.re[self.past + from..self.past + to];
        let im = &mut self.im[self.past + from..self.past + to];
        match &mut self.modulator {
            Modulator::Fm(m) => m.process(audio, re, im),
            Modulator::Ssb(m) => m.process(audio, re, im),
        }
        let quiet = self.key_up.saturating_sub(first).min(re.len() as u64) as usize;
        re[..quiet].fill(0.0);
        im[..quiet].fill(0.0);
        if let Some(o) = &self.oscillator {
            o.process(now + from as u64, re, im);
        }
    }

    /// The signal of this chunk, or `None` if nothing of this station is on any path. `delay` in
    /// samples, at most the longest allowed.
    pub fn signal(&self, now: u64, n: usize, delay: usize) -> Option<(&[f32], &[f32])> {
        if now >= self.silent_from {
            return None;
        }
        let at = self.past - delay;
        Some((&self.re[at..at + n], &self.im[at..at + n]))
    }

    /// Keeps the end of this chunk for delayed paths.
    pub fn retire(&mut self, now: u64, n: usize) {
        if now < self.silent_from {
            self.re.copy_within(n..n + self.past, 0);
            self.im.copy_within(n..n + self.past, 0);
        }
    }
}
