//! Recovery from losses (§4.4, §6.4.4, §6.4.11).

use dunlin_ax25::data_link::{Request, State};
use dunlin_clock::Duration;

use crate::session::{Session, ask, data, recv, recv_nothing, send, wake};

/// Three I frames sent at 1000.
fn three_sent() -> Session {
    let mut s = Session::connected();
    for text in ["a", "b", "c"] {
        ask!(s, time 1000, data(text));
    }
    recv!(
        s,
        "> I ns 0 nr 0 \"a\"",
        "> I ns 1 nr 0 \"b\"",
        "> I ns 2 nr 0 \"c\""
    );
    s
}

#[test]
fn a_lost_frame_is_rejected_once() {
    // §4.3.2.3, §6.4.4.1.
    let mut s = Session::connected();
    send!(s, time 10, "I ns 1 nr 0 \"b\"");
    recv!(s, "> REJ response nr 0");
    send!(s, time 20, "I ns 2 nr 0 \"c\"");
    recv_nothing!(s);
    send!(s, time 30, "I ns 2 nr 0 poll \"c\"");
    recv!(s, "> RR response nr 0 final");
    for (ms, frame) in [(40, "I ns 0 nr 0 \"a\""), (50, "I ns 1 nr 0 \"b\"")] {
        send!(s, time ms, frame);
    }
    recv!(s, "data a", "seize", "data b");
    // The condition is over: the next gap is rejected again, with F=P.
    send!(s, time 60, "I ns 4 nr 0 poll \"e\"");
    recv!(s, "> REJ response nr 2 final");
    assert_eq!(s.link.counters().rejects_sent, 2);
    assert_eq!(s.link.counters().i_discarded, 4);
}

#[test]
fn everything_from_the_rejected_frame_on_is_sent_again() {
    // §6.4.7.
    let mut s = three_sent();
    send!(s, time 2000, "REJ response nr 1");
    recv!(s, "> I ns 1 nr 0 \"b\"", "> I ns 2 nr 0 \"c\"");
    send!(s, time 3000, "RR response nr 3");
    assert_eq!(s.link.unacknowledged(), 0);
    assert_eq!(
        (s.link.counters().i_sent, s.link.counters().i_resent),
        (3, 2)
    );
}

#[test]
fn a_polling_reject_is_answered_first() {
    // §6.4.7, last sentence.
    let mut s = three_sent();
    send!(s, time 2000, "REJ command nr 2 poll");
    recv!(s, "> RR response nr 0 final", "> I ns 2 nr 0 \"c\"");
}

#[test]
fn a_reject_that_wants_nothing_leaves_the_link_idle() {
    // D6.
    let mut s = three_sent();
    send!(s, time 2000, "REJ response nr 3");
    recv_nothing!(s);
    wake!(s, time 62_000, T3);
}

#[test]
fn a_selective_reject_brings_one_frame() {
    // S14; it acknowledges with P/F=1 only (§4.3.2.4).
    let mut s = three_sent();
    send!(s, time 2000, "SREJ response nr 1");
    recv!(s, "> I ns 1 nr 0 \"b\"");
    assert_eq!(s.link.unacknowledged(), 3);
    send!(s, time 2000, "SREJ command nr 1 poll");
    recv!(s, "> RR response nr 0 final", "> I ns 1 nr 0 \"b\"");
    assert_eq!(s.link.unacknowledged(), 2);
    // It is an answer: T1 starts anew (Fig C4.4c), with 3 s.
    wake!(s, time 5000, T1);
}

#[test]
fn a_frame_that_is_asked_for_in_vain_ends_with_the_tries() {
    // D16, with N2 10: the oldest frame is asked for every second.
    let mut s = three_sent();
    for n in 2..20 {
        send!(s, time 1000 * n, "SREJ response nr 0");
        recv!(s, "> I ns 0 nr 0 \"a\"");
        if s.link
            .next_wakeup()
            .is_some_and(|(at, _)| at.as_millis() <= 1000 * (n + 1))
        {
            break;
        }
    }
    // The ninth was heard at 10 000, so T1 ends 3 s after it.
    wake!(s, time 13_000, T1);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
}

