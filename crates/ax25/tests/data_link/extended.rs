//! Version 2.2: SABME, state 5 (Figs C4.6a, C4.6b), falling back, XID (Figs C5.1 to C5.8).

use dunlin_ax25::data_link::{Request, State, Version};
use dunlin_ax25::wire::xid::{Functions, Parameters, Reject};
use dunlin_ax25::wire::{Modulo, Role};

use crate::session::{Session, ask, data, recv, recv_nothing, send, wake};

/// What the other station offers or answers in these tests.
const THEIRS: Parameters = Parameters {
    full_duplex: Some(false),
    functions: Some(Functions {
        reject: Reject::SelectiveAndImplicit,
        modulo_128: true,
        multiple_srej: true,
        segmenter: true,
    }),
    n1: Some(128),
    k: Some(16),
    t1_ms: Some(4000),
    n2: Some(12),
};

const AGREED: &str = "agreed Selective k 16/64 n1 128 n2 12 segmenter";

fn calling() -> Session {
    let mut s = Session::of_version_2_2();
    ask!(s, time 0, Request::Connect);
    recv!(s, "> SABME poll", "=> Awaiting v2.2 Connection");
    s
}

#[test]
fn a_call_and_what_both_can_are_settled_before_data_passes() {
    let mut s = calling();
    send!(s, time 500, "UA final");
    recv!(s, "connect confirm", "=> Connected", "> XID command poll");
    ask!(s, time 600, data("waits"));
    recv_nothing!(s);
    s.hear_xid(1000, Role::Response, true, &THEIRS);
    recv!(s, AGREED, "> I ns 0 nr 0 \"waits\"");
    assert_eq!(s.link.modulo(), Modulo::OneHundredTwentyEight);
    // T1 of 4 s wins over 3 s (§4.3.3.7: the greater).
    wake!(s, time 5000, T1);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
}

#[test]
fn sabme_is_repeated_and_given_up() {
    let mut s = calling();
    let mut calls = 1;
    while s.link.state() == State::AwaitingExtendedConnection {
        s.wake_next();
        calls += s.take().iter().filter(|l| *l == "> SABME poll").count();
    }
    assert_eq!(calls, 10);
    assert_eq!(s.link.state(), State::Disconnected);
}

#[test]
fn frmr_and_dm_are_followed_by_sabm_and_late_ones_passed_over() {
    for refusal in ["FRMR final", "DM final"] {
        let mut s = calling();
        wake!(s, time 3000, T1);
        recv!(s, "> SABME poll");
        send!(s, time 3500, refusal);
        recv!(s, "> SABM poll", "=> Awaiting Connection");
        send!(s, time 3600, refusal);
        recv_nothing!(s);
        send!(s, time 4000, "UA final");
        recv!(s, "connect confirm", "=> Connected");
        assert_eq!(s.link.modulo(), Modulo::Eight);
        ask!(s, time 4100, data("one"));
        recv!(s, "> I ns 0 nr 0 \"one\"");
    }
    let mut s = calling();
    send!(s, time 500, "DM final");
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    send!(s, time 900, "DM final");
    recv!(
        s,
        "disconnect indication: the other station refused",
        "=> Disconnected"
    );
}

#[test]
fn what_else_comes_while_calling() {
    let mut s = calling();
    send!(s, time 100, "DM response"); // S26: stays
    send!(s, time 110, "UA response");
    recv!(s, "error D");
    send!(s, time 120, "DISC poll");
    recv!(s, "> DM final");
    send!(s, time 130, "UI poll \"x\""); // S25
    recv!(s, "unit data x", "> DM final");
    send!(s, time 140, "UI \"y\"");
    recv!(s, "unit data y");
    send!(s, time 150, "RR response nr 0");
    send!(s, time 160, "I ns 0 nr 0 \"no\"");
    recv_nothing!(s);
    assert_eq!(s.link.state(), State::AwaitingExtendedConnection);
    // It calls by the old way: so does this end from now on.
    send!(s, time 300, "SABM poll");
    recv!(s, "> UA final", "=> Awaiting Connection");
    wake!(s, time 3000, T1);
    recv!(s, "> SABM poll");
}

