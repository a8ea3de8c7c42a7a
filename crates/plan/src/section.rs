//! One table of the file while it is being read: every key is taken once by a setting, and
//! what is left over is a fault.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue, Error};

use crate::fault::Faults;
use crate::measure::with_unit;
use crate::nearest::nearest;
use crate::quantity::shorten;
use crate::rule::instead;
use crate::setting::{PlanRules, Preset, Rule, Setting};

struct Entry<'i> {
    name: String,
    name_at: Range<usize>,
    value: Spanned<DeValue<'i>>,
}

/// A table of the file, as far as it has not been read yet. Call [`Section::finish`] when
/// everything known was taken, or unknown keys go unnoticed.
#[must_use = "call finish to complain about keys that nobody asked for"]
pub struct Section<'i> {
    title: &'static str,
    at: Range<usize>,
    rules: PlanRules,
    slow: bool,
    entries: Vec<Entry<'i>>,
    taken: Vec<(&'static str, Range<usize>)>,
    known: Vec<&'static str>,
}

/// The whole of a text as one section called `title`; `None` if it is no TOML, which is
/// noted in `faults`.
pub fn parse<'i>(
    text: &'i str,
    title: &'static str,
    rules: &PlanRules,
    faults: &mut Faults<'i>,
) -> Option<Section<'i>> {
    let (table, errors) = DeTable::parse_recoverable(text);
    for (span, message) in all_errors(text, &errors, faults) {
        let what = format!("this is not written as TOML wants it: {message}");
        let allowed =
            "key = value, with texts in \"quotes\"; [table]; [[table of several]]; # remark";
        faults.add(span, what, allowed);
    }
    let table = table.into_inner();
    errors
        .is_empty()
        .then(|| Section::new(title, 0..0, table, *rules))
}

/// The first error of each line. After some errors the parser gives up on the rest of the
/// text; then that line is blanked and the rest is looked at again.
fn all_errors(text: &str, errors: &[Error], faults: &Faults<'_>) -> Vec<(Range<usize>, String)> {
    const MOST_PASSES: usize = 20;
    let (mut found, mut last_line) = (Vec::new(), 0);
    let mut masked = text.to_owned();
    let mut errors = errors.to_vec();
    for _ in 0..MOST_PASSES {
        let mut places: Vec<(Range<usize>, &str)> = Vec::new();
        for error in &errors {
            places.push((error.span().unwrap_or(0..0), error.message()));
        }
        places.sort_by_key(|(span, _)| span.start);
        let before = found.len();
        for (span, message) in places {
            let line = faults.line_of(span.start);
            // One slip often upsets several rules of the notation at once.
            if line > last_line {
                last_line = line;
                found.push((span, message.to_owned()));
            }
        }
        if found.len() == before {
            break;
        }
        masked = blanked(&masked, last_line);
        errors = DeTable::parse_recoverable(&masked).1;
    }
    found
}

/// `text` with every octet of one line replaced by a space.
fn blanked(text: &str, line: usize) -> String {
    let mut out = String::with_capacity(text.len());
    for (index, piece) in text.split_inclusive('\n').enumerate() {
        if index + 1 == line {
            out.extend(
                piece
                    .bytes()
                    .map(|octet| if octet == b'\n' { '\n' } else { ' ' }),
            );
        } else {
            out.push_str(piece);
        }
    }
    out
}

impl<'i> Section<'i> {
    fn new(title: &'static str, at: Range<usize>, table: DeTable<'i>, rules: PlanRules) -> Self {
        let entry = |(key, value): (Spanned<_>, _)| Entry {
            name_at: key.span(),
            name: std::borrow::Cow::into_owned(key.into_inner()),
            value,
        };
        Section {
            title,
            at,
            rules,
            slow: false,
            entries: table.into_iter().map(entry).collect(),
            taken: Vec::new(),
            known: Vec::new(),
        }
    }

