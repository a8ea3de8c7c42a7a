//! The journal as CSV (RFC 4180): a header, commas, CR LF, texts in quotes.
//!
//! A text from the air may begin like a formula, and a spreadsheet would work it out. Such a text
//! gets an apostrophe before it (common practice, no source). Control characters become blanks:
//! a record stays on one line, and a terminal is not told what to do. The octets have them still.

use std::io::Write;

use anyhow::Result;
use dunlin_clock::WallTime;
use dunlin_store::{Entry, Export, Field, Kind};

use super::json::{hex, via};
use super::output::Output;
use super::{counted, time};

/// With what a formula begins, also in the wide forms of East Asian scripts.
const FORMULA: [char; 8] = [
    '=', '+', '-', '@', '\u{FF1D}', '\u{FF0B}', '\u{FF0D}', '\u{FF20}',
];

/// Writes every entry.
pub fn write(journal: &Export, out: &mut Output) -> Result<u64> {
    let columns = columns();
    let mut line = format!("record,time,{}\r\n", columns.join(","));
    out.write_all(line.as_bytes())?;
    counted(journal, &Kind::ALL, |entry| {
        line.clear();
        add_entry(&mut line, &columns, entry);
        out.write_all(line.as_bytes())?;
        Ok(true)
    })
}

/// The fields of all kinds of entries, each once.
fn columns() -> Vec<&'static str> {
    let mut columns: Vec<&'static str> = Vec::new();
    // The longest kind first, so that what belongs together stands together.
    for kind in [Kind::Frame].into_iter().chain(Kind::ALL) {
        for name in kind.columns() {
            if !columns.contains(name) {
                columns.push(name);
            }
        }
    }
    columns
}

fn add_entry(line: &mut String, columns: &[&str], entry: &Entry) {
    line.push_str(entry.kind.word());
    line.push(',');
    line.push_str(&time::iso(entry.time).unwrap_or_default());
    for name in columns {
        line.push(',');
        add_field(line, name, entry.field(name));
    }
    line.push_str("\r\n");
}

fn add_field(line: &mut String, name: &str, field: &Field) {
    match field {
        Field::Nothing => {}
        Field::Number(number) if name.ends_with("_at") => {
            line.push_str(&time::iso(WallTime(*number)).unwrap_or_default());
        }
        Field::Number(number) => line.push_str(&number.to_string()),
        Field::Measured(value) => line.push_str(&format!("{value:.2}")),
        Field::Text(text) if name == "via" => add_text(line, &via(text).join(" ")),
        Field::Text(text) => add_text(line, text),
        Field::Octets(octets) if octets.is_empty() => {}
        // With 0x, so that no spreadsheet takes 12e4 for a number.
        Field::Octets(octets) => add_text(line, &format!("0x{}", hex(octets))),
    }
}

fn add_text(line: &mut String, text: &str) {
    if text.is_empty() {
        return;
    }
    line.push('"');
    let first = text.chars().find(|c| !c.is_whitespace() && !c.is_control());
    if first.is_some_and(|first| FORMULA.contains(&first)) {
        line.push('\'');
    }
    for c in text.chars() {
        match c {
            '"' => line.push_str("\"\""),
            // Some readers take the last two for the ends of lines too.
            c if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}') => line.push(' '),
            c => line.push(c),
        }
    }
    line.push('"');
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cell(text: &str) -> String {
        let mut line = String::new();
        add_text(&mut line, text);
        line
    }

    #[test]
    fn a_text_from_the_air_is_one_cell_and_no_formula() {
        assert_eq!(cell(""), "");
        assert_eq!(cell("good evening"), "\"good evening\"");
        assert_eq!(cell("a,\"b\";\r\nc"), "\"a,\"\"b\"\";  c\"");
        for formula in [
            "=1+1",
            "+1",
            "-1",
            "@SUM(A1)",
            " =1",
            "\t=1",
            "\u{0}=1",
            "\u{FF1D}1",
        ] {
            assert!(cell(formula).starts_with("\"'"), "{formula:?}");
        }
        assert_eq!(cell("\u{1B}[2J"), "\" [2J\"");
    }

    #[test]
    fn a_measured_value_below_zero_is_a_number() {
        let mut line = String::new();
        add_field(&mut line, "level_dbfs", &Field::Measured(-20.5));
        assert_eq!(line, "-20.50");
    }

    #[test]
    fn every_column_stands_once_in_the_header() {
        let mut columns = columns();
        let count = columns.len();
        columns.sort_unstable();
        columns.dedup();
        assert_eq!(columns.len(), count);
    }
}
