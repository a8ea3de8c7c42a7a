//! Two inputs that hear the same transmissions: more frames than either alone, each once.

use std::time::Duration;

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{
    FecStrength, HeardOn, PairEvent, PairReceiver, ReceptionReport, Transmitter,
    TransmitterSettings,
};

const HZ: u32 = 12_000;
const MODE: Mode = Mode::Afsk1200;

/// A frame from QA1SKY to QM3BAR with `n` random octets of information.
fn frame(chance: &mut Chance, n: usize) -> Vec<u8> {
    let mut octets: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend((0..n).map(|_| chance.octet()));
    octets
}

/// Each frame in a transmission of its own, with a pause behind it.
fn send(frames: &[Vec<u8>]) -> Vec<f32> {
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_millis(160),
        ..TransmitterSettings::default()
    };
    let rate = SampleRate::new(HZ).expect("not zero");
    let transmitter = Transmitter::new(MODE, rate, settings).expect("fits");
    let mut sound = Vec::new();
    for frame in frames {
        sound.extend(transmitter.transmission(std::slice::from_ref(frame)));
        sound.extend(vec![0.0; HZ as usize / 7]);
    }
    sound
}

/// White noise of its own for an Eb/N0 in dB; the pauses hardly count.
fn noisy(sound: &[f32], eb_n0_db: f64, chance: &mut Chance) -> Vec<f32> {
    let on = sound.iter().filter(|s| **s != 0.0).count() as f64;
    let power = sound.iter().map(|s| f64::from(s * s)).sum::<f64>() / on;
    let n0 = power / f64::from(MODE.baud()) / 10_f64.powf(eb_n0_db / 10.0);
    let deviation = (n0 * f64::from(HZ) / 2.0).sqrt() as f32;
    let each = sound
        .iter()
        .map(|s| 0.3 * (s + deviation * chance.normal()));
    each.collect()
}

type Heard = (Vec<u8>, ReceptionReport, HeardOn);

fn listen(first: &[f32], second: &[f32]) -> (Vec<Heard>, PairReceiver) {
    let rate = SampleRate::new(HZ).expect("not zero");
    let mut pair = PairReceiver::new(MODE, rate).expect("fits");
    let mut events = Vec::new();
    // Odd lengths, as sound devices give them.
    for (a, b) in first.chunks(1009).zip(second.chunks(1009)) {
        pair.process([a, b], &mut events);
    }
    pair.finish(&mut events);
    let frame = |event: PairEvent| match event {
        PairEvent::Frame {
            octets,
            report,
            heard_on,
        } => Some((octets, report, heard_on)),
        PairEvent::Input { .. } => None,
    };
    (events.into_iter().filter_map(frame).collect(), pair)
}

/// Frames sent, and the sound of them without noise.
fn some(frames: usize) -> (Vec<Vec<u8>>, Vec<f32>, Chance) {
    let mut chance = Chance::stream(3, "pairing");
    let sent: Vec<Vec<u8>> = (0..frames).map(|_| frame(&mut chance, 48)).collect();
    let sound = send(&sent);
    (sent, sound, chance)
}

/// The frames that were heard are the ones that were sent, each once.
fn assert_once(sent: &[Vec<u8>], heard: &[Heard]) {
    for (octets, report, _) in heard {
        assert!(sent.contains(octets), "never sent: {report:?}");
    }
    for octets in sent {
        let times = heard.iter().filter(|(o, ..)| o == octets).count();
        assert!(times <= 1, "a frame came {times} times");
    }
}

fn only_combined(heard: &[Heard]) -> usize {
    let both = |(_, _, on): &&Heard| on.combined && !on.first && !on.second;
    heard.iter().filter(both).count()
}

/// The sound of an input that hears `samples` later.
fn delayed(sound: &[f32], samples: usize) -> Vec<f32> {
    let mut later = vec![0.0; samples];
    later.extend_from_slice(sound);
    later
}

#[test]
fn two_noisy_inputs_together_read_what_neither_reads() {
    let (sent, sound, mut chance) = some(40);
    let inputs = [0, 1].map(|_| noisy(&sound, 3.8, &mut chance));
    let (heard, _) = listen(&inputs[0], &inputs[1]);
    assert_once(&sent, &heard);
    let alone = heard
        .iter()
        .filter(|(_, _, on)| on.first || on.second)
        .count();
    let more = only_combined(&heard);
    assert!(more >= 6, "{more} more than the {alone} of either");
    let report = heard.iter().find(|(_, _, on)| !on.first && !on.second);
    let how = report.map(|(_, report, _)| report.how);
    assert_eq!(how, Some("two receivers combined"));
}

#[test]
fn a_delay_and_a_clock_that_is_off_do_not_matter() {
    let (sent, sound, mut chance) = some(30);
    // 0.4 s later, and 50 ppm faster, which is a sample each 1.7 s.
    let shifted = delayed(&sound, HZ as usize * 2 / 5);
    let off: Vec<f32> = (0..shifted.len())
        .map(|i| {
            let place = i as f64 * (1.0 + 50e-6);
            let (before, share) = (place as usize, place.fract() as f32);
            let at = |i: usize| shifted.get(i).copied().unwrap_or(0.0);
            at(before) + (at(before + 1) - at(before)) * share
        })
        .collect();
    let first = noisy(&delayed(&sound, 0), 3.8, &mut chance);
    let mut second = noisy(&off, 3.8, &mut chance);
    second.truncate(first.len() + HZ as usize / 2);
    let mut first = first;
    first.resize(second.len(), 0.0);
    let (heard, pair) = listen(&first, &second);
    assert_once(&sent, &heard);
    let more = only_combined(&heard);
    assert!(more >= 4, "{more} by both together");
    let later = pair.second_is_later().expect("heard on both");
    assert!((4740..4810).contains(&later), "{later} samples");
}

