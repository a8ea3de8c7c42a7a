//! A radiogram as a person fills it in: words in fields, before it has a number, an origin and a check.
//!
//! What is wrong is told of each field at once, so that a page can say it beside each while it is typed.

use std::fmt::{self, Display};
use std::str::FromStr;

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};

use super::fault::{Fault, Located, Part, Unfit};
use super::preamble::{fits_handling, handlings};
use super::{Check, Date, Filed, Handling, Line, MOST_ADDRESS, Phone, Radiogram, Remark, Text};
use crate::Precedence;

/// The fields of a form that is filled in. The station of origin adds number, call sign and check.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Blank {
    /// How soon it is handled.
    pub precedence: Precedence,
    /// Handling instructions, such as `HXC HXG`; often none.
    pub handling: String,
    /// The place of origin.
    pub place: String,
    /// The time filed, such as `1830Z`. Together with an empty date: now.
    pub filed: String,
    /// The date, such as `NOV 29`; empty = today.
    pub date: String,
    /// Name and address, a line each.
    pub to: String,
    /// The telephone number; may be empty.
    pub phone: String,
    /// The text.
    pub text: String,
    /// Who signs.
    pub signature: String,
}

/// A field of a [`Blank`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Field {
    /// The handling instructions.
    Handling,
    /// The place of origin.
    Place,
    /// The time filed.
    Filed,
    /// The date.
    Date,
    /// Name and address.
    To,
    /// The telephone number.
    Phone,
    /// The text.
    Text,
    /// Who signs.
    Signature,
}

impl Display for Field {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Field::Handling => "handling instructions",
            Field::Place => "place of origin",
            Field::Filed => "time filed",
            Field::Date => "date",
            Field::To => "name and address",
            Field::Phone => "phone",
            Field::Text => "text",
            Field::Signature => "signature",
        })
    }
}

impl Display for Amiss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.field, self.words)
    }
}

/// What is wrong in a field, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Amiss {
    /// Where.
    pub field: Field,
    /// What, and what to do.
    pub words: String,
}

/// What can be said of a form while it is being filled in.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// The check that the text would get, as soon as there is a text.
    pub check: Option<Check>,
    /// What the writer should know; none of it keeps the radiogram from being sent.
    pub remarks: Vec<String>,
    /// What keeps it from being sent.
    pub amiss: Vec<Amiss>,
}

impl From<&Radiogram> for Blank {
    /// The fields as they would be filled in for the same radiogram, to go on writing it.
    fn from(form: &Radiogram) -> Blank {
        let handling: Vec<String> = form.handling.iter().map(ToString::to_string).collect();
        let to: Vec<&str> = form.to.iter().map(Line::as_str).collect();
        let phone = form.phone.as_ref().map_or("", Phone::as_str);
        Blank {
            precedence: form.precedence,
            handling: handling.join(" "),
            place: form.place.to_string(),
            filed: form
                .filed
                .map_or_else(String::new, |filed| filed.to_string()),
            date: form.date.to_string(),
            to: to.join("\n"),
            phone: phone.to_owned(),
            text: form.text.to_string(),
            signature: form.signature.to_string(),
        }
    }
}

