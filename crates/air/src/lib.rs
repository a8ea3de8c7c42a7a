//! Simulated bands: a shared half-duplex medium that carries real audio samples.
//!
//! ```text
//! audio played -> sound clock -> transmitter -> paths -> receiver -> audio heard
//!                 resample       fm / ssb       fading   noise, fm / ssb
//! ```
//!
//! One [`Band`] joins up to [`MAX_STATIONS`] stations. Time is virtual and counted in samples:
//! the driver calls [`Band::step`], then reads what each station [heard](Band::heard). Nothing
//! is decided by rule that follows from physics: collisions, capture, the FM threshold and
//! fades come out of the summed signals.
//!
//! The same configuration, seed and calls give the same samples, bit for bit, whatever the
//! step length and whatever the order of calls between two steps.
//!
//! A [`FrameBand`](frames::FrameBand) carries whole frames instead, by rules with measured figures,
//! for as many stations as memory holds.
//!
//! What is left out of the sound: receivers all share one sound clock (only a sender's clock can be off),
//! propagation time, adjacent channels, AGC and ALC, transmitter noise.

mod band;
mod config;
mod emphasis;
mod fading;
mod fir;
mod fm;
pub mod frames;
mod judge;
mod noise;
mod oscillator;
mod resample;
mod sender;
pub mod sounds;
mod ssb;
pub mod tones;

pub use band::{Band, Transmission};
pub use config::{
    AirError, BandConfig, Fading, FmConfig, Kind, MAX_STATIONS, PathConfig, Sideband, SsbConfig,
    StationConfig,
};
pub use judge::{Cause, Reception, Rival};
