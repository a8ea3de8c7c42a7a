//! Numbers with one certain unit: decibels, parts per million, hertz.

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