#[test]
fn both_call_at_once_and_both_negotiate() {
    // §6.3.6.2, D15.
    let mut s = calling();
    send!(s, time 200, "SABME poll");
    recv!(
        s,
        "> UA final",
        "connect confirm",
        "=> Connected",
        "> XID command poll"
    );
    send!(s, time 400, "UA final");
    recv_nothing!(s);
}

#[test]
fn layer_3_changes_its_mind_while_calling() {
    let mut s = calling();
    ask!(s, time 100, data("one"));
    ask!(s, time 110, Request::Connect);
    assert_eq!(s.unsent(), ["one"]);
    ask!(s, time 120, Request::Disconnect);
    recv_nothing!(s);
    send!(s, time 500, "UA final");
    recv!(
        s,
        "connect confirm",
        "=> Connected",
        "> XID command poll",
        "> DISC poll",
        "=> Awaiting Release"
    );
    send!(s, time 900, "UA final");
    recv!(s, "disconnect confirm", "=> Disconnected");
}

#[test]
fn the_other_end_calls_and_negotiates() {
    let mut s = Session::extended();
    s.hear_xid(100, Role::Command, true, &THEIRS);
    recv!(s, AGREED, "> XID response final");
    ask!(s, time 200, data("one"));
    recv!(s, "> I ns 0 nr 0 \"one\"");
    // The same once more: nothing new.
    s.hear_xid(300, Role::Command, true, &THEIRS);
    recv!(s, "> XID response final");
}

#[test]
fn a_station_of_version_2_0_shows_that_it_is_one() {
    let mut s = Session::new();
    send!(s, time 0, "SABME poll");
    recv!(s, "> FRMR final 7F 00 01");
    s.hear_xid(10, Role::Command, true, &THEIRS);
    recv!(s, "> FRMR final BF 00 01");
}

#[test]
fn a_link_may_start_over_in_either_modulo() {
    let mut s = Session::extended();
    ask!(s, time 10, data("one"));
    recv!(s, "> I ns 0 nr 0 \"one\"");
    send!(s, time 100, "SABM poll");
    recv!(s, "> UA final", "error F", "connect indication, reset");
    assert_eq!(s.link.modulo(), Modulo::Eight);
    assert_eq!(s.unsent(), ["one*"]);
    send!(s, time 200, "SABME poll");
    recv!(s, "> UA final", "error F");
    assert_eq!(s.link.modulo(), Modulo::OneHundredTwentyEight);
    // FRMR from a station that took SABME: version 2.0 from here on.
    send!(s, time 300, "FRMR final");
    recv!(s, "error K", "> SABM poll", "=> Awaiting Connection");
}

