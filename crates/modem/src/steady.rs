//! Steady levels for test signals: what the line holds when no bits pass, so that an
//! instrument at the other end can settle.

use crate::{Mode, ModemError};

/// What the line does for a while. It passes neither NRZI nor the scrambler.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Steady {
    /// The lower of two tones.
    LowTone,
    /// The higher of two tones.
    HighTone,
    /// The other level with each symbol: in a mode without tones a sine of half the symbol
    /// rate, the highest frequency that the data have.
    EachSymbol,
}

impl Steady {
    /// Whether a mode can send this. A mode without tones has no steady level to show: a radio
    /// passes no direct voltage.
    ///
    /// # Errors
    /// [`ModemError::NoTones`]
    pub fn check(self, mode: Mode) -> Result<(), ModemError> {
        match self {
            Steady::LowTone | Steady::HighTone if !mode.has_tones() => {
                Err(ModemError::NoTones { mode })
            }
            _ => Ok(()),
        }
    }

    /// The levels of so many symbols. A true level is the lower tone (mark).
    pub(crate) fn levels(self, symbols: usize) -> impl Iterator<Item = bool> {
        (0..symbols).map(move |n| match self {
            Steady::LowTone => true,
            Steady::HighTone => false,
            Steady::EachSymbol => n % 2 == 0,
        })
    }
}
