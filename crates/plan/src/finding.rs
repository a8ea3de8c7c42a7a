//! A finding: something in a plan that works, yet may not be what was meant.

use std::fmt;

use serde::Serialize;

/// One finding: what, on what evidence, with what consequence, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// Line of the file that it is about, from 1.
    pub line: usize,
    /// What was found.
    pub what: String,
    /// What in the plan shows it.
    pub evidence: String,
    /// What follows from it.
    pub consequence: String,
    /// What to do if that is not wanted.
    pub remedy: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Finding {
            line,
            what,
            evidence,
            consequence,
            remedy,
        } = self;
        write!(
            f,
            "line {line}: {what} ({evidence}). {consequence} {remedy}"
        )
    }
}
