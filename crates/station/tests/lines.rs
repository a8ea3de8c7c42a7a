//! Several lines and two inputs of one port: each transmission once, and no repeat lost.

use std::time::Duration;

use dunlin_clock::{Chance, SampleRate};
use dunlin_modem::{Line, LineSettings, Mode, TonePair};
use dunlin_station::port::{
    HeardOn, PortEvent, PortReceiver, ReceiverEvent, Transmitter, TransmitterSettings,
};

const HZ: u32 = 12_000;

fn rate() -> SampleRate {
    SampleRate::new(HZ).expect("not zero")
}

/// A frame from QA1SKY to QM3BAR with `n` random octets of information.
fn frame(chance: &mut Chance, n: usize) -> Vec<u8> {
    let mut octets: Vec<u8> = b"QM3BARpQA1SKY0".iter().map(|c| c << 1).collect();
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend((0..n).map(|_| chance.octet()));
    octets
}

/// One transmission of these frames at a level of 0.3.
fn sent(line: impl Into<Line>, frames: &[Vec<u8>]) -> Vec<f32> {
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_millis(250),
        ..TransmitterSettings::default()
    };
    let transmitter = Transmitter::new(line, rate(), settings).expect("fits");
    let sound = transmitter.transmission(frames);
    sound.iter().map(|s| 0.3 * s).collect()
}

fn quiet(seconds: f64) -> Vec<f32> {
    vec![0.0; (seconds * f64::from(HZ)) as usize]
}

fn with_noise(sound: &[f32], deviation: f32, chance: &mut Chance) -> Vec<f32> {
    sound
        .iter()
        .map(|s| s + deviation * chance.normal())
        .collect()
}

fn hear(lines: &[Line], sound: &[f32]) -> Vec<PortEvent> {
    let mut port = PortReceiver::new(lines.iter().copied(), rate(), false).expect("fits");
    let mut events = Vec::new();
    for piece in sound.chunks(997) {
        port.process(piece, &mut events);
    }
    events
}

fn frames(events: &[PortEvent]) -> Vec<(Line, Vec<u8>)> {
    let frame = |event: &PortEvent| match event {
        PortEvent::Frame { octets, line, .. } => Some((*line, octets.clone())),
        _ => None,
    };
    events.iter().filter_map(frame).collect()
}

fn complaints(events: &[PortEvent]) -> usize {
    let complaint = |event: &&PortEvent| {
        use ReceiverEvent::{Tones, Unreadable};
        matches!(event, PortEvent::Other(Unreadable { .. } | Tones(_)))
    };
    events.iter().filter(complaint).count()
}

/// 1200 Bd with tones that are each 25 Hz off those of `afsk1200`.
fn beside() -> Line {
    let tones = Some(TonePair {
        mark_hz: 1225,
        space_hz: 2225,
    });
    let settings = LineSettings {
        tones,
        ..LineSettings::default()
    };
    Line::new(Mode::Afsk1200, settings).expect("it can be")
}

#[test]
fn two_lines_hear_two_transmissions_that_overlap() {
    // 300 Bd at 2600 and 2800 Hz beside 1200 Bd at 1200 and 2200 Hz.
    let tones = Some(TonePair {
        mark_hz: 2800,
        space_hz: 3000,
    });
    let settings = LineSettings {
        tones,
        ..LineSettings::default()
    };
    let slow = Line::new(Mode::Afsk300, settings).expect("it can be");
    let fast = Line::from(Mode::Afsk1200);
    let mut chance = Chance::stream(1, "lines");
    let (long, short) = (frame(&mut chance, 40), frame(&mut chance, 40));
    let mut sound = quiet(1.0);
    sound.extend(sent(slow, std::slice::from_ref(&long)));
    sound.extend(quiet(6.0));
    let over = sent(fast, std::slice::from_ref(&short));
    for (s, o) in sound[HZ as usize * 2..].iter_mut().zip(over) {
        *s += o;
    }
    let sound = with_noise(&sound, 0.01, &mut chance);
    let events = hear(&[fast, slow], &sound);
    let mut heard = frames(&events);
    heard.sort_by_key(|(line, _)| line.baud());
    assert_eq!(heard, [(slow, long), (fast, short)]);
    assert_eq!(
        complaints(&events),
        0,
        "what one line reads nobody complains of"
    );
    // One busy channel, from the begin of the one to the end of the other.
    let busy: Vec<bool> = events
        .iter()
        .filter_map(|event| match event {
            PortEvent::Other(ReceiverEvent::Carrier { on, .. }) => Some(*on),
            _ => None,
        })
        .collect();
    assert_eq!(busy, [true, false]);
}

