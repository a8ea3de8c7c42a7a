//! The band as a shared half-duplex medium: keying, muting, repeatability, refusals.

use dunlin_air::{
    AirError, Band, BandConfig, Cause, Fading, FmConfig, Kind, PathConfig, SsbConfig, StationConfig,
};
use dunlin_clock::{Chance, Duration, Hours, SampleCount, SampleRate};

fn three(kind: Kind, rate: u32) -> BandConfig {
    let mut paths = Vec::new();
    for (a, b, level) in [("QA1SKY", "QM3BAR", 25.0), ("QM3BAR", "QX0RLF", 14.0)] {
        let mut there = PathConfig::new(a, b, level);
        if matches!(kind, Kind::Ssb(_)) {
            there.fading = Fading::MID_DISTURBED;
        }
        paths.push(there.back(level - 3.0));
        paths.push(there);
    }
    let mut stations: Vec<_> = ["QA1SKY", "QM3BAR", "QX0RLF"]
        .into_iter()
        .map(StationConfig::new)
        .collect();
    stations[0].clock_ppm = 37.0;
    stations[1].mistune_hz = -21.5;
    stations[2].mistune_hz = 12.25;
    let rate = SampleRate::new(rate).expect("not zero");
    BandConfig {
        name: "test".into(),
        rate,
        kind,
        stations,
        paths,
        seed: 7,
    }
}

fn kinds() -> [BandConfig; 2] {
    [
        three(Kind::Fm(FmConfig::default()), 24_000),
        three(Kind::Ssb(SsbConfig::default()), 12_000),
    ]
}

fn chatter(seed: u64, n: usize) -> Vec<f32> {
    let mut c = Chance::stream(seed, "chatter");
    (0..n).map(|_| c.between(-0.5, 0.5) as f32).collect()
}

/// What each station heard, as bits, and the ended transmissions: station, start, end.
type Record = (Vec<Vec<u32>>, Vec<(usize, u64, u64)>);

/// Two overlapping transmissions and one cut, in steps of `n`; everything heard, bit for bit.
fn play(config: &BandConfig, n: usize, swap: bool) -> Record {
    let mut band = Band::new(config).expect("valid");
    let mut heard = vec![Vec::new(); 3];
    let mut ended = Vec::new();
    for at in (0..48_000).step_by(n) {
        if at == 4800 {
            for s in if swap { [2, 0] } else { [0, 2] } {
                band.key(s, chatter(s as u64, 9001 + 3000 * s))
                    .expect("short");
            }
        }
        if at == 24_000 {
            band.key_after(1, 333, chatter(9, 20_000)).expect("short");
        }
        if at == 33_600 {
            band.unkey(1);
        }
        band.step(n);
        for (s, all) in heard.iter_mut().enumerate() {
            assert_eq!(band.heard(s).len(), n);
            all.extend(band.heard(s).iter().map(|v| v.to_bits()));
        }
        ended.extend(
            band.finished()
                .iter()
                .map(|t| (t.station, t.start.0, t.end.0)),
        );
    }
    (heard, ended)
}

/// The rule of this crate: results depend on configuration, seed and calls only.
#[test]
fn step_length_and_order_of_calls_change_no_bit() {
    for config in kinds() {
        let (heard, ended) = play(&config, 480, false);
        assert_eq!(ended.len(), 3);
        for (n, swap) in [(240, false), (480, true), (1600, false), (4800, true)] {
            let (again, ended_again) = play(&config, n, swap);
            assert!(heard == again, "{n} {swap}");
            assert_eq!(ended, ended_again);
        }
        let other = BandConfig { seed: 8, ..config };
        assert!(
            play(&other, 480, false).0 != heard,
            "the seed has no effect"
        );
    }
}

/// Half duplex (definition): nothing is heard with the key down nor while recovering.
#[test]
fn a_keyed_station_hears_exact_silence_and_recovers_in_time() {
    for mut config in kinds() {
        config.stations[0].recovery = Duration::from_millis(50);
        let rate = config.rate.hz() as usize;
        let mut band = Band::new(&config).expect("valid");
        band.step(rate);
        assert!(band.heard(0).iter().all(|v| *v != 0.0));
        band.key(0, chatter(1, rate)).expect("short");
        assert!(band.is_keyed(0) && !band.is_keyed(1));
        band.step(2 * rate);
        let ended = band.finished()[0];
        assert_eq!(
            (ended.station, ended.start, ended.cut),
            (0, SampleCount(rate as u64), false)
        );
        let length = (ended.end.0 - ended.start.0) as usize;
        assert!((rate..rate + band.latency()).contains(&length), "{length}");
        let silent = length + rate / 20;
        assert!(band.heard(0)[..silent].iter().all(|v| v.to_bits() == 0));
        assert!(band.heard(0)[silent..].iter().all(|v| *v != 0.0));
        assert!(!band.is_keyed(0));
    }
}

