//! The search for damaged frames, over a line with made errors.

use dunlin_clock::{Chance, SampleCount};
use dunlin_framing::{
    Framed, Limits, Reading, RepairSettings, Repairer, RepairingDeframer, Rival, SoftBit, encode,
};
use proptest::prelude::*;

/// Cost of a reading that happened.
const CHEAP: f32 = 1.0;
/// Samples from one bit to the next.
const STEP: u64 = 10;

/// A line, with error events and the rivals of its bits.
struct Line {
    bits: Vec<bool>,
    rivals: Vec<Option<Rival>>,
}

impl Line {
    fn new(bits: Vec<bool>) -> Self {
        let rivals = vec![None; bits.len()];
        Line { bits, rivals }
    }

    /// Reads the bits of an event that ends at `at` wrongly; the right reading is the rival.
    fn damage(&mut self, at: usize, flips: u64, cost: f32) {
        for k in (0..64).filter(|k| flips >> k & 1 == 1) {
            self.bits[at - k] = !self.bits[at - k];
        }
        self.rivals[at] = Some(Rival { flips, cost });
    }

    /// Tells a reading that would be wrong.
    fn mislead(&mut self, at: usize, flips: u64, cost: f32) {
        self.rivals[at].get_or_insert(Rival { flips, cost });
    }

    fn receive_with(&self, settings: RepairSettings, judge: fn(&[u8]) -> bool) -> Vec<Reading> {
        let mut repairer = Repairer::new(Limits::default(), settings, judge);
        let mut deframer = RepairingDeframer::new(Limits::default());
        let mut out = Vec::new();
        for (i, (&bit, &rival)) in (0..).zip(self.bits.iter().zip(&self.rivals)) {
            let soft = if bit { 1.0 } else { -1.0 };
            let at = SampleCount(i * STEP);
            deframer.push(SoftBit { soft, at, rival }, &mut repairer, &mut out);
        }
        out
    }

    fn receive(&self) -> Vec<Reading> {
        self.receive_with(RepairSettings::default(), |_| true)
    }
}

fn frames(readings: &[Reading]) -> Vec<(&[u8], u16)> {
    let mut out = Vec::new();
    for reading in readings {
        if let Framed::Frame { octets, .. } = &reading.framed {
            out.push((&octets[..], reading.repaired_bits));
        }
    }
    out
}

/// Octets of all kinds, with ones in a row among them.
fn octets(n: usize) -> Vec<u8> {
    (0..n).map(|i| (i * 29 + 0xF8) as u8).collect()
}

#[test]
fn a_frame_with_one_event_is_repaired_wherever_it_is() {
    let frame = octets(24);
    let clean = encode(&[&frame], 3, 2);
    for flips in [0b11, 0b101, 0b1_u64] {
        for at in 24 + 2..clean.len() - 16 {
            let mut line = Line::new(clean.clone());
            line.damage(at, flips, CHEAP);
            let found = line.receive();
            let expected = [(&frame[..], flips.count_ones() as u16)];
            assert_eq!(frames(&found), expected, "event {flips:b} at {at}");
            let repaired = found.iter().find(|r| r.repaired_bits > 0).expect("found");
            assert!(repaired.confidence.is_some_and(|c| c > 0.999));
            let Framed::Frame { start, end, .. } = repaired.framed else {
                panic!("{repaired:?}");
            };
            assert_eq!(start.0, 24 * STEP);
            assert_eq!(end.0, (clean.len() as u64 - 9) * STEP);
        }
    }
}

#[test]
fn two_and_three_events_are_repaired() {
    let frame = octets(40);
    let clean = encode(&[&frame], 3, 2);
    for step in 1..40 {
        let mut line = Line::new(clean.clone());
        line.damage(40 + step, 0b11, 0.5);
        line.damage(200 - step, 0b101, 1.0);
        line.mislead(100, 0b11, 1.2);
        line.mislead(150, 0b11, 2.0);
        assert_eq!(frames(&line.receive()), [(&frame[..], 4)], "step {step}");
        line.damage(290, 0b11, 0.6);
        assert_eq!(frames(&line.receive()), [(&frame[..], 6)], "step {step}");
    }
}

