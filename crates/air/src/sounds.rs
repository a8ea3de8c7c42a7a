//! Sounds of a radio that are no data: a speaking voice, hum from the mains, noise behind an
//! FM receiver's open squelch. For benches and tests of carrier sense.
//!
//! The voice is made the way of formant synthesis: a train of glottal pulses of wandering pitch
//! through three resonators, one vowel after another, with fricatives of noise between, in
//! phrases with pauses, through the band of a telephone. It says nothing. Literature: D. H. Klatt,
//! "Software for a cascade/parallel formant synthesizer", J. Acoust. Soc. Am. 67 (1980) 971;
//! formants after G. E. Peterson, H. L. Barney, "Control methods used in a study of the
//! vowels", J. Acoust. Soc. Am. 24 (1952) 175 (both from memory).

use std::f64::consts::TAU;

use dunlin_clock::{Chance, SampleRate};

use crate::band::Band;
use crate::config::{AirError, BandConfig, FmConfig, Kind, StationConfig};

/// Mean formants of ten vowels, men, hertz.
const VOWELS: [[f64; 3]; 10] = [
    [270.0, 2290.0, 3010.0],
    [390.0, 1990.0, 2550.0],
    [530.0, 1840.0, 2480.0],
    [660.0, 1720.0, 2410.0],
    [730.0, 1090.0, 2440.0],
    [570.0, 840.0, 2410.0],
    [440.0, 1020.0, 2240.0],
    [300.0, 870.0, 2240.0],
    [640.0, 1190.0, 2390.0],
    [490.0, 1350.0, 1690.0],
];
/// Bandwidths of the formants, hertz.
const WIDTHS: [f64; 3] = [60.0, 90.0, 150.0];
/// How loud each formant is against the first.
const WEIGHTS: [f64; 3] = [1.0, 0.6, 0.35];

/// A resonator of two poles; its gain at its frequency is about 1.
#[derive(Clone, Copy, Debug, Default)]
struct Resonator {
    a: f64,
    b: f64,
    gain: f64,
    y1: f64,
    y2: f64,
}

impl Resonator {
    fn tune(&mut self, hz: f64, width: f64, rate: f64) {
        let r = (-std::f64::consts::PI * width / rate).exp();
        (self.a, self.b) = (2.0 * r * (TAU * hz / rate).cos(), -r * r);
        self.gain = (1.0 - r) * (1.0 - 2.0 * r * (2.0 * TAU * hz / rate).cos() + r * r).sqrt();
    }

    fn step(&mut self, x: f64) -> f64 {
        let y = self.gain * x + self.a * self.y1 + self.b * self.y2;
        (self.y2, self.y1) = (self.y1, y);
        y
    }
}

/// What is being uttered.
#[derive(Clone, Copy, Debug)]
enum Part {
    Pause,
    Vowel {
        from: [f64; 3],
        to: [f64; 3],
        loud: f64,
    },
    Fricative {
        loud: f64,
    },
}

/// A voice that speaks without saying anything.
#[derive(Clone, Debug)]
pub struct Voice {
    rate: f64,
    chance: Chance,
    /// The speaker's own pitch, hertz, and how it wanders around it.
    own_pitch: f64,
    pitch: f64,
    wanted_pitch: f64,
    /// Turns of the vocal folds since the last pulse.
    turn: f64,
    part: Part,
    length: usize,
    at: usize,
    syllables_left: u64,
    vowel: [f64; 3],
    formants: [Resonator; 3],
    hiss: Resonator,
    band: [Resonator; 2],
    peak: f64,
}

impl Voice {
    /// A speaker with a pitch around `pitch_hz` (men about 110, women about 200).
    pub fn new(pitch_hz: f64, rate: SampleRate, chance: Chance) -> Self {
        let rate = rate.hz_f64();
        let mut hiss = Resonator::default();
        hiss.tune(2600.0, 1500.0, rate);
        Voice {
            rate,
            chance,
            own_pitch: pitch_hz,
            pitch: pitch_hz,
            wanted_pitch: pitch_hz,
            turn: 0.0,
            part: Part::Pause,
            length: 1,
            at: 0,
            syllables_left: 0,
            vowel: VOWELS[4],
            formants: [Resonator::default(); 3],
            hiss,
            band: [Resonator::default(); 2],
            peak: 0.0,
        }
    }

