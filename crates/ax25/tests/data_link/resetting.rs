//! Resetting (§6.5), by either end, and what happens to the data.

use dunlin_ax25::data_link::{Input, Request, State};
use dunlin_ax25::wire::{Control, Fault};

use crate::session::{Session, ask, call, data, recv, recv_nothing, send, wake};

#[test]
fn the_other_end_resets_an_idle_link() {
    let mut s = Session::connected();
    send!(s, time 1000, "SABM poll");
    recv!(s, "> UA final", "error F");
    assert_eq!(
        s.link.next_wakeup().map(|(at, _)| at.as_millis()),
        Some(61_000)
    );
}

#[test]
fn the_other_end_resets_with_data_in_doubt() {
    for mut s in [Session::connected(), Session::recovering()] {
        if s.link.state() == State::Connected {
            ask!(s, time 1000, data("one"));
            recv!(s, "> I ns 0 nr 0 \"one\"");
        }
        ask!(s, time 5000, Request::FlowOff);
        recv!(s, "> RNR response nr 0");
        send!(s, time 6000, "SABM poll");
        let lines = s.take();
        assert_eq!(
            lines[..3],
            ["> UA final", "error F", "connect indication, reset"]
        );
        assert_eq!(s.link.state(), State::Connected);
        assert!(
            !s.link.is_own_busy(),
            "a busy condition is cleared too (§6.5)"
        );
        assert_eq!(s.unsent(), ["one*"]);
        ask!(s, time 6000, data("one again"));
        recv!(s, "> I ns 0 nr 0 \"one again\"");
    }
}

#[test]
fn a_reset_with_nothing_in_doubt_keeps_what_waits() {
    // D2.
    let mut s = Session::connected();
    send!(s, time 0, "RNR response nr 0");
    ask!(s, time 10, data("one"));
    recv_nothing!(s);
    send!(s, time 20, "SABM poll");
    recv!(s, "> UA final", "error F", "> I ns 0 nr 0 \"one\"");
}

#[test]
fn this_end_resets_with_data_in_doubt() {
    let mut s = Session::with(|config| config.k = 1).accepted();
    ask!(s, time 1000, data("one"));
    ask!(s, time 1000, data("two"));
    recv!(s, "> I ns 0 nr 0 \"one\"");
    send!(s, time 2000, "FRMR final");
    recv!(s, "error K", "> SABM poll", "=> Awaiting Connection");
    // Asked for meanwhile, it stays behind the older data.
    ask!(s, time 2500, data("three"));
    send!(s, time 3000, "UA final");
    recv!(s, "connect indication, reset", "=> Connected");
    assert_eq!(s.unsent(), ["one*", "two", "three"]);
    ask!(s, time 3000, data("four"));
    recv!(s, "> I ns 0 nr 0 \"four\"");
}

#[test]
fn this_end_resets_with_nothing_in_doubt() {
    let mut s = Session::connected();
    send!(s, time 2000, "UA final");
    recv!(s, "error C", "> SABM poll", "=> Awaiting Connection");
    ask!(s, time 2500, data("one"));
    send!(s, time 3000, "UA final");
    // S4: layer 3 did not ask, so it gets no confirm.
    recv!(s, "=> Connected", "> I ns 0 nr 0 \"one\"");
}

#[test]
fn each_reason_to_reset() {
    let long = format!("I ns 0 nr 0 \"{}\"", "x".repeat(257));
    let table = [
        ("UA final", "error C"),
        ("UA", "error C"),
        ("FRMR", "error K"),
        (&long, "error O"),
    ];
    for (frame, error) in table {
        for mut s in [Session::connected(), Session::recovering()] {
            send!(s, time 5000, frame);
            recv!(s, error, "> SABM poll", "=> Awaiting Connection");
        }
    }
    let faults = [
        (Fault::ControlField, "error L"),
        (Fault::InfoNotPermitted, "error M"),
        (Fault::Length, "error N"),
    ];
    for (fault, error) in faults {
        for mut s in [Session::connected(), Session::recovering()] {
            s.handle(5000, Input::Faulty(fault));
            recv!(s, error, "> SABM poll", "=> Awaiting Connection");
        }
    }
}

