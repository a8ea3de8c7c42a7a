//! What the sound of a recording is like, whatever is in it: levels, clipping, gaps, samples
//! that are no numbers. What is wrong becomes a finding.

use dunlin_clock::SampleRate;
use dunlin_modem::Mode;
use serde::{Deserialize, Serialize};

use super::finding::Finding;
use super::found::rounded;
use super::session::Tally;

/// So many samples of the same value in a row are a gap, seconds. Sound with any noise in it
/// has none; 50 ms are longer than any pattern of bits that a mode holds steady.
const GAP_S: f64 = 0.05;
/// Gaps whose place is kept; more are only counted.
const MOST_GAPS: usize = 1000;
/// Two samples in a row at full scale are clipped: of a sine that just reaches it, only one is.
const CLIPPED_RUN: u32 = 2;
/// Three equal samples in a row at the recording's own peak are cut off below full scale.
const FLAT_RUN: u32 = 3;
/// Pieces for which it is asked whether they hold clipped samples, seconds.
const PIECE_S: f64 = 0.1;

/// The sound of a stretch, or of several joined. Sums are exact enough to be added in order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// Samples per second.
    rate: u32,
    full_scale: f32,
    /// Samples looked at.
    pub samples: u64,
    /// Samples that are not finite numbers.
    pub not_numbers: u64,
    /// Samples beyond full scale, which only recordings of floats have.
    pub beyond: u64,
    #[serde(with = "exactly")]
    sum: f64,
    #[serde(with = "exactly")]
    squares: f64,
    /// Largest magnitude.
    pub peak: f32,
    /// Samples in runs at full scale.
    pub clipped: u64,
    /// Pieces of a tenth of a second with such samples.
    clipped_pieces: u64,
    /// Samples in runs at the peak.
    flat: u64,
    /// Starts and lengths of gaps, samples of the recording.
    pub gaps: Vec<(u64, u64)>,
    /// Gaps of which the place was not kept.
    more_gaps: u64,
    #[serde(skip)]
    now: Now,
}

/// What is going on at the current sample.
#[derive(Clone, Debug, Default, PartialEq)]
struct Now {
    at: u64,
    last: f32,
    /// Samples in a row with the value `last`.
    same: u64,
    /// Samples in a row at full scale.
    full: u32,
    /// The end of the last piece that was counted as clipped.
    counted: u64,
}

impl Survey {
    /// Begins to look at sample `start` of a recording.
    pub fn new(rate: SampleRate, full_scale: f32, start: u64) -> Self {
        Survey {
            rate: rate.hz(),
            full_scale,
            now: Now {
                at: start,
                counted: start,
                ..Now::default()
            },
            ..Survey::default()
        }
    }

    /// Takes the next samples.
    pub fn look(&mut self, samples: &[f32]) {
        for &sample in samples {
            self.samples += 1;
            let x = if sample.is_finite() {
                sample
            } else {
                self.not_numbers += 1;
                0.0
            };
            // A recording of floats may hold anything; beyond a thousand it is no sound.
            let bounded = f64::from(x.clamp(-1000.0, 1000.0));
            self.sum += bounded;
            self.squares += bounded * bounded;
            self.runs(x);
            self.now.at += 1;
        }
    }

    fn runs(&mut self, x: f32) {
        let size = x.abs();
        self.beyond += u64::from(size > 1.0);
        let at_full_scale = size >= self.full_scale;
        let same_side = x.is_sign_positive() == self.now.last.is_sign_positive();
        self.now.full = match (at_full_scale, same_side) {
            (false, _) => 0,
            (true, true) => self.now.full.saturating_add(1),
            (true, false) => 1,
        };
        if self.now.full >= CLIPPED_RUN {
            // The first one of the run is told with the second.
            self.clipped += if self.now.full == CLIPPED_RUN {
                u64::from(CLIPPED_RUN)
            } else {
                1
            };
            self.clipped_here();
        }
        if x == self.now.last && self.now.same > 0 {
            self.now.same += 1;
        } else {
            self.gap_ends();
            self.now.last = x;
            self.now.same = 1;
        }
        if size > self.peak {
            self.peak = size;
            self.flat = 0;
        }
        if size == self.peak && self.now.same >= u64::from(FLAT_RUN) && size > 0.0 {
            let first = self.now.same == u64::from(FLAT_RUN);
            self.flat += if first { u64::from(FLAT_RUN) } else { 1 };
        }
    }

    fn clipped_here(&mut self) {
        let piece = (PIECE_S * f64::from(self.rate)) as u64;
        if self.now.at >= self.now.counted {
            self.clipped_pieces += 1;
            self.now.counted = (self.now.at / piece.max(1) + 1) * piece;
        }
    }

