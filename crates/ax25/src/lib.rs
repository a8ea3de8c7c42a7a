//! AX.25 for one link, as pure input and output.
//!
//! * [`wire`] turns octets into typed frames and back, without losing a bit.
//! * [`data_link`] is the standard's data-link machine, one file per state.
//!
//! The standard meant throughout is "AX.25 Link Access Protocol for Amateur Packet Radio,
//! Version 2.2, Revision 4" (27 October 2025), cited as `§n` and `Fig n`. Nothing here reads
//! a clock, opens a device or knows of a port: time and frames are handed in, and what is to
//! be done is handed out.

pub mod data_link;
pub mod wire;

pub use data_link::{Link, LinkConfig};
pub use wire::{CallSign, CallSignError, Frame};
