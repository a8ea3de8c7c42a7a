//! The kinds of values: texts, call signs, numbers, numbers with units, choices.

use std::ops::Range;
use std::time::Duration;

use dunlin_ax25::CallSign;
use toml::Spanned;
use toml::de::DeValue;

use crate::quantity::{self, TIME, Unit, shorten};
use crate::setting::{PlanRules, Rule, Wrong};

/// A value and where it stands in the text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Placed<T> {
    /// The value.
    pub value: T,
    /// Octets of the text.
    pub at: Range<usize>,
}

/// A text.
#[derive(Clone, Copy, Debug)]
pub struct Words {
    /// Fewest octets.
    pub fewest: usize,
    /// Most octets.
    pub most: usize,
    /// Line breaks are allowed.
    pub lines: bool,
}

/// A call sign with or without SSID.
#[derive(Clone, Copy, Debug)]
pub struct Call;

/// A list of call signs, none twice.
#[derive(Clone, Copy, Debug)]
pub struct Calls {
    /// Longest list.
    pub most: usize,
}

/// `true` or `false`.
#[derive(Clone, Copy, Debug)]
pub struct YesNo;

/// A whole number.
#[derive(Clone, Copy, Debug)]
pub struct Whole {
    /// Lowest.
    pub from: u32,
    /// Highest.
    pub to: u32,
}

/// A share from 0.01 to 1.
#[derive(Clone, Copy, Debug)]
pub struct Share;

/// A length of time; figures in milliseconds.
#[derive(Clone, Copy, Debug)]
pub struct Time {
    /// Shortest on the air.
    pub from: u32,
    /// Shortest in a rehearsal.
    pub rehearsal_from: u32,
    /// Longest.
    pub to: u32,
}

/// The version of the plan.
#[derive(Clone, Copy, Debug)]
pub struct Version(pub u32);

/// An address on a network.
#[derive(Clone, Copy, Debug)]
pub struct Address {
    /// Host and port, such as `10.0.0.5:8100`; else an IP address alone.
    pub port: bool,
}

/// One of several words, each with what it stands for.
#[derive(Clone, Copy, Debug)]
pub struct Choice<T: 'static>(pub &'static [(&'static str, T)]);

/// One of several whole numbers, each with what it stands for.
#[derive(Clone, Copy, Debug)]
pub struct Figures<T: 'static>(pub &'static [(u32, T)]);

/// What was found in place of what was wanted, as people say it.
pub(crate) fn instead(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text in quotes",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

pub(crate) fn wrong_type<T>(value: &DeValue<'_>, wanted: &str) -> Result<T, Vec<Wrong>> {
    Err(Wrong::whole(format!(
        "this is {}, wanted is {wanted}",
        instead(value)
    )))
}

pub(crate) fn text_of<'v>(
    value: &'v Spanned<DeValue<'_>>,
    wanted: &str,
) -> Result<&'v str, Vec<Wrong>> {
    match value.get_ref() {
        DeValue::String(text) => Ok(text),
        other => wrong_type(other, wanted),
    }
}

impl Rule for Words {
    type Value = String;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<String, Vec<Wrong>> {
        let text = text_of(value, "a text in quotes")?.replace("\r\n", "\n");
        if text.len() < self.fewest {
            return Err(Wrong::whole("this text is empty"));
        }
        if text.len() > self.most {
            return Err(Wrong::whole(format!("this text has {} octets", text.len())));
        }
        let bad = |c: &char| c.is_control() && !(self.lines && *c == '\n');
        match text.chars().find(bad) {
            Some('\n') => Err(Wrong::whole("this text has a line break")),
            Some(c) => Err(Wrong::whole(format!(
                "this text has the control character {}",
                c.escape_unicode()
            ))),
            None => Ok(text),
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        let lines = match self.lines {
            true => "line breaks allowed",
            false => "on one line",
        };
        let Words { fewest, most, .. } = self;
        format!("a text of {fewest} to {most} octets, {lines}, no other control characters")
    }
}

const CALL_ALLOWED: &str = "a call sign of 1 to 6 letters A-Z and digits, and if wanted a hyphen \
                            and an SSID from 0 to 15, such as \"QA1SKY-7\"";

fn call_of(value: &Spanned<DeValue<'_>>) -> Result<CallSign, Vec<Wrong>> {
    let text = text_of(value, "a call sign in quotes")?;
    let wrong = |error| Wrong::whole(format!("'{}': {error}", shorten(text)));
    text.parse().map_err(wrong)
}

impl Rule for Call {
    type Value = CallSign;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<CallSign, Vec<Wrong>> {
        call_of(value)
    }

