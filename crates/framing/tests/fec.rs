//! What forward error correction gains, how rarely it is wrong, and what it costs in time.
//!
//! The measurements are ignored by default; `docs/fec.md` keeps what they printed:
//! `cargo test --release -p dunlin-framing --test fec -- --ignored --nocapture`

#![allow(clippy::disallowed_methods, clippy::disallowed_types)] // a stopwatch is part of it

use dunlin_clock::{Chance, SampleCount};
use dunlin_framing::{
    FecStrength, Fx25Block, Fx25Receiver, Protection, ReedSolomon, TAG_BITS, TAGS, Tag, Zeros,
    encode_with,
};

fn code(tag: &Tag) -> ReedSolomon {
    ReedSolomon::new(tag.check, Zeros::Last).expect("1 to 64")
}

fn random_block(tag: &Tag, chance: &mut Chance) -> Vec<u8> {
    let mut block: Vec<u8> = (0..tag.block()).map(|_| chance.octet()).collect();
    let (data, check) = block.split_at_mut(tag.data);
    code(tag).encode(data, check);
    block
}

/// The chance that more than `most` of `octets` octets are wrong, each with chance `wrong`.
fn too_many(octets: usize, most: usize, wrong: f64) -> f64 {
    let mut term = (octets as f64 * (1.0 - wrong).ln()).exp();
    let mut sum = term;
    for j in 0..most {
        term *= (octets - j) as f64 / (j + 1) as f64 * wrong / (1.0 - wrong);
        sum += term;
    }
    1.0 - sum
}

#[test]
fn the_formula_is_the_published_one() {
    // Tag 01 at a bit error rate of 1e-3: 2.45e-4, computed with SciPy's binomial survival
    // function.
    let wrong = 1.0 - (1.0 - 1e-3_f64).powi(8);
    assert!((too_many(255, 8, wrong) - 2.45e-4).abs() < 1e-6);
}

/// Blocks are lost as often as the binomial formula says, for independent bit errors.
#[test]
fn blocks_fail_as_often_as_theory_says() {
    const BLOCKS: usize = 500;
    for tag in &TAGS {
        let mut chance = Chance::stream(u64::from(tag.number), "theory");
        let code = code(tag);
        let half = tag.check / 2;
        // An octet error rate near which a third of the blocks fail.
        let wrong = (half as f64 - 0.5) / tag.block() as f64;
        let bit = 1.0 - (1.0 - wrong).powf(1.0 / 8.0);
        let mut lost = 0;
        for _ in 0..BLOCKS {
            let sent = random_block(tag, &mut chance);
            let mut block = sent.clone();
            for octet in &mut block {
                for place in 0..8 {
                    *octet ^= u8::from(chance.unit() < bit) << place;
                }
            }
            let read = code.decode(&mut block, &[]).is_ok() && block == sent;
            lost += usize::from(!read);
        }
        let expected = too_many(tag.block(), half, wrong);
        let share = lost as f64 / BLOCKS as f64;
        let deviation = (expected * (1.0 - expected) / BLOCKS as f64).sqrt();
        println!(
            "tag {:02X}: {share:.4}, by theory {expected:.4}",
            tag.number
        );
        assert!((share - expected).abs() < 4.0 * deviation, "tag {tag:?}");
    }
}

fn push_all(receiver: &mut Fx25Receiver, soft: impl IntoIterator<Item = f32>) -> Vec<Fx25Block> {
    let numbered = (0..).zip(soft);
    numbered
        .filter_map(|(i, s)| receiver.push(s, SampleCount(i)))
        .collect()
}

fn frame(chance: &mut Chance, octets: usize) -> Vec<u8> {
    (0..octets).map(|_| chance.octet()).collect()
}

/// Levels in noise, differentially: a bit is as sure as the less sure of its two levels, as
/// NRZI makes it.
fn line(bits: &[bool], eb_n0_db: f64, chance: &mut Chance) -> Vec<f32> {
    let deviation = (0.5 / 10_f64.powf(eb_n0_db / 10.0)).sqrt() as f32;
    let mut level = 1.0_f32;
    let mut last = level + deviation * chance.normal();
    let soft = |&bit: &bool| {
        level = if bit { level } else { -level };
        let now = level + deviation * chance.normal();
        let both = now.abs().min(last.abs()).copysign(now * last);
        last = now;
        both
    };
    bits.iter().map(soft).collect()
}

