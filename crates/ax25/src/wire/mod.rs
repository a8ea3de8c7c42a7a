//! The codec: octets between address field and end of information field (flags, bit stuffing
//! and FCS are the framing's job) to typed frames and back.
//!
//! Decoding never panics and never guesses; what it accepts, it encodes again octet for octet.

mod address;
mod call_sign;
mod control;
mod frame;
mod render;
mod repeating;

/// Protocol identifiers (§3.4, Fig 3.2), carried by I and UI frames only.
pub mod pid;

pub use address::{Address, AddressField, MAX_REPEATERS, Repeater, Role};
pub use call_sign::{CallSign, CallSignError};
pub use control::{Control, Modulo};
pub use frame::{DecodeError, Fault, Frame};
