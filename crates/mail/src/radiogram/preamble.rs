//! The parts of the preamble: precedence, handling instructions, time filed, date.

use std::fmt;
use std::str::FromStr;

use dunlin_clock::WallTime;

use super::fault::Fault;
use super::log::{day_of, hour_of};
use crate::Precedence;
use crate::text::as_text;

/// Miles and hours of a handling instruction, at most.
const MOST_AMOUNT: u16 = 999;

/// The sign of a precedence in the preamble: EMERGENCY is always spelled out (G1); that the others are
/// written with one letter is from memory.
pub(super) fn sign(precedence: Precedence) -> &'static str {
    match precedence {
        Precedence::Emergency => "EMERGENCY",
        Precedence::Priority => "P",
        Precedence::Welfare => "W",
        Precedence::Routine => "R",
    }
}

/// The word of a precedence, as it is printed and said.
pub(super) fn word(precedence: Precedence) -> &'static str {
    match precedence {
        Precedence::Emergency => "EMERGENCY",
        Precedence::Priority => "PRIORITY",
        Precedence::Welfare => "WELFARE",
        Precedence::Routine => "ROUTINE",
    }
}

/// The precedence of a sign or a word. A lone E is none: a letter is soon mistaken.
pub(super) fn precedence(group: &str) -> Result<Precedence, Fault> {
    let all = [
        Precedence::Routine,
        Precedence::Welfare,
        Precedence::Priority,
        Precedence::Emergency,
    ];
    all.into_iter()
        .find(|&p| group == sign(p) || group == word(p))
        .ok_or_else(|| Fault::Precedence(group.to_owned()))
}

/// A handling instruction. That there are seven, HXA (limit of a collect call) to HXG (no toll, cancel),
/// is of G4; the meaning of those between is from memory.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Handling {
    /// HXA: the addressee pays for a call, within so many miles (1 to 999); `None` = without limit.
    Collect(Option<u16>),
    /// HXB: cancel it when it is not delivered so many hours (1 to 999) after the time filed, and tell
    /// the station of origin.
    CancelAfter(u16),
    /// HXC: report date and time of delivery to the station of origin.
    ReportDelivery,
    /// HXD: each station reports to the station of origin from whom it came and to whom it went, when,
    /// and how it was delivered.
    ReportWay,
    /// HXE: get a reply from the addressee and send it back.
    GetReply,
    /// HXF: hold the delivery until this day of the month (1 to 31).
    HoldUntil(u8),
    /// HXG: no toll call and no cost; cancel it when that would be needed, and tell the station of
    /// origin.
    NoToll,
}

impl Handling {
    /// The letter after HX.
    pub fn letter(self) -> char {
        match self {
            Handling::Collect(_) => 'A',
            Handling::CancelAfter(_) => 'B',
            Handling::ReportDelivery => 'C',
            Handling::ReportWay => 'D',
            Handling::GetReply => 'E',
            Handling::HoldUntil(_) => 'F',
            Handling::NoToll => 'G',
        }
    }

    /// The number after the letter.
    pub fn amount(self) -> Option<u16> {
        match self {
            Handling::Collect(miles) => miles,
            Handling::CancelAfter(hours) => Some(hours),
            Handling::HoldUntil(day) => Some(day.into()),
            _ => None,
        }
    }

    /// What it asks, in plain words.
    pub fn meaning(self) -> String {
        match self {
            Handling::Collect(None) => "collect call allowed".to_owned(),
            Handling::Collect(Some(miles)) => format!("collect call allowed within {miles} miles"),
            Handling::CancelAfter(hours) => {
                format!("cancel and tell the origin if not delivered {hours} h after filing")
            }
            Handling::ReportDelivery => "report date and time of delivery to the origin".to_owned(),
            Handling::ReportWay => {
                "each station reports to the origin from whom, to whom and when".to_owned()
            }
            Handling::GetReply => "get a reply and send it back".to_owned(),
            Handling::HoldUntil(day) => format!("hold delivery until day {day} of the month"),
            Handling::NoToll => "no toll or cost; else cancel and tell the origin".to_owned(),
        }
    }

