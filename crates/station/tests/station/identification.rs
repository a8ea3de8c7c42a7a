//! Identification as dated dialogues, and an account from outside that holds for any traffic.

use std::collections::BTreeMap;

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Repeater, pid};
use dunlin_clock::Duration;
use dunlin_station::gate::{Condition, Medium, TestSignal};
use dunlin_station::{
    Beacon, Block, BlockKind, Command, Event, Input, PortConfig, PortId, Refusal,
};
use proptest::prelude::*;

use crate::desk::{Desk, plain};
use crate::wire::{call, station};

const EVERY: Duration = Duration::from_secs(600);
/// From the end of a series to the call sign, with the slot before it.
const AFTER: u64 = 31_000;

/// A port with a controller that repeats for others.
fn repeater() -> PortConfig {
    let mut config = plain("VHF", "QA1SKY");
    config.medium = Medium::Controller;
    config.digipeat = vec![call("QA1SKY-1")];
    config
}

fn desk(config: PortConfig) -> Desk {
    Desk::new(station("QA1SKY", vec![config], 1))
}

/// Somebody asks for a frame to be repeated.
fn ask(desk: &mut Desk, text: &str) {
    let info = text.as_bytes().to_vec();
    let mut frame = Frame::ui(call("QM3BAR"), call("CQ"), &[], pid::NO_LAYER_3, info);
    frame.repeaters = vec![Repeater::ahead(call("QA1SKY-1"))];
    let octets = frame.encode();
    desk.give(Input::Frame {
        port: PortId(0),
        octets: &octets,
    });
}

/// Another program sends under another call sign.
fn client(desk: &mut Desk, text: &str) {
    let info = text.as_bytes().to_vec();
    let octets = Frame::ui(call("QC2CAP"), call("CQ"), &[], pid::NO_LAYER_3, info).encode();
    desk.give(Input::FromClient {
        port: PortId(0),
        client: 1,
        octets: &octets,
    });
}

/// What was sent, in order: each block as it was told last.
fn sent(desk: &Desk) -> Vec<Block> {
    let mut blocks = BTreeMap::new();
    for event in &desk.events {
        if let Event::Block(b) = event
            && b.kind == BlockKind::Sent
        {
            blocks.insert(b.id, b.clone());
        }
    }
    blocks.into_values().collect()
}

fn call_signs(desk: &Desk) -> Vec<u64> {
    let blocks = sent(desk).into_iter();
    blocks
        .filter(|b| b.to == "ID")
        .map(|b| b.start_ms)
        .collect()
}

/// Whoever listens judges: what they heard, and when they were last told who it is.
fn account(desk: &Desk, every: Duration) -> Result<(), String> {
    let every = u64::try_from(every.as_millis()).expect("fits");
    let (mut from, mut last_end, mut owed) = (0, None, false);
    for block in sent(desk) {
        let end = block.end_ms.expect("over");
        let quiet = last_end.map(|e| block.start_ms.saturating_sub(e));
        if owed && quiet.is_some_and(|q| q > AFTER + 30_000) {
            return Err(format!(
                "the series before {} was left unidentified",
                block.start_ms
            ));
        }
        if !owed && quiet.is_none_or(|q| q >= 30_000) {
            from = block.start_ms; // A new series.
        }
        // Of repeated frames the first one says it.
        let repeated = block.what.contains("repeated frame");
        let told = if repeated {
            block.start_ms + 2_000
        } else {
            end
        };
        // Blocks are told in whole milliseconds.
        if told.min(end) > from + every + 1 {
            return Err(format!(
                "{} ms since {from} without a call sign",
                end - from
            ));
        }
        let own = block.from.starts_with("QA1SKY");
        if block.to == "ID" && !owed && !block.what.contains("test") {
            return Err(format!(
                "the call sign at {} says nothing new",
                block.start_ms
            ));
        }
        owed = !own;
        if own {
            from = end;
        }
        last_end = Some(end);
    }
    if owed {
        return Err("the last series was left unidentified".into());
    }
    Ok(())
}

#[test]
fn a_repeated_frame_is_followed_by_the_call_sign_once() {
    let mut desk = desk(repeater());
    desk.until(1000);
    ask(&mut desk, "hello");
    desk.until(5000);
    let end = sent(&desk)[0].end_ms.expect("over");
    let gate = desk.condition(0, Condition::Identification);
    assert!(
        gate.open && gate.evidence.contains("has to follow"),
        "{}",
        gate.evidence
    );
    desk.until(end + 29_900);
    assert_eq!(call_signs(&desk), []);
    desk.until(3_600_000);
    let said = call_signs(&desk);
    assert!(
        said.len() == 1 && (30_000..AFTER).contains(&(said[0] - end)),
        "{said:?} {end}"
    );
    let frame = &sent(&desk)[1];
    assert_eq!((frame.from.as_str(), frame.to.as_str()), ("QA1SKY", "ID"));
    assert!(frame.octets.ends_with(b"QA1SKY"));
    assert_eq!(desk.gate(0).identified_ms, frame.end_ms);
}

#[test]
fn relayed_traffic_without_pause_is_identified_every_ten_minutes() {
    let mut desk = desk(repeater());
    for n in 0..120_u64 {
        desk.until(1000 + n * 20_000);
        ask(&mut desk, &format!("hello {n}"));
    }
    desk.until(3_600_000);
    let said = call_signs(&desk);
    // 40 minutes of traffic: three or four in it and one at the end.
    assert!((4..=6).contains(&said.len()), "{said:?}");
    account(&desk, EVERY).expect("identified");
}

