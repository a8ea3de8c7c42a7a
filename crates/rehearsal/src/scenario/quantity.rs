//! Numbers with one certain unit: decibels, parts per million, hertz; and hours of the day.

use dunlin_air::{Hours, MOST_SPANS};
use dunlin_plan::{PlanRules, Rule, Wrong};
use toml::Spanned;
use toml::de::DeValue;

/// A number with its unit, in quotes.
#[derive(Clone, Copy, Debug)]
pub struct Quantity {
    /// The unit.
    pub unit: &'static str,
    /// Lowest value.
    pub from: f64,
    /// Highest value.
    pub to: f64,
}

impl Rule for Quantity {
    type Value = f64;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<f64, Vec<Wrong>> {
        let DeValue::String(text) = value.get_ref() else {
            return Err(Wrong::whole("wanted is a number with its unit, in quotes"));
        };
        let Some(number) = text.trim().strip_suffix(self.unit) else {
            return Err(Wrong::whole(format!(
                "this does not end with the unit {}",
                self.unit
            )));
        };
        let plain = |c: char| c.is_ascii_digit() || matches!(c, '+' | '-' | '.');
        let number = number.trim_end();
        let parsed = Some(number).filter(|n| n.len() <= 15 && n.chars().all(plain));
        let Some(parsed) = parsed.and_then(|n| n.parse::<f64>().ok()) else {
            return Err(Wrong::whole("what stands before the unit is not a number"));
        };
        if parsed < self.from || parsed > self.to {
            return Err(Wrong::whole(format!(
                "{parsed} {} is out of range",
                self.unit
            )));
        }
        Ok(parsed)
    }

    fn allowed(&self, _: &PlanRules) -> String {
        let Quantity { unit, from, to } = self;
        format!("a number in quotes from \"{from} {unit}\" to \"{to} {unit}\"")
    }
}

/// Hours of the day at which something is open: a list of spans such as "06:00-09:30".
#[derive(Clone, Copy, Debug)]
pub struct OpenHours;

impl Rule for OpenHours {
    type Value = Hours;

    fn read(&self, value: &Spanned<DeValue<'_>>, _: &PlanRules) -> Result<Hours, Vec<Wrong>> {
        let DeValue::Array(items) = value.get_ref() else {
            return Err(Wrong::whole("wanted is a list of spans in brackets"));
        };
        let mut spans = Vec::new();
        for item in items.iter().take(MOST_SPANS + 1) {
            let text = match item.get_ref() {
                DeValue::String(text) => text.as_ref(),
                _ => "",
            };
            match span(text) {
                Some(span) => spans.push(span),
                None => {
                    return Err(vec![Wrong {
                        at: Some(item.span()),
                        what: "this is not a span of a day".to_owned(),
                    }]);
                }
            }
        }
        let wrong = || Wrong::whole("the list is empty or too long, or the spans are not in order");
        Hours::of(&spans).ok_or_else(wrong)
    }

    fn allowed(&self, _: &PlanRules) -> String {
        format!("1 to {MOST_SPANS} spans in order, such as [\"06:00-09:30\", \"20:00-24:00\"]")
    }
}

/// "06:00-09:30" in seconds of the day.
fn span(text: &str) -> Option<(u32, u32)> {
    let clock = |text: &str| {
        let (hours, minutes) = text.split_once(':')?;
        let whole = |digits: &str, below: u32| {
            let plain = digits.len() == 2 && digits.bytes().all(|b| b.is_ascii_digit());
            let number = digits.parse::<u32>().ok()?;
            (plain && number < below).then_some(number)
        };
        Some(whole(hours, 25)? * 3600 + whole(minutes, 60)? * 60)
    };
    let (from, to) = text.split_once('-')?;
    Some((clock(from)?, clock(to)?))
}
