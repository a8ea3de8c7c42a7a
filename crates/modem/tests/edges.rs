//! The beginning and the end of what is sent, and pre-emphasis: levels, clicks, lengths, widths.
//!
//! The peak of a sine and its power are mathematics; the 6 dB per octave of a voice transmitter
//! are common practice, no source; the 99 % rule is ITU Radio Regulations No. 1.153, from memory.

use std::f64::consts::TAU;

use dunlin_clock::SampleRate;
use dunlin_modem::{
    Line, LineSettings, Mode, ModemError, Modulator, NamedPair, Occupied, Steady, TransmitSettings,
};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;

const RATE: u32 = 48_000;

fn rate() -> SampleRate {
    SampleRate::new(RATE).expect("not zero")
}

fn modulator(line: impl Into<Line>, db_per_octave: f32) -> Modulator {
    let settings = TransmitSettings {
        pre_emphasis_db_per_octave: db_per_octave,
        ..TransmitSettings::default()
    };
    Modulator::new(line, rate(), settings).expect("fits")
}

fn pair(mode: Mode, name: &str) -> Line {
    let NamedPair { baud, tones, .. } = NamedPair::find(name).expect("known");
    let settings = LineSettings {
        baud: Some(baud),
        tones: Some(tones),
        inverted: false,
    };
    Line::new(mode, settings).expect("fits")
}

fn lines() -> Vec<Line> {
    let own = Mode::ALL.into_iter().filter(|m| m.has_tones());
    let named = ["Bell 103 originate", "V.21 channel 1"].map(|n| pair(Mode::Afsk300, n));
    let fast = ["V.23 mode 2", "V.23 backward"].map(|n| pair(Mode::Afsk1200, n));
    own.map(Line::from).chain(named).chain(fast).collect()
}

fn bits(count: usize) -> Vec<bool> {
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state >> 40 & 1 == 1
    };
    (0..count).map(|_| next()).collect()
}

fn sent(modulator: &Modulator, bits: &[bool]) -> Vec<f32> {
    let mut out = Vec::new();
    modulator.modulate(bits, &mut out);
    out
}

/// What lies outside so many occupied bandwidths around the middle of the tones, dB of the whole:
/// by one transform over all of a sound and silence around it, in which edges count in full.
fn outside_db(line: &Line, sound: &[f32], widths: f64) -> f64 {
    let size = (sound.len() + 4800).next_power_of_two();
    let mut row = vec![Complex64::default(); size];
    for (x, s) in row.iter_mut().zip(sound) {
        x.re = f64::from(*s);
    }
    FftPlanner::new().plan_fft_forward(size).process(&mut row);
    let centre = line.centre_hz().expect("tones");
    let reach = widths * Occupied::theory(line).width_hz() / 2.0;
    let (mut whole, mut outside) = (0.0, 0.0);
    for (n, x) in row[..size / 2].iter().enumerate() {
        let hz = n as f64 * f64::from(RATE) / size as f64;
        whole += x.norm_sqr();
        if (hz - centre).abs() > reach {
            outside += x.norm_sqr();
        }
    }
    10.0 * (outside / whole).log10()
}

/// Amplitude of one frequency, by correlation with both quadratures.
fn amplitude(sound: &[f32], hz: f64) -> f64 {
    let turn = |i: usize| TAU * hz * i as f64 / f64::from(RATE);
    let with = |f: fn(f64) -> f64| -> f64 {
        let products = sound.iter().enumerate();
        products.map(|(i, &s)| f64::from(s) * f(turn(i))).sum()
    };
    2.0 / sound.len() as f64 * with(f64::cos).hypot(with(f64::sin))
}

/// From the 5th to the 95th percentile of the envelope behind a filter; a voice radio passes
/// nothing below 300 Hz.
fn spread_db(sound: &[f32], gain: impl Fn(f64) -> f64) -> f64 {
    let size = sound.len();
    let mut row: Vec<Complex64> = sound
        .iter()
        .map(|s| Complex64::new(f64::from(*s), 0.0))
        .collect();
    let mut planner = FftPlanner::new();
    planner.plan_fft_forward(size).process(&mut row);
    for (n, x) in row.iter_mut().enumerate() {
        let hz = n as f64 * f64::from(RATE) / size as f64;
        let passes = (300.0..f64::from(RATE) / 2.0).contains(&hz);
        *x *= if passes { 2.0 * gain(hz) } else { 0.0 };
    }
    planner.plan_fft_inverse(size).process(&mut row);
    let mut envelope: Vec<f64> = row[2000..size - 2000].iter().map(|x| x.norm()).collect();
    envelope.sort_by(f64::total_cmp);
    let at = |share: f64| envelope[(share * envelope.len() as f64) as usize];
    20.0 * (at(0.95) / at(0.05)).log10()
}

