//! The spectrum, level and phase of what is sent, against closed formulas.
//!
//! The occupied bandwidth is the width outside which half a per cent of the power lies on either
//! side (ITU Radio Regulations No. 1.153, from memory). The spectrum of continuous-phase shift
//! keying: J. G. Proakis, Digital Communications, power density of CPFSK (from memory; the same
//! formula stands beside a simulation of its own in `conformance/spectrum.py`).

use std::f64::consts::{PI, TAU};

use dunlin_clock::SampleRate;
use dunlin_modem::{Line, LineSettings, Mode, Modulator, NamedPair, TransmitSettings};
use rustfft::FftPlanner;
use rustfft::num_complex::Complex64;

const SIZE: usize = 32_768;

fn bits(count: usize) -> Vec<bool> {
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state >> 40 & 1 == 1
    };
    (0..count).map(|_| next()).collect()
}

/// The mean of many periodograms, from nought to half the sample rate.
fn spectrum(sound: &[f32]) -> Vec<f64> {
    let fft = FftPlanner::new().plan_fft_forward(SIZE);
    let window = |n: usize| 0.5 - 0.5 * (TAU * n as f64 / SIZE as f64).cos();
    let mut sum = vec![0.0; SIZE / 2];
    for start in (0..sound.len() - SIZE).step_by(SIZE / 2) {
        let value = |n: usize| Complex64::new(window(n) * f64::from(sound[start + n]), 0.0);
        let mut row: Vec<Complex64> = (0..SIZE).map(value).collect();
        fft.process(&mut row);
        sum.iter_mut()
            .zip(&row)
            .for_each(|(s, x)| *s += x.norm_sqr());
    }
    sum
}

/// Below which places of a row the two shares of its sum lie.
fn places(power: &[f64], shares: [f64; 2]) -> [f64; 2] {
    let all: f64 = power.iter().sum();
    shares.map(|share| {
        let (mut sum, goal) = (0.0, share * all);
        for (n, p) in power.iter().enumerate() {
            if sum + p >= goal {
                return n as f64 + (goal - sum) / p;
            }
            sum += p;
        }
        power.len() as f64
    })
}

fn occupied(power: &[f64], step_hz: f64) -> f64 {
    let [low, high] = places(power, [0.005, 0.995]);
    (high - low) * step_hz
}

/// Power density of random CPFSK, `x` symbol rates from the middle of the tones.
fn cpfsk(x: f64, h: f64) -> f64 {
    let levels = [-1.0, 1.0];
    let sinc = |x: f64| {
        if x.abs() < 1e-12 {
            1.0
        } else {
            (PI * x).sin() / (PI * x)
        }
    };
    let a = levels.map(|level| sinc(x - 0.5 * level * h));
    let psi = (PI * h).cos();
    let mut sum = 0.0;
    for n in 0..2 {
        sum += 0.5 * a[n] * a[n];
        for m in 0..2 {
            let alpha = PI * h * (levels[n] + levels[m]) / 2.0;
            let b = ((TAU * x - alpha).cos() - psi * alpha.cos())
                / (1.0 + psi * psi - 2.0 * psi * (TAU * x).cos());
            sum += 0.5 * b * a[n] * a[m];
        }
    }
    sum
}

fn sound(line: Line, rate: u32, symbols: usize) -> Vec<f32> {
    let rate = SampleRate::new(rate).expect("not zero");
    let modulator = Modulator::new(line, rate, TransmitSettings::default()).expect("fits");
    let mut out = Vec::new();
    modulator.modulate(&bits(symbols), &mut out);
    out
}

#[test]
fn tones_occupy_the_bandwidth_that_theory_gives() {
    let pair = |mode, name| {
        let NamedPair { baud, tones, .. } = NamedPair::find(name).expect("known");
        let settings = LineSettings {
            baud: Some(baud),
            tones: Some(tones),
            inverted: false,
        };
        Line::new(mode, settings).expect("fits")
    };
    for line in [
        Line::from(Mode::Afsk300),
        Line::from(Mode::Afsk600),
        Line::from(Mode::Afsk1200),
        pair(Mode::Afsk1200, "V.23 mode 2"),
        pair(Mode::Afsk300, "Bell 103 answer"),
    ] {
        let baud = f64::from(line.baud());
        let sound = sound(line, 24_000, 20 * line.baud() as usize);
        let measured = occupied(&spectrum(&sound), 24_000.0 / SIZE as f64);
        let h = line.shift_hz().expect("tones") / baud;
        let steps = 200.0;
        let formula: Vec<f64> = (-4000..=4000)
            .map(|n| cpfsk(f64::from(n) / steps, h))
            .collect();
        let theory = occupied(&formula, baud / steps);
        println!("{line}: measured {measured:.1} Hz, theory {theory:.1} Hz");
        assert!(
            (measured / theory - 1.0).abs() < 0.02,
            "{line}: {measured} {theory}"
        );
    }
}

