//! What a port's signal is made of: a mode, and what was chosen differently from it.

use std::fmt;

use dunlin_clock::SampleRate;
use serde::{Deserialize, Serialize};

use crate::mode::{HIGHEST_SAMPLE_RATE, LineKind};
use crate::{Mode, ModemError};

/// Symbol rates that modes of two tones take, baud.
pub const TONE_BAUD: std::ops::RangeInclusive<u32> = 45..=2400;
/// Symbol rates that modes of direct frequency shift take, baud.
pub const SHIFT_BAUD: std::ops::RangeInclusive<u32> = 1200..=19_200;
/// Tones that are taken, hertz.
pub const TONE_HZ: std::ops::RangeInclusive<u32> = 200..=10_000;
/// Tones may lie this many symbol rates apart. Nearer ones are no longer told apart within a
/// symbol (0.5 is minimum shift keying); wider ones leave the receiver's filters.
pub const SHIFT_RATIO: std::ops::RangeInclusive<f64> = 0.5..=2.0;
/// Samples a second that sound devices usually have.
const USUAL_RATES: [u32; 8] = [
    8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 96_000,
];

/// The two tones of a mode, hertz.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct TonePair {
    /// Sent for a one (mark).
    pub mark_hz: u32,
    /// Sent for a zero (space).
    pub space_hz: u32,
}

/// What of a mode is chosen differently. The default leaves all as the mode has it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(default)]
pub struct LineSettings {
    /// Symbols per second: [`TONE_BAUD`] or [`SHIFT_BAUD`].
    pub baud: Option<u32>,
    /// The tones, for modes that have them; either may be the higher one.
    pub tones: Option<TonePair>,
    /// Ones and zeros are exchanged on the line: the other tone, the other way of shifting.
    ///
    /// NRZI tells only changes, and so does the scrambler with its odd number of taps, so that
    /// every receiver of packet radio reads either polarity, this one too; it matters to
    /// instruments, and to radios that are unlike on either side of their middle.
    pub inverted: bool,
}

/// A mode with its symbol rate, tones and polarity settled: what a modem is built for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "Written")]
pub struct Line {
    mode: Mode,
    baud: u32,
    tones: Option<TonePair>,
    inverted: bool,
}

/// A line as it is stored, before it is checked.
#[derive(Deserialize)]
struct Written {
    mode: Mode,
    baud: u32,
    tones: Option<TonePair>,
    inverted: bool,
}

impl TryFrom<Written> for Line {
    type Error = ModemError;

    fn try_from(written: Written) -> Result<Line, ModemError> {
        let settings = LineSettings {
            baud: Some(written.baud),
            tones: written.tones,
            inverted: written.inverted,
        };
        Line::new(written.mode, settings)
    }
}

impl From<Mode> for Line {
    fn from(mode: Mode) -> Line {
        Line {
            mode,
            baud: mode.baud(),
            tones: mode.tones(),
            inverted: false,
        }
    }
}

impl Line {
    /// The mode with what is chosen differently.
    ///
    /// # Errors
    /// If the rate or the tones are outside what can be sent and received, or do not suit each
    /// other.
    pub fn new(mode: Mode, settings: LineSettings) -> Result<Line, ModemError> {
        let LineSettings {
            baud,
            tones,
            inverted,
        } = settings;
        if tones.is_some() && !mode.has_tones() {
            return Err(ModemError::TonesWithoutTones { mode });
        }
        let line = Line {
            mode,
            baud: baud.unwrap_or(mode.baud()),
            tones: tones.or(mode.tones()),
            inverted,
        };
        line.check()?;
        Ok(line)
    }

    fn check(&self) -> Result<(), ModemError> {
        let (mode, baud) = (self.mode, self.baud);
        let range = match mode.has_tones() {
            true => TONE_BAUD,
            false => SHIFT_BAUD,
        };
        if !range.contains(&baud) {
            let (least, most) = range.into_inner();
            return Err(ModemError::BaudOutOfRange {
                mode,
                baud,
                least,
                most,
            });
        }
        let Some((low, high)) = self.low_and_high() else {
            return Ok(());
        };
        if low == high {
            return Err(ModemError::TonesEqual { hz: low });
        }
        for hz in [low, high] {
            if !TONE_HZ.contains(&hz) {
                return Err(ModemError::ToneOutOfRange { hz });
            }
        }
        let shift_hz = high - low;
        let ratio = f64::from(shift_hz) / f64::from(baud);
        if ratio < *SHIFT_RATIO.start() {
            let least_hz = baud.div_ceil(2);
            return Err(ModemError::ShiftTooSmall {
                shift_hz,
                baud,
                least_hz,
            });
        }
        if ratio > *SHIFT_RATIO.end() {
            let most_hz = 2 * baud;
            return Err(ModemError::ShiftTooLarge {
                shift_hz,
                baud,
                most_hz,
            });
        }
        // Below, the spectrum of the lower tone folds over at nought.
        if 2 * low < baud {
            return Err(ModemError::ToneTooLow { hz: low, baud });
        }
        Ok(())
    }

