//! Soft bits to frames, by way of blocks.
//!
//! Every bit is compared with all tags. Behind a tag the soft bits of a whole block are
//! collected. The block is corrected as it is; then once more with its least sure octets taken
//! for erased, two more in each round (generalized minimum distance decoding: G. D. Forney,
//! "Generalized minimum distance decoding", IEEE Transactions on Information Theory IT-12, 1966).
//! The judge of every round is the FCS of the frame in the data area.

use dunlin_clock::SampleCount;

use super::{TAG_BITS, TAGS, Tag, Zeros};
use crate::deframe::{Deframer, Framed, Limits};
use crate::reed_solomon::{LONGEST, ReedSolomon};

/// So many bits of a tag may be wrong. All tags differ from each other in 32 bits.
/// Common practice, from memory.
pub const TAG_ERRORS: u32 = 8;

/// A round of decoding leaves at least so many check octets for finding errors. Without them
/// any octets whatever become a codeword, and only the FCS would stand between noise and a
/// frame.
const SPARE: usize = 4;

/// Bits that are kept: more than the longest block and a tag have.
const KEPT: usize = 2048;
const _: () = assert!(KEPT.is_power_of_two() && KEPT >= LONGEST * 8 + 8);

/// Blocks that may be collected at a time. A true tag within what a false one began is rare;
/// two of that kind are not to be expected.
const MOST_PENDING: usize = 4;

/// The frame of a block.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fx25Read {
    /// The octets without the FCS.
    pub octets: Vec<u8>,
    /// The first bit after the flag that opens the frame.
    pub start: SampleCount,
    /// The last bit of the flag that closes it.
    pub end: SampleCount,
    /// How many octets of the block were wrong.
    pub corrected: usize,
    /// How many octets were taken for erased because their bits were the least sure.
    pub erased: usize,
}

/// A block that came in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fx25Block {
    /// The number of its tag.
    pub tag: u8,
    /// The first bit of the tag.
    pub start: SampleCount,
    /// The first bit of the data area's last octet, in which the last flag may be cut. From
    /// here to the end there are hardly any but check octets.
    pub check_start: SampleCount,
    /// The last bit of the block.
    pub end: SampleCount,
    /// Its frame; `None` if more was wrong than could be corrected.
    pub read: Option<Fx25Read>,
}

/// A block of which not all bits have come.
#[derive(Clone, Copy, Debug)]
struct Pending {
    tag: &'static Tag,
    /// The first bit of the tag.
    start: SampleCount,
    /// It is complete when so many bits have come.
    until: u64,
}

/// Finds blocks in the bits of one branch of a demodulator. Takes all its memory at
/// construction, apart from the octets of each frame that it hands out.
#[derive(Clone, Debug)]
pub struct Fx25Receiver {
    /// The latest bits; the newest is the highest.
    window: u64,
    /// Bits so far.
    count: u64,
    /// The latest bits and their places; bit number `n` stands at `n % KEPT`.
    soft: Box<[f32]>,
    at: Box<[SampleCount]>,
    pending: [Option<Pending>; MOST_PENDING],
    codes: Vec<ReedSolomon>,
    deframer: Deframer,
}

impl Default for Fx25Receiver {
    fn default() -> Self {
        Fx25Receiver::new(Zeros::default())
    }
}

impl Fx25Receiver {
    /// A receiver that has heard nothing yet.
    pub fn new(zeros: Zeros) -> Self {
        let strengths = super::FecStrength::ALL;
        let codes = strengths.iter().map(|s| s.check_octets());
        Fx25Receiver {
            window: 0,
            count: 0,
            soft: vec![0.0; KEPT].into(),
            at: vec![SampleCount(0); KEPT].into(),
            pending: [None; MOST_PENDING],
            codes: codes
                .filter_map(|check| ReedSolomon::new(check, zeros))
                .collect(),
            deframer: Deframer::new(Limits {
                longest: LONGEST,
                ..Limits::default()
            }),
        }
    }

    /// Forgets everything received so far.
    pub fn reset(&mut self) {
        self.window = 0;
        self.count = 0;
        self.pending = [None; MOST_PENDING];
    }

    /// Where the oldest block began that is being received now.
    pub fn open_since(&self) -> Option<SampleCount> {
        self.pending.iter().flatten().map(|p| p.start).min()
    }

    /// Takes one bit: positive is a one, anything else a zero, the larger the surer. `at` is
    /// its place in the sound.
    pub fn push(&mut self, soft: f32, at: SampleCount) -> Option<Fx25Block> {
        let place = (self.count % KEPT as u64) as usize;
        self.soft[place] = soft;
        self.at[place] = at;
        self.count += 1;
        self.window = self.window >> 1 | u64::from(soft > 0.0) << (TAG_BITS - 1);
        let complete = self.complete();
        if near_a_tag(self.window) {
            self.begin();
        }
        complete
    }