#[test]
fn unkeying_cuts_at_once() {
    for config in kinds() {
        let mut band = Band::new(&config).expect("valid");
        band.key(0, chatter(1, 48_000)).expect("short");
        band.step(6000);
        band.unkey(0);
        assert!(!band.is_keyed(0));
        band.step(6000);
        let ended = band.finished()[0];
        assert_eq!((ended.end, ended.cut), (SampleCount(6000), true));
        let recovery = config.rate.samples_in(config.stations[0].recovery) as usize;
        assert!(band.heard(0)[..recovery].iter().all(|v| *v == 0.0));
        assert!(band.heard(0)[recovery..].iter().all(|v| *v != 0.0));
        // A transmission that has not begun leaves no trace.
        band.key_after(0, 100, chatter(1, 100)).expect("short");
        band.unkey(0);
        band.step(6000);
        assert!(band.finished().is_empty() && band.heard(0).iter().all(|v| *v != 0.0));
    }
}

/// A hidden pair: what QA1SKY sends changes nothing at QX0RLF.
#[test]
fn without_a_path_nothing_is_heard() {
    for config in kinds() {
        let mut still = Band::new(&config).expect("valid");
        let mut busy = Band::new(&config).expect("valid");
        busy.key(0, chatter(1, 12_000)).expect("short");
        still.step(12_000);
        busy.step(12_000);
        assert_eq!(still.heard(2), busy.heard(2));
        assert_ne!(still.heard(1), busy.heard(1));
        assert_eq!(
            (busy.level_db(0, 2), busy.level_db(0, 1)),
            (None, Some(25.0))
        );
        assert_eq!(busy.level_db(1, 0), Some(22.0));
    }
}

/// Of two transmissions only that is heard which begins within the hours of its path.
#[test]
fn outside_its_hours_a_path_carries_nothing() {
    for mut config in kinds() {
        let mut plain = Band::new(&config).expect("valid");
        for path in &mut config.paths {
            path.hours = Hours::of(&[(0, 1)]).expect("a span");
        }
        let mut early = Band::new(&config).expect("valid");
        let mut late = early.clone();
        let mut still = early.clone();
        let second = config.rate.hz() as usize;
        for band in [&mut plain, &mut early] {
            band.step(second / 2);
            band.key(0, chatter(1, second)).expect("short");
            band.step(second);
        }
        assert_eq!(plain.heard(1), early.heard(1));
        late.step(2 * second);
        late.key(0, chatter(1, second)).expect("short");
        late.step(second);
        still.step(2 * second);
        still.step(second);
        assert_eq!(late.heard(1), still.heard(1));
    }
}

/// The key-up time: audio in it is lost, so the carrier comes up late.
#[test]
fn nothing_is_on_the_air_during_key_up() {
    let mut config = three(Kind::Fm(FmConfig::default()), 24_000);
    config.stations[0].key_up = Duration::from_millis(100);
    let mut still = Band::new(&config).expect("valid");
    let mut busy = Band::new(&config).expect("valid");
    busy.key(0, chatter(1, 24_000)).expect("short");
    still.step(2400);
    busy.step(2400);
    assert_eq!(still.heard(1), busy.heard(1));
    still.step(2400);
    busy.step(2400);
    assert_ne!(still.heard(1), busy.heard(1));
}

#[test]
fn audio_given_while_keyed_follows_without_a_seam() {
    for config in kinds() {
        let mut once = Band::new(&config).expect("valid");
        let mut twice = Band::new(&config).expect("valid");
        let audio = chatter(3, 8000);
        once.key(0, audio.clone()).expect("short");
        twice.key(0, audio[..5000].to_vec()).expect("short");
        for at in 0..30 {
            if at == 7 {
                twice.key(0, audio[5000..].to_vec()).expect("short");
            }
            once.step(480);
            twice.step(480);
            assert_eq!(once.heard(1), twice.heard(1), "step {at}");
            assert_eq!(once.finished(), twice.finished());
        }
    }
}

