//! Frames that no well-made station sends: each is refused for a reason that is kept and shown,
//! and the talk it came upon goes on or ends with a sentence.

use std::collections::BTreeSet;

use dunlin_ax25::Frame;
use dunlin_ax25::data_link::Version;
use dunlin_ax25::wire::xid::Parameters;
use dunlin_ax25::wire::{Control, Modulo, Role, pid};
use dunlin_clock::Duration;
use dunlin_station::{Direction, Event, RejectKind, TalkId, TalkState};

use crate::cable::with_controller;
use crate::peer::{MINUTE, Peer, SOON, command, from, response};
use crate::wire::call;

fn i(ns: u8, nr: u8) -> Control {
    Control::I { ns, nr, p: false }
}

fn received(p: &Peer) -> Vec<String> {
    let lines = p.lines().into_iter();
    let theirs = lines.filter(|l| l.direction == Direction::Received);
    theirs.map(|l| l.text).collect()
}

/// The station calls by version 2.2; both agree on the whole of it.
fn newer() -> Peer {
    let mut config = with_controller("QA1SKY", 1);
    config.ports[0].link_version = Version::V22;
    let mut p = Peer::with(config);
    p.is_called(&[]);
    p.waits(SOON);
    p.says(&response(Control::Ua { f: true }));
    p.modulo = Modulo::OneHundredTwentyEight;
    let sent = p.hears();
    assert!(
        matches!(sent[..], [Control::Sabme { .. }, Control::Xid { .. }]),
        "{sent:?}"
    );
    let offer = p.cable.handed[0]
        .last()
        .map(|(_, octets)| octets.clone())
        .expect("sent");
    let offer = Frame::decode(&offer).expect("a frame");
    p.says(&Frame {
        info: offer.info,
        ..response(Control::Xid { pf: true })
    });
    p
}

fn xid(info: Vec<u8>) -> Frame {
    Frame {
        info,
        ..command(Control::Xid { pf: true })
    }
}

#[test]
fn an_acknowledgement_of_what_was_never_sent() {
    let mut p = Peer::new();
    p.is_connected();
    p.says(&response(Control::Rr { nr: 4, pf: false }));
    p.assert_rejected(
        RejectKind::Sequence,
        "QM3BAR: the other station acknowledged what was never",
    );
    assert_eq!(
        p.hears(),
        [Control::Sabm { p: true }],
        "the link begins anew"
    );
    assert!(p.noted("acknowledged what was never sent"));
}

#[test]
fn a_text_with_a_number_out_of_turn_is_asked_for_again_and_shown_once() {
    let mut p = Peer::new();
    p.is_connected();
    p.says(&command(i(5, 0)));
    assert_eq!(p.hears(), [Control::Rej { nr: 0, pf: false }]);
    assert_eq!(received(&p), Vec::<String>::new());
    p.says(&command(i(0, 0)));
    assert_eq!(received(&p), ["blankets"]);
}

#[test]
fn an_oversized_text() {
    let mut p = Peer::new();
    p.is_connected();
    let info = vec![b'x'; 257];
    p.says(&Frame {
        info,
        ..command(i(0, 0))
    });
    p.assert_rejected(RejectKind::TooLong, "longer I frame than allowed");
    assert_eq!(received(&p), Vec::<String>::new());
}

#[test]
fn an_oversized_frame_from_a_controller() {
    let mut p = Peer::new();
    p.says_octets(&vec![0x40; 2049]);
    p.assert_rejected(RejectKind::TooLong, "2049 octets");
}

#[test]
fn octets_that_are_no_frame() {
    let mut p = Peer::new();
    p.says_octets(b"cmd:\r\n");
    p.assert_rejected(RejectKind::NoAddress, "no AX.25 frame (6 of them)");
}

#[test]
fn undersized_frames() {
    let mut p = Peer::new();
    p.is_connected();
    let whole = command(i(0, 0)).encode();
    p.says_octets(&whole[..15]); // The PID is missing.
    p.assert_rejected(
        RejectKind::TooShort,
        "must have a PID octet; the link begins anew",
    );
    assert_eq!(
        p.hears(),
        [Control::Sabm { p: true }],
        "DL-ERROR N, AX.25 2.2 Fig C4.4a"
    );
}

