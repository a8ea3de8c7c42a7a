//! Each way in which a talk can end: the sentence with its likely cause and the next step, and
//! what was written is kept.

use dunlin_ax25::wire::{Control, Role};
use dunlin_clock::Duration;
use dunlin_station::gate::DeviceState;
use dunlin_station::{Command, Direction, Input, PortId, Refusal, Reply, TalkId, TalkState};

use crate::peer::{MINUTE, Peer, command, from, response, via};
use crate::wire::call;

/// It has ended with a sentence that has all of these words in this order.
fn assert_ended(p: &Peer, words: &[&str]) {
    let talk = p.talk();
    assert_eq!(talk.state, TalkState::Ended, "{}", talk.words);
    let mut rest = talk.words.as_str();
    for word in words {
        let Some((_, after)) = rest.split_once(word) else {
            panic!("“{word}” is missing in: {}", talk.words);
        };
        rest = after;
    }
}

/// The lines written are all kept, and marked as not arrived.
fn assert_kept(p: &Peer, texts: &[&str]) {
    let lines = p.lines();
    let sent: Vec<_> = lines
        .iter()
        .filter(|l| l.direction == Direction::Sent)
        .collect();
    let kept: Vec<&str> = sent.iter().map(|l| l.text.as_str()).collect();
    assert_eq!(kept, texts);
    assert!(sent.iter().all(|l| l.lost && !l.complete), "{lines:?}");
}

fn ends(p: &mut Peer) {
    let over = p.cable.run(60 * MINUTE, |c| {
        c.stations[0].snapshot(c.now).talks[0].state == TalkState::Ended
    });
    assert!(over, "{:?}", p.talk());
}

#[test]
fn no_answer_from_a_station_never_heard() {
    let mut p = Peer::new();
    let talk = p.is_called(&[]);
    p.say(talk, "Anybody there?");
    ends(&mut p);
    assert_ended(
        &p,
        &[
            "there was no answer: called 5 times in ",
            "the channel was occupied 0 % of the time",
            "never heard on this port",
            "What to try: look whether the call sign and the port are right",
        ],
    );
    assert_kept(&p, &["Anybody there?"]);
}

#[test]
fn no_answer_from_a_station_that_a_digipeater_hears() {
    let mut p = Peer::new();
    // QD2HIL answers this station, and repeats QM3BAR.
    p.says(&from("QD2HIL", Role::Command, Control::Sabm { p: true }));
    p.hears();
    p.says(&from("QD2HIL", Role::Command, Control::Disc { p: true }));
    p.says(&via(command(Control::Ui { pf: false }), &["QD2HIL"]));
    p.waits(12 * MINUTE);
    let talk = p.is_called(&[]);
    p.say(talk, "Blankets");
    let over = |c: &crate::cable::Cable| {
        let talks = c.stations[0].snapshot(c.now).talks;
        talks
            .iter()
            .any(|t| t.id == talk && t.state == TalkState::Ended)
    };
    assert!(p.cable.run(60 * MINUTE, over));
    let talks = p.cable.stations[0].snapshot(p.cable.now).talks;
    let words = &talks.iter().find(|t| t.id == talk).expect("kept").words;
    assert!(words.contains("last heard here 13 min"), "{words}");
    assert!(
        words.contains("by QD2HIL. What to try: by QD2HIL: QD2HIL"),
        "{words}"
    );
    assert!(
        words.contains("QM3BAR was heard by QD2HIL 13 min"),
        "{words}"
    );
}

#[test]
fn no_answer_by_a_digipeater_says_by_which() {
    let mut p = Peer::new();
    p.is_called(&["QD2HIL", "QD3HIL"]);
    ends(&mut p);
    assert_ended(&p, &["called 5 times by QD2HIL and QD3HIL in "]);
}

#[test]
fn no_answer_on_a_crowded_channel() {
    let mut p = Peer::new();
    p.says(&command(Control::Ui { pf: false }));
    p.is_called(&[]);
    for _ in 0..4000 {
        let others = dunlin_ax25::Frame::ui(call("QC2CAP"), call("CQ"), &[], 0xF0, vec![b'x'; 200]);
        p.says_octets(&others.encode());
        p.waits(Duration::from_millis(1500));
        if p.talk().state == TalkState::Ended {
            break;
        }
    }
    assert_ended(&p, &["there was no answer", "occupied 9", "What to try: "]);
}

