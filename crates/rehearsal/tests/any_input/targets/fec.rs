//! FX.25 blocks and their Reed–Solomon code: what the code can put right is put right, and
//! nothing else makes it panic or change a block that it gives up.

use dunlin_clock::SampleCount;
use dunlin_framing::{
    FecStrength, Fx25Block, Fx25Receiver, LONGEST_CODEWORD, Protection, ReedSolomon, TAG_BITS,
    TAGS, Zeros, encode_with,
};

use super::source::Source;

pub fn run(octets: &[u8]) {
    let mut source = Source::new(octets);
    let zeros = [Zeros::Last, Zeros::First][source.below(2)];
    match source.octet() % 4 {
        0 => anything(source, zeros),
        1 => code(source, zeros),
        _ => frame(source, zeros),
    }
}

/// Any soft bits; a tag now and then.
fn anything(mut source: Source, zeros: Zeros) {
    let mut bits = Vec::new();
    while !source.is_empty() {
        match source.octet() {
            0 => {
                let tag = TAGS[source.below(TAGS.len())].value;
                bits.extend((0..TAG_BITS).map(|n| soft(tag >> n & 1 == 1)));
            }
            1 => bits.push(f32::NAN),
            2 => bits.push(f32::from(source.octet()) - 127.5),
            octet => bits.extend((0..8).map(|n| soft(octet >> n & 1 == 1))),
        }
    }
    receive(&bits, zeros);
}

/// A codeword with errors and erasures.
fn code(mut source: Source, zeros: Zeros) {
    let check = 1 + source.below(64);
    let code = ReedSolomon::new(check, zeros).expect("1 to 64");
    let length = 1 + source.below(LONGEST_CODEWORD - check);
    let mut sent = source.take(length).to_vec();
    sent.resize(length + check, 0);
    let (data, behind) = sent.split_at_mut(length);
    code.encode(data, behind);
    let mut block = sent.clone();
    let erased: Vec<u8> = source.take(source.clone().below(70)).to_vec();
    let mut wrong = std::collections::BTreeSet::new();
    while !source.is_empty() && wrong.len() < 70 {
        let (at, change) = (source.below(block.len()), source.octet());
        block[at] ^= change;
        if block[at] == sent[at] {
            wrong.remove(&at);
        } else {
            wrong.insert(at);
        }
    }
    let named: std::collections::BTreeSet<usize> = erased.iter().map(|&e| e.into()).collect();
    let erasures = named.iter().filter(|&&e| e < block.len()).count();
    let errors = wrong.iter().filter(|place| !named.contains(place)).count();
    let before = block.clone();
    match code.decode(&mut block, &erased) {
        Ok(corrections) => {
            let sound = code.decode(&mut block.clone(), &[]).expect("a codeword");
            assert_eq!(sound.count(), 0);
            let mut undone = block.clone();
            corrections.apply(&mut undone);
            assert_eq!(undone, before);
        }
        Err(_) => assert_eq!(block, before),
    }
    if 2 * errors + erasures <= check {
        assert_eq!(
            block, sent,
            "{errors} errors, {erasures} erasures of {check}"
        );
    }
}

/// A frame in its block, with some of the block's octets damaged.
fn frame(mut source: Source, zeros: Zeros) {
    let strength = FecStrength::ALL[source.below(3)];
    let length = 15 + source.below(230);
    let mut frame = source.take(length).to_vec();
    frame.resize(length, 0x55);
    let lead = 1 + source.below(2);
    let protection = Protection { strength, zeros };
    let bits = encode_with(&[&frame], lead, 1, protection);
    let mut line: Vec<f32> = bits.into_iter().map(soft).collect();
    let clean = receive(&line, zeros);
    let Some(block) = clean.first() else {
        return; // Too long for any block.
    };
    assert_eq!(block.read.as_ref().map(|r| &r.octets), Some(&frame));
    let tag = TAGS.iter().find(|t| t.number == block.tag).expect("known");
    let begin = 8 * lead + TAG_BITS;
    let mut wrong = std::collections::BTreeSet::new();
    while !source.is_empty() && wrong.len() < tag.check / 2 {
        let (octet, bit) = (source.below(tag.block()), source.below(8));
        let place = begin + octet * 8 + bit;
        // Each bit once, so that it stays wrong.
        if line[place].abs() == 1.0 {
            line[place] *= -0.5;
            wrong.insert(octet);
        }
    }
    let read = receive(&line, zeros)
        .into_iter()
        .next()
        .and_then(|b| b.read);
    let read = read.expect("few enough octets are wrong");
    assert_eq!(read.octets, frame);
    assert!(read.corrected <= wrong.len());
}

fn soft(bit: bool) -> f32 {
    if bit { 1.0 } else { -1.0 }
}

fn receive(bits: &[f32], zeros: Zeros) -> Vec<Fx25Block> {
    let mut receiver = Fx25Receiver::new(zeros);
    let pushed = (0..).zip(bits);
    let blocks: Vec<Fx25Block> = pushed
        .filter_map(|(n, &soft)| receiver.push(soft, SampleCount(n)))
        .collect();
    for block in &blocks {
        assert!(block.start < block.end && block.check_start <= block.end);
        if let Some(read) = &block.read {
            assert!(read.start < read.end && read.octets.len() >= 15);
        }
    }
    blocks
}