    /// Appends `n` samples whose loudest parts reach about `peak`.
    pub fn process(&mut self, peak: f32, n: usize, out: &mut Vec<f32>) {
        for _ in 0..n {
            let value = self.step();
            // The speaker holds the same distance to the microphone.
            self.peak = (self.peak * 0.999_99).max(value.abs()).max(1e-6);
            out.push((value / self.peak) as f32 * peak);
        }
    }

    fn step(&mut self) -> f64 {
        if self.at >= self.length {
            self.next_part();
        }
        let share = self.at as f64 / self.length as f64;
        self.at += 1;
        let swell = (std::f64::consts::PI * share).sin().sqrt();
        self.pitch += (self.wanted_pitch - self.pitch) * 8.0 / self.rate;
        let pulse = self.pulse();
        let made = match self.part {
            Part::Pause => 0.0,
            Part::Fricative { loud } => {
                let noise = f64::from(self.chance.normal());
                loud * swell * self.hiss.step(noise)
            }
            Part::Vowel { from, to, loud } => {
                if self.at % 64 == 1 {
                    for (i, formant) in self.formants.iter_mut().enumerate() {
                        let hz = from[i] + (to[i] - from[i]) * (2.0 * share).min(1.0);
                        formant.tune(hz, WIDTHS[i], self.rate);
                    }
                }
                let breath = 0.02 * f64::from(self.chance.normal());
                let source = pulse + breath;
                let sum: f64 = (self.formants.iter_mut().zip(WEIGHTS))
                    .map(|(formant, weight)| weight * formant.step(source))
                    .sum();
                loud * swell * sum
            }
        };
        self.telephone(made)
    }

    /// One sample of the glottal pulses' slope: a click when the folds close, softer between.
    fn pulse(&mut self) -> f64 {
        self.turn += self.pitch / self.rate;
        if self.turn < 1.0 {
            return 0.0;
        }
        self.turn -= 1.0;
        let shimmer = 1.0 + 0.05 * f64::from(self.chance.normal());
        self.turn += 0.01 * f64::from(self.chance.normal());
        // The same power at every pitch and rate.
        shimmer * (self.rate / self.pitch).sqrt() * 10.0
    }

    /// First-order high-pass at 300 Hz and low-pass at 3000 Hz.
    fn telephone(&mut self, x: f64) -> f64 {
        let pace = |hz: f64| 1.0 - (-TAU * hz / self.rate).exp();
        let (low, high) = (pace(300.0), pace(3000.0));
        let [a, b] = &mut self.band;
        a.y1 += low * (x - a.y1);
        b.y1 += high * (x - a.y1 - b.y1);
        b.y1
    }

    fn next_part(&mut self) {
        let seconds;
        (self.part, seconds) = match self.part {
            _ if self.syllables_left == 0 => {
                self.syllables_left = 4 + self.chance.below(12);
                (Part::Pause, self.chance.between(0.2, 0.9))
            }
            Part::Vowel { .. } if self.chance.unit() < 0.5 => {
                let loud = self.chance.between(0.2, 0.9);
                (Part::Fricative { loud }, self.chance.between(0.04, 0.12))
            }
            _ => {
                self.syllables_left -= 1;
                self.wanted_pitch = self.own_pitch * self.chance.between(0.75, 1.35);
                let from = self.vowel;
                self.vowel = VOWELS[self.chance.below(10) as usize];
                let (to, loud) = (self.vowel, self.chance.between(0.4, 1.0));
                let part = Part::Vowel { from, to, loud };
                (part, self.chance.between(0.09, 0.28))
            }
        };
        self.length = (seconds * self.rate) as usize;
        self.at = 0;
    }
}

/// Hum: multiples of a mains frequency with falling amplitudes, and a little noise.
#[derive(Clone, Debug)]
pub struct Hum {
    rate: f64,
    mains_hz: f64,
    n: u64,
    /// Amplitude and phase of each multiple.
    multiples: Vec<(f64, f64)>,
    noise: f64,
    chance: Chance,
}

