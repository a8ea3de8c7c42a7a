//! Call signs as people write them.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use thiserror::Error;

/// Longest call sign without SSID, in characters (§3.12.2).
const MAX_CHARACTERS: usize = 6;
/// Highest SSID; it has four bits (§3.12.2).
const MAX_SSID: u8 = 15;

/// A call sign of 1 to 6 characters A-Z and 0-9 with an SSID of 0 to 15 (§3.12.2).
///
/// Written `QA1SKY-7`; an SSID of 0 is not written. Reading accepts lower-case letters and
/// makes them upper case. Sorted by characters, then by SSID.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct CallSign {
    /// ASCII, padded right with spaces.
    characters: [u8; MAX_CHARACTERS],
    ssid: u8,
}

/// Why a text is no call sign. Each is the fault of whoever wrote the text.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum CallSignError {
    /// Nothing before the SSID.
    #[error("a call sign needs at least one letter or digit")]
    Empty,
    /// More than six characters before the SSID.
    #[error("a call sign has at most six characters before the SSID, this one has {0}")]
    TooLong(usize),
    /// Something other than A-Z or 0-9.
    #[error("a call sign has only letters A-Z and digits, not {0:?}")]
    Character(char),
    /// What follows the hyphen is no number from 0 to 15.
    #[error("the SSID after the hyphen must be a number from 0 to 15")]
    Ssid,
}

impl CallSign {
    /// A call sign from its characters (without SSID) and its SSID.
    ///
    /// # Errors
    /// [`CallSignError`] if a character is not A-Z, a-z or 0-9, if there are none or more than
    /// six, or if the SSID is above 15.
    pub fn new(text: &str, ssid: u8) -> Result<Self, CallSignError> {
        if let Some(wrong) = text.chars().find(|c| !c.is_ascii_alphanumeric()) {
            return Err(CallSignError::Character(wrong));
        }
        if text.is_empty() {
            return Err(CallSignError::Empty);
        }
        if text.len() > MAX_CHARACTERS {
            return Err(CallSignError::TooLong(text.len()));
        }
        if ssid > MAX_SSID {
            return Err(CallSignError::Ssid);
        }
        let mut characters = [b' '; MAX_CHARACTERS];
        for (to, from) in characters.iter_mut().zip(text.bytes()) {
            *to = from.to_ascii_uppercase();
        }
        Ok(CallSign { characters, ssid })
    }

    /// The characters without SSID, e.g. `QA1SKY`.
    pub fn characters(&self) -> &str {
        // Both constructors let in nothing but ASCII, so the fallback is never taken.
        std::str::from_utf8(&self.characters)
            .unwrap_or_default()
            .trim_end()
    }

    /// The SSID, 0 to 15.
    pub fn ssid(&self) -> u8 {
        self.ssid
    }

    /// The same station's call sign with another SSID, or `None` above 15.
    pub fn with_ssid(self, ssid: u8) -> Option<Self> {
        (ssid <= MAX_SSID).then_some(CallSign { ssid, ..self })
    }

    /// The six characters as the address field holds them, before shifting.
    pub(super) fn padded(&self) -> [u8; MAX_CHARACTERS] {
        self.characters
    }

    /// From an address field's characters; `None` unless they are one proper call sign
    /// padded right with spaces.
    pub(super) fn from_padded(characters: [u8; MAX_CHARACTERS], ssid: u8) -> Option<Self> {
        let length = characters
            .iter()
            .position(|&c| c == b' ')
            .unwrap_or(MAX_CHARACTERS);
        let (name, padding) = characters.split_at(length);
        let proper = length > 0
            && name
                .iter()
                .all(|c| c.is_ascii_uppercase() || c.is_ascii_digit())
            && padding.iter().all(|&c| c == b' ')
            && ssid <= MAX_SSID;
        proper.then_some(CallSign { characters, ssid })
    }
}

impl FromStr for CallSign {
    type Err = CallSignError;

    fn from_str(text: &str) -> Result<Self, CallSignError> {
        let Some((name, ssid)) = text.split_once('-') else {
            return CallSign::new(text, 0);
        };
        let is_number = (1..=2).contains(&ssid.len()) && ssid.bytes().all(|b| b.is_ascii_digit());
        // The name is looked at first: its mistakes come first in the text.
        let bare = CallSign::new(name, 0)?;
        let ssid = ssid.parse().ok().filter(|_| is_number);
        ssid.and_then(|ssid| bare.with_ssid(ssid))
            .ok_or(CallSignError::Ssid)
    }
}

impl fmt::Display for CallSign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.ssid == 0 {
            f.pad(self.characters())
        } else {
            f.pad(&format!("{}-{}", self.characters(), self.ssid))
        }
    }
}

impl fmt::Debug for CallSign {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

impl Serialize for CallSign {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for CallSign {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(text: &str) -> Result<String, CallSignError> {
        text.parse::<CallSign>().map(|c| c.to_string())
    }

    #[test]
    fn good_texts_are_read_and_written_in_one_way() {
        assert_eq!(parsed("QA1SKY-7").as_deref(), Ok("QA1SKY-7"));
        assert_eq!(parsed("qm3bar").as_deref(), Ok("QM3BAR"));
        assert_eq!(parsed("QA1SKY-0").as_deref(), Ok("QA1SKY"));
        assert_eq!(parsed("Q-15").as_deref(), Ok("Q-15"));
    }

    #[test]
    fn bad_texts_say_what_is_wrong() {
        assert_eq!(parsed(""), Err(CallSignError::Empty));
        assert_eq!(parsed("-3"), Err(CallSignError::Empty));
        assert_eq!(parsed("QA1SKYE"), Err(CallSignError::TooLong(7)));
        assert_eq!(parsed("QA1 KY"), Err(CallSignError::Character(' ')));
        assert_eq!(parsed("QÄ1SKY"), Err(CallSignError::Character('Ä')));
        for text in [
            "QA1SKY-",
            "QA1SKY-16",
            "QA1SKY-+7",
            "QA1SKY-007",
            "QA1SKY-7-7",
        ] {
            assert_eq!(parsed(text), Err(CallSignError::Ssid), "{text}");
        }
    }

    #[test]
    fn order_is_by_characters_then_ssid() {
        let mut calls: Vec<CallSign> = ["QB1A", "QA1SKY-10", "QA1SKY-2", "QA1"]
            .map(|t| t.parse().expect("call sign"))
            .to_vec();
        calls.sort();
        let texts: Vec<String> = calls.iter().map(CallSign::to_string).collect();
        assert_eq!(texts, ["QA1", "QA1SKY-2", "QA1SKY-10", "QB1A"]);
    }

    #[test]
    fn a_configuration_holds_a_call_sign_as_text() {
        use serde::de::IntoDeserializer;
        use serde::de::value::{Error, StrDeserializer};

        let read = |text: &'static str| {
            let text: StrDeserializer<'_, Error> = text.into_deserializer();
            CallSign::deserialize(text).map_err(|e| e.to_string())
        };
        assert_eq!(read("QA1SKY-7"), Ok("QA1SKY-7".parse().expect("call sign")));
        let wrong = "the SSID after the hyphen must be a number from 0 to 15";
        assert_eq!(read("QA1SKY-77"), Err(wrong.to_owned()));
    }
}
