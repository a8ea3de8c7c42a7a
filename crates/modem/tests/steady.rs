//! Test signals: frequency, level and phase of steady tones.

use std::f64::consts::TAU;

use dunlin_clock::SampleRate;
use dunlin_modem::{Mode, ModemError, Modulator, Steady, TransmitSettings};

const RATE: u32 = 48_000;

fn modulator(mode: Mode, offset_hz: f32) -> Modulator {
    let rate = SampleRate::new(RATE).expect("not zero");
    let settings = TransmitSettings {
        level_dbfs: -6.0,
        offset_hz,
        ..TransmitSettings::default()
    };
    Modulator::new(mode, rate, settings).expect("fits")
}

fn sound(m: &Modulator, steady: &[(Steady, usize)], bits: &[bool]) -> Vec<f32> {
    let mut out = Vec::new();
    m.modulate_test(steady, bits, &mut out).expect("has tones");
    out
}

/// Amplitude of one frequency in a stretch of sound, by correlation with both quadratures.
fn amplitude(sound: &[f32], hz: f64) -> f64 {
    let n = sound.len() as f64;
    let turn = |i: usize| TAU * hz * i as f64 / f64::from(RATE);
    let with = |f: fn(f64) -> f64| {
        let products = sound.iter().enumerate();
        products
            .map(|(i, &s)| f64::from(s) * f(turn(i)))
            .sum::<f64>()
    };
    2.0 / n * with(f64::cos).hypot(with(f64::sin))
}

#[test]
fn tones_stand_where_the_mode_has_them_with_their_offset_and_exact_level() {
    let peak = 10_f64.powf(-6.0 / 20.0);
    for (mode, steady, hz) in [
        (Mode::Afsk1200, Steady::LowTone, 1200.0),
        (Mode::Afsk1200, Steady::HighTone, 2200.0),
        (Mode::Afsk300, Steady::LowTone, 1600.0),
        (Mode::Afsk300, Steady::HighTone, 1800.0),
    ] {
        for offset in [0.0, 40.0] {
            let m = modulator(mode, offset);
            let all = sound(&m, &[(steady, mode.baud() as usize)], &[]);
            // One tenth of a second holds whole periods of all of these.
            let piece = &all[4_800..9_600];
            let right = amplitude(piece, hz + f64::from(offset));
            assert!((right - peak).abs() < 1e-4, "{mode} {hz}: {right}");
            let beside = amplitude(piece, hz + f64::from(offset) + 20.0);
            assert!(beside < peak / 100.0, "{mode} {hz}: {beside}");
        }
    }
}

#[test]
fn a_change_of_tone_and_the_bits_after_it_break_no_phase() {
    let m = modulator(Mode::Afsk1200, 0.0);
    let bits: Vec<bool> = (0..300).map(|i| i * i % 7 < 3).collect();
    let steady = [(Steady::LowTone, 601), (Steady::HighTone, 599)];
    let all = sound(&m, &steady, &bits);
    let steepest = all.windows(2).map(|w| (w[1] - w[0]).abs());
    let slope = 10_f64.powf(-6.0 / 20.0) * TAU * 2200.0 / f64::from(RATE);
    let steepest = f64::from(steepest.fold(0.0, f32::max));
    assert!(steepest < slope * 1.001, "{steepest} of {slope}");
    // As long as the same number of bits.
    let rate = SampleRate::new(RATE).expect("not zero");
    assert_eq!(m.duration(1500), rate.duration_of(all.len() as u64));
}

#[test]
fn a_mode_without_tones_refuses_them_and_offers_its_highest_frequency() {
    let m = modulator(Mode::Fsk9600, 0.0);
    let mut out = Vec::new();
    for steady in [Steady::LowTone, Steady::HighTone] {
        let refused = m.modulate_test(&[(steady, 9600)], &[], &mut out);
        assert_eq!(
            refused,
            Err(ModemError::NoTones {
                mode: Mode::Fsk9600
            })
        );
    }
    assert!(out.is_empty());
    let all = sound(&m, &[(Steady::EachSymbol, 9600)], &[]);
    let piece = &all[4_800..9_600];
    let tone = amplitude(piece, 4800.0);
    assert!(tone > 0.05, "{tone}");
    let rest: f64 = piece.iter().map(|s| f64::from(s * s)).sum::<f64>() / piece.len() as f64;
    assert!(
        (rest - tone * tone / 2.0).abs() < 0.01 * rest,
        "nothing but the tone"
    );
}
