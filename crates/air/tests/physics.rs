//! The band measured from outside: levels, noise, fading, FM behaviour.

use dunlin_air::{
    Band, BandConfig, Fading, FmConfig, Kind, PathConfig, Sideband, SsbConfig, StationConfig,
};
use dunlin_clock::{Duration, SampleRate};
use std::f64::consts::{PI, TAU};

fn tone(hz: f64, amplitude: f64, rate: u32, n: usize) -> Vec<f32> {
    (0..n)
        .map(|i| (amplitude * (TAU * hz * i as f64 / f64::from(rate)).sin()) as f32)
        .collect()
}

fn band(kind: Kind, rate: u32, levels: &[(&str, &str, f64, Fading)]) -> BandConfig {
    let mut names: Vec<&str> = levels.iter().flat_map(|l| [l.0, l.1]).collect();
    names.sort_unstable();
    names.dedup();
    let path = |l: &(&str, &str, f64, Fading)| {
        let mut p = PathConfig::new(l.0, l.1, l.2);
        p.fading = l.3;
        p
    };
    BandConfig {
        name: "test".into(),
        rate: SampleRate::new(rate).expect("not zero"),
        kind,
        stations: names.into_iter().map(StationConfig::new).collect(),
        paths: levels.iter().map(path).collect(),
        seed: 42,
    }
}

fn number(band: &Band, name: &str) -> usize {
    band.station(name).expect("on the band")
}

/// Power of the part of `x` at `hz` (exactly, over the whole) and of all the rest.
fn split(x: &[f32], hz: f64, rate: u32) -> (f64, f64) {
    let (mut c, mut s, mut all) = (0.0, 0.0, 0.0);
    let mean = x.iter().map(|v| f64::from(*v)).sum::<f64>() / x.len() as f64;
    for (i, v) in x.iter().enumerate() {
        let (sin, cos) = (TAU * hz * i as f64 / f64::from(rate)).sin_cos();
        let v = f64::from(*v) - mean;
        c += v * cos;
        s += v * sin;
        all += v * v;
    }
    let n = x.len() as f64;
    let at = 2.0 * (c * c + s * s) / (n * n);
    (at, all / n - at)
}

fn db(x: f64) -> f64 {
    10.0 * x.log10()
}

/// Sends `seconds` of a tone from A and gives what B heard in its middle, whole seconds.
fn through(config: &BandConfig, hz: f64, amplitude: f64, seconds: usize) -> Vec<f32> {
    let mut band = Band::new(config).expect("valid");
    let (a, b) = (number(&band, "A"), number(&band, "B"));
    let rate = config.rate.hz();
    let n = rate as usize;
    band.key(a, tone(hz, amplitude, rate, (seconds + 1) * n))
        .expect("short");
    band.step(n / 2);
    let second = |_| {
        band.step(n);
        band.heard(b).to_vec()
    };
    (0..seconds).flat_map(second).collect()
}

fn ssb(level: f64, fading: Fading) -> BandConfig {
    band(
        Kind::Ssb(SsbConfig::default()),
        12_000,
        &[("A", "B", level, fading)],
    )
}

fn fm(level: f64) -> BandConfig {
    band(
        Kind::Fm(FmConfig::default()),
        24_000,
        &[("A", "B", level, Fading::None)],
    )
}

/// Definition (channel model of the design): white noise, SNR in 3 kHz, noise at -40 dBFS in
/// 3 kHz, so what passes 300 to 2700 Hz is 0.97 dB less.
#[test]
fn ssb_noise_and_snr_are_as_configured() {
    for level in [0.0, 12.0] {
        let x = through(&ssb(level, Fading::None), 1500.0, 0.5, 20);
        let (signal, rest) = split(&x, 1500.0, 12_000);
        let noise_3k = db(rest) + db(3000.0 / 2400.0);
        assert!((noise_3k + 40.0).abs() < 0.3, "noise {noise_3k}");
        assert!(
            (db(signal) - noise_3k - level).abs() < 0.3,
            "SNR {}",
            db(signal) - noise_3k
        );
    }
}

