//! Measures the search for damaged frames on made bits: how many frames it saves, how many
//! false ones it makes, how long it takes. The tables of `docs/repair.md` come from here:
//!
//! ```text
//! cargo run --release -p dunlin-framing --example repair_figures -- saved
//! cargo run --release -p dunlin-framing --example repair_figures -- noise
//! ```
//!
//! The model: error events come independently, each changes the same pattern of bits; the
//! logarithm of the likelihood ratio of each event is Gaussian with variance twice its mean,
//! as it is for an antipodal decision in white noise. Its size is the cost that is told.
#![allow(clippy::disallowed_methods, clippy::disallowed_types)] // a stopwatch is the purpose

use std::time::Instant;

use dunlin_clock::{Chance, SampleCount};
use dunlin_framing::{
    Framed, Limits, Reading, RepairSettings, Repairer, RepairingDeframer, Rival, SoftBit, encode,
};

/// Octets of a frame without its FCS.
const FRAME: usize = 64;
/// Flags between two frames.
const FLAGS: usize = 4;

/// Adds events to sent bits and tells each with its cost.
fn disturb(sent: &[bool], mean: f64, pattern: u64, chance: &mut Chance) -> Vec<SoftBit> {
    let mut bits = sent.to_vec();
    let mut costs = vec![0.0_f32; sent.len()];
    let span = 64 - pattern.leading_zeros() as usize;
    for at in span - 1..sent.len() {
        let ratio = mean as f32 + (2.0 * mean).sqrt() as f32 * chance.normal();
        costs[at] = ratio.abs();
        if ratio < 0.0 {
            (0..span)
                .filter(|k| pattern >> k & 1 == 1)
                .for_each(|k| bits[at - k] = !bits[at - k]);
        }
    }
    let soft = |(at, (bit, cost)): (u64, (bool, f32))| SoftBit {
        soft: if bit { 1.0 } else { -1.0 },
        at: SampleCount(at),
        rival: Some(Rival {
            flips: pattern,
            cost,
        }),
    };
    (0..).zip(bits.into_iter().zip(costs)).map(soft).collect()
}

/// What became of many frames.
#[derive(Default)]
struct Tally {
    sent: u64,
    exact: u64,
    /// By how many bits were repaired, in events.
    repaired: [u64; 4],
    wrong: u64,
    /// What the confidences told of repaired frames leave over.
    wrong_as_told: f64,
    tested: u64,
    seconds: f64,
}

fn run(settings: RepairSettings, mean: f64, pattern: u64, frames: u64) -> Tally {
    let mut chance = Chance::stream(1, &format!("repair {mean} {pattern}"));
    let limits = Limits::default();
    let mut repairer = Repairer::new(limits, settings, |_| true);
    let mut deframer = RepairingDeframer::new(limits);
    let mut tally = Tally::default();
    let mut out: Vec<Reading> = Vec::new();
    // A frame may come out only when the next one begins.
    let mut last = Vec::new();
    for _ in 0..frames {
        let frame: Vec<u8> = (0..FRAME).map(|_| chance.octet()).collect();
        let bits = disturb(&encode(&[&frame], FLAGS, 2), mean, pattern, &mut chance);
        let before = Instant::now();
        for bit in bits {
            deframer.push(bit, &mut repairer, &mut out);
        }
        tally.seconds += before.elapsed().as_secs_f64();
        tally.sent += 1;
        for reading in out.drain(..) {
            let Framed::Frame { octets, .. } = &reading.framed else {
                continue;
            };
            let events = usize::from(reading.repaired_bits) / pattern.count_ones() as usize;
            if events > 0 {
                tally.wrong_as_told += 1.0 - f64::from(reading.confidence.unwrap_or(0.0));
            }
            match (*octets == frame || *octets == last, events) {
                (false, _) => tally.wrong += 1,
                (true, 0) => tally.exact += 1,
                (true, n) => tally.repaired[n.min(3)] += 1,
            }
        }
        last = frame;
    }
    tally.tested = repairer.tested();
    tally
}

