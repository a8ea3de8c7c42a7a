//! Releasing (§6.3.4), in both directions.

use dunlin_ax25::data_link::{Input, Request};
use dunlin_ax25::wire::Fault;

use crate::session::{Session, ask, data, recv, recv_nothing, send, wake};

/// DISC sent at 1000, T1 ends at 4000.
fn releasing() -> Session {
    let mut s = Session::connected();
    ask!(s, time 1000, Request::Disconnect);
    recv!(s, "> DISC poll", "=> Awaiting Release");
    s
}

#[test]
fn this_end_releases() {
    for answer in ["UA final", "DM final"] {
        let mut s = releasing();
        send!(s, time 2000, answer);
        recv!(s, "disconnect confirm", "=> Disconnected");
    }
}

#[test]
fn the_other_end_releases() {
    let mut s = Session::connected();
    ask!(s, time 0, data("one"));
    send!(s, time 10, "DISC poll");
    recv!(
        s,
        "> I ns 0 nr 0 \"one\"",
        "> UA final",
        "disconnect indication: the other station ended it",
        "=> Disconnected",
    );
    assert_eq!(s.unsent(), ["one*"]);

    let mut s = Session::recovering();
    send!(s, time 5000, "DISC poll");
    recv!(
        s,
        "> UA final",
        "disconnect indication: the other station ended it",
        "=> Disconnected",
    );
    assert_eq!(s.unsent(), ["one*"]);
}

#[test]
fn the_release_is_never_answered() {
    let mut s = Session::with(|config| config.n2 = 2).accepted();
    ask!(s, time 1000, Request::Disconnect);
    recv!(s, "> DISC poll", "=> Awaiting Release");
    wake!(s, time 4000, T1);
    recv!(s, "> DISC poll");
    wake!(s, time 7250, T1);
    recv!(s, "> DISC poll");
    wake!(s, time 10_750, T1);
    // S7: letter H.
    recv!(
        s,
        "error H",
        "disconnect indication: the other station did not answer the goodbye",
        "=> Disconnected",
    );
}

#[test]
fn asking_twice_releases_at_once() {
    // S6.
    let mut s = releasing();
    ask!(s, time 1500, Request::Disconnect);
    recv!(s, ">> DM", "disconnect confirm", "=> Disconnected");
}

#[test]
fn while_releasing_other_frames_change_nothing() {
    let mut s = releasing();
    for frame in ["SABM poll", "SABME poll"] {
        send!(s, time 1100, frame);
        recv!(s, ">> DM final");
    }
    send!(s, time 1100, "DISC poll");
    recv!(s, ">> UA final");
    for frame in [
        "I ns 0 nr 0 poll \"x\"",
        "RR command nr 0 poll",
        "RNR command nr 0 poll",
        "REJ command nr 0 poll",
        "SREJ command nr 0 poll",
    ] {
        send!(s, time 1100, frame);
        recv!(s, "> DM final");
    }
    for frame in [
        "I ns 0 nr 0 \"x\"",
        "RR response nr 0 final",
        "DM",
        "FRMR final",
        "XID poll",
    ] {
        send!(s, time 1100, frame);
        recv_nothing!(s);
    }
    send!(s, time 1100, "UA");
    recv!(s, "error D");
    send!(s, time 1100, "UI poll \"x\"");
    recv!(s, "unit data x", "> DM final");
    s.handle(1100, Input::Faulty(Fault::Length));
    recv!(s, "error N");
    s.handle(1100, Input::SeizeConfirm);
    recv!(s, "release");
    ask!(s, time 1100, data("late"));
    recv!(s, "refused late: not connected");
    ask!(s, time 1100, Request::UnitData { pid: 0xF0, info: b"u".to_vec() });
    recv!(s, "> UI \"u\"");
    for request in [Request::Connect, Request::FlowOff, Request::FlowOn] {
        ask!(s, time 1100, request);
        recv_nothing!(s);
    }
    send!(s, time 2000, "UA final");
    recv!(s, "disconnect confirm", "=> Disconnected");
}

#[test]
fn text_that_was_not_sent_yet_comes_back_on_release() {
    let mut s = Session::with(|config| config.k = 1).accepted();
    ask!(s, time 0, data("one"));
    ask!(s, time 0, data("two"));
    ask!(s, time 10, Request::Disconnect);
    recv!(
        s,
        "> I ns 0 nr 0 \"one\"",
        "> DISC poll",
        "=> Awaiting Release"
    );
    assert_eq!(s.unsent(), ["one*", "two"]);
    assert_eq!(s.link.unacknowledged() + s.link.queued(), 0);
}

#[test]
fn the_other_end_no_longer_knows_of_the_link() {
    for frame in ["DM", "DM final"] {
        for mut s in [Session::connected(), Session::recovering()] {
            send!(s, time 5000, frame);
            recv!(
                s,
                "error E",
                "disconnect indication: the other station no longer knows of it",
                "=> Disconnected",
            );
        }
    }
}
