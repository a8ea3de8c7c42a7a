//! The data-link machine in dialogues: who says what, when, and nothing else.
//! The order within each dialogue is that of the state tables (Figs C4.1 to C4.5), unless the
//! test names another source.

mod cells;
mod connecting;
mod extended;
mod garbage;
#[path = "../half_duplex/mod.rs"]
mod half_duplex;
mod lossy_channel;
mod recovery;
mod releasing;
mod resetting;
mod selective;
mod session;
mod tables;
mod transfer;
