//! How much faster than real time the bands run on one core:
//! `cargo run --release -p dunlin-air --example speed`
#![allow(clippy::disallowed_methods, clippy::disallowed_types)] // a stopwatch is the purpose

use dunlin_air::{Band, BandConfig, Fading, FmConfig, Kind, PathConfig, SsbConfig, StationConfig};
use dunlin_clock::SampleRate;
use std::time::Instant;

fn config(kind: Kind, rate: u32, count: usize, fading: Fading) -> BandConfig {
    let names: Vec<String> = (0..count).map(|i| format!("QM{i}BAR")).collect();
    let mut paths = Vec::new();
    for a in &names {
        for b in names.iter().filter(|b| *b != a) {
            let mut p = PathConfig::new(a, b, 20.0);
            p.fading = fading;
            paths.push(p);
        }
    }
    let stations = names.iter().enumerate().map(|(i, n)| {
        let mut s = StationConfig::new(n);
        s.mistune_hz = 10.0 * i as f64;
        s.clock_ppm = 5.0 * i as f64;
        s
    });
    BandConfig {
        name: "speed".into(),
        rate: SampleRate::new(rate).expect("not zero"),
        kind,
        stations: stations.collect(),
        paths,
        seed: 1,
    }
}

/// Real time over elapsed time with `senders` stations keyed all the time.
fn measure(config: &BandConfig, senders: usize) -> f64 {
    let mut band = Band::new(config).expect("valid");
    let rate = config.rate.hz() as usize;
    let seconds = 60;
    for s in 0..senders {
        let wave = (0..(seconds + 1) * rate).map(|i| 0.5 * (0.4 * i as f32).sin());
        band.key(s, wave.collect()).expect("short");
    }
    let start = Instant::now();
    for _ in 0..seconds * 50 {
        band.step(rate / 50);
    }
    seconds as f64 / start.elapsed().as_secs_f64()
}

fn main() {
    let fm = config(Kind::Fm(FmConfig::default()), 24_000, 8, Fading::None);
    let ssb = config(
        Kind::Ssb(SsbConfig::default()),
        12_000,
        4,
        Fading::MID_MODERATE,
    );
    for (name, band) in [
        ("FM, 8 stations, 24 kHz", fm),
        ("SSB, 4 stations, 12 kHz, fading", ssb),
    ] {
        for senders in 0..3 {
            let factor = measure(&band, senders);
            println!("{name}, {senders} keyed: {factor:.0} times real time");
        }
    }
}
