//! To whom a message goes.

use std::fmt;
use std::str::FromStr;

use dunlin_ax25::CallSign;
use thiserror::Error;

use crate::text::as_text;

/// A person by call sign, and the station that keeps the person's mail, if it is known. Written as
/// `QM3BAR` or `QM3BAR at QX0RLF`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Address {
    /// The person; the SSID is 0.
    pub call: CallSign,
    /// The station that keeps the mail; the SSID is 0. `None` = not known, the stations on the way
    /// look it up.
    pub home: Option<CallSign>,
}

/// Why a text is no address.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum AddressError {
    /// One of the call signs is none.
    #[error("{0:?} is no call sign: wanted is QM3BAR, or QM3BAR at QX0RLF for who keeps the mail")]
    NoCallSign(String),
    /// A call sign has an SSID.
    #[error("an address has no SSID: {0} is a station's port, not a person")]
    Ssid(CallSign),
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Self, AddressError> {
        let call = |word: &str| {
            let short = || word.chars().take(20).collect();
            let call: CallSign = word
                .parse()
                .map_err(|_| AddressError::NoCallSign(short()))?;
            match call.ssid() {
                0 => Ok(call),
                _ => Err(AddressError::Ssid(call)),
            }
        };
        let words: Vec<&str> = text.split_whitespace().take(4).collect();
        match words[..] {
            [person] => Ok(Address {
                call: call(person)?,
                home: None,
            }),
            [person, at, home] if at.eq_ignore_ascii_case("at") => Ok(Address {
                call: call(person)?,
                home: Some(call(home)?),
            }),
            _ => Err(AddressError::NoCallSign(text.chars().take(20).collect())),
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.home {
            Some(home) => write!(f, "{} at {home}", self.call),
            None => write!(f, "{}", self.call),
        }
    }
}

as_text!(Address);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_reads_as_it_is_written() {
        for text in ["QM3BAR", "QM3BAR at QX0RLF"] {
            let address: Address = text.parse().expect("an address");
            assert_eq!(address.to_string(), text);
        }
        assert_eq!(
            " qm3bar  AT qx0rlf "
                .parse::<Address>()
                .map(|a| a.to_string()),
            Ok("QM3BAR at QX0RLF".to_owned())
        );
    }

    #[test]
    fn what_is_none_is_refused_in_words() {
        for text in ["", "QM3BAR at", "QM3BAR QX0RLF", "QM3BAR-1", "a b c d e"] {
            let wrong = text.parse::<Address>().expect_err(text);
            assert!(!wrong.to_string().is_empty());
        }
    }
}
