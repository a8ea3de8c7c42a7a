//! What a station asks of whoever keeps its mail, and what that answers.
//!
//! These are values and rules alone: a [`Letter`] is a message with what this station knows of it, an
//! [`Ask`] is one thing to be done in one piece, [`route`] says to whom a message goes on, and
//! [`HoldRules`] what a person looks at first. Who keeps the letters is another room's affair
//! (docs/mail.md).
//!
//! No personal mail is shown to a reader who neither wrote it nor is its addressee, apart from the
//! operator. That is courtesy and not secrecy: what goes on the air can be read by everybody.

mod ask;
mod hold;
mod letter;
mod proof;
mod room;
mod route;
mod standing;
mod when;

pub use ask::{Answer, Ask, Counts, MOST_LISTED, Outcome, Which};
pub use hold::{HoldRules, Verdict};
pub use letter::{Head, Letter, may_read, settled, standing_on};
pub use proof::Proof;
pub use room::{Keeping, Much, Room};
pub use route::{PartnerRule, Routes, Way, route};
pub use standing::{Leg, LegState, Standing, words};
pub use when::{
    LONGEST_PAUSE, MOST_PARTIALS, PARTIALS_LAST, SECOND_ROUTE_AFTER, moment, put_back,
    tries_before_second,
};