#[test]
fn no_answer_because_the_port_kept_the_calls_back() {
    let mut p = Peer::new();
    p.is_called(&[]);
    p.waits(Duration::from_secs(1));
    let stop = |port| Command::Stop {
        port,
        by: "Ann".into(),
        why: "storm".into(),
    };
    p.cable.command(0, stop(None));
    p.waits(9 * MINUTE);
    let waiting = p.talk();
    assert_eq!(waiting.state, TalkState::Calling);
    assert!(
        waiting.words.contains("this port can send nothing"),
        "{}",
        waiting.words
    );
    p.cable.command(
        0,
        Command::Start {
            port: None,
            by: "Bo".into(),
        },
    );
    assert_eq!(p.talk().words, "calling QM3BAR");
    ends(&mut p);
    assert_ended(&p, &["kept from sending for ", "What to try: "]);
}

#[test]
fn refused() {
    let mut p = Peer::new();
    let talk = p.is_called(&[]);
    p.say(talk, "Blankets");
    p.hears();
    p.says(&response(Control::Dm { f: true }));
    assert_ended(
        &p,
        &[
            "the other station refused",
            "called once",
            "What to try: later",
        ],
    );
    assert_kept(&p, &["Blankets"]);
}

#[test]
fn released_by_the_other_side() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "Blankets");
    p.says(&command(Control::Disc { p: true }));
    assert_ended(&p, &["the other station ended it"]);
    assert_kept(&p, &["Blankets"]);
    assert!(p.noted("1 line was not acknowledged and is marked"));
}

#[test]
fn released_by_this_side() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.cable.command(0, Command::CloseTalk { talk });
    assert_eq!(p.hears(), [Control::Disc { p: true }]);
    p.says(&response(Control::Ua { f: true }));
    assert_ended(&p, &["ended by this station"]);
    assert!(!p.talk().words.contains("What to try"));
}

#[test]
fn the_goodbye_is_not_answered() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.cable.command(0, Command::CloseTalk { talk });
    ends(&mut p);
    assert_ended(
        &p,
        &[
            "did not answer the goodbye",
            "What to try: nothing, if all lines",
        ],
    );
}

#[test]
fn given_up_before_an_answer() {
    let mut p = Peer::new();
    let talk = p.is_called(&[]);
    p.say(talk, "Blankets");
    p.hears();
    p.cable.command(0, Command::CloseTalk { talk });
    assert_ended(&p, &["given up before an answer: called once"]);
    assert_kept(&p, &["Blankets"]);
}

#[test]
fn the_other_side_falls_silent() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "Blankets\nLamps");
    ends(&mut p);
    assert_ended(
        &p,
        &[
            "the other station no longer answers: it was last heard in this talk ",
            "the channel was occupied",
            "What to try: open a new talk",
        ],
    );
    assert_kept(&p, &["Blankets", "Lamps"]);
}

#[test]
fn data_does_not_get_through_though_enquiries_do() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, &"Blankets ".repeat(12));
    for _ in 0..200 {
        let polls = p
            .hears()
            .into_iter()
            .filter(|c| matches!(c, Control::Rr { pf: true, .. }));
        for _ in polls {
            p.says(&response(Control::Rr { nr: 0, pf: true }));
        }
        if p.talk().state == TalkState::Ended {
            break;
        }
    }
    assert_ended(
        &p,
        &[
            "the data did not get through",
            "What to try: a shorter information",
        ],
    );
}

#[test]
fn the_other_side_stays_busy() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "Blankets");
    p.hears();
    p.says(&response(Control::Rnr { nr: 1, pf: false }));
    p.say(talk, "Lamps");
    ends(&mut p);
    assert_ended(&p, &["stayed busy too long", "What to try: later"]);
    let fates = p.lines().into_iter().map(|l| (l.text, l.complete, l.lost));
    let fates: Vec<_> = fates.collect();
    assert_eq!(
        fates,
        [
            ("Blankets".into(), true, false),
            ("Lamps".into(), false, true)
        ]
    );
}

