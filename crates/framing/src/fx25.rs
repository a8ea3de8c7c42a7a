//! Forward error correction around AX.25 frames by the published FX.25 framing.
//!
//! A block is a correlation tag of 64 bits, which says which code follows, then the data area
//! and its check octets. The data area holds an ordinary frame with flags, stuffing and FCS and
//! is filled up with flags, so that a station that knows nothing of all this reads the frame.
//!
//! Source: "FX.25, Forward Error Correction Extension to AX.25 Link Protocol for Amateur Packet
//! Radio", Stensat Group, draft of 1 September 2006 (title and date from memory; the tags as in
//! several independent public copies of its table). What is known and what is not stands in
//! `docs/fec.md`.

mod receive;
mod send;

use serde::{Deserialize, Serialize};

pub use receive::{Fx25Block, Fx25Read, Fx25Receiver};
pub use send::{Protection, encode_with, most_bits};

use crate::reed_solomon::{MOST_CHECK, Zeros};

/// One kind of block.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Tag {
    /// The number of the tag in the published table.
    pub number: u8,
    /// The tag; it goes on the air lowest bit first.
    pub value: u64,
    /// Octets of the data area.
    pub data: usize,
    /// Check octets, the last ones of the block.
    pub check: usize,
}

impl Tag {
    const fn new(number: u8, value: u64, data: usize, check: usize) -> Tag {
        Tag {
            number,
            value,
            data,
            check,
        }
    }

    /// Octets behind the tag.
    pub const fn block(&self) -> usize {
        self.data + self.check
    }
}

/// Bits of a correlation tag.
pub const TAG_BITS: usize = 64;

/// All published tags that stand for a code. 00 is reserved, those from 0C on are undefined.
pub const TAGS: [Tag; 11] = [
    Tag::new(0x01, 0xB74D_B7DF_8A53_2F3E, 239, 16),
    Tag::new(0x02, 0x26FF_60A6_00CC_8FDE, 128, 16),
    Tag::new(0x03, 0xC7DC_0508_F3D9_B09E, 64, 16),
    Tag::new(0x04, 0x8F05_6EB4_3696_60EE, 32, 16),
    Tag::new(0x05, 0x6E26_0B1A_C583_5FAE, 223, 32),
    Tag::new(0x06, 0xFF94_DC63_4F1C_FF4E, 128, 32),
    Tag::new(0x07, 0x1EB7_B9CD_BC09_C00E, 64, 32),
    Tag::new(0x08, 0xDBF8_69BD_2DBB_1776, 32, 32),
    Tag::new(0x09, 0x3ADB_0C13_DEAE_2836, 191, 64),
    Tag::new(0x0A, 0xAB69_DB6A_5431_88D6, 128, 64),
    Tag::new(0x0B, 0x4A4A_BEC4_A724_B796, 64, 64),
];

/// How many check octets protect a frame.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
pub enum FecStrength {
    /// 16 check octets: 8 wrong octets of a block are corrected.
    #[default]
    Check16,
    /// 32 check octets: 16 wrong ones.
    Check32,
    /// 64 check octets: 32 wrong ones.
    Check64,
}

impl FecStrength {
    /// All of them, weakest first.
    pub const ALL: [FecStrength; 3] = [
        FecStrength::Check16,
        FecStrength::Check32,
        FecStrength::Check64,
    ];

    /// How many check octets that is.
    pub const fn check_octets(self) -> usize {
        match self {
            FecStrength::Check16 => 16,
            FecStrength::Check32 => 32,
            FecStrength::Check64 => MOST_CHECK,
        }
    }

    /// The strength with that many check octets.
    pub fn with_check_octets(octets: usize) -> Option<FecStrength> {
        Self::ALL.into_iter().find(|s| s.check_octets() == octets)
    }
}

#[cfg(test)]
mod tests;