    /// The table as people write it.
    pub fn title(&self) -> &'static str {
        self.title
    }

    /// The rules under which it is read.
    pub fn rules(&self) -> &PlanRules {
        &self.rules
    }

    /// From now on, defaults are those of a port of at most 300 Bd.
    pub fn set_slow(&mut self, slow: bool) {
        self.slow = slow;
    }

    /// Where the value of `name` stands if it was written and taken, else the table's head.
    pub fn at(&self, name: &str) -> Range<usize> {
        let taken = self.taken.iter().find(|(taken, _)| *taken == name);
        taken.map_or(self.at.clone(), |(_, at)| at.clone())
    }

    /// Whether `name` was written and taken.
    pub fn was_written(&self, name: &str) -> bool {
        self.taken.iter().any(|(taken, _)| *taken == name)
    }

    fn take_entry(&mut self, name: &'static str) -> Option<Entry<'i>> {
        self.known.push(name);
        let index = self.entries.iter().position(|entry| entry.name == name)?;
        let entry = self.entries.swap_remove(index);
        let span = entry.value.span();
        self.taken.push((name, span));
        Some(entry)
    }

    /// The value of `setting`, or its default. `None` if it is wrong or missing, which is
    /// noted in `faults`, or if its default is that there is nothing.
    pub fn take<R: Rule>(
        &mut self,
        setting: &Setting<R>,
        faults: &mut Faults<'_>,
    ) -> Option<R::Value> {
        if let Some(entry) = self.take_entry(setting.name) {
            return self.judge(setting, &entry, faults);
        }
        if let Preset::Required(example) = setting.preset {
            let what = format!("{} has no '{}'", self.title, setting.name);
            let allowed = setting.rule.allowed(&self.rules);
            let allowed = format!("{} = {example}; {allowed}", setting.name);
            faults.add(self.at.clone(), what, allowed);
            return None;
        }
        let text = setting.preset.value(self.slow, &self.rules)?;
        // A test reads every default by its own rule, so this never comes to nothing.
        let value = DeValue::parse(text).ok()?;
        setting.rule.read(&value, &self.rules).ok()
    }

    fn judge<R: Rule>(
        &self,
        setting: &Setting<R>,
        entry: &Entry<'_>,
        faults: &mut Faults<'_>,
    ) -> Option<R::Value> {
        match setting.rule.read(&entry.value, &self.rules) {
            Ok(value) => Some(value),
            Err(wrongs) => {
                for wrong in wrongs {
                    let at = wrong.at.unwrap_or_else(|| entry.value.span());
                    let what = format!("{}: {}", setting.name, wrong.what);
                    faults.add(at, what, setting.rule.allowed(&self.rules));
                }
                None
            }
        }
    }

    /// The table `name` in this one, which people write as `title`; `None` if it is not
    /// there, or is no table, which is noted in `faults`.
    pub fn table(
        &mut self,
        name: &'static str,
        title: &'static str,
        faults: &mut Faults<'_>,
    ) -> Option<Section<'i>> {
        let entry = self.take_entry(name)?;
        let at = entry.value.span();
        match entry.value.into_inner() {
            DeValue::Table(table) => {
                let mut section = Section::new(title, at, table, self.rules);
                section.slow = self.slow;
                Some(section)
            }
            other => {
                let what = format!("'{name}' is {}, wanted is one table", plural(&other));
                faults.add(at, what, format!("one table, written {title}"));
                None
            }
        }
    }

    /// As [`Section::table`]; if it is not there, an empty one that gives only defaults.
    pub(crate) fn table_or_empty(
        &mut self,
        name: &'static str,
        title: &'static str,
        faults: &mut Faults<'_>,
    ) -> Section<'i> {
        self.table(name, title, faults).unwrap_or_else(|| {
            let mut section = Section::new(title, self.at.clone(), DeTable::new(), self.rules);
            section.slow = self.slow;
            section
        })
    }

    /// The tables `name` in this one, which people write as `title`, at most `most`; what
    /// is wrong is noted in `faults`.
    pub fn tables(
        &mut self,
        name: &'static str,
        title: &'static str,
        most: usize,
        faults: &mut Faults<'_>,
    ) -> Vec<Section<'i>> {
        let Some(entry) = self.take_entry(name) else {
            return Vec::new();
        };
        let allowed = format!("at most {most} tables, each written {title}");
        let at = entry.value.span();
        let items = match entry.value.into_inner() {
            DeValue::Array(items) => items,
            other => {
                let what = format!("'{name}' is {}, wanted are tables", plural(&other));
                faults.add(at, what, allowed);
                return Vec::new();
            }
        };
        let mut sections = Vec::new();
        for item in items {
            let at = item.span();
            match item.into_inner() {
                DeValue::Table(_) if sections.len() == most => {
                    faults.add(at, format!("these are too many {title}"), allowed);
                    break;
                }
                DeValue::Table(table) => {
                    let mut section = Section::new(title, at, table, self.rules);
                    section.slow = self.slow;
                    sections.push(section);
                }
                other => {
                    let what = format!("this is {}, wanted is a table", instead(&other));
                    faults.add(at, what, allowed.clone());
                }
            }
        }
        sections
    }

    /// Takes the key `name`, which an earlier version of the plan had here: a fault that says
    /// where it belongs now. `says` gets its value if that is a text.
    pub(crate) fn moved(
        &mut self,
        name: &str,
        says: impl FnOnce(Option<&str>) -> (String, String),
        faults: &mut Faults<'_>,
    ) {
        let Some(index) = self.entries.iter().position(|entry| entry.name == name) else {
            return;
        };
        let entry = self.entries.swap_remove(index);
        let (what, allowed) = match entry.value.get_ref() {
            DeValue::String(text) => says(Some(text)),
            _ => says(None),
        };
        faults.add(entry.name_at, what, allowed);
    }

    /// Notes every key that nobody asked for, with the one that has its unit in its name, or
    /// the nearest that is allowed.
    pub fn finish(self, faults: &mut Faults<'_>) {
        for entry in &self.entries {
            let name = shorten(&entry.name);
            let with_unit = with_unit(&entry.name, entry.value.get_ref(), &self.known);
            let hint = match (with_unit, nearest(&entry.name, &self.known)) {
                (Some((key, advice)), _) => {
                    format!("; '{key}' is, with its unit: {advice}")
                }
                (None, Some(near)) => format!("; '{near}' is"),
                (None, None) => String::new(),
            };
            let what = format!("'{name}' is not known in {}{hint}", self.title);
            faults.add(entry.name_at.clone(), what, self.known.join(", "));
        }
    }
}

fn plural(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::Array(_) => "several tables or a list",
        other => instead(other),
    }
}
