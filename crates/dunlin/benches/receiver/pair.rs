//! What two inputs gain that hear the same transmissions.

use dunlin_clock::Chance;
use dunlin_modem::Mode;
use dunlin_station::port::{HeardOn, PairEvent, PairReceiver};

use super::{deviation, frame, rate, silence, transmitter};

/// How many frames of 64 octets were read in which way, of all that were sent.
#[derive(Clone, Copy, Debug, Default)]
struct Read {
    sent: usize,
    first: usize,
    second: usize,
    either: usize,
    any: usize,
    wrong: usize,
}

/// Sends frames to two inputs, each with a level of its own for each frame, dB, and noise of
/// its own; `eb_n0_db` belongs to 0 dB.
fn measure(
    mode: Mode,
    frames: usize,
    eb_n0_db: f64,
    mut levels: impl FnMut(&mut Chance) -> [f64; 2],
) -> Read {
    let rate = rate(mode);
    let transmitter = transmitter(mode, rate);
    let mut chance = Chance::stream(7, "pair");
    let mut pair = PairReceiver::new(mode, rate).expect("the rate suits");
    let (mut events, mut sent) = (Vec::new(), Vec::new());
    for _ in 0..frames {
        let octets = frame(&mut chance);
        let mut sound = transmitter.transmission(std::slice::from_ref(&octets));
        sent.push(octets);
        let deviation = deviation(&sound, mode, rate, eb_n0_db);
        sound.extend(silence(mode, rate, 160));
        let inputs = levels(&mut chance).map(|db| {
            let gain = 10_f64.powf(db / 20.0) as f32;
            let noisy = |s: &f32| 0.3 * (gain * s + deviation * chance.normal());
            sound.iter().map(noisy).collect::<Vec<f32>>()
        });
        pair.process([&inputs[0], &inputs[1]], &mut events);
    }
    pair.finish(&mut events);
    let mut read = Read {
        sent: frames,
        ..Read::default()
    };
    for event in &events {
        let PairEvent::Frame {
            octets, heard_on, ..
        } = event
        else {
            continue;
        };
        if !sent.contains(octets) {
            read.wrong += 1;
            continue;
        }
        let HeardOn { first, second, .. } = *heard_on;
        read.any += 1;
        read.first += usize::from(first);
        read.second += usize::from(second);
        read.either += usize::from(first || second);
    }
    read
}

fn row(eb_n0_db: f64, read: &Read) {
    let share = |n: usize| 100.0 * n as f64 / read.sent as f64;
    println!(
        "    {eb_n0_db:5.1} {:7.1} {:7.1} {:7.1} {:7.1} {:6}",
        share(read.first),
        share(read.second),
        share(read.either),
        share(read.any),
        read.wrong
    );
}

/// Where a share that grows with the level passes one half, dB; between two levels on a line.
fn half(points: &[(f64, Read)], of: fn(&Read) -> usize) -> String {
    let share = |r: &Read| of(r) as f64 / r.sent as f64;
    let crossing = points.windows(2).find_map(|pair| {
        let (a, b) = (share(&pair[0].1), share(&pair[1].1));
        (a < 0.5 && b >= 0.5).then(|| pair[0].0 + (0.5 - a) / (b - a) * (pair[1].0 - pair[0].0))
    });
    crossing.map_or_else(|| "-".to_owned(), |db| format!("{db:.2}"))
}

/// The second input weaker by `weaker_db`, steady levels.
pub fn steady(mode: Mode, frames: usize, weaker_db: f64, levels: &[f64]) {
    println!(
        "  {}, second input {weaker_db} dB weaker, {frames} frames: Eb/N0 of the first, then \
         per cent read by first, second, either, all with combination; wrong",
        mode.name()
    );
    let points: Vec<(f64, Read)> = levels
        .iter()
        .map(|&db| (db, measure(mode, frames, db, |_| [0.0, -weaker_db])))
        .collect();
    points.iter().for_each(|(db, read)| row(*db, read));
    println!(
        "    half of the frames at: first {}, either {}, all {} dB",
        half(&points, |r| r.first),
        half(&points, |r| r.either),
        half(&points, |r| r.any)
    );
}

/// Both inputs fade independently: the power of each frame is exponentially distributed.
pub fn fading(mode: Mode, frames: usize, levels: &[f64]) {
    println!(
        "  {}, both inputs fading from frame to frame (Rayleigh), {frames} frames: mean Eb/N0",
        mode.name()
    );
    for &db in levels {
        let power = |chance: &mut Chance| {
            let (x, y) = (f64::from(chance.normal()), f64::from(chance.normal()));
            10.0 * ((x * x + y * y) / 2.0).max(1e-6).log10()
        };
        let read = measure(mode, frames, db, |chance| [power(chance), power(chance)]);
        row(db, &read);
    }
}

/// Prints all.
pub fn print() {
    const FRAMES: usize = 200;
    println!("Pair: two inputs, one signal; independent white noise");
    for (mode, from) in [(Mode::Afsk1200, 2.0), (Mode::Afsk300, 1.5)] {
        let levels: Vec<f64> = (0..10).map(|i| from + 0.5 * f64::from(i)).collect();
        for weaker_db in [0.0, 3.0, 6.0] {
            steady(mode, FRAMES, weaker_db, &levels);
        }
        fading(mode, FRAMES, &[5.0, 10.0, 15.0]);
    }
}