#[test]
fn nothing_is_said_when_nothing_was_sent_nor_when_frames_say_it_themselves() {
    let mut config = repeater();
    let mut quiet = desk(config.clone());
    quiet.until(7_200_000);
    assert!(sent(&quiet).is_empty());
    config.beacons = vec![Beacon {
        to: call("ALL"),
        via: Vec::new(),
        interval: Duration::from_secs(300),
        first_delay: Duration::from_secs(5),
        text: "Dunlin".into(),
    }];
    let mut beacons = desk(config);
    beacons.until(7_200_000);
    assert!(sent(&beacons).len() > 20);
    assert_eq!(call_signs(&beacons), []);
    account(&beacons, EVERY).expect("identified");
}

#[test]
fn an_own_frame_in_time_makes_another_needless() {
    let mut desk = desk(repeater());
    ask(&mut desk, "hello");
    desk.until(20_000);
    desk.say(0, "The ferry is late");
    desk.until(600_000);
    assert_eq!(call_signs(&desk), []);
    account(&desk, EVERY).expect("identified");
}

#[test]
fn other_programs_are_identified_by_the_port() {
    let mut desk = desk(plain("VHF", "QA1SKY"));
    for n in 0..200_u64 {
        desk.until(n * 7_000);
        client(&mut desk, &format!("telemetry {n}"));
    }
    desk.until(3_600_000);
    assert!(call_signs(&desk).len() >= 3);
    account(&desk, EVERY).expect("identified");
}

#[test]
fn after_a_long_wait_the_call_sign_goes_first() {
    let mut desk = desk(plain("VHF", "QA1SKY"));
    client(&mut desk, "before");
    desk.until(5_000);
    desk.busy(0, true);
    client(&mut desk, "after");
    desk.until(700_000);
    desk.busy(0, false);
    desk.until(800_000);
    let to: Vec<String> = sent(&desk).into_iter().map(|b| b.to).collect();
    assert_eq!(to, ["CQ", "ID", "CQ", "ID"]);
}

#[test]
fn a_person_can_have_it_said_at_once() {
    let mut desk = desk(plain("VHF", "QA1SKY"));
    let identify = Command::Identify { port: PortId(0) };
    desk.command(identify.clone()).expect("queued");
    desk.command(identify.clone()).expect("the same");
    desk.until(600_000);
    assert_eq!(call_signs(&desk).len(), 1);
    let nowhere = desk.command(Command::Identify { port: PortId(3) });
    assert_eq!(nowhere, Err(Refusal::NoSuchPort(3, 1)));
}

#[test]
fn a_stop_leaves_it_owed_until_the_start() {
    let mut desk = desk(repeater());
    ask(&mut desk, "hello");
    desk.until(5_000);
    desk.stop(Some(0));
    desk.until(900_000);
    assert_eq!(call_signs(&desk), []);
    desk.start(Some(0)).expect("started");
    desk.until(1_000_000);
    assert_eq!(call_signs(&desk).len(), 1);
}

#[test]
fn a_call_sign_that_never_fits_keeps_the_port_shut() {
    let mut config = plain("VHF", "QA1SKY");
    config.timing.key_up_delay = Duration::from_secs(4);
    config.gate.limits.single = Duration::from_secs(5);
    let mut desk = desk(config);
    desk.until(1000);
    let gate = desk.condition(0, Condition::Identification);
    assert!(
        !gate.open && gate.remedy.contains("Raise the limit"),
        "{gate:?}"
    );
}

/// One thing that happens in the random dialogue.
#[derive(Clone, Debug)]
enum Doing {
    Ask,
    Client,
    Own,
    Test(TestSignal, u8),
}

fn doing() -> impl Strategy<Value = Doing> {
    prop_oneof![
        4 => Just(Doing::Ask),
        4 => Just(Doing::Client),
        1 => Just(Doing::Own),
        1 => (1_u8..30).prop_map(|s| Doing::Test(TestSignal::LowTone, s)),
        1 => (1_u8..30).prop_map(|s| Doing::Test(TestSignal::LongPreamble, s)),
        1 => (1_u8..30).prop_map(|s| Doing::Test(TestSignal::RepeatedFrame, s)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]
    #[test]
    fn whatever_is_sent_is_identified_in_time(
        controller in any::<bool>(),
        doings in prop::collection::vec((0_u64..45_000, doing()), 1..150),
    ) {
        let mut config = repeater();
        if !controller {
            config.medium = Medium::Sound;
        }
        config.gate.identify_every = Duration::from_secs(120);
        config.gate.limits.ten_minutes = Duration::from_secs(600);
        config.gate.limits.hour = Duration::from_secs(3600);
        let mut desk = desk(config);
        let mut at = 0;
        for (n, (gap, doing)) in doings.into_iter().enumerate() {
            at += gap;
            desk.until(at);
            match doing {
                Doing::Ask => ask(&mut desk, &format!("{n}")),
                Doing::Client => client(&mut desk, &format!("{n}")),
                Doing::Own => desk.say(0, &format!("{n}")),
                Doing::Test(signal, seconds) => {
                    let port = PortId(0);
                    let _ = desk.command(Command::Test { port, signal, seconds });
                }
            }
        }
        desk.until(at + 300_000);
        prop_assert_eq!(account(&desk, Duration::from_secs(120)), Ok(()));
    }
}
