//! A setting as one item: its name, help, default and rule stand together, and reading,
//! messages and the explanation all come from it.

use std::ops::Range;

use dunlin_clock::SampleRate;
use toml::Spanned;
use toml::de::DeValue;

/// For whom a plan is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PlanRules {
    /// The stations exist only in a rehearsal: nothing can key, so limits that protect a
    /// real channel are wider, ports may transmit by default and have no `[port.sound]`.
    pub rehearsal: bool,
    /// Sample rate of ports without `[port.sound]`, that is in a rehearsal.
    pub rate: SampleRate,
}

impl PlanRules {
    /// The rules for a station with real sound devices.
    pub const fn real() -> Self {
        let rate = SampleRate::new(48_000).expect("not zero");
        PlanRules {
            rehearsal: false,
            rate,
        }
    }

    /// The rules for stations of a rehearsal, whose ports hear and send at `rate`.
    pub const fn rehearsal(rate: SampleRate) -> Self {
        PlanRules {
            rehearsal: true,
            rate,
        }
    }
}

/// What a setting is when it is not written. Texts are values in TOML's own notation.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Preset {
    /// It must be written; the text is an example.
    Required(&'static str),
    /// There is nothing in its place; the text says in words what that means.
    Absent(&'static str),
    /// Always this.
    Always(&'static str),
    /// This on a port of at most 300 Bd (HF), the other on faster ones (VHF and up).
    BySpeed {
        /// Up to 300 Bd.
        slow: &'static str,
        /// Above 300 Bd.
        fast: &'static str,
    },
    /// This on the air, the other in a rehearsal.
    ByWorld {
        /// On the air.
        real: &'static str,
        /// In a rehearsal.
        rehearsal: &'static str,
    },
    /// On the air by speed as [`Preset::BySpeed`], in a rehearsal always the same.
    OnTheAir {
        /// On the air, up to 300 Bd.
        slow: &'static str,
        /// On the air, above 300 Bd.
        fast: &'static str,
        /// In a rehearsal.
        rehearsal: &'static str,
    },
}

impl Preset {
    /// The value in TOML's notation for a port of at most 300 Bd (`slow`) or a faster one;
    /// `None` if it must be written or there is nothing in its place.
    pub fn value(self, slow: bool, rules: &PlanRules) -> Option<&'static str> {
        match self {
            Preset::Absent(_) | Preset::Required(_) => None,
            Preset::Always(text) => Some(text),
            Preset::ByWorld { real, rehearsal } => Some(match rules.rehearsal {
                true => rehearsal,
                false => real,
            }),
            Preset::OnTheAir { rehearsal, .. } if rules.rehearsal => Some(rehearsal),
            Preset::BySpeed { slow: text, .. } | Preset::OnTheAir { slow: text, .. } if slow => {
                Some(text)
            }
            Preset::BySpeed { fast, .. } | Preset::OnTheAir { fast, .. } => Some(fast),
        }
    }

    /// What it is when it is not written, or that it must be, as a sentence.
    pub fn sentence(self, rules: &PlanRules) -> String {
        match self {
            Preset::Required(example) => format!("Must be given, such as {example}."),
            Preset::Absent(words) => format!("If left out: {words}."),
            other => {
                let value = |slow| other.value(slow, rules).unwrap_or_default();
                match (value(true), value(false)) {
                    (slow, fast) if slow == fast => format!("If left out: {fast}."),
                    (slow, fast) => {
                        format!("If left out: {slow} up to 300 Bd (HF), {fast} above.")
                    }
                }
            }
        }
    }
}

/// One setting of a table. `R` reads its value and knows what is allowed.
#[derive(Debug)]
pub struct Setting<R> {
    /// The table as people write it, such as `[[port]]`.
    pub table: &'static str,
    /// The key.
    pub name: &'static str,
    /// What it does and where it applies, in one or more sentences.
    pub help: &'static str,
    /// What it is when it is not written.
    pub preset: Preset,
    /// What is allowed.
    pub rule: R,
}

/// What is wrong with a value, and where within it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Wrong {
    /// Octets of the text; `None` = the whole value.
    pub at: Option<Range<usize>>,
    /// What is wrong.
    pub what: String,
}

impl Wrong {
    /// The whole value is wrong.
    pub fn whole(what: impl Into<String>) -> Vec<Wrong> {
        vec![Wrong {
            at: None,
            what: what.into(),
        }]
    }
}

/// Turns a value of the file into one of the program, or says what is wrong with it.
pub trait Rule {
    /// What comes out.
    type Value;

    /// Reads a value.
    ///
    /// # Errors
    /// Everything that is wrong with it; at least one item.
    fn read(
        &self,
        value: &Spanned<DeValue<'_>>,
        rules: &PlanRules,
    ) -> Result<Self::Value, Vec<Wrong>>;

    /// What is allowed, in words, with range and unit.
    fn allowed(&self, rules: &PlanRules) -> String;
}

/// What can be said of a setting without knowing the type of its value.
pub trait Described: Sync {
    /// The table as people write it.
    fn table(&self) -> &'static str;
    /// The key.
    fn name(&self) -> &'static str;
    /// What it does.
    fn help(&self) -> &'static str;
    /// What it is when it is not written.
    fn preset(&self) -> Preset;
    /// What is allowed.
    fn allowed(&self, rules: &PlanRules) -> String;
    /// Whether a value in TOML's notation is allowed.
    ///
    /// # Errors
    /// What is wrong with it.
    fn try_value(&self, text: &str, rules: &PlanRules) -> Result<(), String>;
}

impl<R: Rule + Sync> Described for Setting<R> {
    fn table(&self) -> &'static str {
        self.table
    }

    fn name(&self) -> &'static str {
        self.name
    }

    fn help(&self) -> &'static str {
        self.help
    }

    fn preset(&self) -> Preset {
        self.preset
    }

    fn allowed(&self, rules: &PlanRules) -> String {
        self.rule.allowed(rules)
    }

    fn try_value(&self, text: &str, rules: &PlanRules) -> Result<(), String> {
        let value = DeValue::parse(text).map_err(|error| error.message().to_owned())?;
        match self.rule.read(&value, rules) {
            Ok(_) => Ok(()),
            Err(wrongs) => Err(wrongs.into_iter().map(|wrong| wrong.what).collect()),
        }
    }
}
