//! Connecting (§6.3.1), in both directions, and what a station without a link answers.

use dunlin_ax25::data_link::{LinkConfig, LinkConfigError, MAX_QUEUED, Request};
use dunlin_ax25::wire::Fault;
use dunlin_clock::Duration;

use dunlin_ax25::data_link::Input;

use crate::session::{Session, ask, call, data, recv, recv_nothing, send, wake};

#[test]
fn a_call_is_answered() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    send!(s, time 1000, "UA final");
    recv!(s, "connect confirm", "=> Connected");
    // One round trip of 1 s: SRT = 7/8 * 1.5 s + 1/8 * 1 s (Fig C4.7b).
    assert_eq!(s.link.round_trip(), Duration::from_micros(1_437_500));
    assert_eq!(s.link.t1_length(), Duration::from_micros(2_875_000));
    assert_eq!(s.link.retry_count(), 0);
}

#[test]
fn a_call_is_refused() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, data("hello"));
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    send!(s, time 20, "DM"); // F=0 answers no SABM (§6.3.6.3)
    recv_nothing!(s);
    send!(s, time 1000, "DM final");
    recv!(
        s,
        "disconnect indication: the other station refused",
        "=> Disconnected"
    );
    assert_eq!(s.unsent(), ["hello"]);
}

#[test]
fn a_call_is_never_answered() {
    let mut s = Session::with(|config| config.n2 = 3);
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, data("hello"));
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    wake!(s, time 3000, T1);
    recv!(s, "> SABM poll");
    // T1 grows by 0.25 s with each try (Fig C4.7b, E26): 3.5 s, then 3.75 s.
    wake!(s, time 6500, T1);
    recv!(s, "> SABM poll");
    wake!(s, time 10_250, T1);
    recv!(
        s,
        "error G",
        "disconnect indication: there was no answer",
        "=> Disconnected"
    );
    assert_eq!(s.unsent(), ["hello"]);
    assert_eq!(s.link.counters().t1_expiries, 3);
}

#[test]
fn the_answer_to_a_repeated_call_tells_no_round_trip() {
    // Karn's rule; S4, S20.
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    wake!(s, time 3000, T1);
    send!(s, time 3001, "UA final");
    recv!(
        s,
        "> SABM poll",
        "=> Awaiting Connection",
        "> SABM poll",
        "connect confirm",
        "=> Connected"
    );
    assert_eq!(s.link.round_trip(), Duration::from_millis(1500));
}

#[test]
fn both_call_at_once() {
    // §6.3.6.2, D15: with its answer the link is up, whatever comes of the own call.
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    ask!(s, time 100, data("hello"));
    send!(s, time 500, "SABM poll");
    recv!(
        s,
        "> UA final",
        "connect confirm",
        "=> Connected",
        "> I ns 0 nr 0 \"hello\""
    );
    assert_eq!(
        s.link.round_trip(),
        Duration::from_millis(1500),
        "none was measured"
    );
    // The answer to the own call, and no more than that.
    send!(s, time 1000, "UA final");
    recv_nothing!(s);
    send!(s, time 1100, "UA final");
    recv!(s, "error C", "> SABM poll", "=> Awaiting Connection");
}

#[test]
fn while_calling_other_frames_have_no_effect_on_the_call() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    for frame in [
        "I ns 0 nr 0 poll \"x\"",
        "RR command nr 0 poll",
        "RNR response nr 0",
        "FRMR",
    ] {
        send!(s, time 10, frame);
        recv_nothing!(s);
    }
    send!(s, time 20, "UA");
    recv!(s, "error D");
    send!(s, time 20, "DISC poll");
    recv!(s, "> DM final");
    send!(s, time 20, "UI poll \"beacon\"");
    recv!(s, "unit data beacon", "> DM final");
    s.handle(20, Input::Faulty(Fault::ControlField));
    recv!(s, "error L");
    // S3, D5: the other end calls modulo 128; FRMR makes it fall back to SABM (§4.3.3.2).
    send!(s, time 20, "SABME poll");
    recv!(s, "> FRMR final 7F 00 01");
    s.handle(20, Input::SeizeConfirm);
    recv!(s, "release");
}

#[test]
fn text_typed_while_calling_is_sent_once_connected() {
    // S2: as drawn it would be lost.
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, data("hello"));
    assert_eq!(s.link.queued(), 1);
    send!(s, time 1000, "UA final");
    recv!(
        s,
        "> SABM poll",
        "=> Awaiting Connection",
        "connect confirm",
        "=> Connected",
        "> I ns 0 nr 0 \"hello\"",
    );
    assert_eq!((s.link.queued(), s.link.unacknowledged()), (0, 1));
}

#[test]
fn calling_again_while_calling_drops_what_was_typed() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, data("old"));
    ask!(s, time 20, Request::Connect);
    send!(s, time 30, "UA final");
    recv!(
        s,
        "> SABM poll",
        "=> Awaiting Connection",
        "connect confirm",
        "=> Connected"
    );
    assert_eq!(s.unsent(), ["old"]);
}

