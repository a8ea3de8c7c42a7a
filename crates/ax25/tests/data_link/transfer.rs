//! Information transfer without recovery (§6.4).

use dunlin_ax25::data_link::{Input, MAX_QUEUED, Request, State};
use dunlin_clock::Duration;

use crate::session::{Session, ask, data, recv, recv_nothing, send, wake};

#[test]
fn data_goes_out_and_is_acknowledged() {
    let mut s = Session::connected();
    ask!(s, time 1000, data("one"));
    ask!(s, time 1000, data("two"));
    recv!(s, "> I ns 0 nr 0 \"one\"", "> I ns 1 nr 0 \"two\"");
    assert_eq!(s.link.unacknowledged(), 2);
    // One of two: T1 starts again (Fig C4.7a).
    send!(s, time 2000, "RR response nr 1");
    assert_eq!(s.link.unacknowledged(), 1);
    assert_eq!(
        s.link.next_wakeup().map(|(at, _)| at.as_millis()),
        Some(5000)
    );
    send!(s, time 3000, "RR response nr 2");
    recv_nothing!(s);
    assert_eq!(s.link.unacknowledged(), 0);
    // T1 ran for 1 s: SRT = 7/8 * 1.5 s + 1/8 * 1 s; T3 from here.
    assert_eq!(s.link.round_trip(), Duration::from_micros(1_437_500));
    assert_eq!(
        s.link.next_wakeup().map(|(at, _)| at.as_millis()),
        Some(63_000)
    );
}

#[test]
fn the_worked_example_of_the_round_trip() {
    // Fig C4.7b with SRT 1.5 s, T1V 3 s and T1 stopped with 1.8 s left: 1.4625 s, 2.925 s.
    let mut s = Session::connected();
    ask!(s, time 0, data("one"));
    send!(s, time 1200, "RR response nr 1");
    assert_eq!(s.link.round_trip(), Duration::from_micros(1_462_500));
    assert_eq!(s.link.t1_length(), Duration::from_micros(2_925_000));
}

#[test]
fn round_trips_of_nothing_do_not_make_t1_vanish() {
    // D10.
    let mut s = Session::connected();
    for n in 0..100 {
        ask!(s, time n, data("x"));
        send!(s, time n, &format!("RR response nr {}", (n + 1) % 8));
    }
    assert_eq!(s.link.t1_length(), Duration::from_millis(1500));
}

#[test]
fn data_comes_in_and_is_acknowledged_once_for_all() {
    // C3.3: AP and LM-SEIZE.
    let mut s = Session::connected();
    send!(s, time 10, "I ns 0 nr 0 \"one\"");
    recv!(s, "data one", "seize");
    send!(s, time 20, "I ns 1 nr 0 \"two\"");
    recv!(s, "data two");
    s.handle(30, Input::SeizeConfirm);
    recv!(s, "> RR response nr 2", "release");
    send!(s, time 40, "I ns 2 nr 0 \"\"");
    recv!(s, "data ", "seize"); // empty fields are reported (§6.4.2)
}

#[test]
fn an_i_frame_carries_the_acknowledgement() {
    let mut s = Session::connected();
    send!(s, time 10, "I ns 0 nr 0 \"question\"");
    ask!(s, time 20, data("answer"));
    recv!(s, "data question", "seize", "> I ns 0 nr 1 \"answer\"");
    s.handle(30, Input::SeizeConfirm);
    recv!(s, "release");
}

#[test]
fn a_polled_i_frame_is_acknowledged_at_once() {
    // §6.2.
    let mut s = Session::connected();
    send!(s, time 10, "I ns 0 nr 0 poll \"now\"");
    recv!(s, "data now", "> RR response nr 1 final");
    s.handle(20, Input::SeizeConfirm);
    recv!(s, "release");
}

