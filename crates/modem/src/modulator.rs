//! Bits to samples, for any mode.

use std::time::Duration;

use dunlin_clock::SampleRate;

use crate::cpfsk::{Cpfsk, Tone};
use crate::emphasis::{self, MOST_DB_PER_OCTAVE};
use crate::nrzi::NrziEncoder;
use crate::pulse::PulseShaper;
use crate::recipe::Recipe;
use crate::scrambler::Scrambler;
use crate::{Line, ModemError, Steady};

/// No tone is sent below this, hertz: no radio passes it, and the law of pre-emphasis has no level at
/// 0 Hz.
pub const LEAST_SENT_HZ: f64 = 50.0;

/// How to send.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TransmitSettings {
    /// Highest peak of the sound, dB below full scale: -60 to 0.
    pub level_dbfs: f32,
    /// How far both tones are moved up, hertz: -500 to 500, and so that the lower one stays at
    /// [`LEAST_SENT_HZ`] or above. Must be 0 for modes without tones.
    pub offset_hz: f32,
    /// How much higher a tone is sent than one an octave below, dB per octave: 0 to 6. The
    /// higher tone keeps the level. Must be 0 for modes without tones.
    pub pre_emphasis_db_per_octave: f32,
}

impl Default for TransmitSettings {
    /// 6 dB below full scale, tones where they belong and of one level.
    fn default() -> Self {
        TransmitSettings {
            level_dbfs: -6.0,
            offset_hz: 0.0,
            pre_emphasis_db_per_octave: 0.0,
        }
    }
}

impl TransmitSettings {
    /// Fails if a figure is out of its range, or `line` has no tones to which it could apply.
    fn check(&self, line: &Line) -> Result<(), ModemError> {
        let TransmitSettings {
            level_dbfs,
            offset_hz,
            pre_emphasis_db_per_octave: db_per_octave,
        } = *self;
        let mode = line.mode();
        if !(-60.0..=0.0).contains(&level_dbfs) {
            return Err(ModemError::LevelOutOfRange { level_dbfs });
        }
        if !(-500.0..=500.0).contains(&offset_hz) {
            return Err(ModemError::OffsetOutOfRange { offset_hz });
        }
        if offset_hz != 0.0 && !line.has_tones() {
            return Err(ModemError::OffsetWithoutTones { mode });
        }
        let lowest = line
            .low_and_high()
            .map(|(low, _)| f64::from(low) + f64::from(offset_hz));
        if lowest.is_some_and(|hz| hz < LEAST_SENT_HZ) {
            return Err(ModemError::OffsetTooLow { offset_hz });
        }
        if !(0.0..=MOST_DB_PER_OCTAVE).contains(&db_per_octave) {
            return Err(ModemError::EmphasisOutOfRange { db_per_octave });
        }
        if db_per_octave != 0.0 && !line.has_tones() {
            return Err(ModemError::EmphasisWithoutTones { mode });
        }
        Ok(())
    }
}

/// Bits to samples.
#[derive(Clone, Debug)]
pub struct Modulator {
    line: Line,
    rate: SampleRate,
    settings: TransmitSettings,
    scrambled: bool,
    shaper: Shaper,
}

#[derive(Clone, Debug)]
enum Shaper {
    Tones(Cpfsk),
    Baseband(PulseShaper),
}

impl Modulator {
    /// A modulator that makes samples at `rate`; the line is a [`Line`] or just a
    /// [`Mode`](crate::Mode).
    pub fn new(
        line: impl Into<Line>,
        rate: SampleRate,
        settings: TransmitSettings,
    ) -> Result<Self, ModemError> {
        let line = line.into();
        line.check_rate(rate)?;
        settings.check(&line)?;
        let recipe = Recipe::of(&line);
        let scrambled = matches!(&recipe, Recipe::Baseband(r) if r.scrambled);
        let peak = 10_f64.powf(f64::from(settings.level_dbfs) / 20.0);
        let shaper = match recipe {
            Recipe::Tones(r) => {
                let tones_hz = [r.mark_hz, r.space_hz];
                let tones_hz = tones_hz.map(|hz| f64::from(hz) + f64::from(settings.offset_hz));
                let steepness = f64::from(settings.pre_emphasis_db_per_octave);
                let peaks = emphasis::peaks(peak, tones_hz, steepness);
                let tone = |n: usize| Tone {
                    hz: tones_hz[n],
                    peak: peaks[n],
                };
                Shaper::Tones(Cpfsk::new(rate, line.baud(), tone(0), tone(1)))
            }
            Recipe::Baseband(_) => Shaper::Baseband(PulseShaper::new(rate, line.baud(), peak)),
        };
        Ok(Modulator {
            line,
            rate,
            settings,
            scrambled,
            shaper,
        })
    }

