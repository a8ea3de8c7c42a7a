//! The explanation of every setting, as a plan with remarks.

use std::fmt::Write;

use crate::setting::{Described, PlanRules, Preset};
use crate::settings;

const WIDTH: usize = 92;

/// A crossing needs a port to lead to, and a port has either a sound device or a controller.
const SECOND_PORT: &str = "
# A second port, with a controller instead of a sound device.
[[port]]
name = \"HF\"
mode = \"afsk300\"
";

/// A plan that names every setting with its help, range and default. What must be written
/// stands there with an example, all else as a remark with its default.
pub(crate) fn explain() -> String {
    let rules = PlanRules::real();
    let mut text = String::new();
    remark(
        &mut text,
        "A station plan: every setting, what is allowed, and what it is if left out.",
    );
    let mut table = "";
    let controller = settings::CONTROLLER
        .first()
        .map_or("", |setting| setting.table());
    for setting in settings::all() {
        if setting.table() != table {
            table = setting.table();
            if table == controller {
                text.push_str(SECOND_PORT);
            }
            let _ = write!(text, "\n{table}\n"); // Writing to a string cannot fail.
        }
        explain_one(&mut text, setting, &rules);
    }
    text
}

/// Every setting with this key, in all tables, or a sentence that names the nearest.
pub(crate) fn key(key: &str) -> Result<String, String> {
    let rules = PlanRules::real();
    let mut text = String::new();
    for setting in settings::all().filter(|setting| setting.name() == key) {
        let _ = writeln!(text, "{}", setting.table()); // Writing to a string cannot fail.
        explain_one(&mut text, setting, &rules);
        text.push('\n');
    }
    if !text.is_empty() {
        return Ok(text);
    }
    let names: Vec<&str> = settings::all().map(|setting| setting.name()).collect();
    let start = |name: &&&str| name.starts_with(key) && !key.is_empty();
    let near = crate::nearest::nearest(key, &names).or(names.iter().find(start).copied());
    Err(match near {
        Some(near) => format!("no setting is called '{key}'; '{near}' is one"),
        None => format!("no setting is called '{key}'; `dunlin plan explain` lists them all"),
    })
}

fn explain_one(text: &mut String, setting: &dyn Described, rules: &PlanRules) {
    text.push('\n');
    remark(text, setting.help());
    remark(text, &format!("Allowed: {}.", setting.allowed(rules)));
    let name = setting.name();
    let preset = setting.preset();
    let line = match (preset, preset.value(false, rules)) {
        (Preset::Required(example), _) => format!("{name} = {example}"),
        (_, Some(value)) => format!("#{name} = {value}"),
        (_, None) => format!("#{name} = …"),
    };
    remark(text, &preset.sentence(rules));
    text.push_str(&line);
    text.push('\n');
}

/// Writes `words` as remarks, broken into lines.
fn remark(text: &mut String, words: &str) {
    let mut line = String::from("#");
    for word in words.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > WIDTH {
            text.push_str(&line);
            text.push('\n');
            line = String::from("#");
        }
        line.push(' ');
        line.push_str(word);
    }
    text.push_str(&line);
    text.push('\n');
}