    fn new(letter: char, amount: Option<u16>) -> Option<Handling> {
        let handling = match (letter, amount) {
            ('A', miles) => Handling::Collect(miles),
            ('B', Some(hours)) => Handling::CancelAfter(hours),
            ('C', None) => Handling::ReportDelivery,
            ('D', None) => Handling::ReportWay,
            ('E', None) => Handling::GetReply,
            ('F', Some(day)) => Handling::HoldUntil(u8::try_from(day).ok()?),
            ('G', None) => Handling::NoToll,
            _ => return None,
        };
        handling.is_in_range().then_some(handling)
    }

    fn is_in_range(self) -> bool {
        match (self, self.amount()) {
            (_, None) => true,
            (Handling::HoldUntil(_), Some(day)) => (1..=31).contains(&day),
            (_, Some(amount)) => (1..=MOST_AMOUNT).contains(&amount),
        }
    }
}

/// Whether a group is meant as a handling instruction. Call signs begin with HX too, but have a figure
/// in the third or fourth place and never A to G alone.
pub(super) fn is_handling(group: &str) -> bool {
    let Some(rest) = group.strip_prefix("HX") else {
        return false;
    };
    let figures = rest.trim_start_matches(|c: char| c.is_ascii_uppercase());
    rest != figures && figures.bytes().all(|b| b.is_ascii_digit())
}

/// The instructions of one group: HXA50, or several letters without a number, as HXCG (from memory).
pub(super) fn handlings(group: &str) -> Result<Vec<Handling>, Fault> {
    let wrong = || Fault::Handling(group.to_owned());
    let rest = group.strip_prefix("HX").ok_or_else(wrong)?;
    let figures = rest.trim_start_matches(|c: char| c.is_ascii_uppercase());
    let letters = &rest[..rest.len() - figures.len()];
    let amount = match figures {
        "" => None,
        _ if letters.len() == 1 => Some(figures.parse().map_err(|_| wrong())?),
        _ => return Err(wrong()),
    };
    if letters.is_empty() {
        return Err(wrong());
    }
    let one = |letter| Handling::new(letter, amount).ok_or_else(wrong);
    letters.chars().map(one).collect()
}

/// Whether a list of instructions can stand in a radiogram.
pub(super) fn fits_handling(list: &[Handling]) -> Result<(), Fault> {
    for (at, handling) in list.iter().enumerate() {
        if !handling.is_in_range() {
            return Err(Fault::Handling(handling.to_string()));
        }
        if list[..at].iter().any(|h| h.letter() == handling.letter()) {
            return Err(Fault::HandlingTwice(handling.to_string()));
        }
    }
    Ok(())
}

impl fmt::Display for Handling {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "HX{}", self.letter())?;
        match self.amount() {
            Some(amount) => write!(f, "{amount}"),
            None => Ok(()),
        }
    }
}

impl FromStr for Handling {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let upper = text.to_ascii_uppercase();
        match handlings(&upper)?[..] {
            [one] => Ok(one),
            _ => Err(Fault::Handling(text.chars().take(20).collect())),
        }
    }
}

/// The time filed: hours and minutes with the letter of a time zone, as `1830Z`; Z is UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Filed {
    hour: u8,
    minute: u8,
    zone: char,
}

impl Filed {
    /// A time in UTC; `None` when there is no such hour or minute.
    pub fn utc(hour: u8, minute: u8) -> Option<Filed> {
        Filed::new(hour, minute, 'Z')
    }

    /// A time in a zone, A to Z without J, which names no zone (from memory); `None` when there is no such
    /// hour, minute or zone.
    pub fn new(hour: u8, minute: u8, zone: char) -> Option<Filed> {
        let proper = hour < 24 && minute < 60 && zone.is_ascii_uppercase() && zone != 'J';
        proper.then_some(Filed { hour, minute, zone })
    }

