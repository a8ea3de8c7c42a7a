//! Blocks are found, corrected and refused as they should be.

use dunlin_clock::{Chance, SampleCount};
use proptest::prelude::*;

use super::receive::TAG_ERRORS;
use super::*;
use crate::{Deframer, Framed, encode};

fn soft(bits: &[bool]) -> Vec<f32> {
    bits.iter().map(|&b| if b { 1.0 } else { -1.0 }).collect()
}

fn blocks_with(receiver: &mut Fx25Receiver, soft: &[f32]) -> Vec<Fx25Block> {
    let numbered = (0..).zip(soft);
    numbered
        .filter_map(|(i, &s)| receiver.push(s, SampleCount(i)))
        .collect()
}

fn blocks(soft: &[f32]) -> Vec<Fx25Block> {
    blocks_with(&mut Fx25Receiver::default(), soft)
}

fn frames(blocks: &[Fx25Block]) -> Vec<Vec<u8>> {
    let octets = |b: &Fx25Block| Some(b.read.as_ref()?.octets.clone());
    blocks.iter().filter_map(octets).collect()
}

fn plain(bits: &[bool]) -> Vec<Vec<u8>> {
    let mut deframer = Deframer::default();
    let found = (0..).zip(soft(bits));
    found
        .filter_map(|(i, s)| deframer.push(s, SampleCount(i)))
        .filter_map(|f| match f {
            Framed::Frame { octets, .. } => Some(octets),
            Framed::Rejected { .. } => None,
        })
        .collect()
}

fn with(strength: FecStrength) -> Protection {
    Protection::new(strength)
}

/// A frame with bits that change often, and its block, flag before and after.
fn sample(octets: u8, strength: FecStrength) -> (Vec<u8>, Vec<bool>) {
    let frame: Vec<u8> = (0..octets).map(|i| i.wrapping_mul(37) ^ 0x5A).collect();
    let bits = encode_with(std::slice::from_ref(&frame), 1, 1, with(strength));
    (frame, bits)
}

#[test]
fn the_tags_have_the_structure_of_the_published_table() {
    // All words of the table, the reserved 00 too, differ in exactly 32 bits; one wrong digit
    // would break it.
    let words: Vec<u64> = TAGS
        .iter()
        .map(|t| t.value)
        .chain([0x566E_D271_7946_107E])
        .collect();
    for (i, a) in words.iter().enumerate() {
        for b in &words[..i] {
            assert_eq!((a ^ b).count_ones(), 32);
        }
    }
    let sizes: Vec<usize> = TAGS.iter().map(Tag::block).collect();
    assert_eq!(sizes, [255, 144, 80, 48, 255, 160, 96, 64, 255, 192, 128]);
    assert!(TAGS.iter().zip(1..).all(|(t, number)| t.number == number));
}

#[test]
fn a_tag_is_like_no_tag_in_any_other_place() {
    // Between flags and shifted against itself a tag must stay well away from all tags.
    let mut nearest = 64;
    for tag in &TAGS {
        for before in 0..8 {
            let mut line = crate::encode::Line::with_capacity(400);
            line.plain(&[0x7E; 9]);
            line.bits.drain(..before);
            line.plain(&tag.value.to_le_bytes());
            line.plain(&[0x7E; 9]);
            let place = line.bits.len() - 72;
            let mut window = 0_u64;
            for (i, &bit) in line.bits.iter().enumerate() {
                window = window >> 1 | u64::from(bit) << 63;
                if i + 1 != place && i >= 63 {
                    let distances = TAGS.iter().map(|t| (t.value ^ window).count_ones());
                    nearest = nearest.min(distances.min().unwrap_or(0));
                }
            }
        }
    }
    println!("nearest: {nearest} bits");
    assert!(nearest > TAG_ERRORS + 4, "{nearest}");
}

#[test]
fn a_tag_goes_out_lowest_octet_and_bit_first() {
    // Tag 05 goes out as AE 5F 83 C5 1A 0B 26 6E (a published description of a beacon).
    let (_, bits) = sample(150, FecStrength::Check32);
    let octets: Vec<u8> = bits[8..72]
        .chunks(8)
        .map(|c| c.iter().rev().fold(0, |o, &b| o << 1 | u8::from(b)))
        .collect();
    assert_eq!(octets, [0xAE, 0x5F, 0x83, 0xC5, 0x1A, 0x0B, 0x26, 0x6E]);
}

