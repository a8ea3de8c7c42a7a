//! The records, as octets.

use super::head::{HASH_OCTETS, Head, HeadError};
use super::line::{Token, VERSION};
use super::why::Why;
use crate::exchange::octets::{Read, Reader, put_number, put_text};
use crate::text::turns_text;

/// Types of records.
pub(super) const HELLO: u8 = 0x01;
pub(super) const OFFER: u8 = 0x02;
pub(super) const WANT: u8 = 0x03;
pub(super) const REFUSE: u8 = 0x04;
pub(super) const PIECE: u8 = 0x05;
pub(super) const STORED: u8 = 0x06;
pub(super) const WITHDRAW: u8 = 0x07;
pub(super) const QUIT: u8 = 0x08;

/// Octets of a record's payload, at most, in however many parts.
pub(super) const MOST_RECORD: usize = 1024;
/// Octets of the words in a record, at most.
pub(super) const MOST_WORDS: usize = 120;

/// The first record of each side.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Hello {
    pub(super) version: u8,
    pub(super) token: Token,
    /// Octets of a file that are taken, at most.
    pub(super) largest: u64,
}

impl Hello {
    pub(super) fn new(token: Token, largest: u64) -> Self {
        Hello {
            version: VERSION,
            token,
            largest,
        }
    }

    pub(super) fn read(payload: &[u8]) -> Read<Hello> {
        let mut reader = Reader::new(payload);
        Ok(Hello {
            version: reader.octet()?,
            token: reader.array()?,
            largest: reader.number()?,
        })
    }
}

/// What a record says. A file is named by its number.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Record {
    Hello(Hello),
    /// The head may be one that is not allowed.
    Offer(u8, Result<Head, HeadError>),
    Want(u8, u64),
    Refuse(u8, Why, String),
    Piece(u8, Vec<u8>),
    Stored(u8),
    Withdraw(u8, String),
    Quit(String),
}

impl Record {
    /// Reads a record; `None` is one of a later version.
    pub(super) fn read(kind: u8, payload: &[u8]) -> Read<Option<Record>> {
        let mut reader = Reader::new(payload);
        Ok(Some(match kind {
            HELLO => Record::Hello(Hello::read(payload)?),
            OFFER => {
                let number = reader.octet()?;
                let size = reader.number()?;
                let hash: [u8; HASH_OCTETS] = reader.array()?;
                let name = reader.text()?;
                let media = Some(reader.text()?).filter(|media| !media.is_empty());
                Record::Offer(number, Head::new(&name, media.as_deref(), size, hash))
            }
            WANT => Record::Want(reader.octet()?, reader.number()?),
            REFUSE => {
                let (number, code) = (reader.octet()?, reader.octet()?);
                Record::Refuse(number, Why::of_code(code), heard_words(reader.rest()))
            }
            PIECE => Record::Piece(reader.octet()?, reader.rest().to_vec()),
            STORED => Record::Stored(reader.octet()?),
            WITHDRAW => Record::Withdraw(reader.octet()?, heard_words(reader.rest())),
            QUIT => Record::Quit(heard_words(reader.rest())),
            _ => return Ok(None),
        }))
    }

    /// Type and payload.
    pub(super) fn write(&self) -> (u8, Vec<u8>) {
        let mut to = Vec::new();
        let kind = match self {
            Record::Hello(hello) => {
                to.push(hello.version);
                to.extend(hello.token);
                put_number(&mut to, hello.largest);
                HELLO
            }
            Record::Offer(number, head) => {
                to.push(*number);
                if let Ok(head) = head {
                    put_number(&mut to, head.size());
                    to.extend(head.hash());
                    put_text(&mut to, head.name());
                    put_text(&mut to, head.media().unwrap_or_default());
                }
                OFFER
            }
            Record::Want(number, from) => {
                to.push(*number);
                put_number(&mut to, *from);
                WANT
            }
            Record::Refuse(number, why, words) => {
                to.extend([*number, why.code()]);
                to.extend(fit(words).bytes());
                REFUSE
            }
            Record::Piece(number, octets) => {
                to.push(*number);
                to.extend(octets);
                PIECE
            }
            Record::Stored(number) => {
                to.push(*number);
                STORED
            }
            Record::Withdraw(number, words) => {
                to.push(*number);
                to.extend(fit(words).bytes());
                WITHDRAW
            }
            Record::Quit(words) => {
                to.extend(fit(words).bytes());
                QUIT
            }
        };
        (kind, to)
    }
}

/// Words as they are sent: on one line, and not too long.
fn fit(words: &str) -> String {
    let mut fit = String::new();
    for c in words.chars() {
        if fit.len() + c.len_utf8() > MOST_WORDS {
            break;
        }
        fit.push(if c.is_control() || turns_text(c) {
            ' '
        } else {
            c
        });
    }
    fit
}

/// Words as they arrived. They are only shown, so what is wrong in them ends nothing.
fn heard_words(octets: &[u8]) -> String {
    fit(&String::from_utf8_lossy(octets))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_record_is_read_again() {
        let head = Head::new("map.png", Some("image/png"), 10_000, [9; 32]);
        for record in [
            Record::Hello(Hello::new([1, 2, 3, 4], 300)),
            Record::Offer(3, head),
            Record::Offer(3, Head::new("a", None, 1, [0; 32])),
            Record::Want(3, 1 << 40),
            Record::Refuse(3, Why::NoRoom, "full".into()),
            Record::Piece(3, vec![1, 2]),
            Record::Stored(3),
            Record::Withdraw(3, "mistake".into()),
            Record::Quit(String::new()),
        ] {
            let (kind, payload) = record.write();
            assert_eq!(Record::read(kind, &payload), Ok(Some(record)));
        }
        assert_eq!(Record::read(0x40, &[1]), Ok(None));
        let long = Record::Quit("ä\n".repeat(99)).write().1;
        assert!(long.len() <= MOST_WORDS && !long.contains(&b'\n'));
    }

    proptest! {
        #[test]
        fn any_payload_is_harmless(kind in 0_u8..10, payload in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = Record::read(kind, &payload);
        }
    }
}
