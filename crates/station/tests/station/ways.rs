//! Ways to a station as the whole engine knows them: measured on a channel whose losses are
//! known, remembered, and with as many digipeaters as others name.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::Control;
use dunlin_clock::Duration;
use dunlin_station::{Command, PortId, Proof, TalkState, WayThatWorked, WaysView};

use crate::cable::{Cable, with_controller};
use crate::peer::{Peer, command, response, via};
use crate::wire::call;

const MINUTE: Duration = Duration::from_secs(60);

fn ways(c: &Cable, at: usize, to: &str) -> WaysView {
    c.stations[at].ways_to(c.now, call(to))
}

/// The channel loses a fifth of all frames, whatever their length and direction: df = dr = 0.8,
/// and 1/(df·dr) = 1.5625. Frames are as long as those for which ways are reckoned.
#[test]
fn what_two_stations_measure_of_each_other_is_what_the_channel_loses() {
    let patient = |own, seed| {
        let mut config = with_controller(own, seed);
        config.ports[0].retries = 15;
        config
    };
    let mut c = Cable::new(vec![patient("QA1SKY", 11), patient("QM3BAR", 12)], 11);
    let talk = c.open(0, "QM3BAR");
    let state = |c: &Cable| c.stations[0].snapshot(c.now).talks[0].state;
    assert!(c.run(MINUTE, |c| state(c) == TalkState::Open));
    c.loss = 0.2;
    // An information field of 128 octets each, the line end in it.
    let text = ["x".repeat(127).as_str(); 400].join("\n");
    c.command(0, Command::Say { talk, text });
    let arrived = |c: &Cable| {
        c.stations[0]
            .snapshot(c.now)
            .lines
            .iter()
            .filter(|l| l.complete)
            .count()
    };
    c.run(40 * MINUTE, |_| false);
    assert!(
        arrived(&c) > 100 && state(&c) != TalkState::Ended,
        "{}",
        arrived(&c)
    );
    let found = ways(&c, 0, "QM3BAR");
    let way = &found.ways[0];
    let leg = &way.legs[0];
    assert!((leg.there - 0.8).abs() < 0.06, "{leg:?}");
    assert!((leg.back - 0.8).abs() < 0.1, "{leg:?}");
    assert_eq!((way.proof, way.via.len()), (Some(Proof::TwoWay), 0));
    assert!(
        way.words.contains(" frames to QM3BAR arrived"),
        "{}",
        way.words
    );
    assert_eq!(found.words, "QM3BAR can be reached");
    // The other side has seen the gaps in what it heard, and reckons from them for
    // acknowledgements, which are shorter by more than the power allowed: 0.8^(1/4) = 0.946.
    let other = ways(&c, 1, "QA1SKY");
    let leg = &other.ways[0].legs[0];
    assert!((leg.back - 0.946).abs() < 0.03, "{leg:?}");
}

/// AX.25 2.2 §3.12.5: up to eight repeaters.
#[test]
fn a_call_by_eight_digipeaters_is_let_in_and_answered_the_way_it_came() {
    let eight: Vec<String> = (1..=8).map(|n| format!("QD{n}HIL")).collect();
    let eight: Vec<&str> = eight.iter().map(String::as_str).collect();
    let mut p = Peer::new();
    p.says(&via(command(Control::Sabm { p: true }), &eight));
    assert_eq!(p.hears(), [Control::Ua { f: true }]);
    let answer = Frame::decode(&p.cable.handed[0][0].1).expect("a frame");
    let path: Vec<String> = answer
        .repeaters
        .iter()
        .map(|r| r.address.to_string())
        .collect();
    let back: Vec<&str> = eight.iter().rev().copied().collect();
    assert_eq!(path, back);
    assert_eq!(p.talk().via.len(), 8);
    // Once it has acknowledged something, the way has worked, however long it is.
    p.say(p.talk().id, "Blankets");
    p.hears();
    p.says(&via(response(Control::Rr { nr: 1, pf: false }), &eight));
    let found = ways(&p.cable, 0, "QM3BAR");
    let worked = found.ways.iter().find(|w| w.worked_ms_ago.is_some());
    assert_eq!(worked.expect("remembered").via.len(), 8);
}

#[test]
fn the_way_that_worked_before_this_start_is_proposed() {
    let mut p = Peer::new();
    let way = |port, digipeater| WayThatWorked {
        port: PortId(port),
        to: call("QM3BAR"),
        via: vec![call(digipeater)],
        before_start_ms: 7_200_000,
    };
    p.cable.stations[0].remember_ways([way(0, "QD2HIL"), way(9, "QD3HIL")]);
    let found = ways(&p.cable, 0, "QM3BAR");
    assert_eq!(
        found.ways.len(),
        1,
        "a port that is no more is passed over: {found:?}"
    );
    assert!(
        found.ways[0].words.contains("worked last 2 h 0 min ago"),
        "{found:?}"
    );
    assert_eq!(
        found.words,
        "QM3BAR was not heard of lately; it was reached before"
    );
    // It is reached direct now.
    p.is_called(&[]);
    p.hears();
    p.says(&response(Control::Ua { f: true }));
    let found = ways(&p.cable, 0, "QM3BAR");
    assert_eq!(found.ways.len(), 1);
    assert_eq!(
        (found.ways[0].via.len(), found.ways[0].worked_ms_ago),
        (0, Some(0))
    );
}

#[test]
fn of_a_station_that_nobody_has_heard_nothing_is_claimed() {
    let c = Cable::pair(1);
    let found = ways(&c, 0, "QZ9ZZZ");
    assert_eq!(found.ways, []);
    assert!(
        found
            .words
            .starts_with("nothing is known of a way to QZ9ZZZ"),
        "{}",
        found.words
    );
}
