//! Alarms: each begins when it should, says why, and ends.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::pid;
use dunlin_clock::{Duration, SampleRate};
use dunlin_station::gate::{AlarmKind, DeviceState, KeyLineState};
use dunlin_station::{Command, Event, Input, PortId};

use crate::cable::with_controller;
use crate::desk::{Desk, guarded, plain};
use crate::wire::{RATE, call, station};

fn kinds(desk: &Desk) -> Vec<AlarmKind> {
    desk.alarms().iter().map(|a| a.kind).collect()
}

#[test]
fn a_frame_that_waits_too_long_raises_an_alarm_until_it_has_gone() {
    let mut own = plain("VHF", "QA1SKY");
    own.gate.wait_alarm = Duration::from_secs(60);
    let mut desk = Desk::new(station("QA1SKY", vec![own], 1));
    desk.busy(0, true);
    desk.say(0, "x");
    desk.until(59_999);
    assert_eq!(kinds(&desk), []);
    desk.until(60_000);
    assert_eq!(kinds(&desk), [AlarmKind::Waiting]);
    let text = desk.alarms()[0].text.clone();
    assert!(
        text.starts_with("a frame for ALL (to all) has waited 1 min: the radio's own line"),
        "{text}"
    );
    assert!(desk.noted("alarm: a frame for ALL"));
    desk.until(600_000);
    let begun = desk
        .notes()
        .iter()
        .filter(|n| n.text.starts_with("alarm:"))
        .count();
    assert_eq!(begun, 1, "once");
    desk.busy(0, false);
    desk.until(602_000);
    assert_eq!(kinds(&desk), []);
    assert!(desk.noted("this alarm is over"));
    let last = desk.events.iter().rev().find_map(|e| match e {
        Event::Alarm(view) => Some(view.active),
        _ => None,
    });
    assert_eq!(last, Some(false));
}

#[test]
fn device_and_key_line_raise_alarms_at_once_when_they_fail_and_late_when_untold() {
    let port = PortId(0);
    let mut desk = Desk::new(guarded());
    desk.until(59_000);
    desk.give(Input::Wakeup);
    assert_eq!(kinds(&desk), []);
    desk.until(60_500); // They are looked for twice a second.
    desk.give(Input::Wakeup);
    assert_eq!(kinds(&desk), [AlarmKind::Device, AlarmKind::KeyLine]);
    let state = DeviceState::Healthy("open");
    desk.give(Input::Device { port, state });
    let state = KeyLineState::Released("read back");
    desk.give(Input::KeyLine { port, state });
    assert_eq!(kinds(&desk), []);
    let state = DeviceState::Lost("unplugged");
    desk.give(Input::Device { port, state });
    assert_eq!(kinds(&desk), [AlarmKind::Device]);
    assert!(desk.alarms()[0].text.starts_with("unplugged. This port"));
}

#[test]
fn a_transmission_without_an_end_is_an_alarm() {
    let mut desk = Desk::simple();
    desk.manners.reports_end = false;
    desk.manners.releases_within = None;
    desk.say(0, "x");
    desk.until(20_000);
    assert_eq!(kinds(&desk), [AlarmKind::Stuck]);
    desk.report(0);
    assert_eq!(kinds(&desk), []);
}

#[test]
fn trouble_from_outside_is_passed_on() {
    let mut desk = Desk::simple();
    let mut tell = |text| {
        desk.give(Input::Trouble {
            kind: AlarmKind::Disk,
            port: None,
            text,
        });
        kinds(&desk)
    };
    assert_eq!(tell(Some("the disk is full\u{1b}")), [AlarmKind::Disk]);
    assert_eq!(tell(None), []);
    assert!(desk.noted("alarm: the disk is full\\x1b"));
}

#[test]
fn nothing_but_zeros_from_the_sound_device_is_deafness() {
    let mut own = plain("VHF", "QA1SKY");
    own.gate.sense.external = false;
    let mut desk = Desk::new(station("QA1SKY", vec![own], 1));
    let rate = SampleRate::new(RATE).expect("not zero");
    let second = vec![0.0; rate.hz() as usize];
    let hear = |desk: &mut Desk, samples: &[f32], seconds: u64| {
        for _ in 0..seconds {
            let next = desk.now.as_millis() + 1000;
            desk.until(next);
            let port = PortId(0);
            desk.give(Input::Samples { port, samples });
        }
    };
    hear(&mut desk, &second, 55);
    assert_eq!(kinds(&desk), []);
    hear(&mut desk, &second, 20);
    assert_eq!(kinds(&desk), [AlarmKind::Deaf]);
    let noise: Vec<f32> = (0..second.len())
        .map(|n| ((n * 7919) % 1009) as f32 / 1e5)
        .collect();
    hear(&mut desk, &noise, 10);
    assert_eq!(kinds(&desk), []);
}

#[test]
fn nobody_who_answers_or_repeats_for_half_an_hour_is_an_alarm() {
    let mut desk = Desk::new(with_controller("QA1SKY", 1));
    let repeats = |desk: &mut Desk, minutes: u64| {
        for _ in 0..minutes {
            let text = format!("at {}", desk.now);
            desk.command(Command::SayToAll {
                port: PortId(0),
                to: call("ALL"),
                via: vec![call("QD2HIL")],
                text,
            })
            .expect("queued");
            let next = desk.now.as_millis() + 60_000;
            desk.until(next);
        }
    };
    repeats(&mut desk, 29);
    assert_eq!(kinds(&desk), []);
    repeats(&mut desk, 3);
    assert_eq!(kinds(&desk), [AlarmKind::Unheard]);
    let octets = Frame::ui(call("QM3BAR"), call("QA1SKY"), &[], pid::NO_LAYER_3, vec![]).encode();
    let port = PortId(0);
    let octets = &octets;
    desk.give(Input::Frame { port, octets });
    let next = desk.now.as_millis() + 1000;
    desk.until(next);
    desk.give(Input::Wakeup);
    assert_eq!(kinds(&desk), []);
}