/// QA1SKY to QM3BAR, UI, "Ferry?"; the block was computed with the Python package `reedsolo`
/// (`conformance/fx25.py`). `docs/fec.md` shows it.
#[test]
fn a_worked_block_comes_out_octet_by_octet() {
    let octets = |text: &str| -> Vec<u8> {
        let octet = |o| u8::from_str_radix(o, 16).expect("hex");
        text.split_whitespace().map(octet).collect()
    };
    let frame = octets("a2 9a 66 84 82 a4 e0 a2 82 62 a6 96 b2 61 03 f0 46 65 72 72 79 3f");
    let data = "ee 60 96 36 b4 6e 05 8f 7e a2 9a 66 84 82 a4 e0 a2 82 62 a6 96 b2 61 03 f0 46 65 \
                72 72 79 5f 54 89 fc fc fc fc fc fc fc ";
    for (zeros, check) in [
        (
            Zeros::Last,
            "57 3c 2f 94 62 b6 8c 7a 77 2f 63 f8 0f 73 2f aa",
        ),
        (
            Zeros::First,
            "82 77 ac 5f 30 38 b7 97 86 d1 61 04 66 a8 f5 b3",
        ),
    ] {
        let strength = FecStrength::Check16;
        let bits = encode_with(&[&frame], 1, 1, Protection { strength, zeros });
        let mut line = crate::encode::Line::with_capacity(600);
        line.flag();
        line.plain(&octets(&format!("{data}{check}")));
        line.flag();
        assert_eq!(bits, line.bits);
    }
}

#[test]
fn the_smallest_block_that_holds_the_frame_is_taken() {
    let tag = |octets: u8, strength| {
        let (_, bits) = sample(octets, strength);
        blocks(&soft(&bits)).first().map(|b| b.tag)
    };
    assert_eq!(tag(20, FecStrength::Check16), Some(0x04));
    assert_eq!(tag(40, FecStrength::Check16), Some(0x03));
    assert_eq!(tag(64, FecStrength::Check16), Some(0x02));
    assert_eq!(tag(200, FecStrength::Check16), Some(0x01));
    assert_eq!(tag(20, FecStrength::Check32), Some(0x08));
    assert_eq!(tag(20, FecStrength::Check64), Some(0x0B));
    assert_eq!(tag(170, FecStrength::Check64), Some(0x09));
    // Weaker rather than not at all.
    assert_eq!(tag(200, FecStrength::Check64), Some(0x05));
    assert_eq!(tag(225, FecStrength::Check64), Some(0x01));
    assert_eq!(tag(250, FecStrength::Check64), None);
}

#[test]
fn a_frame_too_long_for_all_blocks_is_sent_plain() {
    let frames = [[0x55; 250].to_vec(), [0x55; 20].to_vec()];
    let bits = encode_with(&frames, 3, 2, with(FecStrength::Check16));
    assert!(bits.starts_with(&encode(&frames[..1], 3, 1)));
    assert_eq!(plain(&bits), frames);
}

#[test]
fn seven_wrong_bits_of_the_tag_and_eight_wrong_octets_do_no_harm() {
    let (frame, bits) = sample(40, FecStrength::Check16);
    let mut damaged = soft(&bits);
    for i in 0..8 {
        damaged[8 + 8 * i] *= -1.0;
        // The first octet of the data area is a flag: the plain reading is lost.
        damaged[72 + 40 * i + i] *= -1.0;
    }
    let found = blocks(&damaged);
    let read = found[0].read.as_ref().expect("correctable");
    assert_eq!((read.corrected, read.erased), (8, 0));
    assert_eq!(read.octets, frame);
    assert_eq!(found[0].start, SampleCount(8));
    assert_eq!(found[0].end, SampleCount(72 + 80 * 8 - 1));
    // The frame stands where a plain reading would have it.
    assert_eq!(read.start, SampleCount(80));
}

#[test]
fn unsure_octets_count_as_erased() {
    let (frame, bits) = sample(40, FecStrength::Check16);
    let mut damaged = soft(&bits);
    for i in 0..12 {
        damaged[72 + 40 * i + i % 8] *= -0.1;
    }
    let found = blocks(&damaged);
    let read = found[0].read.as_ref().expect("correctable by erasures");
    assert_eq!((read.corrected, &read.octets), (12, &frame));
    assert_eq!(read.erased, 8, "8 erased and 4 found are 16 check octets");
    // Sure and wrong is too much.
    damaged.iter_mut().for_each(|s| *s = s.signum());
    assert_eq!(blocks(&damaged)[0].read, None);
}

#[test]
fn a_break_forgets_the_block() {
    let (_, bits) = sample(40, FecStrength::Check16);
    let soft = soft(&bits);
    let mut receiver = Fx25Receiver::default();
    assert!(blocks_with(&mut receiver, &soft[..200]).is_empty());
    assert_eq!(receiver.open_since(), Some(SampleCount(8)));
    receiver.reset();
    assert_eq!(receiver.open_since(), None);
    assert!(blocks_with(&mut receiver, &soft[200..]).is_empty());
    assert_eq!(blocks_with(&mut receiver, &soft).len(), 1);
}