    fn allowed(&self, _: &PlanRules) -> String {
        CALL_ALLOWED.to_owned()
    }
}

impl Rule for Calls {
    type Value = Vec<Placed<CallSign>>;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<Self::Value, Vec<Wrong>> {
        let DeValue::Array(items) = value.get_ref() else {
            return wrong_type(value.get_ref(), "a list of call signs in brackets");
        };
        let (mut calls, mut wrongs) = (Vec::<Placed<CallSign>>::new(), Vec::new());
        for (index, item) in items.iter().enumerate() {
            let at = item.span();
            let mut bad = |what| {
                wrongs.push(Wrong {
                    at: Some(at.clone()),
                    what,
                })
            };
            if index == self.most {
                bad(format!("this list has {} call signs", items.len()));
                break;
            }
            match call_of(item) {
                Ok(value) if calls.iter().any(|call| call.value == value) => {
                    bad(format!("{value} stands in this list twice"));
                }
                Ok(value) => calls.push(Placed {
                    value,
                    at: at.clone(),
                }),
                Err(inner) => inner.into_iter().for_each(|wrong| bad(wrong.what)),
            }
        }
        if wrongs.is_empty() {
            Ok(calls)
        } else {
            Err(wrongs)
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        format!(
            "a list of at most {} different call signs, each {CALL_ALLOWED}",
            self.most
        )
    }
}

impl Rule for YesNo {
    type Value = bool;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<bool, Vec<Wrong>> {
        match value.get_ref() {
            DeValue::Boolean(yes) => Ok(*yes),
            other => wrong_type(other, "true or false without quotes"),
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        "true or false".to_owned()
    }
}

impl Rule for Whole {
    type Value = u32;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<u32, Vec<Wrong>> {
        let DeValue::Integer(number) = value.get_ref() else {
            return wrong_type(value.get_ref(), "a whole number without quotes");
        };
        let parsed = i64::from_str_radix(number.as_str(), number.radix());
        let in_range = |n: &u32| (self.from..=self.to).contains(n);
        let value = parsed.ok().and_then(|n| u32::try_from(n).ok());
        value.filter(in_range).ok_or_else(|| {
            Wrong::whole(format!("{} is out of range", shorten(&number.to_string())))
        })
    }

    fn allowed(&self, _: &PlanRules) -> String {
        format!("a whole number from {} to {}", self.from, self.to)
    }
}

impl Rule for Share {
    type Value = f64;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<f64, Vec<Wrong>> {
        let text = match value.get_ref() {
            DeValue::Float(number) => number.as_str().to_owned(),
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().to_owned(),
            other => return wrong_type(other, "a number without quotes"),
        };
        let share = text.parse::<f64>().ok();
        let in_range = share.filter(|share| (0.01..=1.0).contains(share));
        in_range.ok_or_else(|| Wrong::whole(format!("{} is out of range", shorten(&text))))
    }

    fn allowed(&self, _: &PlanRules) -> String {
        "a number from 0.01 to 1".to_owned()
    }
}

/// Reads a number with a unit and checks its range.
fn quantity_of(
    value: &Spanned<DeValue<'_>>,
    units: &[Unit],
    (from, to): (f64, f64),
) -> Result<f64, Vec<Wrong>> {
    let text = match value.get_ref() {
        DeValue::String(text) => text,
        DeValue::Integer(_) | DeValue::Float(_) => {
            let what = "this number has no unit; write number and unit in quotes";
            return Err(Wrong::whole(what));
        }
        other => return wrong_type(other, "a number with its unit, in quotes"),
    };
    let number = quantity::parse(text, units).map_err(Wrong::whole)?;
    match number >= from && number <= to {
        true => Ok(number),
        false => Err(Wrong::whole(format!("'{}' is out of range", shorten(text)))),
    }
}

impl Time {
    fn from(&self, rules: &PlanRules) -> f64 {
        f64::from(match rules.rehearsal {
            true => self.rehearsal_from,
            false => self.from,
        })
    }
}

impl Rule for Time {
    type Value = Duration;

