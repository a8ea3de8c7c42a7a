//! What goes wrong between stations that all mean well: an answer lost at the worst moment,
//! impatience, a far station that dies, visitors in each other's way.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Address, Control, Modulo, Repeater, Role};
use dunlin_clock::{Duration, Instant};
use dunlin_modem::Mode;
use dunlin_station::gate::Medium;
use dunlin_station::{
    BlockKind, Command, CrossingId, Direction, Event, Input, Output, PortId, RejectKind, Reply,
    Station, TalkId, TalkLine, TalkState,
};

use crate::hardship::Listener;
use crate::peer::{Peer, response};
use crate::wire::{Wires, call, crossing, port, station};

const MINUTE: Duration = Duration::from_secs(60);

/// An answer too many makes this end begin anew. What it had sent may have arrived: it is marked and not
/// sent again (found in a world drawn by chance).
#[test]
fn what_may_have_arrived_is_not_sent_again_when_this_end_begins_anew() {
    let mut p = Peer::new();
    let talk = p.is_connected();
    p.say(talk, "once only");
    let text = |sent: &[Control]| {
        sent.iter()
            .filter(|c| matches!(c, Control::I { .. }))
            .count()
    };
    assert_eq!(text(&p.hears()), 1);
    p.says(&response(Control::Ua { f: true }));
    let sent = p.hears();
    assert!(sent.contains(&Control::Sabm { p: true }), "{sent:?}");
    p.says(&response(Control::Ua { f: true }));
    assert_eq!(text(&p.hears()), 0);
    assert!(p.lines()[0].lost && !p.lines()[0].complete);
}

/// A call repeated while the channel is taken is answered once.
#[test]
fn a_call_that_was_repeated_is_answered_once_when_the_channel_is_free() {
    let mut config = station("QA1SKY", vec![port("A", Mode::Afsk1200, "QA1SKY")], 1);
    config.ports[0].medium = Medium::Frames;
    let mut station = Station::new(config).expect("good");
    let call = Frame {
        pid: None,
        control: Control::Sabm { p: true },
        ..Frame::ui(call("QM3BAR"), call("QA1SKY"), &[], 0xF0, Vec::new())
    };
    let port = PortId(0);
    station.handle(Instant::from_secs(1), Input::Carrier { port, on: true });
    for s in 2..9 {
        let octets = &call.encode();
        station.handle(Instant::from_secs(s), Input::Frame { port, octets });
    }
    station.handle(Instant::from_secs(10), Input::Carrier { port, on: false });
    let (mut answers, mut ended) = (0, None);
    let mut at = Instant::from_secs(10);
    while at < Instant::from_secs(20) {
        while let Some(output) = station.poll() {
            if let Output::OnBand {
                frames, airtime, ..
            } = output
            {
                let sent = frames.iter();
                let sent = sent.map(|f| Frame::decode(&f.octets).expect("a frame").control);
                answers += sent.filter(|c| *c == Control::Ua { f: true }).count();
                ended = Some(at + airtime);
            }
        }
        let wakeup = station.next_wakeup().map(|(next, _)| next.max(at));
        at = wakeup.into_iter().chain(ended).min().expect("T3 runs");
        match ended.take_if(|end| *end == at) {
            Some(_) => station.handle(at, Input::Transmitted { port }),
            None => station.handle(at, Input::Wakeup),
        }
    }
    assert_eq!(answers, 1);
}

fn open(w: &mut Wires, from: usize, to: &str) -> TalkId {
    let open = Command::OpenTalk {
        port: PortId(0),
        to: call(to),
        via: Vec::new(),
    };
    match w.command(from, open) {
        Reply::Talk(id) => id,
        _ => panic!("a talk was asked for"),
    }
}

fn say(w: &mut Wires, from: usize, talk: TalkId, text: &str) {
    w.command(
        from,
        Command::Say {
            talk,
            text: text.into(),
        },
    );
}

fn state(w: &Wires, at: usize, talk: TalkId) -> Option<TalkState> {
    let talks = w.stations[at].snapshot(w.now).talks;
    talks.iter().find(|t| t.id == talk).map(|t| t.state)
}

fn received(w: &Wires, at: usize, talk: TalkId) -> Vec<String> {
    let lines = w.stations[at].snapshot(w.now).lines.into_iter();
    let theirs = |l: &TalkLine| l.talk == talk && l.direction == Direction::Received && l.complete;
    let theirs = lines.filter(theirs);
    theirs.map(|l| l.text).collect()
}

