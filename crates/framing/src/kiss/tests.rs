//! The paper's rules as worked octets, and any octets at all.

use dunlin_clock::Duration;
use proptest::prelude::*;

use super::*;

fn port(number: u8) -> KissPort {
    KissPort::new(number).expect("a port")
}

fn all(decoder: &mut Decoder, octets: &[u8]) -> Vec<Decoded> {
    decoder.decode(octets).collect()
}

fn frame(number: u8, command: Command, octets: &[u8]) -> Decoded {
    Decoded::Frame(Frame {
        port: port(number),
        command,
        octets: octets.to_vec(),
        bad_escapes: 0,
    })
}

fn problem(problem: Problem) -> Decoded {
    Decoded::Problem(problem)
}

/// Worked from the rules of [K] sections 2 to 4, and the acknowledged frame from [M].
const WORKED: [(u8, Command, &[u8], &[u8]); 8] = [
    (
        0,
        Command::Data,
        &[0x01, 0xC0, 0x02, 0xDB, 0x03],
        &[0xC0, 0x00, 0x01, 0xDB, 0xDC, 0x02, 0xDB, 0xDD, 0x03, 0xC0],
    ),
    (0, Command::KeyUpDelay, &[30], &[0xC0, 0x01, 0x1E, 0xC0]),
    (0, Command::Persistence, &[25], &[0xC0, 0x02, 0x19, 0xC0]),
    (12, Command::Data, &[0x55], &[0xC0, 0xDB, 0xDC, 0x55, 0xC0]),
    (
        5,
        Command::AcknowledgedData,
        &[0x12, 0x34, 0xAA],
        &[0xC0, 0x5C, 0x12, 0x34, 0xAA, 0xC0],
    ),
    (15, Command::Data, &[0x55], &[0xC0, 0xF0, 0x55, 0xC0]),
    (15, Command::Return, &[], &[0xC0, 0xFF, 0xC0]),
    // Octets that mean something only behind an escape are ordinary elsewhere.
    (
        1,
        Command::Data,
        &[0xDC, 0xDD],
        &[0xC0, 0x10, 0xDC, 0xDD, 0xC0],
    ),
];

#[test]
fn worked_octets_both_ways() {
    for (number, command, octets, line) in WORKED {
        assert_eq!(encode(port(number), command, octets), line, "{line:02X?}");
        assert_eq!(
            all(&mut Decoder::default(), line),
            [frame(number, command, octets)],
            "{line:02X?}"
        );
    }
}

#[test]
fn worked_octets_one_at_a_time() {
    // An escape may be cut in two by any read.
    let mut decoder = Decoder::default();
    for (number, command, octets, line) in WORKED {
        let found: Vec<_> = line
            .iter()
            .flat_map(|octet| all(&mut decoder, &[*octet]))
            .collect();
        assert_eq!(found, [frame(number, command, octets)]);
    }
}

#[test]
fn every_type_octet_keeps_its_meaning() {
    for octet in 0..=u8::MAX {
        let (command, port) = Command::of_type_octet(octet);
        assert_eq!(command.type_octet(port), octet);
    }
    assert_eq!(Command::of_type_octet(0xFF).0, Command::Return);
    assert_eq!(Command::of_type_octet(0xEF).0, Command::Unknown(15));
    assert_eq!(
        Command::of_type_octet(0x70),
        (Command::Data, port(7)),
        "the high nibble is the port"
    );
}

#[test]
fn ports_end_at_fifteen() {
    assert!(KissPort::new(15).is_ok());
    assert_eq!(
        KissPort::new(16).expect_err("no such port").to_string(),
        "16 is no port number of KISS; there are 0 to 15"
    );
}

#[test]
fn frame_ends_in_a_row_are_one() {
    let line = [0xC0, 0xC0, 0xC0, 0x00, 0x07, 0xC0, 0xC0, 0x10, 0x08, 0xC0];
    let expected = [frame(0, Command::Data, &[7]), frame(1, Command::Data, &[8])];
    assert_eq!(all(&mut Decoder::default(), &line), expected);
    // One shared frame end is enough.
    let shared = [0xC0, 0x00, 0x07, 0xC0, 0x10, 0x08, 0xC0];
    assert_eq!(all(&mut Decoder::default(), &shared), expected);
}

#[test]
fn a_bad_escape_is_told_and_the_frame_goes_on() {
    let line = [0xC0, 0x00, 0x01, 0xDB, 0x41, 0x02, 0xC0];
    let found = all(&mut Decoder::default(), &line);
    assert_eq!(found[0], problem(Problem::BadEscape { octet: 0x41 }));
    let Decoded::Frame(frame) = &found[1] else {
        panic!("no frame: {found:?}")
    };
    assert_eq!((&frame.octets[..], frame.bad_escapes), (&[1, 2][..], 1));
}

#[test]
fn a_frame_end_ends_the_frame_even_behind_an_escape() {
    let mut decoder = Decoder::default();
    let found = all(&mut decoder, &[0xC0, 0x00, 0x01, 0xDB, 0xC0]);
    let [Decoded::Frame(cut)] = &found[..] else {
        panic!("{found:?}")
    };
    assert_eq!((&cut.octets[..], cut.bad_escapes), (&[1][..], 1));
    // The escape does not reach into the next frame.
    assert_eq!(
        all(&mut decoder, &[0x00, 0xDC, 0xC0]),
        [frame(0, Command::Data, &[0xDC])]
    );
    assert_eq!(
        all(&mut decoder, &[0xDB, 0xC0]),
        [problem(Problem::BadEscape { octet: 0xC0 })]
    );
}

