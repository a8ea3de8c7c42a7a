//! A name that is looked for in texts: whole words, whatever their case.

use dunlin_ax25::CallSign;

/// A name of one word or several.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Name {
    /// In small letters.
    small: String,
}

impl Name {
    /// Shortest and longest name, in characters.
    pub const LENGTH: std::ops::RangeInclusive<usize> = 2..=100;

    /// A name to look for; `None` if it is too short, too long, or has no letter or digit at its
    /// ends.
    pub fn new(text: &str) -> Option<Name> {
        let small = text.trim().to_lowercase();
        let at_an_end = |c: Option<char>| c.is_some_and(char::is_alphanumeric);
        let words = at_an_end(small.chars().next()) && at_an_end(small.chars().last());
        (words && Name::LENGTH.contains(&small.chars().count())).then_some(Name { small })
    }

    /// The name as a call sign without SSID, if it is one.
    pub(crate) fn call_sign(&self) -> Option<String> {
        let call: CallSign = self.small.parse().ok()?;
        Some(call.with_ssid(0)?.to_string())
    }

    /// Characters of the name.
    pub(crate) fn length(&self) -> usize {
        self.small.chars().count()
    }

    /// Octets of the name in UTF-8.
    pub(crate) fn octets(&self) -> usize {
        self.small.len()
    }

    /// Whether a text holds the name as whole words.
    pub fn is_in(&self, text: &str) -> bool {
        let text = text.to_lowercase();
        let outside = |c: Option<char>| !c.is_some_and(char::is_alphanumeric);
        let mut found = text.match_indices(&self.small);
        found.any(|(at, name)| {
            outside(text[..at].chars().last()) && outside(text[at + name.len()..].chars().next())
        })
    }

    /// Whether octets hold the name, be they UTF-8 or ISO 8859-1.
    pub(crate) fn is_in_octets(&self, octets: &[u8]) -> bool {
        if self.is_in(&String::from_utf8_lossy(octets)) {
            return true;
        }
        !octets.is_ascii() && self.is_in(&latin(octets))
    }

    /// Whether the letters of the name stand anywhere in octets, also within other words.
    pub(crate) fn letters_are_in(&self, octets: &[u8]) -> bool {
        let name = self.small.as_bytes();
        let Some(first) = name.first() else {
            return false;
        };
        let same = |o: &[u8]| o.eq_ignore_ascii_case(name);
        let mut windows = octets.windows(name.len());
        windows.any(|window| window[0].eq_ignore_ascii_case(first) && same(window))
    }
}

/// Octets as ISO 8859-1 has them.
pub(crate) fn latin(octets: &[u8]) -> String {
    octets.iter().map(|octet| char::from(*octet)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_found_as_whole_words_only() {
        let name = Name::new(" Marta Voss ").expect("a name");
        for text in [
            "Marta Voss",
            "is MARTA VOSS in?",
            "(marta voss)",
            "x: Marta Voss.",
        ] {
            assert!(name.is_in(text), "{text}");
        }
        for text in ["Marta", "Marta Vossen", "Smarta Voss", "Marta  Voss", ""] {
            assert!(!name.is_in(text), "{text}");
        }
        let name = Name::new("J\u{F6}rg").expect("a name");
        assert!(name.is_in("J\u{D6}RG!"));
        assert!(name.is_in_octets(b"hello J\xF6rg, 73"), "ISO 8859-1");
        assert!(name.is_in_octets("hello J\u{F6}rg".as_bytes()), "UTF-8");
        assert!(!name.is_in_octets(b"hello J\xF6rgen"));
        assert!(
            Name::new("Ann")
                .expect("a name")
                .letters_are_in(b"\x00aNNual")
        );
    }

    #[test]
    fn what_is_no_name_is_refused() {
        for text in ["", "a", " a ", "--", "'Ann'", &"a".repeat(101)] {
            assert_eq!(Name::new(text), None, "{text}");
        }
    }
}
