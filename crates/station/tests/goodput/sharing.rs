//! Several talks on one port: the keyboard goes before much text, much text is shared by time on
//! the air, short lines are gathered, and a burst is answered once.

use dunlin_ax25::data_link::Version;
use dunlin_clock::{Duration, Instant};
use dunlin_station::{PortConfig, TalkId, TalkState};

use crate::stand::{Setup, Stand};

const S: Duration = Duration::from_secs(1);

fn setup(seed: u64) -> Setup {
    Setup {
        baud: 1200,
        version: Version::V20,
        pinned: Some((128, 4)),
        bit_errors: 0.0,
        seed,
    }
}

/// A station that talks with the others.
fn talking(setup: Setup, others: &[&str]) -> (Stand, Vec<TalkId>) {
    talking_with(setup, others, |_| {})
}

fn talking_with(
    setup: Setup,
    others: &[&str],
    change: impl Fn(&mut PortConfig),
) -> (Stand, Vec<TalkId>) {
    let calls: Vec<&str> = ["QA1SKY"]
        .into_iter()
        .chain(others.iter().copied())
        .collect();
    let mut stand = Stand::with(setup, &calls, change);
    let mut talks = Vec::new();
    for other in others {
        let talk = stand.open(0, other);
        let end = stand.now + 300 * S;
        assert!(stand.run_until(end, |s| s.state(talk) == Some(TalkState::Open)));
        talks.push(talk);
    }
    (stand, talks)
}

/// Types a line and tells how long it took until it was acknowledged.
fn line_takes(stand: &mut Stand, talk: TalkId, bulk: &[TalkId], text: &str) -> Duration {
    let typed = stand.now;
    let before = stand.arrived.len();
    let of_talk = |s: &Stand| s.arrived.keys().filter(|(t, _)| *t == talk).count();
    let had = of_talk(stand);
    stand.say(talk, text.to_owned());
    while of_talk(stand) == had {
        bulk.iter().for_each(|b| stand.feed(*b));
        let soon = stand.now + S;
        stand.run_until(soon, |s| of_talk(s) > had);
        assert!(
            stand.now.since(typed) < 300 * S,
            "{before}: the line does not get through"
        );
    }
    stand.now.since(typed)
}

fn feed_for(stand: &mut Stand, bulk: &[TalkId], span: Duration) {
    let end: Instant = stand.now + span;
    while stand.now < end {
        bulk.iter().for_each(|b| stand.feed(*b));
        let soon = (stand.now + 10 * S).min(end);
        stand.run_until(soon, |_| false);
    }
}

/// Mean and longest delay of lines typed beside a talk with much text, seconds.
fn delays(seed: u64, lines: usize) -> (f64, f64) {
    let (mut stand, talks) = talking(setup(seed), &["QM3BAR", "QC2CAP"]);
    let (bulk, typed) = (talks[0], talks[1]);
    feed_for(&mut stand, &[bulk], 60 * S);
    let (mut sum, mut most) = (0.0, 0.0_f64);
    for n in 0..lines {
        // Not in step with the bursts.
        let pause = Duration::from_millis(7000 + 1300 * n as u64 % 9000);
        feed_for(&mut stand, &[bulk], pause);
        let took = line_takes(&mut stand, typed, &[bulk], "wind south four").as_secs_f64();
        sum += took;
        most = most.max(took);
    }
    (sum / lines as f64, most)
}

#[test]
fn a_typed_line_goes_before_the_next_burst_of_much_text() {
    let (mean, most) = delays(1, 12);
    // A burst of four frames of 128 octets takes 4.8 s with its key-up, its answer 1 s.
    assert!(mean < 7.0, "{mean:.1} s on average");
    assert!(most < 14.0, "{most:.1} s");
}

#[test]
#[ignore = "a minute; prints: cargo test --release -p dunlin-station --test goodput delay -- --ignored --nocapture"]
fn print_the_delay_of_typed_lines() {
    let (mean, most) = delays(5, 200);
    println!("200 lines beside a talk with much text: {mean:.1} s on average, {most:.1} s at most");
}

