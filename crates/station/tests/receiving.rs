//! Transmitter to receiver over hardships that have names: noise, clock error, mistuning, twist,
//! DC, wrong polarity, short preambles, clipping, garbage before and after.

use std::time::Duration;

use dunlin_clock::{Chance, SampleCount, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{
    Receiver, ReceiverEvent, ReceptionReport, Transmitter, TransmitterSettings,
};

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).expect("not zero")
}

/// A frame from QA1SKY to QM3BAR with `n` random octets of information.
fn frame(chance: &mut Chance, n: usize) -> Vec<u8> {
    let mut octets: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend((0..n).map(|_| chance.octet()));
    octets
}

fn send(mode: Mode, hz: u32, key_up_flags: f64, frames: &[Vec<u8>]) -> Vec<f32> {
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_secs_f64(key_up_flags * 8.0 / f64::from(mode.baud())),
        ..TransmitterSettings::default()
    };
    Transmitter::new(mode, rate(hz), settings)
        .expect("fits")
        .transmission(frames)
}

fn listen(mode: Mode, hz: u32, sound: &[f32]) -> Vec<ReceiverEvent> {
    let mut receiver = Receiver::new(mode, rate(hz)).expect("fits");
    let mut events = Vec::new();
    // Odd lengths, as sound devices give them.
    sound
        .chunks(1009)
        .for_each(|chunk| receiver.process(chunk, &mut events));
    receiver.process(&vec![0.0; receiver.delay() + 1], &mut events);
    events
}

fn frames_in(events: &[ReceiverEvent]) -> Vec<(Vec<u8>, ReceptionReport)> {
    let frame = |e: &ReceiverEvent| match e {
        ReceiverEvent::Frame { octets, report } => Some((octets.clone(), report.clone())),
        _ => None,
    };
    events.iter().filter_map(frame).collect()
}

fn octets_in(events: &[ReceiverEvent]) -> Vec<Vec<u8>> {
    frames_in(events)
        .into_iter()
        .map(|(octets, _)| octets)
        .collect()
}

/// Adds white noise for an Eb/N0 in dB: N0 is the one-sided density, so that each sample has
/// the variance N0 * rate / 2.
fn noisy(sound: &mut [f32], mode: Mode, hz: u32, eb_n0_db: f64, chance: &mut Chance) {
    let power = sound.iter().map(|s| f64::from(s * s)).sum::<f64>() / sound.len() as f64;
    let n0 = power / f64::from(mode.baud()) / 10_f64.powf(eb_n0_db / 10.0);
    let deviation = (n0 * f64::from(hz) / 2.0).sqrt() as f32;
    sound
        .iter_mut()
        .for_each(|s| *s += deviation * chance.normal());
}

fn quiet(mode: Mode, hz: u32, symbols: usize) -> Vec<f32> {
    vec![0.0; symbols * hz as usize / mode.baud() as usize]
}

/// What is done to each sample.
type Hardship<'a> = Box<dyn Fn(f32) -> f32 + 'a>;

#[test]
fn every_mode_works_at_every_usual_rate() {
    let mut chance = Chance::stream(1, "rates");
    for mode in Mode::ALL {
        for hz in [
            8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000,
        ] {
            if hz < mode.lowest_sample_rate() {
                assert!(Receiver::new(mode, rate(hz)).is_err());
                continue;
            }
            let frames = [
                frame(&mut chance, 20),
                frame(&mut chance, 0),
                frame(&mut chance, 60),
            ];
            let events = listen(mode, hz, &send(mode, hz, 6.0, &frames));
            assert_eq!(octets_in(&events), frames, "{mode} at {hz}");
        }
    }
}

#[test]
fn the_report_says_where_and_how_the_frame_was_heard() {
    let mut chance = Chance::stream(1, "report");
    for (mode, offset_hz) in [
        (Mode::Afsk1200, 40.0),
        (Mode::Afsk300, -75.0),
        (Mode::Fsk9600, 0.0),
    ] {
        let settings = TransmitterSettings {
            level_dbfs: -14.0,
            offset_hz,
            ..Default::default()
        };
        let sent = [frame(&mut chance, 100)];
        let before = quiet(mode, 48_000, 50);
        let transmitter = Transmitter::new(mode, rate(48_000), settings).expect("fits");
        let sound = [before.clone(), transmitter.transmission(&sent)].concat();
        let mut noise = sound.clone();
        noisy(&mut noise[before.len()..], mode, 48_000, 20.0, &mut chance);
        let (octets, report) = frames_in(&listen(mode, 48_000, &noise)).remove(0);
        assert_eq!(octets, sent[0]);
        let start = report.start.seconds(rate(48_000));
        let flags = f64::from(50 + (300 * mode.baud()).div_ceil(8000) * 8) / f64::from(mode.baud());
        assert!(
            (start - flags).abs() < 10.0 / f64::from(mode.baud()) + 0.002,
            "{start} {flags}"
        );
        let length = (report.end.0 - report.start.0) as f64 / 48_000.0 * f64::from(mode.baud());
        assert!(
            (118.0 * 8.0..118.0 * 8.0 * 1.2 + 10.0).contains(&length),
            "{length} bits"
        );
        if mode.has_tones() {
            assert!((report.level_dbfs + 14.0).abs() < 0.7, "{report:?}");
            assert!(
                (report.offset_hz.expect("tones") - offset_hz).abs() < 3.0,
                "{report:?}"
            );
            assert!(report.twist_db.expect("tones").abs() < 0.5, "{report:?}");
            assert!(
                (report.snr_db.expect("known") - 20.0).abs() < 1.5,
                "{report:?}"
            );
        } else {
            assert_eq!((report.offset_hz, report.twist_db), (None, None));
            // The waveform overshoots its levels by up to 5 dB.
            assert!((-19.5..-14.0).contains(&report.level_dbfs), "{report:?}");
        }
    }
}

