//! The line by which a file is offered to somebody who may not speak the protocol, and what is read in
//! the lines that come back.

use std::time::Duration;

use dunlin_ax25::CallSign;

use super::head::Head;

/// The version of docs/files.md.
pub(super) const VERSION: u8 = 1;
/// A longer line is not looked at. The longest that an offer makes is below 300 octets.
const LONGEST: usize = 512;

/// The first octets of a file's hash, by which a line and the hello that answers it know each other.
pub(super) type Token = [u8; 4];

pub(super) fn token(head: &Head) -> Token {
    let hash = head.hash();
    [hash[0], hash[1], hash[2], hash[3]]
}

/// The line that offers a file: readable to everybody, and with a tag at its end for those who speak the protocol.
pub(super) fn offer(own: CallSign, head: &Head, airtime: Duration) -> String {
    let [a, b, c, d] = token(head);
    let (name, size) = (head.name(), head.size());
    let time = span(airtime);
    format!(
        "{own} offers the file {name}, {size} octets, about {time} on the air here; answer \"no\" to refuse it, or \
         just go on. [files {VERSION} {a:02x}{b:02x}{c:02x}{d:02x}]"
    )
}

/// The line that takes such an offer back.
pub(super) fn no_longer(own: CallSign, head: &Head) -> String {
    format!("{own} no longer offers the file {}.", head.name())
}

/// A time on the air as people say it, rather a little too long: `7 min`.
pub fn span(time: Duration) -> String {
    let seconds = time
        .as_secs()
        .saturating_add(u64::from(time.subsec_nanos() > 0));
    let minutes = seconds.div_ceil(60);
    match seconds {
        0..60 => format!("{} s", seconds.max(1)),
        60..=3600 => format!("{minutes} min"),
        _ => format!("{} h {} min", minutes / 60, minutes % 60),
    }
}

/// What a line says that matters here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Heard {
    /// Whoever wrote it speaks the protocol, and offers something.
    Tag(Token),
    /// It refuses what was offered by a line.
    No,
}

/// Puts lines together from text that comes in pieces.
#[derive(Debug, Default)]
pub(super) struct Lines {
    line: Vec<u8>,
    too_long: bool,
}

impl Lines {
    /// Takes text that has at most one end of a line, as its last octet.
    pub(super) fn feed(&mut self, text: &[u8]) -> Option<Heard> {
        let ends = text.ends_with(b"\r") || text.ends_with(b"\n");
        let text = &text[..text.len() - usize::from(ends)];
        self.too_long |= self.line.len() + text.len() > LONGEST;
        match self.too_long {
            true => self.line.clear(),
            false => self.line.extend(text),
        }
        if !ends {
            return None;
        }
        let line = std::mem::take(self);
        std::str::from_utf8(&line.line).ok().and_then(heard)
    }
}

fn heard(line: &str) -> Option<Heard> {
    let line = line.trim();
    if ["no", "no file"].contains(&line.trim_end_matches(['.', '!']).to_lowercase().as_str()) {
        return Some(Heard::No);
    }
    let (_, tag) = line.rsplit_once(" [files ")?;
    let (version, digits) = tag.strip_suffix(']')?.split_once(' ')?;
    version.parse::<u8>().ok().filter(|&version| version > 0)?;
    let lower = |c: u8| c.is_ascii_digit() || (b'a'..=b'f').contains(&c);
    if digits.len() != 8 || !digits.bytes().all(lower) {
        return None;
    }
    let token = u32::from_str_radix(digits, 16).ok()?;
    Some(Heard::Tag(token.to_be_bytes()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tag_of_the_line_is_read_again() {
        let hash = [0x3f; 32];
        let head = Head::new("map.png", None, 10_000, hash).expect("a head");
        let own = "QA1SKY-7".parse().expect("a call sign");
        let line = offer(own, &head, Duration::from_millis(400_500));
        let expected = "QA1SKY-7 offers the file map.png, 10000 octets, about 7 min on the air here; answer \"no\" \
                        to refuse it, or just go on. [files 1 3f3f3f3f]";
        assert_eq!(line, expected);
        assert_eq!(heard(&line), Some(Heard::Tag([0x3f; 4])));
        let mut lines = Lines::default();
        let (last, first) = line.as_bytes().split_last().expect("a line");
        assert!(first.iter().all(|&octet| lines.feed(&[octet]).is_none()));
        assert_eq!(lines.feed(&[*last, b'\r']), Some(Heard::Tag([0x3f; 4])));
    }

    #[test]
    fn the_longest_line_is_looked_at() {
        let head = Head::new(&"a".repeat(64), None, 1 << 40, [0; 32]).expect("a head");
        let own = "QA1SKY-15".parse().expect("a call sign");
        assert!(offer(own, &head, Duration::MAX).len() < 300);
    }

    #[test]
    fn only_the_words_and_the_tag_themselves_count() {
        for line in ["no", "NO.", " No file! "] {
            assert_eq!(heard(line), Some(Heard::No), "{line}");
        }
        for line in [
            "",
            "no way",
            "nope",
            "I say no",
            "[files 1 3f3f3f3f]",
            "x [files 0 3f3f3f3f]",
            "x [files 1 3F3F3F3F]",
            "x [files 1 3f3f3f3]",
            "x [files 1 3f3f3f3f] x",
            "x [files 3f3f3f3f]",
            "x [files 1 é3f3f3f]",
        ] {
            assert_eq!(heard(line), None, "{line}");
        }
        let mut lines = Lines::default();
        assert_eq!(lines.feed(&[b'x'; 600]), None);
        assert_eq!(lines.feed(b" [files 1 3f3f3f3f]\r"), None);
        assert_eq!(lines.feed(b"no\r"), Some(Heard::No));
    }

    #[test]
    fn times_are_said_as_people_do() {
        let said = |s| span(Duration::from_secs(s));
        assert_eq!(
            [said(0), said(59), said(61), said(3600), said(7201)],
            ["1 s", "59 s", "2 min", "60 min", "2 h 1 min"]
        );
    }
}