#[test]
fn what_comes_before_the_first_frame_end_is_no_frame() {
    let mut line = b"hello\r\n".to_vec();
    line.extend([0xC0, 0x00, 0x05, 0xC0]);
    assert_eq!(
        all(&mut Decoder::default(), &line),
        [
            problem(Problem::Stray { octets: 7 }),
            frame(0, Command::Data, &[5])
        ]
    );
}

#[test]
fn a_frame_beyond_the_limit_is_dropped_whole() {
    let mut decoder = Decoder::new(4);
    let mut line = encode(port(0), Command::Data, &[0xC0; 4]);
    line.extend(encode(port(0), Command::Data, &[0xC0; 5]));
    line.extend(encode(port(0), Command::Data, &[1]));
    assert_eq!(
        all(&mut decoder, &line),
        [
            frame(0, Command::Data, &[0xC0; 4]),
            problem(Problem::TooLong { octets: 5 }),
            frame(0, Command::Data, &[1]),
        ]
    );
}

#[test]
fn a_stream_without_end_takes_no_more_memory_than_one_frame() {
    let mut decoder = Decoder::new(100);
    decoder.step(0xC0);
    for _ in 0..1_000_000 {
        assert_eq!(decoder.step(0x55), None);
    }
    assert!(decoder.octets.capacity() < 1000);
    let found = decoder.step(0xC0);
    assert_eq!(found, Some(problem(Problem::TooLong { octets: 999_999 })));
}

#[test]
fn times_are_rounded_up_to_units_of_ten_ms() {
    let units = |ms| ten_ms_units(Duration::from_millis(ms));
    assert_eq!(units(300), Some(30));
    assert_eq!(units(301), Some(31));
    assert_eq!(units(0), Some(0));
    assert_eq!(units(2550), Some(255));
    assert_eq!(units(2551), None);
    assert_eq!(ten_ms_units(Duration::MAX), None);
}

#[test]
fn persistence_is_the_chance_of_the_paper() {
    // [K] section 4: p = (P + 1) / 256; the default of 63 is 0.25.
    assert_eq!(wire_persistence(0.25), 63);
    assert_eq!(wire_persistence(0.1), 25);
    assert_eq!(wire_persistence(1.0), 255);
    assert_eq!(wire_persistence(0.0), 0);
    assert_eq!(wire_persistence(7.0), 255);
    assert_eq!(wire_persistence(f64::NAN), 0);
    for wire in 0..=255u8 {
        let chance = (f64::from(wire) + 1.0) / 256.0;
        assert_eq!(wire_persistence(chance), wire);
    }
}

/// Octets among which those with a meaning are frequent.
fn nasty() -> impl Strategy<Value = u8> {
    prop_oneof![
        3 => any::<u8>(),
        1 => Just(FEND),
        1 => Just(FESC),
        1 => Just(TFEND),
        1 => Just(TFESC),
    ]
}

fn any_frame() -> impl Strategy<Value = (u8, Command, Vec<u8>)> {
    let content = prop::collection::vec(nasty(), 0..300);
    // FF is one command; a frame of it has no port and whatever content.
    (any::<u8>(), content).prop_map(|(type_octet, octets)| {
        let (command, port) = Command::of_type_octet(type_octet);
        (port.number(), command, octets)
    })
}

/// Cuts `octets` at places that follow from `cuts`.
fn pieces<'a>(octets: &'a [u8], cuts: &[usize]) -> Vec<&'a [u8]> {
    let mut places: Vec<usize> = cuts.iter().map(|c| c % (octets.len() + 1)).collect();
    places.extend([0, octets.len()]);
    places.sort_unstable();
    places.windows(2).map(|w| &octets[w[0]..w[1]]).collect()
}

proptest! {
    #[test]
    fn what_is_encoded_comes_back_however_it_is_cut(
        frames in prop::collection::vec(any_frame(), 0..6),
        cuts in prop::collection::vec(any::<usize>(), 0..20),
    ) {
        let mut line = Vec::new();
        for (number, command, octets) in &frames {
            line.extend(encode(port(*number), *command, octets));
        }
        let mut decoder = Decoder::default();
        let found: Vec<_> = pieces(&line, &cuts)
            .into_iter()
            .flat_map(|piece| all(&mut decoder, piece))
            .collect();
        let expected: Vec<_> = frames
            .iter()
            .map(|(number, command, octets)| frame(*number, *command, octets))
            .collect();
        prop_assert_eq!(found, expected);
    }

    #[test]
    fn any_octets_do_no_harm_and_the_next_frame_is_found(
        junk in prop::collection::vec(nasty(), 0..2000),
        cuts in prop::collection::vec(any::<usize>(), 0..20),
        longest in 0usize..600,
    ) {
        let mut decoder = Decoder::new(longest);
        let mut whole = decoder.clone();
        let found: Vec<_> = pieces(&junk, &cuts)
            .into_iter()
            .flat_map(|piece| all(&mut decoder, piece))
            .collect();
        prop_assert_eq!(&found, &all(&mut whole, &junk), "the cuts made a difference");
        for one in &found {
            if let Decoded::Frame(frame) = one {
                prop_assert!(frame.octets.len() <= longest);
            }
        }
        // The next frame end brings it into step again.
        decoder.step(FEND);
        let good = encode(port(3), Command::Data, &[]);
        prop_assert_eq!(all(&mut decoder, &good), [frame(3, Command::Data, &[])]);
    }
}