    /// A moment in UTC.
    pub fn at(now: WallTime) -> Filed {
        let (hour, minute) = hour_of(now);
        Filed {
            hour: hour as u8,
            minute: minute as u8,
            zone: 'Z',
        }
    }

    /// The hour, 0 to 23.
    pub fn hour(self) -> u8 {
        self.hour
    }

    /// The minute, 0 to 59.
    pub fn minute(self) -> u8 {
        self.minute
    }

    /// The letter of the time zone; Z is UTC.
    pub fn zone(self) -> char {
        self.zone
    }
}

impl fmt::Display for Filed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}{:02}{}", self.hour, self.minute, self.zone)
    }
}

impl FromStr for Filed {
    type Err = Fault;

    /// `1830Z`; `1830UTC` is read as the same.
    fn from_str(text: &str) -> Result<Self, Fault> {
        let wrong = || Fault::Filed(text.chars().take(20).collect());
        let upper = text.to_ascii_uppercase();
        let end = upper.bytes().take_while(u8::is_ascii_digit).count();
        let (figures, zone) = upper.split_at(end);
        let zone = match zone {
            "UTC" => 'Z',
            _ => {
                let mut letters = zone.chars();
                match (letters.next(), letters.next()) {
                    (Some(letter), None) => letter,
                    _ => return Err(wrong()),
                }
            }
        };
        if figures.len() != 4 {
            return Err(wrong());
        }
        let number: u16 = figures.parse().map_err(|_| wrong())?;
        let (hour, minute) = ((number / 100) as u8, (number % 100) as u8);
        Filed::new(hour, minute, zone).ok_or_else(wrong)
    }
}

/// The names of the months as the preamble has them, and how long each is at most.
const MONTHS: [(&str, u8); 12] = [
    ("JAN", 31),
    ("FEB", 29),
    ("MAR", 31),
    ("APR", 30),
    ("MAY", 31),
    ("JUN", 30),
    ("JUL", 31),
    ("AUG", 31),
    ("SEP", 30),
    ("OCT", 31),
    ("NOV", 30),
    ("DEC", 31),
];

/// A day of a year that is not named: `NOV 29`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Date {
    month: u8,
    day: u8,
}

impl Date {
    /// A month, 1 to 12, and a day; `None` when no year has it.
    pub fn new(month: u8, day: u8) -> Option<Date> {
        let (_, most) = MONTHS.get(usize::from(month).checked_sub(1)?)?;
        (1..=*most).contains(&day).then_some(Date { month, day })
    }

    /// The day of a moment in UTC.
    pub fn at(now: WallTime) -> Date {
        let (_, month, day) = day_of(now);
        Date {
            month: month as u8,
            day: day as u8,
        }
    }

    /// The month, 1 to 12.
    pub fn month(self) -> u8 {
        self.month
    }

    /// The day of the month, from 1.
    pub fn day(self) -> u8 {
        self.day
    }

    /// The month in three letters.
    pub(super) fn month_letters(self) -> &'static str {
        MONTHS[usize::from(self.month) - 1].0
    }

    /// From the two groups of the preamble. The month may be written in full.
    pub(super) fn of_groups(month: &str, day: &str) -> Result<Date, Fault> {
        let wrong = || Fault::Date(format!("{month} {day}"));
        let short = month.get(..3).unwrap_or_default();
        let at = MONTHS.iter().position(|(name, _)| *name == short);
        let at = at.ok_or_else(wrong)?;
        // Longer than three letters it must be the name itself, not a word that begins alike.
        if month.len() > 3 && month != FULL_MONTHS[at] {
            return Err(wrong());
        }
        if day.len() > 2 || !day.bytes().all(|b| b.is_ascii_digit()) {
            return Err(wrong());
        }
        let day = day.parse().map_err(|_| wrong())?;
        Date::new(at as u8 + 1, day).ok_or_else(wrong)
    }

    /// The month's full name, as it is said.
    pub(super) fn month_word(self) -> &'static str {
        FULL_MONTHS[usize::from(self.month) - 1]
    }
}

