//! How a file goes over a talk, beside what people type.
//!
//! docs/files.md is the protocol; the machine here is one side of it. It reads no clock, opens no file and
//! touches no link: the station gives in what arrives, asks for octets when the link has room and nothing
//! typed waits, and does what comes out.

mod event;
mod files;
mod head;
mod incoming;
mod line;
mod outgoing;
mod record;
mod splitter;
mod why;

pub use event::{File, Input, NotOffered, Output};
pub use files::{Files, LEAST_ROOM, MOST_PORTION, Settings, on_the_link};
pub use head::{
    HASH_OCTETS, Head, HeadError, MOST_MEDIA, MOST_NAME, hash_in_hex, hash_of, read_hash,
};
pub use incoming::{Limits, MOST_OPEN};
pub use line::span;
pub use splitter::INTRODUCER;
pub use why::Why;
