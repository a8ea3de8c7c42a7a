//! What `dunlin decode` prints: one JSON object a line, or a table for people.

use std::io::{self, Write};

use dunlin_ax25::Frame;
use dunlin_clock::SampleRate;
use dunlin_modem::Mode;
use serde::Serialize;

use super::listener::{Heard, Tally};

/// One line of `--json`. The order of the fields is the order in the line.
#[derive(Serialize)]
struct Line<'a> {
    file: &'a str,
    start_s: f64,
    mode: Mode,
    frame: String,
    text: String,
    level_dbfs: f64,
    offset_hz: Option<f64>,
    twist_db: Option<f64>,
    snr_db: Option<f64>,
    repaired_bits: u16,
    confidence: Option<f64>,
    how: &'a str,
}

/// Writes a frame as JSON.
pub fn json(out: &mut impl Write, file: &str, rate: SampleRate, heard: &Heard) -> io::Result<()> {
    let report = &heard.report;
    let line = Line {
        file,
        start_s: rounded(report.start.seconds(rate), 4),
        mode: heard.mode,
        frame: hex(&heard.octets),
        text: text(&heard.octets),
        level_dbfs: rounded(f64::from(report.level_dbfs), 2),
        offset_hz: report.offset_hz.map(|x| rounded(f64::from(x), 1)),
        twist_db: report.twist_db.map(|x| rounded(f64::from(x), 2)),
        snr_db: report.snr_db.map(|x| rounded(f64::from(x), 2)),
        repaired_bits: report.repaired_bits,
        confidence: report.confidence.map(|x| rounded(f64::from(x), 6)),
        how: report.how,
    };
    serde_json::to_writer(&mut *out, &line)?;
    out.write_all(b"\n")
}

/// Writes the head of a file's table.
pub fn head(out: &mut impl Write, file: &str, rate: SampleRate) -> io::Result<()> {
    writeln!(out, "{file} ({} samples per second)", rate.hz())?;
    writeln!(
        out,
        "{:>10}  {:8}  {:>6}  {:>6}  {:>6}  {:>6}  frame",
        "start s", "mode", "dBFS", "off Hz", "twist", "SNR dB"
    )
}

/// Writes a frame as a row of the table.
pub fn row(out: &mut impl Write, rate: SampleRate, heard: &Heard) -> io::Result<()> {
    let report = &heard.report;
    let figure = |x: Option<f32>, sign: bool| match x {
        Some(x) if sign => format!("{x:+.1}"),
        Some(x) => format!("{x:.1}"),
        None => "-".to_owned(),
    };
    let repaired = match report.repaired_bits {
        0 => String::new(),
        1 => "  [1 bit repaired]".to_owned(),
        n => format!("  [{n} bits repaired]"),
    };
    writeln!(
        out,
        "{:10.3}  {:8}  {:6.1}  {:>6}  {:>6}  {:>6}  {}{repaired}",
        report.start.seconds(rate),
        heard.mode.name(),
        report.level_dbfs,
        figure(report.offset_hz, true),
        figure(report.twist_db, true),
        figure(report.snr_db, false),
        text(&heard.octets),
    )
}

/// Writes what there is to say after a file's last frame.
pub fn foot(
    out: &mut impl Write,
    rate: SampleRate,
    modes: &[Mode],
    tally: &Tally,
) -> io::Result<()> {
    let seconds = tally.samples as f64 / rate.hz_f64();
    let frames: usize = tally.frames.iter().map(|(_, n)| n).sum();
    let noun = if frames == 1 { "frame" } else { "frames" };
    let names: Vec<&str> = modes.iter().map(|m| m.name()).collect();
    let names = names.join(", ");
    write!(
        out,
        "{frames} {noun} in {seconds:.1} s, listening for {names}."
    )?;
    // Where one mode has frames, what another takes for damaged ones is only its mistake.
    let sent = |mode: Mode| frames == 0 || tally.frames.iter().any(|(m, _)| *m == mode);
    for (mode, n) in tally.unreadable.iter().filter(|(mode, _)| sent(*mode)) {
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
    if frames == 0 {
        write!(out, " {}", why_nothing(tally))?;
    }
    writeln!(out, "\n")
}

/// A guess why nothing came out, with its evidence.
fn why_nothing(tally: &Tally) -> String {
    let peak = 20.0 * f64::from(tally.peak).max(1e-9).log10();
    if tally.peak == 0.0 {
        "The recording is silent: every sample is zero.".into()
    } else if peak < -60.0 {
        format!("The sound is very quiet: its highest peak is {peak:.0} dBFS.")
    } else if tally.peak >= 0.999 {
        "The sound reaches full scale: it may be clipped; record it at a lower level.".into()
    } else if tally.unreadable.is_empty() {
        format!("Sound with peaks of {peak:.0} dBFS, but no data heard in it.")
    } else {
        "It may be too noisy, distorted, or of another protocol.".into()
    }
}

fn rounded(x: f64, places: i32) -> f64 {
    let scale = 10_f64.powi(places);
    (x * scale).round() / scale
}

/// Lower-case hex of octets.
fn hex(octets: &[u8]) -> String {
    octets.iter().map(|o| format!("{o:02x}")).collect()
}

/// One line for people.
fn text(octets: &[u8]) -> String {
    match Frame::decode(octets) {
        Ok(frame) => frame.to_string(),
        Err(error) => format!("not decodable as AX.25: {error}"),
    }
}
