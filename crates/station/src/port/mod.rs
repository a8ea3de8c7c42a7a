//! A port's sound side: the one place where modem and framing meet.
//!
//! [`Receiver`] turns samples into frame octets with what was measured while they were heard,
//! [`Transmitter`] turns frame octets into samples.

mod address;
mod merge;
mod receiver;
mod transmitter;

pub use receiver::{Receiver, ReceiverEvent, ReceptionReport, UnreadableReason};
pub use transmitter::{Transmitter, TransmitterSettings};