/// Frames of 60 octets that come through at an Eb/N0, out of 40.
fn through(mode: Mode, hz: u32, eb_n0_db: f64) -> usize {
    let mut chance = Chance::stream(1, "noise");
    let mut sound = Vec::new();
    let frames: Vec<Vec<u8>> = (0..40).map(|_| frame(&mut chance, 44)).collect();
    for each in &frames {
        let mut one = send(mode, hz, 12.0, std::slice::from_ref(each));
        noisy(&mut one, mode, hz, eb_n0_db, &mut chance);
        sound.extend(one);
    }
    octets_in(&listen(mode, hz, &sound)).len()
}

#[test]
fn noise_is_borne_better_than_by_the_textbook_receiver() {
    // These frames have some 515 symbols on the air, so a receiver passes half of them when
    // 1.35e-3 of its symbols are wrong. One symbol at a time and without coherence that takes
    // 11.0 dB for tones of correlation 0.191 (1200 Bd) and 12.1 dB for 0.4135 (300 Bd), between
    // rows of the table computed from S. Stein, IEEE Trans. IT-10 (1964), pp. 43-51.
    assert!(through(Mode::Afsk1200, 24_000, 10.3) >= 30);
    assert!(through(Mode::Afsk300, 12_000, 10.3) >= 34);
    assert!(through(Mode::Fsk9600, 48_000, 8.5) >= 30);
}

#[test]
fn clocks_may_differ_by_two_per_cent() {
    let mut chance = Chance::stream(1, "clock");
    for mode in Mode::ALL {
        let frames = [frame(&mut chance, 200), frame(&mut chance, 30)];
        for hz in [47_040, 47_986, 48_014, 48_960] {
            let mut sound = send(mode, hz, 12.0, &frames);
            noisy(&mut sound, mode, 48_000, 20.0, &mut chance);
            assert_eq!(
                octets_in(&listen(mode, 48_000, &sound)),
                frames,
                "{mode} at {hz}"
            );
        }
    }
}

#[test]
fn stations_off_tune_by_160_hz_are_read_on_hf() {
    let mut chance = Chance::stream(1, "tune");
    for offset_hz in [-160.0, -101.0, -60.0, -20.0, 0.0, 20.0, 60.0, 99.0, 160.0] {
        let settings = TransmitterSettings {
            offset_hz,
            ..Default::default()
        };
        let sent = [frame(&mut chance, 40)];
        let transmitter = Transmitter::new(Mode::Afsk300, rate(8_000), settings).expect("fits");
        let mut sound = transmitter.transmission(&sent);
        noisy(&mut sound, Mode::Afsk300, 8_000, 14.0, &mut chance);
        let found = frames_in(&listen(Mode::Afsk300, 8_000, &sound));
        assert_eq!(found.len(), 1, "{offset_hz}");
        assert!(
            (found[0].1.offset_hz.expect("tones") - offset_hz).abs() < 4.0,
            "{found:?}"
        );
    }
}

#[test]
fn one_tone_may_be_nine_db_stronger_and_is_measured_so() {
    let mut chance = Chance::stream(1, "twist");
    // A one-pole filter in either direction tilts 1200 against 2200 Hz, the low-pass by 5.1 dB as
    // its response at the two says.
    let sent = [frame(&mut chance, 40)];
    let sound = send(Mode::Afsk1200, 48_000, 12.0, &sent);
    for (order, lowest, highest) in [
        (-2_i32, 7.0, 12.0),
        (-1, 3.5, 6.0),
        (1, -6.0, -3.5),
        (2, -11.0, -7.0),
    ] {
        let mut bent = sound.clone();
        for _ in 0..order.abs() {
            let mut before = 0.0;
            for s in &mut bent {
                let now = *s;
                if order > 0 {
                    *s = 4.0 * (now - before);
                    before = now;
                } else {
                    before = 0.97 * before + 0.1 * now;
                    *s = before;
                }
            }
        }
        noisy(&mut bent, Mode::Afsk1200, 48_000, 25.0, &mut chance);
        let found = frames_in(&listen(Mode::Afsk1200, 48_000, &bent));
        assert_eq!(found.len(), 1, "order {order}");
        let twist = found[0].1.twist_db.expect("tones");
        assert!((lowest..highest).contains(&twist), "order {order}: {twist}");
    }
}