#[test]
fn a_disconnect_while_calling_waits_for_the_answer() {
    // Fig C4.2: "requeue".
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, Request::Disconnect);
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    send!(s, time 1000, "UA final");
    recv!(
        s,
        "connect confirm",
        "=> Connected",
        "> DISC poll",
        "=> Awaiting Release"
    );

    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, Request::Disconnect);
    send!(s, time 1000, "DM final");
    recv!(
        s,
        "> SABM poll",
        "=> Awaiting Connection",
        "disconnect indication: the other station refused",
        "=> Disconnected",
        "disconnect confirm",
    );
}

#[test]
fn nobody_calls_on_after_a_disconnect() {
    // D1.
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, Request::Disconnect);
    recv!(s, "> SABM poll", "=> Awaiting Connection");
    wake!(s, time 3000, T1);
    recv!(s, "> DISC poll", "=> Awaiting Release");
    send!(s, time 4000, "DM final");
    recv!(s, "disconnect confirm", "=> Disconnected");

    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    ask!(s, time 10, Request::Disconnect);
    ask!(s, time 20, Request::Disconnect);
    recv!(
        s,
        "> SABM poll",
        "=> Awaiting Connection",
        ">> DM",
        "disconnect confirm",
        "=> Disconnected",
    );
}

#[test]
fn a_call_comes_in() {
    let mut s = Session::new();
    send!(s, time 0, "SABM poll");
    recv!(s, "> UA final", "connect indication", "=> Connected");
    // Without P, without F.
    let mut s = Session::new();
    send!(s, time 0, "SABM");
    recv!(s, "> UA", "connect indication", "=> Connected");
    // A station before version 2.0, with both C bits alike.
    let mut s = Session::new();
    send!(s, time 0, "SABM legacy poll");
    recv!(s, "> UA final", "connect indication", "=> Connected");
}

#[test]
fn a_call_through_repeaters_is_answered_the_way_it_came() {
    // D11.
    let mut s = Session::new();
    s.path = vec![call("QD2HIL-1"), call("QD2HIL-2")];
    send!(s, time 0, "SABM poll");
    ask!(s, time 10, data("hi"));
    recv!(
        s,
        "> via QD2HIL-2, QD2HIL-1 UA final",
        "connect indication",
        "=> Connected",
        "> via QD2HIL-2, QD2HIL-1 I ns 0 nr 0 \"hi\"",
    );
    // Once down, this end calls by its own way again: direct.
    send!(s, time 20, "DISC poll");
    s.take();
    ask!(s, time 30, Request::Connect);
    recv!(s, "> SABM poll", "=> Awaiting Connection");
}

#[test]
fn a_call_goes_out_through_repeaters() {
    let mut s = Session::with(|config| config.path = vec![call("QD2HIL-1")]);
    ask!(s, time 0, Request::Connect);
    recv!(s, "> via QD2HIL-1 SABM poll", "=> Awaiting Connection");
}

#[test]
fn a_station_that_accepts_no_calls_says_so() {
    let mut s = Session::with(|config| config.accepts_connections = false);
    for call in ["SABM poll", "SABME poll"] {
        send!(s, time 0, call);
        recv!(s, "> DM final");
    }
    s.link.set_accepting(true);
    send!(s, time 0, "SABM poll");
    recv!(s, "> UA final", "connect indication", "=> Connected");
}

#[test]
fn a_call_modulo_128_is_answered_as_by_version_2_0() {
    // D5; §4.3.3.2, §6.3.2.
    let mut s = Session::new();
    send!(s, time 0, "SABME poll");
    recv!(s, "> FRMR final 7F 00 01");
    send!(s, time 0, "XID poll \"\"");
    recv!(s, "> FRMR final BF 00 01");
    send!(s, time 0, "XID response final");
    recv_nothing!(s);
}

#[test]
fn without_a_link_commands_get_dm_and_responses_nothing() {
    let mut s = Session::new();
    for frame in [
        "I ns 0 nr 0 poll \"x\"",
        "RR command nr 3 poll",
        "DISC poll",
    ] {
        send!(s, time 0, frame);
        recv!(s, "> DM final");
    }
    // E9: F := P.
    for frame in ["I ns 0 nr 0 \"x\"", "REJ command nr 3", "DISC"] {
        send!(s, time 0, frame);
        recv!(s, "> DM");
    }
    for frame in [
        "RR response nr 0 final",
        "DM final",
        "FRMR",
        "REJ response nr 0",
    ] {
        send!(s, time 0, frame);
        recv_nothing!(s);
    }
    send!(s, time 0, "UA final");
    recv!(s, "error C", "error D");
}

