//! What is measured of a frame, against what is known of it; and tones that never become one.
//!
//! The tolerances are five standard deviations of `cargo bench -p dunlin --bench receiver --
//! measure` at 20 dB (64 octets): 31 ppm and 34 ppm for the symbol rate, where the bounds of
//! Cramer and Rao lie at 9 and 7 ppm.

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{
    Receiver, ReceiverEvent, ReceptionReport, TonesAdvice, Transmitter, TransmitterSettings,
};

const HZ: u32 = 48_000;

fn rate(hz: u32) -> SampleRate {
    SampleRate::new(hz).expect("not zero")
}

/// A transmission with one frame of 64 octets, made for `hz` samples per second, with noise.
fn sound(mode: Mode, hz: u32, noise: f32, chance: &mut Chance) -> Vec<f32> {
    let mut octets: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend((0..48).map(|_| chance.octet()));
    let settings = TransmitterSettings::default();
    let transmitter = Transmitter::new(mode, rate(hz), settings).expect("fits");
    let mut sound = vec![0.0; HZ as usize / 4];
    sound.extend(transmitter.transmission(&[octets]));
    sound.resize(sound.len() + HZ as usize / 4, 0.0);
    sound.iter_mut().for_each(|s| *s += noise * chance.normal());
    sound
}

fn listen(mode: Mode, sound: &[f32]) -> Vec<ReceiverEvent> {
    let mut receiver = Receiver::new(mode, rate(HZ)).expect("fits");
    let mut events = Vec::new();
    receiver.process(sound, &mut events);
    receiver.process(&vec![0.0; 4 * HZ as usize], &mut events);
    events
}

fn report(mode: Mode, sound: &[f32]) -> ReceptionReport {
    let mut events = listen(mode, sound).into_iter();
    let frame = events.find_map(|e| match e {
        ReceiverEvent::Frame { report, .. } => Some(report),
        _ => None,
    });
    frame.expect("a frame")
}

fn advice(events: Vec<ReceiverEvent>) -> Vec<TonesAdvice> {
    let tones = |e| match e {
        ReceiverEvent::Tones(advice) => Some(advice),
        _ => None,
    };
    events.into_iter().filter_map(tones).collect()
}

#[test]
fn the_symbol_rate_is_measured() {
    let mut chance = Chance::stream(1, "clock");
    for mode in [Mode::Afsk300, Mode::Afsk1200] {
        for hz in [47_952, 48_000, 48_024] {
            let found = report(mode, &sound(mode, hz, 0.02, &mut chance));
            let truth = (48_000.0 / hz as f32 - 1.0) * 1e6;
            let error = found.rate_error_ppm.expect("known") - truth;
            assert!(error.abs() < 170.0, "{mode} at {hz}: {found:?}");
            assert!(found.drift_hz_s.expect("known").abs() < 4.0, "{found:?}");
        }
    }
}

#[test]
fn clipping_is_measured_and_not_invented() {
    let mut chance = Chance::stream(1, "clipping");
    for mode in Mode::ALL {
        let clean = sound(mode, HZ, 0.001, &mut chance);
        let clipped = |sound: &[f32]| report(mode, sound).clipped.expect("known");
        assert!(clipped(&clean) < 0.02, "{mode}: {}", clipped(&clean));
        let loud: Vec<f32> = clean.iter().map(|s| (20.0 * s).clamp(-1.0, 1.0)).collect();
        assert!(clipped(&loud) > 0.5, "{mode}: {}", clipped(&loud));
    }
}

#[test]
fn tones_of_another_mode_are_told_and_frames_and_noise_are_not() {
    let mut chance = Chance::stream(1, "tones");
    let fast: Vec<f32> = (0..4)
        .flat_map(|_| sound(Mode::Afsk1200, HZ, 0.001, &mut chance)[12_000..40_000].to_vec())
        .collect();
    let told = advice(listen(Mode::Afsk300, &fast));
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].sentence.contains("afsk1200"), "{told:?}");
    assert!((told[0].centre_hz - 1700.0).abs() < 30.0, "{told:?}");
    let own = sound(Mode::Afsk300, HZ, 0.001, &mut chance);
    assert_eq!(advice(listen(Mode::Afsk300, &own)), []);
    let noise: Vec<f32> = (0..30 * HZ).map(|_| 0.1 * chance.normal()).collect();
    assert_eq!(advice(listen(Mode::Afsk300, &noise)), []);
}
