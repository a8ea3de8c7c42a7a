//! Flags before and after the frames last as long as was set, to the whole octet; the frames lie
//! where they should, and nothing exceeds the level.

use dunlin_clock::{Duration, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::port::{Transmitter, TransmitterSettings};

const RATE: u32 = 48_000;
/// The ramps of tones, and the pulses of direct shift beyond its symbols, as docs/transmit.md
/// says.
const RAMP_S: f64 = 0.002;
const PULSE_SYMBOLS: f64 = 8.0;

fn transmitter(mode: Mode, delay_ms: u64, tail_ms: u64) -> Transmitter {
    let settings = TransmitterSettings {
        key_up_delay: Duration::from_millis(delay_ms),
        tail: Duration::from_millis(tail_ms),
        ..TransmitterSettings::default()
    };
    let rate = SampleRate::new(RATE).expect("not zero");
    Transmitter::new(mode, rate, settings).expect("fits")
}

/// An octet string in which HDLC stuffs nothing before its FCS. Its first bit is `first`.
fn octets(first: bool) -> Vec<u8> {
    let mut octets = vec![0x54; 20];
    octets[0] |= u8::from(first);
    octets
}

/// Where two sounds part, samples.
fn parting(a: &[f32], b: &[f32]) -> usize {
    let differ = |(x, y): (&f32, &f32)| (x - y).abs() > 1e-4;
    a.iter().zip(b).position(differ).expect("they differ")
}

#[test]
fn the_first_bit_comes_when_the_key_up_delay_is_over() {
    for mode in Mode::ALL {
        let baud = f64::from(mode.baud());
        for (delay_ms, tail_ms) in [(0, 0), (20, 0), (300, 20), (333, 47), (2000, 1000)] {
            let t = transmitter(mode, delay_ms, tail_ms);
            let [zero, one] = [false, true].map(|first| t.transmission(&[octets(first)]));
            let parts = parting(&zero, &one) as f64 / f64::from(RATE);
            let flags = (delay_ms as f64 / 1000.0 * baud / 8.0).ceil().max(4.0);
            // Flags to the first bit; tones part there, pulses up to as far before as they reach.
            let (least, most) = match mode.has_tones() {
                true => (RAMP_S, RAMP_S + 1.0 / baud),
                false => (0.0, PULSE_SYMBOLS / baud),
            };
            let late = parts - flags * 8.0 / baud;
            assert!(
                (least - 1e-4..=most + 1e-4).contains(&late),
                "{mode} {delay_ms} ms: the first bit {late} s after its time"
            );
        }
    }
}

#[test]
fn the_whole_is_as_long_as_its_parts() {
    for mode in Mode::ALL {
        let baud = f64::from(mode.baud());
        let frame = octets(false);
        // A flag, the frame, a flag: what it takes by itself, edges included.
        let alone = |t: &Transmitter| t.airtime_of_frame(&frame).as_secs_f64();
        for (delay_ms, tail_ms) in [(0, 0), (20, 1), (300, 20), (333, 47), (2000, 1000)] {
            let t = transmitter(mode, delay_ms, tail_ms);
            let sound = t.transmission(std::slice::from_ref(&frame));
            let whole = sound.len() as f64 / f64::from(RATE);
            let lead = (delay_ms as f64 / 1000.0 * baud / 8.0).ceil().max(4.0);
            let tail = (tail_ms as f64 / 1000.0 * baud / 8.0).ceil().max(1.0);
            let right = alone(&t) + (lead - 1.0 + tail - 1.0) * 8.0 / baud;
            assert!(
                (whole - right).abs() < 2.0 / f64::from(RATE),
                "{mode}: {whole} {right}"
            );
            // And what it takes by itself is its bits and the edges: 2 flags, 20 octets, FCS, and
            // the stuffing of the FCS.
            let edges = match mode.has_tones() {
                true => 2.0 * RAMP_S,
                false => 2.0 * PULSE_SYMBOLS / baud,
            };
            let bits = (alone(&t) - edges) * baud;
            assert!((192.0..=196.0).contains(&bits.round()), "{mode}: {bits}");
        }
    }
}

#[test]
fn a_transmission_elsewhere_is_as_long_and_as_loud() {
    let t = transmitter(Mode::Afsk300, 300, 20);
    let frames = [octets(true)];
    let (here, there) = (t.transmission(&frames), t.transmission_at(&frames, 42.0));
    let there = there.expect("it has tones");
    assert_eq!(here.len(), there.len());
    let peak = |s: &[f32]| s.iter().fold(0.0_f32, |p, s| s.abs().max(p));
    assert!((peak(&here) - peak(&there)).abs() < 1e-4);
    assert_eq!(t.transmission_at(&frames, 0.0).expect("tones"), here);
    assert!(t.transmission_at(&frames, 501.0).is_err());
    let direct = transmitter(Mode::Fsk9600, 300, 20);
    assert!(direct.transmission_at(&frames, 42.0).is_err());
}
