//! How two stations exchange messages over one link.
//!
//! docs/mail-exchange.md is the protocol; the machine here is one side of it. It reads no clock, draws no
//! lots and touches no link: the station gives in what arrives and does what comes out.

mod answer;
mod incoming;
pub(crate) mod octets;
mod offer;
mod outgoing;
mod press;
mod session;
mod stream;

pub use answer::Why;
pub use incoming::{MOST_HELD, Partial};
pub use offer::{HASH_OCTETS, MOST_CONTENT, Offer, OfferError, Offerable};
pub use outgoing::{MOST_OFFERS, MOST_OFFERS_A_TURN};
pub use session::{Input, LEAST_TURN, Limits, MOST_TURN, Output, Session, Settings};
