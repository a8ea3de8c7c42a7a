//! Where everything of a plan stands, by its path: `port.0.sound.input`.

use std::collections::BTreeMap;

use toml::de::{DeTable, DeValue};

use crate::place::Source;

/// Lines by path.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Lines(BTreeMap<String, usize>);

impl Lines {
    pub(crate) fn of(text: &str) -> Lines {
        let (table, _) = DeTable::parse_recoverable(text);
        let mut lines = Lines::default();
        lines.walk("", table.get_ref(), &Source::new(text));
        lines
    }

    fn walk(&mut self, path: &str, table: &DeTable<'_>, source: &Source<'_>) {
        for (key, value) in table {
            let path = match path {
                "" => key.get_ref().to_string(),
                path => format!("{path}.{}", key.get_ref()),
            };
            self.0
                .insert(path.clone(), source.line_of(key.span().start));
            match value.get_ref() {
                DeValue::Table(inner) => self.walk(&path, inner, source),
                DeValue::Array(items) => {
                    for (index, item) in items.iter().enumerate() {
                        let path = format!("{path}.{index}");
                        let line = source.line_of(item.span().start);
                        self.0.insert(path.clone(), line);
                        if let DeValue::Table(inner) = item.get_ref() {
                            self.walk(&path, inner, source);
                        }
                    }
                }
                _ => {}
            }
        }
    }

    pub(crate) fn has(&self, path: &str) -> bool {
        self.0.contains_key(path)
    }

    /// The line of `path`, or of the nearest table around it.
    pub(crate) fn line(&self, path: &str) -> usize {
        let mut path = path;
        loop {
            match (self.0.get(path), path.rsplit_once('.')) {
                (Some(line), _) => return *line,
                (None, Some((outer, _))) => path = outer,
                (None, None) => return 1,
            }
        }
    }
}
