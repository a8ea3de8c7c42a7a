//! The check: how many groups the text has, and what a relay does when it counts otherwise.
//!
//! Only the text counts, separators (X) count as groups (G4), and the two parts of a number with a
//! hyphen are one group (common practice, no source). ARL stands before the count when the text holds a
//! numbered text (G1). A wrong check is the one thing that a relay alters: it writes the new
//! count behind the old one, 5/7, and leaves the words alone (G3).

use std::fmt;
use std::str::FromStr;

use super::fault::Fault;
use super::words::Text;
use super::{RECOMMENDED_GROUPS, Radiogram};
use crate::text::as_text;

/// The highest count that a check can state. More than a text may have, because a wrong one must be
/// carried on too.
const MOST_COUNT: u16 = 999;
/// The word that announces a numbered text.
const ARL: &str = "ARL";

/// A count of groups, written `9`, or `ARL 9` when the text holds a numbered text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Count {
    /// Whether the text holds a numbered text.
    pub arl: bool,
    /// The groups, 1 to 999.
    pub groups: u16,
}

/// The check of a radiogram: what the station of origin stated and, if that was wrong, what a relay
/// counted. Written `5`, `5/7`, or `5/ARL 7` when the mark was missing too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Check {
    /// What the station of origin stated.
    pub stated: Count,
    /// What the last relay that disagreed counted.
    pub corrected: Option<Count>,
}

as_text!(Check);

impl Count {
    /// Counts a text.
    pub fn of(text: &Text) -> Count {
        Count {
            arl: !numbered_texts(text).is_empty(),
            // A text has at most 100 groups.
            groups: text.groups().len() as u16,
        }
    }
}

impl From<Count> for Check {
    fn from(stated: Count) -> Check {
        Check {
            stated,
            corrected: None,
        }
    }
}

impl Check {
    /// The check of a new radiogram with this text.
    pub fn of(text: &Text) -> Check {
        Count::of(text).into()
    }

    /// The count that holds now.
    pub fn valid(self) -> Count {
        self.corrected.unwrap_or(self.stated)
    }

    pub(super) fn fits(self) -> Result<(), Fault> {
        let proper = |count: Count| (1..=MOST_COUNT).contains(&count.groups);
        if proper(self.stated) && self.corrected.is_none_or(proper) {
            return Ok(());
        }
        Err(Fault::Check(self.to_string()))
    }

    /// Takes a check from the front of the groups of a preamble; also gives how many groups it took.
    pub(super) fn of_groups(groups: &[&str]) -> Option<(Check, usize)> {
        let mut used = 0;
        let mut next = || {
            used += 1;
            groups.get(used - 1).copied()
        };
        let mut arl = false;
        let mut group = next()?;
        if group == ARL {
            arl = true;
            group = next()?;
        }
        let Some((stated, behind)) = group.split_once('/') else {
            let stated = Count {
                arl,
                groups: number(group)?,
            };
            return Some((stated.into(), used));
        };
        let stated = Count {
            arl,
            groups: number(stated)?,
        };
        let corrected = match behind {
            ARL => Count {
                arl: true,
                groups: number(next()?)?,
            },
            _ => Count {
                arl: false,
                groups: number(behind)?,
            },
        };
        let check = Check {
            stated,
            corrected: Some(corrected),
        };
        Some((check, used))
    }
}

fn number(figures: &str) -> Option<u16> {
    let plain = (1..=3).contains(&figures.len()) && figures.bytes().all(|b| b.is_ascii_digit());
    let number = figures.parse().ok().filter(|_| plain)?;
    (1..=MOST_COUNT).contains(&number).then_some(number)
}

impl fmt::Display for Count {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let arl = if self.arl { "ARL " } else { "" };
        write!(f, "{arl}{}", self.groups)
    }
}

impl fmt::Display for Check {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.stated)?;
        match self.corrected {
            Some(corrected) => write!(f, "/{corrected}"),
            None => Ok(()),
        }
    }
}

impl FromStr for Check {
    type Err = Fault;

    fn from_str(text: &str) -> Result<Self, Fault> {
        let upper = text.to_ascii_uppercase();
        let groups: Vec<&str> = upper.split_ascii_whitespace().take(4).collect();
        match Check::of_groups(&groups) {
            Some((check, used)) if used == groups.len() => Ok(check),
            _ => Err(Fault::Check(text.chars().take(20).collect())),
        }
    }
}