#[test]
fn direct_shift_ends_at_three_quarters_of_its_symbol_rate() {
    for (mode, rate) in [(Mode::Fsk9600, 48_000), (Mode::Fsk2400, 24_000)] {
        let baud = f64::from(mode.baud());
        let sound = sound(mode.into(), rate, 10 * mode.baud() as usize);
        let power = spectrum(&sound);
        let step_hz = f64::from(rate) / SIZE as f64;
        let [_, edge] = places(&power, [0.5, 0.99]);
        // The raised cosine with half of excess bandwidth, squared.
        let shape = |f: f64| match f {
            f if f < 0.25 => 1.0,
            f if f < 0.75 => (0.5 + 0.5 * (PI * (f - 0.25) / 0.5).cos()).powi(2),
            _ => 0.0,
        };
        let formula: Vec<f64> = (0..10_000)
            .map(|n| shape(f64::from(n) / 10_000.0))
            .collect();
        let [_, theory] = places(&formula, [0.5, 0.99]);
        let (measured, theory) = (edge * step_hz, theory / 10_000.0 * baud);
        let beyond = (0.78 * baud / step_hz) as usize;
        let all: f64 = power.iter().sum();
        let rest = 10.0 * (power[beyond..].iter().sum::<f64>() / all).log10();
        println!("{mode}: 99 % below {measured:.0} Hz, theory {theory:.0} Hz; {rest:.1} dB beyond");
        assert!(
            (measured / theory - 1.0).abs() < 0.02,
            "{mode}: {measured} {theory}"
        );
        assert!(rest < -50.0, "{mode}: {rest} dB");
    }
}

#[test]
fn the_level_is_the_one_asked_for() {
    let rate = SampleRate::new(48_000).expect("not zero");
    for level_dbfs in [-20.0, -6.0, 0.0] {
        let settings = TransmitSettings {
            level_dbfs,
            ..TransmitSettings::default()
        };
        let modulator = Modulator::new(Mode::Afsk1200, rate, settings).expect("fits");
        let mut sound = Vec::new();
        modulator.modulate(&bits(12_000), &mut sound);
        let peak = sound.iter().fold(0.0_f32, |p, s| s.abs().max(p));
        let power = sound.iter().map(|s| f64::from(s * s)).sum::<f64>() / sound.len() as f64;
        let rms_db = 10.0 * power.log10();
        assert!((20.0 * peak.log10() - level_dbfs).abs() < 0.001, "{peak}");
        // A sine's RMS lies 3.01 dB below its peak; the fades take a little.
        assert!(
            (rms_db - f64::from(level_dbfs) + 3.0103).abs() < 0.01,
            "{rms_db}"
        );
    }
}

#[test]
fn the_phase_is_right_after_a_million_symbols() {
    let (rate, baud) = (11_025_u64, 1200_u64);
    let line = bits(1_000_000);
    let out = sound(Mode::Afsk1200.into(), 11_025, 1_000_000);
    let fade = (out.len() as u64 - (1_000_000 * rate).div_ceil(baud)) / 2;
    // NRZI: a zero changes the tone; it begins at space.
    let mut mark = false;
    let tones: Vec<u64> = line
        .iter()
        .map(|&bit| {
            mark = mark == bit;
            if mark { 1200 } else { 2200 }
        })
        .collect();
    // Every 147 samples make 16 symbols. Turns in units of 1 / (rate * baud), whole numbers.
    let (mut turns, whole) = (fade * tones[0] * baud, rate * baud);
    for (n, sixteen) in tones.chunks_exact(16).enumerate() {
        let phase = (turns % whole) as f64 / whole as f64;
        let right = 10_f64.powf(-6.0 / 20.0) * (TAU * phase).sin();
        let sent = f64::from(out[fade as usize + 147 * n]);
        assert!(
            (sent - right).abs() < 1e-6,
            "symbol {}: {sent} {right}",
            16 * n
        );
        turns += sixteen.iter().sum::<u64>() * rate;
    }
}