    fn gap_ends(&mut self) {
        let length = self.now.same;
        if length as f64 >= GAP_S * f64::from(self.rate) {
            if self.gaps.len() < MOST_GAPS {
                self.gaps.push((self.now.at - length, length));
            } else {
                self.more_gaps += 1;
            }
        }
    }

    /// The stretch is over.
    pub fn finished(mut self) -> Self {
        self.gap_ends();
        self.now = Now::default();
        self
    }

    /// Adds the next stretch.
    pub fn append(&mut self, next: Survey) {
        if self.samples == 0 {
            *self = next;
            return;
        }
        self.samples += next.samples;
        self.not_numbers += next.not_numbers;
        self.beyond += next.beyond;
        self.sum += next.sum;
        self.squares += next.squares;
        self.clipped += next.clipped;
        self.clipped_pieces += next.clipped_pieces;
        self.flat = match next.peak.total_cmp(&self.peak) {
            std::cmp::Ordering::Less => self.flat,
            std::cmp::Ordering::Equal => self.flat + next.flat,
            std::cmp::Ordering::Greater => next.flat,
        };
        self.peak = self.peak.max(next.peak);
        self.more_gaps += next.more_gaps;
        for gap in next.gaps {
            let room = self.gaps.len() < MOST_GAPS;
            match self.gaps.last_mut() {
                Some((start, length)) if *start + *length == gap.0 => *length += gap.1,
                _ if room => self.gaps.push(gap),
                _ => self.more_gaps += 1,
            }
        }
    }

    fn share(&self, n: u64) -> f64 {
        n as f64 / self.samples.max(1) as f64
    }

    fn seconds(&self, samples: u64) -> f64 {
        samples as f64 / f64::from(self.rate.max(1))
    }

    /// The highest peak, dB of full scale.
    pub fn peak_dbfs(&self) -> f64 {
        20.0 * f64::from(self.peak).max(1e-9).log10()
    }

    /// Root mean square without the mean, dB of a full-scale sine.
    pub fn level_dbfs(&self) -> f64 {
        let n = self.samples.max(1) as f64;
        let (mean, square) = (self.sum / n, self.squares / n);
        10.0 * (2.0 * (square - mean * mean)).max(1e-12).log10()
    }

    /// The mean of all samples as a share of full scale.
    pub fn dc(&self) -> f64 {
        self.sum / self.samples.max(1) as f64
    }

    /// The figures as they stand in a report.
    pub fn figures(&self) -> Figures {
        Figures {
            seconds: rounded(self.seconds(self.samples), 3),
            peak_dbfs: rounded(self.peak_dbfs(), 1),
            level_dbfs: rounded(self.level_dbfs(), 1),
            dc_percent: rounded(100.0 * self.dc(), 2),
            clipped_percent: rounded(100.0 * self.share(self.clipped), 3),
            clipped_s: rounded(self.clipped_pieces as f64 * PIECE_S, 1),
            not_numbers: self.not_numbers,
            gaps: self.gaps.len() as u64 + self.more_gaps,
            gaps_s: rounded(self.seconds(self.gaps.iter().map(|g| g.1).sum()), 2),
        }
    }
}

/// What a report says of the sound.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Figures {
    /// Length.
    pub seconds: f64,
    /// Highest peak.
    pub peak_dbfs: f64,
    /// Root mean square against a full-scale sine.
    pub level_dbfs: f64,
    /// The mean, percent of full scale.
    pub dc_percent: f64,
    /// Clipped samples, percent.
    pub clipped_percent: f64,
    /// Seconds in which something was clipped.
    pub clipped_s: f64,
    /// Samples that are no numbers.
    pub not_numbers: u64,
    /// Places where all samples are the same.
    pub gaps: u64,
    /// Their length together.
    pub gaps_s: f64,
}

/// What is wrong with the sound, the gravest first.
pub fn findings(survey: &Survey, rate: SampleRate, tally: &Tally) -> Vec<Finding> {
    if survey.samples == 0 {
        return Vec::new();
    }
    if survey.peak == 0.0 && survey.not_numbers == 0 {
        return vec![Finding::new(
            "The recording is silent",
            "every sample is zero",
            "there is nothing in it to decode",
            "see whether the recorder heard the right input and channel, and that the input is not muted",
        )];
    }
    let mut found = Vec::new();
    found.extend(not_numbers(survey));
    found.extend(clipping(survey));
    found.extend(level(survey));
    found.extend(off_zero(survey));
    found.extend(gaps(survey));
    found.extend(rate_too_low(rate, tally));
    found
}