#[test]
fn the_other_side_has_forgotten_the_talk() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "Blankets");
    p.hears();
    p.says(&response(Control::Dm { f: true }));
    assert_ended(
        &p,
        &[
            "no longer knows of it: it was started anew",
            "What to try: open a new talk",
        ],
    );
    assert_kept(&p, &["Blankets"]);
}

#[test]
fn a_reset_that_is_not_answered() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "Blankets");
    p.hears();
    // It acknowledges what was never sent: the link begins anew, and nobody answers.
    p.says(&response(Control::Rr { nr: 5, pf: false }));
    assert_eq!(p.talk().state, TalkState::Checking);
    ends(&mut p);
    assert_ended(
        &p,
        &[
            "there was no answer: the two ends disagreed, and it was called anew ",
            "What to try: open a new talk",
        ],
    );
    assert_kept(&p, &["Blankets"]);
}

#[test]
fn a_reset_by_the_other_side_goes_on_and_marks_what_was_in_doubt() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "Blankets");
    p.hears();
    p.says(&response(Control::Rr { nr: 1, pf: false }));
    p.say(talk, "Lamps");
    p.hears();
    p.says(&command(Control::Sabm { p: true }));
    let view = p.talk();
    assert_eq!(view.state, TalkState::Open);
    assert!(view.words.contains("started afresh"), "{}", view.words);
    let lost: Vec<bool> = p.lines().iter().map(|l| l.lost).collect();
    assert_eq!(lost, [false, true]);
}

#[test]
fn a_port_that_dies_ends_its_talks_only_after_long() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "Blankets");
    let port = PortId(0);
    let lost = DeviceState::Lost("the serial line is gone");
    p.cable.handle(0, Input::Device { port, state: lost });
    p.waits(MINUTE);
    let view = p.talk();
    assert_eq!(view.state, TalkState::Open);
    assert!(view.words.contains("can send nothing: "), "{}", view.words);
    assert!(p.lines().iter().all(|l| !l.lost), "it may come back");
    ends(&mut p);
    assert_ended(
        &p,
        &[
            "the port could send nothing for 30 min: ",
            "What to try: look at the gate of this port",
        ],
    );
    assert_kept(&p, &["Blankets"]);
}

#[test]
fn a_port_that_comes_back_goes_on_with_its_talks() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    let port = PortId(0);
    let lost = DeviceState::Lost("the serial line is gone");
    p.cable.handle(0, Input::Device { port, state: lost });
    p.say(talk, "Blankets");
    p.waits(10 * MINUTE);
    p.hears();
    let state = DeviceState::Healthy("the serial line is back");
    p.cable.handle(0, Input::Device { port, state });
    assert_eq!(p.talk().words, "connected");
    assert!(matches!(p.hears()[..], [Control::I { ns: 0, .. }, ..]));
    p.says(&response(Control::Rr { nr: 1, pf: true }));
    assert!(p.lines()[0].complete);
}

#[test]
fn more_talks_than_the_station_holds_are_refused_with_the_next_step() {
    let mut p = Peer::new();
    let open = |n: usize| Command::OpenTalk {
        port: PortId(0),
        to: call(&format!("QB{}{}X", n / 10, n % 10)),
        via: Vec::new(),
    };
    for n in 0..64 {
        assert!(matches!(
            p.cable.command(0, open(n)),
            Reply::Talk(TalkId(_))
        ));
    }
    let refused = p.cable.stations[0]
        .command(p.cable.now, open(64))
        .expect_err("full");
    assert_eq!(refused, Refusal::TooManyTalks(64));
    assert!(refused.to_string().contains("close one first"), "{refused}");
    // Whoever calls now is let in still: the operator's talks do not count against callers.
    p.says(&command(Control::Sabm { p: true }));
    let talks = p.cable.stations[0].snapshot(p.cable.now).talks;
    assert!(
        talks
            .iter()
            .any(|t| t.incoming && t.state == TalkState::Open)
    );
}
