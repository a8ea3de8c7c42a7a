//! Two tones taking turns, all of whose properties are known: the truth against which a
//! receiver's measurements are checked.

use std::f64::consts::TAU;

use dunlin_clock::{Chance, SampleRate};

/// How bits become two tones with a continuous phase.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KnownTones {
    /// The lower tone (mark), hertz.
    pub mark_hz: f64,
    /// The higher tone (space), hertz.
    pub space_hz: f64,
    /// Symbols per second, nominally.
    pub baud: f64,
    /// How far both tones lie above their places in the middle of the sound, hertz.
    pub offset_hz: f64,
    /// How fast both rise, hertz per second.
    pub drift_hz_s: f64,
    /// How much stronger the mark is than the space, dB; the mean power stays.
    pub twist_db: f64,
    /// By how much the symbols come faster, parts per million.
    pub faster_ppm: f64,
    /// Level of the mean power, dB below a full-scale sine.
    pub level_dbfs: f64,
}

impl KnownTones {
    /// Two tones as they should be.
    pub fn new(mark_hz: f64, space_hz: f64, baud: f64) -> Self {
        KnownTones {
            mark_hz,
            space_hz,
            baud,
            offset_hz: 0.0,
            drift_hz_s: 0.0,
            twist_db: 0.0,
            faster_ppm: 0.0,
            level_dbfs: -12.0,
        }
    }

    /// The sound of these levels, one for each symbol: true is mark.
    pub fn sound(&self, levels: &[bool], rate: SampleRate) -> Vec<f32> {
        let baud = self.baud * (1.0 + self.faster_ppm * 1e-6);
        let seconds = levels.len() as f64 / baud;
        let count = (seconds * rate.hz_f64()) as usize;
        let power = 10_f64.powf(self.level_dbfs / 10.0);
        let ratio = 10_f64.powf(self.twist_db / 10.0);
        let mark = (2.0 * power * ratio / (1.0 + ratio)).sqrt();
        let space = (2.0 * power / (1.0 + ratio)).sqrt();
        let mut phase = 0.0_f64;
        let sample = |n: usize| {
            let t = n as f64 / rate.hz_f64();
            let level = levels[((t * baud) as usize).min(levels.len() - 1)];
            let (hz, amplitude) = match level {
                true => (self.mark_hz, mark),
                false => (self.space_hz, space),
            };
            let off = self.offset_hz + self.drift_hz_s * (t - seconds / 2.0);
            let here = (amplitude * (TAU * phase).sin()) as f32;
            phase = (phase + (hz + off) / rate.hz_f64()).fract();
            here
        };
        (0..if levels.is_empty() { 0 } else { count })
            .map(sample)
            .collect()
    }
}

/// The levels of bits sent with NRZI: a zero changes the level, a one holds it (ISO/IEC 13239
/// leaves it to the line; common practice for packet radio).
pub fn nrzi(bits: &[bool]) -> Vec<bool> {
    let mut level = true;
    bits.iter()
        .map(|&bit| {
            level ^= !bit;
            level
        })
        .collect()
}

/// Adds white noise so that the sound has an Eb/N0 in dB (N0 one-sided) at `baud`, given its
/// level, dB below a full-scale sine.
pub fn add_noise(
    sound: &mut [f32],
    (level_dbfs, baud): (f64, f64),
    eb_n0_db: f64,
    rate: SampleRate,
    chance: &mut Chance,
) {
    let power = 10_f64.powf(level_dbfs / 10.0) / 2.0;
    let n0 = power / baud / 10_f64.powf(eb_n0_db / 10.0);
    let deviation = (n0 * rate.hz_f64() / 2.0).sqrt() as f32;
    for s in sound {
        *s += deviation * chance.normal();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn level_tones_and_length_are_as_told() {
        let rate = SampleRate::new(48_000).expect("not zero");
        let tones = KnownTones {
            offset_hz: 30.0,
            twist_db: 6.0,
            level_dbfs: -20.0,
            faster_ppm: 1000.0,
            ..KnownTones::new(1600.0, 1800.0, 300.0)
        };
        let sound = |levels: &[bool]| tones.sound(levels, rate);
        assert!(sound(&[]).is_empty());
        let both = sound(&[true, false].repeat(150));
        assert_eq!(both.len(), (48_000.0 / 1.001) as usize);
        let power = |s: &[f32]| s.iter().map(|x| f64::from(x * x)).sum::<f64>() / s.len() as f64;
        assert!((10.0 * (2.0 * power(&both)).log10() + 20.0).abs() < 0.05);
        let (mark, space) = (sound(&[true; 300]), sound(&[false; 300]));
        assert!((10.0 * (power(&mark) / power(&space)).log10() - 6.0).abs() < 0.01);
        let rises = |s: &[f32]| s.windows(2).filter(|w| w[0] <= 0.0 && w[1] > 0.0).count();
        assert!((1627..=1631).contains(&rises(&mark)), "{}", rises(&mark));
        assert!((1827..=1831).contains(&rises(&space)), "{}", rises(&space));
    }

    #[test]
    fn a_zero_changes_the_level() {
        assert_eq!(nrzi(&[true, false, false, true]), [true, false, true, true]);
    }
}
