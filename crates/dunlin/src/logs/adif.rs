//! Contacts as ADIF, in its ADI form (Amateur Data Interchange Format, version 3.1.6).
//!
//! A field is `<NAME:length>` and its text; its length counts characters, and all that is written
//! here is ASCII, so these are octets. A field of our own has the name `APP_DUNLIN_…` and the
//! letter of its type, S for a string. A record ends with `<EOR>`, the header with `<EOH>`.

use std::io::Write;

use anyhow::Result;
use dunlin_clock::WallTime;
use dunlin_store::{Entry, Export, Kind, RunId};

use super::frequency::{Frequencies, band};
use super::json::via;
use super::output::Output;
use super::{counted, time};
use crate::wall_clock;

/// The version of the format that is written.
const VERSION: &str = "3.1.6";

/// Writes every talk that was connected both ways.
pub fn write(journal: &Export, out: &mut Output) -> Result<u64> {
    out.write_all(header(wall_clock::now()).as_bytes())?;
    let mut frequencies = Frequencies::default();
    counted(journal, &[Kind::Talk], |entry| {
        if entry.number("both_ways") != Some(1) {
            return Ok(false);
        }
        let run = RunId(entry.number("run").unwrap_or(0));
        let mhz = frequencies.of(journal, run, entry.text("port"))?;
        let Some(record) = record(entry, mhz) else {
            return Ok(false);
        };
        out.write_all(record.as_bytes())?;
        Ok(true)
    })
}

fn header(now: WallTime) -> String {
    // A file whose first character is not < has a header (from memory).
    let mut text = "Contacts by packet radio, written by Dunlin\n".to_owned();
    field(&mut text, "ADIF_VER", VERSION);
    if let (Some(date), Some(of_day)) = (time::date(now), time::of_day(now)) {
        field(&mut text, "CREATED_TIMESTAMP", &format!("{date} {of_day}"));
    }
    field(&mut text, "PROGRAMID", "Dunlin");
    field(&mut text, "PROGRAMVERSION", env!("CARGO_PKG_VERSION"));
    text + "<EOH>\n"
}

/// The record of a talk; `None` if its time is impossible.
fn record(talk: &Entry, mhz: Option<f64>) -> Option<String> {
    let incoming = talk.number("incoming") == Some(1);
    let (ours, theirs) = match incoming {
        true => (talk.text("to"), talk.text("from")),
        false => (talk.text("from"), talk.text("to")),
    };
    let began = WallTime(talk.number("connected_at")?);
    let mut text = String::new();
    field(&mut text, "CALL", call(theirs));
    field(&mut text, "QSO_DATE", &time::date(began)?);
    field(&mut text, "TIME_ON", &time::of_day(began)?);
    if let Some(ended) = ended(talk).filter(|ended| *ended >= began) {
        field(&mut text, "QSO_DATE_OFF", &time::date(ended)?);
        field(&mut text, "TIME_OFF", &time::of_day(ended)?);
    }
    if let Some(mhz) = mhz {
        if let Some(band) = band(mhz) {
            field(&mut text, "BAND", band);
        }
        field(&mut text, "FREQ", &format!("{mhz:.6}"));
    }
    field(&mut text, "MODE", "PKT");
    field(&mut text, "STATION_CALLSIGN", call(ours));
    own(&mut text, "ADDRESS", theirs);
    own(&mut text, "STATION_ADDRESS", ours);
    own(&mut text, "PORT", talk.text("port"));
    own(&mut text, "LINE_MODE", talk.text("mode"));
    own(&mut text, "VIA", &via(talk.text("via")).join(" "));
    own(&mut text, "CALLED_BY", if incoming { "them" } else { "us" });
    Some(text + "<EOR>\n")
}

/// When the talk ended; of one that was cut off, when the other station was last heard.
fn ended(talk: &Entry) -> Option<WallTime> {
    let name = match talk.text("state") {
        "ended" => "changed_at",
        _ => "last_heard_at",
    };
    talk.number(name).map(WallTime)
}

/// A call sign without its SSID, which is no part of it.
fn call(address: &str) -> &str {
    address.split_once('-').map_or(address, |(call, _)| call)
}

/// Adds a field; one without text is left out.
fn field(record: &mut String, name: &str, text: &str) {
    let text = ascii(text);
    if !text.is_empty() {
        *record += &format!("<{name}:{}>{text} ", text.len());
    }
}

/// Adds a field of our own.
fn own(record: &mut String, name: &str, text: &str) {
    let text = ascii(text);
    if !text.is_empty() {
        *record += &format!("<APP_DUNLIN_{name}:{}:S>{text} ", text.len());
    }
}

/// The type String of the format has ASCII 32 to 126; anything else becomes a question mark.
fn ascii(text: &str) -> String {
    let plain = |c: char| if matches!(c, ' '..='~') { c } else { '?' };
    text.chars().map(plain).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_count_what_stands_there_whatever_the_text() {
        let mut text = String::new();
        own(&mut text, "PORT", "K\u{FC}ste <EOR>\n");
        field(&mut text, "BAND", "");
        assert_eq!(text, "<APP_DUNLIN_PORT:12:S>K?ste <EOR>? ");
    }

    #[test]
    fn a_call_sign_has_no_ssid() {
        assert_eq!(call("QM3BAR-15"), "QM3BAR");
        assert_eq!(call("QM3BAR"), "QM3BAR");
    }

    #[test]
    fn the_header_says_version_and_time() {
        let text = header(WallTime(1_800_000_000_000));
        assert!(
            text.contains("<ADIF_VER:5>3.1.6 <CREATED_TIMESTAMP:15>20270115 080000 "),
            "{text}"
        );
        assert!(
            text.ends_with("<EOH>\n") && !text.starts_with('<'),
            "{text}"
        );
    }
}
