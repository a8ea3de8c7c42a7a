//! The gate as dated dialogues: what is shut keeps the key up, what opens lets it down.

use dunlin_clock::{Chance, Duration, Instant};
use dunlin_station::gate::{CarrierSense, Condition, DeviceState, Interlock, KeyLineState, Stop};
use dunlin_station::{Event, Input, PortId, Refusal, Reply, Station, StationConfig};

use crate::desk::{Deed, Desk, guarded, plain};
use crate::wire::{call, station};

fn device(desk: &mut Desk, state: DeviceState<'_>) {
    let port = PortId(0);
    desk.give(Input::Device { port, state });
}

fn line(desk: &mut Desk, state: KeyLineState<'_>) {
    let port = PortId(0);
    desk.give(Input::KeyLine { port, state });
}

/// A guarded port whose device and key line are proved at once.
fn proved() -> Desk {
    let mut desk = Desk::new(guarded());
    device(&mut desk, DeviceState::Healthy("the sound card is open"));
    line(
        &mut desk,
        KeyLineState::Released("the keyer reads it as released"),
    );
    desk
}

fn two(own: impl FnOnce(&mut StationConfig)) -> Desk {
    let ports = vec![plain("HF", "QA1SKY"), plain("VHF", "QA1SKY-1")];
    let mut config = station("QA1SKY", ports, 1);
    own(&mut config);
    Desk::new(config)
}

#[test]
fn an_open_gate_says_so_and_keys_in_the_first_slot() {
    let mut desk = Desk::simple();
    let gate = desk.gate(0);
    assert_eq!(
        gate.sentence,
        "VHF: nothing waits to be sent; the gate is open."
    );
    assert!(
        gate.conditions
            .iter()
            .all(|c| c.open && c.remedy.is_empty())
    );
    desk.say(0, "The ferry is late");
    let slot = desk.condition(0, Condition::Slot);
    assert!(!slot.open && slot.evidence.contains("waiting for a slot"));
    desk.until(99);
    assert!(desk.keyed(0).is_empty());
    desk.until(100);
    assert_eq!(desk.keyed(0), [100]);
    assert!(
        desk.gate(0)
            .sentence
            .starts_with("VHF has been transmitting")
    );
    desk.until(5000);
    assert!(!desk.is_keyed(0));
    assert_eq!(desk.orders(0), []);
}

#[test]
fn a_receive_only_port_says_so() {
    let mut own = plain("VHF", "QA1SKY");
    own.may_transmit = false;
    let desk = Desk::new(station("QA1SKY", vec![own], 1));
    assert_eq!(desk.shut(0), [Condition::Plan]);
    assert!(desk.gate(0).sentence.contains("receive-only"));
}

#[test]
fn an_invented_call_sign_never_keys_a_radio() {
    for own in ["QA1SKY", "N0CALL"] {
        let mut port = plain("VHF", own);
        port.gate.real_radio = true;
        port.digipeat = vec![call("QD2HIL-1")];
        let mut desk = Desk::new(station(own, vec![port], 1));
        desk.say(0, "x");
        desk.until(60_000);
        assert!(desk.keyed(0).is_empty());
        assert_eq!(desk.shut(0)[0], Condition::CallSign);
        assert!(desk.gate(0).sentence.contains("invented call sign"));
    }
    let mut port = plain("VHF", "N0CALL");
    port.gate.real_radio = true;
    let mut desk = Desk::new(station("QA1SKY", vec![port], 1));
    desk.say(0, "x");
    desk.until(1000);
    assert_eq!(desk.keyed(0), [100]);
}

#[test]
fn the_port_listens_first_and_until_what_it_hears_is_over() {
    let mut own = plain("VHF", "QA1SKY");
    own.gate.settle = Duration::from_secs(10);
    let mut desk = Desk::new(station("QA1SKY", vec![own], 1));
    desk.say(0, "x");
    desk.until(4000);
    let sentence = desk.gate(0).sentence;
    assert_eq!(
        sentence,
        "VHF has waited 4 s: after the start the port only listens, 6 s more. Wait; it opens \
         by itself."
    );
    desk.busy(0, true);
    desk.until(12_000);
    assert!(
        desk.gate(0)
            .sentence
            .contains("the channel was never clear")
    );
    assert!(desk.keyed(0).is_empty());
    desk.busy(0, false);
    desk.until(12_099);
    assert!(desk.keyed(0).is_empty());
    desk.until(12_100);
    assert_eq!(desk.keyed(0), [12_100]);
    assert!(desk.condition(0, Condition::Listened).open);
}

