//! Two tones that go on for a while: what several looks agree on, whether or not anybody can
//! read them.

use dunlin_clock::SampleCount;

use super::two_tone::TwoTone;

/// Two tones taking turns that were heard for a while.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeardTones {
    /// Where the first look began that saw them.
    pub from: SampleCount,
    /// Where the last one ended.
    pub to: SampleCount,
    /// The lower tone, hertz.
    pub low_hz: f32,
    /// The higher tone, hertz.
    pub high_hz: f32,
    /// Symbols per second, if enough changes of tone were heard.
    pub baud: Option<f32>,
}

impl HeardTones {
    /// The middle between the tones, hertz.
    pub fn centre_hz(&self) -> f32 {
        (self.low_hz + self.high_hz) / 2.0
    }

    /// How far the tones are apart, hertz.
    pub fn shift_hz(&self) -> f32 {
        self.high_hz - self.low_hz
    }
}

/// Two values must explain this much of the frequency's scatter in a look.
const CLEAR: f32 = 0.80;
/// So many looks at least must agree.
const FEWEST: usize = 5;
/// Of all looks from the first to the last that agree, this share at least must.
const AGREEING: f32 = 0.7;
/// Looks of one spell; then it is told and the next begins: 16 seconds.
const MOST: usize = 125;
/// After so many looks without the tones they have gone.
const PATIENCE: usize = 3;
/// Tones are the same when their middle differs by less than this share of their shift, and
/// their shifts by less than this share.
const SAME_CENTRE: f32 = 0.2;
const SAME_SHIFT: f32 = 0.25;

/// Puts looks together.
#[derive(Clone, Debug)]
pub(super) struct HeardTonesFinder {
    looks: Vec<TwoTone>,
    /// All looks since the first.
    seen: usize,
    missed: usize,
    from: SampleCount,
    to: SampleCount,
    scratch: Vec<f32>,
}

impl HeardTonesFinder {
    pub(super) fn new() -> Self {
        HeardTonesFinder {
            looks: Vec::with_capacity(MOST),
            seen: 0,
            missed: 0,
            from: SampleCount(0),
            to: SampleCount(0),
            scratch: Vec::with_capacity(MOST),
        }
    }

    /// Takes the next look, which lies between these places of the input; tells of tones that
    /// have gone by now or have lasted long.
    pub(super) fn push(
        &mut self,
        look: Option<TwoTone>,
        (from, to): (SampleCount, SampleCount),
    ) -> Option<HeardTones> {
        let look = look.filter(|l| l.clarity > CLEAR);
        let first = self.looks.first().copied();
        match (first, look) {
            (None, None) => return None,
            (None, Some(look)) => self.begin(look, from, to),
            (Some(_), Some(look)) if self.belongs(&look) => {
                self.looks.push(look);
                self.seen += 1 + self.missed;
                self.missed = 0;
                self.to = to;
            }
            (Some(_), Some(look)) if self.looks.len() == 1 => self.begin(look, from, to),
            (Some(_), _) => self.missed += 1,
        }
        if self.missed < PATIENCE && self.looks.len() < MOST {
            return None;
        }
        let found = self.judge();
        self.looks.clear();
        found
    }

    /// What was heard counts no more.
    pub(super) fn forget(&mut self) {
        self.looks.clear();
    }

    fn begin(&mut self, look: TwoTone, from: SampleCount, to: SampleCount) {
        self.looks.clear();
        self.looks.push(look);
        (self.seen, self.missed) = (1, 0);
        (self.from, self.to) = (from, to);
    }

    /// Whether a look saw the tones of the one before.
    fn belongs(&self, look: &TwoTone) -> bool {
        self.looks.last().is_some_and(|known| {
            let shift = known.shift_hz();
            (look.centre_hz() - known.centre_hz()).abs() < SAME_CENTRE * shift
                && (look.shift_hz() / shift).ln().abs() < SAME_SHIFT
        })
    }

    fn judge(&mut self) -> Option<HeardTones> {
        let count = self.looks.len();
        if count < FEWEST || (count as f32) < AGREEING * self.seen as f32 {
            return None;
        }
        let low_hz = self.median(|l| Some(l.low_hz))?;
        let high_hz = self.median(|l| Some(l.high_hz))?;
        let baud = self.median(|l| l.baud);
        let known = self.scratch.len();
        Some(HeardTones {
            from: self.from,
            to: self.to,
            low_hz,
            high_hz,
            baud: baud.filter(|_| 2 * known > count),
        })
    }

    /// The median of what is known of a figure.
    fn median(&mut self, figure: impl Fn(&TwoTone) -> Option<f32>) -> Option<f32> {
        self.scratch.clear();
        self.scratch.extend(self.looks.iter().filter_map(figure));
        self.scratch.sort_by(f32::total_cmp);
        self.scratch.get(self.scratch.len() / 2).copied()
    }
}