/// What came of counting a radiogram that was received.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Receipt {
    /// The check with which it goes on.
    pub check: Check,
    /// What does not agree and what was done about it, in a sentence.
    pub finding: Option<String>,
}

/// Something to tell the operator. None of it stops a radiogram.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Remark {
    /// More groups than recommended.
    Long(usize),
    /// The check does not agree with the text.
    Miscounted(String),
    /// Urgent, and no time filed.
    NoTime,
    /// A numbered text whose number is not spelled out.
    NotSpelled(u8),
    /// A number that no numbered text has.
    NoSuchText(u8),
    /// Nothing says how to ring the addressee.
    NoPhone,
}

impl Remark {
    /// What is to say of a text alone.
    pub fn of_text(text: &Text) -> Vec<Remark> {
        let mut remarks = Vec::new();
        for numbered in numbered_texts(text) {
            if !numbered.spelled {
                remarks.push(Remark::NotSpelled(numbered.number));
            }
            if !is_known(numbered.number) {
                remarks.push(Remark::NoSuchText(numbered.number));
            }
        }
        let groups = text.groups().len();
        if groups > RECOMMENDED_GROUPS {
            remarks.push(Remark::Long(groups));
        }
        remarks
    }
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Remark::Long(groups) => write!(
                f,
                "the text has {groups} groups, about {RECOMMENDED_GROUPS} are recommended: a shorter one is passed sooner and with fewer mistakes"
            ),
            Remark::Miscounted(finding) => f.write_str(finding),
            Remark::NoTime => f.write_str(
                "urgent traffic needs the time filed, and this has none: ask the station of origin",
            ),
            Remark::NotSpelled(number) => write!(
                f,
                "the number of a numbered text is spelled out: ARL {}, not ARL {number}",
                spelled_number(*number).unwrap_or_default()
            ),
            Remark::NoSuchText(number) => write!(
                f,
                "no numbered text with the number {number} is known here: look it up in the published list before you deliver or send it"
            ),
            Remark::NoPhone => f.write_str(
                "there is no phone number: without one a radiogram often cannot be delivered",
            ),
        }
    }
}

impl Radiogram {
    /// Counts the text as a relay does. When the check disagrees, the new count is written behind that of
    /// the station of origin, and a sentence says so; the words stay as they came (G3). Before that, ask
    /// the station that sent it: both must agree on the count (G1).
    pub fn receive(&self) -> Receipt {
        let counted = Count::of(&self.text);
        if self.check.valid() == counted {
            return Receipt {
                check: self.check,
                finding: None,
            };
        }
        let stated = self.check.stated;
        let corrected = (stated != counted).then_some(counted);
        let check = Check { stated, corrected };
        let done = match corrected {
            Some(_) => format!("it goes on as {check}"),
            None => format!("that of the origin, {stated}, holds again"),
        };
        let was = self.check;
        let finding = format!(
            "the check says {was}, but the text counts {counted}: {done}, and no word is altered; ask the station that sent it to repeat the text"
        );
        Receipt {
            check,
            finding: Some(finding),
        }
    }

    /// The same radiogram with another check, and nothing else altered.
    pub fn with_check(self, check: Check) -> Radiogram {
        Radiogram { check, ..self }
    }

    /// What an operator should know of it, the most important first. None of it is a reason to refuse it.
    pub fn remarks(&self) -> Vec<Remark> {
        let mut remarks = Vec::new();
        remarks.extend(self.receive().finding.map(Remark::Miscounted));
        if self.is_urgent() && self.filed.is_none() {
            remarks.push(Remark::NoTime);
        }
        remarks.extend(Remark::of_text(&self.text));
        if self.phone.is_none() {
            remarks.push(Remark::NoPhone);
        }
        remarks
    }
}

/// A numbered text within a text: ARL and a number, spelled out (ARL FIFTY; G1).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Numbered {
    /// Where ARL stands, counted from 0.
    pub at: usize,
    /// The number of the text, 1 to 99.
    pub number: u8,
    /// Whether the number is spelled out, as it must be.
    pub spelled: bool,
}

/// The numbered texts in a text. ARL without a number behind it is a word like others.
pub fn numbered_texts(text: &Text) -> Vec<Numbered> {
    let groups = text.groups();
    let announced = (0..groups.len()).filter(|&at| groups[at] == ARL);
    let numbered = announced.filter_map(|at| {
        let (number, spelled) = number_at(&groups[at + 1..])?;
        Some(Numbered {
            at,
            number,
            spelled,
        })
    });
    numbered.collect()
}

