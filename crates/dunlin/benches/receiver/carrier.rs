//! How soon data is heard and let go, and how often something else is taken for it.

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{Receiver, ReceiverEvent};

use super::kinds::Kind;
use super::{deviation, frame, rate, transmitter};

/// Transmissions for each figure.
const TRIALS: usize = 200;
/// Seconds of each kind of sound.
const SECONDS: usize = 200;
/// The audio bandwidth in which a signal-to-noise ratio is reckoned, hertz.
const BANDWIDTH_HZ: f64 = 3000.0;

pub fn print() {
    println!(
        "Data carrier detect, time until heard and until let go, milliseconds of sound handed over, \
         {TRIALS} transmissions\n  (S/N in {BANDWIDTH_HZ} Hz = Eb/N0 + 10 log10(baud / {BANDWIDTH_HZ}); \
         white noise; \"joined\" begins within a frame, the others with flags)"
    );
    println!(
        "  {:9} {:>6} {:>6}  {:>8} {:>8} {:>7}  {:>8} {:>8}  {:>8} {:>8}",
        "", "S/N", "Eb/N0", "on 50 %", "95 %", "missed", "joined", "95 %", "off 50 %", "95 %"
    );
    for mode in Mode::ALL {
        let over = 10.0 * (BANDWIDTH_HZ / f64::from(mode.baud())).log10();
        for (snr, eb_n0) in [(10.0, 10.0 + over), (10.0 - over, 10.0)] {
            row(mode, snr, eb_n0);
        }
    }
    println!("False data carrier, times in 100 s (and per cent of the time), {SECONDS} s each");
    println!(
        "  {:18} {}",
        "",
        Mode::ALL.map(|m| format!("{:>15}", m.name())).join("")
    );
    for kind in Kind::ALL {
        let cells = Mode::ALL.map(|mode| {
            let (times, share) = false_busy(mode, kind);
            format!("{times:7.2} ({share:4.2})")
        });
        println!(
            "  {:18} {}",
            kind.name(),
            cells.map(|c| format!("{c:>15}")).join("")
        );
    }
}

fn row(mode: Mode, snr: f64, eb_n0: f64) {
    let mut chance = Chance::stream(1, "carrier");
    let (mut on, mut joined, mut off) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..TRIALS {
        let (heard, let_go) = trial(mode, eb_n0, false, &mut chance);
        on.extend(heard);
        off.extend(let_go);
        joined.extend(trial(mode, eb_n0, true, &mut chance).0);
    }
    let missed = 100.0 * (TRIALS - on.len()) as f64 / TRIALS as f64;
    println!(
        "  {:9} {snr:6.1} {eb_n0:6.1}  {:8.1} {:8.1} {missed:5.1} %  {:8.1} {:8.1}  {:8.1} {:8.1}",
        mode.name(),
        percentile(&mut on, 50),
        percentile(&mut on, 95),
        percentile(&mut joined, 50),
        percentile(&mut joined, 95),
        percentile(&mut off, 50),
        percentile(&mut off, 95),
    );
}

/// One transmission in noise: milliseconds until it was heard, and from its end until it was let
/// go.
fn trial(mode: Mode, eb_n0: f64, joined: bool, chance: &mut Chance) -> (Option<f64>, Option<f64>) {
    let rate = rate(mode);
    let mut signal = transmitter(mode, rate).transmission(&[frame(chance)]);
    let noise = deviation(&signal, mode, rate, eb_n0);
    if joined {
        let begin = chance.between(0.3, 0.5) * signal.len() as f64;
        signal.drain(..begin as usize);
    }
    let before = (chance.between(0.5, 0.6) * rate.hz_f64()) as usize;
    let after = rate.hz() as usize / 2;
    let end = before + signal.len();
    let mut sound = vec![0.0; before];
    sound.extend(signal);
    sound.resize(end + after, 0.0);
    sound.iter_mut().for_each(|s| *s += noise * chance.normal());
    let mut receiver = Receiver::new(mode, rate).expect("the rate suits");
    let edges = edges(&mut receiver, &sound, rate);
    let ms = |at: usize, from: usize| (at as f64 - from as f64) / rate.hz_f64() * 1000.0;
    let heard = edges
        .iter()
        .find(|(on, at)| *on && *at > before && *at < end);
    let let_go = edges.iter().find(|(on, at)| !*on && *at >= end);
    (heard.map(|e| ms(e.1, before)), let_go.map(|e| ms(e.1, end)))
}

/// Carrier edges, each with how many samples had been handed over when it came out, in pieces
/// of one millisecond.
fn edges(receiver: &mut Receiver, sound: &[f32], rate: SampleRate) -> Vec<(bool, usize)> {
    let (mut out, mut events, mut given) = (Vec::new(), Vec::new(), 0);
    for piece in sound.chunks(rate.hz() as usize / 1000) {
        receiver.process(piece, &mut events);
        given += piece.len();
        for event in events.drain(..) {
            if let ReceiverEvent::Carrier { on, .. } = event {
                out.push((on, given));
            }
        }
    }
    out
}

/// How often in 100 s the carrier comes on, and for how much of the time it is.
fn false_busy(mode: Mode, kind: Kind) -> (f64, f64) {
    // An FM receiver's band is wider than what 300 Bd asks for.
    let rate = SampleRate::new(rate(mode).hz().max(24_000)).expect("not zero");
    let sound = kind.sound(rate, SECONDS, 1);
    let mut receiver = Receiver::new(mode, rate).expect("the rate suits");
    let (mut events, mut times, mut busy, mut pieces) = (Vec::new(), 0.0, 0.0, 0.0);
    for piece in sound.chunks(rate.hz() as usize / 200) {
        receiver.process(piece, &mut events);
        for event in events.drain(..) {
            if matches!(event, ReceiverEvent::Carrier { on: true, .. }) {
                times += 1.0;
            }
        }
        pieces += 1.0;
        busy += if receiver.carrier() { 1.0 } else { 0.0 };
    }
    (times * 100.0 / SECONDS as f64, 100.0 * busy / pieces)
}

fn percentile(values: &mut [f64], per_cent: usize) -> f64 {
    values.sort_by(f64::total_cmp);
    let index = (values.len() * per_cent / 100).min(values.len().saturating_sub(1));
    values.get(index).copied().unwrap_or(f64::NAN)
}
