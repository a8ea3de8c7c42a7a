//! The modes, by name.

use std::fmt;

use dunlin_clock::SampleRate;
use serde::{Deserialize, Serialize};

use crate::ModemError;
use crate::recipe::Recipe;

/// A way to put bits on the air. What each is made of stands in the crate's recipes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Mode {
    /// 300 Bd, tones of 1600 and 1800 Hz: packet on HF single sideband.
    Afsk300,
    /// 1200 Bd, tones of 1200 and 2200 Hz (Bell 202): packet on VHF FM.
    Afsk1200,
    /// 1200 Bd, direct frequency shift, not scrambled.
    Fsk1200,
    /// 4800 Bd, direct frequency shift, scrambled.
    Fsk4800,
    /// 9600 Bd, direct frequency shift, scrambled.
    Fsk9600,
}

/// The highest sample rate that is taken, in hertz; it bounds the memory for filters.
pub const HIGHEST_SAMPLE_RATE: u32 = 768_000;

impl Mode {
    /// Every mode, slowest first.
    pub const ALL: [Mode; 5] = [
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
            Mode::Afsk1200 => "afsk1200",
            Mode::Fsk1200 => "fsk1200",
            Mode::Fsk4800 => "fsk4800",
            Mode::Fsk9600 => "fsk9600",
        }
    }

    /// The mode with this [`name`](Mode::name).
    pub fn from_name(name: &str) -> Option<Mode> {
        Mode::ALL.into_iter().find(|mode| mode.name() == name)
    }

    /// Symbols per second; each carries one bit.
    pub const fn baud(self) -> u32 {
        match self {
            Mode::Afsk300 => 300,
            Mode::Afsk1200 | Mode::Fsk1200 => 1200,
            Mode::Fsk4800 => 4800,
            Mode::Fsk9600 => 9600,
        }
    }

    /// The lowest sample rate in hertz that carries the mode's spectrum: for the direct
    /// shift modes the usual rate next above 2.25 samples a symbol.
    pub const fn lowest_sample_rate(self) -> u32 {
        match self {
            Mode::Afsk300 | Mode::Afsk1200 | Mode::Fsk1200 => 8_000,
            Mode::Fsk4800 => 11_025,
            Mode::Fsk9600 => 22_050,
        }
    }

    /// The lower and the higher audio tone (mark and space), hertz; `None` for direct shift.
    pub const fn tones_hz(self) -> Option<(f32, f32)> {
        match Recipe::of(self) {
            Recipe::Tones(r) => Some((r.mark_hz as f32, r.space_hz as f32)),
            Recipe::Baseband(_) => None,
        }
    }

    /// Whether the mode sends two audio tones, which can be off tune and unlike in level.
    pub const fn has_tones(self) -> bool {
        matches!(self, Mode::Afsk300 | Mode::Afsk1200)
    }

    /// Fails if the mode cannot work at `rate`.
    pub fn check_rate(self, rate: SampleRate) -> Result<(), ModemError> {
        let lowest = self.lowest_sample_rate();
        if rate.hz() < lowest {
            return Err(ModemError::RateTooLow {
                mode: self,
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