#[test]
fn what_makes_no_sense_is_refused() {
    let good = three(Kind::Fm(FmConfig::default()), 24_000);
    let refused = |change: fn(&mut BandConfig)| {
        let mut c = good.clone();
        change(&mut c);
        Band::new(&c).expect_err("must be refused")
    };
    let name = refused(|c| c.stations[1].name = "QA1SKY".into());
    assert_eq!(name, AirError::Name("QA1SKY".into()));
    assert_eq!(
        refused(|c| c.stations[1].name.clear()),
        AirError::Name(String::new())
    );
    let path = refused(|c| c.paths[0].to = "QZ9NIL".into());
    assert_eq!(path, AirError::UnknownStation("QZ9NIL".into()));
    let twice = refused(|c| c.paths.push(c.paths[0].clone()));
    assert!(matches!(twice, AirError::Path { .. }));
    for change in [
        (|c| c.stations[0].clock_ppm = f64::NAN) as fn(&mut BandConfig),
        |c| c.stations[0].mistune_hz = 1e9,
        |c| c.paths[0].level_db = f64::INFINITY,
        |c| c.stations.clear(),
        |c| c.rate = SampleRate::new(4000).expect("not zero"),
        |c| {
            c.paths[0].fading = Fading::Watterson {
                delay: Duration::from_secs(1),
                spread_hz: 1.0,
            }
        },
    ] {
        assert!(matches!(refused(change), AirError::OutOfRange { .. }));
    }
}

#[test]
fn calls_with_bad_arguments_do_no_harm() {
    let mut band = Band::new(&three(Kind::Fm(FmConfig::default()), 24_000)).expect("valid");
    assert_eq!(band.key(3, vec![]), Err(AirError::NoSuchStation(3)));
    band.unkey(3);
    assert!(!band.is_keyed(3) && band.heard(3).is_empty() && band.level_db(3, 0).is_none());
    let long = vec![0.0; 601 * 24_000];
    assert_eq!(
        band.key(0, long),
        Err(AirError::TooLong {
            seconds: 601,
            limit: 600
        })
    );
    band.key(0, vec![f32::NAN, f32::INFINITY, -1e30, 2.0])
        .expect("short");
    band.key(1, vec![]).expect("short");
    band.step(0);
    band.step(4800);
    assert_eq!(band.finished().len(), 2);
    assert!((0..3).all(|s| {
        band.heard(s)
            .iter()
            .all(|v| v.is_finite() && v.abs() <= 1.0)
    }));
}

/// The story told by the calls of this test itself.
#[test]
fn reception_names_what_was_in_the_way() {
    let config = three(Kind::Fm(FmConfig::default()), 24_000);
    let mut band = Band::new(&config).expect("valid");
    let time = |a: u64, b: u64| SampleCount(a)..SampleCount(b);
    // QA1SKY and QX0RLF do not hear each other and meet at QM3BAR, which then answers.
    band.key(0, chatter(1, 10_000)).expect("short");
    band.key_after(2, 4000, chatter(2, 10_000)).expect("short");
    band.step(20_000);
    band.key(1, chatter(3, 10_000)).expect("short");
    band.step(5000);
    let met = band.reception(0, 1, time(0, 10_000));
    assert_eq!((met.level_db, met.deaf), (Some(25.0), 0));
    let rival = met.rival.expect("QX0RLF was on the air");
    assert_eq!(
        (rival.station, rival.level_db, rival.overlap),
        (2, 11.0, 6000)
    );
    assert_eq!(met.likeliest_cause(), Cause::Collision);
    let alone = band.reception(0, 1, time(0, 4000));
    assert_eq!(alone.likeliest_cause(), Cause::Noise);
    assert_eq!(
        band.reception(0, 2, time(0, 4000)).likeliest_cause(),
        Cause::NoPath
    );
    // While it is keyed and for 20 ms after, QM3BAR hears nobody.
    let deaf = |band: &Band, a, b| band.reception(0, 1, time(a, b)).deaf;
    assert_eq!(deaf(&band, 18_000, 25_000), 5000);
    band.step(20_000);
    let end = band.finished()[0].end.0;
    assert_eq!(deaf(&band, end - 100, end + 1000), 100 + 480);
    let own = band.reception(0, 1, time(end, end + 1000));
    assert_eq!(own.likeliest_cause(), Cause::OwnTransmission);
}
