//! Frames with forward error correction (FX.25), through the modem.

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{
    FecStrength, Receiver, ReceiverEvent, ReceptionReport, Transmitter, TransmitterSettings,
};

const RATE: u32 = 48_000;
const STRENGTHS: [Option<FecStrength>; 4] = [
    None,
    Some(FecStrength::Check16),
    Some(FecStrength::Check32),
    Some(FecStrength::Check64),
];

fn rate() -> SampleRate {
    SampleRate::new(RATE).expect("not zero")
}

/// A frame from QA1SKY to QM3BAR of `octets` octets without FCS, at least 16.
fn frame(chance: &mut Chance, octets: usize) -> Vec<u8> {
    let mut frame: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    frame[13] |= 1;
    frame.extend([0x03, 0xF0]);
    frame.extend((16..octets).map(|_| chance.octet()));
    frame
}

fn transmitter(mode: Mode, fec: Option<FecStrength>) -> Transmitter {
    let settings = TransmitterSettings {
        fec,
        ..TransmitterSettings::default()
    };
    Transmitter::new(mode, rate(), settings).expect("fits")
}

fn listen(mode: Mode, sound: &[f32]) -> Vec<ReceiverEvent> {
    let mut receiver = Receiver::new(mode, rate()).expect("fits");
    let mut events = Vec::new();
    receiver.process(sound, &mut events);
    receiver.process(&vec![0.0; receiver.delay() + 1], &mut events);
    events
}

fn frames(events: &[ReceiverEvent]) -> Vec<(Vec<u8>, ReceptionReport)> {
    let frame = |e: &ReceiverEvent| match e {
        ReceiverEvent::Frame { octets, report } => Some((octets.clone(), report.clone())),
        _ => None,
    };
    events.iter().filter_map(frame).collect()
}

fn complaints(events: &[ReceiverEvent]) -> usize {
    let unreadable = |e: &&ReceiverEvent| matches!(e, ReceiverEvent::Unreadable { .. });
    events.iter().filter(unreadable).count()
}

#[test]
fn clear_frames_are_read_plainly_once_and_check_octets_are_not_complained_of() {
    let mut chance = Chance::stream(1, "clear");
    let quiet = vec![0.0; RATE as usize / 10];
    for mode in [Mode::Afsk300, Mode::Afsk1200, Mode::Fsk9600] {
        for fec in STRENGTHS {
            let sent: Vec<Vec<u8>> = [18, 60, 150].map(|n| frame(&mut chance, n)).into();
            let transmitter = transmitter(mode, fec);
            let sound = transmitter.transmission(&sent);
            assert_eq!(
                transmitter.airtime(&sent),
                rate().duration_of(sound.len() as u64)
            );
            let events = listen(mode, &[&quiet[..], &sound[..], &quiet[..]].concat());
            let heard = frames(&events);
            let octets: Vec<_> = heard.iter().map(|(octets, _)| octets.clone()).collect();
            assert_eq!(octets, sent, "{mode} {fec:?}");
            assert!(heard.iter().all(|(_, report)| report.fec.is_none()));
            assert_eq!(complaints(&events), 0, "{mode} {fec:?}");
        }
    }
}

/// The sound of a frame with a hole of so many octets behind its address field.
fn with_a_hole(mode: Mode, fec: FecStrength, octets: usize) -> (Vec<u8>, Vec<f32>) {
    let mut chance = Chance::stream(2, "hole");
    let sent = frame(&mut chance, 60);
    let mut sound = transmitter(mode, Some(fec)).transmission(std::slice::from_ref(&sent));
    let octet = RATE as usize * 8 / mode.baud() as usize;
    // Flags of the key-up delay, the tag, the flag, the addresses.
    let before = (mode.baud() * 3 / 80) as usize + 8 + 1 + 20;
    let hole = &mut sound[before * octet..(before + octets) * octet];
    let power = hole.iter().map(|s| s * s).sum::<f32>() / hole.len() as f32;
    hole.iter_mut()
        .for_each(|s| *s = power.sqrt() * chance.normal());
    sound.extend(vec![0.0; RATE as usize / 10]);
    (sent, sound)
}

#[test]
fn a_hole_is_mended_and_the_report_says_so() {
    for (mode, octets) in [(Mode::Afsk300, 5), (Mode::Afsk1200, 5), (Mode::Fsk9600, 4)] {
        let (sent, sound) = with_a_hole(mode, FecStrength::Check16, octets);
        let events = listen(mode, &sound);
        let heard = frames(&events);
        assert_eq!(heard.len(), 1, "{mode}: {heard:?}");
        assert_eq!(heard[0].0, sent, "{mode}");
        let fec = heard[0].1.fec.expect("not readable plainly");
        assert_eq!(fec.tag, 0x02);
        assert!((1..=16).contains(&fec.corrected_octets), "{mode} {fec:?}");
        assert_eq!(complaints(&events), 0, "{mode}");
    }
}

#[test]
fn a_hole_too_large_is_complained_of_and_yields_no_frame() {
    let (_, sound) = with_a_hole(Mode::Afsk1200, FecStrength::Check16, 30);
    let events = listen(Mode::Afsk1200, &sound);
    assert_eq!(frames(&events), []);
    assert!(complaints(&events) > 0);
}

/// Adds white noise for an Eb/N0 in dB: N0 is the one-sided density, so that each sample has
/// the variance N0 * rate / 2.
fn noisy(sound: &mut [f32], mode: Mode, eb_n0_db: f64, chance: &mut Chance) {
    let power = sound.iter().map(|s| f64::from(s * s)).sum::<f64>() / sound.len() as f64;
    let n0 = power / f64::from(mode.baud()) / 10_f64.powf(eb_n0_db / 10.0);
    let deviation = (n0 * f64::from(RATE) / 2.0).sqrt() as f32;
    sound
        .iter_mut()
        .for_each(|s| *s += deviation * chance.normal());
}

/// Prints what the codes gain in white noise: the share of 64-octet frames read at each level,
/// counted per bit on the air (so that a longer block is not paid for), and where half of
/// them arrive.
#[test]
#[ignore = "a measurement of minutes: cargo test --release -p dunlin-station --test protected -- --ignored --nocapture"]
fn gain_in_white_noise() {
    const FRAMES: usize = 100;
    let mode = Mode::Afsk1200;
    for fec in STRENGTHS {
        let name = fec.map_or("plain".into(), |s| format!("{} check", s.check_octets()));
        let transmitter = transmitter(mode, fec);
        let mut above = None;
        for step in (4..=24).rev() {
            let eb_n0_db = f64::from(step) * 0.5;
            let mut chance = Chance::stream(3, "gain");
            let mut read = 0;
            for _ in 0..FRAMES {
                let sent = frame(&mut chance, 64);
                let mut sound = transmitter.transmission(std::slice::from_ref(&sent));
                noisy(&mut sound, mode, eb_n0_db, &mut chance);
                read += usize::from(frames(&listen(mode, &sound)).iter().any(|f| f.0 == sent));
            }
            println!("{name:9} {eb_n0_db:5.1} dB {read:4} of {FRAMES}");
            let (half, share) = (FRAMES as f64 / 2.0, read as f64);
            if let Some((db, more)) = above
                && share < half
            {
                let part = (half - share) / (more - share);
                println!(
                    "{name:9} half of them at {:.2} dB",
                    eb_n0_db + part * (db - eb_n0_db)
                );
            }
            if read * 20 < FRAMES {
                break;
            }
            above = (share >= half).then_some((eb_n0_db, share));
        }
    }
}
