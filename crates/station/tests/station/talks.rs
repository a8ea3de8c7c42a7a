//! Whole stations talk over wires, through real modems on both sides.

use crate::wire::{Wires, call, crossing, port, station};
use dunlin_ax25::data_link::Version;
use dunlin_clock::Duration;
use dunlin_modem::Mode;
use dunlin_station::{
    Beacon, BlockKind, Command, CrossingId, Direction, Event, PortId, Refusal, Reply, TalkId,
    TalkLine, TalkState,
};

pub const MINUTE: Duration = Duration::from_secs(60);

pub fn open(wires: &mut Wires, from: usize, on: u8, to: &str, via: &[&str]) -> TalkId {
    let command = Command::OpenTalk {
        port: PortId(on),
        to: call(to),
        via: via.iter().map(|c| call(c)).collect(),
    };
    match wires.command(from, command) {
        Reply::Talk(id) => id,
        _ => panic!("a talk was asked for"),
    }
}

pub fn say(wires: &mut Wires, from: usize, talk: TalkId, text: &str) {
    wires.command(
        from,
        Command::Say {
            talk,
            text: text.into(),
        },
    );
}

pub fn state(wires: &Wires, at: usize, talk: TalkId) -> Option<TalkState> {
    let snapshot = wires.stations[at].snapshot(wires.now);
    snapshot
        .talks
        .iter()
        .find(|t| t.id == talk)
        .map(|t| t.state)
}

fn lines(wires: &Wires, at: usize, direction: Direction) -> Vec<TalkLine> {
    let snapshot = wires.stations[at].snapshot(wires.now);
    snapshot
        .lines
        .into_iter()
        .filter(|l| l.direction == direction)
        .collect()
}

pub fn received(wires: &Wires, at: usize) -> Vec<String> {
    lines(wires, at, Direction::Received)
        .into_iter()
        .map(|l| l.text)
        .collect()
}

fn pair(mode: Mode) -> Wires {
    Wires::new(vec![
        (
            station("QA1SKY", vec![port("A", mode, "QA1SKY")], 1),
            vec![0],
        ),
        (
            station("QM3BAR", vec![port("B", mode, "QM3BAR")], 2),
            vec![0],
        ),
    ])
}

#[test]
fn two_stations_connect_talk_both_ways_and_part() {
    for mode in [Mode::Afsk1200, Mode::Afsk300] {
        let mut w = pair(mode);
        let talk = open(&mut w, 0, 0, "QM3BAR", &[]);
        say(
            &mut w,
            0,
            talk,
            "The ferry leaves at nine.\nIs the harbour open?",
        );
        assert!(w.run(5 * MINUTE, |w| received(w, 1).len() == 2), "{mode:?}");
        assert_eq!(
            received(&w, 1),
            ["The ferry leaves at nine.", "Is the harbour open?"]
        );
        say(&mut w, 1, TalkId(0), "Yes, until dusk. Grüße");
        assert!(w.run(5 * MINUTE, |w| received(w, 0).len() == 1), "{mode:?}");
        assert_eq!(received(&w, 0), ["Yes, until dusk. Grüße"]);
        let acknowledged = |w: &Wires| lines(w, 1, Direction::Sent).iter().all(|l| l.complete);
        assert!(w.run(MINUTE, acknowledged), "{mode:?}");
        w.command(0, Command::CloseTalk { talk });
        let ended = |w: &Wires, at| state(w, at, TalkId(0)) == Some(TalkState::Ended);
        assert!(
            w.run(2 * MINUTE, |w| ended(w, 0) && ended(w, 1)),
            "{mode:?}"
        );
        assert!(
            lines(&w, 0, Direction::Sent)
                .iter()
                .all(|l| l.complete && !l.lost)
        );
    }
}

/// Version 2.2 on both sides.
#[test]
fn the_newer_version_carries_a_talk_and_loses_nothing_to_a_spoiled_transmission() {
    let newer = |name, own, seed| {
        let mut port = port(name, Mode::Afsk1200, own);
        port.link_version = Version::V22;
        (station(own, vec![port], seed), vec![0])
    };
    let mut w = Wires::new(vec![newer("A", "QA1SKY", 1), newer("B", "QM3BAR", 2)]);
    let talk = open(&mut w, 0, 0, "QM3BAR", &[]);
    let text: Vec<String> = (0..40).map(|n| format!("Line {n}")).collect();
    say(&mut w, 0, talk, &text[..20].join("\n"));
    assert!(w.run(5 * MINUTE, |w| received(w, 1).len() == 20));
    w.cut = Some((0, 0));
    say(&mut w, 0, talk, &text[20..].join("\n"));
    w.run(Duration::from_secs(5), |_| false);
    w.cut = None;
    assert!(w.run(10 * MINUTE, |w| received(w, 1).len() == 40));
    assert_eq!(received(&w, 1), text);
    let frames: Vec<String> = w.told[0]
        .iter()
        .filter_map(|e| match e {
            Event::Block(b) => Some(b.text.clone()),
            _ => None,
        })
        .collect();
    let any = |word| frames.iter().any(|text| text.contains(word));
    assert!(any("SABME") && any("XID"), "{frames:?}");
}