#[test]
fn polarity_offset_clipping_and_broken_samples_do_no_harm() {
    let mut chance = Chance::stream(1, "harm");
    for mode in Mode::ALL {
        let sent = [frame(&mut chance, 70)];
        let sound = send(mode, 48_000, 12.0, &sent);
        let peak = sound.iter().fold(0.0_f32, |p, s| s.abs().max(p));
        let hardships: [(&str, Hardship); 5] = [
            ("inverted", Box::new(|s| -s)),
            ("offset", Box::new(|s| s + 0.28 * peak)),
            ("clipped", Box::new(|s| s.clamp(-0.4 * peak, 0.4 * peak))),
            ("faint", Box::new(|s| s * 1e-3)),
            ("loud", Box::new(|s| s * 50.0)),
        ];
        for (name, change) in &hardships {
            let changed: Vec<f32> = sound.iter().map(|&s| change(s)).collect();
            assert_eq!(
                octets_in(&listen(mode, 48_000, &changed)),
                sent,
                "{mode} {name}"
            );
        }
        let garbage: Vec<f32> = [
            f32::NAN,
            f32::INFINITY,
            f32::MAX,
            f32::MIN,
            f32::MIN_POSITIVE,
            -0.0,
        ]
        .repeat(500);
        let around = [
            garbage.clone(),
            quiet(mode, 48_000, 30),
            sound.clone(),
            garbage,
        ]
        .concat();
        assert_eq!(
            octets_in(&listen(mode, 48_000, &around)),
            sent,
            "{mode} garbage"
        );
    }
}

#[test]
fn noise_louder_than_the_signal_may_precede_and_follow() {
    let mut chance = Chance::stream(1, "squelch");
    for mode in Mode::ALL {
        let sent = [frame(&mut chance, 50), frame(&mut chance, 50)];
        let mut burst = |n| -> Vec<f32> {
            (0..n)
                .map(|_| (2.0 * chance.normal()).clamp(-1.0, 1.0))
                .collect()
        };
        let sound = [burst(24_000), send(mode, 48_000, 8.0, &sent), burst(24_000)].concat();
        assert_eq!(octets_in(&listen(mode, 48_000, &sound)), sent, "{mode}");
    }
}

#[test]
fn repeats_are_kept_and_copies_are_not() {
    let mut chance = Chance::stream(1, "repeats");
    for mode in Mode::ALL {
        let one = frame(&mut chance, 20);
        let sound = send(mode, 48_000, 8.0, &[one.clone(), one.clone(), one.clone()]);
        assert_eq!(
            octets_in(&listen(mode, 48_000, &sound)),
            [one.clone(), one.clone(), one]
        );
    }
}

#[test]
fn a_spoiled_frame_is_told_once_and_noise_is_not_told() {
    let mut chance = Chance::stream(1, "spoiled");
    for mode in [Mode::Afsk300, Mode::Afsk1200, Mode::Fsk9600] {
        let mut sound = send(mode, 48_000, 12.0, &[frame(&mut chance, 80)]);
        let middle = sound.len() / 2;
        let symbol = 48_000 / mode.baud() as usize;
        sound[middle..middle + 12 * symbol].fill(0.0);
        let events = listen(mode, 48_000, &[sound, quiet(mode, 48_000, 100)].concat());
        let unreadable = events
            .iter()
            .filter(|e| matches!(e, ReceiverEvent::Unreadable { .. }))
            .count();
        assert_eq!((octets_in(&events).len(), unreadable), (0, 1), "{mode}");
        let noise: Vec<f32> = (0..48_000 * 20).map(|_| 0.2 * chance.normal()).collect();
        let events = listen(mode, 48_000, &noise);
        assert!(
            events.iter().all(|e| matches!(
                e,
                ReceiverEvent::Carrier { .. }
                    | ReceiverEvent::Energy { .. }
                    | ReceiverEvent::Sound(_)
            )),
            "{mode}"
        );
    }
}