#[test]
fn one_input_that_is_silent_costs_nothing() {
    let (sent, sound, mut chance) = some(6);
    let clear = noisy(&sound, 12.0, &mut chance);
    let silent = vec![0.0; clear.len()];
    for (first, second) in [(&clear, &silent), (&silent, &clear)] {
        let (heard, _) = listen(first, second);
        assert_once(&sent, &heard);
        assert_eq!(heard.len(), sent.len());
        assert!(
            heard
                .iter()
                .all(|(_, _, on)| on.first != on.second && !on.combined)
        );
    }
}

#[test]
fn one_input_with_other_data_or_noise_costs_nothing() {
    let (sent, sound, mut chance) = some(6);
    let clear = noisy(&sound, 12.0, &mut chance);
    let noise: Vec<f32> = clear.iter().map(|_| chance.normal()).collect();
    let (heard, _) = listen(&clear, &noise);
    assert_once(&sent, &heard);
    assert_eq!(heard.len(), sent.len());
    // Another station at the same time: everything of both.
    let others: Vec<Vec<u8>> = (0..6).map(|_| frame(&mut chance, 48)).collect();
    let mut second = noisy(&send(&others), 12.0, &mut chance);
    second.resize(clear.len(), 0.0);
    let (heard, _) = listen(&clear, &second);
    assert_once(&[sent, others].concat(), &heard);
    assert_eq!(heard.len(), 12);
}

#[test]
fn polarity_does_not_matter_and_true_repeats_stay() {
    let (sent, _, mut chance) = some(3);
    let twice = |octets: &Vec<u8>| [octets.clone(), octets.clone()];
    let repeated: Vec<Vec<u8>> = sent.iter().flat_map(twice).collect();
    let sound = send(&repeated);
    let first = noisy(&sound, 12.0, &mut chance);
    let turned: Vec<f32> = noisy(&sound, 12.0, &mut chance)
        .iter()
        .map(|s| -s)
        .collect();
    let (heard, _) = listen(&first, &turned);
    let octets: Vec<&Vec<u8>> = heard.iter().map(|(octets, ..)| octets).collect();
    assert_eq!(octets, repeated.iter().collect::<Vec<_>>());
    let on = heard.iter().map(|(_, _, on)| *on);
    assert!(
        on.clone().all(|on| on.first && on.second),
        "{:?}",
        on.collect::<Vec<_>>()
    );
}

#[test]
fn a_delay_that_changes_is_learned_anew() {
    let (sent, sound, mut chance) = some(60);
    // From the middle on the second input hears 0.3 s later: its device was opened anew.
    let step = HZ as usize * 3 / 10;
    let half = sound.len() / 2;
    let mut second = sound[..half].to_vec();
    second.extend(vec![0.0; step]);
    second.extend_from_slice(&sound[half..]);
    let mut first = sound;
    first.extend(vec![0.0; step]);
    let first = noisy(&first, 3.8, &mut chance);
    let second = noisy(&second, 3.8, &mut chance);
    let (heard, pair) = listen(&first, &second);
    assert_once(&sent, &heard);
    let later = pair.second_is_later().expect("heard on both");
    assert!(later.abs_diff(step as i64) < 20, "{later} samples");
    let late = heard
        .iter()
        .filter(|(octets, ..)| sent[36..].contains(octets));
    let late: Vec<Heard> = late.cloned().collect();
    let more = only_combined(&late);
    assert!(more >= 3, "{more} by both together after the change");
}

#[test]
fn many_frames_without_a_pause_come_once_each() {
    let mut chance = Chance::stream(9, "pairing");
    let sent: Vec<Vec<u8>> = (0..150).map(|_| frame(&mut chance, 4)).collect();
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_millis(160),
        ..TransmitterSettings::default()
    };
    let rate = SampleRate::new(HZ).expect("not zero");
    let transmitter = Transmitter::new(MODE, rate, settings).expect("fits");
    let mut sound = transmitter.transmission(&sent);
    sound.extend(vec![0.0; HZ as usize]);
    let inputs = [0, 1].map(|_| noisy(&sound, 12.0, &mut chance));
    let (heard, _) = listen(&inputs[0], &inputs[1]);
    let octets: Vec<&Vec<u8>> = heard.iter().map(|(octets, ..)| octets).collect();
    assert_eq!(octets, sent.iter().collect::<Vec<_>>());
}

#[test]
fn blocks_of_forward_error_correction_are_read_from_the_combination() {
    let mut chance = Chance::stream(10, "pairing");
    let sent: Vec<Vec<u8>> = (0..40).map(|_| frame(&mut chance, 48)).collect();
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_millis(160),
        fec: Some(FecStrength::Check16),
        ..TransmitterSettings::default()
    };
    let rate = SampleRate::new(HZ).expect("not zero");
    let transmitter = Transmitter::new(MODE, rate, settings).expect("fits");
    let mut sound = Vec::new();
    for frame in &sent {
        sound.extend(transmitter.transmission(std::slice::from_ref(frame)));
        sound.extend(vec![0.0; HZ as usize / 7]);
    }
    let inputs = [0, 1].map(|_| noisy(&sound, 3.5, &mut chance));
    let (heard, _) = listen(&inputs[0], &inputs[1]);
    assert_once(&sent, &heard);
    let more = heard
        .iter()
        .filter(|(_, report, on)| report.fec.is_some() && on.combined && !on.first && !on.second);
    let more = more.count();
    assert!(more >= 8, "{more} more");
}