#[test]
fn a_false_flag_in_the_middle_joins_what_it_split() {
    // 0x7C, 0x01: 0 0 1 1 1 1 1 0(stuffed) 0 1: one wrong bit makes a flag of it.
    let mut frame = octets(40);
    frame[19] = 0x7C;
    frame[20] = 0x01;
    let clean = encode(&[&frame], 3, 2);
    let flag = [false, true, true, true, true, true, true, false];
    let mut tried = 0;
    for at in 32..clean.len() - 24 {
        let mut line = Line::new(clean.clone());
        line.damage(at, 0b1, CHEAP);
        if line.bits[at - 7..at + 8].windows(8).any(|w| w == flag) {
            tried += 1;
            assert_eq!(frames(&line.receive()), [(&frame[..], 1)], "at {at}");
        }
    }
    assert!(tried > 0);
}

#[test]
fn seven_false_ones_in_the_middle_are_no_end() {
    let mut frame = octets(40);
    frame[19] = 0xDF;
    frame[20] = 0xFB;
    let clean = encode(&[&frame], 3, 2);
    let mut tried = 0;
    for at in 32..clean.len() - 24 {
        let mut line = Line::new(clean.clone());
        line.damage(at, 0b1, CHEAP);
        if line.bits[at - 6..at + 7].windows(7).any(|w| w == [true; 7]) {
            tried += 1;
            assert_eq!(frames(&line.receive()), [(&frame[..], 1)], "at {at}");
        }
    }
    assert!(tried > 0);
}

#[test]
fn a_destroyed_last_opening_flag_is_restored() {
    let frame = octets(30);
    let clean = encode(&[&frame], 4, 2);
    for at in 26..32 {
        let mut line = Line::new(clean.clone());
        line.damage(at, 0b11, CHEAP);
        assert_eq!(frames(&line.receive()), [(&frame[..], 2)], "at {at}");
    }
}

#[test]
fn a_destroyed_flag_between_two_frames_is_restored() {
    let (first, second) = (octets(30), octets(44));
    let clean = encode(&[&first, &second], 3, 2);
    let between = encode(&[&first], 3, 1).len() - 8;
    for at in between + 1..between + 8 {
        let mut line = Line::new(clean.clone());
        line.damage(at, 0b11, CHEAP);
        let expected = [(&first[..], 2), (&second[..], 2)];
        assert_eq!(frames(&line.receive()), expected, "at {at}");
    }
}

#[test]
fn a_destroyed_closing_flag_is_restored_before_another_flag_comes() {
    let frame = octets(30);
    let mut clean = encode(&[&frame], 3, 1);
    let flag = clean.len() - 8;
    clean.extend([true, false, false].iter().cycle().take(20));
    for at in flag + 1..flag + 8 {
        let mut line = Line::new(clean.clone());
        line.damage(at, 0b11, CHEAP);
        assert_eq!(frames(&line.receive()), [(&frame[..], 2)], "at {at}");
    }
}

#[test]
fn what_the_judge_refuses_is_not_handed_out() {
    let frame = octets(24);
    let mut line = Line::new(encode(&[&frame], 3, 2));
    line.damage(100, 0b11, CHEAP);
    let found = line.receive_with(RepairSettings::default(), |o| o[0] != 0xF8);
    assert_eq!(frames(&found), []);
}

#[test]
fn where_many_errors_are_expected_nothing_is_tried() {
    let frame = octets(24);
    let mut line = Line::new(encode(&[&frame], 3, 2));
    line.damage(100, 0b11, 0.1);
    for at in (30..200).step_by(4) {
        line.mislead(at, 0b11, 0.5);
    }
    assert_eq!(frames(&line.receive()), []);
}