#[test]
fn device_and_key_line_are_shut_until_proved() {
    let mut desk = Desk::new(guarded());
    desk.say(0, "x");
    desk.until(5000);
    let shut = desk.shut(0);
    assert!(shut.contains(&Condition::Device) && shut.contains(&Condition::KeyLine));
    device(&mut desk, DeviceState::Healthy("open"));
    desk.until(7000);
    assert_eq!(desk.shut(0)[0], Condition::KeyLine);
    line(&mut desk, KeyLineState::Released("read back"));
    desk.until(7099);
    assert!(desk.keyed(0).is_empty());
    desk.until(7100);
    assert_eq!(desk.keyed(0), [7100]);
}

#[test]
fn a_device_that_goes_while_keyed_is_released_and_the_frame_is_sent_later() {
    let mut desk = proved();
    desk.say(0, &"x".repeat(100));
    desk.until(1500);
    assert!(desk.is_keyed(0));
    device(&mut desk, DeviceState::Lost("the sound card was unplugged"));
    assert_eq!(
        desk.orders(0),
        [(1500, "the sound card was unplugged".into())]
    );
    desk.until(30_000);
    assert_eq!(desk.keyed(0), [1100]);
    assert_eq!(desk.orders(0).len(), 1, "once");
    assert_eq!(desk.gate(0).queued, 1, "kept");
    let sentence = desk.gate(0).sentence;
    assert!(
        sentence.contains("the sound card was unplugged"),
        "{sentence}"
    );
    device(&mut desk, DeviceState::Healthy("back"));
    desk.until(40_000);
    // Its first sound comes 400 ms later; a second of listening and a slot follow.
    assert_eq!(desk.keyed(0), [1100, 31_500]);
    assert_eq!(desk.gate(0).queued, 0);
}

#[test]
fn a_transmission_that_ends_early_is_sent_again_and_after_three_times_given_up() {
    let mut desk = Desk::simple();
    desk.say(0, &"x".repeat(100));
    desk.say(0, "y");
    for n in 1..=3_u64 {
        let keyed = desk.keyed(0).len();
        while desk.keyed(0).len() == keyed {
            let next = desk.now.as_millis() + 1;
            desk.until(next);
        }
        let next = desk.now.as_millis() + 600;
        desk.until(next); // 300 ms of key-up delay, and a part of the first frame.
        assert!(desk.is_keyed(0));
        desk.report(0);
        assert_eq!(desk.gate(0).queued, if n < 3 { 2 } else { 0 }, "{n}");
        let broken = |b: &&dunlin_station::Block| b.why.is_some();
        let blocks = desk.station.snapshot(desk.now).blocks;
        assert!(blocks.iter().filter(broken).count() >= 2 * n as usize);
    }
    assert!(desk.noted("before all of it was played"));
    assert!(desk.noted("given up"));
    assert_eq!(desk.orders(0), [], "the engine never asked for a release");
}

#[test]
fn what_had_sounded_before_an_early_end_is_not_sent_again() {
    let mut desk = Desk::simple();
    desk.say(0, "y");
    desk.say(0, &"x".repeat(100));
    desk.until(100 + 300 + 400); // The short frame takes about 170 ms.
    desk.report(0);
    let waiting = desk.gate(0).waiting;
    assert_eq!(waiting.len(), 1, "{waiting:?}");
    desk.until(10_000);
    let blocks = desk.station.snapshot(desk.now).blocks;
    let whole = |text: &str| {
        let whole = blocks.iter().filter(|b| b.why.is_none());
        whole
            .filter(|b| b.octets.ends_with(text.as_bytes()))
            .count()
    };
    assert_eq!((whole("y"), whole("xx")), (1, 1));
}

#[test]
fn an_end_told_some_milliseconds_early_is_no_break() {
    let mut desk = Desk::simple();
    desk.say(0, "y");
    desk.until(100);
    let lasts = desk.sound.len() as u64 * 1000 / u64::from(crate::wire::RATE);
    desk.until(100 + lasts - 30 - 80); // The tail takes 30 ms.
    desk.report(0);
    desk.until(5000);
    assert_eq!(desk.gate(0).queued, 0);
    assert!(!desk.noted("before all of it was played"));
}

#[test]
fn a_key_line_that_keeps_failing_does_not_send_one_frame_for_ever() {
    let mut desk = proved();
    line(&mut desk, KeyLineState::Failed("the keyer died"));
    desk.say(0, &"x".repeat(100));
    for n in 1..=10 {
        desk.until(n * 10_000);
        line(&mut desk, KeyLineState::Released("read back"));
        desk.until(n * 10_000 + 300);
        line(&mut desk, KeyLineState::Failed("the keyer died"));
    }
    desk.until(200_000);
    // Three times the frame, and three times the call sign for what may have been heard of it.
    assert_eq!(desk.keyed(0).len(), 6, "{:?}", desk.keyed(0));
    assert!(desk.noted("given up"));
}

