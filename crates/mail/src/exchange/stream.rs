//! Cuts the stream of octets into records.
//!
//! A piece of an item is handed on as it arrives, so that of a link that drops in the middle of it every
//! octet counts. What is unknown is skipped without being kept.

use super::octets::{Read, Reader, put_number};

/// Types of records. That of the hello is no printable character: a stream of text is noticed at once.
pub(super) const HELLO: u8 = 0xd1;
pub(super) const OFFER: u8 = 0x02;
pub(super) const ANSWERS: u8 = 0x03;
pub(super) const CHAIN: u8 = 0x04;
pub(super) const PIECE: u8 = 0x05;
pub(super) const OVER: u8 = 0x06;
pub(super) const END: u8 = 0x07;

/// Octets of a record's payload, at most: of a piece or an unknown one, and of any other.
const MOST_LONG: u64 = 65_535;
const MOST_SHORT: u64 = 2048;
/// Octets of the type, the length, and the two numbers of a piece, at most; more cannot be proper.
const MOST_START: usize = 24;

/// What the stream holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Event {
    /// A whole record.
    Record { kind: u8, payload: Vec<u8> },
    /// A piece begins.
    Piece { item: u64, offset: u64, length: u64 },
    /// Octets of the piece that began last.
    Octets(Vec<u8>),
}

#[derive(Debug, Default)]
pub(super) struct Stream {
    /// Octets that arrived; those before `done` are handed on.
    arrived: Vec<u8>,
    done: usize,
    /// Octets of the present piece or unknown record that are still to come.
    left: u64,
    skip: bool,
    /// Octets that were handed on or skipped since the start, and where the present record began.
    passed: u64,
    at: u64,
}

impl Stream {
    pub(super) fn feed(&mut self, octets: &[u8]) {
        self.arrived.drain(..self.done);
        self.done = 0;
        self.arrived.extend(octets);
    }

    /// Octets since the start that were handed on or skipped.
    pub(super) fn passed(&self) -> u64 {
        self.passed
    }

    /// Octets since the start before the present record.
    pub(super) fn at(&self) -> u64 {
        self.at
    }

    fn waiting(&self) -> &[u8] {
        &self.arrived[self.done..]
    }

    /// The next event, as far as octets are there.
    pub(super) fn next(&mut self) -> Read<Option<Event>> {
        loop {
            if self.left > 0 {
                let there = self.waiting().len().min(self.left as usize);
                if there == 0 {
                    return Ok(None);
                }
                let octets = self.take(there);
                self.left -= there as u64;
                if !self.skip {
                    return Ok(Some(Event::Octets(octets)));
                }
                continue;
            }
            self.at = self.passed;
            let Some((kind, length, start)) = self.start()? else {
                return Ok(None);
            };
            match kind {
                PIECE => return self.piece(length, start),
                HELLO | OFFER | ANSWERS | CHAIN | OVER | END => {
                    if length > MOST_SHORT {
                        return Err(format!("a record of {length} octets"));
                    }
                    let whole = start + length as usize;
                    if self.waiting().len() < whole {
                        return Ok(None);
                    }
                    let payload = self.take(whole).split_off(start);
                    return Ok(Some(Event::Record { kind, payload }));
                }
                _ => {
                    self.take(start);
                    (self.left, self.skip) = (length, true);
                }
            }
        }
    }

    /// Type and length of the next record, and the octets that they take.
    fn start(&self) -> Read<Option<(u8, u64, usize)>> {
        let Some((&kind, rest)) = self.waiting().split_first() else {
            return Ok(None);
        };
        if self.passed == 0 && kind != HELLO {
            return Err(format!(
                "{kind:02x} as its first octet, where {HELLO:02x} begins this protocol"
            ));
        }
        let Some((length, octets)) = number(rest)? else {
            return Ok(None);
        };
        if length > MOST_LONG {
            return Err(format!("a record of {length} octets"));
        }
        Ok(Some((kind, length, 1 + octets)))
    }

    fn piece(&mut self, length: u64, start: usize) -> Read<Option<Event>> {
        let there = &self.waiting()[start..];
        let there = &there[..there.len().min(length as usize)];
        let whole = there.len() as u64 == length || there.len() > MOST_START;
        let both = number(there)?.and_then(|(item, first)| {
            let second = number(&there[first..]);
            second.transpose().map(|offset| (item, first, offset))
        });
        let Some((item, first, offset)) = both else {
            return match whole {
                true => Err("a record that ends in the middle of a field".to_owned()),
                false => Ok(None),
            };
        };
        let (offset, second) = offset?;
        self.take(start + first + second);
        let length = length - (first + second) as u64;
        (self.left, self.skip) = (length, false);
        Ok(Some(Event::Piece {
            item,
            offset,
            length,
        }))
    }

