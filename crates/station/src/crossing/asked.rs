//! What a visitor may ask before it names a station: plain words, upper or lower case.

use dunlin_ax25::CallSign;
use dunlin_mail::Address;

/// Questions of one visitor, at most.
pub(super) const MOST_QUESTIONS: u32 = 10;
/// As much at the node, where mail is read: all together in one visit.
pub(super) const MOST_AT_NODE: u32 = 60;

/// Something that the station knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Question {
    /// Who is heard direct.
    Heard,
    /// The best way to a station.
    Way(CallSign),
}

/// What a line asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Asked {
    /// Go on to a station, on the port of this name or on any.
    Go {
        to: CallSign,
        by: Option<String>,
    },
    Question(Question),
    /// Mail for the visitor that was not read.
    Mail,
    /// All mail for the visitor.
    AllMail,
    /// What the visitor wrote, and what is still here of it.
    OwnMail,
    /// Bulletins, of one topic or all.
    Bulletins(Option<String>),
    /// Read a message by its number in the list.
    Read(usize),
    /// Delete it.
    Delete(usize),
    /// Write to somebody.
    Write(Address),
    /// Give in a radiogram for the station that is to deliver it.
    Radiogram(Address),
    /// The radiogram of this number in the list has reached its addressee.
    Delivered(usize),
    /// It cannot be delivered, for this reason; it may be empty.
    NotDelivered(usize, String),
    /// Write a bulletin.
    Publish {
        topic: String,
        area: String,
    },
    /// A short message on one line.
    Word(Address, String),
    /// Lives are at stake.
    Emergency,
    Help,
    End,
}

impl Asked {
    /// Reads a line, whatever its case; `None` if it is none of these. A call sign alone is called.
    pub(super) fn read(line: &str) -> Option<Asked> {
        if let Some(asked) = word_for_somebody(line).or_else(|| not_delivered(line)) {
            return Some(asked);
        }
        let upper = line.to_uppercase();
        let words: Vec<&str> = upper.split_whitespace().take(5).collect();
        let asked = match words[..] {
            ["HELP"] => Asked::Help,
            ["END"] => Asked::End,
            ["MAIL"] => Asked::Mail,
            ["MAIL", "ALL"] => Asked::AllMail,
            ["MAIL", "MINE"] => Asked::OwnMail,
            ["BULLETINS"] => Asked::Bulletins(None),
            ["BULLETINS", topic] => Asked::Bulletins(Some(topic.to_owned())),
            ["READ", number] => Asked::Read(number.parse().ok()?),
            ["DELETE", number] => Asked::Delete(number.parse().ok()?),
            ["WRITE", to] => Asked::Write(to.parse().ok()?),
            ["WRITE", to, "AT", home] => Asked::Write(at(to, home)?),
            ["RADIOGRAM", to] => Asked::Radiogram(to.parse().ok()?),
            ["RADIOGRAM", to, "AT", home] => Asked::Radiogram(at(to, home)?),
            ["DELIVERED", number] => Asked::Delivered(number.parse().ok()?),
            ["PUBLISH", topic, "IN", area] => Asked::Publish {
                topic: topic.to_owned(),
                area: area.to_owned(),
            },
            ["HEARD"] => Asked::Question(Question::Heard),
            ["EMERGENCY"] => Asked::Emergency,
            ["WAY", call] => Asked::Question(Question::Way(call.parse().ok()?)),
            [
                "GO" | "WAY" | "READ" | "DELETE" | "WRITE" | "PUBLISH" | "WORD" | "RADIOGRAM"
                | "NOT" | "DELIVERED",
            ] => return None,
            // A word is no call sign, and neither is a figure; who wants one called all the same says GO.
            [call] if !has_letter_and_figure(call) => return None,
            [call] | ["GO", call] => Asked::Go {
                to: call.parse().ok()?,
                by: None,
            },
            ["GO", call, "ON", by] => Asked::Go {
                to: call.parse().ok()?,
                by: Some(by.to_owned()),
            },
            _ => return None,
        };
        Some(asked)
    }
}

