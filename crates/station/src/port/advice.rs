//! Tones that never became a frame: where they lie, and what to do about it.

use dunlin_clock::{SampleCount, SampleRate};
use dunlin_modem::sense::HeardTones;
use dunlin_modem::{Line, Mode};
use serde::Serialize;

/// A frame this close to the tones is theirs, seconds.
const NEAR_S: f64 = 1.0;
/// So long after the tones their frame must have come out, seconds.
const WAIT_S: f64 = 2.0;
/// At most one piece of advice in this time, seconds.
const PAUSE_S: f64 = 5.0;
/// The middle of the tones is right to within this share of their shift.
const IN_PLACE: f32 = 0.1;
/// Shift and rate are the same when they differ by less than this share.
const SAME: f32 = 0.15;

/// Two tones that were heard while no frame was read, and what follows from it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct TonesAdvice {
    /// Where they began, in the port's samples.
    pub start: SampleCount,
    /// Where they ended, or were still heard.
    pub end: SampleCount,
    /// The middle between them, hertz.
    pub centre_hz: f32,
    /// How far they are apart, hertz.
    pub shift_hz: f32,
    /// Their symbol rate, if it could be told.
    pub baud: Option<f32>,
    /// How far their middle lies above that of the port's tones, hertz; `None` if the port's
    /// mode has no tones.
    pub offset_hz: Option<f32>,
    /// They have shift and rate of the port's mode.
    pub suits: bool,
    /// What it is and what to do, for people.
    pub sentence: String,
}

/// Holds tones back until it is clear that no frame came of them.
#[derive(Clone, Debug)]
pub(super) struct Adviser {
    line: Line,
    rate: SampleRate,
    waiting: Option<HeardTones>,
    /// Where the latest frame lay.
    frame: Option<(SampleCount, SampleCount)>,
    told: Option<SampleCount>,
}

impl Adviser {
    pub(super) fn new(line: Line, rate: SampleRate) -> Self {
        Adviser {
            line,
            rate,
            waiting: None,
            frame: None,
            told: None,
        }
    }

    /// A frame was read.
    pub(super) fn frame(&mut self, start: SampleCount, end: SampleCount) {
        self.frame = Some((start, end));
        let near = self.samples(NEAR_S);
        self.waiting = self
            .waiting
            .filter(|tones| !overlap(tones, (start, end), near));
    }

    /// Tones were heard.
    pub(super) fn tones(&mut self, tones: HeardTones) {
        let near = self.samples(NEAR_S);
        let read = self.frame.is_some_and(|span| overlap(&tones, span, near));
        let soon = self
            .told
            .is_some_and(|told| tones.to.0 < told.0 + self.samples(PAUSE_S));
        if !read && !soon {
            self.waiting = Some(tones);
        }
    }

    /// What there is to say when the receiver has heard everything up to `now`; while data is
    /// being heard a frame may still come.
    pub(super) fn advice(&mut self, now: SampleCount, data: bool) -> Option<TonesAdvice> {
        let tones = self.waiting?;
        let over = now.0 > tones.to.0 + self.samples(WAIT_S);
        if !over || data {
            return None;
        }
        self.waiting = None;
        self.told = Some(tones.to);
        let own = self.line.centre_hz();
        let offset_hz = own.map(|centre| tones.centre_hz() - centre as f32);
        Some(TonesAdvice {
            start: tones.from,
            end: tones.to,
            centre_hz: tones.centre_hz(),
            shift_hz: tones.shift_hz(),
            baud: tones.baud,
            offset_hz,
            suits: suits(self.line, &tones),
            sentence: sentence(self.line, &tones, offset_hz),
        })
    }

    fn samples(&self, seconds: f64) -> u64 {
        (seconds * self.rate.hz_f64()) as u64
    }
}

fn overlap(tones: &HeardTones, (start, end): (SampleCount, SampleCount), near: u64) -> bool {
    start.0 <= tones.to.0 + near && tones.from.0 <= end.0 + near
}

fn like(a: f32, b: f32) -> bool {
    (a / b).ln().abs() < SAME
}

