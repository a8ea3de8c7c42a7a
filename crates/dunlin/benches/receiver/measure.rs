//! How well each figure of a frame is measured, against sound whose properties are known.

use dunlin_air::tones::{KnownTones, add_noise, nrzi};
use dunlin_clock::{Chance, SampleRate};
use dunlin_framing::encode;
use dunlin_modem::Mode;
use dunlin_station::port::{Receiver, ReceiverEvent, ReceptionReport, TonesAdvice};

use super::frame;
use super::kinds::Kind;

/// Frames of 64 octets for each figure.
const TRIALS: usize = 60;
const EB_N0_DB: [f64; 3] = [6.0, 10.0, 20.0];
const HZ: u32 = 48_000;

/// One property: its name, its true values, how a sound gets it and what was measured of it.
struct Property {
    name: &'static str,
    values: &'static [f64],
    set: fn(&mut KnownTones, f64),
    get: fn(&ReceptionReport) -> Option<f32>,
    bound: fn(&Symbols) -> f64,
}

/// What the bounds depend on.
struct Symbols {
    /// Signal to noise ratio of one symbol.
    snr: f64,
    /// Symbols of the frame.
    count: f64,
    baud: f64,
    /// Shift / rate.
    index: f64,
}

/// Cramer-Rao bounds, as standard deviations, for known data in white noise (S. Kay,
/// Fundamentals of Statistical Signal Processing: Estimation Theory, chapter 3; for the clock
/// after A. N. D'Andrea, U. Mengali, R. Reggiannini, "The modified Cramer-Rao bound and its
/// application to synchronization problems", IEEE Trans. Communications 42 (1994); from memory,
/// derived again).
const PROPERTIES: [Property; 5] = [
    Property {
        name: "offset, Hz",
        values: &[-25.0, 0.0, 13.7],
        set: |tones, x| tones.offset_hz = x,
        get: |report| report.offset_hz,
        bound: |s| (6.0 / (s.snr * s.count.powi(3))).sqrt() * s.baud / std::f64::consts::TAU,
    },
    Property {
        name: "drift, Hz/s",
        values: &[-5.0, 0.0, 5.0],
        set: |tones, x| tones.drift_hz_s = x,
        get: |report| report.drift_hz_s,
        bound: |s| {
            (360.0 / (s.snr * s.count.powi(5))).sqrt() * s.baud * s.baud / std::f64::consts::TAU
        },
    },
    Property {
        name: "twist, dB",
        values: &[-6.0, 0.0, 6.0],
        set: |tones, x| tones.twist_db = x,
        get: |report| report.twist_db,
        bound: |s| 8.686 * (2.0 / (s.snr * s.count)).sqrt(),
    },
    Property {
        name: "rate error, ppm",
        values: &[-2000.0, 0.0, 500.0],
        set: |tones, x| tones.faster_ppm = x,
        get: |report| report.rate_error_ppm,
        bound: |s| {
            let turn = std::f64::consts::PI * s.index;
            1e6 * (6.0 / (s.snr * turn * turn * s.count.powi(3))).sqrt()
        },
    },
    Property {
        name: "level, dB",
        values: &[-40.0, -20.0, -10.0],
        set: |tones, x| tones.level_dbfs = x,
        get: |report| Some(report.level_dbfs),
        bound: |s| 8.686 * (1.0 / (2.0 * s.snr * s.count)).sqrt(),
    },
];

pub fn print() {
    println!(
        "Measured per frame against the truth: {TRIALS} frames of 64 octets each, white noise, \
         {HZ} samples per second;\n  mean error, standard deviation and the Cramer-Rao bound on it"
    );
    for mode in [Mode::Afsk300, Mode::Afsk1200] {
        for property in &PROPERTIES {
            for &truth in property.values {
                let cells = EB_N0_DB.map(|db| figures(mode, property, truth, db));
                println!(
                    "  {:9} {:16} {truth:7.1} {}",
                    mode.name(),
                    property.name,
                    cells.join("  ")
                );
            }
        }
        snr(mode);
        place(mode);
        clipping(mode);
    }
    tones_before_frames();
    false_advice();
}

fn tones(mode: Mode) -> KnownTones {
    match mode {
        Mode::Afsk300 => KnownTones::new(1600.0, 1800.0, 300.0),
        _ => KnownTones::new(1200.0, 2200.0, 1200.0),
    }
}

/// One frame heard: where its bits lie, and what was reported of it.
struct Trial {
    start_s: f64,
    length_s: f64,
    report: Option<ReceptionReport>,
}

