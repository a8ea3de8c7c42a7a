//! Bands of frames, tried with few stations and round figures.

use super::*;

const S: Duration = Duration::from_secs(1);

fn ms(ms: u64) -> Instant {
    Instant::from_millis(ms)
}

/// Everything notices everything after 100 ms, and equal levels spoil each other.
fn signal() -> Signal {
    Signal {
        detect: Duration::from_millis(100),
        release: Duration::from_millis(50),
        told: Duration::from_millis(20),
        noticed_db: 0.0,
        capture: Curve::new(&[(9.9, 0.0), (10.0, 1.0)]),
    }
}

fn path(from: usize, to: usize, level_db: f64, share: f64) -> FramePath {
    FramePath {
        hours: Hours::ALWAYS,
        from,
        to,
        level_db,
        share,
    }
}

fn config(stations: usize, paths: Vec<FramePath>) -> FrameBandConfig {
    let place = Place {
        signal: 0,
        recovery: Duration::from_millis(30),
    };
    FrameBandConfig {
        name: "VHF".into(),
        seed: 1,
        signals: vec![signal()],
        places: vec![place; stations],
        paths,
    }
}

/// Everybody hears everybody at 20 dB.
fn all(stations: usize) -> FrameBandConfig {
    let pairs = (0..stations).flat_map(|a| (0..stations).map(move |b| (a, b)));
    let paths = pairs
        .filter(|(a, b)| a != b)
        .map(|(a, b)| path(a, b, 20.0, 1.0));
    config(stations, paths.collect())
}

/// One frame of 64 octets from 300 ms on, in a transmission of so long.
fn frame(airtime: Duration) -> Vec<AirFrame> {
    vec![AirFrame {
        octets: Arc::from([7_u8; 64]),
        start: Duration::from_millis(300),
        end: airtime,
    }]
}

fn told(band: &mut FrameBand) -> Vec<(u64, FrameEvent)> {
    std::iter::from_fn(|| band.poll())
        .map(|(at, event)| (at.as_millis(), event))
        .collect()
}

fn carrier(station: usize, on: bool) -> FrameEvent {
    FrameEvent::Carrier { station, on }
}

fn read(station: usize, from: usize) -> FrameEvent {
    FrameEvent::Frame {
        station,
        from,
        octets: Arc::from([7_u8; 64]),
    }
}

#[test]
fn a_frame_is_noticed_read_and_told_at_its_times() {
    let mut band = FrameBand::new(&all(2)).expect("fits");
    band.key(ms(0), 0, S, frame(S)).expect("keyed");
    assert_eq!(band.next_event(), Some(ms(100)));
    band.advance(ms(5000));
    let ended = FrameEvent::Ended { station: 0 };
    let expected = [
        (100, carrier(1, true)),
        (1000, ended),
        (1020, read(1, 0)),
        (1050, carrier(1, false)),
    ];
    assert_eq!(told(&mut band), expected);
    assert_eq!(band.busy_time(1), Duration::from_millis(950));
    assert_eq!(band.key_down_time(0), S);
    assert_eq!((band.tally().sent, band.tally().read), (1, 1));
}

#[test]
fn two_who_begin_within_the_time_to_notice_spoil_each_other_and_a_stronger_one_gets_through() {
    for (level, lost) in [(20.0, 2), (9.0, 1)] {
        let mut paths = vec![path(0, 2, 20.0, 1.0), path(1, 2, level, 1.0)];
        paths.extend([path(0, 1, 20.0, 1.0), path(1, 0, 20.0, 1.0)]);
        let mut band = FrameBand::new(&config(3, paths)).expect("fits");
        band.key(ms(0), 0, S, frame(S)).expect("keyed");
        band.key(ms(90), 1, S, frame(S)).expect("keyed");
        band.advance(ms(5000));
        let tally = band.tally();
        assert_eq!(
            (tally.collision, tally.own_transmission),
            (lost, 2),
            "{level}"
        );
        assert_eq!(tally.read, 2 - lost);
        let of_2: Vec<_> = told(&mut band)
            .into_iter()
            .filter(|(_, e)| matches!(e, FrameEvent::Carrier { station: 2, .. }))
            .collect();
        // One edge each way, over both.
        assert_eq!(of_2, [(100, carrier(2, true)), (1140, carrier(2, false))]);
    }
}

#[test]
fn a_short_overlap_costs_less_than_a_long_one() {
    let mut lost = [0; 2];
    for (n, begins) in [(0, 950), (1, 300)] {
        let mut config = config(3, vec![path(0, 2, 20.0, 1.0), path(1, 2, 20.0, 1.0)]);
        config.signals[0].capture = Curve::new(&[(0.0, 0.5)]);
        let mut band = FrameBand::new(&config).expect("fits");
        for round in 0..2000 {
            let at = round * 10_000;
            band.advance(ms(at));
            band.key(ms(at), 0, S, frame(S)).expect("keyed");
            band.advance(ms(at + begins));
            // It has no frame of its own.
            band.key(ms(at + begins), 1, S, Vec::new()).expect("keyed");
        }
        band.advance(ms(30_000_000));
        lost[n] = band.tally().collision;
    }
    // Half of the frames are lost if the other lasts for all of the frame's 700 ms, and
    // 1 - 0.5^(50/700) = 4.8 % at 50 ms; five standard errors of 2000 draws.
    assert!((950..=1050).contains(&lost[1]), "{lost:?}");
    assert!((50..=145).contains(&lost[0]), "{lost:?}");
}