#[test]
fn what_comes_in_place_of_the_rejected_frame_is_answered_once_it_had_time_to_come() {
    // D18. The first frame of a burst is lost, and lost again when all is repeated.
    let mut s = Session::connected();
    send!(s, time 1000, "I ns 1 nr 0 \"b\"");
    recv!(s, "> REJ response nr 0");
    send!(s, time 1100, "I ns 2 nr 0 \"c\"");
    recv_nothing!(s);
    // The REJ is sent, and the channel is free.
    for (ms, busy) in [(2000, true), (3000, false)] {
        let input = dunlin_ax25::data_link::Input::ChannelBusy(busy);
        s.link.handle(dunlin_clock::Instant::from_millis(ms), input);
    }
    send!(s, time 4000, "I ns 1 nr 0 \"b\"");
    recv!(s, "seize");
    send!(s, time 4100, "I ns 2 nr 0 \"c\"");
    recv_nothing!(s);
    s.handle(4200, dunlin_ax25::data_link::Input::SeizeConfirm);
    recv!(s, "> RR response nr 0", "release");
}

#[test]
fn what_an_answer_shows_as_missed_is_sent_again_at_once() {
    // D17. Of three frames the last was lost, and the RR was heard after all of them.
    let mut s = three_sent();
    send!(s, time 2000, "RR response nr 2");
    recv_nothing!(s);
    s.handle(2100, dunlin_ax25::data_link::Input::Missed);
    recv!(s, "> I ns 2 nr 0 \"c\"");
    assert_eq!(s.link.counters().i_lost, 1);
    // With nothing outstanding it changes nothing.
    send!(s, time 3000, "RR response nr 3");
    s.handle(3100, dunlin_ax25::data_link::Input::Missed);
    recv_nothing!(s);
}

#[test]
fn a_lost_acknowledgement_is_asked_for() {
    let mut s = three_sent();
    wake!(s, time 4000, T1);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
    assert_eq!(s.link.retry_count(), 1);
    send!(s, time 5000, "RR response nr 3 final");
    recv!(s, "=> Connected");
    assert_eq!((s.link.unacknowledged(), s.link.retry_count()), (0, 0));
}

#[test]
fn lost_frames_are_sent_again_after_the_enquiry() {
    let mut s = three_sent();
    wake!(s, time 4000, T1);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
    send!(s, time 5000, "RR response nr 1 final");
    recv!(s, "> I ns 1 nr 0 \"b\"", "> I ns 2 nr 0 \"c\"");
    // Acknowledged, but the state ends only with an answered enquiry (Fig C4.5b).
    send!(s, time 6000, "RR response nr 3");
    recv_nothing!(s);
    assert_eq!(s.link.state(), State::TimerRecovery);
    s.wake_next();
    recv!(s, "> RR command nr 0 poll");
    send!(s, time 9000, "RR response nr 3 final");
    recv!(s, "=> Connected");
}

#[test]
fn nothing_new_is_sent_between_enquiry_and_answer() {
    // D7, §6.4.11.
    let mut s = Session::recovering();
    ask!(s, time 4100, data("two"));
    recv_nothing!(s);
    send!(s, time 5000, "RR response nr 1 final");
    recv!(s, "=> Connected", "> I ns 1 nr 0 \"two\"");
}

#[test]
fn data_is_received_during_recovery() {
    let mut s = Session::recovering();
    // D8: it acknowledges, and T1 runs on.
    send!(s, time 4100, "I ns 0 nr 1 \"x\"");
    recv!(s, "data x", "seize");
    assert_eq!(s.link.unacknowledged(), 0);
    s.handle(4200, dunlin_ax25::data_link::Input::SeizeConfirm);
    recv!(s, "> RR response nr 1", "release");
    send!(s, time 4300, "I ns 2 nr 1 \"z\"");
    recv!(s, "> REJ response nr 1");
    wake!(s, time 7000, T1);
    recv!(s, "> RR command nr 1 poll");
}

#[test]
fn rejects_during_recovery() {
    // As the answer to the enquiry (Fig C4.5c, C4.5e; S24).
    let recovering = || {
        let mut s = three_sent();
        wake!(s, time 4000, T1);
        recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
        s
    };
    let mut s = recovering();
    send!(s, time 5000, "REJ response nr 1 final");
    recv!(s, "> I ns 1 nr 0 \"b\"", "> I ns 2 nr 0 \"c\"");
    let mut s = recovering();
    send!(s, time 5000, "REJ response nr 3 final");
    recv!(s, "=> Connected");
    let mut s = recovering();
    send!(s, time 5000, "SREJ response nr 1 final");
    recv!(s, "> I ns 1 nr 0 \"b\"");
    assert_eq!(s.link.state(), State::TimerRecovery);
    let mut s = recovering();
    send!(s, time 5000, "SREJ response nr 3 final");
    recv!(s, "=> Connected");
    // Of their own accord.
    let mut s = recovering();
    send!(s, time 5000, "SREJ response nr 2");
    recv!(s, "> I ns 2 nr 0 \"c\"");
    assert_eq!(s.link.unacknowledged(), 3);
    send!(s, time 5000, "SREJ command nr 1 poll");
    recv!(s, "> RR response nr 0 final", "> I ns 1 nr 0 \"b\"");
    assert_eq!(s.link.unacknowledged(), 2);
    let mut s = recovering();
    send!(s, time 5000, "REJ command nr 1 poll");
    recv!(s, "> RR response nr 0 final");
    assert_eq!(s.link.unacknowledged(), 2);
    send!(s, time 5100, "RR response nr 1 final");
    recv!(s, "> I ns 1 nr 0 \"b\"", "> I ns 2 nr 0 \"c\"");
}

