//! Parts what arrives into what was typed and the records between.
//!
//! Until the other side has said its hello, everything but exactly that hello is text. After it, the introducer
//! begins a record, and nothing else does.

use super::line::Token;
use super::record::{HELLO, Hello, MOST_RECORD};

/// The octet that begins a record: the information separator four, in ASCII also called "file separator". No key of
/// a terminal makes it as part of a text, and UTF-8 has it in no other character. One that is typed all the same
/// goes as a record without octets.
pub const INTRODUCER: u8 = 0x1c;
/// An introducer that was typed, once this side has said its hello: a record without octets.
pub(super) const LITERAL: [u8; 2] = [INTRODUCER, 0];
/// In the type: the record goes on in the next one.
pub(super) const GOES_ON: u8 = 0x80;

/// What the stream holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Found {
    /// What was typed. Before the hello with at most one end of a line, as its last octet.
    Text(Vec<u8>),
    /// The other side's hello.
    Hello(Hello),
    /// A record, put together.
    Record { kind: u8, payload: Vec<u8> },
    /// A record that can be no proper one; it is left out.
    Wrong(String),
}

/// A record that goes on.
#[derive(Debug)]
struct Growing {
    kind: u8,
    payload: Vec<u8>,
    /// It is wrong, which was said; what is left of it is skipped.
    spoilt: bool,
}

#[derive(Debug, Default)]
pub(super) struct Splitter {
    /// Octets that arrived; those before `done` are handed on.
    arrived: Vec<u8>,
    done: usize,
    speaking: bool,
    growing: Option<Growing>,
}

enum Look {
    Hello(Hello, usize),
    Text,
    /// What is there may be the beginning of one.
    NotYet,
}

impl Splitter {
    pub(super) fn feed(&mut self, octets: &[u8]) {
        self.arrived.drain(..self.done);
        self.done = 0;
        self.arrived.extend(octets);
    }

    /// What comes next. `tokens` are those of the lines that either side has sent.
    pub(super) fn next(&mut self, tokens: &[Token]) -> Option<Found> {
        loop {
            let waiting = &self.arrived[self.done..];
            if *waiting.first()? != INTRODUCER {
                let ends =
                    |&o: &u8| o == INTRODUCER || !self.speaking && (o == b'\r' || o == b'\n');
                let end = waiting.iter().position(ends).unwrap_or(waiting.len());
                let end = end + usize::from(waiting.get(end).is_some_and(|&o| o != INTRODUCER));
                return Some(Found::Text(self.take(end)));
            }
            if !self.speaking {
                return match look(waiting, tokens) {
                    Look::NotYet => None,
                    Look::Text => Some(Found::Text(self.take(1))),
                    Look::Hello(hello, length) => {
                        self.take(length);
                        self.speaking = true;
                        Some(Found::Hello(hello))
                    }
                };
            }
            let length = usize::from(*waiting.get(1)?);
            if length == 0 {
                self.take(2);
                return Some(Found::Text(vec![INTRODUCER]));
            }
            if waiting.len() < 2 + length {
                return None;
            }
            let part = self.take(2 + length).split_off(2);
            if let Some(found) = self.part(&part) {
                return Some(found);
            }
        }
    }

    /// The link is gone: what was held back as the possible beginning of a hello is text after all. A record that is
    /// cut is worth nothing.
    pub(super) fn rest(&mut self) -> Vec<u8> {
        let rest = self.take(self.arrived.len() - self.done);
        if self.speaking { Vec::new() } else { rest }
    }

    fn take(&mut self, octets: usize) -> Vec<u8> {
        let taken = self.arrived[self.done..self.done + octets].to_vec();
        self.done += octets;
        taken
    }

    /// Takes one part of a record, which has at least a type.
    fn part(&mut self, part: &[u8]) -> Option<Found> {
        let (&first, octets) = part.split_first()?;
        let kind = first & !GOES_ON;
        let mut wrong = None;
        let mut growing = match self.growing.take() {
            Some(growing) if growing.kind == kind => growing,
            before => {
                if before.is_some_and(|before| !before.spoilt) {
                    wrong = Some("a record in the middle of another".to_owned());
                }
                Growing {
                    kind,
                    payload: Vec::new(),
                    spoilt: wrong.is_some(),
                }
            }
        };
        if !growing.spoilt && growing.payload.len() + octets.len() > MOST_RECORD {
            wrong = Some(format!("a record of more than {MOST_RECORD} octets"));
            (growing.spoilt, growing.payload) = (true, Vec::new());
        }
        if !growing.spoilt {
            growing.payload.extend(octets);
        }
        if first & GOES_ON != 0 {
            self.growing = Some(growing);
        } else if !growing.spoilt {
            let payload = growing.payload;
            return Some(Found::Record { kind, payload });
        }
        wrong.map(Found::Wrong)
    }
}

