//! How a radiogram is read aloud, so that the other side can write it down.
//!
//! Letters are spelled with the alphabet of the ITU Radio Regulations, Appendix 14. The order is that of the
//! form (G1). Which word announces which sort of group (FIGURES, MIXED GROUP, INITIALS, I SPELL, BREAK, END) is
//! from memory of voice traffic nets.

use super::words::Line;
use super::{Count, Radiogram, preamble};

/// The letters (ITU Radio Regulations, Appendix 14).
const LETTERS: [&str; 26] = [
    "ALFA", "BRAVO", "CHARLIE", "DELTA", "ECHO", "FOXTROT", "GOLF", "HOTEL", "INDIA", "JULIETT",
    "KILO", "LIMA", "MIKE", "NOVEMBER", "OSCAR", "PAPA", "QUEBEC", "ROMEO", "SIERRA", "TANGO",
    "UNIFORM", "VICTOR", "WHISKEY", "X-RAY", "YANKEE", "ZULU",
];
/// The figures as amateurs say them to each other (common practice, no source).
const PLAIN: [&str; 10] = [
    "ZERO", "ONE", "TWO", "THREE", "FOUR", "FIVE", "SIX", "SEVEN", "EIGHT", "NINE",
];
/// The figures in the code words of the ITU Radio Regulations, Appendix 14.
const CODE_WORDS: [&str; 10] = [
    "NADAZERO",
    "UNAONE",
    "BISSOTWO",
    "TERRATHREE",
    "KARTEFOUR",
    "PANTAFIVE",
    "SOXISIX",
    "SETTESEVEN",
    "OKTOEIGHT",
    "NOVENINE",
];

/// Which words figures are said with.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FigureWords {
    /// ZERO, ONE, TWO: between people who share a language.
    #[default]
    Plain,
    /// NADAZERO, UNAONE, BISSOTWO: the code words of Appendix 14, between people who do not.
    CodeWords,
}

impl FigureWords {
    fn word(self, figure: usize) -> &'static str {
        match self {
            FigureWords::Plain => PLAIN[figure],
            FigureWords::CodeWords => CODE_WORDS[figure],
        }
    }
}

/// Spells letters, figures, `/` (SLASH) and `-` (DASH) one by one; other characters are left out, for a
/// radiogram has none.
pub fn spell(group: &str, figures: FigureWords) -> String {
    let words = group.bytes().filter_map(|character| match character {
        b'A'..=b'Z' => Some(LETTERS[usize::from(character - b'A')]),
        b'a'..=b'z' => Some(LETTERS[usize::from(character - b'a')]),
        b'0'..=b'9' => Some(figures.word(usize::from(character - b'0'))),
        b'/' => Some("SLASH"),
        b'-' => Some("DASH"),
        _ => None,
    });
    words.collect::<Vec<_>>().join(" ")
}

/// What sort of group it is, by its characters alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sort {
    /// X, which parts sentences.
    Separator,
    /// Letters that can be said as a word.
    Word,
    /// One letter.
    Initial,
    /// Letters without a vowel, which nobody can say as a word.
    Initials,
    /// One figure.
    Figure,
    /// Figures, a hyphen among them or not.
    Figures,
    /// Whatever mixes letters, figures and slashes.
    Mixed,
}

fn sort(group: &str) -> Sort {
    let letters = group.bytes().all(|b| b.is_ascii_uppercase());
    let figures = group.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    match group.len() {
        _ if group == "X" => Sort::Separator,
        1 if letters && group != "A" && group != "I" => Sort::Initial,
        1 if figures => Sort::Figure,
        _ if figures => Sort::Figures,
        _ if !letters => Sort::Mixed,
        _ if group.contains(['A', 'E', 'I', 'O', 'U', 'Y']) => Sort::Word,
        _ => Sort::Initials,
    }
}

