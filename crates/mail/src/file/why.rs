//! Why a file is not taken.

use std::fmt;

/// A reason to refuse an offered file, also while it comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    /// A person does not want it.
    NotWanted,
    /// It is there already, by its hash; for the sender that is as good as delivered.
    HaveIt,
    /// It is larger than this side takes.
    TooLarge,
    /// There is no room to store it.
    NoRoom,
    /// Too many are offered at once, or one soon after the other.
    TooMany,
    /// Another time.
    Later,
    /// Its name could do harm where it is stored, or its size or kind is none.
    NotAllowed,
    /// It came twice and its hash was wrong both times.
    Damaged,
    /// What came of it did not fit what was offered.
    DoesNotFit,
    /// A reason of a later version, by its code.
    Other(u8),
}

/// In the order of their codes.
const ALL: [Why; 9] = [
    Why::NotWanted,
    Why::HaveIt,
    Why::TooLarge,
    Why::NoRoom,
    Why::TooMany,
    Why::Later,
    Why::NotAllowed,
    Why::Damaged,
    Why::DoesNotFit,
];

impl Why {
    pub(super) fn code(self) -> u8 {
        match self {
            Why::Other(code) => code,
            _ => ALL.iter().position(|&why| why == self).unwrap_or(0) as u8,
        }
    }

    pub(super) fn of_code(code: u8) -> Why {
        let known = ALL.get(usize::from(code)).copied();
        known.unwrap_or(Why::Other(code))
    }
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Why::NotWanted => f.write_str("it is not wanted"),
            Why::HaveIt => f.write_str("it is there already"),
            Why::TooLarge => f.write_str("it is too large"),
            Why::NoRoom => f.write_str("there is no room for it"),
            Why::TooMany => f.write_str("too many files are offered"),
            Why::Later => f.write_str("another time"),
            Why::NotAllowed => f.write_str("its name, size or kind is not allowed"),
            Why::Damaged => f.write_str("it arrived damaged twice"),
            Why::DoesNotFit => f.write_str("what came does not fit the offer"),
            Why::Other(code) => write!(f, "reason {code}, which this version does not know"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_come_back() {
        for code in 0..=255 {
            assert_eq!(Why::of_code(code).code(), code);
        }
        assert_eq!(Why::of_code(9), Why::Other(9));
    }
}