#[test]
fn a_key_that_is_down_for_nothing_is_released_and_shuts_the_gate() {
    let mut desk = proved();
    desk.until(5000);
    line(&mut desk, KeyLineState::Down);
    desk.say(0, "x");
    desk.until(5999);
    assert_eq!(desk.orders(0), []);
    desk.until(20_000);
    assert_eq!(desk.orders(0), [(6000, "nothing is being sent".into())]);
    assert!(desk.keyed(0).is_empty());
    assert_eq!(desk.shut(0)[0], Condition::KeyLine);
    line(&mut desk, KeyLineState::Released("read back"));
    desk.until(21_000);
    assert_eq!(desk.keyed(0), [20_100]);
}

#[test]
fn a_transmission_whose_end_is_never_reported_is_stuck_until_proved_released() {
    let mut desk = proved();
    desk.manners.reports_end = false;
    desk.manners.releases_within = None;
    desk.say(0, "x");
    desk.say(0, "y");
    desk.until(9000);
    assert_eq!(desk.orders(0), []);
    desk.until(60_000);
    assert_eq!(desk.orders(0).len(), 1);
    assert_eq!(desk.shut(0)[0], Condition::KeyLine);
    let sentence = desk.gate(0).sentence;
    assert!(sentence.contains("may still be keyed"), "{sentence}");
    assert_eq!(desk.keyed(0).len(), 1);
    line(&mut desk, KeyLineState::Released("read back"));
    assert!(desk.condition(0, Condition::KeyLine).open);
    assert_eq!(desk.gate(0).key_down.down_since_ms, None);
}

#[test]
fn a_busy_channel_holds_the_port_and_every_frame_has_its_reason() {
    let mut desk = Desk::simple();
    desk.busy(0, true);
    desk.say(0, "x");
    desk.say(0, "y");
    desk.until(14_000);
    let gate = desk.gate(0);
    assert!(
        gate.sentence.starts_with(
            "VHF has waited 14 s: the radio's own line has said occupied for 14 s, no data tones"
        ),
        "{}",
        gate.sentence
    );
    assert_eq!(gate.queued, 2);
    assert!(gate.waiting[0].reason.contains("the radio's own line"));
    assert!(gate.waiting[1].reason.contains("goes out with"));
    let port = desk.station.snapshot(desk.now).ports[0].clone();
    assert_eq!(port.waits, Some((0, gate.waiting[0].reason.clone())));
    desk.busy(0, false);
    desk.until(15_000);
    assert_eq!(desk.keyed(0), [14_100]);
}

#[test]
fn a_transmission_that_has_no_room_waits_for_it_to_the_millisecond() {
    let mut own = plain("VHF", "QA1SKY");
    own.gate.limits.single = Duration::from_secs(4);
    own.gate.limits.ten_minutes = Duration::from_secs(4);
    own.gate.limits.hour = Duration::from_secs(3600);
    let mut desk = Desk::new(station("QA1SKY", vec![own], 1));
    desk.manners.overhead = Duration::ZERO;
    desk.say(0, &"x".repeat(128));
    desk.until(3000);
    let (began, ended) = desk.down[0][0];
    let length = ended.since(began);
    desk.say(0, &"x".repeat(128));
    desk.say(0, &"y".repeat(128));
    desk.until(10_000);
    assert_eq!(
        desk.keyed(0).len(),
        2,
        "1.2 s twice and a second to spare fit, three do not"
    );
    let shut = desk.condition(0, Condition::KeyDown);
    assert!(
        !shut.open && shut.remedy.contains("there is room in"),
        "{shut:?}"
    );
    desk.until(700_000);
    // Twice its length and the second to spare have to fit beside what has not slid out.
    let limit = Duration::from_secs(4);
    let spare = Duration::from_secs(1);
    let excess = 3 * length + spare - limit;
    let room = began + excess + Duration::from_secs(600) - (length + spare);
    let slot = Duration::from_millis(100);
    assert_eq!(desk.keyed(0)[2], (room + slot).as_millis());
}

#[test]
fn the_key_is_released_before_a_limit_even_if_the_end_is_late() {
    let mut own = plain("VHF", "QA1SKY");
    own.gate.limits.single = Duration::from_secs(3);
    let mut desk = Desk::new(station("QA1SKY", vec![own], 1));
    desk.manners.overhead = Duration::from_secs(60);
    desk.say(0, &"x".repeat(100));
    desk.until(20_000);
    assert_eq!(desk.orders(0).len(), 1);
    let (began, ended) = desk.down[0][0];
    assert!(
        ended.since(began) <= Duration::from_secs(3),
        "{:?}",
        ended.since(began)
    );
    assert!(desk.keyed(0).len() == 1, "what was sent is not sent again");
}

