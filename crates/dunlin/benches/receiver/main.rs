//! Figures of the receiver: how fast it is, how much noise it bears, how its carrier sense
//! behaves. Ratios and shares, not pass or fail.
//!
//! `cargo bench -p dunlin --bench receiver` prints all; `-- speed`, `-- noise`, `-- carrier`,
//! `-- classify`, `-- measure`, `-- pair` one.

mod carrier;
mod classify;
mod kinds;
mod measure;
mod pair;

use std::hint::black_box;
use std::time::{Duration, Instant};

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{Receiver, ReceiverEvent, Transmitter, TransmitterSettings};

fn main() {
    let wanted: Vec<String> = std::env::args()
        .skip(1)
        .filter(|a| !a.starts_with('-'))
        .collect();
    let wants = |name: &str| wanted.is_empty() || wanted.iter().any(|w| w == name);
    if wants("speed") {
        speed();
    }
    if wants("noise") {
        noise();
    }
    if wants("carrier") {
        carrier::print();
    }
    if wants("classify") {
        classify::print();
    }
    if wants("measure") {
        measure::print();
    }
    if wants("pair") {
        pair::print();
    }
}

/// A rate that is usual for the mode.
fn rate(mode: Mode) -> SampleRate {
    let hz = match mode {
        Mode::Afsk300 => 12_000,
        Mode::Afsk600 | Mode::Afsk1200 | Mode::Fsk1200 | Mode::Fsk2400 => 24_000,
        Mode::Fsk4800 | Mode::Fsk9600 => 48_000,
    };
    SampleRate::new(hz).expect("not zero")
}

/// A frame of 64 octets from QA1SKY to QM3BAR.
fn frame(chance: &mut Chance) -> Vec<u8> {
    let mut octets: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend((0..48).map(|_| chance.octet()));
    octets
}

fn transmitter(mode: Mode, rate: SampleRate) -> Transmitter {
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_secs_f64(24.0 * 8.0 / f64::from(mode.baud())),
        ..TransmitterSettings::default()
    };
    Transmitter::new(mode, rate, settings).expect("settings in range")
}

/// The deviation of white noise that gives `sound` an Eb/N0 in dB (N0 one-sided).
fn deviation(sound: &[f32], mode: Mode, rate: SampleRate, eb_n0_db: f64) -> f32 {
    let power = sound.iter().map(|s| f64::from(s * s)).sum::<f64>() / sound.len() as f64;
    let n0 = power / f64::from(mode.baud()) / 10_f64.powf(eb_n0_db / 10.0);
    (n0 * rate.hz_f64() / 2.0).sqrt() as f32
}

fn silence(mode: Mode, rate: SampleRate, symbols: usize) -> Vec<f32> {
    vec![0.0; symbols * rate.hz() as usize / mode.baud() as usize]
}

/// Two minutes at 48 kHz, half of it frames, all of it with noise.
fn speed() {
    println!("Speed: times real time on one core, 48 kHz, half frames, half noise");
    let rate = SampleRate::new(48_000).expect("not zero");
    for mode in Mode::ALL {
        let mut chance = Chance::stream(1, "speed");
        let transmitter = transmitter(mode, rate);
        let mut sound = Vec::new();
        while sound.len() < 120 * 48_000 {
            let one = transmitter.transmission(&[frame(&mut chance)]);
            sound.resize(sound.len() + one.len(), 0.0);
            sound.extend(one);
        }
        sound.iter_mut().for_each(|s| *s += 0.05 * chance.normal());
        let mut receiver = Receiver::new(mode, rate).expect("the rate suits");
        let mut events = Vec::new();
        let start = Instant::now();
        sound
            .chunks(4096)
            .for_each(|chunk| receiver.process(black_box(chunk), &mut events));
        let seconds = start.elapsed().as_secs_f64();
        println!(
            "  {:9} {:6.0}",
            mode.name(),
            sound.len() as f64 / 48_000.0 / seconds
        );
    }
}

/// Frames of 64 octets in white noise.
fn noise() {
    const FRAMES: usize = 200;
    println!("Noise: per cent of {FRAMES} frames of 64 octets read, over Eb/N0 in dB");
    let levels = [6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 12.0];
    println!(
        "  {:9} {}",
        "",
        levels.map(|db| format!("{db:5}")).join(" ")
    );
    for mode in Mode::ALL {
        let rate = rate(mode);
        let transmitter = transmitter(mode, rate);
        let share = |db: f64| {
            let mut chance = Chance::stream(1, "noise");
            let mut receiver = Receiver::new(mode, rate).expect("the rate suits");
            let mut events = Vec::new();
            for _ in 0..FRAMES {
                let mut sound = transmitter.transmission(&[frame(&mut chance)]);
                let deviation = deviation(&sound, mode, rate, db);
                sound.extend(silence(mode, rate, 40));
                sound
                    .iter_mut()
                    .for_each(|s| *s += deviation * chance.normal());
                receiver.process(&sound, &mut events);
            }
            receiver.process(&vec![0.0; receiver.delay()], &mut events);
            let read = events
                .iter()
                .filter(|e| matches!(e, ReceiverEvent::Frame { .. }))
                .count();
            100.0 * read as f64 / FRAMES as f64
        };
        println!(
            "  {:9} {}",
            mode.name(),
            levels.map(|db| format!("{:5.1}", share(db))).join(" ")
        );
    }
}