#[test]
fn the_edges_of_a_short_transmission_add_nothing_outside_its_channel() {
    for line in lines() {
        for db in [0.0, 6.0] {
            let m = modulator(line, db);
            // Forty symbols are the shortest that is ever sent: four flags and one octet.
            let short = sent(&m, &bits(40));
            let long = sent(&m, &bits(2000));
            let [short, long] = [short, long].map(|s| outside_db(&line, &s, 3.0));
            println!("{line}, {db} dB/octave: 40 symbols {short:.1} dB, 4000 symbols {long:.1} dB");
            assert!(
                short < long + 0.5 && long < -35.0,
                "{line} {db}: {short} {long}"
            );
        }
    }
}

#[test]
fn a_step_in_place_of_the_ramp_would_be_found() {
    let line = Line::from(Mode::Afsk300);
    let sound = sent(&modulator(line, 0.0), &bits(40));
    // Two milliseconds and a quarter of a period more.
    let cut = &sound[120..sound.len() - 120];
    assert!(cut[0].abs().max(cut[cut.len() - 1].abs()) > 0.1);
    let (right, wrong) = (outside_db(&line, &sound, 3.0), outside_db(&line, cut, 3.0));
    assert!(wrong > right + 1.0, "{right} {wrong}");
}

#[test]
fn tones_in_steady_runs_have_the_ratio_that_was_asked_for() {
    for line in lines() {
        let (low_hz, high_hz) = line.low_and_high().expect("tones");
        for db in [0.0, 3.0, 6.0] {
            let m = modulator(line, db);
            let mut sound = Vec::new();
            let held = line.baud() as usize * 2;
            let steady = [(Steady::LowTone, held), (Steady::HighTone, held)];
            m.modulate_test(&steady, &[], &mut sound).expect("tones");
            // One second of each, in the middle of its two.
            let low = amplitude(&sound[24_000..72_000], f64::from(low_hz));
            let high = amplitude(&sound[120_000..168_000], f64::from(high_hz));
            let octaves = (f64::from(high_hz) / f64::from(low_hz)).log2();
            let ratio = 20.0 * (high / low).log10();
            assert!(
                (ratio - f64::from(db) * octaves).abs() < 0.01,
                "{line} {db}: {ratio}"
            );
            // The higher one stands at the level set, and nothing anywhere above it.
            assert!((20.0 * high.log10() + 6.0).abs() < 0.01, "{line}: {high}");
            let peak = sound.iter().fold(0.0_f32, |p, s| s.abs().max(p));
            assert!(20.0 * peak.log10() < -5.999, "{line}: {peak}");
        }
    }
}

#[test]
fn no_bits_ever_exceed_the_level_with_pre_emphasis() {
    for line in lines() {
        for (db, level_dbfs) in [(2.5, -20.0), (6.0, -6.0), (6.0, 0.0)] {
            let settings = TransmitSettings {
                level_dbfs,
                pre_emphasis_db_per_octave: db,
                ..TransmitSettings::default()
            };
            let m = Modulator::new(line, rate(), settings).expect("fits");
            let sound = sent(&m, &bits(3000));
            let peak = sound.iter().fold(0.0_f32, |p, s| s.abs().max(p));
            let peak = 20.0 * peak.log10();
            // The highest sample lies within a fiftieth of a decibel of the true peak.
            assert!(
                peak < level_dbfs + 1e-3 && peak > level_dbfs - 0.1,
                "{line}: {peak}"
            );
        }
    }
}

#[test]
fn pre_emphasis_leaves_the_phase_alone() {
    let line = Line::from(Mode::Afsk1200);
    let bits = bits(2000);
    let [flat, raised] = [0.0, 6.0].map(|db| sent(&modulator(line, db), &bits));
    assert_eq!(flat.len(), raised.len());
    // Both cross nought at the same places, and one is never above the other.
    for (a, b) in flat.iter().zip(&raised) {
        assert!(a.signum() == b.signum() || a.abs() < 1e-6, "{a} {b}");
        assert!(b.abs() <= a.abs() + 1e-6);
    }
}

