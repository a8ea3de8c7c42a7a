//! The report: who was heard, how often and how well; what was listened for; what is wrong.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use dunlin_ax25::Frame;
use dunlin_clock::SampleRate;
use dunlin_modem::Mode;
use serde::Serialize;

use super::finding::Finding;
use super::found::{Found, rounded};
use super::session::Tally;
use super::survey::Figures;

/// What is gathered of one station: the one that was on the air, which for a repeated frame is the
/// repeater.
#[derive(Clone, Debug, Default)]
struct Gathered {
    frames: u64,
    repaired: u64,
    level: Vec<f64>,
    offset: Vec<f64>,
    twist: Vec<f64>,
    snr: Vec<f64>,
    first_s: f64,
    last_s: f64,
}

/// Gathers what a report needs, frame by frame.
#[derive(Clone, Debug, Default)]
pub struct Gatherer {
    stations: BTreeMap<String, Gathered>,
    repaired: BTreeMap<Mode, u64>,
}

/// Stations that are told apart; what more there are goes under one name.
const MOST_STATIONS: usize = 10_000;

impl Gatherer {
    /// Takes a frame.
    pub fn add(&mut self, rate: SampleRate, found: &Found) {
        let name = match Frame::decode_overheard(&found.octets) {
            Ok(frame) => frame.heard_from().to_string(),
            Err(_) => "(no AX.25)".to_owned(),
        };
        let full = self.stations.len() >= MOST_STATIONS && !self.stations.contains_key(&name);
        let name = if full { "(others)".to_owned() } else { name };
        let at = found.start_s(rate);
        let station = self.stations.entry(name).or_insert_with(|| Gathered {
            first_s: at,
            ..Gathered::default()
        });
        let repaired = u64::from(found.repaired_bits() > 0);
        station.frames += 1;
        station.repaired += repaired;
        station.last_s = at;
        *self.repaired.entry(found.mode()).or_default() += repaired;
        let lists = [
            ("level_dbfs", &mut station.level),
            ("offset_hz", &mut station.offset),
            ("twist_db", &mut station.twist),
            ("snr_db", &mut station.snr),
        ];
        for (figure, list) in lists {
            list.extend(found.figure(figure));
        }
    }

    /// The report of a recording.
    pub fn report(
        self,
        file: &str,
        sound: Figures,
        tally: &Tally,
        findings: Vec<Finding>,
    ) -> Report {
        let count = |counts: &BTreeMap<Mode, u64>, mode| counts.get(mode).copied().unwrap_or(0);
        let modes = tally.modes.iter().map(|mode| ModeTotal {
            mode: *mode,
            frames: count(&tally.frames, mode),
            repaired: count(&self.repaired, mode),
            unreadable: count(&tally.unreadable, mode),
        });
        Report {
            file: file.to_owned(),
            sound,
            modes: modes.collect(),
            stations: self.stations.into_iter().map(Station::new).collect(),
            findings,
        }
    }
}

/// A recording's report.
#[derive(Clone, Debug, Serialize)]
pub struct Report {
    file: String,
    sound: Figures,
    modes: Vec<ModeTotal>,
    stations: Vec<Station>,
    findings: Vec<Finding>,
}

#[derive(Clone, Debug, Serialize)]
struct ModeTotal {
    mode: Mode,
    frames: u64,
    repaired: u64,
    /// Stretches of data that nobody could read.
    unreadable: u64,
}

/// The middle of some figures and how far they go.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
struct Spread {
    median: f64,
    least: f64,
    most: f64,
    /// Between the first quarter of the figures and the last.
    middle_half: f64,
}

impl Spread {
    fn of(mut figures: Vec<f64>) -> Option<Spread> {
        figures.sort_by(f64::total_cmp);
        // The value below which a share of the figures lies, straight between neighbours.
        let at = |share: f64| {
            let place = share * (figures.len() - 1) as f64;
            let (below, above) = (
                figures[place.floor() as usize],
                figures[place.ceil() as usize],
            );
            below + (above - below) * place.fract()
        };
        (!figures.is_empty()).then(|| Spread {
            median: rounded(at(0.5), 2),
            least: rounded(at(0.0), 2),
            most: rounded(at(1.0), 2),
            middle_half: rounded(at(0.75) - at(0.25), 2),
        })
    }
}

#[derive(Clone, Debug, Serialize)]
struct Station {
    station: String,
    frames: u64,
    repaired: u64,
    level_dbfs: Option<Spread>,
    offset_hz: Option<Spread>,
    twist_db: Option<Spread>,
    snr_db: Option<Spread>,
    first_s: f64,
    last_s: f64,
}

impl Station {
    fn new((station, g): (String, Gathered)) -> Self {
        Station {
            station,
            frames: g.frames,
            repaired: g.repaired,
            level_dbfs: Spread::of(g.level),
            offset_hz: Spread::of(g.offset),
            twist_db: Spread::of(g.twist),
            snr_db: Spread::of(g.snr),
            first_s: rounded(g.first_s, 3),
            last_s: rounded(g.last_s, 3),
        }
    }
}

/// Columns of text.
const WIDTH: usize = 80;

/// Reports as JSON.
pub fn json(reports: &[Report]) -> serde_json::Result<String> {
    serde_json::to_string_pretty(&serde_json::json!({ "recordings": reports })).map(|s| s + "\n")
}

