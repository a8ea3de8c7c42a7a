//! Radiograms that a visitor gives in, and what the visitor says became of one.

use dunlin_ax25::CallSign;
use dunlin_mail::radiogram::{Failure, Fault, Radiogram};
use dunlin_mail::{Address, Kind, Precedence};

use super::{Led, Mailbox, Wish, Writes, Writing};
use crate::engine::{Conclusion, Draft};

/// Ends a radiogram.
const END: &str = "AR";
/// How a radiogram is asked for.
pub(super) const ASKS: &str =
    "Its lines as on the form, the preamble first. AR alone on a line ends it, STOP drops it.";
/// What is left to do with one that was not taken.
pub(super) const AGAIN: &str = "LINE 2 and new words changes line 2, BEFORE 2 and words puts a line in front of it, SEND tries it \
     again, STOP drops it.";

/// What is known of a radiogram that is being typed.
#[derive(Clone, Debug)]
pub(super) struct Form {
    /// Who gives it in.
    visitor: CallSign,
    /// The visitor was told that its check does not agree with its text.
    counted: bool,
}

impl Writing {
    /// The radiogram as it can go on, if that is so.
    ///
    /// Its station of origin has to have all of it right (G1). Of one that comes from elsewhere only the count may be wrong:
    /// both stations must agree on it, so it is asked for once, and then goes on as old/new (G1, G3).
    fn form_to_send(&mut self) -> Result<Draft, String> {
        let form: Radiogram = format!("{}{END}\n", self.body).parse().map_err(said)?;
        let known = self
            .form
            .as_mut()
            .filter(|known| known.visitor != form.origin);
        let form = match known {
            None => form.fit_to_send().map(|()| form).map_err(said)?,
            Some(known) => {
                let receipt = form.receive();
                if let Some(finding) = receipt.finding
                    && !std::mem::replace(&mut known.counted, true)
                {
                    return Err(said(finding));
                }
                form.with_check(receipt.check)
            }
        };
        Ok(Draft {
            kind: self.kind.clone(),
            precedence: form.precedence,
            title: form.title(),
            body: form.body().map_err(said)?,
            keep_back: false,
        })
    }

    /// `LINE 2` or `BEFORE 2`, and words; `None` = that is not what the visitor wants, or there is no such line.
    pub(super) fn change(&mut self, command: &str) -> Option<String> {
        let mut parts = command.splitn(3, char::is_whitespace);
        let what = parts.next()?.to_ascii_uppercase();
        let number: usize = parts.next()?.parse().ok()?;
        let words = parts.next().unwrap_or_default().trim();
        let mut lines: Vec<&str> = self.body.lines().collect();
        let at = number.checked_sub(1).filter(|at| *at < lines.len())?;
        let done = match &*what {
            "LINE" => {
                lines[at] = words;
                format!("Line {number} is changed.")
            }
            "BEFORE" => {
                lines.insert(at, words);
                format!("There are {} lines now.", lines.len())
            }
            _ => return None,
        };
        let body = lines.join("\n") + "\n";
        if body.len() > self.most {
            return Some(format!("That is too long: {} octets are taken.", self.most));
        }
        self.body = body;
        if let Some(form) = &mut self.form {
            form.counted = false;
        }
        Some(format!("{done} SEND tries it again."))
    }
}

impl Mailbox {
    /// Begins a radiogram for the station that is to deliver it, and asks whether there is room for it.
    pub(super) fn radiogram(
        &mut self,
        to: Address,
        visitor: CallSign,
        precedence: Precedence,
    ) -> Led {
        let form = Form {
            visitor: visitor.with_ssid(0).unwrap_or(visitor),
            counted: false,
        };
        self.begin(Kind::Formal { to }, precedence, Some(form))
    }

    /// A line of a radiogram.
    pub(super) fn line_of_form(&mut self, line: &str) -> Option<Led> {
        let word = line.trim();
        let ends = [END, "+", "SEND"];
        if ends.iter().any(|end| word.eq_ignore_ascii_case(end)) {
            return self.send_form();
        }
        self.writing.as_mut()?.add(line).map(Led::Say)
    }

    /// All of it is typed.
    pub(super) fn send_form(&mut self) -> Option<Led> {
        let writing = self.writing.as_mut()?;
        match writing.form_to_send() {
            Ok(draft) => self.give_in(draft),
            Err(words) => {
                writing.stage = Writes::Again(0);
                Some(Led::Say(format!("{words} {AGAIN}")))
            }
        }
    }

    /// The visitor says what became of the radiogram of this number in the last list.
    pub(super) fn concludes(&self, number: usize, said: Result<Conclusion, String>) -> Led {
        match self.number(number).and_then(|id| Ok((id, said?))) {
            Ok((id, conclusion)) => Led::Wish(Wish::Look(id, conclusion)),
            Err(text) => Led::Say(text),
        }
    }
}

/// That it was not delivered, with the reason in the visitor's words.
pub(super) fn not_delivered(number: usize, why: &str) -> Result<Conclusion, String> {
    let why: Result<Failure, Fault> = why.parse();
    match why {
        Ok(why) => Ok(Conclusion::NotDelivered { why }),
        Err(Fault::Nothing) => {
            let usual = Failure::NoAnswer.words();
            Err(format!("And why? Such as NOT DELIVERED {number} {usual}."))
        }
        Err(fault) => Err(said(fault)),
    }
}

/// A fault as a sentence.
fn said(words: impl std::fmt::Display) -> String {
    let words = words.to_string();
    let mut characters = words.chars();
    match characters.next() {
        Some(first) => format!("{}{}.", first.to_uppercase(), characters.as_str()),
        None => words,
    }
}
