//! Numbers whose unit stands in the name of their key: `tail_ms = 30`, `level_dbfs = -12`.

use std::time::Duration;

use toml::Spanned;
use toml::de::DeValue;

use crate::quantity::{self, shorten};
use crate::rule::wrong_type;
use crate::setting::{PlanRules, Rule, Wrong};

/// What a unit measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Time; the base is the millisecond.
    Time,
    /// Frequency and rate; the base is the hertz.
    Frequency,
    /// Level below full scale.
    Level,
    /// Ratio of powers.
    Ratio,
    /// Ratio of powers between a tone and the one an octave below.
    Slope,
    /// Power.
    Power,
    /// Bits or symbols per second.
    Speed,
    /// Storage; the base is the octet.
    Storage,
    /// Share.
    Share,
    /// Things that are counted.
    Count,
}

/// A unit as it ends a key.
#[derive(Debug, PartialEq)]
pub struct Unit {
    /// The end of the key, behind `_`.
    pub suffix: &'static str,
    /// How it is written behind a number; empty = never.
    pub symbol: &'static str,
    /// In words.
    pub words: &'static str,
    /// What it measures.
    pub kind: Kind,
    /// What one of it is in the base unit of its kind.
    pub factor: f64,
}

macro_rules! units {
    ($($name:ident: $suffix:literal, $symbol:literal, $words:literal, $kind:ident, $factor:literal;)+) => {
        $(#[doc = $words] pub static $name: Unit = Unit {
            suffix: $suffix,
            symbol: $symbol,
            words: $words,
            kind: Kind::$kind,
            factor: $factor,
        };)+
        static UNITS: &[&Unit] = &[$(&$name),+];
    };
}

units! {
    MS: "ms", "ms", "milliseconds", Time, 1.0;
    S: "s", "s", "seconds", Time, 1e3;
    MIN: "min", "min", "minutes", Time, 60e3;
    H: "h", "h", "hours", Time, 3600e3;
    DAYS: "days", "d", "days", Time, 86_400e3;
    HZ: "hz", "Hz", "hertz", Frequency, 1.0;
    KHZ: "khz", "kHz", "kilohertz", Frequency, 1e3;
    DBFS: "dbfs", "dBFS", "decibels of full scale", Level, 1.0;
    DB: "db", "dB", "decibels", Ratio, 1.0;
    DB_PER_OCTAVE: "db_per_octave", "dB/octave", "decibels per octave", Slope, 1.0;
    W: "w", "W", "watts", Power, 1.0;
    BAUD: "baud", "Bd", "bits per second", Speed, 1.0;
    MB: "mb", "MB", "megabytes", Storage, 1e6;
    PERCENT: "percent", "%", "per cent", Share, 1.0;
    OCTETS: "octets", "", "octets", Count, 1.0;
    FRAMES: "frames", "", "frames", Count, 1.0;
    MESSAGES: "messages", "", "messages", Count, 1.0;
    VISITORS: "visitors", "", "visitors", Count, 1.0;
}

/// A number in a unit.
#[derive(Clone, Copy, Debug)]
pub struct Number {
    /// The unit, which is also the end of the key.
    pub unit: &'static Unit,
    /// Lowest.
    pub from: f64,
    /// Highest.
    pub to: f64,
}

/// A length of time as a number in a unit.
#[derive(Clone, Copy, Debug)]
pub struct Span {
    /// The unit, which is also the end of the key.
    pub unit: &'static Unit,
    /// Shortest on the air, in this unit.
    pub from: f64,
    /// Shortest in a rehearsal, in this unit.
    pub rehearsal_from: f64,
    /// Longest, in this unit.
    pub to: f64,
}

/// A number as people write it, without the dust of binary fractions.
pub(crate) fn plain(number: f64) -> String {
    let rounded = (number * 1e6).round() / 1e6;
    format!("{}", rounded + 0.0) // No "-0".
}

/// The number in a value, as it is written.
pub(crate) fn number_of(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Float(number) => number.as_str().replace('_', "").parse::<f64>().ok(),
        DeValue::Integer(number) if number.radix() == 10 => {
            number.as_str().replace('_', "").parse::<f64>().ok()
        }
        _ => None,
    };
    number.filter(|number| number.is_finite())
}

/// The number of `text`, such as "300 ms", in `unit`; `None` if it says no such thing.
fn converted(text: &str, unit: &Unit) -> Option<f64> {
    let same: Vec<(&str, f64)> = UNITS
        .iter()
        .filter(|other| other.kind == unit.kind && !other.symbol.is_empty())
        .map(|other| (other.symbol, other.factor))
        .collect();
    Some(quantity::parse(text, &same).ok()? / unit.factor)
}

/// The key without its unit, and the unit.
fn stem(key: &str) -> (&str, Option<&'static Unit>) {
    let parts = UNITS.iter().filter_map(|&unit| {
        let stem = key.strip_suffix(unit.suffix)?.strip_suffix('_')?;
        Some((stem, unit))
    });
    // `db_per_octave` is longer than any unit that it ends with.
    match parts.min_by_key(|(stem, _)| stem.len()) {
        Some((stem, unit)) => (stem, Some(unit)),
        None => (key, None),
    }
}

