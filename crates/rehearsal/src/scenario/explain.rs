//! What can stand in a scenario file, in words.

use dunlin_plan::{Described, PlanRules};

use super::settings;
use crate::report::paragraph;

/// Every setting with its help, range and default, a paragraph each, for people.
pub(super) fn explain(rules: &PlanRules) -> String {
    let mut lines = paragraph(
        "",
        "What can stand in a scenario file besides the tables of a station plan, which are \
         [place.station], [[place.port]] and [[place.crossing]].",
    );
    let mut table = "";
    for setting in settings::all() {
        if setting.table() != table {
            table = setting.table();
            lines.extend([String::new(), table.to_owned()]);
        }
        lines.extend(one(setting, rules));
    }
    lines.push(String::new());
    lines.join("\n")
}

fn one(setting: &dyn Described, rules: &PlanRules) -> Vec<String> {
    let mut lines = paragraph(&format!("  {:<14} ", setting.name()), setting.help());
    let indent = " ".repeat(17);
    let allowed = format!("Allowed: {}.", setting.allowed(rules));
    let default = setting.preset().sentence(rules);
    lines.extend(paragraph(&indent, &allowed));
    lines.extend(paragraph(&indent, &default));
    lines
}

#[cfg(test)]
mod tests {
    use dunlin_plan::Preset;

    use super::super::read::RULES;
    use super::*;

    #[test]
    fn every_default_and_example_is_allowed_by_its_own_rule() {
        for setting in settings::all() {
            let text = match setting.preset() {
                Preset::Required(text) | Preset::Always(text) => text,
                other => {
                    assert!(matches!(other, Preset::Absent(_)), "{}", setting.name());
                    continue;
                }
            };
            assert_eq!(
                setting.try_value(text, &RULES),
                Ok(()),
                "{} = {text}",
                setting.name()
            );
        }
    }

    #[test]
    fn the_explanation_names_every_setting_within_the_columns() {
        let text = explain(&RULES);
        for setting in settings::all() {
            assert!(
                text.contains(&format!("  {:<14} ", setting.name())),
                "{}",
                setting.name()
            );
        }
        let wide = text
            .lines()
            .find(|l| l.chars().count() > crate::timeline::COLUMNS);
        assert_eq!(wide, None);
    }
}
