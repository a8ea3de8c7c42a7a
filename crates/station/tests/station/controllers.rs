//! Ports with a controller of their own.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Address, Control, Repeater, Role, pid};
use dunlin_clock::Duration;
use dunlin_station::gate::Medium;
use dunlin_station::{
    BlockKind, Command, Direction, Event, Input, PortId, Reply, TalkId, TalkState,
};
use proptest::prelude::*;

use crate::cable::{Cable, with_controller};
use crate::desk::{Desk, plain};
use crate::wire::{call, station};

const MINUTE: Duration = Duration::from_secs(60);

fn received(c: &Cable, at: usize) -> Vec<String> {
    let lines = c.stations[at].snapshot(c.now).lines.into_iter();
    let theirs = lines.filter(|l| l.direction == Direction::Received && l.complete);
    theirs.map(|l| l.text).collect()
}

fn state(c: &Cable, at: usize) -> TalkState {
    c.stations[at].snapshot(c.now).talks[0].state
}

fn say(c: &mut Cable, at: usize, talk: TalkId, text: &str) {
    let text = text.to_owned();
    c.command(at, Command::Say { talk, text });
}

#[test]
fn a_talk_between_two_controllers_ends_as_it_should() {
    let mut c = Cable::pair(1);
    let talk = c.open(0, "QM3BAR");
    assert!(c.run(MINUTE, |c| state(c, 0) == TalkState::Open));
    say(&mut c, 0, talk, "Ferry at nine\nTwelve blankets");
    assert!(c.run(MINUTE, |c| received(c, 1).len() == 2));
    assert_eq!(received(&c, 1), ["Ferry at nine", "Twelve blankets"]);
    c.command(0, Command::CloseTalk { talk });
    assert!(c.run(MINUTE, |c| state(c, 0) == TalkState::Ended
        && state(c, 1) == TalkState::Ended));
    let frames = c.handed.iter().map(Vec::len).sum::<usize>();
    assert!(
        frames <= 12,
        "nothing was sent twice on a good cable: {frames}"
    );
}

#[test]
fn what_a_controller_heard_is_shown_without_measurements() {
    let mut c = Cable::pair(3);
    let text = b"wind south 4".to_vec();
    let octets = Frame::ui(call("QC2CAP"), call("CQ"), &[], pid::NO_LAYER_3, text).encode();
    let input = Input::Frame {
        port: PortId(0),
        octets: &octets,
    };
    c.run(Duration::from_secs(5), |_| false);
    c.handle(0, input);
    let view = c.stations[0].snapshot(c.now);
    let block = view.blocks.last().expect("shown");
    assert_eq!(
        (block.kind, block.from.as_str()),
        (BlockKind::Heard, "QC2CAP")
    );
    assert_eq!((block.level_dbfs, block.snr_db), (None, None));
    // 14 + 2 + 12 octets, FCS and two flags of eight bits at 1200 Bd, some stuffing.
    let lasted = block.end_ms.expect("over") - block.start_ms;
    assert!((213..235).contains(&lasted), "{lasted} ms");
    assert_eq!(view.heard[0].call, "QC2CAP");
    assert_eq!(
        (view.heard[0].level_dbfs, view.heard[0].said.as_str()),
        (None, "wind south 4")
    );
    assert_eq!(view.ports[0].level_dbfs, None);
    assert!(view.ports[0].occupied > 0.0 && !view.ports[0].busy);
}

#[test]
fn frames_that_come_in_one_go_do_not_occupy_the_channel_twice() {
    let mut c = Cable::pair(4);
    c.run(Duration::from_secs(100), |_| false);
    for n in 0..200_u8 {
        let octets = Frame::ui(
            call("QC2CAP"),
            call("CQ"),
            &[],
            pid::NO_LAYER_3,
            vec![n; 100],
        );
        let octets = octets.encode();
        c.handle(
            0,
            Input::Frame {
                port: PortId(0),
                octets: &octets,
            },
        );
    }
    // They cannot all have been sent in the length of the first one.
    assert!(c.stations[0].snapshot(c.now).ports[0].occupied < 0.02);
}

#[test]
fn octets_that_are_no_frame_are_shown_as_unreadable() {
    let mut c = Cable::pair(5);
    let ready = b"cmd:\r\n";
    c.handle(
        0,
        Input::Frame {
            port: PortId(0),
            octets: ready,
        },
    );
    let view = c.stations[0].snapshot(c.now);
    assert_eq!(view.blocks[0].kind, BlockKind::Unreadable);
    let why = view.blocks[0].why.clone().unwrap_or_default();
    assert!(why.contains("controller") && why.contains("AX.25"), "{why}");
    // Neither a port that hears by itself nor one that is missing takes them.
    c.handle(
        0,
        Input::Frame {
            port: PortId(7),
            octets: ready,
        },
    );
}