/// For a key that is not known: the known key that differs only in the unit, and what to
/// write.
pub(crate) fn with_unit<'k>(
    key: &str,
    value: &DeValue<'_>,
    known: &[&'k str],
) -> Option<(&'k str, String)> {
    let (wanted, own) = stem(key);
    let same = |known: &&&str| stem(known).0 == wanted && stem(known).1.is_some();
    let twin = *known.iter().find(same)?;
    let unit = stem(twin).1?;
    let from_text = match value {
        DeValue::String(text) => converted(text, unit),
        _ => None,
    };
    let from_number = || {
        let number = number_of(value)?;
        match own {
            Some(own) if own.kind == unit.kind => Some(number * own.factor / unit.factor),
            None if unit.kind == Kind::Count => Some(number),
            _ => None,
        }
    };
    let advice = match from_text.or_else(from_number) {
        Some(number) => format!("write {twin} = {}", plain(number)),
        None => format!("write the number of {} behind it", unit.words),
    };
    Some((twin, advice))
}

fn read(
    value: &Spanned<DeValue<'_>>,
    unit: &Unit,
    (from, to): (f64, f64),
) -> Result<f64, Vec<Wrong>> {
    match value.get_ref() {
        DeValue::String(text) => {
            let what = match converted(text, unit) {
                Some(number) => format!(
                    "the unit stands in the key, so write the number alone: {}",
                    plain(number)
                ),
                None => format!(
                    "'{}' is a text; write the number of {} without quotes and without unit",
                    shorten(text),
                    unit.words
                ),
            };
            Err(Wrong::whole(what))
        }
        number @ (DeValue::Integer(_) | DeValue::Float(_)) => {
            let written = match number {
                DeValue::Integer(n) => n.to_string(),
                DeValue::Float(n) => n.as_str().to_owned(),
                _ => String::new(),
            };
            let in_range = |number: &f64| *number >= from && *number <= to;
            let out = || Wrong::whole(format!("{} is out of range", shorten(&written)));
            number_of(number).filter(in_range).ok_or_else(out)
        }
        other => wrong_type(other, "a number without quotes"),
    }
}

impl Rule for Number {
    type Value = f64;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<f64, Vec<Wrong>> {
        read(value, self.unit, (self.from, self.to))
    }

    fn allowed(&self, _: &PlanRules) -> String {
        let Number { unit, from, to } = self;
        format!("{} from {from} to {to}, a number", unit.words)
    }
}

impl Span {
    fn from(&self, rules: &PlanRules) -> f64 {
        match rules.rehearsal {
            true => self.rehearsal_from,
            false => self.from,
        }
    }
}

impl Rule for Span {
    type Value = Duration;

    fn read(
        &self,
        value: &Spanned<DeValue<'_>>,
        rules: &PlanRules,
    ) -> Result<Duration, Vec<Wrong>> {
        let number = read(value, self.unit, (self.from(rules), self.to))?;
        let microseconds = number * self.unit.factor * 1e3;
        Ok(Duration::from_micros(microseconds.round() as u64)) // Its range is not negative.
    }

    fn allowed(&self, rules: &PlanRules) -> String {
        let Span { unit, to, .. } = self;
        let from = self.from(rules);
        format!("{} from {from} to {to}, a number", unit.words)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn advice(key: &str, value: &str) -> Option<String> {
        let value = DeValue::parse(value).expect("TOML");
        let known = [
            "tail_ms",
            "interval_min",
            "level_dbfs",
            "window_frames",
            "rate_hz",
            "name",
        ];
        with_unit(key, value.get_ref(), &known).map(|(_, advice)| advice)
    }

    #[test]
    fn a_key_without_unit_or_with_another_one_is_translated() {
        let says = |text: &str| Some(text.to_owned());
        assert_eq!(advice("tail", "\"30 ms\""), says("write tail_ms = 30"));
        assert_eq!(advice("tail", "\"0.03 s\""), says("write tail_ms = 30"));
        assert_eq!(advice("tail_s", "0.03"), says("write tail_ms = 30"));
        assert_eq!(
            advice("interval", "\"75 s\""),
            says("write interval_min = 1.25")
        );
        assert_eq!(advice("rate_khz", "48"), says("write rate_hz = 48000"));
        assert_eq!(
            advice("level", "\"-12 dBFS\""),
            says("write level_dbfs = -12")
        );
        assert_eq!(advice("window", "4"), says("write window_frames = 4"));
        let number = says("write the number of milliseconds behind it");
        for vague in ["30", "\"30 Hz\"", "true"] {
            assert_eq!(advice("tail", vague), number, "{vague}");
        }
        assert_eq!(advice("tail_hz", "30"), number);
        assert_eq!(advice("tails", "30"), None);
        assert_eq!(advice("name_ms", "30"), None);
    }
}
