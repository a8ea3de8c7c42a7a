//! Partners that lie, flood, or send what does not fit: the file ends, the talk does not.

use dunlin_clock::Instant;
use dunlin_mail::file::{File, Input, NotOffered, Output, Why};

use crate::station::{AIRTIME, Side, content, hash, head};

const TAG: &[u8] = b"QA1SKY offers a thing. [files 1 01020304]\r";
const HELLO: &[u8] = b"\x1c\x09\x01\x01\x01\x02\x03\x04\x80\x80\x40";

fn record(kind: u8, payload: &[u8]) -> Vec<u8> {
    let mut octets = vec![0x1c, payload.len() as u8 + 1, kind];
    octets.extend(payload);
    octets
}

fn number(mut n: u64) -> Vec<u8> {
    let mut octets = Vec::new();
    while n >= 128 {
        octets.push(n as u8 | 128);
        n >>= 7;
    }
    octets.push(n as u8);
    octets
}

/// An offer with this number, name, size and hash.
fn offer(file: u8, name: &str, size: u64, hash: [u8; 32]) -> Vec<u8> {
    let mut payload = vec![file];
    payload.extend(number(size));
    payload.extend(hash);
    payload.push(name.len() as u8);
    payload.extend(name.bytes());
    payload.push(0);
    record(2, &payload)
}

/// A side whose partner, of which the test says every octet, has shown that it speaks the protocol.
fn scene() -> Side {
    let mut b = Side::new("QM2REE");
    b.hear(&[TAG, HELLO].concat());
    let said = b.give(128).expect("its hello");
    assert_eq!(said[..8], *b"\x1c\x09\x01\x01\x01\x02\x03\x04");
    b
}

/// All that waits for the link.
fn said(side: &mut Side) -> Vec<u8> {
    std::iter::from_fn(|| side.give(128)).flatten().collect()
}

/// The talk goes on: text, and whether another file would.
fn still_talks(side: &mut Side) {
    side.hear(b"Hello?\r");
    assert!(side.heard.ends_with(b"Hello?\r"));
}

#[test]
fn a_lie_about_the_hash_is_told_twice_and_then_refused() {
    let mut b = scene();
    b.hear(&offer(0, "a", 5, [9; 32]));
    assert_eq!(said(&mut b), record(3, &[0, 0]));
    b.hear(&record(5, b"\x00hello"));
    assert!(b.saw(|o| matches!(o, Output::Damaged(_))));
    assert_eq!(said(&mut b), record(3, &[0, 0]));
    b.hear(&record(5, b"\x00hello"));
    assert_eq!(said(&mut b), record(4, &[0, 7]));
    assert!(b.parts.is_empty() && b.got.is_empty());
    // What still comes of it is left out.
    b.hear(&record(5, b"\x00hello"));
    assert!(said(&mut b).is_empty());
    still_talks(&mut b);
}

#[test]
fn octets_beyond_the_end_end_the_file() {
    let mut b = scene();
    b.hear(&offer(0, "a", 5, hash(b"hello")));
    b.hear(&record(5, b"\x00hello!"));
    let out = said(&mut b);
    assert_eq!(out[5..10], [0x1c, out[6], 4, 0, 8]);
    assert!(String::from_utf8_lossy(&out).contains("beyond its 5 octets"));
    assert!(b.saw(|o| matches!(o, Output::Stopped { keep: true, .. })) && b.got.is_empty());
    still_talks(&mut b);
    // Also when the last piece alone would not be too long.
    b.hear(&offer(1, "b", 5, hash(b"hello")));
    b.hear(&record(5, b"\x01hel"));
    b.hear(&record(5, b"\x01lo!"));
    assert!(b.got.is_empty());
    b.hear(&offer(2, "b", 5, hash(b"hello")));
    b.hear(&record(5, b"\x02lo"));
    assert_eq!(b.got.len(), 1);
}

#[test]
fn pieces_that_nobody_asked_for_do_nothing() {
    let mut b = scene();
    b.away = true;
    b.hear(&record(5, b"\x00hello"));
    b.hear(&offer(0, "a", 5, hash(b"hello")));
    b.hear(&record(5, b"\x00hello"));
    assert!(!b.saw(|o| matches!(o, Output::Write { .. })));
    b.hear(&offer(1, "b", 5, hash(b"hello")));
    b.decide(File::Theirs(1));
    b.hear(&record(5, b"\x01"));
    assert!(!b.saw(|o| matches!(o, Output::Write { .. })));
    still_talks(&mut b);
}

#[test]
fn names_that_could_do_harm_are_never_shown_to_be_stored() {
    let mut b = scene();
    for (file, name) in ["../../etc/passwd", "a\rb", "NUL", ""].iter().enumerate() {
        b.hear(&offer(file as u8, name, 5, [9; 32]));
        assert_eq!(said(&mut b), record(4, &[file as u8, 6]));
    }
    assert!(b.saw(|o| *o == Output::TurnedAway(Why::NotAllowed)));
    assert!(!b.saw(|o| matches!(o, Output::Offered(..))));
    b.hear(&offer(4, "a", 0, [9; 32]));
    b.hear(&offer(5, "a", u64::MAX >> 1, [9; 32]));
    b.hear(&offer(6, "a", (1 << 20) + 1, [9; 32]));
    assert_eq!(said(&mut b)[10..], record(4, &[6, 2]));
    still_talks(&mut b);
}