#[test]
fn a_false_tag_does_not_hide_a_true_one() {
    // Tag 01 asks for 255 octets, among which the true block comes. What those 255 are taken
    // for may hold the frame too: it is at the same place, and counts once.
    let (frame, bits) = sample(40, FecStrength::Check16);
    let mut line = crate::encode::Line::with_capacity(4000);
    line.plain(&TAGS[0].value.to_le_bytes());
    line.bits.extend(bits);
    line.plain(&[0x7E; 300]);
    let found = blocks(&soft(&line.bits));
    let true_one = found.iter().find(|b| b.tag == 0x03).expect("found");
    assert_eq!(frames(std::slice::from_ref(true_one)), [frame]);
    let reads = found.iter().filter_map(|b| b.read.as_ref());
    let places: Vec<_> = reads.map(|r| (&r.octets, r.start, r.end)).collect();
    assert!(places.iter().all(|p| *p == places[0]));
}

#[test]
fn what_cannot_be_corrected_yields_no_other_frame() {
    let mut chance = Chance::stream(7, "fx25 damage");
    for strength in FecStrength::ALL {
        let (frame, bits) = sample(50, strength);
        for round in 0..300 {
            let share = f64::from(round) / 900.0;
            let damaged: Vec<f32> = soft(&bits)
                .iter()
                .map(|s| if chance.unit() < share { -s } else { *s })
                .collect();
            let others = frames(&blocks(&damaged));
            assert!(others.iter().all(|f| *f == frame));
        }
    }
}

fn strength() -> impl Strategy<Value = FecStrength> {
    prop::sample::select(&FecStrength::ALL[..])
}

fn zeros() -> impl Strategy<Value = Zeros> {
    prop_oneof![Just(Zeros::Last), Just(Zeros::First)]
}

proptest! {
    #[test]
    fn what_is_sent_arrives_with_and_without_knowledge_of_blocks(
        list in prop::collection::vec(prop::collection::vec(any::<u8>(), 15..300), 1..5),
        strength in strength(),
        zeros in zeros(),
        before in prop::collection::vec(any::<bool>(), 0..100),
    ) {
        let sent = encode_with(&list, 4, 2, Protection { strength, zeros });
        // An older station reads all frames; it may take check octets for more, of which none
        // has a right FCS but by chance.
        prop_assert_eq!(plain(&sent), list.clone());
        let mut bits = before;
        bits.extend(sent);
        let found = blocks_with(&mut Fx25Receiver::new(zeros), &soft(&bits));
        let short: Vec<Vec<u8>> = list.into_iter().filter(|f| protected(f)).collect();
        prop_assert_eq!(frames(&found), short);
    }

    #[test]
    fn any_bits_whatever_do_no_harm(
        soft in prop::collection::vec(any::<f32>(), 0..9000),
        tags in prop::collection::vec((0_usize..11, 0_usize..8000), 0..8),
    ) {
        let mut soft = soft;
        for (tag, place) in tags {
            for bit in 0..TAG_BITS {
                if let Some(s) = soft.get_mut(place + bit) {
                    *s = if TAGS[tag].value >> bit & 1 == 1 { 1.0 } else { -1.0 };
                }
            }
        }
        for block in blocks(&soft) {
            prop_assert!(block.start <= block.end);
            if let Some(read) = block.read {
                prop_assert!(read.octets.len() + 2 <= 239);
                prop_assert!(block.start < read.start && read.end < block.end);
            }
        }
    }

    #[test]
    fn wrong_octets_up_to_the_promise_are_corrected(
        list in prop::collection::vec(any::<u8>(), 15..170),
        strength in strength(),
        places in Just((0..255_usize).collect::<Vec<_>>()).prop_shuffle(),
        changes in prop::collection::vec(1..=255_u8, 32),
    ) {
        let bits = encode_with(std::slice::from_ref(&list), 1, 1, with(strength));
        let octets = (bits.len() - 16 - TAG_BITS) / 8;
        let mut damaged = soft(&bits);
        let most = strength.check_octets() / 2;
        let places = places.into_iter().filter(|&p| p < octets);
        for (place, change) in places.take(most).zip(changes) {
            for bit in (0..8).filter(|bit| change >> bit & 1 == 1) {
                damaged[8 + TAG_BITS + place * 8 + bit] *= -1.0;
            }
        }
        prop_assert_eq!(frames(&blocks(&damaged)), [list]);
    }
}

/// Whether some block holds a frame.
fn protected(frame: &[u8]) -> bool {
    encode(&[frame], 1, 1).len() <= 239 * 8
}
