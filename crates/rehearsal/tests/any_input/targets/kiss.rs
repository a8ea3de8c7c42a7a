//! A KISS stream, against a reading of the paper that knows the whole stream at once (Chepponis
//! and Karn, 1987, sections 2 to 4), and read in pieces of any size.

use dunlin_framing::kiss::{Command, Decoded, Decoder, FEND, FESC, Frame, TFEND, TFESC, encode};

use super::source::Source;

/// Short, so that the limit is reached.
const LONGEST: usize = 64;

pub fn run(octets: &[u8]) {
    let mut source = Source::new(octets);
    let pieces = 1 + source.below(16);
    let stream = source.rest();
    let found = in_pieces(stream, stream.len().max(1));
    assert_eq!(in_pieces(stream, pieces), found);
    let frames: Vec<&Frame> = found.iter().filter_map(frame).collect();
    let expected = expected(stream);
    assert_eq!(frames.len(), expected.len());
    for (frame, (kind, content, bad_escapes)) in frames.into_iter().zip(expected) {
        assert_eq!(frame.octets, content);
        assert_eq!(frame.bad_escapes, bad_escapes);
        assert_eq!((frame.command, frame.port), Command::of_type_octet(kind));
        let again = encode(frame.port, frame.command, &frame.octets);
        let again = in_pieces(&again, pieces);
        let whole = Frame {
            bad_escapes: 0,
            ..frame.clone()
        };
        assert_eq!(again, [Decoded::Frame(whole)]);
    }
}

fn frame(decoded: &Decoded) -> Option<&Frame> {
    match decoded {
        Decoded::Frame(frame) => Some(frame),
        Decoded::Problem(_) => None,
    }
}

fn in_pieces(stream: &[u8], size: usize) -> Vec<Decoded> {
    let mut decoder = Decoder::new(LONGEST);
    let mut found = Vec::new();
    for piece in stream.chunks(size) {
        found.extend(decoder.decode(piece));
    }
    found
}

/// Type octet, content and bad escapes of each frame: what lies between two frame ends.
fn expected(stream: &[u8]) -> Vec<(u8, Vec<u8>, u32)> {
    let mut parts: Vec<&[u8]> = stream.split(|&octet| octet == FEND).collect();
    // Before the first end and after the last there is no frame.
    parts.pop();
    let parts = parts.into_iter().skip(1);
    let plain = parts.map(|part| {
        let (mut content, mut bad) = (Vec::new(), 0);
        let mut octets = part.iter();
        while let Some(&octet) = octets.next() {
            match (octet, (octet == FESC).then(|| octets.next())) {
                (octet, None) => content.push(octet),
                (_, Some(Some(&TFEND))) => content.push(FEND),
                (_, Some(Some(&TFESC))) => content.push(FESC),
                (_, Some(_)) => bad += 1,
            }
        }
        (content, bad)
    });
    let frames = plain.filter(|(content, _)| (1..=LONGEST + 1).contains(&content.len()));
    let split = frames.map(|(content, bad)| (content[0], content[1..].to_vec(), bad));
    split.collect()
}