    /// The same with the tones elsewhere.
    ///
    /// # Errors
    /// [`ModemError::OffsetOutOfRange`], [`ModemError::OffsetWithoutTones`],
    /// [`ModemError::OffsetTooLow`]
    pub fn with_offset(&self, offset_hz: f32) -> Result<Self, ModemError> {
        let settings = TransmitSettings {
            offset_hz,
            ..self.settings
        };
        Modulator::new(self.line, self.rate, settings)
    }

    /// The line that is sent.
    pub fn line(&self) -> Line {
        self.line
    }

    /// Appends one transmission: the sound rises smoothly before the first bit and ends
    /// smoothly after the last.
    pub fn modulate(&self, bits: &[bool], out: &mut Vec<f32>) {
        self.shape(&self.levels(bits), out);
    }

    /// Appends one transmission that begins with steady levels, each for so many symbols, and
    /// goes on with bits, its phase unbroken all the way.
    ///
    /// # Errors
    /// [`ModemError::NoTones`] if the mode cannot hold such a level; then nothing is appended.
    pub fn modulate_test(
        &self,
        steady: &[(Steady, usize)],
        bits: &[bool],
        out: &mut Vec<f32>,
    ) -> Result<(), ModemError> {
        steady
            .iter()
            .try_for_each(|(s, _)| s.check(self.line.mode()))?;
        let held = steady.iter().flat_map(|&(s, symbols)| s.levels(symbols));
        let levels: Vec<bool> = held.chain(self.levels(bits)).collect();
        self.shape(&levels, out);
        Ok(())
    }

    fn levels(&self, bits: &[bool]) -> Vec<bool> {
        let (mut line, mut scrambler) = (NrziEncoder::default(), Scrambler::default());
        let turned = self.line.is_turned();
        let mut level = |&bit: &bool| {
            let level = line.step(bit);
            let level = match self.scrambled {
                true => scrambler.step(level),
                false => level,
            };
            level != turned
        };
        bits.iter().map(&mut level).collect()
    }

    fn shape(&self, levels: &[bool], out: &mut Vec<f32>) {
        match &self.shaper {
            Shaper::Tones(shaper) => shaper.process(levels, out),
            Shaper::Baseband(shaper) => shaper.process(levels, out),
        }
    }

    /// How long a transmission of so many bits sounds.
    pub fn duration(&self, bits: usize) -> Duration {
        let samples = match &self.shaper {
            Shaper::Tones(shaper) => shaper.samples(bits),
            Shaper::Baseband(shaper) => shaper.samples(bits),
        };
        self.rate.duration_of(samples)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{LineSettings, Mode, TonePair};

    #[test]
    fn no_tone_is_sent_below_the_least() {
        let tones = TonePair {
            mark_hz: 200,
            space_hz: 400,
        };
        let settings = LineSettings {
            tones: Some(tones),
            ..LineSettings::default()
        };
        let line = Line::new(Mode::Afsk300, settings).expect("within the limits");
        let rate = SampleRate::new(12_000).expect("not zero");
        let low = |offset_hz: f32, pre_emphasis_db_per_octave: f32| {
            let settings = TransmitSettings {
                offset_hz,
                pre_emphasis_db_per_octave,
                ..TransmitSettings::default()
            };
            Modulator::new(line, rate, settings)
        };
        for db in [0.0, 6.0] {
            for offset_hz in [-151.0, -200.0, -250.0, -500.0] {
                let error = low(offset_hz, db).expect_err("too low");
                assert_eq!(error, ModemError::OffsetTooLow { offset_hz });
            }
            let mut sound = Vec::new();
            let modulator = low(-150.0, db).expect("50 Hz may be");
            modulator.modulate(&[true, false, true, true, false], &mut sound);
            // 6 dB below full scale.
            assert!(sound.iter().all(|s| s.abs() <= 0.5012), "{db} dB");
            assert!(sound.iter().any(|s| s.abs() > 0.1), "{db} dB");
        }
    }
}
