//! Soft bits to frame octets and back: HDLC framing as AX.25 uses it; and KISS, the framing
//! between a host and a controller, in [`kiss`].
//!
//! Source: "AX.25 Link Access Protocol for Amateur Packet Radio, Version 2.2, Revision 4"
//! (October 2025), sections 3.1 (flag), 3.6 (bit stuffing), 3.7 and 3.8 (FCS, bit order),
//! 3.9 and 3.10 (invalid frames, abort). NRZI and scrambling belong to the modem, not here.

mod deframe;
mod encode;
mod fcs;
mod fx25;
mod guess;
mod history;
pub mod kiss;
mod reed_solomon;
mod repair;
mod repairing;
mod stretch;

pub use deframe::{Deframer, Framed, Limits, RejectReason};
pub use encode::encode;
pub use fcs::{Fcs, fcs};
pub use fx25::{
    FecStrength, Fx25Block, Fx25Read, Fx25Receiver, Protection, TAG_BITS, TAGS, Tag, encode_with,
    most_bits,
};
pub use guess::{DOUBTFUL, Guess, Plausible};
pub use history::{Rival, SoftBit};
pub use reed_solomon::{
    Corrections, LONGEST as LONGEST_CODEWORD, MOST_CHECK, ReedSolomon, Syndromes, Uncorrectable,
    Zeros,
};
pub use repair::{RepairSettings, Repairer, WRONG_PER_RIGHT_FCS};
pub use repairing::{Reading, RepairingDeframer};

/// The flag that opens and closes each frame, AX.25 v2.2 section 3.1.
pub const FLAG: u8 = 0x7E;

/// The shortest legal frame in octets, FCS included: two addresses of seven, one control
/// octet, two of FCS. AX.25 v2.2 section 3.9.
pub const SHORTEST_FRAME: usize = 17;
