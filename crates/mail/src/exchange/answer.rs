//! What the receiver of an offer says about it.

use serde::{Deserialize, Serialize};

use super::octets::{Read, Reader, put_number, put_signed};

/// From this code on a reason is of a later version.
const UNKNOWN: u8 = 9;

/// Why a station does not take a message.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Why {
    /// It has it, or had it before. For the sender it is as good as taken.
    HaveIt,
    /// It is larger than the port takes.
    TooLarge,
    /// The station serves neither the area nor the addressee.
    NotThisArea,
    /// A person must look at it first, and somebody has to decide.
    Held,
    /// The station has no room for it now.
    NoRoom,
    /// Not now, for another passing reason.
    TryLater,
    /// Its hash was wrong twice, or what it holds is no message.
    Damaged,
    /// A reason that this version does not know, by its code: 9 or more. One below 9 says something else; it is
    /// sent as `TryLater`.
    Unknown(u8),
}

impl Why {
    /// The reason in plain words, to follow "refused:".
    pub fn words(self) -> &'static str {
        match self {
            Why::HaveIt => "the station has it already",
            Why::TooLarge => "it is too large for this port",
            Why::NotThisArea => "the station does not serve this area",
            Why::Held => "the station holds it until a person has looked",
            Why::NoRoom => "the station has no room for it",
            Why::TryLater => "the station asks to try later",
            Why::Damaged => "it arrived damaged twice, or is no message",
            Why::Unknown(_) => "for a reason that this version does not know",
        }
    }

    fn code(self) -> u8 {
        match self {
            Why::HaveIt => 2,
            Why::TooLarge => 3,
            Why::NotThisArea => 4,
            Why::Held => 5,
            Why::NoRoom => 6,
            Why::TryLater => 7,
            Why::Damaged => 8,
            Why::Unknown(code @ UNKNOWN..) => code,
            Why::Unknown(_) => Why::TryLater.code(),
        }
    }

    fn from_code(code: u8) -> Why {
        match code {
            2 => Why::HaveIt,
            3 => Why::TooLarge,
            4 => Why::NotThisArea,
            5 => Why::Held,
            6 => Why::NoRoom,
            7 => Why::TryLater,
            8 => Why::Damaged,
            code => Why::Unknown(code),
        }
    }
}

/// What is said about one item.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Answer {
    /// Send it from this octet on.
    Want(u64),
    /// It is stored, so many seconds after it was written.
    Taken(i64),
    /// It is not taken.
    No(Why),
}

/// Appends one entry of an answers record.
pub(super) fn put_answer(to: &mut Vec<u8>, item: usize, answer: Answer) {
    put_number(to, item as u64);
    match answer {
        Answer::Want(offset) => {
            to.push(0);
            put_number(to, offset);
        }
        Answer::Taken(after) => {
            to.push(1);
            put_signed(to, after);
        }
        Answer::No(why) => to.push(why.code()),
    }
}

/// Reads the next entry: the item, and what is said about it.
pub(super) fn read_answer(reader: &mut Reader) -> Read<(u64, Answer)> {
    let item = reader.number()?;
    let answer = match reader.octet()? {
        0 => Answer::Want(reader.number()?),
        1 => Answer::Taken(reader.signed()?),
        code => Answer::No(Why::from_code(code)),
    };
    Ok((item, answer))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_answer_is_read_as_it_was_written() {
        let mut said = vec![Answer::Want(0), Answer::Want(70_000), Answer::Taken(-5)];
        said.extend((2..=255).map(|code| Answer::No(Why::from_code(code))));
        let mut octets = Vec::new();
        for (item, &answer) in said.iter().enumerate() {
            put_answer(&mut octets, item, answer);
        }
        let mut reader = Reader::new(&octets);
        for (item, &answer) in said.iter().enumerate() {
            assert_eq!(read_answer(&mut reader), Ok((item as u64, answer)));
        }
        assert!(reader.is_empty());
    }

    #[test]
    fn no_refusal_is_written_as_something_else() {
        for code in 0..UNKNOWN {
            let made: Why = serde_json::from_str(&format!("{{\"unknown\":{code}}}")).expect("JSON");
            assert_eq!(made, Why::Unknown(code));
            let mut octets = Vec::new();
            put_answer(&mut octets, 3, Answer::No(made));
            let read = read_answer(&mut Reader::new(&octets));
            assert_eq!(read, Ok((3, Answer::No(Why::TryLater))));
        }
    }
}
