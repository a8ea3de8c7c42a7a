//! Sequence detection for direct frequency shift: whitened matched filter, channel tracking,
//! trellis, and the way from levels back to bits.

mod channel;
mod flips;
mod front;
mod sequence;
mod trellis;

pub use front::{Front, Pulse};
pub use sequence::SequenceBranch;

/// How many symbols a sample hangs on: its own and `AHEAD` on either side.
pub const SPAN: usize = 2 * AHEAD + 1;

/// How many symbols after its own a sample hangs on.
pub const AHEAD: usize = 2;
