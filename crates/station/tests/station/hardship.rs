//! Peers that vanish, say nonsense or never acknowledge: the station stays up, says what
//! happened, and loses no text without marking it.

use crate::wire::{RATE, Wires, call, port, station};
use dunlin_ax25::Frame;
use dunlin_ax25::wire::pid;
use dunlin_clock::{Chance, Duration, Instant, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{Transmitter, TransmitterSettings};
use dunlin_station::{
    BlockKind, Command, Event, Input, Output, PortId, Reply, Station, TalkId, TalkState,
};

const MINUTE: Duration = Duration::from_secs(60);

/// A station that hears whatever the test plays to it.
pub struct Listener {
    pub station: Station,
    pub now: Instant,
    pub told: Vec<Event>,
}

impl Listener {
    pub fn new() -> Self {
        let mut own = port("A", Mode::Afsk1200, "QA1SKY");
        own.digipeat = vec![call("QA1SKY-1")];
        let station = Station::new(station("QA1SKY", vec![own], 1)).expect("good");
        Listener {
            station,
            now: Instant::ZERO,
            told: Vec::new(),
        }
    }

    pub fn hear(&mut self, samples: &[f32]) {
        let rate = SampleRate::new(RATE).expect("not zero");
        for chunk in samples.chunks(240) {
            self.now += rate.duration_of(chunk.len() as u64);
            while self
                .station
                .next_wakeup()
                .is_some_and(|(at, _)| at <= self.now)
            {
                self.station.handle(self.now, Input::Wakeup);
            }
            let input = Input::Samples {
                port: PortId(0),
                samples: chunk,
            };
            self.station.handle(self.now, input);
            while let Some(output) = self.station.poll() {
                match output {
                    Output::Event(event) => self.told.push(event),
                    Output::Mail { .. } | Output::File { .. } => panic!("nothing is kept"),
                    // Played in no time: this bench only listens.
                    Output::SendFrames { port, .. }
                    | Output::OnBand { port, .. }
                    | Output::Release { port, .. }
                    | Output::Transmit { port, .. } => {
                        self.station.handle(self.now, Input::Transmitted { port });
                    }
                }
            }
        }
    }

    pub fn hear_frames(&mut self, frames: &[Vec<u8>]) {
        let rate = SampleRate::new(RATE).expect("not zero");
        let settings = TransmitterSettings::default();
        let transmitter = Transmitter::new(Mode::Afsk1200, rate, settings).expect("fits");
        let mut sound = transmitter.transmission(frames);
        sound.extend(vec![0.0; RATE as usize / 5]);
        self.hear(&sound);
    }
}

#[test]
fn a_peer_that_vanishes_leaves_a_sentence_and_marked_lines() {
    let mut w = Wires::new(vec![
        (
            station("QA1SKY", vec![port("A", Mode::Afsk1200, "QA1SKY")], 1),
            vec![0],
        ),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![0],
        ),
    ]);
    let open = Command::OpenTalk {
        port: PortId(0),
        to: call("QM3BAR"),
        via: Vec::new(),
    };
    let Reply::Talk(talk) = w.command(0, open) else {
        panic!("a talk was asked for");
    };
    let state = |w: &Wires| w.stations[0].snapshot(w.now).talks[0].state;
    assert!(w.run(MINUTE, |w| state(w) == TalkState::Open));
    w.cut = Some((0, 1)); // Nothing of QM3BAR is heard any more.
    w.command(
        0,
        Command::Say {
            talk,
            text: "Are you still there?\nHello?".into(),
        },
    );
    assert!(w.run(10 * MINUTE, |w| state(w) == TalkState::Ended));
    let snapshot = w.stations[0].snapshot(w.now);
    assert!(
        snapshot.lines.iter().all(|l| l.lost && !l.complete),
        "{:?}",
        snapshot.lines
    );
    assert!(!snapshot.talks[0].words.is_empty());
    let said = snapshot
        .notes
        .iter()
        .any(|n| n.text.contains("2 lines were not acknowledged"));
    assert!(said, "{:?}", snapshot.notes);
    let again = w.stations[0].command(
        w.now,
        Command::Say {
            talk,
            text: "x".into(),
        },
    );
    assert!(again.is_err(), "an ended talk takes no text");
}

#[test]
fn an_acknowledgement_channel_that_comes_back_ends_in_whole_text_once() {
    let mut w = Wires::new(vec![
        (
            station("QA1SKY", vec![port("A", Mode::Afsk1200, "QA1SKY")], 1),
            vec![0],
        ),
        (
            station("QM3BAR", vec![port("B", Mode::Afsk1200, "QM3BAR")], 2),
            vec![0],
        ),
    ]);
    let open = Command::OpenTalk {
        port: PortId(0),
        to: call("QM3BAR"),
        via: Vec::new(),
    };
    let Reply::Talk(talk) = w.command(0, open) else {
        panic!("a talk was asked for");
    };
    let state = |w: &Wires| w.stations[0].snapshot(w.now).talks[0].state;
    assert!(w.run(MINUTE, |w| state(w) == TalkState::Open));
    w.cut = Some((0, 1));
    w.command(
        0,
        Command::Say {
            talk,
            text: "one\ntwo\nthree".into(),
        },
    );
    w.run(Duration::from_secs(12), |_| false);
    assert_ne!(state(&w), TalkState::Ended, "not given up yet");
    w.cut = None;
    let whole = |w: &Wires| {
        w.stations[0]
            .snapshot(w.now)
            .lines
            .iter()
            .all(|l| l.complete)
    };
    assert!(w.run(5 * MINUTE, whole));
    let got = w.stations[1].snapshot(w.now).lines;
    let got: Vec<&str> = got.iter().map(|l| l.text.as_str()).collect();
    assert_eq!(got, ["one", "two", "three"]);
    assert_eq!(state(&w), TalkState::Open);
}