#[test]
fn offers_without_end_ask_a_person_no_more() {
    let mut b = scene();
    b.away = true;
    b.hear(&offer(0, "b", 5, [1; 32]));
    b.hear(&offer(1, "c", 5, [1; 32]));
    assert_eq!(said(&mut b), record(4, &[1, 5]));
    for file in 2..6 {
        b.hear(&offer(file, "a", 5, [file; 32]));
    }
    // The same again, by whatever name; and four may be open.
    assert_eq!(said(&mut b), record(4, &[5, 4]));
    for file in 0..5 {
        b.handle(Input::Refuse(
            File::Theirs(file),
            Why::NotWanted,
            String::new(),
        ));
    }
    for file in 6..60 {
        b.hear(&offer(file, "a", 5, [file; 32]));
        if file < 8 {
            b.handle(Input::Refuse(
                File::Theirs(file),
                Why::NotWanted,
                String::new(),
            ));
        }
        said(&mut b);
    }
    let asked = |o: &&Output| matches!(o, Output::Offered(..));
    assert_eq!(b.log.iter().filter(asked).count(), 6);
    let told = |o: &&Output| matches!(o, Output::TurnedAway(_));
    assert_eq!(b.log.iter().filter(told).count(), 2);
    // An hour later somebody may be asked again.
    let later = Instant::from_secs(9000);
    b.handle(Input::Received(later, offer(60, "a", 5, [9; 32])));
    assert_eq!(b.log.iter().filter(asked).count(), 7);
    // One that takes no answers either.
    for file in 61..=255 {
        b.hear(&offer(file, "a", 5, [file; 32]));
    }
    assert!(b.saw(|o| matches!(o, Output::Over(words) if words.contains("answers"))));
    assert!(said(&mut b).len() < 100);
    still_talks(&mut b);
}

#[test]
fn what_does_not_fit_ends_the_files_in_the_end_but_never_the_talk() {
    let mut b = scene();
    for wrong in [
        &b""[..],
        b"\x00",
        b"\x00\x05",
        b"\x07\xff\xff\xff\xff\xff\xff\xff\xff\xff\xff",
    ] {
        b.hear(&record(2, wrong));
        b.hear(&record(3, wrong));
        still_talks(&mut b);
    }
    // Who offers waits for an answer, also to what cannot be read.
    let answers = said(&mut b);
    assert_eq!(answers[2..5], [4, 0, 8]);
    // A record of a later version is no fault.
    b.hear(&record(0x40, b"what?"));
    assert!(!b.saw(|o| matches!(o, Output::Over(_))));
    b.hear(HELLO);
    assert!(b.saw(|o| matches!(o, Output::Over(words) if words.contains("second hello"))));
    let end = said(&mut b);
    assert!(String::from_utf8_lossy(&end).contains("too much did not fit"));
    b.hear(&offer(9, "a", 5, [9; 32]));
    assert!(said(&mut b).is_empty() && b.heard.iter().all(|&octet| octet != 0x1c));
    still_talks(&mut b);
    assert_eq!(
        b.files.offer(head("a", b"a"), AIRTIME),
        Err(NotOffered::Over)
    );
}

#[test]
fn answers_that_do_not_fit_end_the_own_file() {
    for wrong in [&[3, 0, 0x88, 0x27][..], &[3, 0, 0xff, 0xff, 0x7f], &[6, 0]] {
        let mut a = scene();
        let file = a.offer("map.png", &content(1, 5000));
        said(&mut a);
        if wrong[0] == 6 {
            a.hear(&record(3, &[0, 0]));
            a.give(128).expect("a piece");
        }
        a.hear(&record(wrong[0], &wrong[1..]));
        assert!(a.saw(|o| matches!(o, Output::Stopped { file: f, .. } if *f == file)));
        let out = said(&mut a);
        assert_eq!(out[2], 7);
        still_talks(&mut a);
    }
    // Answers about what was not offered.
    let mut a = scene();
    a.hear(&record(3, &[0, 0]));
    a.hear(&record(6, &[0]));
    a.hear(&record(4, &[0, 0]));
    assert!(said(&mut a).is_empty());
    still_talks(&mut a);
}

#[test]
fn whoever_wants_it_from_the_start_for_ever_gets_it_twice() {
    let mut a = scene();
    a.offer("map.png", &content(1, 500));
    said(&mut a);
    for _ in 0..2 {
        a.hear(&record(3, &[0, 0]));
        assert!(said(&mut a).len() > 500);
    }
    a.hear(&record(3, &[0, 0]));
    assert!(said(&mut a).len() < 150);
    assert!(a.saw(|o| matches!(o, Output::Stopped { .. })));
}

#[test]
fn a_hello_without_a_tag_is_text() {
    let mut b = Side::new("QM2REE");
    b.hear(HELLO);
    assert_eq!(b.heard, HELLO);
    b.hear(b"\r");
    let other = b"\x1c\x09\x01\x01\x01\x02\x03\x05\x80\x80\x40";
    b.hear(&[TAG, other, b"\r"].concat());
    assert!(b.heard.ends_with(&[&other[..], b"\r"].concat()));

    assert_eq!(said(&mut b).len(), 11);
}