#[test]
fn a_reset_that_is_never_answered_ends_the_link() {
    let mut s = Session::with(|config| config.n2 = 1).accepted();
    ask!(s, time 1000, data("one"));
    send!(s, time 2000, "FRMR");
    s.take();
    wake!(s, time 5000, T1);
    recv!(
        s,
        "error G",
        "disconnect indication: there was no answer",
        "=> Disconnected"
    );
    assert_eq!(s.unsent(), ["one*"]);
}

#[test]
fn layer_3_asks_for_a_fresh_start() {
    // S17: from Timer Recovery too, the answer is awaited in state 1.
    for mut s in [Session::connected(), Session::recovering()] {
        ask!(s, time 5000, Request::Connect);
        recv!(s, "> SABM poll", "=> Awaiting Connection");
        send!(s, time 5500, "UA final");
        recv!(s, "connect confirm", "=> Connected");
    }
}

#[test]
fn a_late_ua_does_no_harm() {
    // D4: both SABMs arrived, and both are answered.
    let calling_twice = || {
        let mut s = Session::new();
        ask!(s, time 0, Request::Connect);
        wake!(s, time 3000, T1);
        send!(s, time 3100, "UA final");
        s.take();
        s
    };
    let mut s = calling_twice();
    ask!(s, time 3200, data("one"));
    recv!(s, "> I ns 0 nr 0 \"one\"");
    send!(s, time 4000, "UA final");
    recv_nothing!(s);
    send!(s, time 4100, "UA final");
    recv!(s, "error C", "> SABM poll", "=> Awaiting Connection");
    // Once data has come in, the ends may be out of step: reset.
    let mut s = calling_twice();
    send!(s, time 3200, "I ns 0 nr 0 \"x\"");
    recv!(s, "data x", "seize");
    send!(s, time 4000, "UA final");
    recv!(s, "error C", "> SABM poll", "=> Awaiting Connection");
}

#[test]
fn modulo_128_is_declined_on_a_link_that_is_up() {
    // D5: the other end has lost the link and calls anew.
    for mut s in [Session::connected(), Session::recovering()] {
        send!(s, time 5000, "SABME poll");
        let vs = s.link.unacknowledged() << 1;
        recv!(s, format!("> FRMR final 7F {vs:02X} 01").as_str());
        send!(s, time 5000, "XID poll");
        recv!(s, format!("> FRMR final BF {vs:02X} 01").as_str());
        send!(s, time 5000, "XID response final");
        recv_nothing!(s);
    }
}

#[test]
fn a_reset_takes_the_way_of_the_sabm() {
    // D11.
    let mut s = Session::connected();
    s.path = vec![call("QD2HIL-1")];
    send!(s, time 1000, "SABM poll");
    ask!(s, time 1000, data("one"));
    recv!(
        s,
        "> via QD2HIL-1 UA final",
        "error F",
        "> via QD2HIL-1 I ns 0 nr 0 \"one\""
    );
}

#[test]
fn own_reset_with_nothing_in_doubt_keeps_what_waits() {
    // D2: the busy condition goes with the reset (§6.5), and the data with the new link.
    let mut s = Session::connected();
    send!(s, time 0, "RNR response nr 0");
    ask!(s, time 10, data("one"));
    send!(s, time 20, "FRMR final");
    recv!(s, "error K", "> SABM poll", "=> Awaiting Connection");
    ask!(s, time 30, data("two"));
    send!(s, time 40, "UA final");
    recv!(
        s,
        "=> Connected",
        "> I ns 0 nr 0 \"one\"",
        "> I ns 1 nr 0 \"two\""
    );
    assert!(s.unsent().is_empty());
}

