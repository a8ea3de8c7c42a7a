//! The rules of the house. Each rule is a function from the tree of files to
//! a list of complaints, so that a test can hand it a tree of its own.

pub mod cells;
mod doors;
mod heads;
mod lengths;
mod links;
mod rooms;
mod scripts;
mod tree;
mod words;

use std::fmt;

pub use tree::Tree;

/// One broken rule: where, what, and what to do about it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Complaint {
    /// Path from the top of the repository, with forward slashes.
    pub file: String,
    /// Line in that file, counted from 1.
    pub line: usize,
    /// What is wrong there.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

impl Complaint {
    fn new(
        file: &str,
        line: usize,
        what: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Complaint {
        Complaint {
            file: file.to_owned(),
            line,
            what: what.into(),
            remedy: remedy.into(),
        }
    }
}

impl fmt::Display for Complaint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Complaint {
            file,
            line,
            what,
            remedy,
        } = self;
        write!(f, "{file}:{line}: {what}\n    do: {remedy}")
    }
}

/// Runs every rule over `tree` and returns the complaints in the order of
/// file and line.
pub fn check(tree: &Tree) -> Vec<Complaint> {
    let rules: [fn(&Tree) -> Vec<Complaint>; 8] = [
        rooms::check,
        doors::check,
        lengths::check,
        words::check,
        heads::check,
        links::check_links,
        links::check_glossary,
        cells::check,
    ];
    let mut complaints: Vec<Complaint> = rules.iter().flat_map(|rule| rule(tree)).collect();
    complaints.sort();
    complaints
}