#[test]
fn an_undefined_control_field_with_and_without_a_link() {
    let mut octets = command(Control::Disc { p: true }).encode();
    octets[14] = 0xFF;
    let mut p = Peer::new();
    p.says_octets(&octets);
    p.assert_rejected(RejectKind::ControlField, "0xFF is not defined");
    assert_eq!(p.hears(), [], "a stranger's garbage is not answered");
    p.is_connected();
    p.says_octets(&octets);
    assert_eq!(p.rejected(RejectKind::ControlField).expect("kept").count, 2);
    assert_eq!(p.hears(), [Control::Sabm { p: true }]);
}

#[test]
fn information_where_none_is_allowed() {
    let mut p = Peer::new();
    p.is_connected();
    let mut octets = command(Control::Disc { p: true }).encode();
    octets.push(7);
    p.says_octets(&octets);
    p.assert_rejected(RejectKind::Information, "must have no information field");
    assert_eq!(
        p.talk().state,
        TalkState::Checking,
        "not taken for a goodbye"
    );
}

#[test]
fn a_wrong_pid() {
    let mut p = Peer::new();
    p.is_connected();
    let frame = Frame {
        pid: Some(pid::IP),
        ..command(i(0, 0))
    };
    p.says(&frame);
    p.assert_rejected(RejectKind::OtherProtocol, "9 octets of protocol 0xCC (IP)");
    assert_eq!(received(&p), Vec::<String>::new(), "not shown as text");
    p.says(&command(i(1, 0)));
    assert_eq!(received(&p), ["blankets"], "the link goes on");
}

#[test]
fn segments_that_were_not_agreed_on_are_put_together() {
    // The answer by which the other end agreed may have been lost.
    let mut p = Peer::new();
    p.is_connected();
    for (ns, info) in [(0, &b"\x81\xF0blan"[..]), (1, b"\x00kets\r")] {
        p.says(&Frame {
            pid: Some(pid::SEGMENT),
            info: info.to_vec(),
            ..command(i(ns, 0))
        });
    }
    assert_eq!(received(&p), ["blankets"]);
}

fn segment(ns: u8, header: u8) -> Frame {
    Frame {
        pid: Some(pid::SEGMENT),
        info: vec![header, 0xF0, b'a'],
        ..command(i(ns, 0))
    }
}

#[test]
fn segments_out_of_order() {
    let mut p = newer();
    p.says(&segment(0, 0x82)); // The first of three …
    p.says(&segment(1, 0x00)); // … and the last.
    p.assert_rejected(RejectKind::Segments, "missing or out of order");
    p.says(&command(i(2, 0)));
    assert_eq!(received(&p), ["blankets"]);
}

#[test]
fn segments_that_never_end() {
    let mut p = newer();
    p.says(&segment(0, 0x82));
    for _ in 0..11 {
        // It is there, and answers; but the rest does not come.
        let polls = p
            .hears()
            .into_iter()
            .filter(|c| matches!(c, Control::Rr { pf: true, .. }));
        for _ in polls {
            p.says(&response(Control::Rr { nr: 0, pf: true }));
        }
        p.waits(MINUTE);
    }
    p.assert_rejected(RejectKind::Segments, "missing or out of order");
}

#[test]
fn an_xid_with_unknown_parameters_is_answered_without_them() {
    let mut p = newer();
    p.hears();
    // AX.25 2.2 §4.3.3.7: what is not known is passed over. 82 80, group length 4, PI 99 length 2.
    p.says(&xid(vec![0x82, 0x80, 0, 4, 99, 2, 1, 2]));
    assert_eq!(p.hears(), [Control::Xid { pf: true }]);
    assert!(p.rejected(RejectKind::Negotiation).is_none());
    let answer = p.cable.handed[0]
        .last()
        .map(|(_, octets)| octets.clone())
        .expect("sent");
    let answer = Frame::decode(&answer).expect("a frame");
    assert_eq!(Parameters::decode(&answer.info), Ok(Parameters::default()));
}

