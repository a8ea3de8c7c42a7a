//! A guess at what could not be read, in the form in which it is kept and printed.
//!
//! It never goes where frames go: not into the merger, the capture, the report's stations or the
//! numbers of frames.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::io::{self, Write};

use dunlin_clock::SampleRate;
use dunlin_modem::Mode;
use dunlin_station::port::Guess;
use serde::{Deserialize, Serialize};
use serde_json::json;

use super::found::rounded;

/// What a sender may have sent, although its check is wrong.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Guessed {
    mode: Mode,
    /// First bit after the opening flag, samples of the recording.
    pub start: u64,
    /// Last bit of the closing flag, samples of the recording.
    pub end: u64,
    /// The octets without FCS as hex.
    guess: String,
    /// It rendered in one line.
    text: String,
    /// How sure it is, in words.
    sure: String,
    address_right: f64,
    all_right: f64,
    /// Places of octets that are right with less than 90 %, from 0.
    doubtful: Vec<usize>,
    level_dbfs: f64,
    snr_db: Option<f64>,
    offset_hz: Option<f64>,
    twist_db: Option<f64>,
}

impl Guessed {
    /// A guess of a receiver that began to listen at sample `from` of the recording.
    pub fn new(mode: Mode, guess: &Guess, from: u64) -> Self {
        let report = guess.report();
        let figure = |x: f32| rounded(f64::from(x), 3);
        Guessed {
            mode,
            start: from + report.start.0,
            end: from + report.end.0,
            guess: super::found::hex(guess.octets()),
            text: guess.text(),
            sure: guess.how_sure(),
            address_right: figure(guess.address()),
            all_right: figure(guess.whole()),
            doubtful: guess.doubtful(),
            level_dbfs: figure(report.level_dbfs),
            snr_db: report.snr_db.map(figure),
            offset_hz: report.offset_hz.map(figure),
            twist_db: report.twist_db.map(figure),
        }
    }

    /// Writes it as JSON. The octets stand under `guess`; a line with `frame` is a frame.
    pub fn json(&self, out: &mut impl Write, file: &str, rate: SampleRate) -> io::Result<()> {
        let line = json!({
            "file": file,
            "start_s": rounded(self.start as f64 / rate.hz_f64(), 4),
            "mode": self.mode,
            "guess": self.guess,
            "text": self.text,
            "address_right": self.address_right,
            "all_right": self.all_right,
            "doubtful": self.doubtful,
            "level_dbfs": self.level_dbfs,
            "snr_db": self.snr_db,
            "offset_hz": self.offset_hz,
            "twist_db": self.twist_db,
        });
        serde_json::to_writer(&mut *out, &line)?;
        out.write_all(b"\n")
    }

    /// Writes it as a row of a list of its own, below the table of frames.
    pub fn row(&self, out: &mut impl Write, rate: SampleRate) -> io::Result<()> {
        let start = self.start as f64 / rate.hz_f64();
        writeln!(
            out,
            "      {start:10.3}  {:8}  guess: {}",
            self.mode.name(),
            self.text
        )?;
        writeln!(out, "{:28}({})", "", self.sure)
    }
}

/// Of guesses from all modes those at places where no mode read a frame, the surest at each place,
/// in order.
pub fn choose(mut guesses: Vec<Guessed>, mut frames: Vec<(u64, u64)>) -> Vec<Guessed> {
    // Frames by their start, each with the latest end of all up to it.
    frames.sort_unstable();
    let mut latest = 0;
    for (_, end) in &mut frames {
        latest = latest.max(*end);
        *end = latest;
    }
    guesses.retain(|g| {
        let before = frames.partition_point(|&(start, _)| start < g.end);
        before == 0 || frames[before - 1].1 <= g.start
    });
    guesses.sort_by(surest_first);
    // Those that are kept do not meet, so the last one to start is also the last one to end.
    let mut kept: BTreeMap<u64, Guessed> = BTreeMap::new();
    for guess in guesses {
        let last = kept.range(..guess.end.max(guess.start + 1)).next_back();
        if last.is_none_or(|(_, k)| k.start < guess.start && k.end <= guess.start) {
            kept.insert(guess.start, guess);
        }
    }
    kept.into_values().collect()
}

/// Guesses of one recording that are kept, at least; at most twice as many.
const MOST_KEPT: usize = 10_000;

/// Keeps the surest guesses where there are too many. Which ones stay does not depend on the order in
/// which they came.
pub fn limit(guesses: &mut Vec<Guessed>) {
    if guesses.len() > 2 * MOST_KEPT {
        guesses.sort_by(surest_first);
        guesses.truncate(MOST_KEPT);
    }
}

fn surest_first(a: &Guessed, b: &Guessed) -> Ordering {
    let sure = b.address_right.total_cmp(&a.address_right);
    let place = |g: &Guessed| (g.start, g.mode, g.end);
    sure.then(place(a).cmp(&place(b)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn guess(start: u64, address_right: f64) -> Guessed {
        Guessed {
            mode: Mode::Afsk1200,
            start,
            end: start + 100,
            guess: "00".into(),
            text: String::new(),
            sure: String::new(),
            address_right,
            all_right: 0.1,
            doubtful: vec![0],
            level_dbfs: -10.0,
            snr_db: None,
            offset_hz: None,
            twist_db: None,
        }
    }

    #[test]
    fn a_guess_yields_to_a_frame_and_to_a_surer_guess() {
        let all = vec![
            guess(0, 0.9),
            guess(1000, 0.6),
            guess(1050, 0.8),
            guess(1140, 0.7),
        ];
        let kept: Vec<u64> = choose(all, vec![(90, 200)])
            .iter()
            .map(|g| g.start)
            .collect();
        assert_eq!(kept, [1050]);
    }

    #[test]
    fn a_short_frame_behind_the_start_of_a_long_one_hides_nothing() {
        let all = vec![guess(500, 0.9), guess(2000, 0.9)];
        let frames = vec![(300, 310), (0, 600), (5000, 6000)];
        let kept: Vec<u64> = choose(all, frames).iter().map(|g| g.start).collect();
        assert_eq!(kept, [2000]);
    }

    #[test]
    fn of_too_many_guesses_the_surest_stay() {
        let sure = |n: usize| n as f64 / (3 * MOST_KEPT) as f64;
        let mut all: Vec<Guessed> = (0..2 * MOST_KEPT)
            .map(|n| guess(n as u64, sure(n)))
            .collect();
        limit(&mut all);
        assert_eq!(all.len(), 2 * MOST_KEPT);
        all.insert(0, guess(1, 1.0));
        limit(&mut all);
        assert_eq!(all.len(), MOST_KEPT);
        assert_eq!((all[0].address_right, all[0].start), (1.0, 1));
        assert!(all.iter().all(|g| g.address_right > 0.3));
    }

    #[test]
    fn a_line_of_json_has_the_octets_under_guess_and_no_frame() {
        let mut line = Vec::new();
        let rate = SampleRate::new(8000).expect("not zero");
        guess(8000, 0.9)
            .json(&mut line, "a.wav", rate)
            .expect("written to memory");
        let line: serde_json::Value = serde_json::from_slice(&line).expect("JSON");
        assert_eq!(
            (&line["guess"], &line["start_s"]),
            (&json!("00"), &json!(1.0))
        );
        assert!(line.get("frame").is_none());
    }
}
