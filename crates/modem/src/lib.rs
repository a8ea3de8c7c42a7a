//! Samples to soft bits and back.
//!
//! One block of signal processing per file; a mode is a recipe (`recipe`) that joins blocks
//! into a [`Modulator`] and a [`Demodulator`]. Bits go in and come out as HDLC counts them:
//! NRZI and the scrambler are part of the line and live here, flags and octets do not.
//! Nothing allocates after construction, apart from the caller's own vectors growing.

mod baseband;
mod carrier;
mod clicks;
mod clipping;
mod correlator;
mod cpfsk;
mod demodulator;
mod emphasis;
mod error;
mod fir;
mod front_end;
mod level;
mod levels;
mod line;
mod mode;
mod modulator;
mod nco;
mod nrzi;
mod occupied;
mod pulse;
mod recipe;
mod resampler;
mod scrambler;
pub mod sense;
mod sequence;
mod shift;
mod statistics;
mod steady;
mod threshold;
mod timing;
mod tones;
mod track;

pub use demodulator::{DemodEvent, Demodulator, Measurement, ReceiveSettings, Rival};
pub use error::ModemError;
pub use level::{LevelMeter, SILENCE_DBFS};
pub use line::{
    Line, LineSettings, NAMED_PAIRS, NamedPair, SHIFT_BAUD, SHIFT_RATIO, TONE_BAUD, TONE_HZ,
    TonePair,
};
pub use mode::{HIGHEST_SAMPLE_RATE, Mode};
pub use modulator::{LEAST_SENT_HZ, Modulator, TransmitSettings};
pub use occupied::Occupied;
pub use steady::Steady;