/// A finding about samples that are no numbers.
fn not_numbers(survey: &Survey) -> Option<Finding> {
    let bad = survey.not_numbers;
    (bad > 0).then(|| {
        Finding::new(
            "The recording is damaged",
            format!(
                "{bad} of its {} samples are not numbers ({:.1} %)",
                survey.samples,
                100.0 * survey.share(bad)
            ),
            "they were taken as silence, and a frame across them is lost",
            "record or convert it again",
        )
    })
}

/// A finding about tops that are cut off, here or before the recorder.
fn clipping(survey: &Survey) -> Option<Finding> {
    let clipped = 100.0 * survey.share(survey.clipped);
    let flat = 100.0 * survey.share(survey.flat);
    let weaker = "clipping spoils weak signals first and bends the balance of the tones";
    if clipped >= 20.0 {
        Some(Finding::new(
            "The sound is always clipped",
            format!("{clipped:.0} % of its samples stand at full scale"),
            weaker,
            "turn the level down until the highest peaks are near -6 dBFS, and record again",
        ))
    } else if clipped >= 0.01 {
        let seconds = survey.clipped_pieces as f64 * PIECE_S;
        let all = survey.seconds(survey.samples);
        Some(Finding::new(
            "The sound is too loud",
            format!(
                "it is clipped in {seconds:.1} s of {all:.1} s ({clipped:.2} % of the samples)"
            ),
            weaker,
            "record it at a lower level",
        ))
    } else if flat >= 1.0 && survey.peak > 0.01 {
        Some(Finding::new(
            format!("The sound is cut off at {:.1} dBFS", survey.peak_dbfs()),
            format!("{flat:.1} % of the samples stand at the peak"),
            "something before the recorder clips it, which spoils weak signals first",
            "turn the level down there",
        ))
    } else {
        None
    }
}

/// Findings about a level beyond full scale, or hardly any.
fn level(survey: &Survey) -> Option<Finding> {
    let peak = survey.peak_dbfs();
    if survey.beyond > 0 {
        return Some(Finding::new(
            "Samples lie beyond full scale",
            format!("{} of them, the highest at {peak:+.1} dBFS", survey.beyond),
            "they are decoded as they are; a device would have clipped them",
            "turn the level down before the sound is written as integers or played",
        ));
    }
    (peak < -60.0 && survey.peak > 0.0).then(|| {
        Finding::new(
            "The sound is very quiet",
            format!("its highest peak is {peak:.0} dBFS"),
            "the steps of the recording become noise beside it",
            "turn the level up",
        )
    })
}

/// A finding about sound that does not swing around zero.
fn off_zero(survey: &Survey) -> Option<Finding> {
    let dc = survey.dc();
    let sine = 10_f64.powf(survey.level_dbfs() / 20.0);
    (dc.abs() > 0.02 && dc.abs() > 0.1 * sine).then(|| {
        Finding::new(
            "The sound does not swing around zero",
            format!("its mean is {:+.1} % of full scale", 100.0 * dc),
            "that costs room for the signal, which clips earlier on one side",
            "the sound card adds direct voltage: use another input, or a capacitor in the lead",
        )
    })
}

/// Modes for which nobody could listen, where nothing else was heard either.
fn rate_too_low(rate: SampleRate, tally: &Tally) -> Option<Finding> {
    let too_fast = Mode::ALL
        .into_iter()
        .filter(|mode| mode.check_rate(rate).is_err());
    let names: Vec<&str> = too_fast.map(Mode::name).collect();
    let asked_for_one = tally.modes.len() < 2;
    if names.is_empty() || asked_for_one || tally.all_frames() > 0 {
        return None;
    }
    Some(Finding::new(
        "Not every mode could be listened for",
        format!(
            "{} samples per second are too few for {}",
            rate.hz(),
            names.join(", ")
        ),
        "frames of these modes are not among what was heard",
        "if that was sent, record at 48000",
    ))
}

/// A finding about gaps with sound on either side.
fn gaps(survey: &Survey) -> Option<Finding> {
    let inside = |&&(start, length): &&(u64, u64)| start > 0 && start + length < survey.samples;
    let inner: Vec<&(u64, u64)> = survey.gaps.iter().filter(inside).collect();
    let (start, length) = **inner.iter().max_by_key(|(_, length)| length)?;
    let count = inner.len() as u64 + survey.more_gaps;
    let all: u64 = inner.iter().map(|(_, n)| n).sum();
    let (times, longest) = match count {
        1 => ("once".to_owned(), ""),
        n => (format!("{n} times"), "the longest "),
    };
    Some(Finding::new(
        format!(
            "The sound stands still {times}, {:.1} s in all",
            survey.seconds(all)
        ),
        format!(
            "{longest}{:.2} s at {:.1} s",
            survey.seconds(length),
            survey.seconds(start)
        ),
        "a frame across such a gap is lost",
        "a squelch or a recorder that lost samples does that; open the squelch, or give the recorder time",
    ))
}