fn pair() -> Wires {
    Wires::new(vec![
        (
            station("QA1SKY", vec![port("A", Mode::Afsk1200, "QA1SKY")], 1),
            vec![0],
        ),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![0],
        ),
    ])
}

/// The operator's station with a crossing from wire 1 (VHF) to wire 0 (HF), two visitors on
/// VHF and a far station on HF.
fn bands(most: usize) -> Wires {
    let (hf, vhf) = (Mode::Afsk300, Mode::Afsk1200);
    let ports = vec![port("HF", hf, "QA1SKY"), port("VHF", vhf, "QA1SKY")];
    let mut own = station("QA1SKY", ports, 1);
    let mut rule = crossing(1, 0, "QA1SKY-8");
    rule.reach = vec![call("QX0RLF")];
    rule.most = most;
    own.crossings.push(rule);
    Wires::new(vec![
        (own, vec![0, 1]),
        (
            station("QM3BAR", vec![port("B", vhf, "QM3BAR")], 2),
            vec![1],
        ),
        (station("QX0RLF", vec![port("X", hf, "QX0RLF")], 3), vec![0]),
        (
            station("QC2CAP", vec![port("C", vhf, "QC2CAP")], 4),
            vec![1],
        ),
    ])
}

#[test]
fn a_lost_first_answer_costs_neither_the_visitor_nor_the_greeting() {
    let mut w = bands(1);
    w.cut = Some((1, 0)); // What QA1SKY sends on VHF is lost.
    let talk = open(&mut w, 1, "QA1SKY-8");
    w.run(Duration::from_secs(3), |_| false);
    w.cut = None;
    assert!(w.run(5 * MINUTE, |w| received(w, 1, talk).len() == 2));
    let got = received(&w, 1, talk);
    assert_eq!(got[0], "QA1SKY: calling QX0RLF on HF.", "once, and whole");
    assert!(got[1].contains("answers"), "{got:?}");
}

#[test]
fn what_was_never_acknowledged_is_not_called_arrived_when_closing_twice() {
    let mut w = pair();
    let talk = open(&mut w, 0, "QM3BAR");
    assert!(w.run(MINUTE, |w| state(w, 0, talk) == Some(TalkState::Open)));
    w.cut = Some((0, 0)); // Nothing of QA1SKY is heard any more.
    say(&mut w, 0, talk, "one\ntwo\nthree");
    w.command(0, Command::CloseTalk { talk });
    w.run(Duration::from_secs(2), |_| false);
    w.command(0, Command::CloseTalk { talk });
    assert!(w.run(10 * MINUTE, |w| state(w, 0, talk) == Some(TalkState::Ended)));
    let lines = w.stations[0].snapshot(w.now).lines;
    assert!(lines.iter().all(|l| l.lost && !l.complete), "{lines:?}");
}

#[test]
fn closing_waits_for_the_whole_of_a_long_line() {
    let mut w = Wires::new(vec![
        (
            station("QA1SKY", vec![port("A", Mode::Afsk300, "QA1SKY")], 1),
            vec![0],
        ),
        (
            station("QX0RLF", vec![port("B", Mode::Afsk300, "QX0RLF")], 2),
            vec![0],
        ),
    ]);
    let talk = open(&mut w, 0, "QX0RLF");
    let text = "blankets and lamp oil ".repeat(60);
    say(&mut w, 0, talk, text.trim());
    assert!(w.run(MINUTE, |w| state(w, 0, talk) == Some(TalkState::Open)));
    w.command(0, Command::CloseTalk { talk });
    assert!(w.run(20 * MINUTE, |w| state(w, 0, talk) == Some(TalkState::Ended)));
    let lines = w.stations[0].snapshot(w.now).lines;
    assert!(lines[0].complete && !lines[0].lost);
    let got: String = received(&w, 1, TalkId(0)).concat();
    assert_eq!(got, text.trim());
}

