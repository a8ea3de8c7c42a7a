//! The keying line of a port, and the process of its own that holds it.
//!
//! The station never touches a line. It sends beats, [`BEAT_EVERY`] 50 ms, to a *keyer*:
//! a small process that keys only while beats ask for it, and releases by itself when they
//! stop, when a limit is over, when its orders end, and when it starts and ends. The station
//! in turn watches the keyer, kills one that falls silent while keyed, and starts a fresh one,
//! whose first act is to release the line.
//!
//! | What happens | Who releases | Within |
//! |---|---|---|
//! | the station dies | the keyer: its orders end | at once |
//! | the station hangs | the keyer: no beat | [`BEAT_LIMIT`] 200 ms |
//! | the keyer dies or hangs | a fresh keyer, and for serial lines the kernel, which lowers RTS and DTR when the last user of a port is gone | [`SILENCE_KEYED`] 150 ms and a start |
//! | both are killed at the same moment | for serial lines the kernel; else only the radio's own time-out timer | |
//!
//! The parts: [`machine`] decides, [`process`] is the keyer, [`lines`] are the lines,
//! [`words`] the language of the pipe, [`KeyPort`] what the driver sees, [`Handle`] the
//! station's side, [`simulated`] a keyer in virtual time.

mod boot_clock;
mod child;
mod handle;
pub mod lines;
pub mod machine;
mod port;
pub mod process;
mod settings;
pub mod simulated;
pub mod words;

pub use child::{Process, Processes};
pub use handle::{BEAT_EVERY, Handle, Mate, Nursery, SILENCE_KEYED};
pub use machine::BEAT_LIMIT;
pub use port::{KeyPort, KeyerEvent, NoLine, open};
pub use settings::{
    KeyLine, KeyerSettings, MOST_LONGEST, SenseLine, SerialLine, StatusLine, USUAL_LONGEST,
    USUAL_REST,
};