    fn read(
        &self,
        value: &Spanned<DeValue<'_>>,
        rules: &PlanRules,
    ) -> Result<Duration, Vec<Wrong>> {
        let range = (self.from(rules), f64::from(self.to));
        let milliseconds = quantity_of(value, TIME, range)?;
        Ok(Duration::from_micros((milliseconds * 1e3).round() as u64))
    }

    fn allowed(&self, rules: &PlanRules) -> String {
        let (from, to) = (self.from(rules), f64::from(self.to));
        let (from, to) = (quantity::time(from), quantity::time(to));
        format!(
            "a time in quotes from \"{from}\" to \"{to}\"; units {}",
            quantity::names(TIME)
        )
    }
}

impl Rule for Version {
    type Value = u32;

    fn read(&self, value: &Spanned<DeValue<'_>>, rules: &PlanRules) -> Result<u32, Vec<Wrong>> {
        let number = Whole {
            from: 0,
            to: u32::MAX,
        };
        match (number.read(value, rules)?, self.0) {
            (version, own) if version == own => Ok(version),
            (newer, own) if newer > own => Err(Wrong::whole(format!(
                "this plan is written by the rules of version {newer}, this program knows version \
                 {own}; run it with a newer Dunlin"
            ))),
            (other, own) => Err(Wrong::whole(format!(
                "there are no rules of version {other}; this program knows version {own}: look \
                 whether the plan fits `dunlin plan explain`, then write plan_version = {own}"
            ))),
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        format!("{}", self.0)
    }
}

impl Rule for Address {
    type Value = String;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<String, Vec<Wrong>> {
        let text = text_of(value, "an address in quotes")?;
        let good = match self.port {
            false => text.parse::<std::net::IpAddr>().is_ok(),
            true => text.rsplit_once(':').is_some_and(|(host, port)| {
                let plain = |c: char| c.is_ascii_alphanumeric() || "-._[]:%".contains(c);
                let whole = !host.is_empty() && host.len() <= 253 && host.chars().all(plain);
                whole && port.parse::<u16>().is_ok_and(|port| port > 0)
            }),
        };
        match good {
            true => Ok(text.to_owned()),
            false => Err(Wrong::whole(format!("'{}' is none", shorten(text)))),
        }
    }

    fn allowed(&self, _: &PlanRules) -> String {
        match self.port {
            true => "host and port in quotes, such as \"127.0.0.1:8100\"",
            false => "an IP address in quotes, such as \"127.0.0.1\"",
        }
        .to_owned()
    }
}

impl<T: Copy> Rule for Choice<T> {
    type Value = T;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<T, Vec<Wrong>> {
        let text = text_of(value, "a word in quotes")?;
        if let Some((_, meaning)) = self.0.iter().find(|(word, _)| *word == text) {
            return Ok(*meaning);
        }
        let words: Vec<&str> = self.0.iter().map(|(word, _)| *word).collect();
        let hint = match crate::nearest::nearest(text, &words) {
            Some(near) => format!("; '{near}' is"),
            None => String::new(),
        };
        Err(Wrong::whole(format!(
            "'{}' is none of the words{hint}",
            shorten(text)
        )))
    }

    fn allowed(&self, _: &PlanRules) -> String {
        let words: Vec<String> = self
            .0
            .iter()
            .map(|(word, _)| format!("\"{word}\""))
            .collect();
        words.join(" or ")
    }
}

impl<T: Copy> Rule for Figures<T> {
    type Value = T;

    fn read(&self, value: &Spanned<DeValue<'_>>, rules: &PlanRules) -> Result<T, Vec<Wrong>> {
        let any = Whole {
            from: 0,
            to: u32::MAX,
        };
        let number = any.read(value, rules)?;
        let meant = self.0.iter().find(|(figure, _)| *figure == number);
        meant
            .map(|(_, meaning)| *meaning)
            .ok_or_else(|| Wrong::whole(format!("{number} is none of the numbers")))
    }

    fn allowed(&self, _: &PlanRules) -> String {
        let figures: Vec<String> = self.0.iter().map(|(n, _)| n.to_string()).collect();
        figures.join(" or ")
    }
}