#[test]
fn key_down_time_is_kept_for_what_is_short_while_much_text_waits() {
    let limit = 120 * S;
    let (mut stand, talks) = talking_with(setup(6), &["QM3BAR", "QC2CAP"], |port| {
        port.gate.limits.single = 60 * S;
        port.gate.limits.ten_minutes = limit;
    });
    let (bulk, typed) = (talks[0], talks[1]);
    // Without a limit it would take more than half of the time.
    feed_for(&mut stand, &[bulk], 300 * S);
    let view = |stand: &Stand| {
        let snapshot = stand.stations[0].snapshot(stand.now);
        let used = snapshot.gates[0].key_down.ten_minutes_ms;
        let talk = snapshot.talks.into_iter().find(|t| t.id == bulk);
        (used, talk.expect("it is there"))
    };
    let (used, talk) = view(&stand);
    assert!((90_000..=110_000).contains(&used), "{used} ms of key-down");
    assert!(talk.words.contains("much text waits"), "{}", talk.words);
    let (had, begin) = (stand.octets(1), stand.now);
    for n in 0..30 {
        let took = line_takes(&mut stand, typed, &[bulk], "wind south four");
        assert!(took < 15 * S, "{took:?} for line {n}");
        feed_for(&mut stand, &[bulk], 40 * S);
        let used = view(&stand).0;
        assert!(used <= 115_000, "{used} ms: what is kept is there");
    }
    // Much text goes on as its time comes back, at a sixth of the time at least.
    let rate = (stand.octets(1) - had) as f64 / stand.now.since(begin).as_secs_f64();
    assert!(rate > 12.0, "{rate:.1} octets a second");
    assert_eq!(stand.state(bulk), Some(TalkState::Open));
}

#[test]
fn two_talks_with_much_text_share_the_channel() {
    let (mut stand, talks) = talking(setup(2), &["QM3BAR", "QC2CAP"]);
    // One has a long start.
    feed_for(&mut stand, &talks[..1], 120 * S);
    let before = [stand.octets(1), stand.octets(2)];
    feed_for(&mut stand, &talks, 900 * S);
    let got = [stand.octets(1) - before[0], stand.octets(2) - before[1]];
    let ratio = got[0] as f64 / got[1] as f64;
    assert!((0.75..1.33).contains(&ratio), "{got:?} octets");
}

#[test]
fn a_talk_that_never_pauses_does_not_starve_much_text() {
    let (mut stand, talks) = talking(setup(3), &["QM3BAR", "QC2CAP"]);
    let (bulk, typed) = (talks[0], talks[1]);
    let before = stand.octets(1);
    let begin = stand.now;
    while stand.now.since(begin) < 600 * S {
        // As soon as one line has arrived the next is written.
        line_takes(
            &mut stand,
            typed,
            &[bulk],
            &"never at a loss for words ".repeat(4),
        );
    }
    let rate = (stand.octets(1) - before) as f64 / stand.now.since(begin).as_secs_f64();
    assert!(rate > 25.0, "{rate:.1} octets a second of much text");
}

#[test]
fn lines_typed_while_the_channel_is_occupied_go_out_together() {
    let (mut stand, talks) = talking(setup(4), &["QM3BAR"]);
    stand.run(5 * S);
    let (frames, answers) = (stand.counts.i_frames, stand.counts.others[1]);
    stand.hold(true);
    for line in [
        "ferry at nine",
        "twelve blankets",
        "two doctors",
        "no ice",
        "over",
    ] {
        stand.say(talks[0], line.to_owned());
        stand.run(2 * S);
    }
    stand.hold(false);
    let end = stand.now + 60 * S;
    assert!(stand.run_until(end, |s| s.arrived.len() == 5));
    // The first line had its frame already; the others share one. One answer for both.
    assert_eq!(stand.counts.i_frames - frames, 2);
    assert_eq!(stand.counts.others[1] - answers, 1);
}

#[test]
fn a_lone_line_waits_for_nothing_but_its_slot() {
    let (mut stand, talks) = talking(setup(5), &["QM3BAR"]);
    stand.run(5 * S);
    let mut sum = 0.0;
    for _ in 0..20 {
        sum += line_takes(&mut stand, talks[0], &[], "over").as_secs_f64();
        stand.run(3 * S);
    }
    // Two waits of 0.4 s on average, two key-ups of 0.33 s, frame and answer of 0.16 s.
    assert!((1.2..2.4).contains(&(sum / 20.0)), "{:.2} s", sum / 20.0);
}

#[test]
fn a_burst_is_answered_once() {
    let (mut stand, talks) = talking(setup(6), &["QM3BAR"]);
    stand.counts = crate::stand::Figures::default();
    feed_for(&mut stand, &talks, 300 * S);
    let counts = stand.counts;
    let bursts = counts.bursts[0];
    assert!(bursts > 20 && counts.others[1] <= bursts, "{counts:?}");
    assert!(counts.i_frames > 3 * bursts, "{counts:?}");
}