#[test]
fn xid_without_an_answer_with_frmr_and_with_nonsense() {
    let xid_sent = || {
        let mut s = calling();
        send!(s, time 0, "UA final");
        recv!(s, "connect confirm", "=> Connected", "> XID command poll");
        s
    };
    let mut s = xid_sent();
    let mut sent = 1;
    loop {
        s.wake_next();
        let lines = s.take();
        sent += lines.iter().filter(|l| *l == "> XID command poll").count();
        if lines.contains(&"management error C".to_owned()) {
            break;
        }
    }
    assert_eq!(sent, 10);
    ask!(s, time 100_000, data("one"));
    recv!(s, "> I ns 0 nr 0 \"one\"");

    // D19: three octets of information are the FRMR of a station that counts modulo 8.
    let mut s = xid_sent();
    ask!(s, time 100, data("one"));
    let mut frame = s.peer_frame("FRMR final");
    frame.info = vec![0xBF, 0x00, 0x01];
    s.handle(500, dunlin_ax25::data_link::Input::Frame(frame));
    recv!(
        s,
        "management error E",
        "> SABM poll",
        "=> Awaiting Connection"
    );
    send!(s, time 600, "UA final");
    recv!(s, "=> Connected", "> I ns 0 nr 0 \"one\"");
    assert_eq!(s.link.modulo(), Modulo::Eight);

    let mut s = xid_sent();
    ask!(s, time 100, data("one"));
    send!(s, time 500, "FRMR final");
    recv!(
        s,
        "management error E",
        "agreed Implicit k 32/127 n1 256 n2 10",
        "> I ns 0 nr 0 \"one\""
    );

    let mut s = xid_sent();
    s.hear_xid(100, Role::Response, false, &THEIRS);
    recv!(s, "management error D");
    s.hear_xid(200, Role::Command, false, &THEIRS);
    recv!(s, "management error A");
    // It asks as well: answered at once, lest both wait.
    s.hear_xid(300, Role::Command, true, &THEIRS);
    recv!(s, AGREED, "> XID response final");
    s.hear_xid(400, Role::Response, true, &THEIRS);
    recv_nothing!(s);
    s.hear_xid(500, Role::Response, true, &THEIRS);
    recv!(s, "management error B");
    let mut frame = s.peer_frame("XID poll");
    frame.info = vec![0x82, 0x80, 0, 3, 8, 1, 0];
    s.handle(600, dunlin_ax25::data_link::Input::Frame(frame));
    recv!(
        s,
        "management error Unusable(Value(8))",
        "> XID response final"
    );
}

#[test]
fn after_a_refusal_a_late_ua_to_another_sabme_does_not_bring_the_link_up() {
    // D19: the other end, down by the DM, took the second SABME and counts modulo 128.
    let mut s = calling();
    wake!(s, time 3000, T1);
    recv!(s, "> SABME poll");
    send!(s, time 3500, "DM final");
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    send!(s, time 3600, "UA final");
    recv_nothing!(s);
    send!(s, time 4000, "UA final");
    recv!(s, "connect confirm", "=> Connected");
    // The same after a SABM that crossed the SABME.
    let mut s = calling();
    send!(s, time 500, "SABM poll");
    recv!(s, "> UA final", "=> Awaiting Connection");
    send!(s, time 600, "UA final");
    recv_nothing!(s);
    wake!(s, time 3000, T1);
    recv!(s, "> SABM poll");
    send!(s, time 3500, "UA final");
    recv!(s, "connect confirm", "=> Connected");
    assert_eq!(s.link.modulo(), Modulo::Eight);
}

#[test]
fn many_calls_that_nobody_heard_do_not_make_the_link_deaf_to_the_answer() {
    // D19: six SABMEs were sent, and the other end, which heard none of them, calls by SABM.
    let mut s = calling();
    let mut at = 0;
    for _ in 0..5 {
        at = s.wake_next();
        recv!(s, "> SABME poll");
    }
    send!(s, time at + 100, "SABM poll");
    recv!(s, "> UA final", "=> Awaiting Connection");
    let mut calls = 0;
    while s.link.state() != State::Connected {
        at = s.wake_next();
        recv!(s, "> SABM poll");
        calls += 1;
        send!(s, time at + 100, "UA final");
        let lines = s.take();
        assert!(lines.is_empty() || lines == ["connect confirm", "=> Connected"]);
    }
    assert_eq!(calls, 2);
}

#[test]
fn xid_is_answered_without_a_link() {
    let mut s = Session::of_version_2_2();
    s.hear_xid(0, Role::Command, true, &THEIRS);
    recv!(s, "> XID response final");
    assert_eq!(s.link.state(), State::Disconnected);
}

