//! Frames in soft bits: any bits with any rivals, and frames that were encoded here and damaged.

use dunlin_clock::SampleCount;
use dunlin_framing::{
    Deframer, Framed, Limits, Reading, RepairSettings, Repairer, RepairingDeframer, Rival,
    SHORTEST_FRAME, SoftBit, encode,
};

use super::source::Source;

/// Short, so that the limit is reached and setting up takes little time.
const LIMITS: Limits = Limits {
    shortest: SHORTEST_FRAME,
    longest: 96,
};

pub fn run(octets: &[u8]) {
    let mut source = Source::new(octets);
    match source.octet() % 3 {
        0 => anything(source),
        _ => frames(source),
    }
}

/// Any bits, told in any way.
fn anything(mut source: Source) {
    let mut bits = Vec::new();
    while !source.is_empty() {
        let octet = source.octet();
        let strength = [1.0, 0.01, f32::INFINITY, 0.3][usize::from(octet >> 1 & 3)];
        let soft = match octet >> 1 & 7 {
            7 => f32::NAN,
            _ if octet & 1 == 1 => strength,
            _ => -strength,
        };
        let rival = (octet & 0xF0 == 0x10).then(|| any_rival(&mut source));
        bits.push((soft, rival));
        // Runs of bits as they are in one octet, so that flags come about.
        if octet & 0x80 != 0 {
            let eight = source.octet();
            let run = (0..8).map(|n| if eight >> n & 1 == 1 { 1.0 } else { -1.0 });
            bits.extend(run.map(|soft| (soft, None)));
        }
    }
    receive(&bits);
}

fn any_rival(source: &mut Source) -> Rival {
    let kind = source.octet();
    let flips = match kind & 7 {
        0 => u64::from_le_bytes(std::array::from_fn(|_| source.octet())),
        few => [1, 0b11, 0b101, 0b111, 0b1001, 0b10001, 1 << 63][usize::from(few) - 1],
    };
    let cost = match kind >> 3 {
        31 => f32::NAN,
        30 => f32::INFINITY,
        29 => -1.0,
        few => f32::from(few) / 3.0,
    };
    Rival { flips, cost }
}

/// Frames encoded here; then some of their bits damaged, told with the right rivals.
fn frames(mut source: Source) {
    let mut frames = Vec::new();
    for _ in 0..=source.below(3) {
        let length = SHORTEST_FRAME - 2 + source.below(LIMITS.longest - SHORTEST_FRAME + 1);
        let mut frame = source.take(length).to_vec();
        frame.resize(length, 0x7E);
        frames.push(frame);
    }
    let line = encode(&frames, 1 + source.below(3), 1 + source.below(3));
    let soft = |bit: bool| if bit { 1.0 } else { -1.0 };
    let clean: Vec<_> = line.iter().map(|&bit| (soft(bit), None)).collect();
    let (plain, repaired) = receive(&clean);
    assert_eq!(plain, frames);
    assert_eq!(repaired, frames);
    let mut damaged = clean;
    while !source.is_empty() {
        let rival = any_rival(&mut source);
        let at = usize::from(source.word()) % damaged.len();
        if source.chance() {
            for k in (0..64.min(at + 1)).filter(|k| rival.flips >> k & 1 == 1) {
                damaged[at - k].0 = -damaged[at - k].0;
            }
        }
        damaged[at].1 = Some(rival);
    }
    receive(&damaged);
}

/// The frames that the plain and the repairing deframer find; what they say must make sense.
fn receive(bits: &[(f32, Option<Rival>)]) -> (Vec<Vec<u8>>, Vec<Vec<u8>>) {
    let mut plain = Deframer::new(LIMITS);
    let mut repairer = Repairer::new(LIMITS, RepairSettings::default(), |_| true);
    let mut deframer = RepairingDeframer::new(LIMITS);
    let (mut found, mut readings) = (Vec::new(), Vec::new());
    for (n, &(soft, rival)) in (0..).zip(bits) {
        let at = SampleCount(n);
        found.extend(plain.push(soft, at));
        deframer.push(SoftBit { soft, at, rival }, &mut repairer, &mut readings);
    }
    readings.iter().for_each(check);
    let plain = found.iter().filter_map(octets).collect();
    let repaired = readings.iter().filter_map(|r| octets(&r.framed)).collect();
    (plain, repaired)
}

fn octets(framed: &Framed) -> Option<Vec<u8>> {
    match framed {
        Framed::Frame { octets, start, end } => {
            assert!((LIMITS.shortest - 2..=LIMITS.longest - 2).contains(&octets.len()));
            assert!(start < end);
            Some(octets.clone())
        }
        Framed::Rejected { start, end, .. } => {
            assert!(start < end);
            None
        }
    }
}

fn check(reading: &Reading) {
    if let Some(sure) = reading.confidence {
        assert!((0.0..=1.0).contains(&sure), "{reading:?}");
    }
    let is_frame = matches!(reading.framed, Framed::Frame { .. });
    assert!(is_frame || reading.repaired_bits == 0);
}