    /// The block that is complete with this bit.
    fn complete(&mut self) -> Option<Fx25Block> {
        let count = self.count;
        let mut waiting = self.pending.iter_mut();
        let slot = waiting.find(|p| p.is_some_and(|p| p.until <= count))?;
        let Pending { tag, start, .. } = slot.take()?;
        let read = self.decode(tag);
        let at = |back: usize| {
            let number = count.saturating_sub(1 + back as u64);
            self.at[(number % KEPT as u64) as usize]
        };
        Some(Fx25Block {
            tag: tag.number,
            start,
            check_start: at(tag.check * 8 + 7),
            end: at(0),
            read,
        })
    }

    /// A tag may end with the latest bit.
    fn begin(&mut self) {
        let errors = |t: &Tag| (t.value ^ self.window).count_ones();
        let Some(tag) = TAGS.iter().find(|t| errors(t) <= TAG_ERRORS) else {
            return;
        };
        let first = self.count.saturating_sub(TAG_BITS as u64);
        let pending = Pending {
            tag,
            start: self.at[(first % KEPT as u64) as usize],
            until: self.count + tag.block() as u64 * 8,
        };
        if let Some(free) = self.pending.iter_mut().find(|p| p.is_none()) {
            *free = Some(pending);
        }
    }

    /// Reads the block that the latest bits are.
    fn decode(&mut self, tag: &Tag) -> Option<Fx25Read> {
        let length = tag.block();
        let code = self.codes.iter().find(|c| c.check() == tag.check)?.clone();
        let mut sound = [0; LONGEST];
        let order = self.hard(&mut sound[..length]);
        let syndromes = code.syndromes(&sound[..length])?;
        let mut last = None;
        for erased in (0..=tag.check - SPARE).step_by(2) {
            let Ok(found) = code.solve(&syndromes, &order[..erased]) else {
                continue;
            };
            // Another round often comes to the same codeword.
            if last.replace(found) == Some(found) {
                continue;
            }
            let mut block = sound;
            found.apply(&mut block[..length]);
            let framed = self.deframe(&block[..tag.data], length);
            if let Some((octets, start, end)) = framed {
                return Some(Fx25Read {
                    octets,
                    start,
                    end,
                    corrected: found.count(),
                    erased,
                });
            }
        }
        None
    }

    /// The number of the bit with which a block of `octets` that just ended began.
    fn first_bit(&self, octets: usize) -> u64 {
        self.count.saturating_sub(octets as u64 * 8)
    }

    /// Octets of the block that the latest bits are; and their places, the least sure first.
    /// An octet is as sure as the least sure of its bits.
    fn hard(&self, block: &mut [u8]) -> [u8; LONGEST] {
        let first = self.first_bit(block.len());
        let mut sureness = [f32::INFINITY; LONGEST];
        for (i, octet) in block.iter_mut().enumerate() {
            for bit in 0..8 {
                let number = first + (i * 8 + bit) as u64;
                let soft = self.soft[(number % KEPT as u64) as usize];
                *octet |= u8::from(soft > 0.0) << bit;
                // What is not a number is not sure at all.
                let sure = if soft.is_nan() { 0.0 } else { soft.abs() };
                sureness[i] = sureness[i].min(sure);
            }
        }
        let mut order: [u8; LONGEST] = std::array::from_fn(|i| i as u8);
        order[..block.len()].sort_unstable_by(|&a, &b| {
            sureness[usize::from(a)].total_cmp(&sureness[usize::from(b)])
        });
        order
    }

    /// The first frame with a right FCS in the data area of a block of `length` octets.
    fn deframe(
        &mut self,
        data: &[u8],
        length: usize,
    ) -> Option<(Vec<u8>, SampleCount, SampleCount)> {
        let mut number = self.first_bit(length);
        self.deframer.reset();
        for octet in data {
            for bit in 0..8 {
                let soft = if octet >> bit & 1 == 1 { 1.0 } else { -1.0 };
                let at = self.at[(number % KEPT as u64) as usize];
                number += 1;
                if let Some(Framed::Frame { octets, start, end }) = self.deframer.push(soft, at) {
                    return Some((octets, start, end));
                }
            }
        }
        None
    }
}

/// The lower halves of the tags, and one twice: a multiple of four goes well with wide
/// instructions.
const LOWER: [u32; 12] = {
    let mut halves = [0; 12];
    let mut i = 0;
    while i < halves.len() {
        halves[i] = TAGS[i % TAGS.len()].value as u32;
        i += 1;
    }
    halves
};

/// False for nearly all bits that end no tag: half a tag already has too many errors. Looks at
/// all halves without a branch, which compilers turn into a few wide instructions.
fn near_a_tag(window: u64) -> bool {
    let lower = window as u32;
    let near = |any: bool, half: &u32| any | ((lower ^ half).count_ones() <= TAG_ERRORS);
    LOWER.iter().fold(false, near)
}