/// Whether a hello with one of the tokens begins here. The first octet is the introducer.
fn look(waiting: &[u8], tokens: &[Token]) -> Look {
    // Introducer, length, type, version, token, and then at least one octet of a number.
    let fits = |token: &Token| {
        let fixed = [
            waiting.get(1).is_none_or(|l| (7..=32).contains(l)),
            waiting.get(2).is_none_or(|&k| k == HELLO),
            waiting.get(3).is_none_or(|&v| v > 0),
        ];
        let there = waiting.get(4..).unwrap_or_default();
        fixed == [true; 3] && there.iter().zip(token).all(|(a, b)| a == b)
    };
    if !tokens.iter().any(fits) {
        return Look::Text;
    }
    let whole = waiting.get(1).map(|&length| 2 + usize::from(length));
    let Some(whole) = whole.filter(|&whole| waiting.len() >= whole) else {
        return Look::NotYet;
    };
    match Hello::read(&waiting[3..whole]) {
        Ok(hello) => Look::Hello(hello, whole),
        Err(_) => Look::Text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TOKEN: Token = [0x3f, 0xa9, 0xc2, 0xd1];

    fn split(octets: &[u8], size: usize) -> (Vec<Found>, Vec<u8>) {
        let (mut splitter, mut all) = (Splitter::default(), Vec::new());
        for piece in octets.chunks(size) {
            splitter.feed(piece);
            while let Some(found) = splitter.next(&[TOKEN]) {
                match (all.last_mut(), found) {
                    (Some(Found::Text(before)), Found::Text(more)) => before.extend(more),
                    (_, found) => all.push(found),
                }
            }
        }
        (all, splitter.rest())
    }

    #[test]
    fn text_and_records_are_parted_wherever_the_octets_are_cut() {
        let octets = b"one\x1c\x1c\rtwo\x1c\x08\x01\x01\x3f\xa9\xc2\xd1\xac\x02th\x1c\x00\x1c\x03\x05ab\x1c\x02\x82x\
            re\x1c\x02\x02ye\r\x1c\x04";
        let (whole, rest) = split(octets, 99);
        let hello = Hello {
            version: 1,
            token: TOKEN,
            largest: 300,
        };
        let text = |text: &[u8]| Found::Text(text.to_vec());
        let record = |kind, payload: &[u8]| Found::Record {
            kind,
            payload: payload.to_vec(),
        };
        let expected = [
            text(b"one\x1c\x1c\rtwo"),
            Found::Hello(hello),
            text(b"th\x1c"),
            record(5, b"ab"),
            text(b"re"),
            record(2, b"xy"),
            text(b"e\r"),
        ];
        assert_eq!((&whole[..], rest), (&expected[..], vec![]));
        for size in 1..20 {
            assert_eq!(split(octets, size).0, whole);
        }
    }

    #[test]
    fn before_the_hello_nothing_but_the_hello_is_a_record() {
        for almost in [
            &b"\x1c\x08\x01\x01\x3f\xa9\xc2\xd0\xac\x02"[..],
            b"\x1c\x06\x01\x01\x3f\xa9\xc2\xd1",
            b"\x1c\x21\x01\x01\x3f\xa9\xc2\xd1\x00",
            b"\x1c\x08\x01\x00\x3f\xa9\xc2\xd1\xac\x02",
            b"\x1c\x08\x01\x01\x3f\xa9\xc2\xd1\xac\x82x",
            b"\x1c\x08\x01\x01\x3f\xa9\xc2\xd1\xac",
            b"\x1c",
        ] {
            for size in [1, 99] {
                let (found, rest) = split(almost, size);
                let mut text = match &found[..] {
                    [] => Vec::new(),
                    [Found::Text(text)] => text.clone(),
                    other => panic!("{other:?}"),
                };
                text.extend(rest);
                assert_eq!(text, almost);
            }
        }
    }

    #[test]
    fn a_record_in_another_or_without_end_is_said_once_and_left_out() {
        let hello = b"\x1c\x08\x01\x01\x3f\xa9\xc2\xd1\xac\x02";
        let mut octets = hello.to_vec();
        octets.extend(b"\x1c\x02\x82x\x1c\x02\x83y\x1c\x02\x03z\x1c\x02\x04a");
        for _ in 0..9 {
            octets.extend([0x1c, 201, 0x85]);
            octets.extend([7; 200]);
        }
        octets.extend(b"\x1c\x02\x05b\x1c\x02\x06c");
        let (found, _) = split(&octets, 50);
        assert!(matches!(&found[1], Found::Wrong(words) if words.contains("middle")));
        assert!(matches!(&found[2], Found::Record { kind: 4, .. }));
        assert!(matches!(&found[3], Found::Wrong(words) if words.contains("more than")));
        assert!(matches!(&found[4], Found::Record { kind: 6, .. }));
        assert_eq!(found.len(), 5);
    }
}