#[test]
fn without_a_link_ui_passes_both_ways() {
    let mut s = Session::new();
    send!(s, time 0, "UI \"beacon\"");
    recv!(s, "unit data beacon");
    send!(s, time 0, "UI legacy \"old beacon\""); // S44
    recv!(s, "unit data old beacon");
    send!(s, time 0, "UI poll \"are you there?\"");
    recv!(s, "unit data are you there?", "> DM final");
    send!(s, time 0, "UI response \"odd\"");
    recv!(s, "error Q");
    send!(s, time 0, &format!("UI \"{}\"", "x".repeat(257)));
    recv!(s, "error R");
    ask!(s, time 0, Request::UnitData { pid: 0xF0, info: b"all".to_vec() });
    recv!(s, "> UI \"all\"");
}

#[test]
fn without_a_link_requests_have_clear_ends() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Disconnect);
    recv!(s, "disconnect confirm");
    ask!(s, time 0, data("hello"));
    recv!(s, "refused hello: not connected");
    ask!(s, time 0, Request::FlowOff);
    ask!(s, time 0, Request::FlowOn);
    recv_nothing!(s);
    s.handle(0, Input::SeizeConfirm);
    recv!(s, "release");
    for (fault, line) in [
        (Fault::ControlField, "error L"),
        (Fault::InfoNotPermitted, "error M"),
        (Fault::Length, "error N"),
    ] {
        s.handle(0, Input::Faulty(fault));
        recv!(s, line);
    }
}

#[test]
fn test_commands_are_answered_in_any_state() {
    // §4.3.3.8, S43.
    let mut s = Session::new();
    send!(s, time 0, "TEST poll \"abc\"");
    recv!(s, "> TEST response final \"abc\"");
    send!(s, time 0, "TEST response final \"abc\"");
    recv_nothing!(s);
    let mut s = Session::connected();
    send!(s, time 0, "TEST \"abc\"");
    recv!(s, "> TEST response \"abc\"");
    send!(s, time 0, &format!("TEST \"{}\"", "x".repeat(257)));
    recv!(s, "> TEST response");
}

#[test]
fn frames_of_other_links_are_passed_over() {
    let mut s = Session::new();
    let ours = s.peer_frame("SABM poll");
    let mut other = ours.clone();
    other.source = call("QM3BAR-1").into();
    s.handle(0, Input::Frame(other));
    let mut other = ours.clone();
    other.destination = call("QA1SKY-1").into();
    s.handle(0, Input::Frame(other));
    let mut on_its_way = ours;
    on_its_way
        .repeaters
        .push(dunlin_ax25::wire::Repeater::ahead(call("QD2HIL")));
    s.handle(0, Input::Frame(on_its_way));
    recv_nothing!(s);
}

#[test]
fn a_configuration_out_of_range_is_refused_with_its_reason() {
    let fault = |change: fn(&mut LinkConfig)| {
        let mut config = LinkConfig::new(call("QA1SKY"), call("QM3BAR"));
        change(&mut config);
        config.check().expect_err("out of range")
    };
    assert_eq!(fault(|c| c.k = 0), LinkConfigError::Window(0));
    assert_eq!(fault(|c| c.k = 8), LinkConfigError::Window(8));
    assert_eq!(fault(|c| c.n1 = 0), LinkConfigError::InfoLength(0));
    assert_eq!(fault(|c| c.n2 = 0), LinkConfigError::Tries);
    let zero = Duration::ZERO;
    assert_eq!(
        fault(|c| c.initial_srt = Duration::ZERO),
        LinkConfigError::RoundTrip(zero)
    );
    assert_eq!(
        fault(|c| c.t3 = Duration::ZERO),
        LinkConfigError::IdleTime(zero)
    );
    assert_eq!(
        fault(|c| c.path = vec![c.remote; 9]),
        LinkConfigError::Path(9)
    );
}

#[test]
fn each_connection_starts_with_the_initial_timing() {
    for calls in [true, false] {
        let mut s = Session::new();
        ask!(s, time 0, Request::Connect);
        send!(s, time 10, "UA final");
        assert_ne!(s.link.round_trip(), Duration::from_millis(1500));
        send!(s, time 20, "DISC poll");
        if calls {
            ask!(s, time 30, Request::Connect);
        } else {
            send!(s, time 30, "SABM poll");
        }
        assert_eq!(s.link.round_trip(), Duration::from_millis(1500));
        assert_eq!(s.link.t1_length(), Duration::from_millis(3000));
    }
}

#[test]
fn tries_are_forgotten_when_the_link_is_down() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    wake!(s, time 3000, T1);
    assert_eq!(s.link.retry_count(), 2);
    send!(s, time 4000, "DM final");
    assert_eq!(s.link.retry_count(), 0);
}

#[test]
fn what_came_back_counts_until_it_is_taken() {
    let mut s = Session::new();
    ask!(s, time 0, Request::Connect);
    for _ in 0..MAX_QUEUED {
        ask!(s, time 0, data("x"));
    }
    send!(s, time 10, "DM final");
    ask!(s, time 20, Request::Connect);
    s.take();
    ask!(s, time 20, data("more"));
    recv!(s, "refused more: too much is waiting to be sent");
    assert_eq!(s.unsent().len(), MAX_QUEUED);
    ask!(s, time 20, data("more"));
    recv_nothing!(s);
}