#[test]
fn what_two_lines_read_comes_once_and_true_repeats_stay() {
    let own = Line::from(Mode::Afsk1200);
    let mut chance = Chance::stream(2, "lines");
    let (a, b) = (frame(&mut chance, 30), frame(&mut chance, 30));
    let mut sound = quiet(1.0);
    // Twice in one transmission, with one flag between them, and once more in another.
    sound.extend(sent(own, &[a.clone(), a.clone(), b.clone()]));
    sound.extend(quiet(0.3));
    sound.extend(sent(own, std::slice::from_ref(&a)));
    sound.extend(quiet(3.0));
    let sound = with_noise(&sound, 0.01, &mut chance);
    let events = hear(&[own, beside()], &sound);
    let heard: Vec<Vec<u8>> = frames(&events)
        .into_iter()
        .map(|(_, octets)| octets)
        .collect();
    assert_eq!(heard, [a.clone(), a.clone(), b, a]);
    // Each line read each of them.
    let copies = events
        .iter()
        .filter(|e| matches!(e, PortEvent::Copy { .. }));
    assert_eq!(copies.count(), 4);
}

#[test]
fn one_line_tells_what_its_receiver_tells() {
    let own = Line::from(Mode::Afsk1200);
    let mut chance = Chance::stream(3, "lines");
    let mut sound = quiet(1.0);
    for n in [20, 100, 40] {
        sound.extend(sent(own, &[frame(&mut chance, n)]));
        sound.extend(quiet(0.5));
    }
    let sound = with_noise(&sound, 0.08, &mut chance);
    let events = hear(&[own], &sound);
    let mut receiver = dunlin_station::port::Receiver::new(own, rate()).expect("fits");
    let mut told = Vec::new();
    for piece in sound.chunks(997) {
        receiver.process(piece, &mut told);
    }
    let as_told: Vec<ReceiverEvent> = events
        .into_iter()
        .map(|event| match event {
            PortEvent::Frame { octets, report, .. } => ReceiverEvent::Frame { octets, report },
            PortEvent::Other(event) => event,
            PortEvent::Copy { .. } => panic!("a copy from one line"),
        })
        .collect();
    let no_sound = |e: &&ReceiverEvent| !matches!(e, ReceiverEvent::Sound(_));
    assert_eq!(
        as_told.iter().filter(no_sound).collect::<Vec<_>>(),
        told.iter().filter(no_sound).collect::<Vec<_>>()
    );
}

/// What a second device does with its sound, as the engine is told of it.
struct Device {
    /// Parts per million by which it is fast.
    ppm: f64,
    /// It gives nothing in this span, seconds.
    gone: (f64, f64),
    /// Its pieces come so much later than they should, seconds, one after the other.
    late: [f64; 3],
}

const STEADY: Device = Device {
    ppm: 0.0,
    gone: (0.0, 0.0),
    late: [0.0; 3],
};