/// One group as it is said.
fn say(group: &str, figures: FigureWords) -> String {
    let spelled = spell(group, figures);
    match sort(group) {
        Sort::Separator => "X-RAY".to_owned(),
        Sort::Word => group.to_owned(),
        Sort::Initial => format!("INITIAL {spelled}"),
        Sort::Initials => format!("INITIALS {spelled}"),
        Sort::Figure => format!("FIGURE {spelled}"),
        Sort::Figures => format!("FIGURES {spelled}"),
        Sort::Mixed => format!("MIXED GROUP {spelled}"),
    }
}

/// A line as it is said. In a name each word is spelled as well, for names are seldom written as they
/// sound.
fn say_line(line: &Line, figures: FigureWords, is_name: bool) -> String {
    let say = |group: &str| match sort(group) {
        // A lone letter in a name is an initial, never a word or a separator.
        _ if is_name && group.len() == 1 && group.as_bytes()[0].is_ascii_uppercase() => {
            format!("INITIAL {}", spell(group, figures))
        }
        Sort::Word if is_name => format!("{group} I SPELL {}", spell(group, figures)),
        _ => say(group, figures),
    };
    line.groups().map(say).collect::<Vec<_>>().join(", ")
}

impl Radiogram {
    /// The radiogram as it is read aloud, one breath a line. Say a line, wait, and go on when the other
    /// side is ready.
    pub fn spoken(&self, figures: FigureWords) -> Vec<String> {
        let mut lines = vec![self.spoken_preamble(figures)];
        for (at, line) in self.to.iter().enumerate() {
            lines.push(say_line(line, figures, at == 0));
        }
        if let Some(phone) = &self.phone {
            lines.push(format!(
                "TELEPHONE FIGURES {}",
                spell_groups(phone.as_str(), figures)
            ));
        }
        lines.push("BREAK".to_owned());
        for groups in self.text.groups().chunks(5) {
            let said: Vec<String> = groups.iter().map(|group| say(group, figures)).collect();
            lines.push(said.join(", "));
        }
        lines.push("BREAK".to_owned());
        lines.push(say_line(&self.signature, figures, true));
        lines.push("END".to_owned());
        lines
    }

    fn spoken_preamble(&self, figures: FigureWords) -> String {
        let number = |number: u32| spell(&number.to_string(), figures);
        let mut parts = vec![format!("NUMBER {}", number(self.number))];
        parts.push(preamble::word(self.precedence).to_owned());
        for handling in &self.handling {
            let letter = spell(&handling.letter().to_string(), figures);
            parts.push(match handling.amount() {
                Some(amount) => format!("HX {letter} {}", number(amount.into())),
                None => format!("HX {letter}"),
            });
        }
        parts.push(spell(self.origin.characters(), figures));
        let count = |count: Count| {
            let arl = if count.arl { "ARL " } else { "" };
            format!("{arl}{}", number(count.groups.into()))
        };
        let stated = count(self.check.stated);
        parts.push(match self.check.corrected {
            Some(corrected) => format!("CHECK {stated} SLASH {}", count(corrected)),
            None => format!("CHECK {stated}"),
        });
        parts.push(say_line(&self.place, figures, false));
        parts.extend(self.filed.map(|filed| spell(&filed.to_string(), figures)));
        let day = number(self.date.day().into());
        parts.push(format!("{} {day}", self.date.month_word()));
        parts.join(", ")
    }
}