#[test]
fn polls_are_answered() {
    // §6.2, Fig C4.7a.
    let mut s = Session::connected();
    for frame in [
        "RR command nr 0 poll",
        "REJ command nr 0 poll",
        "UI poll \"x\"",
    ] {
        send!(s, time 10, frame);
        assert_eq!(
            s.take().last().map(String::as_str),
            Some("> RR response nr 0 final")
        );
    }
    let mut s = Session::recovering();
    send!(s, time 4100, "RR command nr 0 poll");
    recv!(s, "> RR response nr 0 final");
    send!(s, time 4200, "UI poll \"x\"");
    recv!(s, "unit data x", "> RR response nr 0 final");
    assert_eq!(s.link.state(), State::TimerRecovery);
}

#[test]
fn a_full_window_holds_back_the_rest() {
    let mut s = Session::with(|config| config.k = 2).accepted();
    for text in ["a", "b", "c", "d", "e"] {
        ask!(s, time 0, data(text));
    }
    recv!(s, "> I ns 0 nr 0 \"a\"", "> I ns 1 nr 0 \"b\"");
    assert_eq!((s.link.unacknowledged(), s.link.queued()), (2, 3));
    send!(s, time 100, "RR response nr 1");
    recv!(s, "> I ns 2 nr 0 \"c\"");
    // An I frame acknowledges too.
    send!(s, time 200, "I ns 0 nr 3 \"x\"");
    recv!(
        s,
        "data x",
        "seize",
        "> I ns 3 nr 1 \"d\"",
        "> I ns 4 nr 1 \"e\""
    );
}

#[test]
fn sequence_numbers_go_round() {
    let mut s = Session::with(|config| config.k = 1).accepted();
    for n in 0..20 {
        ask!(s, time n, data("x"));
        recv!(s, format!("> I ns {} nr {} \"x\"", n % 8, n % 8).as_str());
        send!(s, time n, &format!("I ns {} nr {} \"y\"", n % 8, (n + 1) % 8));
        recv!(s, "data y", "seize");
    }
    assert_eq!(s.link.counters().i_sent, 20);
    assert_eq!(s.link.counters().i_received, 20);
}

#[test]
fn a_busy_peer_gets_nothing_until_it_is_ready() {
    // §6.4.9.
    let mut s = Session::connected();
    send!(s, time 0, "RNR response nr 0");
    assert!(s.link.is_peer_busy());
    ask!(s, time 10, data("one"));
    recv_nothing!(s);
    // Fig C4.7a: while the other end is busy T1 runs, and asks.
    wake!(s, time 3000, T1);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
    send!(s, time 3500, "RNR response nr 0 final");
    recv!(s, "=> Connected");
    // From now on T3 asks.
    wake!(s, time 63_500, T3);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
    send!(s, time 64_000, "RR response nr 0 final");
    recv!(s, "=> Connected", "> I ns 0 nr 0 \"one\"");
}

#[test]
fn a_peer_ends_its_busy_condition_by_rr_rej_or_srej() {
    for frame in ["RR command nr 0", "REJ response nr 0", "SREJ response nr 0"] {
        let mut s = Session::connected();
        send!(s, time 0, "RNR response nr 0");
        ask!(s, time 10, data("one"));
        send!(s, time 20, frame);
        recv!(s, "> I ns 0 nr 0 \"one\"");
    }
}

#[test]
fn own_busy_is_said_and_taken_back() {
    // §6.4.10; S8, S8b, S9.
    let mut s = Session::connected();
    ask!(s, time 0, Request::FlowOff);
    recv!(s, "> RNR response nr 0");
    assert!(s.link.is_own_busy());
    ask!(s, time 0, Request::FlowOff);
    recv_nothing!(s);
    send!(s, time 10, "I ns 0 nr 0 \"no\"");
    recv_nothing!(s);
    send!(s, time 20, "I ns 0 nr 0 poll \"no\"");
    recv!(s, "> RNR response nr 0 final");
    send!(s, time 30, "RR command nr 0 poll");
    recv!(s, "> RNR response nr 0 final");
    // A busy end may send (§6.4.1).
    ask!(s, time 40, data("mine"));
    recv!(s, "> I ns 0 nr 0 \"mine\"");
    send!(s, time 50, "RR response nr 1");
    ask!(s, time 60, Request::FlowOn);
    recv!(s, "> RR command nr 0 poll");
    ask!(s, time 60, Request::FlowOn);
    recv_nothing!(s);
    send!(s, time 70, "RR response nr 1 final");
    recv_nothing!(s);
    send!(s, time 80, "I ns 0 nr 1 \"yes\"");
    recv!(s, "data yes", "seize");
}