/// The names of the months in full.
const FULL_MONTHS: [&str; 12] = [
    "JANUARY",
    "FEBRUARY",
    "MARCH",
    "APRIL",
    "MAY",
    "JUNE",
    "JULY",
    "AUGUST",
    "SEPTEMBER",
    "OCTOBER",
    "NOVEMBER",
    "DECEMBER",
];

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.month_letters(), self.day)
    }
}

impl FromStr for Date {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let upper = text.to_ascii_uppercase();
        let groups: Vec<&str> = upper.split_ascii_whitespace().take(3).collect();
        match groups[..] {
            [month, day] => Date::of_groups(month, day),
            _ => Err(Fault::Date(text.chars().take(20).collect())),
        }
    }
}

as_text!(Handling, Filed, Date);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_precedence_has_a_sign_and_only_emergency_is_spelled_out() {
        for (text, expected) in [
            ("R", Precedence::Routine),
            ("W", Precedence::Welfare),
            ("P", Precedence::Priority),
            ("PRIORITY", Precedence::Priority),
            // G1: always spelled out.
            ("EMERGENCY", Precedence::Emergency),
        ] {
            assert_eq!(precedence(text), Ok(expected));
        }
        let wrong = precedence("E").expect_err("not spelled out");
        assert!(wrong.to_string().contains("always spelled out"), "{wrong}");
    }

    #[test]
    fn the_seven_handling_instructions_read_as_they_are_written() {
        // G4: HXA to HXG, seven; the numbers from memory.
        for text in ["HXA", "HXA50", "HXB24", "HXC", "HXD", "HXE", "HXF15", "HXG"] {
            let handling: Handling = text.parse().expect(text);
            assert_eq!(handling.to_string(), text);
            assert!(!handling.meaning().is_empty());
            assert!(is_handling(text));
        }
        for text in [
            "HX", "HXH", "HXB", "HXF", "HXF32", "HXB0", "HXG5", "HXCG", "HXA1000", "HXAB5",
            "HXA99999",
        ] {
            assert!(text.parse::<Handling>().is_err(), "{text}");
        }
        // From memory: several without a number may be drawn together.
        let both = handlings("HXCG");
        assert_eq!(both, Ok(vec![Handling::ReportDelivery, Handling::NoToll]));
        // What only begins alike is none: it may be a call sign with a figure in the third or fourth place. These are
        // no call signs that anybody has.
        for text in ["HX9", "HX9/QA1", "HXA9-QA", "QX1AB", "QA1SKY"] {
            assert!(!is_handling(text), "{text}");
        }
    }

    #[test]
    fn times_and_dates_read_as_they_are_written() {
        for text in ["0000Z", "1830Z", "2359A"] {
            assert_eq!(
                text.parse::<Filed>().map(|f| f.to_string()),
                Ok(text.into())
            );
        }
        assert_eq!(
            "1830utc".parse(),
            Ok(Filed {
                hour: 18,
                minute: 30,
                zone: 'Z'
            })
        );
        for text in [
            "2400Z", "1860Z", "1830J", "1830", "183Z", "18300Z", "1830ZZ", "ü",
        ] {
            assert!(text.parse::<Filed>().is_err(), "{text}");
        }
        for (text, written) in [
            ("NOV 29", "NOV 29"),
            ("february 29", "FEB 29"),
            ("MAY 01", "MAY 1"),
        ] {
            assert_eq!(
                text.parse::<Date>().map(|d| d.to_string()),
                Ok(written.into())
            );
        }
        for text in [
            "FEB 30", "NOV 31", "NOV 0", "NO 1", "NOVEL 1", "29 NOV", "NOV 029", "NOV", "ü 1",
        ] {
            assert!(text.parse::<Date>().is_err(), "{text}");
        }
    }
}