#[test]
fn who_sends_hears_nothing_and_notices_what_goes_on_after_recovery() {
    let mut band = FrameBand::new(&all(2)).expect("fits");
    band.key(ms(0), 0, S, Vec::new()).expect("keyed");
    band.advance(ms(50));
    band.key(ms(50), 1, 3 * S, frame(3 * S)).expect("keyed");
    band.advance(ms(9000));
    // Recovered at 1030, noticed 100 ms later.
    let expected = [
        (1000, FrameEvent::Ended { station: 0 }),
        (1130, carrier(0, true)),
        (3050, FrameEvent::Ended { station: 1 }),
        (3100, carrier(0, false)),
    ];
    assert_eq!(told(&mut band), expected);
    assert_eq!(band.tally().own_transmission, 1);
}

#[test]
fn what_a_detector_notices_is_forgotten_when_its_own_key_goes_down() {
    let mut band = FrameBand::new(&all(2)).expect("fits");
    band.key(ms(0), 0, 4 * S, Vec::new()).expect("keyed");
    band.advance(ms(500));
    band.key(ms(500), 1, S, Vec::new()).expect("keyed");
    band.advance(ms(9000));
    let of_1: Vec<_> = told(&mut band)
        .into_iter()
        .filter(|(_, e)| matches!(e, FrameEvent::Carrier { station: 1, .. }))
        .collect();
    let edges = [(100, true), (500, false), (1630, true), (4050, false)];
    assert_eq!(of_1, edges.map(|(at, on)| (at, carrier(1, on))));
}

#[test]
fn a_transmission_that_is_cut_off_loses_its_frame() {
    let mut band = FrameBand::new(&all(2)).expect("fits");
    band.key(ms(0), 0, S, frame(S)).expect("keyed");
    band.advance(ms(600));
    band.unkey(ms(600), 0);
    assert!(!band.is_keyed(0));
    band.advance(ms(5000));
    let expected = [
        (100, carrier(1, true)),
        (600, FrameEvent::Ended { station: 0 }),
        (650, carrier(1, false)),
    ];
    assert_eq!(told(&mut band), expected);
    assert_eq!(band.tally().sent, 0);
    // The slot can be used again.
    band.key(ms(5000), 0, S, frame(S)).expect("keyed");
    band.advance(ms(9000));
    assert_eq!(band.tally().read, 1);
}

#[test]
fn a_path_loses_its_share_and_other_kinds_are_not_read() {
    let mut config = config(3, vec![path(0, 1, 5.0, 0.8), path(0, 2, 5.0, 1.0)]);
    config.signals.push(signal());
    config.places[2].signal = 1;
    let mut band = FrameBand::new(&config).expect("fits");
    for round in 0..5000 {
        let at = ms(round * 10_000);
        band.advance(at);
        band.key(at, 0, S, frame(S)).expect("keyed");
    }
    band.advance(ms(60_000_000));
    let tally = band.tally();
    assert_eq!(tally.read + tally.noise, 5000);
    // Five standard errors of a proportion of 0.8 over 5000 draws.
    assert!((3859..=4141).contains(&tally.read), "{tally:?}");
    let station_2 = told(&mut band)
        .into_iter()
        .any(|(_, e)| matches!(e, FrameEvent::Carrier { station: 2, .. }));
    assert!(!station_2);
}

#[test]
fn what_a_receiver_was_up_against_is_remembered() {
    let mut band = FrameBand::new(&all(3)).expect("fits");
    band.remember();
    band.key(ms(0), 0, S, frame(S)).expect("keyed");
    band.key(ms(0), 1, S / 2, Vec::new()).expect("keyed");
    band.advance(ms(5000));
    let ns = |ms: u64| ms * 1_000_000;
    let at_2 = band.reception(0, 2, ns(300)..ns(1000));
    let rival = at_2.rival.expect("there was one");
    assert_eq!((rival.station, rival.overlap, at_2.deaf), (1, ns(200), 0));
    // Its own transmission and 30 ms of recovery.
    let at_1 = band.reception(0, 1, ns(300)..ns(1000));
    assert_eq!(at_1.deaf, ns(230));
}

#[test]
fn the_order_of_paths_changes_nothing_and_the_seed_does() {
    let run = |seed, backwards| {
        let mut config = all(5);
        config.seed = seed;
        config.paths.iter_mut().for_each(|p| p.share = 0.5);
        if backwards {
            config.paths.reverse();
        }
        let mut band = FrameBand::new(&config).expect("fits");
        for round in 0..40 {
            let at = ms(round * 2000);
            band.advance(at);
            let station = (round % 5) as usize;
            band.key(at, station, S, frame(S)).expect("keyed");
        }
        band.advance(ms(100_000));
        told(&mut band)
    };
    assert_eq!(run(1, false), run(1, true));
    assert_ne!(run(1, false), run(2, false));
}

