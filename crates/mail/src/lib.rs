//! Messages: what they are, how formal traffic is written, how two stations exchange them; and how a file goes
//! over a talk.
//!
//! Nothing here knows a port, a link or a disk. The station holds the messages; this room says what a
//! message is and what may be done with it.

pub mod exchange;
pub mod file;

mod address;
pub mod carriage;
mod identity;
mod message;
pub mod post;
pub mod radiogram;
mod text;

pub use address::{Address, AddressError};
pub use identity::{IdError, MessageId};
pub use message::{Kind, MOST_BODY, MOST_TITLE, Message, MessageError, Precedence, Station, Step};
pub use text::turns_text;