    /// The mode.
    pub fn mode(&self) -> Mode {
        self.mode
    }

    /// Symbols per second; each carries one bit.
    pub fn baud(&self) -> u32 {
        self.baud
    }

    /// The tones for one and zero; `None` in modes of direct frequency shift.
    pub fn tones(&self) -> Option<TonePair> {
        self.tones
    }

    /// The lower and the higher tone, hertz.
    pub fn low_and_high(&self) -> Option<(u32, u32)> {
        self.tones
            .map(|TonePair { mark_hz, space_hz }| (mark_hz.min(space_hz), mark_hz.max(space_hz)))
    }

    /// The middle between the tones, hertz.
    pub fn centre_hz(&self) -> Option<f64> {
        self.low_and_high()
            .map(|(low, high)| f64::from(low + high) / 2.0)
    }

    /// How far the tones lie apart, hertz.
    pub fn shift_hz(&self) -> Option<f64> {
        self.low_and_high().map(|(low, high)| f64::from(high - low))
    }

    /// Whether a one is sent as the higher tone, or as the negative level.
    pub fn is_turned(&self) -> bool {
        let high_mark = self.tones.is_some_and(|t| t.mark_hz > t.space_hz);
        high_mark != self.inverted
    }

    /// Whether two audio tones are sent, which can be off tune and unlike in level.
    pub fn has_tones(&self) -> bool {
        self.tones.is_some()
    }

    /// Whether the receiver looks for the tones off their place, as on single sideband.
    pub fn is_searched(&self) -> bool {
        self.mode.kind() == LineKind::SearchedTones
    }

    /// The lowest usual sample rate in hertz that carries the spectrum: 2.25 samples a symbol of
    /// direct shift; for tones 0.45 of it must reach over the higher tone and its sideband.
    pub fn lowest_sample_rate(&self) -> u32 {
        let baud = f64::from(self.baud);
        let needed = match self.low_and_high() {
            Some((_, high)) => (f64::from(high) + 0.6 * baud) / 0.45,
            None => 2.25 * baud,
        };
        let enough = USUAL_RATES
            .into_iter()
            .find(|&rate| f64::from(rate) >= needed);
        enough.unwrap_or(needed.ceil() as u32)
    }

    /// Fails if the line cannot work with so many samples a second.
    ///
    /// # Errors
    /// [`ModemError::RateTooLow`], [`ModemError::RateTooHigh`]
    pub fn check_rate(&self, rate: SampleRate) -> Result<(), ModemError> {
        let lowest = self.lowest_sample_rate();
        if rate.hz() < lowest {
            return Err(ModemError::RateTooLow {
                line: *self,
                rate: rate.hz(),
                lowest,
            });
        }
        if rate.hz() > HIGHEST_SAMPLE_RATE {
            return Err(ModemError::RateTooHigh { rate: rate.hz() });
        }
        Ok(())
    }
}

impl fmt::Display for Line {
    /// The mode's name, and what differs from it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.mode.name())?;
        let own = Line::from(self.mode);
        if let Some(TonePair { mark_hz, space_hz }) = self.tones.filter(|_| self.tones != own.tones)
        {
            write!(f, " {mark_hz}/{space_hz} Hz")?;
        }
        if self.baud != own.baud {
            write!(f, " {} Bd", self.baud)?;
        }
        if self.inverted {
            f.write_str(" inverted")?;
        }
        Ok(())
    }
}

/// A pair of tones that has a name, with the symbol rate it is named for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NamedPair {
    /// Its name.
    pub name: &'static str,
    /// Its symbol rate.
    pub baud: u32,
    /// Its tones.
    pub tones: TonePair,
}

const fn pair(name: &'static str, baud: u32, mark_hz: u32, space_hz: u32) -> NamedPair {
    NamedPair {
        name,
        baud,
        tones: TonePair { mark_hz, space_hz },
    }
}

/// The usual pairs. Tones and rates from public modem tables and summaries of ITU-T V.21 and
/// V.23, which agree; AT&T's and ITU's own papers were not seen. The two of HF packet radio:
/// common practice, no source.
pub const NAMED_PAIRS: [NamedPair; 10] = [
    pair("Bell 202", 1200, 1200, 2200),
    pair("Bell 103 originate", 300, 1270, 1070),
    pair("Bell 103 answer", 300, 2225, 2025),
    pair("V.21 channel 1", 300, 980, 1180),
    pair("V.21 channel 2", 300, 1650, 1850),
    pair("V.23 mode 1", 600, 1300, 1700),
    pair("V.23 mode 2", 1200, 1300, 2100),
    pair("V.23 backward", 75, 390, 450),
    pair("1600/1800", 300, 1600, 1800),
    pair("2110/2310", 300, 2110, 2310),
];

