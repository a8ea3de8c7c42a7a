//! Each way to be odd, and an ordinary controller, about which there is nothing to say.

use dunlin_clock::Duration as Span;
use dunlin_framing::kiss::{Decoded, Decoder, KissPort, encode};

use super::*;
use crate::kiss::settings::FlowControl;

struct Bench {
    watch: Watch,
    decoder: Decoder,
    start: Instant,
}

fn bench(link: Link) -> Bench {
    let port = ControllerPort {
        number: 0,
        key_up_delay: Span::from_millis(300),
        persistence: 0.1,
        slot_time: Span::from_millis(100),
        tail: None,
        full_duplex: false,
    };
    Bench {
        watch: Watch::new(&link, &[port]),
        decoder: Decoder::default(),
        start: Instant::now(),
    }
}

fn serial() -> Bench {
    bench(Link::Serial {
        device: "/dev/ttyUSB0".into(),
        baud: 9600,
        flow_control: FlowControl::Off,
    })
}

impl Bench {
    fn at(&self, seconds: f64) -> Instant {
        self.start + Duration::from_secs_f64(seconds)
    }

    /// Takes octets in at a time, as the keeper does.
    fn take(&mut self, octets: &[u8], seconds: f64) {
        let now = self.at(seconds);
        for &octet in octets {
            self.watch.octet(octet, now);
            match self.decoder.step(octet) {
                Some(Decoded::Frame(frame)) => {
                    let known = frame.port.number() == 0;
                    self.watch.frame(&frame, known);
                }
                Some(Decoded::Problem(problem)) => self.watch.problem(problem),
                None => {}
            }
        }
    }

    /// All advice there is at a time.
    fn advice(&mut self, seconds: f64) -> Vec<String> {
        let now = self.at(seconds);
        std::iter::from_fn(|| self.watch.look(None, now)).collect()
    }

    fn only(&mut self, seconds: f64) -> String {
        let mut all = self.advice(seconds);
        assert_eq!(all.len(), 1, "{all:?}");
        all.remove(0)
    }
}

/// QA1SKY to QM3BAR, a UI frame with a long text.
fn frame() -> Vec<u8> {
    let mut octets = Vec::new();
    for (call, end) in [("QM3BAR", 0xE0), ("QA1SKY", 0x61)] {
        octets.extend(call.bytes().map(|letter| letter << 1));
        octets.push(end);
    }
    octets.extend([0x03, 0xF0]);
    octets.extend(b"The ferry is late today. ".repeat(9));
    octets
}

fn line(number: u8, octets: &[u8]) -> Vec<u8> {
    let port = KissPort::new(number).expect("a port");
    encode(port, Command::Data, octets)
}

#[test]
fn an_ordinary_controller_is_not_odd() {
    let mut bench = serial();
    for second in 0..200 {
        bench.take(&line(0, &frame()), second.into());
        bench.watch.sent(0, vec![1; 20], bench.at(second.into()));
        assert_eq!(bench.advice(f64::from(second) + 0.5), [""; 0]);
    }
    // A frame that stalls in its middle is an ordinary thing, too.
    let whole = line(0, &frame());
    bench.take(&whole[..60], 300.0);
    assert_eq!(bench.advice(302.0), [""; 0]);
    bench.take(&whole[60..], 303.0);
    assert_eq!(bench.advice(305.0), [""; 0]);
}

#[test]
fn a_prompt_is_told_with_an_excerpt() {
    let mut bench = serial();
    bench.take(b"\r\nReady> ", 1.0);
    assert_eq!(bench.advice(1.5), [""; 0], "more may come");
    let advice = bench.only(3.0);
    assert!(advice.contains("plain text, \"\\r\\nReady> \""), "{advice}");
    assert!(advice.contains("into KISS mode as its handbook tells"));
    // Not again and again, but again after a while.
    bench.take(b"\r\nReady> ", 4.0);
    assert_eq!(bench.advice(6.0), [""; 0]);
    bench.take(b"\r\nReady> ", 700.0);
    bench.only(702.0);
}

