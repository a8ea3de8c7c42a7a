//! What a visitor may ask before it names a station: plain words, upper or lower case.

use dunlin_ax25::CallSign;

/// Questions of one visitor, at most.
pub(super) const MOST_QUESTIONS: u32 = 10;

/// Something that the station knows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Question {
    /// Who is heard direct.
    Heard,
    /// The best way to a station.
    Way(CallSign),
}

/// A line that names no station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Asked {
    Question(Question),
    Help,
    End,
}

impl Asked {
    /// Reads a line in upper case; `None` if it is none of these.
    pub(super) fn read(line: &str) -> Option<Asked> {
        let mut words = line.split_whitespace();
        let asked = match (words.next()?, words.next()) {
            ("HELP", None) => Asked::Help,
            ("END", None) => Asked::End,
            ("HEARD", None) => Asked::Question(Question::Heard),
            ("WAY", Some(call)) => Asked::Question(Question::Way(call.parse().ok()?)),
            _ => return None,
        };
        words.next().is_none().then_some(asked)
    }
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
        for line in [
            "",
            "QX0RLF",
            "HEARD QX0RLF",
            "WAY",
            "WAY NOBODY-99",
            "WAY QX0RLF NOW",
        ] {
            assert_eq!(Asked::read(line), None, "{line}");
        }
    }
}
