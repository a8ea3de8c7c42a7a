//! The JSON schema of station plans (JSON Schema, draft 7), for editors. It is made from the
//! settings themselves: what types a key takes is found by asking its own rule. Ranges and
//! what belongs together stay the business of `dunlin plan check`; the descriptions name them.

use dunlin_plan::settings;
use dunlin_plan::{Described, PlanRules, Preset};
use serde_json::{Map, Value, json};

/// Values of each JSON type, in TOML's notation, with which a rule is asked.
const PROBES: [(&str, &[&str]); 4] = [
    ("boolean", &["true"]),
    (
        "number",
        &[
            "0", "1", "10", "100", "1000", "10000", "60", "-12", "0.5", "14105.5",
        ],
    ),
    (
        "string",
        &[
            "\"none\"",
            "\"QA1SKY\"",
            "\"/dev/ttyS0\"",
            "\"left\"",
            "\"FE\"",
            "\"127.0.0.1\"",
            "\"all\"",
            "\"$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHQ$aGFzaGhhc2g\"",
        ],
    ),
    (
        "array",
        &["[]", "[\"QA1SKY\"]", "[\"/bin/true\"]", "[\"06:00-09:30\"]"],
    ),
];

/// The whole schema.
pub(super) fn schema() -> Value {
    let mut top = table("A station plan of Dunlin.");
    for setting in settings::all() {
        let path = setting.table();
        let many = path.starts_with("[[");
        let names: Vec<&str> = path.trim_matches(['[', ']']).split('.').collect();
        let place = enter(&mut top, &names, many);
        let rules = PlanRules::real();
        place["properties"][setting.name()] = property(setting, &rules);
        if let (Preset::Required(_), Some(needed)) =
            (setting.preset(), place["required"].as_array_mut())
        {
            needed.push(json!(setting.name()));
        }
    }
    top["$schema"] = json!("http://json-schema.org/draft-07/schema#");
    top["required"] = json!(["station", "port"]);
    top
}

fn table(description: &str) -> Value {
    json!({
        "type": "object",
        "description": description,
        "additionalProperties": false,
        "properties": {},
        "required": [],
    })
}

/// The table at this path, made where it is missing. The last name is a list of tables if
/// `many`; tables inside of `port` are inside of each of the ports.
fn enter<'v>(top: &'v mut Value, names: &[&str], many: bool) -> &'v mut Value {
    let mut place = top;
    for (n, name) in names.iter().enumerate() {
        let last = n + 1 == names.len();
        let list = if last { many } else { *name == "port" };
        let properties = &mut place["properties"];
        if properties.get(*name).is_none() {
            let inner = table(&format!("[{}]", names[..=n].join(".")));
            properties[*name] = match list {
                true => json!({ "type": "array", "items": inner }),
                false => inner,
            };
        }
        place = match list {
            true => &mut place["properties"][*name]["items"],
            false => &mut place["properties"][*name],
        };
    }
    place
}

fn property(setting: &dyn Described, rules: &PlanRules) -> Value {
    let preset = match setting.preset() {
        Preset::Required(text) | Preset::Always(text) => Some(text),
        Preset::BySpeed { fast, .. } | Preset::OnTheAir { fast, .. } => Some(fast),
        Preset::ByWorld { real, .. } => Some(real),
        Preset::Absent(_) => None,
    };
    let takes = |probes: &[&str]| probes.iter().any(|p| setting.try_value(p, rules).is_ok());
    let of_preset = preset.map(type_of);
    // A choice names its words in quotes.
    let allowed = setting.allowed(rules);
    let mut words = allowed.split('"').skip(1).step_by(2);
    let a_word = words.any(|word| setting.try_value(&format!("\"{word}\""), rules).is_ok());
    let types: Vec<&str> = PROBES
        .iter()
        .filter(|(name, probes)| {
            of_preset == Some(*name) || takes(probes) || (*name == "string" && a_word)
        })
        .map(|(name, _)| *name)
        .collect();
    let mut property = Map::new();
    if !types.is_empty() {
        property.insert("type".into(), json!(types));
    }
    let words = format!("{} Allowed: {allowed}.", setting.help());
    property.insert("description".into(), json!(words));
    Value::Object(property)
}

/// The JSON type of a value in TOML's notation.
fn type_of(text: &str) -> &'static str {
    match text.chars().next() {
        Some('"') => "string",
        Some('[') => "array",
        Some('t' | 'f') => "boolean",
        _ => "number",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_schema_in_the_documents_is_the_one_of_the_settings() {
        let kept = include_str!("../../../../docs/plan.schema.json");
        let kept: Value = serde_json::from_str(kept).expect("JSON");
        assert!(
            kept == schema(),
            "write it anew: dunlin plan schema > docs/plan.schema.json"
        );
    }

    #[test]
    fn every_setting_has_a_type() {
        fn look(place: &Value, path: &str) {
            for (name, inner) in place["properties"].as_object().into_iter().flatten() {
                assert!(inner.get("type").is_some(), "{path}.{name} has no type");
                look(inner, name);
                look(&inner["items"], name);
            }
        }
        look(&schema(), "");
    }
}
