//! What can be wrong with a radiogram, where, and what to do.

use std::fmt;

use dunlin_ax25::CallSign;
use thiserror::Error;

use super::words::{MOST_GROUP, MOST_GROUPS, MOST_LINE};
use super::{MOST_ADDRESS, MOST_FORM, MOST_NUMBER};

/// What is wrong, and what to do. Each is the fault of whoever wrote the radiogram.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum Fault {
    /// No character of the trade.
    #[error("{0:?} is no character of a radiogram: {advice}", advice = advice(*.0))]
    Character(char),
    /// A hyphen elsewhere than between figures.
    #[error(
        "in {0} a hyphen stands elsewhere than between figures (555-0142): write it as one word, or as two"
    )]
    Hyphen(String),
    /// A slash without something on both sides.
    #[error("in {0} a slash must have a letter or a figure on both sides")]
    Slash(String),
    /// The break sign inside a part.
    #[error("BT parts address, text and signature and can stand nowhere else: write another word")]
    Break,
    /// A group is too long.
    #[error("a group has {0} characters, at most {MOST_GROUP} are taken: is a space missing?")]
    LongGroup(usize),
    /// A line is too long.
    #[error("the line has {0} characters, at most {MOST_LINE} are taken: shorten it")]
    LongLine(usize),
    /// The text is too long.
    #[error(
        "the text has {0} groups, at most {MOST_GROUPS} are taken and about 25 recommended: shorten it, or write two"
    )]
    ManyGroups(usize),
    /// An empty part.
    #[error("nothing stands here: write at least one group")]
    Nothing,
    /// Not a number.
    #[error("{0} is no number of a radiogram: wanted is 1 to {MOST_NUMBER}")]
    Number(String),
    /// Not a precedence.
    #[error("{0} is no precedence: wanted is EMERGENCY (always spelled out), P, W or R")]
    Precedence(String),
    /// Not a handling instruction.
    #[error(
        "{0} is no handling instruction: wanted is HXA or HXA50 (miles), HXB24 (hours), HXC, HXD, HXE, HXF15 (day of the month) or HXG"
    )]
    Handling(String),
    /// The same handling instruction twice.
    #[error("{0} stands twice: leave one out")]
    HandlingTwice(String),
    /// Not a call sign without SSID.
    #[error("{0} is no call sign: wanted is the station of origin, such as QA1SKY")]
    Origin(String),
    /// A call sign with an SSID.
    #[error("{0} has an SSID: the station of origin is named by its call sign alone")]
    Ssid(CallSign),
    /// Not a check.
    #[error("{0} is no check: wanted is a count of groups such as 9, ARL 5, or corrected 5/7")]
    Check(String),
    /// The place of origin is missing.
    #[error("the place of origin is missing: it stands between the check and the time or date")]
    NoPlace,
    /// The place of origin ends like a time.
    #[error("the place of origin ends with {0}, which reads as the time filed: write it otherwise")]
    PlaceLikeTime(String),
    /// Not a time.
    #[error("{0} is no time filed: wanted is 1830Z (UTC), or another letter of a time zone")]
    Filed(String),
    /// Not a date.
    #[error("{0} is no date: wanted is a month and a day, such as NOV 29")]
    Date(String),
    /// No address or too many lines of it.
    #[error("the address has {0} lines: wanted are 1 to {MOST_ADDRESS} and one address only")]
    Address(usize),
    /// A line of the address that reads as the phone number.
    #[error(
        "{0} reads as the phone number: write the number as the phone, or put a word before it"
    )]
    LikePhone(String),
    /// Not a phone number.
    #[error("{0} is no phone number: wanted are at most 20 figures, such as 555 0142")]
    Phone(String),
    /// The end sign alone in a line of address or signature.
    #[error("AR alone in a line ends a radiogram: write more in the line, or another word")]
    End,
    /// The radiogram stops too early.
    #[error("the radiogram ends here, wanted is {0}")]
    Ended(&'static str),
    /// Something stands where another part is wanted.
    #[error("wanted here is {0}")]
    Wanted(&'static str),
    /// Something after the end.
    #[error("more stands after the end (AR): a message holds one radiogram and nothing else")]
    Extra,
    /// The whole is too long.
    #[error(
        "the form has {0} octets, at most {MOST_FORM} are taken: a message holds one radiogram"
    )]
    LongForm(usize),
    /// Filed urgent without a time.
    #[error("EMERGENCY and P need the time filed: write it, such as 1830Z")]
    TimeNeeded,
    /// The station of origin counted wrongly.
    #[error("the check says {stated}, but the text counts {counted}: write {counted}")]
    Miscounted {
        /// What the check says.
        stated: String,
        /// What the text counts.
        counted: String,
    },
}

/// What to write in place of a character that cannot be sent.
fn advice(character: char) -> &'static str {
    match character {
        '.' => {
            "write X to part sentences, R between figures (146R52), DOT in an address of the net"
        }
        '?' => "write QUERY",
        ',' | ';' | ':' | '!' => "write X to part sentences, or leave it out",
        '@' => "write ATSIGN",
        '\'' | '"' | '’' => "leave it out",
        '&' | '+' => "write AND",
        '#' => "write NUMBER",
        '$' | '£' | '€' => "write the currency as a word",
        '%' => "write PERCENT",
        '\n' => "write one line",
        _ => "write it with A to Z, 0 to 9, / and, between figures, -",
    }
}

/// What is wrong, and where in the input.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("line {line}, column {column}: {fault}")]
pub struct Located {
    /// The line, from 1.
    pub line: usize,
    /// The character in the line, from 1.
    pub column: usize,
    /// What is wrong.
    pub fault: Fault,
}

impl Located {
    pub(super) fn at_line(line: usize, fault: Fault) -> Located {
        Located {
            line,
            column: 1,
            fault,
        }
    }
}

/// A part of a radiogram, in the order of the form.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// The number.
    Number,
    /// The handling instructions.
    Handling,
    /// The station of origin.
    Origin,
    /// The check.
    Check,
    /// The place of origin.
    Place,
    /// The time filed.
    Filed,
    /// The address; the line is counted from 1, and 0 is the whole.
    Address(usize),
    /// The signature.
    Signature,
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Part::Number => "number",
            Part::Handling => "handling instructions",
            Part::Origin => "station of origin",
            Part::Check => "check",
            Part::Place => "place of origin",
            Part::Filed => "time filed",
            Part::Address(0) => "address",
            Part::Address(line) => return write!(f, "address, line {line}"),
            Part::Signature => "signature",
        })
    }
}

/// What is wrong, and in which part of the form.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("{part}: {fault}")]
pub struct Unfit {
    /// The part.
    pub part: Part,
    /// What is wrong.
    pub fault: Fault,
}