#[test]
fn a_peer_that_becomes_busy_during_recovery_gets_its_frames_later() {
    let mut s = three_sent();
    wake!(s, time 4000, T1);
    recv!(s, "> RR command nr 0 poll", "=> Timer Recovery");
    send!(s, time 5000, "RNR response nr 1 final");
    recv_nothing!(s);
    // D9: what was put back may be acknowledged before it is sent again.
    send!(s, time 5500, "RR response nr 2");
    recv!(s, "> I ns 2 nr 0 \"c\"");
}

/// Lets T1 end until the link gives up; gives the last lines and the number of enquiries.
fn exhaust(s: &mut Session) -> (Vec<String>, usize) {
    let mut enquiries = 0;
    loop {
        s.wake_next();
        let lines = s.take();
        if s.link.state() == State::Disconnected {
            return (lines, enquiries);
        }
        enquiries += 1;
    }
}

#[test]
fn a_peer_that_vanished_is_given_up_after_n2_enquiries() {
    // E21; letters I, T and U of Fig C4.5c.
    let mut s = Session::connected();
    ask!(s, time 1000, data("one"));
    ask!(s, time 1000, data("two"));
    s.take();
    let (lines, enquiries) = exhaust(&mut s);
    let silent = "disconnect indication: the other station no longer answers";
    assert_eq!(lines, ["error I", "> DM", silent, "=> Disconnected"]);
    assert_eq!(enquiries, 10);
    assert_eq!(s.unsent(), ["one*", "two*"]);

    let mut s = Session::connected();
    let (lines, enquiries) = exhaust(&mut s);
    assert_eq!(lines, ["error T", "> DM", silent, "=> Disconnected"]);
    assert_eq!(enquiries, 11, "T3 asks with RC = 0");

    let mut s = Session::connected();
    send!(s, time 0, "RNR response nr 0");
    let (lines, _) = exhaust(&mut s);
    let busy = "disconnect indication: the other station stayed busy too long";
    assert_eq!(lines, ["error U", "> DM", busy, "=> Disconnected"]);
}

#[test]
fn a_peer_that_answers_but_never_gets_the_data_is_given_up() {
    let mut s = Session::recovering();
    let mut answers = 0;
    let lines = loop {
        let (at, _) = s.link.next_wakeup().expect("T1 runs");
        send!(s, time at.as_millis() - 1000, "RR response nr 0 final");
        answers += 1;
        recv!(s, "> I ns 0 nr 0 \"one\"");
        s.wake_next();
        let lines = s.take();
        if s.link.state() == State::Disconnected {
            break lines;
        }
        assert_eq!(lines, ["> RR command nr 0 poll"]);
    };
    let reason = "disconnect indication: the data did not get through in any of the tries";
    assert_eq!(lines, ["error I", "> DM", reason, "=> Disconnected"]);
    assert_eq!(answers, 10);
    assert_eq!(s.unsent(), ["one*"]);
}

#[test]
fn progress_begins_the_counting_anew() {
    // D3: thirty recoveries in a row, each with one frame of progress, and N2 is 10.
    let mut s = Session::with(|config| config.k = 2).accepted();
    for _ in 0..40 {
        ask!(s, time 0, data("x"));
    }
    for n in 1..=30 {
        let ms = s.wake_next();
        let answer = format!("RR response nr {} final", n % 8);
        send!(s, time ms + 10, &answer);
        assert_eq!(s.link.state(), State::TimerRecovery);
    }
    assert!(s.link.retry_count() <= 1);
}

