//! Visitors of the node.

use dunlin_modem::Mode;
use dunlin_station::{
    Command, CrossingId, NodeRule, Note, PortId, TalkId, TalkState, Urgency, WhoMayCross,
};

use crate::talks::{MINUTE, open, received, say, state};
use crate::wire::{Wires, call, port, station};

fn node(onward: &[u8]) -> NodeRule {
    NodeRule {
        call: call("QA1SKY-5"),
        ports: vec![PortId(0), PortId(1)],
        onward: onward.iter().map(|n| PortId(*n)).collect(),
        who: WhoMayCross::These(vec![call("QM3BAR")]),
        hours: Default::default(),
        most: 2,
        most_share: 1.0,
        notes: Default::default(),
    }
}

/// QA1SKY with a node on HF (wire 0) and VHF (wire 1), a visitor on VHF, a station on HF and one on VHF.
fn world(onward: &[u8]) -> Wires {
    world_of(node(onward))
}

fn world_with_share(most_share: f64) -> Wires {
    world_of(NodeRule {
        most_share,
        ..node(&[0, 1])
    })
}

fn world_of(node: NodeRule) -> Wires {
    let ports = vec![
        port("HF", Mode::Afsk300, "QA1SKY"),
        port("VHF", Mode::Afsk1200, "QA1SKY"),
    ];
    let mut own = station("QA1SKY", ports, 1);
    own.node = Some(node);
    let alone = |call: &str, mode, seed| station(call, vec![port("P", mode, call)], seed);
    Wires::new(vec![
        (own, vec![0, 1]),
        (alone("QM3BAR-2", Mode::Afsk1200, 2), vec![1]),
        (alone("QX0RLF", Mode::Afsk300, 3), vec![0]),
        (alone("QC5LEE", Mode::Afsk1200, 4), vec![1]),
    ])
}

fn last(w: &Wires, station: usize) -> String {
    received(w, station).last().cloned().unwrap_or_default()
}

#[test]
fn a_visitor_goes_on_comes_back_and_goes_on_by_another_port() {
    let mut w = world(&[0, 1]);
    let talk = open(&mut w, 1, 0, "QA1SKY-5", &[]);
    assert!(w.run(MINUTE, |w| received(w, 1)
        == ["QA1SKY: a call sign, or help."]));
    say(&mut w, 1, talk, "go qx0rlf on hf");
    assert!(w.run(5 * MINUTE, |w| received(w, 2)
        == ["QM3BAR-2 is here by way of QA1SKY."]));
    let beyond = w.stations[2].snapshot(w.now).talks[0].clone();
    assert_eq!(
        beyond.remote,
        call("QM3BAR-15"),
        "its own call sign, another SSID"
    );
    say(&mut w, 2, TalkId(0), "Good evening.");
    assert!(w.run(5 * MINUTE, |w| last(w, 1) == "Good evening."));
    w.command(2, Command::CloseTalk { talk: TalkId(0) });
    assert!(w.run(5 * MINUTE, |w| last(w, 1).ends_with("You are back here.")));
    say(&mut w, 1, talk, "go qc5lee on vhf");
    assert!(w.run(5 * MINUTE, |w| last(w, 3)
        == "QM3BAR-2 is here by way of QA1SKY."));
    say(&mut w, 1, talk, "Hello");
    assert!(w.run(5 * MINUTE, |w| last(w, 3) == "Hello"));
    let view = w.stations[0].snapshot(w.now).crossings[0].clone();
    assert_eq!(
        (view.far.port, view.far.remote),
        (PortId(1), Some(call("QC5LEE")))
    );
    w.command(1, Command::CloseTalk { talk });
    assert!(w.run(5 * MINUTE, |w| {
        w.stations[0].snapshot(w.now).crossings[0].ended
    }));
    assert!(w.run(MINUTE, |w| state(w, 3, TalkId(0)) == Some(TalkState::Ended)));
}

#[test]
fn a_visitor_who_may_not_go_on_is_told_and_may_still_ask() {
    let mut w = world(&[0]);
    let talk = open(&mut w, 3, 0, "QA1SKY-5", &[]);
    assert!(w.run(MINUTE, |w| received(w, 3).len() == 1));
    say(&mut w, 3, talk, "qx0rlf");
    let told = "QC5LEE may not go on from here.";
    assert!(
        w.run(MINUTE, |w| last(w, 3) == told),
        "{:?}",
        received(&w, 3)
    );
    say(&mut w, 3, talk, "heard");
    assert!(w.run(MINUTE, |w| {
        last(w, 3).starts_with("Heard direct: QC5LEE on VHF")
    }));
    say(&mut w, 3, talk, "end");
    assert!(w.run(MINUTE, |w| state(w, 3, talk) == Some(TalkState::Ended)));
}

#[test]
fn without_a_known_way_the_visitor_is_asked_for_the_port() {
    let mut w = world(&[0, 1]);
    let talk = open(&mut w, 1, 0, "QA1SKY-5", &[]);
    assert!(w.run(MINUTE, |w| received(w, 1).len() == 1));
    say(&mut w, 1, talk, "qx0rlf");
    assert!(w.run(MINUTE, |w| {
        last(w, 1).contains("name the port, as in GO QX0RLF ON HF")
    }));
    say(&mut w, 1, talk, "go qx0rlf on six");
    assert!(w.run(MINUTE, |w| {
        last(w, 1).starts_with("No port SIX here, only HF, VHF.")
    }));
    assert!(received(&w, 2).is_empty());
}

#[test]
fn the_operator_writes_to_a_visitor_and_emergency_traffic_is_told() {
    let mut w = world(&[0]);
    let talk = open(&mut w, 1, 0, "QA1SKY-5", &[]);
    assert!(w.run(MINUTE, |w| received(w, 1).len() == 1));
    let text = "The band closes soon.".to_owned();
    let crossing = CrossingId(0);
    w.command(0, Command::SayToVisitor { crossing, text });
    assert!(w.run(MINUTE, |w| last(w, 1)
        == "QA1SKY operator: The band closes soon."));
    say(&mut w, 1, talk, "emergency");
    assert!(w.run(MINUTE, |w| last(w, 1).contains("it goes first")));
    let notes = w.stations[0].snapshot(w.now).notes;
    let told = |n: &Note| n.text.contains("emergency") && n.urgency == Urgency::Attention;
    assert!(notes.iter().any(told), "{notes:?}");
}

#[test]
fn a_node_that_has_had_its_share_waits_and_goes_on_and_nothing_is_lost() {
    let mut w = world_with_share(0.02);
    let talk = open(&mut w, 1, 0, "QA1SKY-5", &[]);
    assert!(w.run(MINUTE, |w| received(w, 1).len() == 1));
    say(&mut w, 1, talk, "go qc5lee on vhf");
    assert!(w.run(5 * MINUTE, |w| !received(w, 3).is_empty()));
    let lines: Vec<String> = (0..25)
        .map(|n| format!("line {n} {}", "x".repeat(60)))
        .collect();
    say(&mut w, 1, talk, &lines.join("\n"));
    let waits = |w: &Wires| {
        w.stations[0].snapshot(w.now).crossings[0]
            .words
            .contains("others have a claim")
    };
    assert!(w.run(10 * MINUTE, waits), "it is held back");
    assert!(
        w.run(20 * MINUTE, |w| received(w, 3).len() == 26),
        "{}",
        received(&w, 3).len()
    );
    assert_eq!(received(&w, 3)[1..], lines);
}
