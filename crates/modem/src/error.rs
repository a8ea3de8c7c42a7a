//! Why a modem could not be built.

use thiserror::Error;

use crate::Mode;
use crate::mode::HIGHEST_SAMPLE_RATE;

/// A modem that cannot be built as asked. All of these are the caller's to mend.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum ModemError {
    /// Too few samples a second for the mode's spectrum.
    #[error("{mode} needs at least {lowest} samples per second, and this is {rate}")]
    RateTooLow {
        /// The mode asked for.
        mode: Mode,
        /// The rate given, hertz.
        rate: u32,
        /// The least rate for this mode, hertz.
        lowest: u32,
    },
    /// More samples a second than any sound has.
    #[error("{rate} samples per second is more than the limit of {HIGHEST_SAMPLE_RATE}")]
    RateTooHigh {
        /// The rate given, hertz.
        rate: u32,
    },
    /// A transmit level above full scale or too small to be meant.
    #[error("a level of {level_dbfs} dBFS is outside -60 to 0 dBFS")]
    LevelOutOfRange {
        /// The level given.
        level_dbfs: f32,
    },
    /// A tone offset so large that the tones leave the voice channel.
    #[error("a tone offset of {offset_hz} Hz is outside -500 to 500 Hz")]
    OffsetOutOfRange {
        /// The offset given, hertz.
        offset_hz: f32,
    },
    /// A tone offset for a mode without tones.
    #[error("{mode} has no tones, so it takes no tone offset")]
    OffsetWithoutTones {
        /// The mode asked for.
        mode: Mode,
    },
    /// A steady tone of a mode without tones.
    #[error("{mode} has no tones, and a radio passes no steady level")]
    NoTones {
        /// The mode asked for.
        mode: Mode,
    },
}
