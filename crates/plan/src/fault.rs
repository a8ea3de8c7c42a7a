//! What is wrong in a plan, where, and what would be right.

use std::fmt;
use std::ops::Range;

use crate::place::{Place, Source};

/// Faults that are kept; the rest is only counted.
const MOST_FAULTS: usize = 50;

/// One thing that is wrong. Shown as
///
/// ```text
/// plan.toml:7:1: 'persistance' is not a setting of [[port]]; 'persistence' is
///   7 | persistance = 0.2
///     | ^^^^^^^^^^^
///   allowed: name, mode, …
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Name of the file, as given.
    pub file: String,
    /// Where.
    pub place: Place,
    /// What is wrong.
    pub what: String,
    /// What is allowed there.
    pub allowed: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Place { line, column, .. } = self.place;
        writeln!(f, "{}:{line}:{column}: {}", self.file, self.what)?;
        let number = line.to_string();
        let room = " ".repeat(number.len());
        let indent = " ".repeat(self.place.indent);
        let caret = "^".repeat(self.place.width);
        writeln!(f, "  {number} | {}", self.place.shown)?;
        writeln!(f, "  {room} | {indent}{caret}")?;
        write!(f, "  allowed: {}", self.allowed)
    }
}

/// All that is wrong in one file, in the order of the file. Never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FaultList {
    /// The faults, at most 50.
    pub faults: Vec<Fault>,
    /// How many more there are.
    pub more: usize,
}

impl std::error::Error for FaultList {}

impl fmt::Display for FaultList {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for fault in &self.faults {
            writeln!(f, "{fault}\n")?;
        }
        match (self.faults.len() + self.more, self.more) {
            (1, _) => write!(f, "1 fault; correct it and try again"),
            (all, 0) => write!(f, "{all} faults; correct them and try again"),
            (all, more) => write!(f, "{all} faults, {more} of them not shown"),
        }
    }
}

/// Collects what is wrong while a file is read.
#[derive(Clone, Debug)]
pub struct Faults<'i> {
    file: String,
    source: Source<'i>,
    found: Vec<(usize, Fault)>,
    more: usize,
}

impl<'i> Faults<'i> {
    /// Nothing wrong yet in the file called `file` with the content `text`.
    pub fn new(file: &str, text: &'i str) -> Self {
        Faults {
            file: file.to_owned(),
            source: Source::new(text),
            found: Vec::new(),
            more: 0,
        }
    }

    /// Notes that the octets `span` of the text are wrong, and what would be right.
    pub fn add(&mut self, span: Range<usize>, what: impl Into<String>, allowed: impl Into<String>) {
        if self.found.len() == MOST_FAULTS {
            self.more += 1;
            return;
        }
        let fault = Fault {
            file: self.file.clone(),
            place: self.source.place(span.clone()),
            what: what.into(),
            allowed: allowed.into(),
        };
        self.found.push((span.start, fault));
    }

    /// If the plan is of another version, only that is said: the rest is judged by rules that
    /// it was not written for.
    pub(crate) fn other_version_alone(&mut self) {
        let is_version = |fault: &Fault| fault.what.contains("rules of version");
        if self.found.iter().any(|(_, fault)| is_version(fault)) {
            self.found.retain(|(_, fault)| is_version(fault));
            self.more = 0;
        }
    }

    /// Where the octets `span` stand.
    pub fn place(&self, span: Range<usize>) -> Place {
        self.source.place(span)
    }

    /// The line, from 1, in which the octet `at` stands.
    pub fn line_of(&self, at: usize) -> usize {
        self.source.line_of(at)
    }

    /// Nothing was found wrong so far.
    pub fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// `value` if nothing was wrong, else everything that was, in the order of the file.
    /// `None` without a fault is a mistake of the caller; it is told as a fault too.
    pub fn decide<T>(mut self, value: Option<T>) -> Result<T, FaultList> {
        match value {
            Some(value) if self.found.is_empty() => return Ok(value),
            None if self.found.is_empty() => {
                self.add(0..0, "the file gives nothing", "a whole plan")
            }
            _ => {}
        }
        self.found.sort_by_key(|(at, _)| *at);
        Err(FaultList {
            faults: self.found.into_iter().map(|(_, fault)| fault).collect(),
            more: self.more,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_shows_its_line_with_a_caret() {
        let mut faults = Faults::new("p.toml", "a = 1\n\tbad = 2\n");
        faults.add(7..10, "'bad' is bad", "good");
        let list = faults.decide(Some(())).expect_err("one fault");
        let expected = "p.toml:2:2: 'bad' is bad\n  2 |  bad = 2\n    |  ^^^\n  allowed: good";
        assert_eq!(list.faults[0].to_string(), expected);
        let all = format!("{expected}\n\n1 fault; correct it and try again");
        assert_eq!(list.to_string(), all);
    }

    #[test]
    fn faults_come_in_the_order_of_the_file_and_are_limited() {
        let text = "x\n".repeat(100);
        let mut faults = Faults::new("p", &text);
        for at in (0..60).rev() {
            faults.add(at * 2..at * 2 + 1, "bad", "good");
        }
        let list = faults.decide::<()>(None).expect_err("many");
        assert_eq!((list.faults.len(), list.more), (50, 10));
        assert!(list.faults.is_sorted_by_key(|f| f.place.line));
        assert!(
            list.to_string()
                .ends_with("60 faults, 10 of them not shown")
        );
    }
}