#[test]
fn ports_that_may_not_key_together_never_do() {
    for (hf, vhf, together) in [
        (Interlock::None, Interlock::None, true),
        (Interlock::NotTogether, Interlock::None, false),
        (Interlock::None, Interlock::NotTogether, false),
        (Interlock::YieldToHearing, Interlock::YieldToHearing, false),
    ] {
        let mut desk = two(|c| {
            c.ports[0].gate.interlock = hf;
            c.ports[1].gate.interlock = vhf;
        });
        // Both want to, and their slots fall at one instant.
        desk.say(0, "x");
        desk.say(1, "y");
        desk.until(100);
        assert_eq!(desk.keyed(0), [100]);
        assert_eq!(desk.is_keyed(1), together);
        if !together {
            let shut = desk.condition(1, Condition::Interlock);
            assert!(shut.evidence.starts_with("HF transmits"), "{shut:?}");
        }
        desk.until(10_000);
        assert_eq!(desk.keyed(1).len(), 1);
        let ended = desk.down[0][0].1.as_millis();
        assert_eq!(desk.keyed(1)[0] >= ended, !together);
    }
}

#[test]
fn stopping_releases_at_once_and_holds_everything_until_started() {
    let mut desk = two(|_| {});
    desk.say(0, &"x".repeat(100));
    desk.say(1, &"y".repeat(100));
    desk.until(400);
    desk.say(0, "later");
    assert!(desk.is_keyed(0) && desk.is_keyed(1));
    desk.stop(None);
    assert_eq!((desk.orders(0)[0].0, desk.orders(1)[0].0), (400, 400));
    desk.until(600_000);
    assert_eq!((desk.keyed(0), desk.keyed(1)), (vec![100], vec![100]));
    let gate = desk.gate(0);
    assert_eq!(
        gate.sentence,
        "HF sends nothing: the station was stopped by Ann at 00:00 UTC on 1970-01-01 because: \
         storm. 2 frames are held. Press Start or run `dunlin start`."
    );
    assert!(
        gate.waiting
            .iter()
            .all(|w| w.reason.contains("stopped by Ann"))
    );
    assert_eq!(desk.stops().len(), 1);
    desk.start(None).expect("started");
    assert!(desk.stops().is_empty());
    desk.until(610_000);
    assert_eq!(
        desk.keyed(0),
        [100, 600_100],
        "the cut frame and the later one together"
    );
    assert_eq!(desk.gate(0).queued, 0);
    assert!(desk.noted("stopped by Ann") && desk.noted("started again by Bo"));
    let told = desk.events.iter().filter(|e| matches!(e, Event::Stops(_)));
    assert_eq!(told.count(), 2);
}

#[test]
fn a_stop_from_before_the_start_holds_from_the_first_instant() {
    let mut config = station("QA1SKY", vec![plain("VHF", "QA1SKY")], 1);
    config.stops = vec![Stop {
        port: None,
        by: "Ann".into(),
        why: String::new(),
        at: dunlin_clock::WallTime(951_827_696_000),
    }];
    let mut desk = Desk::new(config);
    desk.say(0, "x");
    desk.until(60_000);
    assert!(desk.keyed(0).is_empty());
    assert!(
        desk.gate(0)
            .sentence
            .contains("by Ann at 12:34 UTC on 2000-02-29.")
    );
    desk.start(None).expect("started");
    desk.until(61_000);
    assert_eq!(desk.keyed(0), [60_100]);
}

#[test]
fn station_and_port_are_stopped_and_started_apart() {
    let mut desk = two(|_| {});
    assert_eq!(desk.start(None), Err(Refusal::NothingStopped));
    assert_eq!(
        desk.start(Some(1)),
        Err(Refusal::PortNotStopped("VHF".into()))
    );
    assert_eq!(desk.start(Some(9)), Err(Refusal::NoSuchPort(9, 2)));
    desk.stop(Some(1));
    assert_eq!(
        desk.start(None),
        Err(Refusal::OnlyPortsStopped("VHF".into()))
    );
    desk.say(0, "x");
    desk.say(1, "y");
    desk.until(10_000);
    assert_eq!((desk.keyed(0).len(), desk.keyed(1).len()), (1, 0));
    desk.stop(None);
    assert_eq!(
        desk.start(Some(0)),
        Err(Refusal::OnlyStationStopped("HF".into()))
    );
    assert_eq!(desk.start(None), Ok(Reply::StillStopped));
    assert!(desk.noted("still stopped: VHF"));
    desk.until(20_000);
    assert!(desk.keyed(1).is_empty());
    desk.stop(None);
    assert_eq!(desk.start(Some(1)), Ok(Reply::StillStopped));
    assert!(desk.noted("it still sends nothing: the station was stopped"));
    assert_eq!(desk.start(None), Ok(Reply::Done));
    desk.until(21_000);
    assert_eq!(desk.keyed(1), [20_100]);
}

