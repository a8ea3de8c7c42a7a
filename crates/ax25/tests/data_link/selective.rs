//! Selective reject (§4.3.2.4, §4.4.4), receiving; the order is that of the reading of S40.

use crate::session::{Session, ask, data, recv, recv_nothing, send};
use dunlin_ax25::data_link::{LinkConfig, Request, Version};

#[test]
fn one_missing_frame_is_asked_for_alone_and_all_is_delivered_in_order() {
    let mut s = Session::extended();
    send!(s, time 0, "I ns 1 nr 0 \"b\"");
    recv!(s, "> SREJ response nr 0");
    send!(s, time 10, "I ns 2 nr 0 \"c\"");
    recv_nothing!(s);
    send!(s, time 20, "I ns 0 nr 0 \"a\"");
    recv!(s, "data a", "data b", "data c", "seize");
    assert_eq!(s.link.counters().i_kept, 2);
}

#[test]
fn several_missing_frames_are_asked_for_each() {
    let mut s = Session::extended();
    send!(s, time 0, "I ns 2 nr 0 \"c\"");
    recv!(s, "> SREJ response nr 0", "> SREJ response nr 1");
    send!(s, time 10, "I ns 4 nr 0 \"e\"");
    recv!(s, "> SREJ response nr 3");
    send!(s, time 20, "I ns 0 nr 0 \"a\"");
    recv!(s, "data a", "seize");
    // 3 has come and 1 has not: it was lost again (D12).
    send!(s, time 30, "I ns 3 nr 0 \"d\"");
    recv!(s, "> SREJ response nr 1");
    send!(s, time 40, "I ns 1 nr 0 \"b\"");
    recv!(s, "data b", "data c", "data d", "data e");
}

#[test]
fn a_poll_is_answered_with_all_that_is_missing() {
    let mut s = Session::extended();
    send!(s, time 0, "I ns 2 nr 0 \"c\"");
    recv!(s, "> SREJ response nr 0", "> SREJ response nr 1");
    send!(s, time 10, "RR command nr 0 poll");
    recv!(s, "> SREJ response nr 0 final", "> SREJ response nr 1");
    send!(s, time 20, "I ns 4 nr 0 poll \"e\"");
    recv!(
        s,
        "> SREJ response nr 0 final",
        "> SREJ response nr 1",
        "> SREJ response nr 3"
    );
}

#[test]
fn a_frame_that_came_already_is_acknowledged_again() {
    let mut s = Session::extended();
    send!(s, time 0, "I ns 0 nr 0 \"a\"");
    recv!(s, "data a", "seize");
    s.handle(10, dunlin_ax25::data_link::Input::SeizeConfirm);
    recv!(s, "> RR response nr 1", "release");
    send!(s, time 20, "I ns 0 nr 0 \"a\"");
    recv!(s, "seize");
    send!(s, time 30, "I ns 0 nr 0 poll \"a\"");
    recv!(s, "> RR response nr 1 final");
    assert_eq!(s.link.counters().i_discarded, 2);
}

#[test]
fn a_busy_end_keeps_nothing() {
    let mut s = Session::extended();
    ask!(s, time 0, Request::FlowOff);
    recv!(s, "> RNR response nr 0");
    send!(s, time 10, "I ns 1 nr 0 poll \"b\"");
    recv!(s, "> RNR response nr 0 final");
    ask!(s, time 20, Request::FlowOn);
    recv!(s, "> RR command nr 0 poll");
}

#[test]
fn without_srej_everything_is_asked_for_again() {
    let plain = |config: &mut LinkConfig| {
        config.version = Version::V22;
        config.selective = false;
    };
    let mut s = Session::with(plain);
    send!(s, time 0, "SABME poll");
    recv!(s, "> UA final", "connect indication", "=> Connected");
    send!(s, time 10, "I ns 1 nr 0 \"b\"");
    recv!(s, "> REJ response nr 0");
}

#[test]
fn the_numbers_run_to_127_and_round() {
    let mut s = Session::extended();
    for n in 0..300_u64 {
        ask!(s, time n, data("x"));
        let line = format!("> I ns {} nr 0 \"x\"", n % 128);
        recv!(s, line.as_str());
        send!(s, time n, &format!("RR response nr {}", (n + 1) % 128));
        recv_nothing!(s);
    }
    // The window of version 2.2 is 32 (§6.3.2).
    for _ in 0..40 {
        ask!(s, time 1000, data("y"));
    }
    assert_eq!(s.take().len(), 32);
    send!(s, time 1100, "SREJ response nr 50");
    recv!(s, "> I ns 50 nr 0 \"y\"");
    // With F=1 it acknowledges all before.
    send!(s, time 1200, "SREJ response nr 60 final");
    let lines = s.take();
    assert!(
        lines.contains(&"> I ns 60 nr 0 \"y\"".to_owned()),
        "{lines:?}"
    );
    assert_eq!(s.link.unacknowledged(), 24);
}
