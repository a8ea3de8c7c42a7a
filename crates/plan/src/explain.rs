//! The explanation of every setting, as a plan with remarks.

use std::fmt::Write;

use crate::setting::{Described, PlanRules, Preset};
use crate::settings;

const WIDTH: usize = 92;

/// A crossing needs a port to lead to.
const SECOND_PORT: &str = "
# A second port, with nothing but what must be given.
[[port]]
name = \"HF\"
mode = \"afsk300\"
[port.sound]
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
    let crossing = settings::CROSSING
        .first()
        .map_or("", |setting| setting.table());
    for setting in settings::all() {
        if setting.table() != table {
            table = setting.table();
            if table == crossing {
                text.push_str(SECOND_PORT);
            }
            let _ = write!(text, "\n{table}\n"); // Writing to a string cannot fail.
        }
        explain_one(&mut text, setting, &rules);
    }
    text
}

fn explain_one(text: &mut String, setting: &dyn Described, rules: &PlanRules) {
    text.push('\n');
    remark(text, setting.help());
    remark(text, &format!("Allowed: {}.", setting.allowed(rules)));
    let name = setting.name();
    let (line, default) = match setting.preset() {
        Preset::Required(example) => (format!("{name} = {example}"), "Must be given.".to_owned()),
        Preset::Absent(words) => (format!("#{name} = …"), format!("If left out: {words}.")),
        Preset::Always(value) | Preset::ByWorld { real: value, .. } => (
            format!("#{name} = {value}"),
            format!("If left out: {value}."),
        ),
        Preset::BySpeed { slow, fast } => (
            format!("#{name} = {fast}"),
            format!("If left out: {slow} up to 300 Bd (HF), {fast} above."),
        ),
    };
    remark(text, &default);
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