#[test]
fn xids_that_contradict_themselves() {
    let mut p = newer();
    p.hears();
    let bad: [(&str, &[u8]); 4] = [
        // Neither half nor full duplex (PI 2 with only "balanced").
        (
            "parameter 2 contradicts itself",
            &[0x82, 0x80, 0, 4, 2, 2, 1, 0],
        ),
        (
            "parameter 8 stands in it twice",
            &[0x82, 0x80, 0, 6, 8, 1, 2, 8, 1, 3],
        ),
        ("lengths do not fit", &[0x82, 0x80, 0, 9, 8, 1, 2]),
        ("format and group", &[1, 2, 3, 4]),
    ];
    for (n, (words, info)) in bad.iter().enumerate() {
        p.says(&xid(info.to_vec()));
        p.assert_rejected(RejectKind::Negotiation, words);
        assert_eq!(
            p.rejected(RejectKind::Negotiation).expect("kept").count,
            n as u64 + 1
        );
        assert_eq!(
            p.hears(),
            [Control::Xid { pf: true }],
            "answered, with nothing agreed"
        );
    }
    assert_eq!(p.talk().state, TalkState::Open);
}

#[test]
fn an_xid_answer_to_nothing() {
    let mut p = newer();
    let info = Parameters::default().encode();
    p.says(&Frame {
        info,
        ..response(Control::Xid { pf: true })
    });
    p.assert_rejected(RejectKind::Negotiation, "answered an XID that was not sent");
}

#[test]
fn a_peer_that_changes_the_modulus_in_the_middle() {
    let mut p = Peer::new();
    p.is_connected();
    p.says(&command(i(0, 0)));
    p.hears();
    p.says(&command(Control::Sabme { p: true }));
    p.assert_rejected(RejectKind::BegunAfresh, "the other station reset the link");
    p.modulo = Modulo::OneHundredTwentyEight;
    p.says(&command(i(0, 0)));
    assert_eq!(
        received(&p),
        ["blankets", "blankets"],
        "read by the new modulus from then on"
    );
    // A frame of the old modulus: a control field of one octet, and a number that is none.
    p.modulo = Modulo::Eight;
    p.says(&response(Control::Rr { nr: 2, pf: false }));
    p.assert_rejected(RejectKind::TooShort, "the link begins anew");
}

#[test]
fn a_peer_that_changes_its_ssid_in_the_middle() {
    let mut p = Peer::new();
    p.is_connected();
    let other = from("QM3BAR-1", Role::Command, i(0, 0));
    p.says(&other);
    p.assert_rejected(
        RejectKind::NoLink,
        "a link with QM3BAR is open: it may have changed its SSID",
    );
    assert_eq!(
        p.hears(),
        [Control::Dm { f: false }],
        "told that it is not connected"
    );
    assert_eq!(received(&p), Vec::<String>::new());
    assert_eq!(
        p.talk().state,
        TalkState::Open,
        "the talk itself is untouched"
    );
}

#[test]
fn a_response_to_nothing() {
    let mut p = Peer::new();
    p.says(&response(Control::Rr { nr: 3, pf: true }));
    p.assert_rejected(RejectKind::NoLink, "no link is open between them");
    assert_eq!(p.hears(), []);
}

#[test]
fn a_command_marked_as_response() {
    let mut p = Peer::new();
    p.is_connected();
    p.says(&response(i(0, 0)));
    p.assert_rejected(RejectKind::Role, "marked as response");
    assert_eq!(received(&p), Vec::<String>::new());
}

#[test]
fn an_answer_to_nothing_on_a_link() {
    let mut p = Peer::new();
    p.is_connected();
    p.says(&command(i(0, 0)));
    p.says(&response(Control::Ua { f: false }));
    p.assert_rejected(RejectKind::Unexpected, "UA");
}

