//! Who may cross: everybody, or those on a list.

use dunlin_station::WhoMayCross;
use toml::Spanned;
use toml::de::DeValue;

use crate::quantity::shorten;
use crate::rule::{Calls, wrong_type};
use crate::setting::{PlanRules, Rule, Wrong};

/// "all", or a list of call signs.
#[derive(Clone, Copy, Debug)]
pub struct Visitors {
    /// Longest list.
    pub most: usize,
}

impl Visitors {
    fn list(self) -> Calls {
        Calls { most: self.most }
    }
}

impl Rule for Visitors {
    type Value = WhoMayCross;

    fn read(
        &self,
        value: &Spanned<DeValue<'_>>,
        rules: &PlanRules,
    ) -> Result<WhoMayCross, Vec<Wrong>> {
        match value.get_ref() {
            DeValue::String(word) if word == "all" => Ok(WhoMayCross::All),
            DeValue::String(word) => Err(Wrong::whole(format!(
                "'{}' is neither \"all\" nor a list; one call sign is a list too: [\"QM3BAR\"]",
                shorten(word)
            ))),
            DeValue::Array(calls) if calls.is_empty() => Err(Wrong::whole(
                "nobody may cross; leave the crossing out instead",
            )),
            DeValue::Array(_) => {
                let calls = self.list().read(value, rules)?;
                Ok(WhoMayCross::These(
                    calls.into_iter().map(|call| call.value).collect(),
                ))
            }
            other => wrong_type(other, "\"all\" or a list of call signs"),
        }
    }

    fn allowed(&self, rules: &PlanRules) -> String {
        format!("\"all\" or {}", self.list().allowed(rules))
    }
}