/// Definition of the dial error: on the upper sideband a sender 37 Hz high and a receiver 20 Hz
/// low make the audio 57 Hz high; on the lower sideband, 57 Hz low (RF = dial -/+ audio).
#[test]
fn dial_errors_shift_the_audio_by_their_difference() {
    for (sideband, want) in [(Sideband::Upper, 1557.0), (Sideband::Lower, 1443.0)] {
        let mut c = ssb(40.0, Fading::None);
        c.kind = Kind::Ssb(SsbConfig {
            sideband,
            noise_dbfs: -60.0,
            ..SsbConfig::default()
        });
        c.stations[0].mistune_hz = 37.0;
        c.stations[1].mistune_hz = -20.0;
        let x = through(&c, 1500.0, 0.5, 4);
        let (at, _) = split(&x, want, 12_000);
        let (beside, _) = split(&x, want + 0.25, 12_000);
        assert!((db(at) + 20.0).abs() < 0.1, "level {}", db(at));
        assert!(
            db(beside) < db(at) - 30.0,
            "a quarter hertz beside: {}",
            db(beside)
        );
    }
}

/// Definition of ppm: 2000 Hz from a clock 500 ppm fast is 2001 Hz.
#[test]
fn the_sound_clock_error_moves_a_tone_by_its_ppm() {
    let mut c = ssb(40.0, Fading::None);
    c.stations[0].clock_ppm = 500.0;
    let x = through(&c, 2000.0, 0.25, 4);
    let (at, rest) = split(&x, 2001.0, 12_000);
    assert!(db(at) > db(rest) + 30.0, "{} {}", db(at), db(rest));
    assert!(db(split(&x, 2000.0, 12_000).0) < db(at) - 30.0);
}

/// Rec. ITU-R F.1487: two paths of mean power 1/2 each, so the mean gain is 1. The spread of
/// 10 Hz gives some 2 x 10 x 400 independent fades: standard error about 0.1 dB.
#[test]
fn watterson_fading_has_a_mean_gain_of_one() {
    let fading = Fading::Watterson {
        delay: Duration::from_millis(2),
        spread_hz: 10.0,
    };
    let mut c = ssb(30.0, fading);
    c.kind = Kind::Ssb(SsbConfig {
        noise_dbfs: -60.0,
        ..SsbConfig::default()
    });
    let x = through(&c, 1500.0, 0.5, 400);
    let power = x.iter().map(|v| f64::from(*v) * f64::from(*v)).sum::<f64>() / x.len() as f64;
    assert!((db(power) + 30.0).abs() < 0.4, "{}", db(power));
}

/// Two components 1 ms apart cancel at frequencies 1 kHz apart in turn: gains half a period of
/// that comb (500 Hz) apart are independent on the mean, a whole period apart equal. Follows from
/// y(t) = x(t) g1 + x(t - delay) g2 (Rec. ITU-R F.1487).
#[test]
fn the_delay_makes_fading_selective() {
    let fading = Fading::Watterson {
        delay: Duration::from_millis(1),
        spread_hz: 1.0,
    };
    let mut c = ssb(30.0, fading);
    c.kind = Kind::Ssb(SsbConfig {
        noise_dbfs: -70.0,
        ..SsbConfig::default()
    });
    let hz = [800.0, 1300.0, 1800.0];
    let mut sums = [0.0; 5];
    let mut band = Band::new(&c).expect("valid");
    let audio = (0..12_000 * 200).map(|i| {
        let t = f64::from(i) / 12_000.0;
        hz.iter().map(|f| 0.1 * (TAU * f * t).sin()).sum::<f64>() as f32
    });
    band.key(0, audio.collect()).expect("short");
    band.step(1200);
    for _ in 0..1900 {
        band.step(1200);
        let p = hz.map(|f| split(band.heard(1), f, 12_000).0);
        sums[0] += p[0];
        sums[1] += p[0] * p[1];
        sums[2] += p[0] * p[2];
        sums[3] += p[0] * p[0];
        sums[4] += p[1];
    }
    let mean = sums.map(|s| s / 1900.0);
    let variance = mean[3] - mean[0] * mean[0];
    let near = (mean[1] - mean[0] * mean[4]) / variance;
    let far = (mean[2] - mean[0] * mean[0]) / variance;
    assert!(far > 0.85, "a whole period apart: {far}");
    assert!(near < 0.3, "half a period apart: {near}");
}

