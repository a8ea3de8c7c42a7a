//! A port's sound side: the one place where modem and framing meet.
//!
//! [`Receiver`] turns samples into frame octets with what was measured while they were heard,
//! [`PairReceiver`] joins two inputs that hear the same transmissions, [`PortReceiver`] listens
//! to all lines and inputs of a port, [`Transmitter`] turns frame octets into samples.

pub(crate) mod address;
mod advice;
mod guess;
mod hearing;
mod merge;
mod pair;
mod receiver;
mod sound;
mod transmitter;

pub use advice::TonesAdvice;
pub use dunlin_framing::{FecStrength, most_bits};
pub use dunlin_modem::sense::SoundKind;
pub use guess::Guess;
pub use hearing::{MOST_LINES, PortEvent, PortReceiver};
pub use pair::{HeardOn, Input, PairEvent, PairReceiver};
pub use receiver::{FecReport, Receiver, ReceiverEvent, ReceptionReport, UnreadableReason};
pub use sound::ChannelSound;
pub use transmitter::{TimedFrame, Transmitter, TransmitterSettings};