#[test]
fn a_long_text_arrives_whole_and_once() {
    let mut w = pair(Mode::Afsk1200);
    let talk = open(&mut w, 0, 0, "QM3BAR", &[]);
    let text: Vec<String> = (0..60)
        .map(|n| format!("Line {n} of the supply list: {}", "x".repeat(n)))
        .collect();
    say(&mut w, 0, talk, &text.join("\n"));
    assert!(w.run(10 * MINUTE, |w| received(w, 1).len() == 60));
    assert_eq!(received(&w, 1), text);
}

#[test]
fn nobody_answers_and_the_talk_says_so() {
    let mut w = pair(Mode::Afsk1200);
    let talk = open(&mut w, 0, 0, "QZ9ZZZ", &[]);
    say(&mut w, 0, talk, "Anybody there?");
    assert!(w.run(10 * MINUTE, |w| state(w, 0, talk) == Some(TalkState::Ended)));
    let snapshot = w.stations[0].snapshot(w.now);
    let words = &snapshot.talks[0].words;
    assert!(
        words.contains("no answer") && words.contains("never heard"),
        "{words}"
    );
    assert!(
        snapshot.lines[0].lost,
        "what was written is kept and marked"
    );
}

#[test]
fn a_talk_through_a_digipeater() {
    let mut hill = port("hill", Mode::Afsk1200, "QD2HIL");
    hill.digipeat = vec![call("QD2HIL-1")];
    let mut w = Wires::new(vec![
        (
            station("QA1SKY", vec![port("A", Mode::Afsk1200, "QA1SKY")], 1),
            vec![0],
        ),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![0],
        ),
        (station("QD2HIL", vec![hill], 3), vec![0]),
    ]);
    let talk = open(&mut w, 0, 0, "QM3BAR", &["QD2HIL-1"]);
    say(&mut w, 0, talk, "By the hill");
    assert!(w.run(5 * MINUTE, |w| received(w, 1) == ["By the hill"]));
    say(&mut w, 1, TalkId(0), "And back");
    assert!(w.run(5 * MINUTE, |w| received(w, 0) == ["And back"]));
    let heard = w.stations[1].snapshot(w.now).heard;
    let by = |call: &str| heard.iter().find(|h| h.call == call).map(|h| h.by.clone());
    assert_eq!(by("QD2HIL-1"), Some(None), "the digipeater is heard direct");
}

#[test]
fn a_visitor_crosses_to_the_other_band_and_back() {
    let mut own = station(
        "QA1SKY",
        vec![
            port("HF", Mode::Afsk300, "QA1SKY"),
            port("VHF", Mode::Afsk1200, "QA1SKY"),
        ],
        1,
    );
    own.crossings.push(crossing(1, 0, "QA1SKY-8"));
    let mut w = Wires::new(vec![
        (own, vec![0, 1]),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![1],
        ),
        (
            station("QX0RLF", vec![port("X", Mode::Afsk300, "QX0RLF")], 3),
            vec![0],
        ),
    ]);
    let talk = open(&mut w, 1, 0, "QA1SKY-8", &[]);
    assert!(
        w.run(MINUTE, |w| received(w, 1).len() == 1),
        "the visitor is asked"
    );
    say(&mut w, 1, talk, "heard\nway qx0rlf");
    assert!(w.run(MINUTE, |w| received(w, 1).len() == 3));
    let told = received(&w, 1);
    assert!(
        told[1].starts_with("Heard direct: QM3BAR on VHF "),
        "{told:?}"
    );
    assert_eq!(told[2], "No way to QX0RLF is known here.");
    say(&mut w, 1, talk, "qx0rlf\nWe need twelve blankets.");
    assert!(w.run(5 * MINUTE, |w| received(w, 2).len() == 2));
    assert_eq!(
        received(&w, 2),
        [
            "QM3BAR is here by way of QA1SKY.",
            "We need twelve blankets."
        ]
    );
    say(&mut w, 2, TalkId(0), "On the next boat.");
    assert!(w.run(5 * MINUTE, |w| {
        received(w, 1)
            .last()
            .is_some_and(|l| l == "On the next boat.")
    }));
    let view = w.stations[0].snapshot(w.now).crossings[0].clone();
    assert_eq!(view.near.remote, Some(call("QM3BAR")));
    assert_eq!(view.far.remote, Some(call("QX0RLF")));
    assert!(
        w.stations[0].snapshot(w.now).talks.is_empty(),
        "it is one line, not two talks"
    );
    w.command(1, Command::CloseTalk { talk });
    let ended = |w: &Wires| w.stations[0].snapshot(w.now).crossings[0].ended;
    assert!(w.run(5 * MINUTE, ended));
    assert!(w.run(MINUTE, |w| state(w, 2, TalkId(0)) == Some(TalkState::Ended)));
}