    fn take(&mut self, octets: usize) -> Vec<u8> {
        let taken = self.waiting()[..octets].to_vec();
        self.done += octets;
        self.passed += octets as u64;
        taken
    }
}

/// A number at the front, with its length in octets; `None` if it is not all there.
fn number(octets: &[u8]) -> Read<Option<(u64, usize)>> {
    let Some(last) = octets.iter().take(9).position(|&octet| octet < 0x80) else {
        return match octets.len() {
            0..9 => Ok(None),
            _ => Err("a number of more than nine octets".to_owned()),
        };
    };
    let number = Reader::new(&octets[..=last]).number()?;
    Ok(Some((number, last + 1)))
}

/// Appends a record.
pub(super) fn put_record(to: &mut Vec<u8>, kind: u8, payload: &[u8]) {
    to.push(kind);
    put_number(to, payload.len() as u64);
    to.extend(payload);
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// All events, with neighbouring octets joined.
    fn events(stream: &mut Stream) -> Read<Vec<Event>> {
        let mut all: Vec<Event> = Vec::new();
        while let Some(event) = stream.next()? {
            match (all.last_mut(), event) {
                (Some(Event::Octets(before)), Event::Octets(more)) => before.extend(more),
                (_, event) => all.push(event),
            }
        }
        Ok(all)
    }

    fn sample() -> Vec<u8> {
        let mut octets = Vec::new();
        put_record(&mut octets, HELLO, &[1]);
        put_record(&mut octets, PIECE, b"\x03\x80\x01abc");
        put_record(&mut octets, 0x60, &[9; 300]);
        put_record(&mut octets, PIECE, b"\x04\x00");
        put_record(&mut octets, END, b"");
        octets
    }

    #[test]
    fn records_are_cut_wherever_the_octets_are_cut() {
        let octets = sample();
        let mut whole = Stream::default();
        whole.feed(&octets);
        let expected = events(&mut whole).expect("records");
        assert_eq!(expected.len(), 5);
        let mut single = Stream::default();
        let mut found: Vec<Event> = Vec::new();
        for octet in octets {
            single.feed(&[octet]);
            for event in events(&mut single).expect("records") {
                match (found.last_mut(), event) {
                    (Some(Event::Octets(before)), Event::Octets(more)) => before.extend(more),
                    (_, event) => found.push(event),
                }
            }
        }
        assert_eq!(found, expected);
    }

    #[test]
    fn octets_of_a_piece_do_not_wait_for_its_end() {
        let mut stream = Stream::default();
        stream.feed(b"\xd1\x00\x05\x0a\x00\x00xy");
        let found = events(&mut stream).expect("a piece");
        assert_eq!(found[2], Event::Octets(b"xy".to_vec()));
    }

    #[test]
    fn lengths_beyond_the_limit_are_refused_before_anything_is_kept() {
        let wrong = |octets: &[u8]| {
            let mut stream = Stream::default();
            stream.feed(b"\xd1\x00");
            stream.feed(octets);
            let wrong = events(&mut stream).expect_err("refused");
            assert_eq!(stream.at(), 2);
            wrong
        };
        assert!(wrong(b"\x60\xff\xff\x7f").contains("2097151 octets"));
        assert!(wrong(b"\x02\x81\x10").contains("2049 octets"));
        assert!(wrong(&[0x80; 12]).contains("nine"));
        assert!(wrong(b"\x05\x01\x00").contains("middle"));
        assert!(wrong(b"\x05\x00").contains("middle"));
    }

    #[test]
    fn a_stream_of_text_is_noticed_at_its_first_octet() {
        let mut stream = Stream::default();
        stream.feed(b"Hello");
        let wrong = events(&mut stream).expect_err("refused");
        assert!(wrong.starts_with("48 as its first octet"), "{wrong}");
    }

    proptest! {
        #[test]
        fn any_input_is_harmless(octets in proptest::collection::vec(any::<u8>(), 0..400)) {
            let mut stream = Stream::default();
            stream.feed(b"\xd1\x00");
            stream.feed(&octets);
            let _ = events(&mut stream);
            prop_assert!(stream.passed() <= 2 + octets.len() as u64);
        }
    }
}