/// Reports as text of at most 80 columns, apart from long names of files.
pub fn text(reports: &[Report]) -> String {
    let mut out = String::new();
    for report in reports {
        // Writing into a String cannot fail.
        let _ = one(&mut out, report);
    }
    out
}

fn one(out: &mut String, report: &Report) -> std::fmt::Result {
    let sound = &report.sound;
    writeln!(out, "Report of {}", report.file)?;
    writeln!(out, "\nThe sound")?;
    writeln!(
        out,
        "  {} long; level {:.1} dBFS, highest peak {:.1} dBFS, mean {:+.2} %",
        clock(sound.seconds),
        sound.level_dbfs,
        sound.peak_dbfs,
        sound.dc_percent
    )?;
    writeln!(
        out,
        "  clipped: {:.3} % of the samples, in {:.1} s; gaps: {}, {:.2} s in all",
        sound.clipped_percent, sound.clipped_s, sound.gaps, sound.gaps_s
    )?;
    writeln!(
        out,
        "\nModes\n  {:9} {:>7} {:>9} {:>11}",
        "mode", "frames", "repaired", "unreadable"
    )?;
    for mode in &report.modes {
        writeln!(
            out,
            "  {:9} {:7} {:9} {:11}",
            mode.mode.name(),
            mode.frames,
            mode.repaired,
            mode.unreadable
        )?;
    }
    stations(out, &report.stations)?;
    writeln!(out, "\nFindings")?;
    if report.findings.is_empty() {
        writeln!(out, "  Nothing is wrong with the sound.")?;
    }
    for finding in &report.findings {
        wrapped(out, &finding.to_string())?;
    }
    writeln!(out)
}

fn stations(out: &mut String, stations: &[Station]) -> std::fmt::Result {
    writeln!(
        out,
        "\nStations on the air (a repeated frame counts for its repeater)"
    )?;
    if stations.is_empty() {
        return writeln!(out, "  none");
    }
    writeln!(
        out,
        "{:9} {:>5} {:>4} {:^17} {:^12} {:>5} {:>4} {:^17}",
        "", "", "", "level dBFS", "offset Hz", "twist", "S/N", "heard"
    )?;
    writeln!(
        out,
        "{:9} {:>5} {:>4} {:>5} {:>5} {:>5} {:>6} {:>5} {:>5} {:>4} {:>8} {:>8}",
        "station",
        "count",
        "rep.",
        "mid",
        "least",
        "most",
        "mid",
        "+-",
        "dB",
        "dB",
        "first",
        "last"
    )?;
    for s in stations {
        let mid = |x: Option<Spread>, places: usize| {
            x.map_or("-".into(), |x| format!("{:.places$}", x.median))
        };
        let part = |x: Option<f64>| x.map_or("-".into(), |x| format!("{x:.1}"));
        let level = s.level_dbfs;
        if s.station.chars().count() > 9 {
            writeln!(out, "{}", s.station)?;
        }
        writeln!(
            out,
            "{:9} {:>5} {:>4} {:>5} {:>5} {:>5} {:>6} {:>5} {:>5} {:>4} {:>8} {:>8}",
            if s.station.chars().count() > 9 {
                ""
            } else {
                &s.station
            },
            s.frames,
            s.repaired,
            mid(level, 1),
            part(level.map(|l| l.least)),
            part(level.map(|l| l.most)),
            mid(s.offset_hz, 1),
            part(s.offset_hz.map(|x| x.middle_half / 2.0)),
            mid(s.twist_db, 1),
            mid(s.snr_db, 0),
            clock(s.first_s),
            clock(s.last_s),
        )?;
    }
    writeln!(
        out,
        "mid: the median; +-: half of the frames lie within this of it; rep.: repaired;\n\
         times from the beginning of the recording, h:mm:ss."
    )
}

fn clock(seconds: f64) -> String {
    let s = seconds as u64;
    format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

/// A sentence in lines of at most 80 columns.
fn wrapped(out: &mut String, sentence: &str) -> std::fmt::Result {
    let mut column = WIDTH;
    for (n, word) in sentence.split_whitespace().enumerate() {
        let length = word.chars().count();
        if column + 1 + length > WIDTH {
            let start = if n == 0 { "- " } else { "\n  " };
            write!(out, "{start}{word}")?;
            column = 2 + length;
        } else {
            write!(out, " {word}")?;
            column += 1 + length;
        }
    }
    writeln!(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_and_the_middle_half_are_the_textbooks() {
        // By hand: of 1, 2, 3, 4 the quarters lie at 1.75 and 3.25.
        let spread = Spread::of(vec![4.0, 1.0, 3.0, 2.0]);
        let wanted = Spread {
            median: 2.5,
            least: 1.0,
            most: 4.0,
            middle_half: 1.5,
        };
        assert_eq!(spread, Some(wanted));
        assert_eq!(Spread::of(Vec::new()), None);
        assert_eq!(Spread::of(vec![7.0]).map(|s| s.median), Some(7.0));
    }

    #[test]
    fn sentences_stay_within_eighty_columns() {
        let mut out = String::new();
        wrapped(&mut out, &"seven77 ".repeat(40)).expect("a String");
        assert!(out.lines().all(|l| l.len() <= WIDTH), "{out}");
        assert_eq!(out.split_whitespace().count(), 41);
    }
}
