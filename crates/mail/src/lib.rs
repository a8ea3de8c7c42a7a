//! Messages: what they are, how formal traffic is written, how two stations exchange them.
//!
//! Nothing here knows a port, a link or a file. The station holds the messages; this room says what a
//! message is and what may be done with it.

pub mod exchange;

mod address;
mod identity;
mod message;
pub mod radiogram;
mod text;

pub use address::{Address, AddressError};
pub use identity::{IdError, MessageId};
pub use message::{Kind, MOST_BODY, MOST_TITLE, Message, MessageError, Precedence, Station, Step};