#[test]
fn a_large_text_crosses_both_ways_octet_for_octet() {
    let mut w = bands(1);
    let talk = open(&mut w, 1, "QA1SKY-8");
    assert!(w.run(5 * MINUTE, |w| received(w, 1, talk).len() == 2));
    let out: Vec<String> = (0..24)
        .map(|n| format!("out {n} {}", "abc ".repeat(n % 12)))
        .collect();
    let back: Vec<String> = (0..10)
        .map(|n| format!("back {n} {}", "xyz ".repeat(n % 9)))
        .collect();
    say(&mut w, 1, talk, &out.join("\n"));
    say(&mut w, 2, TalkId(0), &back.join("\n"));
    let all = |w: &Wires| received(w, 2, TalkId(0)).len() == 25 && received(w, 1, talk).len() == 12;
    assert!(w.run(40 * MINUTE, all));
    assert_eq!(received(&w, 2, TalkId(0))[1..], out);
    assert_eq!(received(&w, 1, talk)[2..], back);
    let asked_to_wait = w.told[1].iter().any(
        |e| matches!(e, Event::Block(b) if b.kind == BlockKind::Heard && b.what.contains("wait")),
    );
    assert!(
        asked_to_wait,
        "VHF is faster than HF, so the visitor has to be held back"
    );
}

#[test]
fn a_far_station_that_dies_is_told_of_with_what_was_lost() {
    let mut w = bands(1);
    let talk = open(&mut w, 1, "QA1SKY-8");
    assert!(w.run(5 * MINUTE, |w| received(w, 1, talk).len() == 2));
    w.cut = Some((0, 2)); // QX0RLF is heard no more.
    say(&mut w, 1, talk, &"twelve blankets\n".repeat(40));
    assert!(w.run(20 * MINUTE, |w| state(w, 1, talk) == Some(TalkState::Ended)));
    let got = received(&w, 1, talk);
    let last = got.last().expect("told");
    assert!(
        last.contains("no longer answers") && last.contains("not acknowledged"),
        "{last}"
    );
    assert!(w.run(MINUTE, |w| w.stations[0].snapshot(w.now).crossings[0].ended));
    let notes = w.stations[0].snapshot(w.now).notes;
    let epilogue = notes
        .iter()
        .any(|n| n.text.contains("octets did not reach"));
    assert!(epilogue, "{notes:?}");
}

#[test]
fn cutting_one_visitor_leaves_the_other_alone() {
    let mut w = bands(2);
    let first = open(&mut w, 1, "QA1SKY-8");
    assert!(w.run(5 * MINUTE, |w| received(w, 1, first).len() == 2));
    let second = open(&mut w, 3, "QA1SKY-8");
    assert!(w.run(5 * MINUTE, |w| {
        received(w, 3, second)
            .iter()
            .any(|l| l.contains("try again later"))
    }));
    let _ = w.stations[0].command(
        w.now,
        Command::CutCrossing {
            crossing: CrossingId(1),
        },
    );
    say(&mut w, 1, first, "still here");
    assert!(w.run(5 * MINUTE, |w| {
        received(w, 2, TalkId(0))
            .last()
            .is_some_and(|l| l == "still here")
    }));
    assert_eq!(state(&w, 1, first), Some(TalkState::Open));
}

#[test]
fn a_visitor_beyond_the_limit_is_refused_and_it_is_said() {
    let mut w = bands(1);
    let first = open(&mut w, 1, "QA1SKY-8");
    assert!(w.run(5 * MINUTE, |w| received(w, 1, first).len() == 2));
    let second = open(&mut w, 3, "QA1SKY-8");
    assert!(w.run(5 * MINUTE, |w| state(w, 3, second)
        == Some(TalkState::Ended)));
    let notes = w.stations[0].snapshot(w.now).notes;
    let said = notes
        .iter()
        .any(|n| n.text.contains("QC2CAP called QA1SKY-8 and was refused"));
    assert!(said, "{notes:?}");
}

#[test]
fn a_visitor_who_names_no_station_is_released_in_time() {
    let ports = vec![
        port("VHF", Mode::Afsk1200, "QA1SKY"),
        port("HF", Mode::Afsk300, "QA1SKY"),
    ];
    let mut own = station("QA1SKY", ports, 1);
    own.crossings.push(crossing(0, 1, "QA1SKY-8"));
    let visitor = station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2);
    let mut w = Wires::new(vec![(own, vec![0, 1]), (visitor, vec![0])]);
    let talk = open(&mut w, 1, "QA1SKY-8");
    assert!(w.run(MINUTE, |w| received(w, 1, talk).len() == 1));
    assert!(w.run(3 * MINUTE, |w| state(w, 1, talk) == Some(TalkState::Ended)));
    let got = received(&w, 1, talk);
    assert!(
        got.last().is_some_and(|l| l.contains("too long")),
        "{got:?}"
    );
    assert!(w.run(MINUTE, |w| w.stations[0].snapshot(w.now).crossings[0].ended));
}