impl NamedPair {
    /// The pair of this name, however it is written as to capitals.
    pub fn find(name: &str) -> Option<NamedPair> {
        let same = |pair: &NamedPair| pair.name.eq_ignore_ascii_case(name.trim());
        NAMED_PAIRS.into_iter().find(same)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(mode: Mode, baud: u32, mark_hz: u32, space_hz: u32) -> Result<Line, ModemError> {
        let settings = LineSettings {
            baud: Some(baud),
            tones: Some(TonePair { mark_hz, space_hz }),
            inverted: false,
        };
        Line::new(mode, settings)
    }

    #[test]
    fn every_mode_and_named_pair_passes_its_own_check() {
        for mode in Mode::ALL {
            let plain = Line::new(mode, LineSettings::default());
            assert_eq!(plain, Ok(Line::from(mode)));
            assert_eq!(Line::from(mode).to_string(), mode.name());
        }
        for NamedPair { name, baud, tones } in NAMED_PAIRS {
            let mode = if baud > 300 {
                Mode::Afsk1200
            } else {
                Mode::Afsk300
            };
            let line = line(mode, baud, tones.mark_hz, tones.space_hz).expect("a known pair");
            assert_eq!(line.lowest_sample_rate(), 8_000, "{name}");
            assert_eq!(
                NamedPair::find(&name.to_lowercase()).map(|p| p.tones),
                Some(tones)
            );
        }
        assert_eq!(NamedPair::find("Bell 9"), None);
    }

    #[test]
    fn what_cannot_work_is_refused_with_a_reason() {
        let reason = |mode, baud, mark, space| match line(mode, baud, mark, space) {
            Err(error) => error.to_string(),
            Ok(line) => panic!("{line} was taken"),
        };
        assert_eq!(
            reason(Mode::Afsk300, 300, 1700, 1700),
            "both tones are 1700 Hz; a one and a zero need different ones"
        );
        assert!(reason(Mode::Afsk300, 30, 1600, 1800).contains("45 to 2400"));
        assert!(reason(Mode::Afsk300, 9600, 1600, 1800).contains("45 to 2400"));
        assert!(reason(Mode::Afsk1200, 1200, 1700, 2200).contains("at least 600 Hz"));
        assert!(reason(Mode::Afsk300, 45, 1600, 1800).contains("at most 90 Hz"));
        assert!(reason(Mode::Afsk1200, 2400, 1100, 2500).contains("1100 Hz"));
        assert!(reason(Mode::Afsk300, 300, 100, 300).contains("200 to 10000"));
        assert!(reason(Mode::Fsk9600, 9600, 1600, 1800).contains("no tones"));
        let slow = LineSettings {
            baud: Some(300),
            ..LineSettings::default()
        };
        let error = Line::new(Mode::Fsk9600, slow).expect_err("too slow");
        assert!(error.to_string().contains("1200 to 19200"));
    }

    #[test]
    fn a_higher_rate_or_tone_needs_more_samples() {
        let rate = |hz| SampleRate::new(hz).expect("not zero");
        let high = line(Mode::Afsk1200, 1200, 4000, 5000).expect("fits");
        assert_eq!(high.lowest_sample_rate(), 16_000);
        assert!(high.check_rate(rate(16_000)).is_ok());
        let error = high
            .check_rate(rate(8_000))
            .expect_err("too low")
            .to_string();
        assert!(
            error.starts_with("afsk1200 4000/5000 Hz needs at least 16000"),
            "{error}"
        );
        let fast = LineSettings {
            baud: Some(19_200),
            ..LineSettings::default()
        };
        let fast = Line::new(Mode::Fsk9600, fast).expect("fits");
        assert_eq!(fast.lowest_sample_rate(), 44_100);
    }

    #[test]
    fn the_polarity_turns_with_the_tones_and_with_the_choice() {
        let turned = |mark, space, inverted| {
            let settings = LineSettings {
                tones: Some(TonePair {
                    mark_hz: mark,
                    space_hz: space,
                }),
                inverted,
                ..LineSettings::default()
            };
            Line::new(Mode::Afsk300, settings)
                .expect("fits")
                .is_turned()
        };
        assert!(!turned(1600, 1800, false) && turned(1600, 1800, true));
        assert!(turned(1270, 1070, false) && !turned(1270, 1070, true));
    }
}