/// Words of the numbers below twenty.
const ONES: [&str; 19] = [
    "ONE",
    "TWO",
    "THREE",
    "FOUR",
    "FIVE",
    "SIX",
    "SEVEN",
    "EIGHT",
    "NINE",
    "TEN",
    "ELEVEN",
    "TWELVE",
    "THIRTEEN",
    "FOURTEEN",
    "FIFTEEN",
    "SIXTEEN",
    "SEVENTEEN",
    "EIGHTEEN",
    "NINETEEN",
];
/// Words of the tens.
const TENS: [&str; 8] = [
    "TWENTY", "THIRTY", "FORTY", "FIFTY", "SIXTY", "SEVENTY", "EIGHTY", "NINETY",
];

/// The number at the front of some groups, and whether it is spelled out.
fn number_at(groups: &[String]) -> Option<(u8, bool)> {
    let place = |words: &[&str], at: usize| {
        let group = groups.get(at)?;
        let place = words.iter().position(|word| word == group)?;
        Some(place as u8 + 1)
    };
    if let Some(ones) = place(&ONES, 0) {
        return Some((ones, true));
    }
    if let Some(tens) = place(&TENS, 0) {
        let ones = place(&ONES[..9], 1).unwrap_or(0);
        return Some(((tens + 1) * 10 + ones, true));
    }
    let figures = groups.first()?;
    let number: u8 = figures.parse().ok()?;
    (1..=99).contains(&number).then_some((number, false))
}

/// A number from 1 to 99 in words, one group for the tens and one for the ones: `FIFTY`, `SIXTY SEVEN`.
pub fn spelled_number(number: u8) -> Option<String> {
    let (tens, ones) = (usize::from(number / 10), usize::from(number % 10));
    match number {
        1..=19 => Some(ONES[usize::from(number) - 1].to_owned()),
        20..=99 if ones == 0 => Some(TENS[tens - 2].to_owned()),
        20..=99 => Some(format!("{} {}", TENS[tens - 2], ONES[ones - 1])),
        _ => None,
    }
}

/// Whether the published list has a text of this number: 1 to 26 for emergencies, 46, 47 and 50 to
/// 69 for others (from memory; the list grows).
fn is_known(number: u8) -> bool {
    matches!(number, 1..=26 | 46 | 47 | 50..=69)
}

#[cfg(test)]
mod tests {
    use super::super::examples::radiogram;
    use super::*;

    fn count(text: &str) -> String {
        let text: Text = text.parse().expect(text);
        Count::of(&text).to_string()
    }

    #[test]
    fn groups_of_the_text_are_counted_as_the_guides_do() {
        for (text, expected) in [
            // G1: word groups of the text.
            ("ARRIVED SAFELY AT LEE COVE", "5"),
            // G4: separators count.
            ("FERRY LATE X WAIT AT QUAY X", "7"),
            // Common practice, no source: the parts of a number with a hyphen are one group.
            ("CALL 555-0142 TODAY", "3"),
            // From memory: parts of a number with spaces are a group each.
            ("CALL 555 0142 TODAY", "4"),
            // From memory: a mixed group, a call sign and a frequency with R for the point are one each.
            ("MEET QM3BAR ON 146R52 AT 5PM", "6"),
            // From memory: a slash makes no second group.
            ("MAY 5/6", "2"),
            // From memory: QUERY stands for the question mark and counts.
            ("WHEN IS THE FERRY QUERY", "5"),
        ] {
            assert_eq!(count(text), expected, "{text}");
        }
    }

    #[test]
    fn a_numbered_text_marks_the_check() {
        for (text, expected) in [
            // G1: prefix ARL, number spelled out.
            ("ARL FIFTY", "ARL 2"),
            // From memory: tens and ones are a group each, and words may stand around it.
            ("ARL SIXTY FOUR LEE COVE X LOVE", "ARL 7"),
            ("ARL FIFTY X ARL FORTY SIX", "ARL 6"),
            // Not spelled out: still a numbered text, with a remark.
            ("ARL 50", "ARL 2"),
            // Common practice, no source: the name alone is no numbered text.
            ("THE ARL LIST IS LONG", "5"),
            ("ASK ARL", "2"),
            ("ARL 0", "2"),
        ] {
            assert_eq!(count(text), expected, "{text}");
        }
        let text: Text = "X ARL SIXTY SEVEN ARL FIFTY TEN".parse().expect("a text");
        let found: Vec<_> = numbered_texts(&text)
            .iter()
            .map(|n| (n.at, n.number))
            .collect();
        assert_eq!(found, [(1, 67), (4, 50)]);
    }