/// Numbers as their bits, so that they come back as they were.
mod exactly {
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(x: &f64, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_u64(x.to_bits())
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
        u64::deserialize(from).map(f64::from_bits)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: u32 = 8000;

    fn rate() -> SampleRate {
        SampleRate::new(HZ).expect("not zero")
    }

    fn look(samples: &[f32]) -> Survey {
        let mut survey = Survey::new(rate(), 32767.0 / 32768.0, 0);
        survey.look(samples);
        survey.finished()
    }

    fn said(samples: &[f32]) -> String {
        let tally = Tally {
            modes: vec![Mode::Afsk1200],
            ..Tally::default()
        };
        words(findings(&look(samples), rate(), &tally))
    }

    fn words(findings: Vec<Finding>) -> String {
        let sentences: Vec<String> = findings.iter().map(Finding::to_string).collect();
        sentences.join(" ")
    }

    fn sine(peak: f32, mean: f32) -> Vec<f32> {
        let turn = |n: u32| std::f32::consts::TAU * (n as f32 * 1234.5 / HZ as f32).fract();
        (0..2 * HZ).map(|n| mean + peak * turn(n).sin()).collect()
    }

    #[test]
    fn good_sound_has_no_findings() {
        assert_eq!(said(&sine(0.5, 0.0)), "");
        assert_eq!(said(&sine(0.9999, 0.0)), "", "it just reaches full scale");
        assert_eq!(said(&[]), "");
    }

    #[test]
    fn each_fault_has_its_finding() {
        let clipped: Vec<f32> = sine(1.3, 0.0).iter().map(|x| x.clamp(-1.0, 1.0)).collect();
        let square: Vec<f32> = sine(1.0, 0.0).iter().map(|x| x.signum()).collect();
        let flat: Vec<f32> = sine(0.8, 0.0).iter().map(|x| x.clamp(-0.3, 0.3)).collect();
        let mut gap = sine(0.5, 0.0);
        gap[4000..5000].fill(0.0);
        let cases = [
            (vec![0.0; 8000], "silent"),
            (clipped, "always clipped"),
            (square, "always clipped"),
            (flat, "cut off at -10.5 dBFS"),
            (sine(0.0005, 0.0), "very quiet"),
            (sine(0.3, 0.1), "mean is +10.0 %"),
            (sine(4.0, 0.0), "beyond full scale"),
            (
                vec![f32::NAN; 8000],
                "8000 of its 8000 samples are not numbers",
            ),
            (gap, "stands still once, 0.1 s in all: 0.12 s at 0.5 s"),
        ];
        for (samples, words) in cases {
            let said = said(&samples);
            assert!(said.contains(words), "{words}: {said}");
        }
    }

    #[test]
    fn now_and_then_too_loud_is_told_with_its_share() {
        let mut samples = sine(0.5, 0.0);
        samples[1000..1010].fill(1.0);
        assert!(
            said(&samples).contains("clipped in 0.1 s of 2.0 s (0.06 %"),
            "{}",
            said(&samples)
        );
    }

    #[test]
    fn what_is_no_number_is_counted_and_spoils_nothing() {
        let mut samples = sine(0.5, 0.0);
        samples[10..20].fill(f32::NAN);
        samples[30] = f32::INFINITY;
        samples[40] = f32::MAX;
        let survey = look(&samples);
        assert_eq!((survey.not_numbers, survey.beyond), (11, 1));
        assert!(survey.level_dbfs().is_finite() && survey.dc().is_finite());
    }

    #[test]
    fn stretches_joined_say_what_the_whole_says() {
        let mut samples = sine(0.5, 0.0);
        samples[7000..9000].fill(0.0);
        let mut joined = Survey::default();
        for start in [0, 8000] {
            let mut part = Survey::new(rate(), 0.999, start as u64);
            part.look(&samples[start..start + 8000]);
            // As from a state file.
            let text = serde_json::to_string(&part.finished()).expect("JSON");
            joined.append(serde_json::from_str(&text).expect("read back"));
        }
        let whole = look(&samples);
        assert_eq!(joined.gaps, whole.gaps);
        assert_eq!(joined.figures(), whole.figures());
    }

    #[test]
    fn a_rate_that_is_too_low_for_a_mode_is_told_if_nothing_was_heard() {
        let tally = Tally {
            modes: vec![Mode::Afsk300, Mode::Afsk1200],
            ..Tally::default()
        };
        let said = words(findings(&look(&sine(0.5, 0.0)), rate(), &tally));
        assert!(
            said.contains("8000 samples per second are too few for") && said.contains("fsk9600"),
            "{said}"
        );
    }
}