#[test]
fn text_without_pause_and_text_in_answer_to_a_frame_are_told() {
    let mut bench = serial();
    bench.take(&b"the quick brown fox ".repeat(20), 1.0);
    assert!(bench.only(1.0).contains("plain text"));
    let mut bench = serial();
    bench.take(b"what?\r\n\xC0", 1.0);
    assert!(bench.only(1.0).contains("plain text"));
}

#[test]
fn octets_of_another_speed_are_told() {
    let mut bench = serial();
    let junk: Vec<u8> = (0..40u8).map(|i| 0x80 | i.wrapping_mul(37)).collect();
    assert!(!junk.contains(&FEND));
    bench.take(&junk, 1.0);
    assert!(bench.only(3.0).contains("speed of the line"));
    // With frame ends by chance in between.
    let mut bench = serial();
    for _ in 0..6 {
        bench.take(&[FEND, 0x9B, 0xFE, 0x80, FEND], 1.0);
    }
    let advice = bench.only(1.0);
    assert!(
        advice.contains("make no frames, \"\\x9B\\xFE\\x80\""),
        "{advice}"
    );
}

#[test]
fn a_port_that_the_plan_does_not_name_is_told_once() {
    let mut bench = serial();
    bench.take(&line(1, &frame()), 1.0);
    bench.take(&line(1, &frame()), 2.0);
    let advice = bench.only(2.0);
    assert!(
        advice.contains("its port 1, but the plan names only 0"),
        "{advice}"
    );
}

#[test]
fn our_own_frames_are_known_again() {
    let mut bench = serial();
    bench.watch.sent(0, frame(), bench.at(1.0));
    assert!(!bench.watch.is_echo(1, &frame(), bench.at(1.1)));
    assert!(!bench.watch.is_echo(0, &frame()[1..], bench.at(1.1)));
    assert!(!bench.watch.is_echo(0, &frame(), bench.at(9.0)), "too late");
    assert_eq!(bench.advice(9.0), [""; 0]);
    assert!(bench.watch.is_echo(0, &frame(), bench.at(1.1)));
    assert!(bench.only(9.0).contains("returns our own frames"));
}

#[test]
fn silence_is_told_after_several_frames_and_minutes() {
    let mut bench = serial();
    for second in [1.0, 2.0, 3.0, 4.0, 130.0] {
        assert_eq!(bench.advice(second), [""; 0]);
        bench.watch.sent(0, frame(), bench.at(second));
    }
    assert!(bench.only(131.0).contains("5 frames were handed"));
    let mut bench = serial();
    bench.take(&[FEND], 0.0);
    for second in 0..20 {
        bench.watch.sent(0, frame(), bench.at(second.into()));
    }
    assert_eq!(bench.advice(500.0), [""; 0], "it has sent something");
}

#[test]
fn lost_octets_are_told() {
    let mut bench = serial();
    for second in 0..3 {
        let mut damaged = line(0, &frame());
        let at = damaged.len() - 5;
        damaged.splice(at..at, [0xDB, 0x01]);
        bench.take(&damaged, second.into());
    }
    assert!(bench.only(3.0).contains("missing or wrong octets"));
}

#[test]
fn a_link_that_takes_nothing_is_told() {
    let mut bench = serial();
    let now = bench.at(1.0);
    assert_eq!(bench.watch.look(Some(Duration::from_secs(14)), now), None);
    let advice = bench.watch.look(Some(Duration::from_secs(16)), now);
    assert!(advice.expect("an advice").contains("RTS and CTS"));
    assert_eq!(bench.watch.look(Some(Duration::from_secs(17)), now), None);
}

#[test]
fn a_network_address_gets_its_own_advice() {
    let mut bench = bench(Link::Tcp {
        host_port: "10.0.0.5:8100".into(),
    });
    bench.take(b"login: ", 1.0);
    assert!(bench.only(3.0).contains("check that address and port"));
}
