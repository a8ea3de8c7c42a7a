//! The codec: octets between address field and end of information field (flags, bit stuffing
//! and FCS are the framing's job) to typed frames and back.
//!
//! Decoding never panics and never guesses; what it accepts, it encodes again octet for octet.

mod address;
mod call_sign;
mod control;
mod frame;
pub mod pid;
mod render;
mod repeating;
pub mod xid;

pub use address::{Address, AddressField, MAX_REPEATERS, Repeater, Role};
pub use call_sign::{CallSign, CallSignError};
pub use control::{Control, Modulo};
pub use frame::{DecodeError, Fault, Frame};