/// Hears two inputs, the second one with a device of its own.
fn hear_two(first: &[f32], second: &[f32], device: &Device) -> Vec<PortEvent> {
    let own = Line::from(Mode::Afsk1200);
    let mut port = PortReceiver::new([own], rate(), true).expect("fits");
    let mut events = Vec::new();
    let piece = HZ as usize / 50;
    // Where the second device's next sample lies in the sound, and what of it waits.
    let mut place = 0.0;
    let mut waiting: Vec<(u64, Vec<f32>)> = Vec::new();
    for (n, samples) in first.chunks(piece).enumerate() {
        port.process(samples, &mut events);
        let reached = ((n + 1) * piece) as u64;
        let now = reached as f64 / f64::from(HZ);
        let mut given = Vec::new();
        while place < reached as f64 {
            given.push(second.get(place as usize).copied().unwrap_or(0.0));
            place += 1.0 / (1.0 + device.ppm * 1e-6);
        }
        if (device.gone.0..device.gone.1).contains(&now) {
            continue;
        }
        let late = (device.late[n % 3] * f64::from(HZ)) as u64;
        waiting.push((reached + late, given));
        while waiting.first().is_some_and(|(at, _)| *at <= reached) {
            let (_, samples) = waiting.remove(0);
            port.process_second(&samples, reached, &mut events);
        }
    }
    events
}

/// Frames in transmissions of their own, at a level where each input misses some.
fn weak(frames: usize, seed: u64) -> (Vec<Vec<u8>>, [Vec<f32>; 2]) {
    let mut chance = Chance::stream(seed, "two inputs");
    let sent_frames: Vec<Vec<u8>> = (0..frames).map(|_| frame(&mut chance, 48)).collect();
    let mut sound = quiet(0.5);
    for octets in &sent_frames {
        sound.extend(sent(Mode::Afsk1200, std::slice::from_ref(octets)));
        sound.extend(quiet(0.4));
    }
    sound.extend(quiet(2.0));
    let on = sound.iter().filter(|s| **s != 0.0).count() as f64;
    let power = sound.iter().map(|s| f64::from(s * s)).sum::<f64>() / on;
    // Eb/N0 = 3.8 dB, that is 2.4.
    let n0 = power / 1200.0 / 2.4;
    let deviation = (n0 * f64::from(HZ) / 2.0).sqrt() as f32;
    let inputs = [0, 1].map(|_| with_noise(&sound, deviation, &mut chance));
    (sent_frames, inputs)
}

fn heard_on(events: &[PortEvent]) -> Vec<(Vec<u8>, HeardOn)> {
    let frame = |event: &PortEvent| match event {
        PortEvent::Frame {
            octets, heard_on, ..
        } => Some((octets.clone(), heard_on.expect("two inputs"))),
        _ => None,
    };
    events.iter().filter_map(frame).collect()
}

/// Frames that only both inputs together told. Each came once and was sent.
fn only_together(sent: &[Vec<u8>], events: &[PortEvent]) -> usize {
    let heard = heard_on(events);
    for (octets, _) in &heard {
        assert!(sent.contains(octets), "never sent");
        let times = heard.iter().filter(|(o, _)| o == octets).count();
        assert_eq!(times, 1, "a frame came {times} times");
    }
    let together = |(_, on): &&(Vec<u8>, HeardOn)| !on.first && !on.second;
    heard.iter().filter(together).count()
}

#[test]
fn two_inputs_of_a_port_read_more_than_either() {
    let (sent, [first, second]) = weak(30, 1);
    let together = only_together(&sent, &hear_two(&first, &second, &STEADY));
    assert!(together >= 4, "{together} by both together");
}

