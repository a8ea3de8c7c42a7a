//! Why a modem could not be built.

use thiserror::Error;

use crate::emphasis::MOST_DB_PER_OCTAVE;
use crate::line::TONE_HZ;
use crate::mode::HIGHEST_SAMPLE_RATE;
use crate::modulator::LEAST_SENT_HZ;
use crate::{Line, Mode};

/// A modem that cannot be built as asked. All of these are the caller's to mend.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum ModemError {
    /// Too few samples a second for the spectrum.
    #[error("{line} needs at least {lowest} samples per second, and this is {rate}")]
    RateTooLow {
        /// The line asked for.
        line: Line,
        /// The rate given, hertz.
        rate: u32,
        /// The least rate for this line, hertz.
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
    /// A tone offset that leaves nearly nothing of the lower tone's frequency.
    #[error("a tone offset of {offset_hz} Hz puts the lower tone below {LEAST_SENT_HZ} Hz")]
    OffsetTooLow {
        /// The offset given, hertz.
        offset_hz: f32,
    },
    /// A tone offset for a mode without tones.
    #[error("{mode} has no tones, so it takes no tone offset")]
    OffsetWithoutTones {
        /// The mode asked for.
        mode: Mode,
    },
    /// A pre-emphasis that no radio has.
    #[error("a pre-emphasis of {db_per_octave} dB per octave is outside 0 to {MOST_DB_PER_OCTAVE}")]
    EmphasisOutOfRange {
        /// The pre-emphasis given, dB per octave.
        db_per_octave: f32,
    },
    /// Pre-emphasis for a mode without tones.
    #[error("{mode} has no tones, of which one could be raised")]
    EmphasisWithoutTones {
        /// The mode asked for.
        mode: Mode,
    },
    /// A steady tone of a mode without tones.
    #[error("{mode} has no tones, and a radio passes no steady level")]
    NoTones {
        /// The mode asked for.
        mode: Mode,
    },
    /// Tones given to a mode without tones.
    #[error("{mode} has no tones, so none can be chosen")]
    TonesWithoutTones {
        /// The mode asked for.
        mode: Mode,
    },
    /// A symbol rate that the mode is not made for.
    #[error("{mode} takes {least} to {most} Bd, and this is {baud}")]
    BaudOutOfRange {
        /// The mode asked for.
        mode: Mode,
        /// The rate given, baud.
        baud: u32,
        /// The least rate.
        least: u32,
        /// The highest rate.
        most: u32,
    },
    /// The same tone twice.
    #[error("both tones are {hz} Hz; a one and a zero need different ones")]
    TonesEqual {
        /// The tone, hertz.
        hz: u32,
    },
    /// A tone that no sound channel of a radio passes.
    #[error("a tone of {hz} Hz is outside {} to {} Hz", TONE_HZ.start(), TONE_HZ.end())]
    ToneOutOfRange {
        /// The tone, hertz.
        hz: u32,
    },
    /// Tones so near that a symbol is too short to tell them apart.
    #[error(
        "tones {shift_hz} Hz apart are too near for {baud} Bd; take at least {least_hz} Hz, or a \
         slower rate"
    )]
    ShiftTooSmall {
        /// How far the tones lie apart, hertz.
        shift_hz: u32,
        /// The symbol rate.
        baud: u32,
        /// The least distance, hertz.
        least_hz: u32,
    },
    /// Tones so far apart that most of the room between them is waste.
    #[error(
        "tones {shift_hz} Hz apart are too far for {baud} Bd; take at most {most_hz} Hz, or a \
         faster rate"
    )]
    ShiftTooLarge {
        /// How far the tones lie apart, hertz.
        shift_hz: u32,
        /// The symbol rate.
        baud: u32,
        /// The greatest distance, hertz.
        most_hz: u32,
    },
    /// A symbol rate of more than two periods of the lower tone.
    #[error(
        "{baud} Bd is too fast for a tone of {hz} Hz; a symbol needs half a period of it at least"
    )]
    ToneTooLow {
        /// The lower tone, hertz.
        hz: u32,
        /// The symbol rate.
        baud: u32,
    },
}
