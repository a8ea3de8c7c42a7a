//! What is said of a file before any of it is sent.

use sha2::{Digest, Sha256};

/// Octets of a SHA-256.
pub const HASH_OCTETS: usize = 32;
/// Octets of a file's name, at most.
pub const MOST_NAME: usize = 64;
/// Octets of the kind of media, at most.
pub const MOST_MEDIA: usize = 40;
/// Octets of a file, at most, whatever the limits: more would take weeks on the air.
pub(super) const MOST_SIZE: u64 = 1 << 40;

/// Names that some systems take for a device, whatever follows after a dot. Common knowledge, no source.
const DEVICES: [&str; 7] = ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$", "CLOCK$"];
/// These too, with one digit behind.
const NUMBERED: [&str; 2] = ["COM", "LPT"];

/// Name, size, hash and kind of a file, checked: the name is safe to store under in one folder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Head {
    name: String,
    media: Option<String>,
    size: u64,
    hash: [u8; HASH_OCTETS],
}

/// What is wrong with a head.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum HeadError {
    /// There is nothing in it.
    #[error("the file is empty")]
    Empty,
    /// It has more than 2^40 octets.
    #[error("the file has more than 2^40 octets")]
    Size,
    /// The name is too long or empty.
    #[error("the name must have 1 to {MOST_NAME} octets")]
    NameLength,
    /// The name has a character that separates folders, steers a terminal, turns the direction of writing, or
    /// means something to a system.
    #[error("the name must not have the character U+{:04X}", u32::from(*.0))]
    NameCharacter(char),
    /// The name begins with a dot or space, or ends with one.
    #[error("the name must not begin or end with a dot or space")]
    NameEdge,
    /// The name is that of a device on some systems.
    #[error("the name means a device on some systems")]
    NameDevice,
    /// The kind of media is not two words of letters, digits, `+`, `-`, `.` with a `/` between.
    #[error("the kind of media must look like image/png and have at most {MOST_MEDIA} octets")]
    Media,
}

impl Head {
    /// Checks what is to be said of a file of `size` octets (1 to 2^40) with this SHA-256.
    pub fn new(
        name: &str,
        media: Option<&str>,
        size: u64,
        hash: [u8; HASH_OCTETS],
    ) -> Result<Head, HeadError> {
        check_name(name)?;
        match size {
            0 => return Err(HeadError::Empty),
            1..=MOST_SIZE => {}
            _ => return Err(HeadError::Size),
        }
        if media.is_some_and(|media| !is_media(media)) {
            return Err(HeadError::Media);
        }
        Ok(Head {
            name: name.to_owned(),
            media: media.map(str::to_owned),
            size,
            hash,
        })
    }

    /// The name, safe as the name of a file in one folder.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The kind of media, as `image/png`, if it was said.
    pub fn media(&self) -> Option<&str> {
        self.media.as_deref()
    }

    /// Octets of the file, 1 to 2^40.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The SHA-256 of the file.
    pub fn hash(&self) -> &[u8; HASH_OCTETS] {
        &self.hash
    }
}

/// The SHA-256 of a whole file.
pub fn hash_of(octets: &[u8]) -> [u8; HASH_OCTETS] {
    Sha256::digest(octets).into()
}

/// A SHA-256 in 64 hexadecimal digits, small letters.
pub fn hash_in_hex(hash: &[u8; HASH_OCTETS]) -> String {
    use std::fmt::Write as _;
    let mut digits = String::with_capacity(2 * HASH_OCTETS);
    for octet in hash {
        let _ = write!(digits, "{octet:02x}"); // Writing to a string cannot fail.
    }
    digits
}

/// Reads a SHA-256 of 64 hexadecimal digits, in capitals or not; `None` = it is none.
pub fn read_hash(text: &str) -> Option<[u8; HASH_OCTETS]> {
    if text.len() != 2 * HASH_OCTETS || !text.bytes().all(|c| c.is_ascii_hexdigit()) {
        return None;
    }
    let mut hash = [0; HASH_OCTETS];
    for (octet, digits) in hash.iter_mut().zip(text.as_bytes().chunks(2)) {
        *octet = u8::from_str_radix(std::str::from_utf8(digits).ok()?, 16).ok()?;
    }
    Some(hash)
}