impl Blank {
    /// The radiogram that it becomes with this number at this station, at this civil time.
    ///
    /// # Errors
    /// All that is wrong, in the order of the fields; never empty.
    pub fn fill(
        &self,
        number: u32,
        origin: CallSign,
        now: WallTime,
    ) -> Result<Radiogram, Vec<Amiss>> {
        let mut amiss = Vec::new();
        let mut wrong = |field, words: String| amiss.push(Amiss { field, words });
        let handling = taken(Field::Handling, self.handling(), &mut wrong);
        let place = taken(Field::Place, one_line::<Line>(&self.place), &mut wrong);
        let (filed, date) = self.when(now, &mut wrong);
        let to = taken(Field::To, self.address(), &mut wrong);
        let phone = match self.phone.trim() {
            "" => Some(None),
            phone => taken(Field::Phone, one_line::<Phone>(phone), &mut wrong).map(Some),
        };
        let text = taken(Field::Text, read::<Text>(&self.text), &mut wrong);
        let signature = taken(
            Field::Signature,
            one_line::<Line>(&self.signature),
            &mut wrong,
        );
        let form = || {
            let text = text?;
            Some(Radiogram {
                number,
                precedence: self.precedence,
                handling: handling?,
                origin,
                check: Check::of(&text),
                place: place?,
                filed: filed?,
                date: date?,
                to: to?,
                phone: phone?,
                text,
                signature: signature?,
            })
        };
        let Some(form) = form() else {
            return Err(amiss);
        };
        form.fit_to_send().map_err(|unfit| vec![of_unfit(unfit)])?;
        Ok(form)
    }

    /// Counts it as it stands.
    pub fn tally(&self, origin: CallSign, now: WallTime) -> Tally {
        let text: Option<Text> = self.text.parse().ok();
        let (remarks, amiss) = match self.fill(1, origin, now) {
            Ok(form) => (form.remarks(), Vec::new()),
            Err(amiss) => (text.as_ref().map_or_else(Vec::new, Remark::of_text), amiss),
        };
        Tally {
            check: text.as_ref().map(Check::of),
            remarks: remarks.iter().map(ToString::to_string).collect(),
            amiss,
        }
    }

    fn handling(&self) -> Result<Vec<Handling>, String> {
        let upper = self.handling.to_ascii_uppercase();
        let mut all = Vec::new();
        for group in upper.split_whitespace() {
            all.extend(handlings(group).map_err(|fault| fault.to_string())?);
        }
        match fits_handling(&all) {
            Ok(()) => Ok(all),
            Err(fault) => Err(fault.to_string()),
        }
    }

    /// Time and date. Whoever leaves both out means now; whoever writes only the date has no time.
    fn when(
        &self,
        now: WallTime,
        wrong: &mut impl FnMut(Field, String),
    ) -> (Option<Option<Filed>>, Option<Date>) {
        let (filed, date) = (self.filed.trim(), self.date.trim());
        let filed = match (filed, date) {
            ("", "") => Some(Some(Filed::at(now))),
            ("", _) => Some(None),
            (filed, _) => taken(Field::Filed, read::<Filed>(filed), wrong).map(Some),
        };
        let date = match date {
            "" => Some(Date::at(now)),
            date => taken(Field::Date, read::<Date>(date), wrong),
        };
        (filed, date)
    }

    fn address(&self) -> Result<Vec<Line>, String> {
        let lines = self.to.lines().filter(|line| !line.trim().is_empty());
        let mut all = Vec::new();
        for (at, line) in lines.take(MOST_ADDRESS + 1).enumerate() {
            let read = one_line::<Line>(line).map_err(|words| format!("line {}: {words}", at + 1));
            all.push(read?);
        }
        match all.len() {
            1..=MOST_ADDRESS => Ok(all),
            lines => Err(Fault::Address(lines).to_string()),
        }
    }
}

/// A part, or else what is wrong with it is noted.
fn taken<T>(
    field: Field,
    read: Result<T, String>,
    wrong: &mut impl FnMut(Field, String),
) -> Option<T> {
    match read {
        Ok(part) => Some(part),
        Err(words) => {
            wrong(field, words);
            None
        }
    }
}

fn read<T: FromStr>(text: &str) -> Result<T, String>
where
    T::Err: Display,
{
    let read = text.trim().parse();
    read.map_err(|fault: T::Err| fault.to_string())
}

/// A field of one line: where in it the fault is, one sees.
fn one_line<T: FromStr<Err = Located>>(text: &str) -> Result<T, String> {
    let read = text.trim().parse();
    read.map_err(|located: Located| located.fault.to_string())
}