#[test]
fn a_frame_spoiled_in_its_text_becomes_one_guess_with_its_addresses_and_a_read_one_none() {
    let mut chance = Chance::stream(1, "guessed");
    for mode in [Mode::Afsk300, Mode::Afsk1200] {
        let mut guesses = 0;
        for _ in 0..6 {
            let sent = frame(&mut chance, 60);
            let clear = send(mode, 48_000, 24.0, std::slice::from_ref(&sent));
            let symbol = 48_000 / mode.baud() as usize;
            let mut spoiled = clear.clone();
            // Four symbols of noise in the last third of the frame.
            let place = clear.len() * 3 / 4;
            let burst = place..place + 4 * symbol;
            spoiled[burst]
                .iter_mut()
                .for_each(|s| *s = 0.5 * chance.normal());
            let guessed = |sound: Vec<f32>| -> Vec<Vec<u8>> {
                let sound = [quiet(mode, 48_000, 100), sound, quiet(mode, 48_000, 100)].concat();
                let events = listen(mode, 48_000, &sound);
                let guess = |e: &ReceiverEvent| match e {
                    ReceiverEvent::Unreadable { guess, .. } => {
                        guess.as_ref().map(|g| g.octets().to_vec())
                    }
                    _ => None,
                };
                let read = octets_in(&events);
                assert!(read.iter().all(|octets| *octets == sent), "{mode}");
                let told: Vec<Vec<u8>> = events.iter().filter_map(guess).collect();
                assert!(told.len() + read.len() <= 1, "{mode}: one of both");
                told
            };
            assert_eq!(guessed(clear), Vec::<Vec<u8>>::new(), "{mode}");
            for guess in guessed(spoiled) {
                assert_eq!(guess[..15], sent[..15], "{mode}");
                guesses += 1;
            }
        }
        assert!(guesses >= 1, "{mode}");
    }
}

#[test]
fn the_carrier_is_heard_soon_and_let_go_soon() {
    let mut chance = Chance::stream(1, "carrier");
    for mode in Mode::ALL {
        let sent = [frame(&mut chance, 60)];
        let (before, after) = (quiet(mode, 48_000, 200), quiet(mode, 48_000, 400));
        let mut sound = [
            before.clone(),
            send(mode, 48_000, 24.0, &sent),
            after.clone(),
        ]
        .concat();
        let end = sound.len() - after.len();
        noisy(&mut sound, mode, 48_000, 17.0, &mut chance);
        let events = listen(mode, 48_000, &sound);
        let symbols = |at: SampleCount, from: usize| {
            (at.0 as f64 - from as f64) / 48_000.0 * f64::from(mode.baud())
        };
        let edges: Vec<(bool, SampleCount)> = events
            .iter()
            .filter_map(|e| match e {
                ReceiverEvent::Carrier { on, at } => Some((*on, *at)),
                _ => None,
            })
            .collect();
        let on = edges
            .iter()
            .find(|(on, at)| *on && symbols(*at, before.len()) > -3.0);
        let (_, on) = on.expect("heard");
        let soon = if mode.has_tones() { 20.0 } else { 36.0 };
        assert!(symbols(*on, before.len()) < soon, "{mode} {edges:?}");
        // The direct-shift modes fade over eight symbols.
        let off = edges
            .iter()
            .find(|(on, at)| !*on && symbols(*at, end) > -10.0);
        let (_, off) = off.expect("let go");
        assert!(symbols(*off, end) < 60.0, "{mode} {edges:?}");
    }
}

#[test]
fn frames_with_a_right_check_are_kept_whatever_the_detectors_say() {
    let mut chance = Chance::stream(1, "flicker");
    let mode = Mode::Afsk1200;
    let mut sound = quiet(mode, 24_000, 100);
    let sent: Vec<Vec<u8>> = (0..40).map(|_| frame(&mut chance, 40)).collect();
    for one in &sent {
        sound.extend(send(mode, 24_000, 4.0, std::slice::from_ref(one)));
        sound.extend(quiet(mode, 24_000, 30));
    }
    noisy(&mut sound, mode, 24_000, 9.0, &mut chance);
    // So quiet that the energy detector never goes on.
    sound.iter_mut().for_each(|s| *s *= 1e-4);
    let events = listen(mode, 24_000, &sound);
    let energy = |e: &ReceiverEvent| matches!(e, ReceiverEvent::Energy { .. });
    assert!(!events.iter().any(energy));
    let edges: Vec<u64> = events
        .iter()
        .filter_map(|e| match e {
            ReceiverEvent::Carrier { at, .. } => Some(at.0),
            _ => None,
        })
        .collect();
    let frames = frames_in(&events);
    // The carrier came or went while these were being received.
    let flickered = |r: &ReceptionReport| {
        let inside = r.start.0 + 200..r.end.0.saturating_sub(200);
        edges.iter().any(|at| inside.contains(at))
    };
    let kept = frames.iter().filter(|(_, r)| flickered(r)).count();
    assert!(kept >= 5, "{kept} of {}", frames.len());
    assert!(frames.len() >= 20, "{} of 40", frames.len());
}