#[test]
fn a_receive_only_port_lets_nobody_in() {
    let mut deaf = port("A", Mode::Afsk1200, "QA1SKY");
    deaf.may_transmit = false;
    let mut w = Wires::new(vec![
        (station("QA1SKY", vec![deaf], 1), vec![0]),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![0],
        ),
    ]);
    let talk = open(&mut w, 1, "QA1SKY");
    assert!(w.run(10 * MINUTE, |w| state(w, 1, talk) == Some(TalkState::Ended)));
    let own = w.stations[0].snapshot(w.now);
    assert!(own.talks.is_empty() && own.heard.len() == 1);
}

/// A frame of a link modulo 128 (AX.25 2.2 §4.2.1: two octets of control field) is repeated
/// like any other: the address field alone decides (§3.12.4).
#[test]
fn a_digipeater_repeats_what_it_need_not_understand() {
    let mut frame = Frame::ui(
        call("QM3BAR"),
        call("QC2CAP"),
        &[call("QA1SKY-1")],
        0xF0,
        Vec::new(),
    );
    frame.role = Role::Response;
    frame.control = Control::Rr { nr: 100, pf: true };
    frame.pid = None;
    let extended = frame.encode_modulo(Modulo::OneHundredTwentyEight);
    frame.repeaters = vec![Repeater {
        address: Address::from(call("QA1SKY-1")),
        has_been_repeated: true,
    }];
    let repeated = frame.encode_modulo(Modulo::OneHundredTwentyEight);
    let mut listener = Listener::new();
    listener.hear_frames(&[extended]);
    listener.hear(&vec![0.0; 60_000]);
    let sent = listener.told.iter().find_map(|e| match e {
        Event::Block(b) if b.kind == BlockKind::Sent => Some(b.octets.clone()),
        _ => None,
    });
    assert_eq!(sent, Some(repeated));
}

/// A caller with version 2.2 is accepted, whatever this station calls with (AX.25 2.2 §6.3.1).
#[test]
fn a_caller_with_the_newer_version_is_accepted() {
    let mut frame = Frame::ui(call("QM3BAR"), call("QA1SKY"), &[], 0xF0, Vec::new());
    frame.control = Control::Sabme { p: true };
    frame.pid = None;
    let mut listener = Listener::new();
    listener.hear_frames(&[frame.encode()]);
    listener.hear(&vec![0.0; 60_000]);
    let sent = listener.told.iter().find_map(|e| match e {
        Event::Block(b) if b.kind == BlockKind::Sent => Some(b.text.clone()),
        _ => None,
    });
    assert!(sent.as_ref().is_some_and(|t| t.contains("UA")), "{sent:?}");
}

fn stop(w: &mut Wires, at: usize) {
    let (port, by, why) = (None, "Ann".into(), String::new());
    w.command(at, Command::Stop { port, by, why });
}

fn start(w: &mut Wires, at: usize) {
    let (port, by) = (None, "Ann".into());
    w.command(at, Command::Start { port, by });
}

/// What is cut off in mid-transmission is sent again when the station is started, in its
/// order, and arrives once.
#[test]
fn a_talk_goes_on_after_a_stop_in_the_middle_of_a_transmission() {
    let mut w = pair();
    let talk = open(&mut w, 0, "QM3BAR");
    assert!(w.run(MINUTE, |w| state(w, 0, talk) == Some(TalkState::Open)));
    let text: Vec<String> = (0..8)
        .map(|n| format!("{n} {}", "abc ".repeat(20)))
        .collect();
    say(&mut w, 0, talk, &text.join("\n"));
    let keyed = |w: &Wires| w.stations[0].snapshot(w.now).ports[0].transmitting;
    for _ in 0..3 {
        assert!(w.run(MINUTE, keyed));
        w.run(Duration::from_millis(700), |_| false);
        stop(&mut w, 0);
        assert!(!keyed(&w), "released at once");
        w.run(Duration::from_secs(8), |w| {
            assert!(!keyed(w));
            false
        });
        start(&mut w, 0);
    }
    assert!(w.run(5 * MINUTE, |w| received(w, 1, TalkId(0)).len() == 8));
    let trimmed: Vec<&str> = text.iter().map(|t| t.as_str()).collect();
    assert_eq!(received(&w, 1, TalkId(0)), trimmed);
    assert_eq!(state(&w, 0, talk), Some(TalkState::Open));
}