#[test]
fn own_busy_in_timer_recovery() {
    let mut s = Session::recovering();
    ask!(s, time 4100, Request::FlowOff);
    recv!(s, "> RNR response nr 0");
    wake!(s, time 7000, T1);
    recv!(s, "> RNR command nr 0 poll");
    ask!(s, time 7100, Request::FlowOn);
    recv!(s, "> RR command nr 0 poll");
}

#[test]
fn a_final_bit_without_a_poll_is_reported() {
    let mut s = Session::connected();
    send!(s, time 0, "RR response nr 0 final");
    recv!(s, "error A");
}

#[test]
fn i_responses_are_discarded() {
    // S16.
    let mut s = Session::connected();
    send!(s, time 0, "I response ns 0 nr 0 \"x\"");
    recv!(s, "error S");
    let mut s = Session::recovering();
    send!(s, time 5000, "I response ns 0 nr 1 \"x\"");
    recv!(s, "error S");
    assert_eq!(s.link.state(), State::TimerRecovery);
}

#[test]
fn an_idle_link_is_asked_after() {
    // §4.4.5.2.
    let mut s = Session::connected();
    wake!(s, time 60_000, T3);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
    send!(s, time 61_000, "RR response nr 0 final");
    recv!(s, "=> Connected");
    assert_eq!(s.link.round_trip(), Duration::from_micros(1_437_500));
    wake!(s, time 121_000, T3);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
}

#[test]
fn time_on_a_busy_channel_does_not_count_for_t1() {
    // C3.2.
    let mut s = Session::connected();
    ask!(s, time 0, data("one"));
    recv!(s, "> I ns 0 nr 0 \"one\"");
    s.link.handle(
        dunlin_clock::Instant::from_millis(1000),
        Input::ChannelBusy(true),
    );
    assert_eq!(s.link.next_wakeup(), None);
    s.handle(9000, Input::ChannelBusy(false));
    wake!(s, time 11_000, T1);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
}

#[test]
fn the_timing_can_be_set() {
    let mut s = Session::connected();
    s.link.set_timing(Duration::from_secs(8));
    ask!(s, time 0, data("slow"));
    recv!(s, "> I ns 0 nr 0 \"slow\"");
    wake!(s, time 16_000, T1);
    s.link.set_timing(Duration::ZERO);
    assert_eq!(s.link.round_trip(), Duration::from_millis(1));
}

#[test]
fn data_that_cannot_be_taken_comes_back() {
    let mut s = Session::with(|config| (config.k, config.n1) = (1, 4)).accepted();
    ask!(s, time 0, data("12345"));
    recv!(
        s,
        "refused 12345: longer than the longest information field"
    );
    ask!(s, time 0, Request::UnitData { pid: 0xF0, info: b"12345".to_vec() });
    recv!(
        s,
        "refused 12345: longer than the longest information field"
    );
    for _ in 0..MAX_QUEUED {
        ask!(s, time 0, data("1234"));
    }
    recv!(s, "> I ns 0 nr 0 \"1234\"");
    ask!(s, time 0, data("more"));
    recv!(s, "refused more: too much is waiting to be sent");
}

#[test]
fn time_does_not_go_back() {
    let mut s = Session::connected();
    ask!(s, time 5000, Request::FlowOff);
    ask!(s, time 1000, data("one"));
    assert_eq!(
        s.link.next_wakeup().map(|(at, _)| at.as_millis()),
        Some(8000)
    );
}