/// The mean for which so many events per frame are expected.
fn mean_for(events: f64) -> f64 {
    let bits = (FRAME as f64 + 2.0) * 8.0 * 1.016;
    let errors = |mean: f64| {
        // The upper tail of the Gaussian, by integration.
        let from = (mean / 2.0_f64).sqrt();
        let steps = (0..4000).map(|i| from + (f64::from(i) + 0.5) * 0.002);
        let density = |x: f64| (-x * x / 2.0).exp() / (2.0 * std::f64::consts::PI).sqrt();
        bits * steps.map(|x| density(x) * 0.002).sum::<f64>()
    };
    let (mut low, mut high) = (0.1, 60.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if errors(middle) > events {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

fn saved(frames: u64) {
    println!(
        "pattern events tested likely | exact 1 event 2 3+ all | false per million failing, as told, bound | tests us/frame"
    );
    for pattern in [0b11_u64, 0b101] {
        for events in [1.0, 2.0, 3.0] {
            for (most_tested, least_likely) in [(32, 1e-3), (64, 1e-3), (128, 1e-3), (256, 1e-4)] {
                let settings = RepairSettings {
                    most_tested,
                    least_likely,
                    ..RepairSettings::default()
                };
                let t = run(settings, mean_for(events), pattern, frames);
                let percent = |n: u64| 100.0 * n as f64 / t.sent as f64;
                let all = t.exact + t.repaired.iter().sum::<u64>();
                let failing = (t.sent - t.exact) as f64 / 1e6;
                println!(
                    "{pattern:3b} {events:3} {most_tested:3} {least_likely:6} | {:5.1} {:5.1} {:5.1} {:5.1} {:5.1} | {:6.1} {:6.1} {:6.1} | {:5.1} {:6.1}",
                    percent(t.exact),
                    percent(t.repaired[1]),
                    percent(t.repaired[2]),
                    percent(t.repaired[3]),
                    percent(all),
                    t.wrong as f64 / failing,
                    t.wrong_as_told / failing,
                    t.tested as f64 / failing / 32768.0,
                    t.tested as f64 / t.sent as f64,
                    1e6 * t.seconds / t.sent as f64,
                );
            }
        }
    }
}

/// Random bits: each event as likely as not, and costs as noise gives them.
fn noise(bits: u64) {
    for mean in [0.05_f64, 0.5, 1.0, 2.0] {
        let mut chance = Chance::stream(2, "noise");
        let limits = Limits::default();
        let settings = RepairSettings::default();
        let mut repairer = Repairer::new(limits, settings, |_| true);
        let mut deframer = RepairingDeframer::new(limits);
        let (mut plain, mut repaired) = (0, 0);
        let mut out = Vec::new();
        let before = Instant::now();
        let (mut random, mut left) = (0, 0);
        for at in 0..bits {
            if left == 0 {
                (random, left) = (chance.bits(), 64);
            }
            let soft = if random & 1 == 1 { 1.0 } else { -1.0 };
            (random, left) = (random >> 1, left - 1);
            let ratio = mean as f32 + (2.0 * mean).sqrt() as f32 * chance.normal();
            let rival = Some(Rival {
                flips: 0b11,
                cost: ratio.abs(),
            });
            let at = SampleCount(at);
            deframer.push(SoftBit { soft, at, rival }, &mut repairer, &mut out);
            for reading in out.drain(..) {
                if let Framed::Frame { .. } = reading.framed {
                    plain += usize::from(reading.repaired_bits == 0);
                    repaired += usize::from(reading.repaired_bits > 0);
                }
            }
        }
        println!(
            "mean log ratio {mean}: {bits} random bits: {plain} plain frames, {repaired} repaired, {} tested, {:.1} ns per bit",
            repairer.tested(),
            1e9 * before.elapsed().as_secs_f64() / bits as f64
        );
    }
}

fn main() {
    let mut words = std::env::args().skip(1);
    let what = words.next().unwrap_or_default();
    let count = words.next().and_then(|n| n.parse().ok());
    match &what[..] {
        "saved" => saved(count.unwrap_or(20_000)),
        "noise" => noise(count.unwrap_or(100_000_000)),
        _ => println!("say saved or noise, and how many frames or bits"),
    }
}