impl Hum {
    /// Hum from mains of `mains_hz` with its noise `noise_db` below it.
    pub fn new(mains_hz: f64, noise_db: f64, rate: SampleRate, mut chance: Chance) -> Self {
        // Even multiples are stronger, as behind a rectifier.
        let multiple = |k: u32| {
            let parity = if k.is_multiple_of(2) { 1.0 } else { 0.5 };
            let amplitude = parity * chance.between(0.5, 1.5) / f64::from(k);
            (amplitude, chance.unit())
        };
        let mut multiples: Vec<(f64, f64)> = (1..=20).map(multiple).collect();
        let power: f64 = multiples.iter().map(|(a, _)| a * a / 2.0).sum();
        // One is the level of a sine with peaks at full scale.
        multiples
            .iter_mut()
            .for_each(|(a, _)| *a *= (0.5 / power).sqrt());
        Hum {
            rate: rate.hz_f64(),
            mains_hz,
            n: 0,
            multiples,
            noise: 0.5_f64.sqrt() * 10_f64.powf(-noise_db / 20.0),
            chance,
        }
    }

    /// Appends `n` samples of the power of a sine with peaks at `amplitude`.
    pub fn process(&mut self, amplitude: f32, n: usize, out: &mut Vec<f32>) {
        for _ in 0..n {
            let turns = self.mains_hz * self.n as f64 / self.rate;
            self.n += 1;
            let sum: f64 = (1..)
                .zip(&self.multiples)
                .map(|(k, (a, phase))| a * (TAU * (f64::from(k) * turns + phase)).sin())
                .sum();
            let noise = self.noise * f64::from(self.chance.normal());
            out.push((sum + noise) as f32 * amplitude);
        }
    }
}

/// What an FM receiver gives with its squelch open and nobody sending: `n` samples at `rate`.
///
/// # Errors
///
/// If the band cannot work at that rate.
pub fn open_squelch(
    rate: SampleRate,
    de_emphasis: bool,
    seed: u64,
    n: usize,
) -> Result<Vec<f32>, AirError> {
    let mut station = StationConfig::new("QA1SKY");
    station.de_emphasis = de_emphasis;
    let mut band = Band::new(&BandConfig {
        name: "open squelch".into(),
        rate,
        kind: Kind::Fm(FmConfig::default()),
        stations: vec![station],
        paths: Vec::new(),
        seed,
    })?;
    let mut out = Vec::with_capacity(n);
    while out.len() < n {
        band.step((n - out.len()).min(4096));
        out.extend_from_slice(band.heard(0));
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_voice_swells_and_pauses_within_its_peak() {
        let rate = SampleRate::new(24_000).expect("not zero");
        let mut voice = Voice::new(110.0, rate, Chance::stream(1, "voice"));
        let mut sound = Vec::new();
        voice.process(0.5, 20 * 24_000, &mut sound);
        assert!(sound.iter().all(|s| s.abs() <= 0.5));
        let loud = |part: &[f32]| part.iter().map(|s| s * s).sum::<f32>() / part.len() as f32;
        let levels: Vec<f32> = sound[24_000..].chunks(480).map(loud).collect();
        let most = levels.iter().copied().fold(0.0, f32::max);
        let share = |limit: f32| {
            levels.iter().filter(|l| **l > limit * most).count() as f32 / levels.len() as f32
        };
        assert!(
            share(0.1) > 0.1 && share(0.001) < 0.95,
            "{} {}",
            share(0.1),
            share(0.001)
        );
    }

    #[test]
    fn hum_has_its_level_and_its_period() {
        let rate = SampleRate::new(24_000).expect("not zero");
        let mut sound = Vec::new();
        Hum::new(50.0, 60.0, rate, Chance::stream(1, "hum")).process(0.5, 24_000, &mut sound);
        let power: f32 = sound.iter().map(|s| s * s).sum::<f32>() / 24_000.0;
        assert!((power / 0.125 - 1.0).abs() < 0.02, "{power}");
        let again: f32 = (0..23_000)
            .map(|i| (sound[i] - sound[i + 480]).powi(2))
            .sum();
        assert!(again / 23_000.0 < 1e-4);
    }
}