#[test]
fn numbers_that_were_never_sent_reset_the_link() {
    // J in every place that tests N(r); and V(a) <= N(r) <= V(s) is circular (§4.2.2).
    let frames = [
        "RR response nr 4",
        "RNR response nr 5",
        "REJ response nr 6",
        "SREJ response nr 7",
        "I ns 0 nr 4 \"x\"",
        "RR response nr 4 final",
    ];
    for frame in frames {
        let mut s = three_sent();
        send!(s, time 2000, frame);
        let lines = s.take();
        let end = ["error J", "> SABM poll", "=> Awaiting Connection"];
        assert!(
            lines.iter().rev().take(3).rev().eq(end.iter()),
            "{frame}: {lines:?}"
        );
        let mut s = three_sent();
        s.wake(dunlin_ax25::data_link::Timer::T1, 4000);
        s.take();
        send!(s, time 5000, frame);
        recv!(s, end[0], end[1], end[2]);
        assert_eq!(s.unsent(), ["a*", "b*", "c*"]);
    }
}

#[test]
fn stations_before_version_2_0_can_answer_enquiries() {
    // Their C bits are alike; the reading is ours, see event.rs.
    let mut s = Session::recovering();
    send!(s, time 5000, "RR legacy nr 1 poll/final");
    recv!(s, "=> Connected");
    send!(s, time 5100, "RR legacy nr 1 poll/final");
    recv!(s, "> RR response nr 0 final");
    send!(s, time 5200, "I legacy ns 0 nr 1 \"x\"");
    recv!(s, "data x", "seize");
    ask!(s, time 5300, Request::Disconnect);
    send!(s, time 5400, "UA legacy poll/final");
    recv!(
        s,
        "> DISC poll",
        "=> Awaiting Release",
        "disconnect confirm",
        "=> Disconnected"
    );
}

#[test]
fn a_reject_that_wants_what_was_not_sent_yet_brings_nothing() {
    let mut s = Session::with(|config| config.k = 1).accepted();
    ask!(s, time 0, data("a"));
    ask!(s, time 0, data("b"));
    recv!(s, "> I ns 0 nr 0 \"a\"");
    send!(s, time 10, "SREJ response nr 1");
    recv_nothing!(s);
}

#[test]
fn round_trips_measured_in_recovery() {
    // Karn's rule (S20): the first enquiry's answer counts, a repeated one's does not.
    let mut s = Session::recovering();
    send!(s, time 5000, "RR response nr 1 final");
    assert_eq!(s.link.round_trip(), Duration::from_micros(1_437_500));
    let mut s = Session::recovering();
    wake!(s, time 7000, T1);
    assert_eq!(s.link.retry_count(), 2);
    send!(s, time 7100, "RR response nr 1 final");
    recv!(s, "> RR command nr 0 poll", "=> Connected");
    assert_eq!(s.link.round_trip(), Duration::from_millis(1500));
    assert_eq!(s.link.retry_count(), 0);
    // A second answer, to the first enquiry, is one too many and reported; no more.
    send!(s, time 7200, "RR response nr 1 final");
    recv_nothing!(s);
    send!(s, time 7300, "RR response nr 1 final");
    recv!(s, "error A");
    // S15: the time until a REJ is a round trip too.
    let mut s = three_sent();
    send!(s, time 2000, "REJ response nr 1");
    assert_eq!(s.link.round_trip(), Duration::from_micros(1_437_500));
}

#[test]
fn an_answered_enquiry_without_data_forgets_the_tries() {
    let mut s = Session::connected();
    wake!(s, time 60_000, T3);
    wake!(s, time 63_000, T1);
    assert_eq!(s.link.retry_count(), 1);
    send!(s, time 63_500, "RR response nr 0 final");
    assert_eq!(
        (s.link.state(), s.link.retry_count()),
        (State::Connected, 0)
    );
}

#[test]
fn a_peer_that_stays_busy_is_not_given_up() {
    let mut s = three_sent();
    wake!(s, time 4000, T1);
    send!(s, time 5000, "RNR response nr 1 final");
    for _ in 0..30 {
        let ms = s.wake_next();
        send!(s, time ms + 100, "RNR response nr 1 final");
        assert_eq!(s.link.state(), State::Connected);
    }
    s.take();
    let (at, _) = s.link.next_wakeup().expect("T3 runs");
    send!(s, time at.as_millis() - 10, "RR command nr 1 poll");
    recv!(
        s,
        "> RR response nr 0 final",
        "> I ns 1 nr 0 \"b\"",
        "> I ns 2 nr 0 \"c\""
    );
}

#[test]
fn an_enquiry_acknowledges_too() {
    let mut s = Session::recovering();
    send!(s, time 4100, "I ns 0 nr 0 \"x\"");
    recv!(s, "data x", "seize");
    wake!(s, time 7000, T1);
    recv!(s, "> RR command nr 1 poll");
    s.handle(7100, dunlin_ax25::data_link::Input::SeizeConfirm);
    recv!(s, "release");
}