fn has_letter_and_figure(call: &str) -> bool {
    let call = call.split('-').next().unwrap_or_default();
    let has = |is: fn(&u8) -> bool| call.bytes().any(|b| is(&b));
    has(u8::is_ascii_digit) && has(u8::is_ascii_alphabetic)
}

fn at(to: &str, home: &str) -> Option<Address> {
    format!("{to} at {home}").parse().ok()
}

/// `not delivered 2 phone not answered`.
fn not_delivered(line: &str) -> Option<Asked> {
    let mut words = line.split_whitespace();
    for wanted in ["not", "delivered"] {
        words
            .next()
            .filter(|word| word.eq_ignore_ascii_case(wanted))?;
    }
    let number = words.next()?.parse().ok()?;
    let why: Vec<&str> = words.collect();
    Some(Asked::NotDelivered(number, why.join(" ")))
}

/// `word QX0RLF The ferry is late.`: the text keeps its case.
fn word_for_somebody(line: &str) -> Option<Asked> {
    let rest = line
        .trim_start()
        .get(..5)
        .filter(|w| w.eq_ignore_ascii_case("word "))?;
    let rest = &line.trim_start()[rest.len()..];
    let (to, text) = rest.trim_start().split_once(' ')?;
    let text = text.trim();
    (!text.is_empty()).then_some(Asked::Word(to.parse().ok()?, text.to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_told_from_call_signs() {
        let way = Question::Way("QX0RLF-7".parse().expect("a call sign"));
        assert_eq!(Asked::read("WAY QX0RLF-7"), Some(Asked::Question(way)));
        assert_eq!(Asked::read("HEARD"), Some(Asked::Question(Question::Heard)));
        assert_eq!(Asked::read("HELP"), Some(Asked::Help));
        assert_eq!(Asked::read("END"), Some(Asked::End));
        let go = |line: &str| match Asked::read(line) {
            Some(Asked::Go { to, by }) => Some((to.to_string(), by)),
            _ => None,
        };
        assert_eq!(go("QX0RLF"), Some(("QX0RLF".into(), None)));
        assert_eq!(go("GO QX0RLF-2"), Some(("QX0RLF-2".into(), None)));
        let by_port = Some(("QX0RLF".into(), Some("HF".into())));
        assert_eq!(go("GO QX0RLF ON HF"), by_port);
        let word = Asked::Word("QX0RLF".parse().expect("an address"), "Late.".into());
        assert_eq!(Asked::read("Word qx0rlf Late. "), Some(word));
        assert_eq!(Asked::read("read 2"), Some(Asked::Read(2)));
        assert_eq!(Asked::read("mail mine"), Some(Asked::OwnMail));
        let to = "QX5BOB at QX0RLF".parse().expect("an address");
        let given_in = Asked::read("radiogram qx5bob at qx0rlf");
        assert_eq!(given_in, Some(Asked::Radiogram(to)));
        assert_eq!(Asked::read("delivered 2"), Some(Asked::Delivered(2)));
        let not = |line: &str, why: &str| {
            let expected = Asked::NotDelivered(2, why.into());
            assert_eq!(Asked::read(line), Some(expected), "{line}");
        };
        not("NOT delivered 2 Phone not  answered", "Phone not answered");
        not("not delivered 2", "");
        for line in [
            "",
            "WORD QX0RLF",
            "READ TWO",
            "GO",
            "GO QX0RLF ON",
            "GO QX0RLF BY HF",
            "GO QX0RLF ON HF NOW",
            "HEARD QX0RLF",
            "WAY",
            "WAY NOBODY-99",
            "WAY QX0RLF NOW",
            "BT",
            "12",
            "DELIVERED",
            "NOT DELIVERED",
            "NOT DELIVERED PHONE",
            "NOT 2",
            "RADIOGRAM",
            "RADIOGRAM NOBODY-99",
        ] {
            assert_eq!(Asked::read(line), None, "{line}");
        }
    }
}