#[test]
fn the_operator_cuts_a_crossing_and_both_ends_are_released() {
    let mut own = station(
        "QA1SKY",
        vec![
            port("HF", Mode::Afsk300, "QA1SKY"),
            port("VHF", Mode::Afsk1200, "QA1SKY"),
        ],
        1,
    );
    let mut rule = crossing(1, 0, "QA1SKY-8");
    rule.reach = vec![call("QX0RLF")];
    own.crossings.push(rule);
    let mut w = Wires::new(vec![
        (own, vec![0, 1]),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![1],
        ),
        (
            station("QX0RLF", vec![port("X", Mode::Afsk300, "QX0RLF")], 3),
            vec![0],
        ),
    ]);
    open(&mut w, 1, 0, "QA1SKY-8", &[]);
    assert!(w.run(5 * MINUTE, |w| !received(w, 2).is_empty()));
    w.command(
        0,
        Command::CutCrossing {
            crossing: CrossingId(0),
        },
    );
    let ended = |w: &Wires, at| state(w, at, TalkId(0)) == Some(TalkState::Ended);
    let over = |w: &Wires| w.stations[0].snapshot(w.now).crossings[0].ended;
    assert!(w.run(MINUTE, |w| ended(w, 1) && ended(w, 2) && over(w)));
}

#[test]
fn without_a_rule_nobody_crosses() {
    let mut w = pair(Mode::Afsk1200);
    let talk = open(&mut w, 1, 0, "QA1SKY-8", &[]);
    assert!(w.run(10 * MINUTE, |w| state(w, 1, talk) == Some(TalkState::Ended)));
    assert!(received(&w, 1).is_empty());
}

#[test]
fn beacons_are_heard_and_shown_with_their_figures() {
    let mut own = port("A", Mode::Afsk1200, "QA1SKY");
    own.beacons.push(Beacon {
        to: call("ALL"),
        via: Vec::new(),
        interval: 10 * MINUTE,
        first_delay: Duration::from_secs(2),
        text: "Skerry station, relay to HF".into(),
    });
    let mut w = Wires::new(vec![
        (station("QA1SKY", vec![own], 1), vec![0]),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![0],
        ),
    ]);
    w.run(MINUTE, |_| false);
    let snapshot = w.stations[1].snapshot(w.now);
    let block = snapshot
        .blocks
        .iter()
        .find(|b| b.kind == BlockKind::Heard)
        .expect("heard");
    assert_eq!((block.from.as_str(), block.to.as_str()), ("QA1SKY", "ALL"));
    assert!(block.end_ms.is_some_and(|end| end > block.start_ms + 200));
    assert!(
        block.level_dbfs.is_some_and(|l| (-7.0..-5.0).contains(&l)),
        "{:?}",
        block.level_dbfs
    );
    assert_eq!(snapshot.heard[0].said, "Skerry station, relay to HF");
    let sent = w.told[0]
        .iter()
        .any(|e| matches!(e, Event::Block(b) if b.kind == BlockKind::Sent));
    assert!(sent);
}

#[test]
fn what_cannot_be_done_is_refused_with_a_sentence() {
    let mut w = pair(Mode::Afsk1200);
    let now = w.now;
    let mut refused = |command| w.stations[0].command(now, command).expect_err("refused");
    let open = |to: &str, port| Command::OpenTalk {
        port: PortId(port),
        to: call(to),
        via: Vec::new(),
    };
    assert_eq!(refused(open("QM3BAR", 7)), Refusal::NoSuchPort(7, 1));
    assert_eq!(refused(open("QA1SKY", 0)), Refusal::OwnCall(call("QA1SKY")));
    let say = Command::Say {
        talk: TalkId(9),
        text: "x".into(),
    };
    assert_eq!(refused(say), Refusal::NoSuchTalk(9));
    let cut = Command::CutCrossing {
        crossing: CrossingId(3),
    };
    assert_eq!(refused(cut), Refusal::NoSuchCrossing(3));
}