#[test]
fn de_emphasis_at_the_other_end_makes_the_tones_level_again() {
    let line = Line::from(Mode::Afsk1200);
    let sound = sent(&modulator(line, 6.0), &bits(4000));
    let (before, after) = (
        spread_db(&sound, |_| 1.0),
        spread_db(&sound, |hz| 2200.0 / hz),
    );
    let never = spread_db(&sent(&modulator(line, 0.0), &bits(4000)), |_| 1.0);
    println!(
        "5 to 95 % of the envelope: {before:.2} dB as sent, {after:.2} dB after, {never:.2} dB flat"
    );
    assert!(before > 4.5, "{before}");
    assert!(after < never + 0.5, "{after} {never}");
}

#[test]
fn pre_emphasis_without_tones_or_out_of_range_is_refused() {
    let build = |mode: Mode, db: f32| {
        let settings = TransmitSettings {
            pre_emphasis_db_per_octave: db,
            ..TransmitSettings::default()
        };
        Modulator::new(mode, rate(), settings).map(|_| ())
    };
    let mode = Mode::Fsk9600;
    assert_eq!(
        build(mode, 1.0),
        Err(ModemError::EmphasisWithoutTones { mode })
    );
    assert_eq!(build(mode, 0.0), Ok(()));
    for db in [-0.1, 6.1, f32::NAN] {
        let error = build(Mode::Afsk1200, db).expect_err("out of range");
        assert!(error.to_string().contains("outside 0 to 6"), "{error}");
    }
}

#[test]
fn the_measured_bandwidth_stands_beside_that_of_theory() {
    let own = Mode::ALL.map(Line::from).into_iter();
    for line in own.chain([pair(Mode::Afsk1200, "V.23 mode 2")]) {
        let theory = Occupied::theory(&line);
        for db in [0.0, 3.0, 6.0] {
            if db > 0.0 && !line.has_tones() {
                continue;
            }
            let sound = sent(&modulator(line, db), &bits(12_000));
            let found = Occupied::measure(&line, &sound, rate()).expect("no silence");
            println!("{line} {db} dB/octave: measured {found}, theory {theory}");
            let off = found.width_hz() / theory.width_hz() - 1.0;
            match db > 0.0 {
                false => assert!(off.abs() < 0.02, "{line}: {found} {theory}"),
                // The lower sidebands go down with the lower tone.
                true => assert!((-0.25..0.02).contains(&off), "{line}: {found} {theory}"),
            }
        }
    }
}

#[test]
fn a_steady_tone_is_as_wide_as_nothing_and_silence_has_no_width() {
    let line = Line::from(Mode::Afsk300);
    let mut sound = vec![0.0; 10_000];
    let steady = [(Steady::LowTone, 3000)];
    modulator(line, 0.0)
        .modulate_test(&steady, &[], &mut sound)
        .expect("tones");
    sound.extend([0.0; 50_000]);
    let found = Occupied::measure(&line, &sound, rate()).expect("a tone");
    assert!(found.width_hz() < 10.0, "{found}");
    assert!((found.low_hz - 1600.0).abs() < 6.0, "{found}");
    assert_eq!(Occupied::measure(&line, &sound[..10_000], rate()), None);
    assert_eq!(Occupied::measure(&line, &[], rate()), None);
}

#[test]
fn a_shift_of_one_symbol_rate_has_lines_and_theory_knows_them() {
    let settings = LineSettings {
        baud: Some(600),
        tones: Some(dunlin_modem::TonePair {
            mark_hz: 1500,
            space_hz: 2100,
        }),
        inverted: false,
    };
    let line = Line::new(Mode::Afsk1200, settings).expect("fits");
    let sound = sent(&modulator(line, 0.0), &bits(20_000));
    let found = Occupied::measure(&line, &sound, rate()).expect("no silence");
    let theory = Occupied::theory(&line);
    println!("{line}: measured {found}, theory {theory}");
    assert!(
        (found.width_hz() / theory.width_hz() - 1.0).abs() < 0.02,
        "{found} {theory}"
    );
}
