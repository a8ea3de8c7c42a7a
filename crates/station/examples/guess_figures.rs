//! Measures guesses: how often there is one at a frame that could not be read, and whether it is as
//! often right as it says. The table of `docs/repair.md` comes from here:
//!
//! ```text
//! cargo run --release -p dunlin-station --example guess_figures -- 200
//! ```
//!
//! Frames of 64 octets in white noise, through the whole receiver; the number is frames a row.
#![allow(clippy::disallowed_methods)] // a measurement takes its size from the command line

use std::time::Duration;

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{Guess, Receiver, ReceiverEvent, Transmitter, TransmitterSettings};

/// Text of a frame, octets.
const TEXT: usize = 48;
/// Octets of addresses and control field.
const HEAD: usize = 15;

/// What became of the frames of a row.
#[derive(Default)]
struct Tally {
    sent: u32,
    read: u32,
    guesses: u32,
    /// Guesses that met the frame sent at all (same length).
    same_length: u32,
    /// Heads right, and what the guesses said of them together.
    head: (u32, f32),
    whole: (u32, f32),
    /// Octets called doubtful, and how many of them were wrong; the same of the others.
    doubtful: (usize, usize),
    sure: (usize, usize),
}

impl Tally {
    fn guess(&mut self, guess: &Guess, sent: &[u8]) {
        self.guesses += 1;
        let octets = guess.octets();
        self.head.0 += u32::from(octets.get(..HEAD) == sent.get(..HEAD));
        self.head.1 += guess.address();
        self.whole.0 += u32::from(octets == sent);
        self.whole.1 += guess.whole();
        if octets.len() != sent.len() {
            return;
        }
        self.same_length += 1;
        let doubtful = guess.doubtful();
        for (n, (got, sent)) in octets.iter().zip(sent).enumerate() {
            let of = if doubtful.contains(&n) {
                &mut self.doubtful
            } else {
                &mut self.sure
            };
            of.0 += 1;
            of.1 += usize::from(got != sent);
        }
    }
}

fn frame(chance: &mut Chance) -> Vec<u8> {
    let mut octets: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    // Another sender each time, so that none is right by habit.
    for place in [7, 8, 10, 11, 12] {
        octets[place] = (b'A' + chance.below(26) as u8) << 1;
    }
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend((0..TEXT).map(|_| b' ' + chance.below(95) as u8));
    octets
}

fn row(mode: Mode, eb_n0_db: f64, frames: u32) -> Tally {
    let rate = SampleRate::new(match mode.has_tones() {
        true => 8000,
        false => 48_000,
    })
    .expect("not zero");
    let mut chance = Chance::stream(1, &format!("guesses {mode} {eb_n0_db}"));
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_secs_f64(160.0 / f64::from(mode.baud())),
        ..TransmitterSettings::default()
    };
    let transmitter = Transmitter::new(mode, rate, settings).expect("fits");
    let mut tally = Tally::default();
    for _ in 0..frames {
        let sent = frame(&mut chance);
        let sound = transmitter.transmission(std::slice::from_ref(&sent));
        let power = sound.iter().map(|s| f64::from(s * s)).sum::<f64>() / sound.len() as f64;
        let n0 = power / f64::from(mode.baud()) / 10_f64.powf(eb_n0_db / 10.0);
        let deviation = (n0 * rate.hz_f64() / 2.0).sqrt() as f32;
        let pad = vec![0.0; rate.hz() as usize / 2];
        let noisy: Vec<f32> = pad
            .iter()
            .chain(&sound)
            .chain(&pad)
            .map(|s| s + deviation * chance.normal())
            .collect();
        let mut receiver = Receiver::new(mode, rate).expect("fits");
        let mut events = Vec::new();
        receiver.process(&noisy, &mut events);
        receiver.process(&vec![0.0; receiver.delay() + 1], &mut events);
        tally.sent += 1;
        for event in &events {
            match event {
                ReceiverEvent::Frame { octets, .. } => tally.read += u32::from(*octets == sent),
                ReceiverEvent::Unreadable {
                    guess: Some(guess), ..
                } => tally.guess(guess, &sent),
                _ => {}
            }
        }
    }
    tally
}

fn main() {
    let frames = std::env::args().nth(1).and_then(|n| n.parse().ok());
    let frames = frames.unwrap_or(100);
    println!(
        "| Mode | Eb/N0 | Frames | Read | Guesses | Head right | as told | All right | as told | Doubtful octets wrong | Others wrong |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|");
    for (mode, levels) in [
        (Mode::Afsk300, [4.0, 5.0, 6.0]),
        (Mode::Afsk1200, [5.0, 6.0, 7.0]),
        (Mode::Fsk9600, [4.5, 5.5, 6.5]),
    ] {
        for eb_n0_db in levels {
            let t = row(mode, eb_n0_db, frames);
            let of = |n: f32| 100.0 * n / t.guesses.max(1) as f32;
            let share = |(all, wrong): (usize, usize)| {
                format!(
                    "{wrong} of {all} ({:.1} %)",
                    100.0 * wrong as f64 / all.max(1) as f64
                )
            };
            println!(
                "| {mode} | {eb_n0_db} | {} | {} | {} | {:.0} % | {:.0} % | {:.0} % | {:.0} % | {} | {} |",
                t.sent,
                t.read,
                t.guesses,
                of(t.head.0 as f32),
                of(t.head.1),
                of(t.whole.0 as f32),
                of(t.whole.1),
                share(t.doubtful),
                share(t.sure)
            );
        }
    }
}