#[test]
fn numbers_start_at_zero_after_every_kind_of_start() {
    let used = || {
        let mut s = Session::connected();
        ask!(s, time 0, data("out"));
        send!(s, time 0, "I ns 0 nr 1 \"in\"");
        s.take();
        s
    };
    let fresh = |s: &mut Session| {
        s.take();
        ask!(s, time 90, data("first"));
        recv!(s, "> I ns 0 nr 0 \"first\"");
        send!(s, time 90, "I ns 0 nr 1 \"first\"");
        recv!(s, "data first", "seize");
    };
    let mut s = used();
    send!(s, time 10, "SABM poll");
    fresh(&mut s);
    let mut s = used();
    send!(s, time 10, "FRMR");
    send!(s, time 20, "UA final");
    fresh(&mut s);
    let mut s = used();
    send!(s, time 10, "DISC poll");
    send!(s, time 20, "SABM poll");
    fresh(&mut s);
    let mut s = used();
    send!(s, time 10, "DM");
    ask!(s, time 20, Request::Connect);
    send!(s, time 30, "UA final");
    fresh(&mut s);
}

#[test]
fn conditions_do_not_outlive_the_link() {
    let mut s = Session::connected();
    ask!(s, time 0, Request::FlowOff);
    ask!(s, time 0, Request::FlowOn);
    send!(s, time 10, "RNR response nr 0");
    assert!(s.link.is_peer_busy());
    // The poll of FLOW-ON is forgotten with a reset: its answer would be none.
    send!(s, time 20, "SABM poll");
    s.take();
    assert!(!s.link.is_peer_busy());
    send!(s, time 30, "RR response nr 0 final");
    recv!(s, "error A");
    send!(s, time 40, "RNR response nr 0");
    ask!(s, time 50, Request::FlowOff);
    send!(s, time 60, "DISC poll");
    assert!(!s.link.is_peer_busy() && !s.link.is_own_busy());
}

#[test]
fn an_acknowledgement_of_the_old_link_is_not_owed_on_the_new_one() {
    let mut s = Session::connected();
    send!(s, time 10, "I ns 0 nr 0 \"old\"");
    recv!(s, "data old", "seize");
    send!(s, time 20, "SABM poll");
    recv!(s, "> UA final", "error F");
    s.handle(30, Input::SeizeConfirm);
    recv!(s, "release");
    send!(s, time 40, "I ns 0 nr 0 \"new\"");
    recv!(s, "data new", "seize");
    s.handle(50, Input::SeizeConfirm);
    recv!(s, "> RR response nr 1", "release");
}

#[test]
fn frames_that_waited_too_long_have_no_use_any_more() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    wake!(s, time 3000, T1);
    let calling = s.link.generation();
    let sabm = Control::Sabm { p: true };
    assert!(s.link.has_use_for(sabm, calling));
    // The UA to the first SABM comes while the second still waits for the transmitter.
    send!(s, time 3100, "UA final");
    assert!(!s.link.has_use_for(sabm, calling));
    let (rr, ua) = (Control::Rr { nr: 1, pf: false }, Control::Ua { f: true });
    // Each of these makes what went before stale, but never what any state may send.
    for (ms, from_peer) in [
        (4000, "SABM poll"),
        (5000, "FRMR"),
        (6000, "UA final"),
        (7000, "DM"),
    ] {
        let before = s.link.generation();
        assert!(s.link.has_use_for(rr, before));
        send!(s, time ms, from_peer);
        assert!(!s.link.has_use_for(rr, before), "{from_peer}");
        assert!(s.link.has_use_for(ua, before), "{from_peer}");
    }
    let mut s = Session::connected();
    let before = s.link.generation();
    ask!(s, time 10, Request::Disconnect);
    assert!(!s.link.has_use_for(rr, before));
    assert!(
        s.link
            .has_use_for(Control::Disc { p: true }, s.link.generation())
    );
}
