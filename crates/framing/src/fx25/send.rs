//! Frames to bits, with or without protection.

use super::{FecStrength, TAG_BITS, TAGS, Tag, Zeros};
use crate::encode::Line;
use crate::reed_solomon::{LONGEST, MOST_CHECK, ReedSolomon};

/// How frames are protected.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Protection {
    /// How many check octets are wanted.
    pub strength: FecStrength,
    /// Where shortened blocks have their zeros.
    pub zeros: Zeros,
}

impl Protection {
    /// The usual order of shortened blocks.
    pub fn new(strength: FecStrength) -> Self {
        Protection {
            strength,
            zeros: Zeros::default(),
        }
    }
}

/// The smallest block of at most the wanted strength, the strongest first, whose data area
/// holds so many bits.
fn tag_for(bits: usize, wanted: FecStrength) -> Option<&'static Tag> {
    let fits = |t: &&Tag| t.data * 8 >= bits && t.check <= wanted.check_octets();
    let better = |t: &&Tag| (usize::MAX - t.check, t.data);
    TAGS.iter().filter(fits).min_by_key(better)
}

/// The most bits, flags and tag included, that a frame of `octets` octets (without FCS) can
/// take with a certain strength or the weaker ones that stand in for it; `None` is no
/// protection. Stuffing adds at most one bit to five (AX.25 v2.2 section 3.6).
pub fn most_bits(octets: usize, strength: Option<FecStrength>) -> usize {
    let stuffed = (octets + 2) * 8 * 6 / 5;
    let plain = 8 + stuffed + 8;
    let Some(strength) = strength else {
        return plain;
    };
    // Less stuffing may let a frame into a block that the worst one is too long for; the
    // longest block is longer than any of these.
    let of_strength = |tag: &&Tag| tag.check == strength.check_octets();
    let block = tag_for(plain, strength).filter(of_strength);
    let block = block.map_or(LONGEST, Tag::block);
    (8 + TAG_BITS + block * 8 + 8).max(plain)
}

/// As [`encode`](crate::encode), with every frame (octets without FCS) in a block of its own.
///
/// The block is the smallest of the wanted strength that holds the frame. A frame too long for
/// that strength gets the next weaker one that holds it; one too long for all (more than 239
/// octets with flags and stuffing) is sent as without protection.
pub fn encode_with<F: AsRef<[u8]>>(
    frames: &[F],
    lead_flags: usize,
    tail_flags: usize,
    protection: Protection,
) -> Vec<bool> {
    let octets: usize = frames
        .iter()
        .map(|f| f.as_ref().len() + 3 + TAG_BITS / 8 + LONGEST)
        .sum();
    let mut line = Line::with_capacity((octets + lead_flags + tail_flags + 2) * 8);
    (0..lead_flags.max(1)).for_each(|_| line.flag());
    for (i, frame) in frames.iter().enumerate() {
        if i > 0 {
            line.flag();
        }
        let mut alone = Line::with_capacity((frame.as_ref().len() + 4) * 10);
        alone.flag();
        alone.frame(frame.as_ref());
        alone.flag();
        match tag_for(alone.bits.len(), protection.strength) {
            Some(tag) => block(&mut line, tag, alone, protection.zeros),
            None => line.frame(frame.as_ref()),
        }
    }
    (0..tail_flags.max(1)).for_each(|_| line.flag());
    line.bits
}

/// Adds tag, data area and check octets. Nothing of it is stuffed besides the frame itself.
fn block(line: &mut Line, tag: &Tag, mut area: Line, zeros: Zeros) {
    line.plain(&tag.value.to_le_bytes());
    let bits = tag.data * 8;
    while area.bits.len() < bits {
        area.flag();
    }
    // The last flag may be cut: flags go on bit by bit where the stuffed frame left off.
    area.bits.truncate(bits);
    let mut data = [0; LONGEST];
    pack(&area.bits, &mut data);
    line.bits.append(&mut area.bits);
    let mut check = [0; MOST_CHECK];
    if let Some(code) = ReedSolomon::new(tag.check, zeros) {
        code.encode(&data[..tag.data], &mut check);
    }
    line.plain(&check[..tag.check]);
}

/// Bits to octets, low bit first.
fn pack(bits: &[bool], octets: &mut [u8]) {
    for (octet, eight) in octets.iter_mut().zip(bits.chunks(8)) {
        *octet = eight
            .iter()
            .rev()
            .fold(0, |octet, &bit| octet << 1 | u8::from(bit));
    }
}
