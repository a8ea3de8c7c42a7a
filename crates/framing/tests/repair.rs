//! The search for damaged frames, over a line with made errors.

use dunlin_clock::{Chance, SampleCount};
use dunlin_framing::{
    DOUBTFUL, Framed, Guess, Limits, Reading, RepairSettings, Repairer, RepairingDeframer, Rival,
    SoftBit, encode,
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

/// Addresses of usual letters, a control octet and a text, as `plausible` below wants them.
fn sent_octets() -> Vec<u8> {
    let mut octets: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend(b"the quick brown fox jumps over the lazy dog");
    octets
}

fn plausible(octets: &[u8]) -> Option<usize> {
    let head = octets.get(..15)?;
    (head[..14].iter().all(|o| o >> 1 >= 0x30) && head[14] == 3).then_some(15)
}

/// The guesses at a line.
fn guesses(line: &Line) -> Vec<Guess> {
    let mut repairer =
        Repairer::new(Limits::default(), RepairSettings::default(), |_| true).guessing(plausible);
    let mut deframer = RepairingDeframer::new(Limits::default());
    let (mut out, mut guesses) = (Vec::new(), Vec::new());
    for (i, (&bit, &rival)) in (0..).zip(line.bits.iter().zip(&line.rivals)) {
        let soft = if bit { 1.0 } else { -1.0 };
        let at = SampleCount(i);
        deframer.push(SoftBit { soft, at, rival }, &mut repairer, &mut out);
        guesses.extend(deframer.take_guess());
    }
    assert_eq!(frames(&out), [], "only what is no frame is guessed at");
    guesses
}

/// The line of one frame between flags with rivals that are no danger at every bit.
fn calm_line() -> Line {
    let mut line = Line::new(encode(&[sent_octets()], 2, 2));
    for at in 30..line.bits.len() - 20 {
        line.mislead(at, 1, 9.0);
    }
    line
}

/// Where the text begins on the line, with two flags and no stuffing before it.
const TEXT: usize = 16 + 17 * 8;

#[test]
fn a_frame_with_too_many_events_in_its_text_becomes_a_guess_that_tells_which_octets() {
    let mut line = calm_line();
    // Four events, one more than are put right together; each costs little.
    let events = [0, 5, 11, 20].map(|octet| TEXT + 8 * octet + 3);
    for at in events {
        line.rivals[at] = None;
        line.damage(at, 1, 0.4);
    }
    let found = guesses(&line);
    let [guess] = &found[..] else {
        panic!("one guess: {found:?}");
    };
    let sent = sent_octets();
    assert_eq!(guess.octets.len(), sent.len());
    assert_eq!(guess.octets[..15], sent[..15]);
    assert!(guess.head > 0.75 && guess.whole < 0.5, "{guess:?}");
    assert_eq!(
        (guess.start, guess.end.0 as usize),
        (SampleCount(16), line.bits.len() - 9)
    );
    let doubtful = |n: &usize| guess.certainty[*n] < DOUBTFUL;
    let told: Vec<usize> = (0..sent.len()).filter(doubtful).collect();
    let wrong: Vec<usize> = (0..sent.len())
        .filter(|&n| guess.octets[n] != sent[n])
        .collect();
    assert!(
        !wrong.is_empty() && wrong.iter().all(|n| told.contains(n)),
        "{wrong:?} {told:?}"
    );
    assert!(told.len() <= 8, "{told:?}");
}

#[test]
fn where_the_address_is_in_doubt_nothing_is_guessed() {
    let mut line = calm_line();
    for at in [40, 61, 83, 104] {
        line.rivals[at] = None;
        line.damage(at, 1, 0.2);
    }
    assert_eq!(guesses(&line), []);
}

#[test]
fn where_no_rivals_are_told_nothing_is_guessed() {
    let mut line = Line::new(encode(&[sent_octets()], 2, 2));
    line.bits[TEXT + 40] ^= true;
    assert_eq!(guesses(&line), []);
}

#[test]
fn an_error_that_no_rival_tells_of_may_be_in_any_octet() {
    let mut line = calm_line();
    line.bits[TEXT + 40] ^= true;
    let found = guesses(&line);
    let guess = found.first().expect("a guess");
    // 61 octets with the FCS, of which 15 are the head.
    assert!((guess.head - 46.0 / 61.0).abs() < 0.1, "{}", guess.head);
}

#[test]
fn noise_gives_no_guess() {
    let mut chance = Chance::stream(7, "guesses in noise");
    let mut line = Line::new((0..400_000).map(|_| chance.octet() & 1 == 1).collect());
    for at in 64..line.bits.len() {
        // Costs as small as noise has them.
        let cost = chance.normal().abs();
        line.mislead(at, 1, cost);
    }
    assert_eq!(guesses(&line), []);
}
