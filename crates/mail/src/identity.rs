//! Identifiers that are unique for ever.

use std::fmt;
use std::str::FromStr;

use dunlin_ax25::CallSign;
use thiserror::Error;

use crate::text::as_text;

/// Characters of the number: digits and capital letters without I, L, O and U, which are easily
/// mistaken (D. Crockford, "Base 32", crockford.com, from memory).
const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Characters that hold 64 bits.
const CHARACTERS: usize = 13;

/// Names one message for ever: the call sign of the station where it was written, and a number drawn by
/// chance from 2 to the power of 64. Written as `QM3BAR:3Z8K0F1Q7WD2M`.
///
/// A clock that was wrong or a store that was lost cannot give the number a second time; of a million
/// messages of one station two are alike with a chance of 1 in 37 million.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MessageId {
    /// Where it was written; the SSID is 0.
    pub origin: CallSign,
    /// The number.
    pub number: u64,
}

/// Why a text is no identifier.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error(
    "{0:?} is no identifier of a message: wanted is a call sign without SSID, a colon and 13 digits and letters, such as QM3BAR:3Z8K0F1Q7WD2M"
)]
pub struct IdError(pub String);

impl fmt::Display for MessageId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:", self.origin)?;
        for place in (0..CHARACTERS).rev() {
            let index = (self.number >> (5 * place)) as usize & 31;
            write!(f, "{}", char::from(ALPHABET[index]))?;
        }
        Ok(())
    }
}

impl FromStr for MessageId {
    type Err = IdError;

    fn from_str(text: &str) -> Result<Self, IdError> {
        let wrong = || IdError(text.chars().take(40).collect());
        let (origin, rest) = text.split_once(':').ok_or_else(wrong)?;
        let origin: CallSign = origin.parse().map_err(|_| wrong())?;
        if origin.ssid() != 0 || rest.len() != CHARACTERS {
            return Err(wrong());
        }
        let mut number = 0_u64;
        for (place, character) in rest.bytes().enumerate() {
            let upper = character.to_ascii_uppercase();
            let digit = ALPHABET.iter().position(|&c| c == upper);
            let digit = digit.ok_or_else(wrong)? as u64;
            // The first holds the upper four bits alone.
            if place == 0 && digit > 15 {
                return Err(wrong());
            }
            number = number << 5 | digit;
        }
        Ok(MessageId { origin, number })
    }
}

as_text!(MessageId);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_identifier_reads_as_it_is_written() {
        for number in [0, 1, 31, 32, 0x0123_4567_89AB_CDEF, u64::MAX] {
            let id = MessageId {
                origin: "QM3BAR".parse().expect("a call sign"),
                number,
            };
            let text = id.to_string();
            assert_eq!(text.len(), "QM3BAR:".len() + CHARACTERS);
            assert_eq!(text.parse(), Ok(id));
            assert_eq!(text.to_lowercase().parse(), Ok(id));
        }
    }

    #[test]
    fn what_is_none_is_refused_in_words() {
        for text in [
            "",
            "QM3BAR",
            "QM3BAR:",
            "QM3BAR:123",
            "QM3BAR-1:0000000000000",
            "QM3BAR:G000000000000",
            "QM3BAR:000000000000U",
            "QM3BAR:00000000000000",
        ] {
            assert!(text.parse::<MessageId>().is_err(), "{text}");
        }
    }
}
