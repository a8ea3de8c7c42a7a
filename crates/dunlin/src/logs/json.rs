//! The journal as JSON, one object a line.

use std::io::Write;

use anyhow::Result;
use dunlin_clock::WallTime;
use dunlin_store::{Entry, Export, Field, Kind};
use serde_json::Value;

use super::output::Output;
use super::{counted, time};

/// Fields that are yes or no.
const YES_OR_NO: [&str; 5] = ["incoming", "both_ways", "complete", "lost", "ended"];

/// Writes every entry. Fields of which nothing is known are left out.
pub fn write(journal: &Export, out: &mut Output) -> Result<u64> {
    counted(journal, &Kind::ALL, |entry| {
        out.write_all(line(entry)?.as_bytes())?;
        Ok(true)
    })
}

/// By hand, because a map would put the fields in the order of their names.
fn line(entry: &Entry) -> Result<String> {
    let mut line = format!("{{\"record\":\"{}\"", entry.kind.word());
    if let Some(time) = time::iso(entry.time) {
        line += &format!(",\"time\":\"{time}\"");
    }
    for (name, field) in entry.kind.columns().iter().zip(&entry.fields) {
        match field {
            Field::Measured(measured) if measured.is_finite() => {
                // With single precision, as it was measured: -20.4 and not -20.39999962.
                line += &format!(",\"{name}\":{}", *measured as f32);
            }
            _ => {
                if let Some(value) = value(name, field) {
                    line += &format!(",\"{name}\":{}", escaped(&serde_json::to_string(&value)?));
                }
            }
        }
    }
    line += "}\n";
    Ok(line)
}

/// Besides what JSON must escape: what some readers take for the end of a line, and what tells a
/// terminal what to do.
fn escaped(json: &str) -> String {
    let mut text = String::with_capacity(json.len());
    for c in json.chars() {
        match c {
            '\u{7F}'..='\u{9F}' | '\u{2028}' | '\u{2029}' => {
                text += &format!("\\u{:04x}", u32::from(c));
            }
            c => text.push(c),
        }
    }
    text
}

fn value(name: &str, field: &Field) -> Option<Value> {
    Some(match field {
        Field::Nothing => return None,
        Field::Number(number) if name.ends_with("_at") => time::iso(WallTime(*number))?.into(),
        Field::Number(number) if YES_OR_NO.contains(&name) => (*number != 0).into(),
        Field::Number(number) => (*number).into(),
        Field::Measured(_) => return None, // What is no number of JSON is left out.
        Field::Text(text) if name == "via" => via(text).into(),
        Field::Text(text) => text.as_str().into(),
        Field::Octets(octets) => hex(octets).into(),
    })
}

/// The digipeaters of an entry. A station heard has one or none, kept as its bare name.
pub fn via(text: &str) -> Vec<String> {
    serde_json::from_str(text).unwrap_or_else(|_| vec![text.to_owned()])
}

/// Octets as lower-case hex.
pub fn hex(octets: &[u8]) -> String {
    let mut text = String::with_capacity(2 * octets.len());
    for octet in octets {
        for half in [octet >> 4, octet & 15] {
            text.extend(char::from_digit(half.into(), 16));
        }
    }
    text
}