#[test]
fn long_data_goes_in_segments_once_both_can() {
    let mut s = Session::extended();
    let long = "x".repeat(300);
    ask!(s, time 0, data(&long));
    assert!(s.take()[0].starts_with("refused"));
    s.hear_xid(10, Role::Command, true, &THEIRS);
    recv!(s, AGREED, "> XID response final");
    ask!(s, time 20, data(&long));
    // 301 octets with their PID, 126 in each.
    let sent = s.take();
    assert_eq!(sent.len(), 3, "{sent:?}");
    // And back: three segments of PID 8 make one delivery.
    for (n, (header, text)) in [(0x82, "ab"), (0x01, "cd"), (0x00, "ef")]
        .into_iter()
        .enumerate()
    {
        let mut frame = s.peer_frame(&format!("I ns {n} nr 0 \"\""));
        frame.pid = Some(0x08);
        let own_pid: &[u8] = if n == 0 { &[0xF0] } else { &[] };
        frame.info = [&[header][..], own_pid, text.as_bytes()].concat();
        s.handle(100, dunlin_ax25::data_link::Input::Frame(frame));
    }
    recv!(s, "seize", "data abcdef");
    // A segment that never gets its next.
    let mut frame = s.peer_frame("I ns 3 nr 0 \"\"");
    frame.pid = Some(0x08);
    frame.info = vec![0x81, 0xF0];
    s.handle(200, dunlin_ax25::data_link::Input::Frame(frame));
    while !s.take().contains(&"error Z".to_owned()) {
        assert_ne!(s.link.state(), State::Disconnected);
        let at = s.wake_next();
        send!(s, time at, "RR response nr 3 final");
    }
}

/// Found by fuzzing: the rest was sent, of which the other end could make nothing, and nobody
/// was told.
#[test]
fn a_text_in_segments_that_a_new_start_tears_apart_is_in_doubt() {
    // D20: a window of segments is acknowledged, the rest waits.
    let mut s = Session::extended();
    s.hear_xid(10, Role::Command, true, &THEIRS);
    recv!(s, AGREED, "> XID response final");
    ask!(s, time 30, data(&"x".repeat(126 * 100)));
    let window = s.take().len();
    assert!(window < 100);
    send!(s, time 50, &format!("RNR response nr {window}"));
    recv_nothing!(s);
    assert_eq!(s.link.unacknowledged(), 0);
    send!(s, time 60, "SABME poll");
    recv!(s, "> UA final", "error F", "connect indication, reset");
    assert!(!s.link.take_unsent().is_empty());
    assert_eq!(s.link.queued(), 0);
}

/// Found by fuzzing: the parts came out as texts of their own.
#[test]
fn segments_are_put_together_though_the_answer_to_xid_was_lost() {
    let mut s = calling();
    send!(s, time 100, "UA final");
    recv!(s, "connect confirm", "=> Connected", "> XID command poll");
    for (n, info) in [&[0x81, 0xF0, b'a'][..], &[0x00, b'b']]
        .into_iter()
        .enumerate()
    {
        let mut frame = s.peer_frame(&format!("I ns {n} nr 0 \"\""));
        frame.pid = Some(0x08);
        frame.info = info.to_vec();
        s.handle(200, dunlin_ax25::data_link::Input::Frame(frame));
    }
    recv!(s, "seize", "data ab");
}

#[test]
fn what_was_queued_before_the_other_end_named_its_n1_comes_back_if_it_is_too_long() {
    let mut s = Session::with(|config| config.version = Version::V22);
    ask!(s, time 0, Request::Connect);
    ask!(s, time 0, data(&"y".repeat(200)));
    ask!(s, time 0, data("short"));
    send!(s, time 0, "UA final");
    s.take();
    s.hear_xid(100, Role::Response, true, &THEIRS);
    let lines = s.take();
    assert!(lines[0].starts_with("refused yyy"), "{lines:?}");
    assert_eq!(lines[2], "> I ns 0 nr 0 \"short\"");
}
