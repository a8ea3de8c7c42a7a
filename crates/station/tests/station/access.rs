//! Channel access as dated dialogues: the simplex machine of AX.25 2.2 (Figs C2a.1 to C2a.7) and
//! the duplex one (Figs C2b.1 to C2b.5), as `docs/channel-access.md` reads them.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Control, Role};
use dunlin_clock::{Duration, Instant};
use dunlin_station::gate::Condition;
use dunlin_station::{Command, Input, Output, PortConfig, PortId, Station};

use crate::cable::with_controller;
use crate::desk::{Desk, plain};
use crate::wire::{RATE, call, station};

fn desk(change: impl FnOnce(&mut PortConfig)) -> Desk {
    let mut config = plain("VHF", "QA1SKY");
    change(&mut config);
    Desk::new(station("QA1SKY", vec![config], 1))
}

/// A plain port wins every draw, its slot is 100 ms.
#[test]
fn after_the_channel_has_cleared_one_slot_is_left_to_others() {
    let mut desk = Desk::simple();
    desk.busy(0, true);
    desk.say(0, "wind south 4");
    desk.until(5000);
    assert!(desk.keyed(0).is_empty());
    desk.busy(0, false);
    desk.until(5099);
    assert!(desk.keyed(0).is_empty(), "T101");
    desk.until(5100);
    assert_eq!(desk.keyed(0), [5100]);
}

#[test]
fn a_slot_that_is_lost_is_followed_by_another_one_slot_later() {
    let mut desk = desk(|config| config.timing.persistence = 0.3);
    for n in 0..20 {
        desk.until(n * 60_000);
        desk.say(0, "wind south 4");
    }
    desk.until(1_260_000);
    let waits: Vec<u64> = (0..)
        .zip(desk.keyed(0))
        .map(|(n, at)| at - n * 60_000)
        .collect();
    assert_eq!(waits.len(), 20);
    assert!(
        waits.iter().all(|wait| *wait > 0 && wait % 100 == 0),
        "T101, T102: {waits:?}"
    );
    assert!(waits.iter().any(|wait| *wait > 100), "some draws are lost");
}

/// T107, after which the others get their turn, and T108 before it.
#[test]
fn more_than_the_longest_transmission_goes_out_in_turns() {
    let mut desk = desk(|config| config.timing.longest_transmission = Duration::from_secs(3));
    for n in 0..6 {
        desk.say(0, &format!("{n} {}", "x".repeat(120)));
    }
    desk.until(60_000);
    // One of the frames takes more than a second at 1200 Bd: two in each turn.
    let turns = &desk.down[0];
    assert_eq!(turns.len(), 3);
    for (begin, end) in turns {
        let lasted = end.since(*begin);
        assert!(
            lasted <= Duration::from_millis(3050),
            "with the driver's 50 ms: {lasted:?}"
        );
    }
    for pair in turns.windows(2) {
        assert_eq!(pair[1].0.since(pair[0].1), Duration::from_millis(100));
    }
}

#[test]
fn a_full_duplex_port_waits_for_nothing_that_it_hears() {
    let mut desk = desk(|config| config.full_duplex = true);
    desk.busy(0, true);
    desk.until(1000);
    assert_eq!(desk.shut(0), []);
    let channel = desk.condition(0, Condition::Channel);
    assert!(
        channel.evidence.contains("another frequency"),
        "{}",
        channel.evidence
    );
    desk.say(0, "wind south 4");
    desk.until(1010);
    assert_eq!(desk.keyed(0), [1010], "no slot is drawn");
    // A stop holds it as any other port.
    desk.until(10_000);
    desk.stop(None);
    desk.say(0, "wind south 5");
    desk.until(20_000);
    assert_eq!(desk.keyed(0).len(), 1);
    assert_eq!(desk.shut(0)[0], Condition::Stop);
}

/// What another station sends meanwhile is heard by a full-duplex port only.
#[test]
fn a_full_duplex_port_hears_while_it_sends() {
    let mut other = desk(|config| config.call = call("QM3BAR"));
    other.say(0, "wind south 4");
    other.until(100);
    let mut sound = other.sound.clone();
    sound.resize(sound.len() + RATE as usize / 2, 0.0);
    for full_duplex in [false, true] {
        let mut desk = desk(|config| config.full_duplex = full_duplex);
        desk.say(0, &"x".repeat(128));
        desk.until(100);
        assert!(desk.is_keyed(0));
        for (n, samples) in (1..).zip(sound.chunks(RATE as usize / 50)) {
            desk.until(100 + 20 * n);
            desk.give(Input::Samples {
                port: PortId(0),
                samples,
            });
            assert!(desk.is_keyed(0), "the sound is shorter than what is sent");
        }
        let heard = desk.station.snapshot(desk.now).heard;
        let calls: Vec<&str> = heard.iter().map(|h| h.call.as_str()).collect();
        assert_eq!(calls, if full_duplex { vec!["QM3BAR"] } else { vec![] });
    }
}

/// A station with a controller, and what it hands over.
struct Handed {
    station: Station,
    now: Instant,
}

impl Handed {
    fn hear(&mut self, control: Control) {
        let mut frame = Frame::ui(call("QM3BAR"), call("QA1SKY"), &[], 0, vec![]);
        (frame.control, frame.pid, frame.role) = (control, None, Role::Command);
        let octets = frame.encode();
        let port = PortId(0);
        self.station.handle(
            self.now,
            Input::Frame {
                port,
                octets: &octets,
            },
        );
    }

    /// The frames of the next transmission, as lines; it is over at once.
    fn next(&mut self) -> Vec<String> {
        loop {
            while let Some(output) = self.station.poll() {
                if let Output::SendFrames { frames, .. } = output {
                    self.station
                        .handle(self.now, Input::Transmitted { port: PortId(0) });
                    let line =
                        |octets: &Vec<u8>| Frame::decode(octets).expect("a frame").to_string();
                    return frames.iter().map(line).collect();
                }
            }
            let (at, _) = self.station.next_wakeup().expect("something waits");
            self.now = self.now.max(at);
            self.station.handle(self.now, Input::Wakeup);
        }
    }
}

/// LM-EXPEDITED-DATA (Fig C4.3) takes the priority queue (Fig C3.3).
#[test]
fn the_answer_to_a_disc_that_crosses_ours_overtakes_what_waits() {
    let station = Station::new(with_controller("QA1SKY", 1)).expect("good");
    let mut s = Handed {
        station,
        now: Instant::ZERO,
    };
    s.hear(Control::Sabm { p: true });
    assert_eq!(s.next(), ["QA1SKY > QM3BAR : UA final"]);
    let talk = s.station.snapshot(s.now).talks[0].id;
    let to_all = Command::SayToAll {
        port: PortId(0),
        to: call("CQ"),
        via: Vec::new(),
        text: "wind".into(),
    };
    s.station.command(s.now, to_all).expect("queued");
    s.station
        .command(s.now, Command::CloseTalk { talk })
        .expect("closes");
    s.hear(Control::Disc { p: true });
    assert_eq!(s.next(), ["QA1SKY > QM3BAR : UA final"]);
    assert_eq!(s.next(), ["QA1SKY > CQ : UI \"wind\""]);
    assert_eq!(s.next(), ["QA1SKY > QM3BAR : DISC poll"]);
}
