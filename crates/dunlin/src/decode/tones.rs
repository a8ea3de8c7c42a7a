//! What is said of tones of which no frame came.

use dunlin_clock::SampleRate;

use super::finding::Finding;
use super::job::Tones;

/// So many are told one by one.
const SHOWN: usize = 3;

/// Where frames lay; those less than a second apart count as one stretch, so that many hours
/// need little memory.
#[derive(Debug, Default)]
pub struct Spans(Vec<(u64, u64)>);

impl Spans {
    /// A frame lay here. Frames come in order of their starts.
    pub fn add(&mut self, start: u64, end: u64, rate: SampleRate) {
        match self.0.last_mut() {
            Some(last) if start <= last.1 + u64::from(rate.hz()) => last.1 = last.1.max(end),
            _ => self.0.push((start, end)),
        }
    }

    /// Whether a frame lay at tones, or less than a second beside them.
    fn touch(&self, tones: &Tones, rate: SampleRate) -> bool {
        let near = u64::from(rate.hz());
        let mut all = self.0.iter();
        all.any(|(start, end)| *start <= tones.end + near && tones.start <= end + near)
    }
}

/// Findings about tones that nobody read in any mode, each once: of several that tell of the same
/// tones the one whose mode they suit.
pub fn findings(mut tones: Vec<Tones>, frames: &Spans, rate: SampleRate) -> Vec<Finding> {
    tones.retain(|t| !frames.touch(t, rate));
    tones.sort_by(|a, b| {
        let key = |t: &Tones| (!t.suits, t.start, t.end);
        key(a)
            .cmp(&key(b))
            .then_with(|| a.sentence.cmp(&b.sentence))
    });
    let mut kept: Vec<Tones> = Vec::new();
    for t in tones {
        if !kept.iter().any(|k| k.start < t.end && t.start < k.end) {
            kept.push(t);
        }
    }
    kept.sort_by_key(|t| t.start);
    let second = |at: u64| at as f64 / rate.hz_f64();
    let mut said: Vec<Finding> = kept
        .iter()
        .take(SHOWN)
        .map(|t| {
            Finding::new(
                "Tones without a frame",
                format!("from {:.1} to {:.1} s", second(t.start), second(t.end)),
                format!("no frame came of {}", t.sentence),
                "",
            )
        })
        .collect();
    if kept.len() > SHOWN {
        said.push(Finding::new(
            "More tones without a frame",
            format!("{} times more", kept.len() - SHOWN),
            "",
            "",
        ));
    }
    said
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tones(start: u64, end: u64, suits: bool, sentence: &str) -> Tones {
        Tones {
            start,
            end,
            suits,
            sentence: sentence.into(),
        }
    }

    #[test]
    fn tones_are_told_once_and_not_where_a_frame_was_read() {
        let rate = SampleRate::new(1000).expect("not zero");
        let mut frames = Spans::default();
        frames.add(20_000, 21_000, rate);
        frames.add(21_500, 22_000, rate);
        let heard = vec![
            tones(1000, 3000, false, "this is not afsk1200"),
            tones(1100, 3100, true, "60 Hz low"),
            tones(22_500, 25_000, true, "read"),
            tones(30_000, 31_000, true, "weak"),
        ];
        let said: Vec<String> = findings(heard, &frames, rate)
            .iter()
            .map(Finding::to_string)
            .collect();
        assert_eq!(
            said,
            [
                "Tones without a frame: from 1.1 to 3.1 s. No frame came of 60 Hz low.",
                "Tones without a frame: from 30.0 to 31.0 s. No frame came of weak."
            ]
        );
    }
}