/// Carlson, Communication Systems (from memory): above threshold the SNR after the discriminator
/// is 1.5 (D/W)^2 (B/W) C/N. Here W = 4000 Hz is the audio filter; its soft edge and the noise
/// rising with frequency move the power by some tenths of a decibel.
#[test]
fn fm_above_threshold_follows_the_textbook() {
    for cn in [16.0, 20.0, 26.0] {
        let c = fm(cn);
        let x = through(&c, 1000.0, 0.5, 8);
        let (signal, rest) = split(&x, 1000.0, 24_000);
        let want = cn + db(1.5 * (3.0_f64 / 4.0).powi(2) * 15.0 / 4.0);
        let got = db(signal) - db(rest);
        assert!((got - want).abs() < 1.2, "C/N {cn}: {got}, textbook {want}");
        assert!(
            (db(signal) - db(0.25 * 0.25 / 2.0)).abs() < 0.2,
            "level {}",
            db(signal)
        );
    }
}

/// FM threshold near 10 dB C/N (FS-1037C "FM improvement threshold"; the figure for narrow FM
/// from memory): above, 1 dB of C/N is 1 dB of audio SNR; below, far more.
#[test]
fn fm_collapses_below_its_threshold() {
    let snr = |cn: f64| {
        let (s, r) = split(&through(&fm(cn), 1000.0, 0.5, 8), 1000.0, 24_000);
        db(s) - db(r)
    };
    let (at_22, at_16, at_8, at_2) = (snr(22.0), snr(16.0), snr(8.0), snr(2.0));
    let (above, below) = ((at_22 - at_16) / 6.0, (at_8 - at_2) / 6.0);
    assert!((above - 1.0).abs() < 0.15, "above {above}");
    assert!(below > 1.5, "below {below}");
    assert!(at_8 - at_2 > 10.0, "{at_8} {at_2}");
}

/// Capture: the stronger of two FM signals on one channel wins; planning values for data are 6
/// to 8 dB (from memory).
#[test]
fn the_stronger_fm_signal_captures_the_receiver() {
    let levels = [
        ("A", "B", 36.0, Fading::None),
        ("C", "B", 30.0, Fading::None),
    ];
    let mut c = band(Kind::Fm(FmConfig::default()), 24_000, &levels);
    c.stations[2].mistune_hz = 400.0;
    let mut band = Band::new(&c).expect("valid");
    band.key(0, tone(1000.0, 0.5, 24_000, 72_000))
        .expect("short");
    band.key(2, tone(1500.0, 0.5, 24_000, 72_000))
        .expect("short");
    band.step(24_000);
    band.step(24_000);
    let (strong, _) = split(band.heard(1), 1000.0, 24_000);
    let (weak, _) = split(band.heard(1), 1500.0, 24_000);
    assert!(
        (db(strong) - db(0.25 * 0.25 / 2.0)).abs() < 1.0,
        "{}",
        db(strong)
    );
    assert!(
        db(strong) - db(weak) > 15.0,
        "weaker heard {} below",
        db(strong) - db(weak)
    );
}

/// Open squelch: without a carrier the noise is louder than a nominal tone or near it (common
/// practice, no source), and a carrier quiets it (definition of quieting).
#[test]
fn a_carrier_quiets_the_noise() {
    let c = fm(30.0);
    let mut open = Band::new(&c).expect("valid");
    open.step(48_000);
    let power = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / x.len() as f64;
    let hiss = db(power(open.heard(1)));
    let quiet = db(power(&through(&c, 1000.0, 0.0, 2)));
    let nominal = db(0.25 * 0.25 / 2.0);
    assert!(
        (-3.0..9.0).contains(&(hiss - nominal)),
        "hiss {hiss}, tone {nominal}"
    );
    assert!(hiss - quiet > 25.0, "quieting {}", hiss - quiet);
}

