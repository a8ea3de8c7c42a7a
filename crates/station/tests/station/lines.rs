//! A port that listens to more lines than it sends with: what the gate, the list of stations
//! heard and the notes say of it.

use std::time::Duration;

use dunlin_clock::SampleRate;
use dunlin_modem::Mode;
use dunlin_station::gate::{CarrierSense, Condition};
use dunlin_station::port::{Transmitter, TransmitterSettings};
use dunlin_station::{BlockKind, ConfigError, Event, Input, PortId, Station};

use crate::desk::{Desk, plain};
use crate::wire::{RATE, station};

const PORT: PortId = PortId(0);

/// A port that sends at 300 Bd and hears 1200 Bd besides.
fn desk() -> Desk {
    let mut config = plain("HF", "QA1SKY");
    config.line = Mode::Afsk300.into();
    config.also_hears = vec![Mode::Afsk1200.into()];
    config.gate.sense = CarrierSense {
        data: true,
        energy: false,
        external: false,
    };
    Desk::new(station("QA1SKY", vec![config], 1))
}

/// AX.25 2.2, Fig 3.5: addresses of a command from QM3BAR to QA1SKY; then the control octet.
fn frame(control: &[u8], text: &[u8]) -> Vec<u8> {
    let mut octets: Vec<u8> = b"QA1SKY".iter().map(|c| c << 1).collect();
    octets.push(0xE0);
    octets.extend(b"QM3BAR".iter().map(|c| c << 1));
    octets.push(0x61);
    octets.extend(control);
    octets.extend(text);
    octets
}

/// A UI frame (control 0x03, PID 0xF0), and the one that asks for a link (SABM with P, 0x3F).
fn says() -> Vec<u8> {
    frame(&[0x03, 0xF0], b"Rain on the Hill")
}

fn calls() -> Vec<u8> {
    frame(&[0x3F], &[])
}

fn play(desk: &mut Desk, mode: Mode, octets: &[u8]) {
    hear(desk, mode, octets, |_| {});
}

/// Lets the port hear a transmission, and looks at it in its middle.
fn hear(desk: &mut Desk, mode: Mode, octets: &[u8], look: impl FnOnce(&Desk)) {
    let rate = SampleRate::new(RATE).expect("not zero");
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_millis(400),
        ..TransmitterSettings::default()
    };
    let transmitter = Transmitter::new(mode, rate, settings).expect("fits");
    let mut sound = transmitter.transmission(&[octets.to_vec()]);
    let half = sound.len() / 2;
    sound.extend(vec![0.0; RATE as usize * 3]);
    let (mut look, mut given) = (Some(look), 0);
    for piece in sound.chunks(240) {
        let ms = desk.now.as_millis() + 20;
        desk.until(ms);
        let samples = piece;
        desk.give(Input::Samples {
            port: PORT,
            samples,
        });
        given += piece.len();
        if given > half
            && let Some(look) = look.take()
        {
            look(desk);
        }
    }
}

fn heard_blocks(desk: &Desk) -> Vec<(Option<String>, Option<String>)> {
    let blocks = desk.station.snapshot(desk.now).blocks;
    let heard = blocks.into_iter().filter(|b| b.kind == BlockKind::Heard);
    heard.map(|b| (b.line, b.why)).collect()
}

#[test]
fn a_frame_says_by_which_line_it_was_heard_and_the_list_advises() {
    let mut desk = desk();
    play(&mut desk, Mode::Afsk1200, &says());
    let why = "heard at afsk1200; this port sends at afsk300";
    assert_eq!(
        heard_blocks(&desk),
        [(Some("afsk1200".into()), Some(why.into()))]
    );
    let heard = desk.station.snapshot(desk.now).heard;
    assert_eq!(heard.len(), 1);
    assert_eq!(heard[0].line.as_deref(), Some("afsk1200"));
    let advice = heard[0].advice.clone().expect("some advice");
    assert!(
        advice.contains("heard at afsk1200, and this port sends at afsk300"),
        "{advice}"
    );
    // Once it uses the port's own line, nothing speaks against it, whatever it uses besides.
    play(&mut desk, Mode::Afsk300, &says());
    play(&mut desk, Mode::Afsk1200, &says());
    let heard = desk.station.snapshot(desk.now).heard;
    assert_eq!((heard.len(), heard[0].count), (1, 3));
    assert_eq!(heard[0].advice, None);
    // The second frame came by the own line, and needs no words.
    assert_eq!(heard_blocks(&desk)[1], (Some("afsk300".into()), None));
}

#[test]
fn data_of_any_line_occupies_the_channel_and_is_named() {
    for (mode, name) in [(Mode::Afsk1200, "afsk1200"), (Mode::Afsk300, "afsk300")] {
        let mut desk = desk();
        desk.until(2000);
        desk.say(0, "x");
        let text = frame(&[0x03, 0xF0], &[b'x'; 100]);
        hear(&mut desk, mode, &text, |desk| {
            let channel = desk.condition(0, Condition::Channel);
            assert!(!channel.open, "{name}");
            let evidence = channel.evidence;
            let begin = "the channel is busy: data tones at ";
            assert!(evidence.starts_with(begin), "{evidence}");
            // Without noise the detector of 300 Bd takes 1200 Bd for data too.
            assert!(evidence.contains(name), "{evidence}");
        });
    }
}

#[test]
fn who_calls_by_another_line_is_noted_once() {
    let mut desk = desk();
    play(&mut desk, Mode::Afsk1200, &calls());
    play(&mut desk, Mode::Afsk1200, &calls());
    let said = |e: &&Event| matches!(e, Event::Note(n) if n.text.contains("calls QA1SKY at afsk1200, and this port answers at afsk300"));
    assert_eq!(desk.events.iter().filter(said).count(), 1);
}

#[test]
fn a_line_twice_or_too_many_are_refused() {
    let mut config = plain("HF", "QA1SKY");
    config.also_hears = vec![Mode::Afsk1200.into()];
    let line = |config| match Station::new(station("QA1SKY", vec![config], 1)) {
        Err(ConfigError::Line { line, .. }) => line,
        other => panic!("{other:?}"),
    };
    assert_eq!(line(config.clone()), "afsk1200");
    let more = [Mode::Afsk300, Mode::Afsk600, Mode::Fsk1200, Mode::Fsk2400];
    config.also_hears = more.map(Into::into).to_vec();
    assert_eq!(line(config), "fsk2400");
}