#[test]
fn a_controller_repeats_frames_when_asked_to() {
    let mut config = with_controller("QA1SKY", 6);
    config.ports[0].digipeat = vec![call("QA1SKY-1")];
    let mut c = Cable::new(vec![config], 6);
    let frame = Frame {
        source: Address::from(call("QM3BAR")),
        destination: Address::from(call("CQ")),
        repeaters: vec![Repeater::ahead(call("QA1SKY-1"))],
        role: Role::Command,
        control: Control::Ui { pf: false },
        pid: Some(pid::NO_LAYER_3),
        info: b"hello".to_vec(),
    };
    let octets = frame.encode();
    c.handle(
        0,
        Input::Frame {
            port: PortId(0),
            octets: &octets,
        },
    );
    c.run(Duration::from_secs(2), |_| false);
    let mut repeated = frame;
    repeated.repeaters[0].has_been_repeated = true;
    assert_eq!(c.handed[0][0].1, repeated.encode());
}

#[test]
fn the_controllers_own_wait_does_not_make_a_link_ask_again() {
    // A third station talks for 4 s whenever the two want to speak.
    let mut c = Cable::pair(7);
    let talk = c.open(0, "QM3BAR");
    assert!(c.run(MINUTE, |c| state(c, 0) == TalkState::Open));
    let before = c.handed[0].len();
    c.hold(Duration::from_secs(4));
    say(&mut c, 0, talk, "patience");
    assert!(c.run(MINUTE, |c| received(c, 1).len() == 1));
    c.run(Duration::from_secs(10), |_| false);
    assert_eq!(c.handed[0].len() - before, 1, "sent once");
}

/// A controller on the desk, with one frame of about 1 s handed over to it.
fn handed_over() -> Desk {
    let mut config = plain("VHF", "QA1SKY");
    config.medium = Medium::Controller;
    let mut desk = Desk::new(station("QA1SKY", vec![config], 1));
    desk.say(0, &"x".repeat(100));
    while !desk.is_keyed(0) {
        let next = desk.now.as_millis() + 1;
        desk.until(next);
    }
    desk
}

#[test]
fn what_a_controller_was_given_is_not_sent_twice_because_of_a_stop() {
    let mut desk = handed_over();
    desk.stop(None);
    desk.until(2000);
    assert!(!desk.is_keyed(0));
    assert_eq!(desk.gate(0).queued, 0, "the controller sends it");
    assert_eq!(desk.start(None), Ok(Reply::Done));
    desk.until(30_000);
    let blocks = desk.station.snapshot(desk.now).blocks;
    let sent = |b: &&dunlin_station::Block| b.octets.ends_with(b"xxx");
    assert_eq!(blocks.iter().filter(sent).count(), 1);
    assert!(desk.noted("It may still send what it was given"));
}

#[test]
fn a_controller_that_sends_on_after_a_stop_is_not_stuck_before_its_time() {
    let mut desk = handed_over();
    desk.manners.releases_within = None;
    desk.stop(None);
    desk.until(10_000);
    assert_eq!(desk.alarms(), []);
    desk.until(13_000); // About 1 s of airtime and 10 s of grace have passed.
    desk.give(Input::Wakeup);
    assert_eq!(desk.alarms().len(), 1, "{:?}", desk.alarms());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]
    #[test]
    fn text_arrives_whole_and_once_or_is_marked(seed in 0_u64..10_000, loss in 0.0..0.35_f64) {
        let mut c = Cable::pair(seed);
        c.loss = loss;
        let talk = c.open(0, "QM3BAR");
        c.run(3 * MINUTE, |c| state(c, 0) != TalkState::Calling);
        let lines: Vec<String> = (0..8).map(|n| format!("line {n} of eight")).collect();
        if state(&c, 0) == TalkState::Open {
            say(&mut c, 0, talk, &lines.join("\n"));
        }
        let settled = |c: &Cable| {
            c.stations[0].snapshot(c.now).lines.iter().all(|l| l.complete || l.lost)
        };
        prop_assert!(c.run(60 * MINUTE, settled), "neither arrived nor marked");
        let sent = c.stations[0].snapshot(c.now).lines;
        let got = received(&c, 1);
        prop_assert!(got.iter().zip(&lines).all(|(g, l)| g == l), "in order and once: {got:?}");
        let arrived = sent.iter().filter(|l| l.complete).count();
        prop_assert!(got.len() >= arrived, "{got:?} of {arrived}");
    }

    #[test]
    fn nothing_that_a_controller_hands_over_does_harm(
        octets in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..400), 0..20)
    ) {
        let mut c = Cable::pair(9);
        for o in &octets {
            c.handle(0, Input::Frame { port: PortId(0), octets: o });
        }
        c.run(MINUTE, |_| false);
        let sent = c.told[0].iter().filter(
            |e| matches!(e, Event::Block(b) if b.kind == BlockKind::Sent),
        );
        prop_assert_eq!(sent.count(), 0);
    }
}