/// The field of a part that does not fit the form.
fn of_unfit(unfit: Unfit) -> Amiss {
    let field = match unfit.part {
        Part::Handling => Field::Handling,
        Part::Filed => Field::Filed,
        Part::Address(_) => Field::To,
        Part::Signature => Field::Signature,
        Part::Check => Field::Text,
        // The station gives number and origin; if its call sign is none of a licensed station, the place stands
        // beside it.
        Part::Number | Part::Origin | Part::Place => Field::Place,
    };
    Amiss {
        field,
        words: unfit.fault.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-11-29 18:30 UTC.
    const NOW: WallTime = WallTime(1_795_977_000_000);

    fn call(text: &str) -> CallSign {
        text.parse().expect("a call sign")
    }

    fn blank() -> Blank {
        Blank {
            precedence: Precedence::Routine,
            handling: "hxg".into(),
            place: "Great Marrow".into(),
            filed: String::new(),
            date: String::new(),
            to: "Warden of the school\n\n Harbour lane 4\nLee Cove\n".into(),
            phone: "555 0142".into(),
            text: "forty cots come by ferry at 1540 x\nopen the hall x".into(),
            signature: "harbour office".into(),
        }
    }

    #[test]
    fn what_is_filled_in_becomes_the_form_and_is_read_again() {
        let form = blank().fill(12, call("QA1SKY"), NOW).expect("it fits");
        let preamble = "12 R HXG QA1SKY 12 GREAT MARROW 1830Z NOV 29";
        assert_eq!(form.preamble(), preamble);
        let body = form.body().expect("a body");
        assert_eq!(body.parse(), Ok(form.clone()));
        let again = Blank::from(&form).fill(12, call("QA1SKY"), WallTime(0));
        assert_eq!(again, Ok(form), "to go on writing");
        let late = Blank {
            date: "nov 28".into(),
            ..blank()
        };
        let form = late.fill(12, call("QA1SKY"), NOW).expect("routine");
        assert_eq!(form.filed, None, "no time is made up for another day");
    }

    #[test]
    fn all_that_is_wrong_is_told_at_once_with_its_field() {
        let spoiled = Blank {
            handling: "HXB".into(),
            place: String::new(),
            to: "A\nWARDEN?".into(),
            phone: "CALL ME".into(),
            text: "COTS. NOW".into(),
            signature: " ".into(),
            ..blank()
        };
        let amiss = spoiled.fill(1, call("QA1SKY"), NOW).expect_err("wrong");
        let fields: Vec<Field> = amiss.iter().map(|a| a.field).collect();
        let all = [
            Field::Handling,
            Field::Place,
            Field::To,
            Field::Phone,
            Field::Text,
            Field::Signature,
        ];
        assert_eq!(fields, all);
        assert!(amiss[2].words.contains("line 2"), "{:?}", amiss[2]);
        assert!(amiss[4].words.contains("X to part"), "{:?}", amiss[4]);
        let urgent = Blank {
            precedence: Precedence::Emergency,
            date: "NOV 29".into(),
            ..blank()
        };
        let amiss = urgent.fill(1, call("QA1SKY"), NOW).expect_err("no time");
        assert_eq!(amiss[0].field, Field::Filed);
    }

    #[test]
    fn the_text_is_counted_before_the_rest_is_there() {
        let begun = Blank {
            text: format!("ARL 50 {}", "WORD ".repeat(24)),
            ..Blank::default()
        };
        let tally = begun.tally(call("QA1SKY"), NOW);
        let check = tally.check.map(|check| check.to_string());
        assert_eq!(check.as_deref(), Some("ARL 26"));
        assert!(tally.remarks[0].contains("ARL FIFTY"), "{tally:?}");
        assert!(tally.remarks[1].contains("26 groups"), "{tally:?}");
        assert_eq!(tally.amiss.len(), 3, "place, address, signature");
        let whole = blank().tally(call("QA1SKY"), NOW);
        assert_eq!((whole.amiss, whole.remarks), (Vec::new(), Vec::new()));
    }
}