#[test]
fn a_clean_frame_in_doubtful_bits_is_told_as_such() {
    let frame = octets(24);
    let mut line = Line::new(encode(&[&frame], 3, 2));
    let sure = |line: &Line| line.receive()[0].confidence;
    assert_eq!(sure(&line), None, "nothing is known of rivals");
    line.mislead(100, 0b11, 5.0);
    assert!(sure(&line).is_some_and(|c| c > 0.999_99));
    for at in 26..200 {
        line.mislead(at, 0b11, 0.2);
    }
    assert!(sure(&line).is_some_and(|c| c < 1e-6));
}

#[test]
fn after_a_break_nothing_is_joined_with_what_was_before() {
    let frame = octets(24);
    let mut line = Line::new(encode(&[&frame], 3, 2));
    line.damage(100, 0b11, CHEAP);
    let settings = RepairSettings::default();
    let mut repairer = Repairer::new(Limits::default(), settings, |_| true);
    let mut deframer = RepairingDeframer::new(Limits::default());
    let mut out = Vec::new();
    for (i, (&bit, &rival)) in (0..).zip(line.bits.iter().zip(&line.rivals)) {
        if i == 150 {
            deframer.reset();
        }
        let soft = if bit { 1.0 } else { -1.0 };
        let at = SampleCount(i);
        deframer.push(SoftBit { soft, at, rival }, &mut repairer, &mut out);
    }
    assert_eq!(frames(&out), []);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn whatever_comes_out_is_what_a_sender_would_send_and_as_near_as_told(seed: u64) {
        let mut chance = Chance::stream(seed, "bits");
        let mut line = Line::new((0..3000).map(|_| chance.below(2) == 1).collect());
        for at in 0..3000 {
            if chance.below(20) == 0 {
                let flips = chance.bits() >> chance.below(60);
                line.mislead(at, flips, chance.between(0.0, 8.0) as f32);
            }
        }
        let settings = RepairSettings {
            most_tested: 2000,
            least_likely: 0.0,
            most_errors: 1e9,
        };
        for reading in line.receive_with(settings, |_| true) {
            if let Framed::Frame { octets, start, end } = reading.framed {
                // Encoding it again gives its FCS and its stuffing; the bits told differ from
                // that in no more places than told.
                let sent = encode(&[&octets], 1, 1);
                let from = (start.0 / STEP) as usize;
                prop_assert_eq!((end.0 / STEP) as usize + 1 - from, sent.len() - 8);
                let told = &line.bits[from..from + sent.len() - 8];
                let differing = told.iter().zip(&sent[8..]).filter(|(a, b)| a != b).count();
                prop_assert!(differing <= usize::from(reading.repaired_bits));
            }
        }
    }

    #[test]
    fn noise_with_any_rivals_never_panics(seed: u64, longest in 17_usize..64) {
        let mut chance = Chance::stream(seed, "noise");
        let limits = Limits { shortest: 17, longest };
        let settings = RepairSettings {
            most_tested: 1000,
            least_likely: 0.0,
            most_errors: 1e9,
        };
        let mut repairer = Repairer::new(limits, settings, |_| true);
        let mut deframer = RepairingDeframer::new(limits);
        let mut out = Vec::new();
        for i in 0..3000 {
            if chance.below(2000) == 0 {
                deframer.reset();
            }
            let cost = match chance.below(4) {
                0 => chance.between(0.0, 9.0) as f32,
                _ => f32::from_bits(chance.bits() as u32),
            };
            let rival = Some(Rival { flips: chance.bits() >> chance.below(64), cost });
            let soft = f32::from_bits(chance.bits() as u32);
            let bit = SoftBit { soft, at: SampleCount(i), rival };
            deframer.push(bit, &mut repairer, &mut out);
        }
        for (octets, _) in frames(&out) {
            prop_assert!((17..=longest).contains(&(octets.len() + 2)));
        }
    }
}
