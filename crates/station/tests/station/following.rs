//! A port that follows: where it sends to whom, and what it says of it.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::pid;
use dunlin_clock::Duration;
use dunlin_modem::{Line, LineSettings, Mode, TonePair};
use dunlin_station::gate::Medium;
use dunlin_station::{
    Block, BlockKind, Command, ConfigError, Event, Input, PortConfig, PortId, Reply, Station,
    TalkId,
};

use crate::wire::{Wires, call, port, station};

const MINUTE: Duration = Duration::from_secs(60);

/// A port at 300 Bd that sends so far off the middle.
fn off(name: &str, own: &str, offset_hz: f32) -> PortConfig {
    let mut config = port(name, Mode::Afsk300, own);
    config.offset_hz = offset_hz;
    config
}

/// The same, and it follows.
fn follower(name: &str, own: &str) -> PortConfig {
    let mut config = off(name, own, 0.0);
    config.follow_most_hz = 100.0;
    config
}

fn on_one_wire(ports: Vec<PortConfig>) -> Wires {
    let stations = ports.into_iter().zip(1..).map(|(config, seed)| {
        let own = config.call.to_string();
        (station(&own, vec![config], seed), vec![0])
    });
    Wires::new(stations.collect())
}

fn open(w: &mut Wires, to: &str, via: &[&str]) -> TalkId {
    let command = Command::OpenTalk {
        port: PortId(0),
        to: call(to),
        via: via.iter().map(|c| call(c)).collect(),
    };
    match w.command(0, command) {
        Reply::Talk(id) => id,
        other => panic!("a talk was asked for: {other:?}"),
    }
}

/// Station 0 says some lines, one after the other, and each arrives.
fn say_lines(w: &mut Wires, talk: TalkId, at: usize, lines: usize) {
    for n in 0..lines {
        let text = format!("line {n}");
        w.command(0, Command::Say { talk, text });
        let arrived = |w: &Wires| {
            let snapshot = w.stations[at].snapshot(w.now);
            snapshot.lines.iter().any(|l| l.text == format!("line {n}"))
        };
        assert!(w.run(5 * MINUTE, arrived), "line {n}");
        w.run(Duration::from_secs(8), |_| false);
    }
}

/// The blocks of a kind that a station told of, as they were last told.
fn blocks(w: &Wires, at: usize, kind: BlockKind, from: &str) -> Vec<Block> {
    let snapshot = w.stations[at].snapshot(w.now);
    let mut all = snapshot.blocks;
    all.retain(|b| b.kind == kind && b.from == from);
    all
}

/// How far off the middle a station heard the frames of another, Hz.
fn offsets(w: &Wires, at: usize, from: &str) -> Vec<f32> {
    let heard = blocks(w, at, BlockKind::Heard, from);
    heard.into_iter().filter_map(|b| b.offset_hz).collect()
}

fn near(offset: f32, hz: f32) -> bool {
    (offset - hz).abs() < 3.0
}

#[test]
fn frames_of_a_talk_go_where_the_other_is_heard_and_the_strip_says_why() {
    let mut w = on_one_wire(vec![follower("HF", "QA1SKY"), off("HF", "QX0RLF", 42.0)]);
    let talk = open(&mut w, "QX0RLF", &[]);
    say_lines(&mut w, talk, 1, 4);
    let heard = offsets(&w, 1, "QA1SKY");
    assert!(near(heard[0], 0.0), "nothing was known at first: {heard:?}");
    assert!(near(*heard.last().expect("frames"), 42.0), "{heard:?}");
    // All that it heard of the other was 42 Hz high.
    assert!(offsets(&w, 0, "QX0RLF").iter().all(|hz| near(*hz, 42.0)));
    let sent = blocks(&w, 0, BlockKind::Sent, "QA1SKY");
    assert_eq!(sent[0].why, None);
    let why = sent.last().and_then(|b| b.why.clone()).expect("it is told");
    assert!(
        why.starts_with("sent 42 Hz up, for QX0RLF: measured +42, +42, +42"),
        "{why}"
    );
    assert!(why.contains(" Hz in the last "), "{why}");
    // The timeline tells it once.
    let notes = w.told[0].iter().filter(|e| match e {
        Event::Note(note) => note.text.starts_with("the tones are moved: sent 42 Hz up"),
        _ => false,
    });
    assert_eq!(notes.count(), 1);
}