#[test]
fn beacons_do_not_leave_in_a_burst_when_the_station_is_started() {
    let mut own = plain("VHF", "QA1SKY");
    for n in 0..6 {
        own.beacons.push(dunlin_station::Beacon {
            to: call("ALL"),
            via: Vec::new(),
            interval: Duration::from_secs(600),
            first_delay: Duration::from_secs(5),
            text: format!("beacon {n}"),
        });
    }
    let mut desk = Desk::new(station("QA1SKY", vec![own], 1));
    desk.stop(None);
    desk.until(3_600_000);
    assert_eq!(desk.gate(0).queued, 0);
    desk.start(None).expect("started");
    desk.until(3_600_000 + 120_000);
    let sent: Vec<&str> = desk
        .events
        .iter()
        .filter_map(|e| match e {
            Event::Block(b) => Some(b.text.as_str()),
            _ => None,
        })
        .collect();
    assert_eq!(sent.len(), 6, "each once: {sent:?}");
    let keyed = desk.keyed(0);
    assert!(keyed[5] - keyed[0] > 30_000, "spread: {keyed:?}");
}

#[test]
fn gates_are_told_at_most_four_times_a_second() {
    let mut desk = Desk::simple();
    desk.events.clear();
    for n in 0..200 {
        desk.busy(0, n % 2 == 0);
        desk.until(n * 10);
    }
    let told = |d: &Desk| {
        let gates = d.events.iter().filter(|e| matches!(e, Event::Gate(_)));
        gates.count()
    };
    assert!((4..=9).contains(&told(&desk)), "{}", told(&desk));
    desk.until(10_000);
    let settled = told(&desk);
    desk.until(3_000_000);
    assert_eq!(told(&desk), settled, "nothing changes, nothing is told");
    let last = desk.events.iter().rev().find_map(|e| match e {
        Event::Gate(view) => Some(view.clone()),
        _ => None,
    });
    assert_eq!(last, Some(desk.gate(0)));
}

#[test]
fn a_station_wakes_only_for_something() {
    let mut station = Station::new(guarded()).expect("good");
    while station.poll().is_some() {}
    station.handle(Instant::ZERO, Input::Wakeup);
    assert_eq!(station.next_wakeup(), None);
    assert!(
        Desk::simple()
            .deeds
            .iter()
            .all(|(_, d)| *d != Deed::Keyed(0))
    );
}

#[test]
fn an_open_squelch_is_named_when_it_holds_the_energy_detector() {
    let mut own = plain("VHF", "QA1SKY");
    own.gate.sense = CarrierSense {
        data: false,
        energy: true,
        external: false,
    };
    let rate = own.rate;
    let mut desk = Desk::new(station("QA1SKY", vec![own], 1));
    let mut chance = Chance::stream(5, "hiss");
    let hear = |desk: &mut Desk, level: f32, chance: &mut Chance, seconds: u64| {
        for _ in 0..seconds * 10 {
            let next = desk.now.as_millis() + 100;
            desk.until(next);
            let n = rate.hz() as usize / 10;
            let samples: Vec<f32> = (0..n).map(|_| level * chance.normal()).collect();
            let (port, samples) = (PortId(0), samples.as_slice());
            desk.give(Input::Samples { port, samples });
        }
    };
    hear(&mut desk, 0.0005, &mut chance, 10);
    assert_eq!(desk.shut(0), []);
    hear(&mut desk, 0.1, &mut chance, 1);
    desk.say(0, "x");
    hear(&mut desk, 0.1, &mut chance, 14);
    assert!(desk.keyed(0).is_empty());
    let sentence = desk.gate(0).sentence;
    assert!(
        sentence.starts_with("VHF has waited 14 s: steady noise at -1"),
        "{sentence}"
    );
    assert!(
        sentence.ends_with(
            "no data tones in it: the squelch is open. Close it, or sense data tones instead."
        ),
        "{sentence}"
    );
    hear(&mut desk, 0.0005, &mut chance, 5);
    assert_eq!(desk.keyed(0).len(), 1);
}