/// After how many seconds each frame was told that a port heard; `second`: whether its second
/// input hears the same 0.2 s later, or gives nothing at all.
fn told_after(own: Line, sound: &[f32], second: bool) -> Vec<(f64, HeardOn)> {
    let mut port = PortReceiver::new([own], rate(), true).expect("fits");
    let (mut events, mut told) = (Vec::new(), Vec::new());
    let mut late = quiet(0.2);
    late.extend_from_slice(sound);
    let mut reached = 0;
    for (piece, late) in sound.chunks(240).zip(late.chunks(240)) {
        reached += piece.len() as u64;
        port.process(piece, &mut events);
        if second {
            port.process_second(late, reached, &mut events);
        }
        for event in events.drain(..) {
            if let PortEvent::Frame {
                report, heard_on, ..
            } = event
            {
                let after = (reached - report.end.0) as f64 / f64::from(HZ);
                told.push((after, heard_on.expect("two inputs")));
            }
        }
    }
    told
}

/// Timers of links run: a frame does not wait for the second input.
#[test]
fn what_the_first_input_reads_is_told_at_once() {
    for mode in [Mode::Afsk1200, Mode::Afsk300] {
        let own = Line::from(mode);
        let mut chance = Chance::stream(5, "at once");
        let mut sound = quiet(0.5);
        for _ in 0..4 {
            sound.extend(sent(own, &[frame(&mut chance, 20)]));
            sound.extend(quiet(2.5));
        }
        let sound = with_noise(&sound, 0.01, &mut chance);
        let receiver = dunlin_station::port::Receiver::new(own, rate()).expect("fits");
        let most = receiver.delay() as f64 / f64::from(HZ) + 0.02;
        for second in [true, false] {
            let told = told_after(own, &sound, second);
            assert_eq!(told.len(), 4, "{told:?}");
            for (after, on) in &told {
                assert!(
                    *after <= most,
                    "{after} s, and alone {most} at most: {mode:?}"
                );
                assert!(on.first && !on.second, "what was known then: {on:?}");
            }
        }
    }
}

#[test]
fn a_second_device_may_be_fast_and_uneven() {
    let (sent, [first, second]) = weak(60, 2);
    // Fifty seconds: 2000 ppm are 0.1 s, so that the count has to be mended once.
    let device = Device {
        ppm: 2000.0,
        late: [0.0, 0.06, 0.03],
        ..STEADY
    };
    let together = only_together(&sent, &hear_two(&first, &second, &device));
    assert!(together >= 8, "{together} by both together");
}

#[test]
fn a_second_input_that_goes_away_costs_nothing_and_helps_again_when_it_is_back() {
    let (sent, [first, second]) = weak(60, 3);
    let device = Device {
        gone: (10.0, 30.0),
        ..STEADY
    };
    let events = hear_two(&first, &second, &device);
    only_together(&sent, &events);
    let alone = hear(&[Mode::Afsk1200.into()], &first);
    let heard: Vec<Vec<u8>> = heard_on(&events).into_iter().map(|(o, _)| o).collect();
    for (_, octets) in frames(&alone) {
        assert!(heard.contains(&octets), "the first alone has read it");
    }
    let late = &sent[40..];
    let again = heard_on(&events)
        .into_iter()
        .filter(|(octets, on)| late.contains(octets) && (on.second || on.combined));
    assert!(again.count() >= 4);
}

#[test]
fn nothing_is_heard_on_either_input_during_an_own_transmission() {
    let own = Line::from(Mode::Afsk1200);
    let mut chance = Chance::stream(4, "own");
    let octets = frame(&mut chance, 30);
    let sound = sent(own, std::slice::from_ref(&octets));
    let mut port = PortReceiver::new([own], rate(), true).expect("fits");
    let mut events = Vec::new();
    let mut reached = 0;
    for piece in sound.chunks(240) {
        reached += piece.len() as u64;
        port.process_own_transmission(piece.len(), &mut events);
        port.process_second(&vec![0.0; piece.len()], reached, &mut events);
    }
    for _ in 0..100 {
        reached += 240;
        port.process(&[0.0; 240], &mut events);
        port.process_second(&[0.0; 240], reached, &mut events);
    }
    assert_eq!(frames(&events), []);
    assert_eq!(port.carriers().count(), 0);
}