fn check_name(name: &str) -> Result<(), HeadError> {
    if !(1..=MOST_NAME).contains(&name.len()) {
        return Err(HeadError::NameLength);
    }
    if let Some(bad) = name.chars().find(|&c| is_bad(c)) {
        return Err(HeadError::NameCharacter(bad));
    }
    let edge = |c: Option<char>| c.is_none_or(|c| c == '.' || c.is_whitespace());
    if edge(name.chars().next()) || edge(name.chars().next_back()) {
        return Err(HeadError::NameEdge);
    }
    let stem = name.split('.').next().unwrap_or_default();
    let stem = stem.trim_end().to_uppercase();
    let numbered = NUMBERED.iter().any(|device| {
        let digit = stem.strip_prefix(device).unwrap_or_default();
        let mut digits = digit.chars();
        let one = |c: char| c.is_ascii_digit() || matches!(c, '¹' | '²' | '³');
        digits.next().is_some_and(one) && digits.next().is_none()
    });
    match numbered || DEVICES.contains(&stem.as_str()) {
        true => Err(HeadError::NameDevice),
        false => Ok(()),
    }
}

/// Whether a character may not stand in a name: control characters, marks without width, marks that turn the direction of
/// writing or separate lines, and what separates folders or means something to a system.
fn is_bad(c: char) -> bool {
    let unseen = matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{61c}' | '\u{feff}');
    c.is_control() || unseen || "/\\:*?\"<>|".contains(c)
}

fn is_media(text: &str) -> bool {
    let word = |word: &str| {
        let fits = |c: u8| c.is_ascii_alphanumeric() || b"+-.".contains(&c);
        !word.is_empty() && word.bytes().all(fits)
    };
    let parts = text.split_once('/');
    text.len() <= MOST_MEDIA && parts.is_some_and(|(a, b)| word(a) && word(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wrong(name: &str) -> HeadError {
        Head::new(name, None, 1, [0; 32]).expect_err(name)
    }

    #[test]
    fn names_that_do_no_harm_pass() {
        for name in [
            "a",
            "map of Lee Cove.png",
            "Fähre.txt",
            "a..b",
            "con-tour.gpx",
            "com10",
            "com",
        ] {
            let head = Head::new(name, Some("image/svg+xml"), 1, [0; 32]);
            assert_eq!(head.expect(name).name(), name);
        }
    }

    #[test]
    fn names_that_could_do_harm_are_refused() {
        for name in ["", &"a".repeat(65)] {
            assert_eq!(wrong(name), HeadError::NameLength);
        }
        for name in [
            "../x",
            "a/b",
            "a\\b",
            "c:x",
            "a\rb",
            "a\0",
            "a\u{202e}b",
            "a\u{7f}",
            "a\u{85}b",
            "a?",
        ] {
            assert!(
                matches!(wrong(name), HeadError::NameCharacter(_)),
                "{name:?}"
            );
        }
        for name in [".", "..", ".profile", "a.", "a ", " a", "\u{a0}a"] {
            assert_eq!(wrong(name), HeadError::NameEdge);
        }
        for name in [
            "con",
            "NUL.txt",
            "Aux .c",
            "com1",
            "LPT9.tar.gz",
            "lpt²",
            "conin$",
        ] {
            assert_eq!(wrong(name), HeadError::NameDevice, "{name:?}");
        }
    }

    #[test]
    fn sizes_and_kinds_have_limits() {
        let head = |media, size| Head::new("a", media, size, [0; 32]);
        assert_eq!(head(None, 0), Err(HeadError::Empty));
        assert_eq!(head(None, MOST_SIZE + 1), Err(HeadError::Size));
        for media in [
            "image",
            "/png",
            "image/",
            "a/b/c",
            "a b/c",
            &"a/".repeat(21),
        ] {
            assert_eq!(head(Some(media), 1), Err(HeadError::Media), "{media}");
        }
    }

    #[test]
    fn a_hash_has_64_digits() {
        let digits = "0123456789abcdefABCDEF0123456789".repeat(2);
        assert_eq!(
            read_hash(&digits).map(|h| hash_in_hex(&h)),
            Some(digits.to_lowercase())
        );
        for wrong in [
            "",
            &digits[1..],
            &format!("{digits}0"),
            &digits.replace('a', "g"),
        ] {
            assert_eq!(read_hash(wrong), None, "{wrong}");
        }
    }
}
