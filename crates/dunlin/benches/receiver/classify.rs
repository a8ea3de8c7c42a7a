//! The confusion table of the classifier: what each kind of sound is taken for, by a port of
//! 1200 Bd and, where the name says so, of 300 Bd.

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::{Mode, Modulator, TransmitSettings};
use dunlin_station::port::{Receiver, SoundKind};

use super::kinds::Kind;

/// Seconds of each sound; the first two do not count.
const SECONDS: usize = 32;

/// One row of the table: a name, the port's mode, the right answers, the sound.
type Row = (String, Mode, SoundKind, Vec<f32>);

pub fn print() {
    println!("Classifier: what each sound is taken for, per cent of {SECONDS} s");
    println!("  (voice pauses are silence or noise, so they lower its share)");
    for (name, mode, right, sound) in rows() {
        let counts = told(mode, &sound);
        let total: usize = counts.iter().sum();
        let per_cent = |n: usize| 100.0 * n as f64 / total.max(1) as f64;
        let others: Vec<String> = SoundKind::ALL
            .iter()
            .zip(counts)
            .filter(|(kind, n)| **kind != right && *n > 0)
            .map(|(kind, n)| format!("{kind:?} {:.0}", per_cent(n)))
            .collect();
        let index = SoundKind::ALL.iter().position(|k| *k == right);
        let share = index.map_or(0.0, |i| per_cent(counts[i]));
        println!(
            "  {name:34} {:14} {share:5.1}   {}",
            format!("{right:?}"),
            others.join(", ")
        );
    }
}

fn rate() -> SampleRate {
    SampleRate::new(24_000).expect("not zero")
}

fn rows() -> Vec<Row> {
    let mut rows: Vec<Row> = Kind::ALL
        .into_iter()
        .map(|kind| {
            let right = match kind {
                Kind::White | Kind::OpenSquelch | Kind::OpenSquelchDeEmphasis => SoundKind::Hiss,
                Kind::Hum50 | Kind::Hum60 => SoundKind::Hum,
                Kind::Man | Kind::Woman | Kind::ManInNoise => SoundKind::Voice,
            };
            let sound = kind.sound(rate(), SECONDS, 3);
            (kind.name().to_owned(), Mode::Afsk1200, right, sound)
        })
        .collect();
    let n = SECONDS * 24_000;
    let mut chance = Chance::stream(3, "classify");
    rows.push((
        "zeros".into(),
        Mode::Afsk1200,
        SoundKind::DigitalSilence,
        vec![0.0; n],
    ));
    let quiet = (0..n).map(|_| 1e-4 * chance.normal()).collect();
    rows.push((
        "noise at -77 dBFS".into(),
        Mode::Afsk1200,
        SoundKind::Silence,
        quiet,
    ));
    let turn = std::f32::consts::TAU / 24_000.0;
    let tone =
        |hz: f32| (0..n).map(move |i| 0.1 * (turn * hz * i as f32 % std::f32::consts::TAU).sin());
    let noisy = tone(1437.0).map(|s| s + 0.05 * chance.normal()).collect();
    rows.push((
        "tone 1437 Hz, S/N 12 dB in 3 kHz".into(),
        Mode::Afsk300,
        SoundKind::SteadyTone,
        noisy,
    ));
    for (port, sent, offset, right) in [
        (Mode::Afsk1200, Mode::Afsk1200, 0.0, SoundKind::OwnData),
        (Mode::Afsk300, Mode::Afsk300, 0.0, SoundKind::OwnData),
        (Mode::Afsk300, Mode::Afsk300, 110.0, SoundKind::OffTuneData),
        (Mode::Afsk300, Mode::Afsk300, -400.0, SoundKind::OffTuneData),
        (Mode::Afsk1200, Mode::Afsk300, 0.0, SoundKind::OtherData),
        (Mode::Afsk300, Mode::Afsk1200, 0.0, SoundKind::OtherData),
        (Mode::Afsk1200, Mode::Fsk9600, 0.0, SoundKind::OtherData),
        (Mode::Fsk9600, Mode::Afsk1200, 0.0, SoundKind::OtherData),
        (Mode::Fsk9600, Mode::Fsk9600, 0.0, SoundKind::OwnData),
    ] {
        let name = format!("{sent} {offset:+.0} Hz heard by {port}");
        rows.push((name, port, right, data(sent, offset, &mut chance)));
    }
    rows
}

/// Random bits as a mode sends them, with noise 15 dB below in half the sample rate.
fn data(mode: Mode, offset_hz: f32, chance: &mut Chance) -> Vec<f32> {
    let settings = TransmitSettings {
        offset_hz,
        level_dbfs: -14.0,
        ..TransmitSettings::default()
    };
    let modulator = Modulator::new(mode, rate(), settings).expect("the rate suits");
    let bits: Vec<bool> = (0..SECONDS * mode.baud() as usize)
        .map(|_| chance.unit() < 0.5)
        .collect();
    let mut sound = Vec::new();
    modulator.modulate(&bits, &mut sound);
    let power = sound.iter().map(|s| s * s).sum::<f32>() / sound.len() as f32;
    let noise = (power * 10_f32.powf(-1.5)).sqrt();
    sound.iter_mut().for_each(|s| *s += noise * chance.normal());
    sound
}

/// How often each kind is told, every 50 ms.
fn told(mode: Mode, sound: &[f32]) -> [usize; SoundKind::ALL.len()] {
    let mut receiver = Receiver::new(mode, rate()).expect("the rate suits");
    let (mut events, mut counts) = (Vec::new(), [0; SoundKind::ALL.len()]);
    for (i, piece) in sound.chunks(1200).enumerate() {
        receiver.process(piece, &mut events);
        events.clear();
        let kind = receiver.sound().kind;
        if i >= 40
            && let Some(at) = SoundKind::ALL.iter().position(|k| *k == kind)
        {
            counts[at] += 1;
        }
    }
    counts
}