/// Frames in noise, each received by a receiver that has heard the noise before it; `cut` is
/// what the receiving end does to the sum.
fn trials(mode: Mode, tones: KnownTones, eb_n0_db: f64, cut: impl Fn(f32) -> f32) -> Vec<Trial> {
    let rate = SampleRate::new(HZ).expect("not zero");
    let mut chance = Chance::stream(1, "measure");
    let mut receiver = Receiver::new(mode, rate).expect("the rate suits");
    let mut heard = 0_u64;
    let mut out = Vec::new();
    for _ in 0..TRIALS {
        let (lead, tail) = (24, 2);
        let bits = encode(&[frame(&mut chance)], lead, tail);
        let baud = tones.baud * (1.0 + tones.faster_ppm * 1e-6);
        let gap = (60.0 / tones.baud * rate.hz_f64()) as usize;
        let mut sound = vec![0.0; gap];
        sound.extend(tones.sound(&nrzi(&bits), rate));
        sound.resize(sound.len() + gap, 0.0);
        let known = (tones.level_dbfs, tones.baud);
        add_noise(&mut sound, known, eb_n0_db, rate, &mut chance);
        sound.iter_mut().for_each(|s| *s = cut(*s));
        let mut events = Vec::new();
        receiver.process(&sound, &mut events);
        receiver.process(&vec![0.0; receiver.delay()], &mut events);
        let start_s = (heard + gap as u64) as f64 / rate.hz_f64() + 8.0 * lead as f64 / baud;
        heard += (sound.len() + receiver.delay()) as u64;
        let report = events.into_iter().find_map(|e| match e {
            ReceiverEvent::Frame { report, .. } => Some(report),
            _ => None,
        });
        out.push(Trial {
            start_s,
            length_s: (bits.len() - 8 * (lead + tail - 1)) as f64 / baud,
            report,
        });
    }
    out
}

fn mean_and_deviation(errors: &[f64]) -> (f64, f64) {
    let n = errors.len() as f64;
    let mean = errors.iter().sum::<f64>() / n;
    let square = errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / (n - 1.0);
    (mean, square.sqrt())
}

fn figures(mode: Mode, property: &Property, truth: f64, eb_n0_db: f64) -> String {
    let mut tones = tones(mode);
    (property.set)(&mut tones, truth);
    let heard = trials(mode, tones, eb_n0_db, |s| s);
    let reports = heard.iter().filter_map(|t| t.report.as_ref());
    let errors: Vec<f64> = reports
        .filter_map(property.get)
        .map(|x| f64::from(x) - truth)
        .collect();
    let (mean, deviation) = mean_and_deviation(&errors);
    let bound = (property.bound)(&Symbols {
        snr: 10_f64.powf(eb_n0_db / 10.0),
        count: heard[0].length_s * tones.baud,
        baud: tones.baud,
        index: (tones.space_hz - tones.mark_hz) / tones.baud,
    });
    format!(
        "{eb_n0_db:2.0} dB: {mean:+9.3} {deviation:8.3} {bound:8.3} ({:2})",
        errors.len()
    )
}

fn snr(mode: Mode) {
    let cells = EB_N0_DB.map(|db| {
        let heard = trials(mode, tones(mode), db, |s| s);
        let reports = heard.iter().filter_map(|t| t.report.as_ref());
        let errors: Vec<f64> = reports
            .filter_map(|r| r.snr_db)
            .map(|x| f64::from(x) - db)
            .collect();
        let (mean, deviation) = mean_and_deviation(&errors);
        format!("{db:2.0} dB: {mean:+9.3} {deviation:8.3}")
    });
    println!("  {:9} {:24} {}", mode.name(), "S/N, dB", cells.join("  "));
}

fn place(mode: Mode) {
    for (name, length) in [("start, ms", false), ("length, ms", true)] {
        let cells = EB_N0_DB.map(|db| {
            let rate = SampleRate::new(HZ).expect("not zero");
            let error = |t: &Trial| {
                let report = t.report.as_ref()?;
                let (start, end) = (report.start.seconds(rate), report.end.seconds(rate));
                Some(
                    1e3 * if length {
                        end - start - t.length_s
                    } else {
                        start - t.start_s
                    },
                )
            };
            let heard = trials(mode, tones(mode), db, |s| s);
            let errors: Vec<f64> = heard.iter().filter_map(error).collect();
            let (mean, deviation) = mean_and_deviation(&errors);
            format!("{db:2.0} dB: {mean:+9.3} {deviation:8.3}")
        });
        println!("  {:9} {name:24} {}", mode.name(), cells.join("  "));
    }
}

