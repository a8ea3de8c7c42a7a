//! Soft bits to frame octets: flag hunting, unstuffing, FCS, and a reason for each reject.
//!
//! Source: AX.25 v2.2 sections 3.1, 3.6 to 3.10. Seven ones in a row cannot occur inside a
//! frame, so they already end the frame here; the standard asks a sender for fifteen.

use dunlin_clock::SampleCount;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::{Fcs, SHORTEST_FRAME};

/// How short and how long a frame may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Fewest octets, FCS included.
    pub shortest: usize,
    /// Most octets, FCS included. Memory for this many is taken at the start.
    pub longest: usize,
}

impl Default for Limits {
    /// From the legal minimum of 17 octets to 2050: four times the longest default frame of
    /// 331 octets and room to spare for stations with a larger N1.
    fn default() -> Self {
        Limits {
            shortest: SHORTEST_FRAME,
            longest: 2050,
        }
    }
}

/// Why bits between two flags were no frame.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Error, Serialize, Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum RejectReason {
    /// Whole octets, but damaged.
    #[error("the frame check sequence is wrong")]
    BadFcs,
    /// The bits between the flags do not fill octets.
    #[error("not a whole number of octets")]
    NotWholeOctets,
    /// A right FCS over fewer octets than an AX.25 frame has.
    #[error("shorter than any AX.25 frame")]
    TooShort,
    /// No closing flag within the limit.
    #[error("longer than the limit")]
    TooLong,
    /// Seven ones in a row: given up by the sender, or the signal ended.
    #[error("broken off before its end")]
    Aborted,
}

/// What a [`Deframer`] found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Framed {
    /// A frame with a right FCS.
    Frame {
        /// The octets without the FCS.
        octets: Vec<u8>,
        /// The first bit after the opening flag.
        start: SampleCount,
        /// The last bit of the closing flag.
        end: SampleCount,
    },
    /// Bits that looked like a frame and were none. Only reported when as many bits as the
    /// shortest frame has lay between the flags (or the FCS was right).
    Rejected {
        /// Why.
        reason: RejectReason,
        /// The first bit after the opening flag.
        start: SampleCount,
        /// The bit at which the frame was given up.
        end: SampleCount,
    },
}

/// Finds frames in a stream of soft bits. Takes all its memory at construction, apart from
/// the octets of each good frame that it hands out.
#[derive(Clone, Debug)]
pub struct Deframer {
    limits: Limits,
    /// Unstuffed bits since the opening flag, packed low bit first.
    octets: Vec<u8>,
    /// How many bits `octets` holds.
    bits: usize,
    /// Consecutive ones on the line.
    ones: u8,
    /// Where the first bit after the opening flag was; `None` right after a flag.
    start: Option<SampleCount>,
    /// Between flags, or looking for one.
    open: bool,
}

/// Bits of the closing flag that have been stored before it is recognised: 0 and five ones.
const FLAG_BITS_STORED: usize = 6;

impl Default for Deframer {
    fn default() -> Self {
        Deframer::new(Limits::default())
    }
}

impl Deframer {
    /// A deframer that is looking for its first flag.
    pub fn new(limits: Limits) -> Self {
        let octets = vec![0; limits.longest + 2];
        Deframer {
            limits,
            octets,
            bits: 0,
            ones: 0,
            start: None,
            open: false,
        }
    }

    /// Forgets everything received so far.
    pub fn reset(&mut self) {
        self.bits = 0;
        self.ones = 0;
        self.start = None;
        self.open = false;
    }

    /// Where the frame began that is being received now, if more than a flag's worth of bits
    /// has come since its opening flag.
    pub fn open_since(&self) -> Option<SampleCount> {
        self.start.filter(|_| self.open && self.bits > 8)
    }

    /// Takes one bit: positive is a one, anything else a zero. `at` is its place in the
    /// sound.
    pub fn push(&mut self, soft: f32, at: SampleCount) -> Option<Framed> {
        if soft > 0.0 {
            self.one(at)
        } else {
            self.zero(at)
        }
    }

    fn one(&mut self, at: SampleCount) -> Option<Framed> {
        self.ones = self.ones.saturating_add(1);
        match self.ones {
            0..=5 => self.store(true, at),
            6 => None, // a flag, or an abort; the next bit tells
            _ => self.give_up(RejectReason::Aborted, at),
        }
    }

    fn zero(&mut self, at: SampleCount) -> Option<Framed> {
        match std::mem::take(&mut self.ones) {
            5 => None, // stuffed by the sender
            6 => self.flag(at),
            7.. => None, // the end of an abort
            _ => self.store(false, at),
        }
    }

    fn store(&mut self, bit: bool, at: SampleCount) -> Option<Framed> {
        if !self.open {
            return None;
        }
        self.start.get_or_insert(at);
        let (octet, place) = (self.bits / 8, self.bits % 8);
        if octet >= self.octets.len() {
            return self.give_up(RejectReason::TooLong, at);
        }
        if place == 0 {
            self.octets[octet] = 0;
        }
        self.octets[octet] |= u8::from(bit) << place;
        self.bits += 1;
        None
    }

    fn give_up(&mut self, reason: RejectReason, end: SampleCount) -> Option<Framed> {
        let was_open = std::mem::take(&mut self.open);
        let start = self.start.take()?;
        let worth_telling = was_open && self.bits >= self.limits.shortest * 8;
        self.bits = 0;
        worth_telling.then_some(Framed::Rejected { reason, start, end })
    }

