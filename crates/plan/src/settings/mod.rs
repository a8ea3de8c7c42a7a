//! Every setting of a station plan, each once. Reading, messages, the explanation and the
//! schema all come from these items.

use crate::rule::Words;
use crate::setting::Described;

/// Ports of one station, at most.
pub const MOST_PORTS: usize = 16;
/// Crossings of one station, at most.
pub const MOST_CROSSINGS: usize = 32;
/// Beacons of one port, at most.
pub const MOST_BEACONS: usize = 8;
/// Digipeaters in one path: the address field holds no more (AX.25 2.2, 3.12.5).
pub const MOST_REPEATERS: usize = 8;
/// The version of the plan that this program reads.
pub const PLAN_VERSION: u32 = 1;

const NAME: Words = Words {
    fewest: 1,
    most: 24,
    lines: false,
};
/// Goes on the air: short.
const VISITORS_NOTE: Words = Words {
    fewest: 1,
    most: 60,
    lines: false,
};

macro_rules! settings {
    ($list:ident, $list_doc:literal, $table:literal:
     $($item:ident: $rule_type:ty = $rule:expr, $name:literal, $preset:expr, $help:literal;)+) => {
        $(
            #[doc = $help]
            pub static $item: Setting<$rule_type> = Setting {
                table: $table,
                name: $name,
                help: $help,
                preset: $preset,
                rule: $rule,
            };
        )+
        #[doc = $list_doc]
        pub static $list: &[&dyn crate::setting::Described] = &[$(&$item),+];
    };
}

mod crossing;
mod device;
mod files;
mod guard;
mod mail;
mod node;
mod port;
mod station;
mod whole;

pub use crossing::*;
pub use device::*;
pub use files::*;
pub use guard::*;
pub use mail::*;
pub use node::*;
pub use port::*;
pub use station::*;
pub use whole::*;

/// Every setting of a plan, table by table in the order of the explanation.
pub fn all() -> impl Iterator<Item = &'static dyn Described> {
    let tables = [
        STATION,
        PORT,
        ALSO_HEARS,
        SOUND,
        SECOND_SOUND,
        KEY,
        SENSE,
        LIMITS,
        RADIO,
        BEACON,
        CONTROLLER,
        CROSSING,
        NODE,
        MAIL,
        PARTNER,
        FILES,
        PAGE,
        KISS_SERVER,
        JOURNAL,
        ALARM,
        REGION,
    ];
    tables.into_iter().flatten().copied()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setting::{PlanRules, Preset};

    fn presets(preset: Preset) -> Vec<(&'static str, Vec<PlanRules>)> {
        let real = PlanRules::real();
        let rehearsal = PlanRules::rehearsal(real.rate);
        let both = vec![real, rehearsal];
        match preset {
            Preset::Absent(_) => Vec::new(),
            Preset::Required(text) | Preset::Always(text) => vec![(text, both)],
            Preset::BySpeed { slow, fast } => vec![(slow, both.clone()), (fast, both)],
            Preset::ByWorld {
                real: a,
                rehearsal: b,
            } => vec![(a, vec![real]), (b, vec![rehearsal])],
            Preset::OnTheAir {
                slow,
                fast,
                rehearsal: other,
            } => vec![
                (slow, vec![real]),
                (fast, vec![real]),
                (other, vec![rehearsal]),
            ],
        }
    }

    #[test]
    fn every_default_and_example_is_allowed_by_its_own_rule() {
        for setting in all() {
            for (text, worlds) in presets(setting.preset()) {
                for rules in worlds {
                    let name = setting.name();
                    assert_eq!(setting.try_value(text, &rules), Ok(()), "{name} = {text}");
                }
            }
        }
    }

    #[test]
    fn every_setting_has_help_and_a_name_of_its_own() {
        let names: Vec<_> = all().map(|s| (s.table(), s.name())).collect();
        let unlike: std::collections::BTreeSet<_> = names.iter().collect();
        assert_eq!(unlike.len(), names.len());
        assert!(all().all(|s| s.help().ends_with('.') && s.help().len() > 20));
    }

    #[test]
    fn nothing_is_allowed_for_every_value() {
        for setting in all() {
            for bad in ["1979-05-27", "nan", "-99999999999999999999", "{}", "[[]]"] {
                let result = setting.try_value(bad, &PlanRules::real());
                assert!(result.is_err(), "{} = {bad}", setting.name());
            }
        }
    }
}