#[test]
fn a_sender_without_a_call_sign() {
    let mut p = Peer::new();
    let mut octets = command(Control::Sabm { p: true }).encode();
    octets[7] = b'q' << 1;
    p.says_octets(&octets);
    p.assert_rejected(RejectKind::NoCallSign, "which is no call sign");
    assert_eq!(p.hears(), []);
}

#[test]
fn a_reflected_own_frame() {
    let mut p = Peer::new();
    p.is_called(&[]);
    p.hears();
    let own = p.cable.handed[0][0].1.clone();
    for n in 1..=20 {
        p.says_octets(&own);
        let view = p.rejected(RejectKind::OwnFrame).expect("kept");
        assert_eq!(view.count, n);
    }
    p.assert_rejected(RejectKind::OwnFrame, "the port hears itself");
    let notes = p.cable.told[0].iter().filter(|e| match e {
        Event::Note(n) => n.text.contains("hears itself"),
        _ => false,
    });
    assert_eq!(notes.count(), 5, "said a few times, not with each frame");
    assert_eq!(p.talk().state, TalkState::Calling);
    let heard = p.cable.stations[0].snapshot(p.cable.now).heard;
    assert!(heard.iter().all(|h| h.call != "QA1SKY"), "{heard:?}");
}

#[test]
fn a_digipeaters_copy_of_an_own_frame_is_no_reflection() {
    let mut p = Peer::new();
    p.is_called(&["QD2HIL"]);
    p.hears();
    let own = Frame::decode(&p.cable.handed[0][0].1).expect("a frame");
    let mut copy = own;
    assert!(copy.mark_repeated(call("QD2HIL")));
    p.says(&copy);
    assert!(p.rejected(RejectKind::OwnFrame).is_none());
}

fn caller(n: usize) -> String {
    format!("QB{}{}X", n / 10, n % 10)
}

#[test]
fn a_flood_of_calls_is_let_in_up_to_a_limit_and_then_refused_politely_and_slowly() {
    let mut p = Peer::new();
    for n in 0..100 {
        p.says(&from(&caller(n), Role::Command, Control::Sabm { p: true }));
    }
    p.waits(MINUTE);
    let sent = p.hears();
    let count = |f: fn(&Control) -> bool| sent.iter().filter(|c| f(c)).count();
    assert_eq!(count(|c| matches!(c, Control::Ua { .. })), 32, "let in");
    assert_eq!(count(|c| matches!(c, Control::Dm { .. })), 10, "refused");
    p.assert_rejected(RejectKind::CallRefused, "32 callers are being talked with");
    let unanswered = p.rejected(RejectKind::TooMany).expect("kept");
    assert_eq!(unanswered.count, 58, "{unanswered:?}");
    assert!(unanswered.example.contains("QB99X"), "{unanswered:?}");
    // A minute later a few more are answered.
    p.says(&from("QX0RLF", Role::Command, Control::Sabm { p: true }));
    assert!(p.hears().contains(&Control::Dm { f: true }));
}

#[test]
fn calling_and_leaving_over_and_over_is_slowed_down() {
    let mut p = Peer::new();
    for _ in 0..60 {
        p.says(&command(Control::Sabm { p: true }));
        p.waits(Duration::from_millis(100));
        p.says(&command(Control::Disc { p: true }));
        p.waits(Duration::from_millis(100));
    }
    let talks = p.cable.told[0].iter().filter_map(|e| match e {
        Event::Talk(t) => (t.state == TalkState::Open).then_some(t.id),
        _ => None,
    });
    let talks: BTreeSet<TalkId> = talks.collect();
    assert!((32..=34).contains(&talks.len()), "{}", talks.len());
    p.assert_rejected(
        RejectKind::CallRefused,
        "more call than can be let in at once",
    );
}

#[test]
fn what_is_between_others_is_no_reject() {
    let mut p = Peer::new();
    let mut frame = command(Control::Rr { nr: 7, pf: true });
    frame.destination = call("QC2CAP").into();
    p.says(&frame);
    let rejects = p.cable.stations[0].snapshot(p.cable.now).rejects;
    assert_eq!(rejects, []);
}