#[test]
fn what_is_for_all_or_of_another_program_stays_where_the_port_sends() {
    let mut w = on_one_wire(vec![follower("HF", "QA1SKY"), off("HF", "QX0RLF", 42.0)]);
    let talk = open(&mut w, "QX0RLF", &[]);
    say_lines(&mut w, talk, 1, 3);
    assert!(near(
        *offsets(&w, 1, "QA1SKY").last().expect("frames"),
        42.0
    ));
    let to_all = Command::SayToAll {
        port: PortId(0),
        to: call("ALL"),
        via: Vec::new(),
        text: "to all".into(),
    };
    w.command(0, to_all);
    let info = b"of a program".to_vec();
    let frame = Frame::ui(call("QA1SKY-9"), call("QX0RLF"), &[], pid::NO_LAYER_3, info);
    let octets = frame.encode();
    let (port, now) = (PortId(0), w.now);
    let input = Input::FromClient {
        port,
        client: 1,
        octets: &octets,
    };
    w.stations[0].handle(now, input);
    let both = |w: &Wires| {
        let of = |from| offsets(w, 1, from).len();
        let all = blocks(w, 1, BlockKind::Heard, "QA1SKY");
        of("QA1SKY-9") == 1 && all.iter().any(|b| b.to == "ALL")
    };
    assert!(w.run(5 * MINUTE, both), "both are heard");
    let all = blocks(&w, 1, BlockKind::Heard, "QA1SKY");
    let beacon = all.iter().find(|b| b.to == "ALL").expect("heard");
    assert!(near(beacon.offset_hz.expect("measured"), 0.0), "{beacon:?}");
    assert!(near(offsets(&w, 1, "QA1SKY-9")[0], 0.0));
    let own = blocks(&w, 0, BlockKind::Sent, "QA1SKY");
    let own = own.iter().find(|b| b.to == "ALL").expect("sent");
    assert_eq!(own.why, None);
}

#[test]
fn by_way_of_a_digipeater_it_is_the_digipeater_that_hears() {
    let mut hill = off("HF", "QD2HIL", 42.0);
    hill.digipeat = vec![call("QD2HIL-1")];
    let ports = vec![follower("HF", "QA1SKY"), off("HF", "QX0RLF", -35.0), hill];
    // All on one wire, so that both are heard direct, and the one's frames from the other too.
    let mut w = on_one_wire(ports);
    let talk = open(&mut w, "QX0RLF", &["QD2HIL-1"]);
    say_lines(&mut w, talk, 1, 3);
    let heard = blocks(&w, 2, BlockKind::Heard, "QA1SKY");
    let mut direct = heard.iter().filter(|b| b.via == ["QD2HIL-1"]);
    let last = direct.next_back().and_then(|b| b.offset_hz).expect("heard");
    assert!(near(last, 42.0), "{last}");
    let sent = blocks(&w, 0, BlockKind::Sent, "QA1SKY");
    let why = sent.last().and_then(|b| b.why.clone()).expect("it is told");
    assert!(why.starts_with("sent 42 Hz up, for QD2HIL-1: "), "{why}");
}

#[test]
fn a_port_that_does_not_follow_never_moves() {
    let mut w = on_one_wire(vec![off("HF", "QA1SKY", 0.0), off("HF", "QX0RLF", 42.0)]);
    let talk = open(&mut w, "QX0RLF", &[]);
    say_lines(&mut w, talk, 1, 3);
    let heard = offsets(&w, 1, "QA1SKY");
    assert!(heard.iter().all(|hz| near(*hz, 0.0)), "{heard:?}");
    let sent = blocks(&w, 0, BlockKind::Sent, "QA1SKY");
    assert!(sent.iter().all(|b| b.why.is_none()));
}

#[test]
fn what_another_line_has_heard_moves_nothing() {
    let settings = LineSettings {
        tones: Some(TonePair {
            mark_hz: 2110,
            space_hz: 2310,
        }),
        ..LineSettings::default()
    };
    let high = Line::new(Mode::Afsk300, settings).expect("a line");
    let mut own = follower("HF", "QA1SKY");
    own.also_hears = vec![high];
    // It hears by the usual tones and sends by the high ones, 42 Hz off.
    let mut other = off("HF", "QX0RLF", 42.0);
    other.also_hears = vec![other.line];
    other.line = high;
    let mut w = on_one_wire(vec![own, other]);
    let talk = open(&mut w, "QX0RLF", &[]);
    say_lines(&mut w, talk, 1, 3);
    let offsets = offsets(&w, 0, "QX0RLF");
    assert!(offsets.len() > 3, "{offsets:?}");
    assert!(offsets.iter().all(|hz| near(*hz, 42.0)), "{offsets:?}");
    let sent = blocks(&w, 0, BlockKind::Sent, "QA1SKY");
    assert!(sent.iter().all(|b| b.why.is_none()), "{sent:?}");
}

#[test]
fn following_is_refused_where_no_offset_is_looked_for() {
    let refused = |change: &dyn Fn(&mut PortConfig)| {
        let mut config = follower("HF", "QA1SKY");
        change(&mut config);
        match Station::new(station("QA1SKY", vec![config], 1)) {
            Err(ConfigError::OutOfRange { what, .. }) => what == "bound of following, Hz",
            _ => false,
        }
    };
    assert!(!refused(&|_| ()));
    assert!(refused(&|c| c.line = Mode::Afsk1200.into()));
    assert!(refused(&|c| c.medium = Medium::Controller));
    assert!(refused(&|c| c.second_input = true));
    assert!(refused(&|c| c.follow_most_hz = 101.0));
    assert!(refused(&|c| c.follow_most_hz = -1.0));
}
