//! Hours of the day, such as `["06:00-09:30", "20:00-24:00"]`.

use dunlin_clock::{Hours, MOST_SPANS};
use toml::Spanned;
use toml::de::DeValue;

use crate::{PlanRules, Rule, Wrong};

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
        let wrong = || {
            Wrong::whole(
                "the list is empty or too long, or a span does not end after it begins and before the \
                 next (over midnight: 22:00-24:00 and, first in the list, 00:00-06:00)",
            )
        };
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_span_is_two_times_of_a_day() {
        assert_eq!(span("06:00-09:30"), Some((21_600, 34_200)));
        assert_eq!(span("00:00-24:00"), Some((0, 86_400)));
        for wrong in [
            "",
            "6:00-9:30",
            "06:00",
            "06:00-25:00",
            "06:60-07:00",
            "06:00–07:00",
        ] {
            assert_eq!(span(wrong), None, "{wrong}");
        }
    }
}