/// Several groups of figures, with a pause between them.
fn spell_groups(line: &str, figures: FigureWords) -> String {
    let groups = line.split(' ').map(|group| spell(group, figures));
    groups.collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::super::examples::radiogram;
    use super::*;

    #[test]
    fn every_letter_has_the_word_of_appendix_14() {
        // ITU Radio Regulations, Appendix 14 (from memory): each word begins with its letter.
        for (at, word) in LETTERS.iter().enumerate() {
            let letter = char::from(b'A' + at as u8);
            assert!(word.starts_with(letter), "{letter} {word}");
        }
        assert_eq!(
            spell("Qx0-/.", FigureWords::Plain),
            "QUEBEC X-RAY ZERO DASH SLASH"
        );
        // ITU Radio Regulations, Appendix 14 (from memory): code words end with the English figure.
        for (code, plain) in CODE_WORDS.iter().zip(PLAIN) {
            assert!(code.ends_with(plain), "{code} {plain}");
        }
        assert_eq!(spell("2", FigureWords::CodeWords), "BISSOTWO");
    }

    #[test]
    fn groups_are_announced_by_their_sort() {
        // All from memory of voice traffic nets.
        for (group, said) in [
            ("FERRY", "FERRY"),
            ("X", "X-RAY"),
            ("A", "A"),
            ("I", "I"),
            ("K", "INITIAL KILO"),
            ("RSVP", "INITIALS ROMEO SIERRA VICTOR PAPA"),
            ("5", "FIGURE FIVE"),
            ("1540", "FIGURES ONE FIVE FOUR ZERO"),
            ("555-0142", "FIGURES FIVE FIVE FIVE DASH ZERO ONE FOUR TWO"),
            ("146R52", "MIXED GROUP ONE FOUR SIX ROMEO FIVE TWO"),
            ("5/6", "MIXED GROUP FIVE SLASH SIX"),
            ("QM3BAR", "MIXED GROUP QUEBEC MIKE THREE BRAVO ALFA ROMEO"),
        ] {
            assert_eq!(say(group, FigureWords::Plain), said, "{group}");
        }
    }

    #[test]
    fn a_whole_radiogram_is_said_in_the_order_of_the_form() {
        let said = radiogram().spoken(FigureWords::Plain);
        assert_eq!(
            said,
            [
                "NUMBER ONE TWO, ROUTINE, HX GOLF, QUEBEC ALFA ONE SIERRA KILO YANKEE, CHECK ONE TWO, GREAT, MARROW, ONE EIGHT THREE ZERO ZULU, NOVEMBER TWO NINE",
                "WARDEN I SPELL WHISKEY ALFA ROMEO DELTA ECHO NOVEMBER, OF I SPELL OSCAR FOXTROT, THE I SPELL TANGO HOTEL ECHO, SCHOOL I SPELL SIERRA CHARLIE HOTEL OSCAR OSCAR LIMA",
                "HARBOUR, LANE, FIGURE FOUR",
                "LEE, COVE",
                "TELEPHONE FIGURES FIVE FIVE FIVE, ZERO ONE FOUR TWO",
                "BREAK",
                "FORTY, COTS, COME, BY, FERRY",
                "AT, FIGURES ONE FIVE FOUR ZERO, X-RAY, OPEN, THE",
                "HALL, X-RAY",
                "BREAK",
                "HARBOUR I SPELL HOTEL ALFA ROMEO BRAVO OSCAR UNIFORM ROMEO, OFFICE I SPELL OSCAR FOXTROT FOXTROT INDIA CHARLIE ECHO",
                "END",
            ]
        );
    }

    #[test]
    fn corrections_numbers_and_initials_are_said_too() {
        let mut form = radiogram();
        form.check = "5/ARL 7".parse().expect("a check");
        form.handling = vec!["HXB24".parse().expect("a handling")];
        form.filed = None;
        form.signature = "A X QUAY".parse().expect("a line");
        let said = form.spoken(FigureWords::CodeWords);
        assert!(
            said[0].contains("HX BRAVO BISSOTWO KARTEFOUR"),
            "{}",
            said[0]
        );
        assert!(
            said[0].contains("CHECK PANTAFIVE SLASH ARL SETTESEVEN, GREAT, MARROW, NOVEMBER"),
            "{}",
            said[0]
        );
        let signature = &said[said.len() - 2];
        assert!(
            signature.starts_with("INITIAL ALFA, INITIAL X-RAY, QUAY I SPELL"),
            "{signature}"
        );
    }
}