    /// A flag closes what is open and opens what follows.
    fn flag(&mut self, end: SampleCount) -> Option<Framed> {
        let bits = std::mem::take(&mut self.bits).saturating_sub(FLAG_BITS_STORED);
        let was_open = std::mem::replace(&mut self.open, true);
        let start = self.start.take()?;
        if !was_open {
            return None;
        }
        let long_enough = bits >= self.limits.shortest * 8;
        let reject = |reason| Some(Framed::Rejected { reason, start, end });
        if !bits.is_multiple_of(8) {
            return if long_enough {
                reject(RejectReason::NotWholeOctets)
            } else {
                None
            };
        }
        let octets = &self.octets[..bits / 8];
        let mut check = Fcs::default();
        octets.iter().for_each(|&octet| check.push(octet));
        match (check.register() == Fcs::RESIDUE, long_enough) {
            (true, _) if octets.len() > self.limits.longest => reject(RejectReason::TooLong),
            (true, true) => Some(Framed::Frame {
                octets: octets[..octets.len() - 2].to_vec(),
                start,
                end,
            }),
            (true, false) => reject(RejectReason::TooShort),
            (false, true) => reject(RejectReason::BadFcs),
            (false, false) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::encode;

    fn receive(bits: &[bool]) -> Vec<Framed> {
        let mut deframer = Deframer::default();
        (0..)
            .zip(bits)
            .filter_map(|(i, &b)| deframer.push(if b { 1.0 } else { -1.0 }, SampleCount(i)))
            .collect()
    }

    fn octets(found: &[Framed]) -> Vec<Vec<u8>> {
        let frame = |f: &Framed| match f {
            Framed::Frame { octets, .. } => Some(octets.clone()),
            Framed::Rejected { .. } => None,
        };
        found.iter().filter_map(frame).collect()
    }

    fn reasons(found: &[Framed]) -> Vec<RejectReason> {
        let reason = |f: &Framed| match f {
            Framed::Rejected { reason, .. } => Some(*reason),
            Framed::Frame { .. } => None,
        };
        found.iter().filter_map(reason).collect()
    }

    #[test]
    fn a_frame_carries_its_span() {
        let bits = encode(&[[0xAA; 15]], 2, 1);
        let end = SampleCount(bits.len() as u64 - 1);
        let frame = Framed::Frame {
            octets: vec![0xAA; 15],
            start: SampleCount(16),
            end,
        };
        assert_eq!(receive(&bits), [frame]);
    }

    #[test]
    fn one_wrong_bit_is_a_bad_fcs() {
        let mut bits = encode(&[[0xAA; 20]], 1, 1);
        bits[40] = !bits[40];
        assert_eq!(reasons(&receive(&bits)), [RejectReason::BadFcs]);
    }

    #[test]
    fn a_lost_bit_is_not_whole_octets() {
        let mut bits = encode(&[[0xAA; 20]], 1, 1);
        bits.remove(40);
        assert_eq!(reasons(&receive(&bits)), [RejectReason::NotWholeOctets]);
    }

    #[test]
    fn seven_ones_abort_and_the_next_flag_starts_afresh() {
        let mut bits = encode(&[[0xAA; 20]], 1, 1);
        bits.truncate(8 + 150);
        bits.extend([true; 15]);
        bits.extend(encode(&[[0x55; 20]], 2, 1));
        let found = receive(&bits);
        assert_eq!(reasons(&found), [RejectReason::Aborted]);
        assert_eq!(octets(&found), [[0x55; 20]]);
    }

    #[test]
    fn a_whole_frame_of_fifteen_octets_with_fcs_is_too_short() {
        // AX.25 v2.2 section 3.9: 17 octets with FCS are the least.
        assert_eq!(
            reasons(&receive(&encode(&[[0xAA; 13]], 1, 1))),
            [RejectReason::TooShort]
        );
        assert_eq!(octets(&receive(&encode(&[[0xAA; 15]], 1, 1))).len(), 1);
    }

    #[test]
    fn the_longest_frame_passes_and_one_octet_more_does_not() {
        assert_eq!(octets(&receive(&encode(&[[0xAA; 2048]], 1, 1))).len(), 1);
        assert_eq!(
            reasons(&receive(&encode(&[[0xAA; 2049]], 1, 1))),
            [RejectReason::TooLong]
        );
        assert_eq!(
            reasons(&receive(&encode(&[[0xAA; 9000]], 1, 1))),
            [RejectReason::TooLong]
        );
    }

    #[test]
    fn flags_that_share_their_zero_are_only_flags() {
        let shared = [false, true, true, true, true, true, true];
        let mut bits: Vec<bool> = shared.iter().copied().cycle().take(7 * 40).collect();
        bits.extend(encode(&[[0x0F; 30]], 1, 1));
        let found = receive(&bits);
        assert_eq!((octets(&found).len(), reasons(&found).len()), (1, 0));
    }

    proptest! {
        #[test]
        fn what_is_sent_arrives(
            frames in prop::collection::vec(prop::collection::vec(any::<u8>(), 15..400), 1..5),
            lead in 1_usize..8,
            tail in 1_usize..4,
            noise in prop::collection::vec(any::<bool>(), 0..300),
        ) {
            let mut bits = noise;
            bits.extend(encode(&frames, lead, tail));
            let found = octets(&receive(&bits));
            // Random bits before may open a frame of their own, but never cost a real one.
            prop_assert!(found.ends_with(&frames));
        }

        #[test]
        fn noise_never_panics_and_never_exceeds_the_limit(
            soft in prop::collection::vec(any::<f32>(), 0..20_000),
            longest in 17_usize..64,
        ) {
            let mut deframer = Deframer::new(Limits { shortest: 17, longest });
            for (i, s) in (0..).zip(soft) {
                if let Some(Framed::Frame { octets, .. }) = deframer.push(s, SampleCount(i)) {
                    prop_assert!(octets.len() + 2 <= longest);
                }
            }
        }
    }
}
