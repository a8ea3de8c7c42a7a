//! What is written down about a rehearsal, from outside: the fate of every frame and the text of
//! every talk. Promises and the summary are reckoned from here.

mod delivery;
mod frames;
mod talks;

pub use delivery::{Arrival, Delivery, Way};
pub use frames::{Between, Fate, FrameLedger, Ledgered, Question, Tally};
pub use talks::{CrossingRecord, LineRecord, TalkLedger, TalkRecord};
