//! A finding: something in a plan that works, yet may not be what was meant.

use std::fmt;

use serde::Serialize;

/// How much a finding matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing.
    Hint,
    /// Probably not meant, or bad for others: look after it before going on the air.
    Attention,
    /// Do not go on the air with it.
    Stop,
}

impl Severity {
    /// The word for people.
    pub fn word(self) -> &'static str {
        match self {
            Severity::Hint => "hint",
            Severity::Attention => "attention",
            Severity::Stop => "stop",
        }
    }
}

/// One finding: what, on what evidence, with what consequence, and what to do.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// The check that found it.
    pub id: &'static str,
    /// How much it matters.
    pub severity: Severity,
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
            ..
        } = self;
        write!(
            f,
            "line {line}: {what} ({evidence}). {consequence} {remedy}"
        )
    }
}