/// Signal and noise are cut together at some level, as by a sound device; the truth is counted.
fn clipping(mode: Mode) {
    for wall in [9.9_f32, 0.45, 0.3, 0.2] {
        let cells = EB_N0_DB.map(|db| {
            let (cut, all) = (std::cell::Cell::new(0_u64), std::cell::Cell::new(0_u64));
            let heard = trials(mode, tones(mode), db, |s| {
                // Of the noise between the frames too, some 10 per cent of it all.
                all.set(all.get() + 1);
                cut.set(cut.get() + u64::from(s.abs() >= wall.min(1.0)));
                s.clamp(-wall, wall)
            });
            let found: Vec<f64> = heard
                .iter()
                .filter_map(|t| t.report.as_ref()?.clipped)
                .map(f64::from)
                .collect();
            let (mean, deviation) = mean_and_deviation(&found);
            let truth = cut.get() as f64 / all.get() as f64;
            format!(
                "{db:2.0} dB: {:5.1} of {:5.1} +- {:4.1}",
                100.0 * mean,
                100.0 * truth,
                100.0 * deviation
            )
        });
        println!(
            "  {:9} clipped, % of samples, wall at {wall:4.2}  {}",
            mode.name(),
            cells.join("  ")
        );
    }
}

/// Shift in hertz and symbol rate of tones that a receiver for 300 Bd cannot read.
const FOREIGN: [(f64, f64); 6] = [
    (200.0, 300.0),
    (170.0, 300.0),
    (170.0, 45.45),
    (450.0, 50.0),
    (850.0, 75.0),
    (1000.0, 1200.0),
];

fn advice(receiver: &mut Receiver, sound: &[f32]) -> Vec<TonesAdvice> {
    let mut events = Vec::new();
    receiver.process(sound, &mut events);
    let tones = |e| match e {
        ReceiverEvent::Tones(advice) => Some(advice),
        _ => None,
    };
    events.into_iter().filter_map(tones).collect()
}

/// Six stretches of random data of three seconds, without a frame, at each place.
fn tones_before_frames() {
    println!(
        "Tones before frames, heard by a port for 300 Bd: mean error of centre, shift and rate, and \
         how many of 6 stretches were told of; S/N is that of 300 Bd"
    );
    for (shift, baud) in FOREIGN {
        for centre in [400.0, 1000.0, 1640.0, 2600.0] {
            if centre - shift / 2.0 < 250.0 || centre + shift / 2.0 > 2800.0 {
                continue;
            }
            let cells = [10.0, 15.0, 25.0].map(|db| foreign(shift, baud, centre, db));
            println!(
                "  {shift:5} Hz {baud:6} Bd at {centre:5} Hz {}",
                cells.join("  ")
            );
        }
    }
}

fn foreign(shift: f64, baud: f64, centre: f64, eb_n0_db: f64) -> String {
    let rate = SampleRate::new(HZ).expect("not zero");
    let mut chance = Chance::stream(1, "foreign");
    let mut receiver = Receiver::new(Mode::Afsk300, rate).expect("the rate suits");
    let tones = KnownTones::new(centre - shift / 2.0, centre + shift / 2.0, baud);
    let mut told = Vec::new();
    for _ in 0..6 {
        let levels: Vec<bool> = (0..(3.0 * baud) as usize)
            .map(|_| chance.unit() < 0.5)
            .collect();
        let mut sound = tones.sound(&levels, rate);
        sound.resize(sound.len() + 6 * HZ as usize, 0.0);
        add_noise(&mut sound, (-12.0, 300.0), eb_n0_db, rate, &mut chance);
        told.extend(advice(&mut receiver, &sound));
    }
    let mean = |figure: &dyn Fn(&TonesAdvice) -> Option<f64>| {
        let known: Vec<f64> = told.iter().filter_map(figure).collect();
        match known.len() {
            0 => "     -".to_owned(),
            n => format!("{:+6.1}", known.iter().sum::<f64>() / n as f64),
        }
    };
    format!(
        "{eb_n0_db} dB: {} {} {} ({})",
        mean(&|a| Some(f64::from(a.centre_hz) - centre)),
        mean(&|a| Some(f64::from(a.shift_hz) - shift)),
        mean(&|a| a.baud.map(|b| f64::from(b) - baud)),
        told.len()
    )
}

/// Advice on sounds that hold no data.
fn false_advice() {
    println!("False advice in 10 minutes of each, port for 300 Bd");
    let rate = SampleRate::new(HZ).expect("not zero");
    for kind in Kind::ALL {
        let mut receiver = Receiver::new(Mode::Afsk300, rate).expect("the rate suits");
        let count: usize = (1..=10)
            .map(|seed| advice(&mut receiver, &kind.sound(rate, 60, seed)).len())
            .sum();
        println!("  {:18} {count}", kind.name());
    }
}