/// A link does not count its tries while nothing can be sent; whoever calls then is not let
/// in, so that nobody gets an answer long after having given up.
#[test]
fn a_stopped_station_neither_gives_up_nor_lets_in() {
    let one = |own, seed| {
        let port = port("A", Mode::Afsk1200, own);
        (station(own, vec![port], seed), vec![0])
    };
    let mut w = Wires::new(vec![one("QA1SKY", 1), one("QM3BAR", 2), one("QC2CAP", 3)]);
    stop(&mut w, 0);
    let talk = open(&mut w, 0, "QM3BAR");
    let theirs = open(&mut w, 2, "QA1SKY");
    let given_up = |w: &Wires| state(w, 2, theirs) == Some(TalkState::Ended);
    assert!(w.run(10 * MINUTE, given_up));
    w.run(MINUTE, |_| false);
    assert_eq!(state(&w, 0, talk), Some(TalkState::Calling));
    let snapshot = w.stations[0].snapshot(w.now);
    assert_eq!((snapshot.talks.len(), snapshot.ports[0].queued), (1, 1));
    let waits = snapshot.ports[0].waits.clone().expect("the call waits");
    assert!(waits.1.contains("stopped by Ann"), "{waits:?}");
    start(&mut w, 0);
    assert!(w.run(MINUTE, |w| state(w, 0, talk) == Some(TalkState::Open)));
}

/// A frame of `from` to all by way of this station, which is QA1SKY-1.
fn by_way(from: &str, hops: &[&str], text: &str) -> Vec<u8> {
    let hops: Vec<_> = hops.iter().map(|hop| call(hop)).collect();
    Frame::ui(call(from), call("NEWS"), &hops, 0xF0, text.into()).encode()
}

/// How many different ones were repeated; what this bench plays in no time is taken for cut off and played
/// again.
fn repeated(listener: &Listener) -> usize {
    let texts = listener.told.iter().filter_map(|e| match e {
        Event::Block(b) if b.kind == BlockKind::Sent && b.to == "NEWS" => Some(&b.text),
        _ => None,
    });
    texts.collect::<std::collections::BTreeSet<_>>().len()
}

/// What is not repeated, each with its reason: a double, a long path, and what somebody sends who is
/// muted.
#[test]
fn a_digipeater_repeats_once_not_far_and_not_for_who_is_muted() {
    let mut listener = Listener::new();
    let hear = |listener: &mut Listener, frame: Vec<u8>| {
        listener.hear_frames(&[frame]);
        listener.hear(&vec![0.0; 60_000]);
        repeated(listener)
    };
    assert_eq!(
        hear(&mut listener, by_way("QC2CAP", &["QA1SKY-1"], "one")),
        1
    );
    assert_eq!(
        hear(&mut listener, by_way("QC2CAP", &["QA1SKY-1"], "one")),
        1
    );
    // The copy of another digipeater under the same alias, which has set its mark.
    let twice = ["QA1SKY-1", "QA1SKY-1"];
    assert_eq!(hear(&mut listener, by_way("QC2CAP", &twice, "all")), 2);
    let mut copy = Frame::decode(&by_way("QC2CAP", &twice, "all")).expect("a frame");
    copy.repeaters[0].has_been_repeated = true;
    assert_eq!(hear(&mut listener, copy.encode()), 2);
    let far = ["QA1SKY-1", "QD2HIL", "QE7SKE", "QF1BOT"];
    assert_eq!(hear(&mut listener, by_way("QC2CAP", &far, "two")), 2);
    let mute = |minutes| Command::Mute {
        call: call("QC2CAP-9"),
        minutes,
        by: "Ann".into(),
        why: "floods".into(),
    };
    listener
        .station
        .command(listener.now, mute(10))
        .expect("muted");
    assert_eq!(
        hear(&mut listener, by_way("QC2CAP", &["QA1SKY-1"], "three")),
        2
    );
    assert_eq!(
        hear(&mut listener, by_way("QM3BAR", &["QA1SKY-1"], "four")),
        3
    );
    let snapshot = listener.station.snapshot(listener.now);
    assert_eq!(snapshot.mutes.len(), 1);
    let reasons: Vec<_> = snapshot.rejects.iter().map(|r| (r.kind, r.count)).collect();
    assert_eq!(
        reasons,
        [
            (RejectKind::TooManyHops, 1),
            (RejectKind::RepeatedAlready, 2),
            (RejectKind::Muted, 1)
        ]
    );
    listener
        .station
        .command(listener.now, mute(0))
        .expect("no longer");
    let twice = listener.station.command(listener.now, mute(0));
    twice.expect_err("it is not muted");
    assert_eq!(
        hear(&mut listener, by_way("QC2CAP", &["QA1SKY-1"], "five")),
        4
    );
}
