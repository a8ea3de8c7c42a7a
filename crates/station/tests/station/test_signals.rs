//! Test signals: what is sent, how long, and how they end.

use std::f64::consts::TAU;

use dunlin_clock::{Duration, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::gate::{Medium, TestSignal};
use dunlin_station::port::{Receiver, ReceiverEvent};
use dunlin_station::{Command, Event, PortId, Refusal, Reply};

use crate::desk::{Deed, Desk, plain};
use crate::wire::{RATE, call, station};

fn desk(mode: Mode) -> Desk {
    let mut config = plain("VHF", "QA1SKY");
    config.line = mode.into();
    if mode == Mode::Fsk9600 {
        config.rate = SampleRate::new(48_000).expect("not zero");
    }
    Desk::new(station("QA1SKY", vec![config], 1))
}

fn test(desk: &mut Desk, signal: TestSignal, seconds: u8) -> Result<Reply, Refusal> {
    let port = PortId(0);
    desk.command(Command::Test {
        port,
        signal,
        seconds,
    })
}

fn end(desk: &mut Desk) -> Result<Reply, Refusal> {
    desk.command(Command::EndTest { port: PortId(0) })
}

fn frames_in(mode: Mode, rate: u32, sound: &[f32]) -> usize {
    let rate = SampleRate::new(rate).expect("not zero");
    let mut receiver = Receiver::new(mode, rate).expect("fits");
    let mut events = Vec::new();
    receiver.process(sound, &mut events);
    receiver.process(&vec![0.0; receiver.delay() + 1], &mut events);
    let own = |e: &&ReceiverEvent| match e {
        ReceiverEvent::Frame { octets, .. } => octets.ends_with(b"QA1SKY"),
        _ => false,
    };
    events.iter().filter(own).count()
}

/// Share of the power of a piece of sound that is at one frequency, 0 to 1.
fn share_at(piece: &[f32], hz: f64) -> f64 {
    let turn = |i: usize| TAU * hz * i as f64 / f64::from(RATE);
    let with = |f: fn(f64) -> f64| -> f64 {
        let all = piece.iter().enumerate();
        all.map(|(i, s)| f64::from(*s) * f(turn(i))).sum()
    };
    let tone = with(f64::cos).powi(2) + with(f64::sin).powi(2);
    let power: f64 = piece.iter().map(|s| f64::from(s * s)).sum();
    2.0 * tone / (power * piece.len() as f64)
}

fn notes(desk: &Desk) -> Vec<String> {
    let note = |e: &Event| match e {
        Event::Note(n) => Some(n.text.clone()),
        _ => None,
    };
    desk.events.iter().filter_map(note).collect()
}

#[test]
fn every_signal_lasts_as_asked_and_ends_with_the_call_sign() {
    for (signal, mode) in [
        (TestSignal::LowTone, Mode::Afsk1200),
        (TestSignal::HighTone, Mode::Afsk300),
        (TestSignal::Alternating, Mode::Afsk1200),
        (TestSignal::Alternating, Mode::Fsk9600),
        (TestSignal::LongPreamble, Mode::Afsk1200),
        (TestSignal::LongPreamble, Mode::Fsk9600),
        (TestSignal::RepeatedFrame, Mode::Afsk1200),
    ] {
        let mut desk = desk(mode);
        assert_eq!(
            test(&mut desk, signal, 5),
            Ok(Reply::Done),
            "{signal:?} {mode}"
        );
        assert!(desk.gate(0).test.expect("shown").contains("waits"));
        desk.until(2_000);
        assert!(desk.gate(0).test.expect("shown").contains("on the air"));
        desk.until(30_000);
        assert_eq!(desk.gate(0).test, None);
        let (down, up) = desk.down[0][0];
        let lasted = up.since(down).as_secs_f64();
        assert!(
            (4.9..8.0).contains(&lasted),
            "{signal:?} {mode}: {lasted} s"
        );
        assert_eq!(desk.down[0].len(), 1, "identified, so nothing more is sent");
        let rate = if mode == Mode::Fsk9600 { 48_000 } else { RATE };
        let frames = frames_in(mode, rate, &desk.sound);
        let right = match signal {
            TestSignal::RepeatedFrame => frames > 10,
            _ => frames == 1,
        };
        assert!(right, "{signal:?} {mode}: {frames} frames");
        assert!(notes(&desk)[0].contains("dummy load"));
    }
}

#[test]
fn tones_are_where_they_belong_and_turn_every_half_second() {
    let rate = RATE as usize;
    let mut desk = desk(Mode::Afsk1200);
    test(&mut desk, TestSignal::Alternating, 4).expect("queued");
    desk.until(20_000);
    for half in 0..8 {
        let from = half * rate / 2 + rate / 100;
        let piece = &desk.sound[from..from + rate * 2 / 5];
        let hz = if half % 2 == 0 { 1200.0 } else { 2200.0 };
        let share = share_at(piece, hz);
        assert!(share > 0.999, "half {half}: {share}");
    }
}

#[test]
fn it_is_cut_to_what_the_key_may_do() {
    let mut config = plain("VHF", "QA1SKY");
    config.gate.limits.single = Duration::from_secs(8);
    let mut desk = Desk::new(station("QA1SKY", vec![config], 1));
    test(&mut desk, TestSignal::LowTone, 30).expect("queued");
    desk.until(60_000);
    let (down, up) = desk.down[0][0];
    assert!((6.5..8.0).contains(&up.since(down).as_secs_f64()));
    assert_eq!(frames_in(Mode::Afsk1200, RATE, &desk.sound), 1);
    assert!(
        !desk
            .deeds
            .iter()
            .any(|(_, d)| matches!(d, Deed::Ordered(..))),
        "not cut off"
    );
}

#[test]
fn a_person_ends_it_at_once_and_it_is_identified_all_the_same() {
    let mut desk = desk(Mode::Afsk1200);
    test(&mut desk, TestSignal::LowTone, 30).expect("queued");
    desk.until(5_000);
    end(&mut desk).expect("ended");
    assert!(matches!(
        desk.deeds.last(),
        Some((5_000, Deed::Ordered(0, _)))
    ));
    desk.until(100_000);
    assert_eq!(desk.gate(0).test, None);
    assert_eq!(
        desk.down[0].len(),
        2,
        "the call sign follows, the test does not"
    );
    assert!(desk.gate(0).identified_ms.is_some());
    assert_eq!(end(&mut desk), Err(Refusal::NoTest("VHF".into())));
}

#[test]
fn a_stop_ends_it_for_good() {
    let mut desk = desk(Mode::Afsk1200);
    test(&mut desk, TestSignal::HighTone, 30).expect("queued");
    desk.until(5_000);
    desk.stop(None);
    desk.until(20_000);
    let refused = test(&mut desk, TestSignal::HighTone, 3);
    assert!(
        matches!(refused, Err(Refusal::OutOfService(_))),
        "{refused:?}"
    );
    desk.start(None).expect("started");
    desk.until(200_000);
    let lasted = desk.down[0].iter().map(|(d, u)| u.since(*d));
    let rest: Duration = lasted.skip(1).sum();
    assert!(
        rest < Duration::from_secs(2),
        "only the call sign follows: {rest:?}"
    );
}

#[test]
fn it_does_not_begin_when_nobody_waits_for_it_any_more() {
    let mut desk = desk(Mode::Afsk1200);
    desk.busy(0, true);
    test(&mut desk, TestSignal::LowTone, 3).expect("queued");
    desk.until(61_000);
    desk.busy(0, false);
    desk.until(300_000);
    assert!(desk.down[0].is_empty());
    assert!(notes(&desk).iter().any(|n| n.contains("could not begin")));
    assert_eq!(desk.gate(0).test, None);
}

#[test]
fn what_cannot_be_tested_is_refused_with_what_can() {
    let mut tones = desk(Mode::Afsk1200);
    assert_eq!(
        test(&mut tones, TestSignal::LowTone, 0),
        Err(Refusal::TestLength(0, 30))
    );
    assert_eq!(
        test(&mut tones, TestSignal::LowTone, 31),
        Err(Refusal::TestLength(31, 30))
    );
    test(&mut tones, TestSignal::LowTone, 5).expect("queued");
    let second = test(&mut tones, TestSignal::LowTone, 5);
    assert_eq!(second, Err(Refusal::TestGoesOn("VHF".into())));
    end(&mut tones).expect("taken out of the queue");
    tones.until(100_000);
    assert!(tones.down[0].is_empty());
    let mut shift = desk(Mode::Fsk9600);
    let refused = test(&mut shift, TestSignal::LowTone, 5).expect_err("no tones");
    assert!(refused.to_string().contains("alternating"));
    let mut config = plain("VHF", "QA1SKY");
    config.medium = Medium::Controller;
    config.digipeat = vec![call("QA1SKY-1")];
    let mut controller = Desk::new(station("QA1SKY", vec![config], 1));
    let refused = test(&mut controller, TestSignal::LongPreamble, 5).expect_err("no sound");
    assert!(refused.to_string().contains("repeated frame"));
    test(&mut controller, TestSignal::RepeatedFrame, 5).expect("frames");
    controller.until(1_000);
    let refused = end(&mut controller).expect_err("handed over");
    assert!(refused.to_string().contains("switch the radio off"));
    controller.until(60_000);
    assert_eq!(controller.down[0].len(), 1);
}
