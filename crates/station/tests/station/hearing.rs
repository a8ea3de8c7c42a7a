//! A port keys only while its channel can be heard: sound comes, and the radio's line is read.

use dunlin_clock::Duration;
use dunlin_station::gate::{Condition, DeviceState, KeyLineState};
use dunlin_station::{Input, PortId};

use crate::desk::{Desk, guarded};

const PORT: PortId = PortId(0);

fn device(desk: &mut Desk, state: DeviceState<'_>) {
    desk.give(Input::Device { port: PORT, state });
}

/// A guarded port, all of it proved.
fn proved(settle: Duration) -> Desk {
    let mut config = guarded();
    config.ports[0].gate.settle = settle;
    let mut desk = Desk::new(config);
    device(&mut desk, DeviceState::Healthy("the sound card is open"));
    let state = KeyLineState::Released("read back");
    desk.give(Input::KeyLine { port: PORT, state });
    desk
}

#[test]
fn without_sound_the_channel_counts_as_unheard_until_it_has_come_for_a_second() {
    let mut desk = proved(Duration::ZERO);
    desk.until(9999); // The last sound came at 9600.
    desk.sounds[0] = false;
    desk.until(10_099);
    assert_eq!(desk.shut(0), []);
    desk.until(10_100);
    assert_eq!(desk.shut(0), [Condition::Listened, Condition::Channel]);
    desk.say(0, "x");
    desk.until(20_000);
    assert!(desk.keyed(0).is_empty());
    let sentence = desk.gate(0).sentence;
    assert!(
        sentence.contains("no sound has come from the device for 10 s")
            && sentence.contains("the channel cannot be heard")
            && sentence.contains("Look at the sound device"),
        "{sentence}"
    );
    desk.sounds[0] = true;
    desk.until(20_500); // The first sound comes at 20 000.
    assert_eq!(desk.shut(0)[0], Condition::Listened);
    assert!(desk.condition(0, Condition::Channel).open);
    desk.until(22_000);
    assert_eq!(desk.keyed(0), [21_100]);
}

#[test]
fn the_gate_is_told_as_shut_when_sound_ends_though_nothing_waits() {
    let mut desk = proved(Duration::ZERO);
    desk.until(9999);
    desk.events.clear();
    desk.sounds[0] = false;
    desk.until(11_000);
    let told = desk.events.iter().any(
        |e| matches!(e, dunlin_station::Event::Gate(g) if g.sentence.contains("no sound has come")),
    );
    assert!(told, "{:?}", desk.events);
}

#[test]
fn a_device_that_hands_over_nothing_while_it_plays_is_no_trouble() {
    let mut desk = proved(Duration::ZERO);
    desk.until(2000);
    desk.say(0, &"x".repeat(120));
    desk.say(0, "y");
    desk.until(2101);
    assert!(desk.is_keyed(0));
    desk.sounds[0] = false;
    while desk.is_keyed(0) {
        let next = desk.now.as_millis() + 1;
        desk.until(next);
        assert!(desk.condition(0, Condition::Channel).open);
        assert!(desk.condition(0, Condition::Listened).open);
    }
    desk.sounds[0] = true;
    desk.until(20_000);
    assert_eq!(desk.gate(0).queued, 0);
    assert_eq!(desk.orders(0), []);
}

#[test]
fn a_settling_port_without_sound_has_not_listened() {
    let mut desk = proved(Duration::from_secs(10));
    desk.sounds[0] = false;
    desk.say(0, "x");
    desk.until(30_000);
    assert!(desk.keyed(0).is_empty());
    desk.sounds[0] = true;
    desk.until(39_000);
    let evidence = desk.condition(0, Condition::Listened).evidence;
    assert!(evidence.contains("1 s more"), "{evidence}");
    desk.until(41_000);
    assert_eq!(desk.keyed(0), [40_100]);
}

#[test]
fn a_device_that_comes_back_is_listened_to_for_a_second_and_not_for_the_whole_settle() {
    let mut desk = proved(Duration::from_secs(10));
    desk.until(20_000);
    device(&mut desk, DeviceState::Lost("unplugged"));
    desk.say(0, "x");
    desk.until(30_000);
    assert!(desk.gate(0).sentence.contains("unplugged"));
    device(&mut desk, DeviceState::Healthy("back"));
    assert_eq!(desk.shut(0)[0], Condition::Listened);
    desk.until(40_000);
    assert_eq!(desk.keyed(0), [31_500]); // The first sound came at 30 400.
}

#[test]
fn a_line_of_the_radio_that_was_never_read_counts_as_occupied() {
    let mut desk = Desk::new_unread(guarded());
    device(&mut desk, DeviceState::Healthy("the sound card is open"));
    let state = KeyLineState::Released("read back");
    desk.give(Input::KeyLine { port: PORT, state });
    desk.say(0, "x");
    desk.until(10_000);
    assert!(desk.keyed(0).is_empty());
    assert!(!desk.condition(0, Condition::Channel).open);
    let sentence = desk.gate(0).sentence;
    assert!(
        sentence.contains("the radio's busy line has not been read yet"),
        "{sentence}"
    );
    desk.busy(0, false);
    desk.until(10_100);
    assert_eq!(desk.keyed(0), [10_100]);
}