#[test]
fn nonsense_from_the_air_is_shown_and_does_no_harm() {
    let mut listener = Listener::new();
    let mut chance = Chance::stream(5, "nonsense");
    let mut frames = Vec::new();
    for _ in 0..120 {
        let local = call("QA1SKY");
        let remote = call("QM3BAR");
        let mut octets = Frame::ui(remote, local, &[], pid::NO_LAYER_3, Vec::new()).encode();
        octets.truncate(14);
        let length = 1 + chance.below(40);
        octets.extend((0..length).map(|_| chance.octet()));
        frames.push(octets);
    }
    for group in frames.chunks(10) {
        listener.hear_frames(group);
    }
    let snapshot = listener.station.snapshot(listener.now);
    let shown = snapshot.blocks.iter().filter(|b| b.kind != BlockKind::Busy);
    let heard = shown.filter(|b| b.kind != BlockKind::Sent).count();
    assert!(heard >= 100, "{heard} of 120 are shown, readable or not");
    assert!(snapshot.ports[0].queued < 20);
}

#[test]
fn a_guess_is_shown_as_one_and_nothing_acts_on_it() {
    let mut chance = Chance::stream(8, "guess");
    let rate = SampleRate::new(RATE).expect("not zero");
    let transmitter =
        Transmitter::new(Mode::Afsk1200, rate, TransmitterSettings::default()).expect("fits");
    // Whoever reads it must repeat it, note the sender, and answer.
    let frame = Frame::ui(
        call("QM3BAR"),
        call("QA1SKY"),
        &[call("QA1SKY-1")],
        pid::NO_LAYER_3,
        b"the quick brown fox jumps over the lazy dog".to_vec(),
    );
    let clear = transmitter.transmission(&[frame.encode()]);
    let mut guessed = 0;
    for _ in 0..8 {
        let mut listener = Listener::new();
        let mut spoiled = clear.clone();
        let burst = clear.len() * 3 / 4..clear.len() * 3 / 4 + 4 * RATE as usize / 1200;
        spoiled[burst]
            .iter_mut()
            .for_each(|s| *s = 0.5 * chance.normal());
        spoiled.extend(vec![0.0; RATE as usize * 5]);
        listener.hear(&spoiled);
        let snapshot = listener.station.snapshot(listener.now);
        let blocks = snapshot.blocks.iter().filter(|b| b.kind != BlockKind::Busy);
        let blocks: Vec<_> = blocks.collect();
        if blocks.iter().all(|b| b.kind != BlockKind::Unreadable) {
            continue; // Read by repair.
        }
        assert_eq!((blocks.len(), snapshot.heard.len()), (1, 0), "{blocks:?}");
        assert!(blocks[0].from.is_empty() && blocks[0].octets.is_empty());
        assert_eq!(snapshot.ports[0].queued, 0);
        let Some(guess) = &blocks[0].guess else {
            continue;
        };
        guessed += 1;
        assert_eq!(guess.from, "QM3BAR");
        assert!(guess.address >= 0.5);
        let why = blocks[0].why.as_deref().unwrap_or_default();
        assert!(why.contains("a guess at it: QM3BAR > QA1SKY"), "{why}");
    }
    assert!(guessed >= 1);
}

#[test]
fn noise_and_odd_samples_are_heard_without_harm() {
    let mut listener = Listener::new();
    let mut chance = Chance::stream(6, "noise");
    let mut sound: Vec<f32> = (0..RATE * 20).map(|_| chance.normal() * 0.3).collect();
    sound[1000] = f32::NAN;
    sound[2000] = f32::INFINITY;
    sound.extend((0..RATE * 5).map(|n| if n / 7 % 2 == 0 { 1.0 } else { -1.0 }));
    listener.hear(&sound);
    let frames = listener
        .told
        .iter()
        .filter(|e| matches!(e, Event::Block(b) if b.kind == BlockKind::Heard));
    assert_eq!(frames.count(), 0);
}

#[test]
fn a_crowd_of_callers_is_limited() {
    let mut listener = Listener::new();
    for n in 0..100_u8 {
        let letter = char::from(b'A' + n % 26);
        let other = char::from(b'A' + n / 26);
        let caller = call(&format!("QZ1{letter}{other}"));
        let mut octets =
            Frame::ui(caller, call("QA1SKY"), &[], pid::NO_LAYER_3, Vec::new()).encode();
        octets.truncate(14);
        octets.push(0x3F); // SABM with the poll bit (AX.25 2.2, Fig 4.4).
        listener.hear_frames(&[octets]);
    }
    listener.hear(&vec![0.0; RATE as usize * 120]); // Time to answer them all.
    let talks = listener.station.snapshot(listener.now).talks;
    assert_eq!(talks.len(), Station::MOST_INCOMING);
    let refused = listener.told.iter().filter(
        |e| matches!(e, Event::Block(b) if b.kind == BlockKind::Sent && b.text.contains("DM")),
    );
    assert!(refused.count() >= 30, "those beyond the limit are told");
    let close = Command::CloseTalk { talk: TalkId(0) };
    assert!(listener.station.command(listener.now, close).is_ok());
}
