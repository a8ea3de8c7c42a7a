//! What `dunlin decode` prints: one JSON object a line, or a table for people.

use std::io::{self, Write};

use dunlin_ax25::Frame;
use dunlin_clock::SampleRate;
use dunlin_modem::Mode;
use serde::Serialize;
use serde_json::{Map, Value};

use super::finding::Finding;
use super::found::{Found, hex, rounded};
use super::session::Tally;
use super::survey::Survey;

/// One line of `--json`. The order of the fields is the order in the line.
#[derive(Serialize)]
struct Line<'a> {
    file: &'a str,
    number: u64,
    start_s: f64,
    length_s: f64,
    mode: Mode,
    frame: String,
    text: String,
    level_dbfs: Option<f64>,
    offset_hz: Option<f64>,
    twist_db: Option<f64>,
    snr_db: Option<f64>,
    /// Whatever else was measured, by name.
    #[serde(flatten)]
    more: Map<String, Value>,
}

/// Figures that have a place of their own.
const NAMED: [&str; 4] = ["level_dbfs", "offset_hz", "twist_db", "snr_db"];

/// Writes a frame as JSON.
pub fn json(
    out: &mut impl Write,
    file: &str,
    number: u64,
    rate: SampleRate,
    found: &Found,
) -> io::Result<()> {
    let named = |name: &String| NAMED.contains(&name.as_str());
    let more = found.measured.iter().filter(|(name, _)| !named(name));
    let [level_dbfs, offset_hz, twist_db, snr_db] = NAMED.map(|name| found.figure(name));
    let line = Line {
        file,
        number,
        start_s: rounded(found.start_s(rate), 4),
        length_s: rounded(
            // Between the middles of the first and the last bit one symbol is missing.
            found.end.saturating_sub(found.start) as f64 / rate.hz_f64()
                + 1.0 / f64::from(found.line.baud()),
            4,
        ),
        mode: found.mode(),
        frame: hex(&found.octets),
        text: text(&found.octets),
        level_dbfs,
        offset_hz,
        twist_db,
        snr_db,
        more: more.map(|(k, v)| (k.clone(), v.clone())).collect(),
    };
    serde_json::to_writer(&mut *out, &line)?;
    out.write_all(b"\n")
}

/// Writes the head of a file's table.
pub fn head(out: &mut impl Write, file: &str, rate: SampleRate) -> io::Result<()> {
    writeln!(out, "{file} ({} samples per second)", rate.hz())?;
    writeln!(
        out,
        "{:>5} {:>10}  {:8}  {:>6}  {:>6}  {:>6}  {:>6}  frame",
        "no.", "start s", "mode", "dBFS", "off Hz", "twist", "SNR dB"
    )
}

/// Writes a frame as a row of the table.
pub fn row(out: &mut impl Write, number: u64, rate: SampleRate, found: &Found) -> io::Result<()> {
    let figure = |name: &str, sign: bool| match found.figure(name) {
        Some(x) if sign => format!("{x:+.1}"),
        Some(x) => format!("{x:.1}"),
        None => "-".to_owned(),
    };
    let repaired = match found.repaired_bits() {
        0 => String::new(),
        1 => "  [1 bit repaired]".to_owned(),
        n => format!("  [{n} bits repaired]"),
    };
    writeln!(
        out,
        "{number:5} {:10.3}  {:8}  {:>6}  {:>6}  {:>6}  {:>6}  {}{repaired}",
        found.start_s(rate),
        found.mode().name(),
        figure("level_dbfs", false),
        figure("offset_hz", true),
        figure("twist_db", true),
        figure("snr_db", false),
        text(&found.octets),
    )
}

/// Writes what there is to say after a file's last frame.
pub fn foot(
    out: &mut impl Write,
    seconds: f64,
    tally: &Tally,
    survey: &Survey,
    findings: &[Finding],
) -> io::Result<()> {
    let frames = tally.all_frames();
    let noun = if frames == 1 { "frame" } else { "frames" };
    let names: Vec<&str> = tally.modes.iter().map(|m| m.name()).collect();
    let names = names.join(", ");
    write!(
        out,
        "{frames} {noun} in {seconds:.1} s, listening for {names}."
    )?;
    // Where one mode has frames, what another takes for damaged ones is only its mistake.
    let sent = |mode: &Mode| frames == 0 || tally.frames.contains_key(mode);
    for (mode, n) in tally.unreadable.iter().filter(|(mode, _)| sent(mode)) {
        let times = if *n == 1 {
            "once".to_owned()
        } else {
            format!("{n} times")
        };
        write!(
            out,
            " Data that could not be read was heard {times} ({mode})."
        )?;
    }
    for finding in findings {
        write!(out, " {finding}")?;
    }
    if frames == 0 && findings.is_empty() && survey.samples > 0 {
        write!(out, " {}", why_nothing(tally, survey))?;
    }
    writeln!(out, "\n")
}

/// A guess why nothing came out of sound with which nothing is wrong.
fn why_nothing(tally: &Tally, survey: &Survey) -> String {
    if tally.unreadable.is_empty() {
        let peak = survey.peak_dbfs();
        format!("Sound with peaks of {peak:.0} dBFS, but no data heard in it.")
    } else {
        "It may be too noisy, distorted, or of another protocol.".into()
    }
}

/// One line for people.
pub fn text(octets: &[u8]) -> String {
    match Frame::decode(octets) {
        Ok(frame) => frame.to_string(),
        Err(error) => format!("not decodable as AX.25: {error}"),
    }
}
