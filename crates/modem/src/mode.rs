//! The modes, by name.

use std::fmt;

use dunlin_clock::SampleRate;
use serde::{Deserialize, Serialize};

use crate::{Line, ModemError, TonePair};

/// A way to put bits on the air. What each is made of stands in the crate's recipes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Mode {
    /// 300 Bd, tones of 1600 and 1800 Hz: packet on HF single sideband.
    Afsk300,
    /// 600 Bd, tones of 1300 and 1700 Hz (as V.23, mode 1).
    Afsk600,
    /// 1200 Bd, tones of 1200 and 2200 Hz (Bell 202): packet on VHF FM.
    Afsk1200,
    /// 1200 Bd, direct frequency shift, not scrambled.
    Fsk1200,
    /// 2400 Bd, direct frequency shift, scrambled.
    Fsk2400,
    /// 4800 Bd, direct frequency shift, scrambled.
    Fsk4800,
    /// 9600 Bd, direct frequency shift, scrambled.
    Fsk9600,
}

/// The highest sample rate that is taken, in hertz; it bounds the memory for filters.
pub const HIGHEST_SAMPLE_RATE: u32 = 768_000;

impl Mode {
    /// Every mode, slowest first.
    pub const ALL: [Mode; 7] = [
        Mode::Afsk300,
        Mode::Afsk600,
        Mode::Afsk1200,
        Mode::Fsk1200,
        Mode::Fsk2400,
        Mode::Fsk4800,
        Mode::Fsk9600,
    ];

    /// The modes that are heard on the air without having been agreed on.
    pub const USUAL: [Mode; 5] = [
        Mode::Afsk300,
        Mode::Afsk1200,
        Mode::Fsk1200,
        Mode::Fsk4800,
        Mode::Fsk9600,
    ];

    /// The name used in plans and on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Mode::Afsk300 => "afsk300",
            Mode::Afsk600 => "afsk600",
            Mode::Afsk1200 => "afsk1200",
            Mode::Fsk1200 => "fsk1200",
            Mode::Fsk2400 => "fsk2400",
            Mode::Fsk4800 => "fsk4800",
            Mode::Fsk9600 => "fsk9600",
        }
    }

    /// The mode with this [`name`](Mode::name).
    pub fn from_name(name: &str) -> Option<Mode> {
        Mode::ALL.into_iter().find(|mode| mode.name() == name)
    }

    /// Symbols per second unless chosen otherwise ([`Line`]); each carries one bit.
    pub const fn baud(self) -> u32 {
        match self {
            Mode::Afsk300 => 300,
            Mode::Afsk600 => 600,
            Mode::Afsk1200 | Mode::Fsk1200 => 1200,
            Mode::Fsk2400 => 2400,
            Mode::Fsk4800 => 4800,
            Mode::Fsk9600 => 9600,
        }
    }

    /// The tones unless chosen otherwise ([`Line`]); `None` in modes of direct frequency shift.
    ///
    /// From public modem tables (Bell 202, V.23 mode 1); 1600/1800 Hz on HF is common practice,
    /// no source. The AX.25 standard names no modem.
    pub const fn tones(self) -> Option<TonePair> {
        let (mark_hz, space_hz) = match self {
            Mode::Afsk300 => (1600, 1800),
            Mode::Afsk600 => (1300, 1700),
            Mode::Afsk1200 => (1200, 2200),
            Mode::Fsk1200 | Mode::Fsk2400 | Mode::Fsk4800 | Mode::Fsk9600 => return None,
        };
        Some(TonePair { mark_hz, space_hz })
    }

    /// Whether the mode sends two audio tones, which can be off tune and unlike in level.
    pub const fn has_tones(self) -> bool {
        self.tones().is_some()
    }

    /// What kind of receiver it takes.
    pub(crate) const fn kind(self) -> LineKind {
        match self {
            Mode::Afsk300 => LineKind::SearchedTones,
            Mode::Afsk600 | Mode::Afsk1200 => LineKind::FixedTones,
            Mode::Fsk1200 => LineKind::Shift { scrambled: false },
            Mode::Fsk2400 | Mode::Fsk4800 | Mode::Fsk9600 => LineKind::Shift { scrambled: true },
        }
    }

    /// The lowest sample rate in hertz that carries the mode's spectrum.
    pub fn lowest_sample_rate(self) -> u32 {
        Line::from(self).lowest_sample_rate()
    }

    /// Fails if the mode cannot work at `rate`.
    ///
    /// # Errors
    /// [`ModemError::RateTooLow`], [`ModemError::RateTooHigh`]
    pub fn check_rate(self, rate: SampleRate) -> Result<(), ModemError> {
        Line::from(self).check_rate(rate)
    }
}

/// What a receiver must reckon with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum LineKind {
    /// Tones that may be off tune, as on single sideband.
    SearchedTones,
    /// Tones at their place, which may be unlike in level, as on FM.
    FixedTones,
    /// Direct frequency shift.
    Shift {
        /// Whether the scrambler is in the line.
        scrambled: bool,
    },
}

impl fmt::Display for Mode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_lead_back_to_their_modes() {
        for mode in Mode::ALL {
            assert_eq!(Mode::from_name(mode.name()), Some(mode));
        }
        assert_eq!(Mode::from_name("afsk2400"), None);
    }

    #[test]
    fn rates_outside_the_range_are_refused() {
        let check = |mode: Mode, hz| mode.check_rate(SampleRate::new(hz).expect("not zero"));
        assert!(check(Mode::Afsk1200, 8_000).is_ok());
        assert!(check(Mode::Fsk9600, 16_000).is_err());
        assert!(check(Mode::Afsk300, 1_000_000).is_err());
    }
}