/// What hard decisions would have read of a transmission with one block.
fn read_hard(soft: &[f32], sent: &[bool], tag: &Tag) -> bool {
    let from = 8 + TAG_BITS;
    let octets = |bit: &dyn Fn(usize) -> bool| -> Vec<u8> {
        let octet = |i| (0..8).fold(0, |o, b| o | u8::from(bit(from + i * 8 + b)) << b);
        (0..tag.block()).map(octet).collect()
    };
    let mut block = octets(&|i| soft[i] > 0.0);
    let wrong = (8..from).filter(|&i| (soft[i] > 0.0) != sent[i]).count();
    let whole = octets(&|i| sent[i]);
    wrong <= 8 && code(tag).decode(&mut block, &[]).is_ok() && block == whole
}

#[test]
#[ignore = "a measurement; see the top of the file"]
fn gain_of_soft_decisions() {
    const FRAMES: usize = 400;
    println!("antipodal levels in white noise, NRZI, 64 octets; read plainly, hard, soft");
    for strength in FecStrength::ALL {
        for step in 0..16 {
            let eb_n0_db = 0.5 + f64::from(step) * 0.5;
            let mut chance = Chance::stream(5, "soft");
            let mut read = [0; 3];
            for _ in 0..FRAMES {
                let sent = frame(&mut chance, 64);
                let protection = Protection::new(strength);
                let bits = encode_with(std::slice::from_ref(&sent), 1, 1, protection);
                let soft = line(&bits, eb_n0_db, &mut chance);
                let found = push_all(&mut Fx25Receiver::default(), soft.iter().copied());
                let frame_bits = 8 + TAG_BITS..8 + TAG_BITS + (64 + 4) * 8;
                let plain = frame_bits.clone().all(|i| (soft[i] > 0.0) == bits[i]);
                let tag = TAGS
                    .iter()
                    .find(|t| bits.len() == 16 + TAG_BITS + t.block() * 8);
                let tag = tag.expect("one of them");
                read[0] += usize::from(plain);
                read[1] += usize::from(read_hard(&soft, &bits, tag));
                let octets = |b: &Fx25Block| b.read.as_ref().map(|r| r.octets.clone());
                read[2] += usize::from(found.iter().any(|b| octets(b).as_ref() == Some(&sent)));
            }
            let share = read.map(|n| n as f64 / FRAMES as f64);
            println!("{strength:?} {eb_n0_db:4.1} dB  {share:.3?}");
        }
    }
}

#[test]
#[ignore = "a measurement; see the top of the file"]
fn false_tags_and_time_in_noise() {
    const BITS: u64 = 2_000_000_000;
    let mut chance = Chance::stream(1, "false tags");
    let mut receiver = Fx25Receiver::default();
    let (mut tags, mut frames) = (0, 0);
    let begin = std::time::Instant::now();
    for word in 0..BITS / 64 {
        let bits = chance.bits();
        for i in 0..64 {
            let soft = if bits >> i & 1 == 1 { 1.0 } else { -1.0 };
            if let Some(block) = receiver.push(soft, SampleCount(word * 64 + i)) {
                tags += 1;
                frames += u32::from(block.read.is_some());
            }
        }
    }
    let ns = begin.elapsed().as_secs_f64() * 1e9 / BITS as f64;
    let mut ways = 1.0;
    let mut sum = 1.0;
    for k in 0..8 {
        ways *= f64::from(64 - k) / f64::from(k + 1);
        sum += ways;
    }
    let expected = 11.0 * sum / 2_f64.powi(64) * BITS as f64;
    println!("{BITS} random bits: {tags} false tags ({expected:.1} expected), {frames} frames");
    println!("{ns:.1} ns for each bit");
    assert!((f64::from(tags) - expected).abs() < 5.0 * expected.sqrt());
}

/// What follows a false tag is decoded in many rounds; its FCS is right by chance now and then.
#[test]
#[ignore = "a measurement; see the top of the file"]
fn frames_out_of_random_blocks() {
    for tag in &TAGS {
        let blocks = 4_000_000 / tag.block();
        let mut chance = Chance::stream(u64::from(tag.number), "random blocks");
        let mut receiver = Fx25Receiver::default();
        let mut frames = 0;
        let begin = std::time::Instant::now();
        for _ in 0..blocks {
            let mark = (0..TAG_BITS).map(|i| tag.value >> i & 1 == 1);
            let mut soft: Vec<f32> = mark.map(|b| if b { 1.0 } else { -1.0 }).collect();
            soft.extend((0..tag.block() * 8).map(|_| chance.normal()));
            frames += push_all(&mut receiver, soft)
                .iter()
                .filter(|b| b.read.is_some())
                .count();
        }
        let each = begin.elapsed().as_secs_f64() * 1e3 / blocks as f64;
        println!(
            "tag {:02X}: {frames} frames out of {blocks} random blocks, {each:.2} ms each",
            tag.number
        );
    }
}
