//! What a radiogram is made of: groups of plain characters, in lines and in the text.

use std::fmt;
use std::str::FromStr;

use super::fault::{Fault, Located};
use crate::text::as_text;

/// Characters of one group, at most. The longest words of everyday have fewer.
pub const MOST_GROUP: usize = 30;
/// Characters of one line of address, place or signature, at most.
pub const MOST_LINE: usize = 60;
/// Groups of a text, at most. About 25 are recommended; the limit only keeps out what is no radiogram.
pub const MOST_GROUPS: usize = 100;
/// Figures of a telephone number, at most (ITU-T E.164 has 15), and room for a prefix before it.
const MOST_FIGURES: usize = 20;

/// One line of groups: capital letters, figures, `/`, and `-` between figures; one space between two
/// groups; 1 to [`MOST_LINE`] characters. Read from lower case too.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Line(String);

/// The text: 1 to [`MOST_GROUPS`] groups. Read from several lines too.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Text(Vec<String>);

/// A telephone number: groups of figures, at most 20 figures in all.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Phone(Line);

as_text!(Line, Text, Phone);

impl Line {
    /// The line as it is written.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Its groups; at least one.
    pub fn groups(&self) -> impl DoubleEndedIterator<Item = &str> {
        self.0.split(' ')
    }

    /// From groups that were checked, when they fit.
    pub(super) fn from_groups(groups: &[String]) -> Result<Line, Fault> {
        let line = groups.join(" ");
        match line.len() {
            0 => Err(Fault::Nothing),
            1..=MOST_LINE => Ok(Line(line)),
            length => Err(Fault::LongLine(length)),
        }
    }
}

impl Text {
    /// The groups, 1 to [`MOST_GROUPS`].
    pub fn groups(&self) -> &[String] {
        &self.0
    }

    /// From groups that are known to be proper; at least one. Of more than fit the first are kept.
    pub(super) fn of_parts(mut groups: Vec<String>) -> Text {
        groups.truncate(MOST_GROUPS);
        Text(groups)
    }

    /// From groups that were checked, when they fit.
    pub(super) fn from_groups(groups: Vec<String>) -> Result<Text, Fault> {
        match groups.len() {
            0 => Err(Fault::Nothing),
            1..=MOST_GROUPS => Ok(Text(groups)),
            count => Err(Fault::ManyGroups(count)),
        }
    }
}

impl Phone {
    /// The number as it is written.
    pub fn as_str(&self) -> &str {
        self.0.as_str()
    }

    /// What stands before the first space or hyphen: it tells whether a call is local.
    pub fn first_part(&self) -> &str {
        let end = self.as_str().find([' ', '-']);
        &self.as_str()[..end.unwrap_or(self.as_str().len())]
    }

    /// A line that was checked, when it is a telephone number.
    pub(super) fn from_line(line: Line) -> Result<Phone, Fault> {
        let figures = line.0.bytes().filter(u8::is_ascii_digit).count();
        let plain = only_figures(&line);
        if !plain || figures > MOST_FIGURES {
            return Err(Fault::Phone(line.0));
        }
        Ok(Phone(line))
    }
}

/// Whether a line is figures, hyphens and spaces alone.
pub(super) fn only_figures(line: &Line) -> bool {
    line.0
        .bytes()
        .all(|b| b.is_ascii_digit() || b == b' ' || b == b'-')
}

/// The groups of one line of input in capitals, each with the column where it begins, from 1. The
/// error has the column of the character or of the group that is wrong.
pub(super) fn groups_of(line: &str) -> Result<Vec<(usize, String)>, (usize, Fault)> {
    let mut groups: Vec<(usize, String)> = Vec::new();
    let mut open = false;
    for (at, character) in line.chars().enumerate() {
        let column = at + 1;
        match character.to_ascii_uppercase() {
            ' ' | '\t' | '\r' => open = false,
            c @ ('A'..='Z' | '0'..='9' | '/' | '-') => {
                if !open {
                    groups.push((column, String::new()));
                    open = true;
                }
                if let Some((_, group)) = groups.last_mut() {
                    group.push(c);
                }
            }
            c => return Err((column, Fault::Character(c))),
        }
    }
    for (column, group) in &groups {
        whole_group(group).map_err(|fault| (*column, fault))?;
    }
    Ok(groups)
}

/// Whether the characters of one group stand in a proper order.
fn whole_group(group: &str) -> Result<(), Fault> {
    if group.len() > MOST_GROUP {
        return Err(Fault::LongGroup(group.len()));
    }
    // The sign that parts address, text and signature would end the text too early.
    if group == "BT" {
        return Err(Fault::Break);
    }
    if group.split('/').any(str::is_empty) {
        return Err(Fault::Slash(group.to_owned()));
    }
    if group.contains('-') {
        let figures = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
        if !group.split('-').all(figures) {
            return Err(Fault::Hyphen(group.to_owned()));
        }
    }
    Ok(())
}