    #[test]
    fn numbers_are_spelled_so_that_they_are_read_again() {
        for number in 1..=99 {
            let text: Text = format!("ARL {}", spelled_number(number).expect("words"))
                .parse()
                .expect("a text");
            let expected = Numbered {
                at: 0,
                number,
                spelled: true,
            };
            assert_eq!(numbered_texts(&text), [expected]);
        }
        assert_eq!((spelled_number(0), spelled_number(100)), (None, None));
    }

    #[test]
    fn a_check_reads_as_it_is_written() {
        for text in [
            "9",
            "ARL 5",
            "5/7",
            "ARL 5/ARL 7",
            "5/ARL 7",
            "ARL 5/7",
            "999",
        ] {
            assert_eq!(
                text.parse::<Check>().map(|c| c.to_string()),
                Ok(text.into())
            );
        }
        for text in [
            "", "0", "1000", "ARL", "5/", "/5", "5/7/9", "5/ARL", "+5", "5 7", "0/5",
        ] {
            assert!(text.parse::<Check>().is_err(), "{text}");
        }
    }

    #[test]
    fn a_wrong_check_goes_on_as_old_and_new_and_no_word_is_altered() {
        let counted = |text: &str, check: &str| {
            let mut form = radiogram();
            form.text = text.parse().expect("a text");
            form.check = check.parse().expect("a check");
            let receipt = form.receive();
            assert_eq!(receipt.finding.is_some(), receipt.check != form.check);
            let onward = form.clone().with_check(receipt.check);
            assert_eq!(onward.text, form.text);
            // Whoever gets it next finds nothing to correct.
            assert_eq!(onward.receive().finding, None);
            receipt.check.to_string()
        };
        let seven = "FERRY LATE X WAIT AT QUAY X";
        assert_eq!(counted(seven, "7"), "7");
        // G3: old/new, as 5/7.
        assert_eq!(counted(seven, "5"), "5/7");
        assert_eq!(counted(seven, "5/7"), "5/7");
        // Common practice, no source: of several corrections the first count and the last stay.
        assert_eq!(counted(seven, "5/6"), "5/7");
        assert_eq!(counted(seven, "7/6"), "7");
        // Common practice, no source: the mark belongs to the check.
        assert_eq!(counted("ARL FIFTY", "2"), "2/ARL 2");
        assert_eq!(counted(seven, "ARL 7"), "ARL 7/7");
    }

    #[test]
    fn the_finding_says_what_and_what_to_do() {
        let mut form = radiogram();
        form.check = "5".parse().expect("a check");
        let finding = form.receive().finding.expect("a finding");
        let counted = Count::of(&form.text);
        assert!(finding.contains(&format!("counts {counted}")), "{finding}");
        assert!(
            finding.contains(&format!("goes on as 5/{counted}")),
            "{finding}"
        );
        assert!(finding.contains("repeat"), "{finding}");
    }

    #[test]
    fn remarks_refuse_nothing() {
        let mut form = radiogram();
        assert_eq!(form.remarks(), []);
        // G1: about 25 recommended.
        form.text = "A ".repeat(25).parse().expect("a text");
        form.check = Check::of(&form.text);
        assert_eq!(form.remarks(), []);
        form.text = "A ".repeat(26).parse().expect("a text");
        form.check = Check::of(&form.text);
        assert_eq!(form.remarks(), [Remark::Long(26)]);
        assert_eq!(form.fit_to_send(), Ok(()));

        form.text = "ARL 30".parse().expect("a text");
        form.precedence = crate::Precedence::Emergency;
        (form.filed, form.phone) = (None, None);
        let remarks = form.remarks();
        assert!(matches!(remarks[0], Remark::Miscounted(_)));
        assert_eq!(
            remarks[1..],
            [
                Remark::NoTime,
                Remark::NotSpelled(30),
                Remark::NoSuchText(30),
                Remark::NoPhone
            ]
        );
        assert!(remarks[2].to_string().contains("ARL THIRTY, not ARL 30"));
        assert_eq!(form.fits(), Ok(()));
    }
}
