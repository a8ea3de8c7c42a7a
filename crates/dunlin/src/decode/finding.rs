//! What is wrong with a recording: on what evidence, what follows and what to do.

use std::fmt;
use std::io::{self, Write};

use serde::Serialize;
use serde_json::json;

/// One thing that is wrong. Each part is a sentence without its full stop, or a clause.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// What is wrong.
    pub what: String,
    /// What shows it, with figures.
    pub evidence: String,
    /// What follows for the frames.
    pub consequence: String,
    /// What to do.
    pub remedy: String,
}

impl Finding {
    /// A finding of its four parts.
    pub fn new(
        what: impl Into<String>,
        evidence: impl Into<String>,
        consequence: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Finding {
            what: what.into(),
            evidence: evidence.into(),
            consequence: consequence.into(),
            remedy: remedy.into(),
        }
    }

    /// A file that could not be decoded, or not to its end. `error` is a sentence that follows the
    /// file's name.
    pub fn of_error(error: &str) -> Self {
        let (evidence, remedy) = error.split_once("; ").unwrap_or((error, ""));
        Finding::new(
            "The recording could not be decoded, or not to its end",
            format!("it {evidence}"),
            "what is not among the frames was not heard",
            remedy,
        )
    }

    /// Writes it as a line of JSON.
    pub fn json(&self, out: &mut impl Write, file: &str) -> io::Result<()> {
        serde_json::to_writer(&mut *out, &json!({ "file": file, "finding": self }))?;
        out.write_all(b"\n")
    }
}

impl fmt::Display for Finding {
    /// For people.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}.", self.what, self.evidence)?;
        for part in [&self.consequence, &self.remedy] {
            let mut letters = part.chars();
            if let Some(first) = letters.next() {
                write!(f, " {}{}.", first.to_uppercase(), letters.as_str())?;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_finding_reads_as_sentences_and_never_as_a_frame() {
        let finding = Finding::new(
            "It is loud",
            "9 % clipped",
            "frames are lost",
            "turn it down",
        );
        assert_eq!(
            finding.to_string(),
            "It is loud: 9 % clipped. Frames are lost. Turn it down."
        );
        let mut line = Vec::new();
        finding.json(&mut line, "a.wav").expect("written to memory");
        let line: serde_json::Value = serde_json::from_slice(&line).expect("JSON");
        assert_eq!(line["finding"]["evidence"], "9 % clipped");
        assert!(line.get("frame").is_none());
    }

    #[test]
    fn of_an_error_its_advice_becomes_the_remedy() {
        let finding = Finding::of_error("is a directory; name the WAV files in it");
        assert_eq!(finding.evidence, "it is a directory");
        assert_eq!(finding.remedy, "name the WAV files in it");
    }
}