/// The groups of several lines of input.
fn groups_of_lines(text: &str) -> Result<Vec<String>, Located> {
    let mut all = Vec::new();
    for (at, line) in text.split('\n').enumerate() {
        let groups = groups_of(line).map_err(|(column, fault)| Located {
            line: at + 1,
            column,
            fault,
        })?;
        all.extend(groups.into_iter().map(|(_, group)| group));
        if all.len() > MOST_GROUPS {
            return Err(Located::at_line(at + 1, Fault::ManyGroups(all.len())));
        }
    }
    Ok(all)
}

impl FromStr for Line {
    type Err = Located;

    fn from_str(text: &str) -> Result<Self, Located> {
        if let Some(at) = text.find('\n') {
            let column = text[..at].chars().count() + 1;
            let fault = Fault::Character('\n');
            return Err(Located {
                line: 1,
                column,
                fault,
            });
        }
        let groups = groups_of_lines(text)?;
        Line::from_groups(&groups).map_err(|fault| Located::at_line(1, fault))
    }
}

impl FromStr for Text {
    type Err = Located;

    fn from_str(text: &str) -> Result<Self, Located> {
        let groups = groups_of_lines(text)?;
        Text::from_groups(groups).map_err(|fault| Located::at_line(1, fault))
    }
}

impl FromStr for Phone {
    type Err = Located;

    fn from_str(text: &str) -> Result<Self, Located> {
        let line: Line = text.parse()?;
        Phone::from_line(line).map_err(|fault| Located::at_line(1, fault))
    }
}

impl fmt::Display for Line {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Display for Text {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0.join(" "))
    }
}

impl fmt::Display for Phone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fault(text: &str) -> (usize, usize, Fault) {
        let wrong = text.parse::<Text>().expect_err(text);
        (wrong.line, wrong.column, wrong.fault)
    }

    #[test]
    fn groups_are_made_capital_and_parted_by_one_space() {
        let line: Line = "  Harbour  lane\t4 ".parse().expect("a line");
        assert_eq!(line.as_str(), "HARBOUR LANE 4");
        assert_eq!(line.groups().count(), 3);
        let text: Text = "cots on\r\nthe quay x\n".parse().expect("a text");
        assert_eq!(text.to_string(), "COTS ON THE QUAY X");
    }

    #[test]
    fn what_is_no_character_of_the_trade_is_refused_with_its_place() {
        assert_eq!(fault("COTS.\nON"), (1, 5, Fault::Character('.')));
        assert_eq!(fault("COTS\n ON ü"), (2, 5, Fault::Character('ü')));
        assert_eq!(fault("A \u{1b}[2J"), (1, 3, Fault::Character('\u{1b}')));
        assert_eq!(
            fault("ON WELL-BUILT"),
            (1, 4, Fault::Hyphen("WELL-BUILT".into()))
        );
        for hyphen in ["-1", "1-", "1--2", "A-1", "1/2-3"] {
            assert_eq!(fault(hyphen).2, Fault::Hyphen(hyphen.into()));
        }
        for slash in ["/", "A/", "/A", "A//B"] {
            assert_eq!(fault(slash).2, Fault::Slash(slash.into()));
        }
        assert_eq!(fault("ONE BT TWO"), (1, 5, Fault::Break));
    }

    #[test]
    fn everything_has_a_limit() {
        assert_eq!(fault(" \n ").2, Fault::Nothing);
        assert_eq!(fault(&"A".repeat(MOST_GROUP + 1)).2, Fault::LongGroup(31));
        assert!("A".repeat(MOST_GROUP).parse::<Text>().is_ok());
        assert!("A ".repeat(MOST_GROUPS).parse::<Text>().is_ok());
        assert_eq!(fault(&"A ".repeat(101)).2, Fault::ManyGroups(101));
        let long = "AB ".repeat(21).parse::<Line>().expect_err("62 characters");
        assert_eq!(long.fault, Fault::LongLine(62));
        let two = "A\nB".parse::<Line>().expect_err("two lines");
        assert_eq!((two.column, two.fault), (2, Fault::Character('\n')));
    }

    #[test]
    fn a_phone_number_is_figures_and_its_first_part_is_told() {
        for (text, first) in [("555 0142", "555"), ("555-0142", "555"), ("42", "42")] {
            let phone: Phone = text.parse().expect("a number");
            assert_eq!((phone.as_str(), phone.first_part()), (text, first));
        }
        for text in ["", "CALL 5", "1/2", "123456789012345678901"] {
            assert!(text.parse::<Phone>().is_err(), "{text}");
        }
    }
}
