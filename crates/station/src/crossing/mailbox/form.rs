//! Radiograms that a visitor gives in, and what the visitor says became of one.

use dunlin_ax25::CallSign;
use dunlin_mail::radiogram::{Failure, Fault, Located, MOST_REASON, Radiogram};
use dunlin_mail::{Address, Kind, Precedence};

use super::{Led, Mailbox, Wish, Writes, Writing};
use crate::engine::{Conclusion, Draft};

/// Ends a radiogram. `+` and SEND do too.
pub(super) const END: &str = "AR";
/// How a radiogram is asked for.
pub(super) const ASKS: &str =
    "Its lines as on the form, the preamble first. AR on a line of its own ends it, STOP drops it.";
/// What is left to do with one that was not taken.
pub(super) const AGAIN: &str = "LINE 2 and new words changes line 2, BEFORE 2 and words puts a line in front of it, SEND tries it \
     again, STOP drops it.";

/// The same, if only the count does not agree.
const AGAIN_COUNT: &str =
    "SEND lets it go on so, LINE 1 and new words changes line 1, STOP drops it.";

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
    ///
    /// # Errors
    /// What is wrong, and what is left to do.
    fn form_to_send(&mut self) -> Result<Draft, String> {
        if self.full {
            return Err("Its end is missing. STOP drops it.".into());
        }
        let said = |words: &dyn std::fmt::Display| format!("{} {AGAIN}", sentence(words));
        let form: Radiogram = format!("{}{END}\n", self.body)
            .parse()
            .map_err(|fault: Located| said(&fault))?;
        let known = self
            .form
            .as_mut()
            .filter(|known| known.visitor != form.origin);
        let form = match known {
            None => {
                form.fit_to_send().map_err(|unfit| said(&unfit))?;
                form
            }
            Some(known) => {
                let receipt = form.receive();
                if let Some(finding) = receipt.finding
                    && !std::mem::replace(&mut known.counted, true)
                {
                    return Err(format!("{} {AGAIN_COUNT}", sentence(&finding)));
                }
                form.with_check(receipt.check)
            }
        };
        Ok(Draft {
            kind: self.kind.clone(),
            precedence: form.precedence,
            title: form.title(),
            body: form.body().map_err(|unfit| said(&unfit))?,
            keep_back: false,
        })
    }

    /// `LINE 2` or `BEFORE 2`, and words: also for the line that follows the last. `None` = that is not what the visitor wants.
    pub(super) fn change(&mut self, command: &str) -> Option<String> {
        let mut parts = command.split_whitespace();
        let what = parts.next()?.to_ascii_uppercase();
        let number: usize = parts.next()?.parse().ok()?;
        let words = parts.collect::<Vec<_>>().join(" ");
        let mut lines: Vec<&str> = self.body.lines().collect();
        let after = lines.len() + 1;
        let at = number.checked_sub(1).filter(|at| *at < after);
        let done = match (&*what, at) {
            ("LINE" | "BEFORE", None) => return Some(format!("There are the lines 1 to {after}.")),
            ("LINE", Some(at)) if at < lines.len() => {
                lines[at] = &words;
                format!("Line {number} is changed.")
            }
            ("LINE" | "BEFORE", Some(at)) => {
                lines.insert(at, &words);
                format!("Line {number} is new.")
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

/// Whether this ends a radiogram.
pub(super) fn is_end(word: &str) -> bool {
    [END, "+"].iter().any(|end| word.eq_ignore_ascii_case(end))
}

/// The precedence of a preamble as far as limits go by it: emergencies have wider ones.
fn precedence(preamble: &str) -> Precedence {
    let mut groups = preamble.split_whitespace().take(3);
    match groups.any(|group| group.eq_ignore_ascii_case("EMERGENCY")) {
        true => Precedence::Emergency,
        false => Precedence::Routine,
    }
}

impl Mailbox {
    /// Begins a radiogram for the station that is to deliver it, and asks whether there is any room for one.
    pub(super) fn radiogram(&mut self, to: Address, visitor: CallSign) -> Led {
        let form = Form {
            visitor: visitor.with_ssid(0).unwrap_or(visitor),
            counted: false,
        };
        self.begin(Kind::Formal { to }, Precedence::Emergency, Some(form))
    }

    /// A line of a radiogram. With the first its precedence is known, and it is asked whether there is room for one of these.
    pub(super) fn line_of_form(&mut self, line: &str, ends: bool) -> Option<Led> {
        if ends {
            return self.send_form();
        }
        let writing = self.writing.as_mut()?;
        let first = writing.body.is_empty();
        if let Some(full) = writing.add(line) {
            return Some(Led::Say(full));
        }
        let precedence = precedence(line);
        let asks = first && precedence != Precedence::Emergency;
        asks.then_some(Led::Wish(Wish::MayWrite(precedence)))
    }

    /// All of it is typed.
    pub(super) fn send_form(&mut self) -> Option<Led> {
        let writing = self.writing.as_mut()?;
        match writing.form_to_send() {
            Ok(draft) => self.give_in(draft),
            Err(words) => {
                writing.stage = Writes::Again(0);
                Some(Led::Say(words))
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
        Ok(Failure::Other(text)) if text.groups().len() > MOST_REASON => {
            Err(format!("Say why in {MOST_REASON} words at most."))
        }
        Ok(why) => Ok(Conclusion::NotDelivered { why }),
        Err(Fault::Nothing) => {
            let usual = Failure::NoAnswer.words();
            Err(format!("And why? Such as NOT DELIVERED {number} {usual}."))
        }
        Err(fault) => Err(sentence(&fault)),
    }
}

/// A fault as a sentence.
fn sentence(words: &dyn std::fmt::Display) -> String {
    let words = words.to_string();
    let mut characters = words.chars();
    match characters.next() {
        Some(first) => format!("{}{}.", first.to_uppercase(), characters.as_str()),
        None => words,
    }
}