#[test]
fn what_cannot_be_is_refused() {
    let bad = |change: &dyn Fn(&mut FrameBandConfig)| {
        let mut config = all(2);
        change(&mut config);
        FrameBand::new(&config).is_err()
    };
    assert!(bad(&|c| c.places.clear()));
    assert!(bad(&|c| c.paths[0].to = 9));
    assert!(bad(&|c| c.paths[0].to = c.paths[0].from));
    assert!(bad(&|c| c.paths[0].level_db = f64::NAN));
    assert!(bad(&|c| c.paths[0].share = 1.5));
    assert!(bad(&|c| c.places[0].signal = 1));
    let mut band = FrameBand::new(&all(2)).expect("fits");
    assert!(band.key(ms(0), 7, S, Vec::new()).is_err());
    assert!(band.key(ms(0), 0, 601 * S, Vec::new()).is_err());
    band.key(ms(0), 0, S, Vec::new()).expect("keyed");
    assert!(
        band.key(ms(0), 0, S, Vec::new()).is_err(),
        "it sends already"
    );
}

#[test]
fn a_path_carries_what_begins_within_its_hours() {
    let mut config = all(2);
    for path in &mut config.paths {
        path.hours = Hours::of(&[(10, 20)]).expect("a span");
    }
    let mut band = FrameBand::new(&config).expect("it is all right");
    band.remember();
    let sent_at = |band: &mut FrameBand, at: u64| {
        band.key(ms(at), 0, S, frame(S)).expect("it keys");
        band.advance(ms(at + 2000));
        told(band).iter().any(|(_, e)| *e == read(1, 0))
    };
    assert!(!sent_at(&mut band, 5000), "before it opens");
    assert!(!sent_at(&mut band, 9500), "begun before it opens");
    assert!(sent_at(&mut band, 12_000));
    assert!(sent_at(&mut band, 19_500), "begun before it closes");
    assert!(!sent_at(&mut band, 25_000), "after it has closed");
    assert!(sent_at(&mut band, 86_400_000 + 12_000), "the next day");
    let level = |s: u64| {
        let time = s * 1_000_000_000..(s + 1) * 1_000_000_000;
        band.reception(0, 1, time).level_db
    };
    let levels = [12, 19, 30].map(level);
    assert_eq!(levels, [Some(20.0), Some(20.0), None]);
}

#[test]
fn what_was_read_before_the_key_is_cut_is_told_and_the_rest_never_comes() {
    let mut band = FrameBand::new(&all(2)).expect("it is all right");
    let mut frames = frame(S);
    frames.push(AirFrame {
        start: S,
        end: 2 * S,
        ..frames[0].clone()
    });
    band.key(ms(0), 0, 2 * S, frames).expect("it keys");
    band.advance(ms(1010));
    band.unkey(ms(1010), 0);
    band.advance(ms(9000));
    let told = told(&mut band);
    let read: Vec<u64> = told
        .iter()
        .filter(|(_, e)| *e == read(1, 0))
        .map(|(at, _)| *at)
        .collect();
    assert_eq!(read, [1020], "{told:?}");
}

#[test]
fn a_transmission_too_short_for_the_detectors_leaves_no_carrier_on() {
    let mut config = all(2);
    config.signals[0].release = Duration::from_millis(6);
    let mut band = FrameBand::new(&config).expect("it is all right");
    let short = Duration::from_millis(60);
    band.key(ms(0), 0, short, Vec::new()).expect("it keys");
    band.advance(ms(5000));
    assert!(told(&mut band).iter().all(|(_, e)| *e != carrier(1, true)));
    assert_eq!(band.busy_time(1), Duration::ZERO);
}

/// The slot of an ended transmission is used again by a station whose path to the listener is closed, while a
/// long one goes on there, so that the old arrival is still kept.
#[test]
fn a_transmission_over_a_closed_path_leaves_older_arrivals_alone() {
    let mut config = all(4);
    for path in &mut config.paths {
        // Nothing of station 2 reaches station 3 at this hour.
        if (path.from, path.to) == (2, 3) {
            path.hours = Hours::of(&[(80_000, 80_001)]).expect("a span");
        }
    }
    let mut band = FrameBand::new(&config).expect("it is all right");
    band.key(ms(0), 1, 20 * S, Vec::new()).expect("it keys");
    band.key(ms(100), 0, S, Vec::new()).expect("it keys");
    band.advance(ms(3000));
    told(&mut band);
    band.key(ms(3000), 2, S, Vec::new()).expect("it keys");
    band.advance(ms(6000));
    let of_3 = |e: &FrameEvent| matches!(e, FrameEvent::Carrier { station: 3, .. });
    assert!(
        told(&mut band).iter().all(|(_, e)| !of_3(e)),
        "it hears only station 1"
    );
    let ended: Vec<Instant> = band.stations[3].arrivals.iter().map(|a| a.end).collect();
    assert!(
        ended.contains(&ms(1100)) && !ended.contains(&ms(4000)),
        "{ended:?}"
    );
}