/// Whether tones have shift and rate of a mode; a rate that is not known is no objection.
fn suits(line: Line, tones: &HeardTones) -> bool {
    let shift = line.shift_hz();
    shift.is_some_and(|shift| like(tones.shift_hz(), shift as f32))
        && tones.baud.is_none_or(|baud| like(baud, line.baud() as f32))
}

/// What it is, and what to do.
fn sentence(line: Line, tones: &HeardTones, offset_hz: Option<f32>) -> String {
    let rate = tones
        .baud
        .map(|baud| format!(" at about {baud:.0} Bd"))
        .unwrap_or_default();
    let what = format!("two tones {:.0} Hz apart{rate}", tones.shift_hz());
    let centred = format!("centred at {:.0} Hz", tones.centre_hz());
    let Some(off) = offset_hz.filter(|_| suits(line, tones)) else {
        let other = Mode::ALL
            .map(Line::from)
            .into_iter()
            .find(|&other| other != line && suits(other, tones));
        return match other {
            Some(other) => format!(
                "{what}, {centred}: this is not {line} but may be {other}; a port in that mode may \
                 read it"
            ),
            None => format!(
                "{what}, {centred}: this is not {line}; another mode, which no port here reads"
            ),
        };
    };
    if off.abs() <= IN_PLACE * tones.shift_hz() {
        return format!(
            "{what}, in their place, but no frame could be read: too weak, disturbed, or data of \
             another kind"
        );
    }
    let (place, audio, upper, lower) = match off > 0.0 {
        true => ("high", "lower", "up", "down"),
        false => ("low", "higher", "down", "up"),
    };
    let hertz = off.abs();
    format!(
        "{what}, centred {hertz:.0} Hz {place}: tune so that they come out {hertz:.0} Hz {audio}; \
         that is {upper} {hertz:.0} Hz on the upper sideband, {lower} {hertz:.0} Hz on the lower"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heard(low_hz: f32, high_hz: f32, baud: Option<f32>) -> HeardTones {
        HeardTones {
            from: SampleCount(8000),
            to: SampleCount(16_000),
            low_hz,
            high_hz,
            baud,
        }
    }

    fn adviser() -> Adviser {
        Adviser::new(
            Mode::Afsk300.into(),
            SampleRate::new(8000).expect("not zero"),
        )
    }

    fn said(low_hz: f32, high_hz: f32, baud: Option<f32>) -> String {
        let mut adviser = adviser();
        adviser.tones(heard(low_hz, high_hz, baud));
        let advice = adviser.advice(SampleCount(40_000), false).expect("advice");
        advice.sentence
    }

    #[test]
    fn the_sentence_says_what_to_do() {
        assert_eq!(
            said(1540.0, 1740.0, Some(301.0)),
            "two tones 200 Hz apart at about 301 Bd, centred 60 Hz low: tune so that they come \
             out 60 Hz higher; that is down 60 Hz on the upper sideband, up 60 Hz on the lower"
        );
        assert!(
            said(2300.0, 2500.0, None).contains("700 Hz lower; that is up 700 Hz on the upper")
        );
        assert!(said(1605.0, 1805.0, Some(300.0)).contains("in their place"));
        assert!(said(1600.0, 2450.0, Some(50.0)).contains("this is not afsk300; another mode"));
        assert!(said(1200.0, 2200.0, Some(1200.0)).contains("may be afsk1200"));
    }

    #[test]
    fn a_frame_or_data_under_way_or_too_little_time_forbid_advice() {
        let later = SampleCount(40_000);
        let mut one = adviser();
        one.tones(heard(1600.0, 1800.0, None));
        assert_eq!(one.advice(SampleCount(20_000), false), None, "too early");
        assert_eq!(one.advice(later, true), None, "data under way");
        one.frame(SampleCount(17_000), SampleCount(30_000));
        assert_eq!(one.advice(later, false), None, "a frame came of it");
        one.tones(heard(1600.0, 1800.0, None));
        assert_eq!(one.advice(later, false), None, "it was read before");
        let mut two = adviser();
        two.tones(heard(1540.0, 1740.0, None));
        assert!(two.advice(later, false).is_some());
        two.tones(heard(1540.0, 1740.0, None));
        assert_eq!(two.advice(later, false), None, "said already");
    }
}