/// Near the threshold noise comes in clicks. S. O. Rice, "Noise in FM receivers", 1963 (from
/// memory): r erfc(sqrt C/N) clicks a second, r = B / (2 sqrt 3) for a rectangular IF filter, and
/// mean |deviation| exp(-C/N) more with modulation, each of one turn; the signal falls by
/// 1 - exp(-C/N). His approximations, made for few clicks, overstate them by 1 to 2 dB here.
#[test]
fn clicks_near_threshold_are_as_many_as_rice_counted() {
    // erfc by Abramowitz and Stegun, 7.1.26.
    let erfc = |x: f64| {
        let t = 1.0 / (1.0 + 0.327_591_1 * x);
        let p = 1.421_413_741 + t * (-1.453_152_027 + t * 1.061_405_429);
        t * (0.254_829_592 + t * (-0.284_496_736 + t * p)) * (-x * x).exp()
    };
    let (b, w, d) = (15_000.0, 4000.0, 3000.0_f64);
    for cn in [4.0, 6.0, 8.0, 10.0] {
        let x = through(&fm(cn), 1000.0, 0.5, 20);
        let (signal, rest) = split(&x, 1000.0, 24_000);
        let rho = 10_f64.powf(cn / 10.0);
        let clicks = b / 12_f64.sqrt() * erfc(rho.sqrt()) + d * 2.0 / PI * (-rho).exp();
        let smooth = w * w * w / (3.0 * b * rho);
        let kept = d * d / 2.0 * (1.0 - (-rho).exp()).powi(2);
        let want = db(kept / (smooth + 2.0 * w * clicks));
        let got = db(signal / rest);
        assert!(
            (-0.5..2.5).contains(&(got - want)),
            "C/N {cn}: {got}, Rice {want}"
        );
    }
}

/// The rate of 24 kHz must be enough: the same band at 96 kHz, where the sampled discriminator
/// is near the continuous one, gives the same audio SNR above, at and below threshold.
#[test]
fn fm_at_24_khz_agrees_with_96_khz() {
    for cn in [0.0, 4.0, 8.0, 16.0] {
        let snr = |rate: u32| {
            let mut c = fm(cn);
            c.rate = SampleRate::new(rate).expect("not zero");
            let (s, r) = split(&through(&c, 1000.0, 0.5, 8), 1000.0, rate);
            db(s / r)
        };
        let (low, high) = (snr(24_000), snr(96_000));
        assert!(
            (low - high).abs() < 0.8,
            "C/N {cn}: {low} at 24 kHz, {high} at 96 kHz"
        );
    }
}

/// 750 us both ways is flat; sent flat and received with de-emphasis the tones tilt by -5.17 dB
/// (definition of the time constant).
#[test]
fn emphasis_tilts_the_tones_unless_both_ends_have_it() {
    let tilt = |pre: bool, de: bool| {
        let mut c = fm(40.0);
        c.stations[0].pre_emphasis = pre;
        c.stations[1].de_emphasis = de;
        let level = |hz| db(split(&through(&c, hz, 0.25, 2), hz, 24_000).0);
        level(2200.0) - level(1200.0)
    };
    assert!(tilt(true, true).abs() < 0.2, "{}", tilt(true, true));
    assert!(
        (tilt(false, true) + 5.17).abs() < 0.3,
        "{}",
        tilt(false, true)
    );
    assert!(
        (tilt(true, false) - 5.17).abs() < 0.3,
        "{}",
        tilt(true, false)
    );
}

/// White noise through the discriminator is parabolic (Carlson, from memory): noise density rises
/// with the square of frequency, so four times the frequency has 12 dB more.
#[test]
fn discriminator_noise_is_parabolic() {
    let x = through(&fm(25.0), 1000.0, 0.0, 30);
    let density = |centre: f64| {
        let bins = (0..50).map(|k| split(&x, centre + 4.0 * f64::from(k), 24_000).0);
        bins.sum::<f64>()
    };
    let rise = db(density(2700.0) / density(600.0));
    let want = 20.0 * (2800.0_f64 / 700.0).log10();
    assert!((rise - want).abs() < 1.0, "{rise}, want {want}");
}
