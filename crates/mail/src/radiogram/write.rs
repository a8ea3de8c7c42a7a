//! Writes a radiogram: into the body of a message, and for paper.

use std::fmt::Write as _;

use super::Radiogram;
use super::fault::Unfit;
use super::preamble::{sign, word};

/// Parts address, text and signature; the Morse sign that is written so (common practice, no source).
pub(super) const BREAK: &str = "BT";
/// Ends a radiogram; the Morse sign that is written so (common practice, no source).
pub(super) const END: &str = "AR";
/// Stands before the phone number (common practice, no source).
pub(super) const PHONE: &str = "TEL";

/// Groups in a line of a message. Ten are counted at a glance (common practice, no source).
const GROUPS_A_LINE: usize = 10;
/// Groups in a line on paper: short lines of five are copied and counted by hand.
const GROUPS_ON_PAPER: usize = 5;
/// Columns of the text on paper before the count of the line.
const PAPER: usize = 60;

impl Radiogram {
    /// The body of the message that carries it; `parse` reads it again. It holds the radiogram and
    /// nothing else (G5).
    ///
    /// # Errors
    /// What does not keep to the form and would be read otherwise than it was meant.
    pub fn body(&self) -> Result<String, Unfit> {
        self.fits()?;
        let mut lines = vec![self.preamble()];
        lines.extend(self.to.iter().map(ToString::to_string));
        lines.extend(self.phone.iter().map(|phone| format!("{PHONE} {phone}")));
        lines.push(BREAK.to_owned());
        let groups = self.text.groups().chunks(GROUPS_A_LINE);
        lines.extend(groups.map(|groups| groups.join(" ")));
        lines.push(BREAK.to_owned());
        lines.push(self.signature.to_string());
        lines.push(END.to_owned());
        let mut body = lines.join("\n");
        body.push('\n');
        Ok(body)
    }

    /// The preamble in its order (G1), one line.
    pub fn preamble(&self) -> String {
        let mut groups = vec![self.number.to_string(), sign(self.precedence).to_owned()];
        groups.extend(self.handling.iter().map(ToString::to_string));
        groups.push(self.origin.to_string());
        groups.push(self.check.to_string());
        groups.push(self.place.to_string());
        groups.extend(self.filed.map(|filed| filed.to_string()));
        groups.push(self.date.to_string());
        groups.join(" ")
    }

    /// The radiogram as it is printed for a person: each part under its name, the text five groups a
    /// line with the count beside it, and lines to fill in by hand.
    pub fn printed(&self) -> String {
        let mut out = String::from("RADIOGRAM\n\n");
        let mut row = |name: &str, value: &str| {
            // A String takes everything that is written to it.
            let _ = writeln!(out, "{name:<18}{value}");
        };
        row("Number", &self.number.to_string());
        row("Precedence", word(self.precedence));
        for handling in &self.handling {
            row("Handling", &format!("{handling}: {}", handling.meaning()));
        }
        row("Station of origin", &self.origin.to_string());
        row("Check", &self.check.to_string());
        row("Place of origin", self.place.as_str());
        let filed = self.filed.map_or_else(|| "-".to_owned(), |f| f.to_string());
        row("Time filed", &filed);
        row("Date", &format!("{}\n", self.date));
        for (at, line) in self.to.iter().enumerate() {
            let name = if at == 0 { "To" } else { "" };
            row(name, line.as_str());
        }
        row(
            "Phone",
            self.phone.as_ref().map_or("-", |phone| phone.as_str()),
        );
        out.push_str("\nText\n");
        let mut counted = 0;
        for groups in self.text.groups().chunks(GROUPS_ON_PAPER) {
            counted += groups.len();
            let _ = writeln!(out, "  {:<PAPER$}{counted:>4}", groups.join(" "));
        }
        let _ = write!(out, "\n{:<18}{}\n\n", "Signature", self.signature);
        for name in ["Received from", "Sent to"] {
            let _ = writeln!(out, "{name:<18}{:_<20} date and time (UTC) {:_<20}", "", "");
        }
        out
    }
}
