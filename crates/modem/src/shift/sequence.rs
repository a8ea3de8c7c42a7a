//! One branch that decides sequences: samples at the symbols' middles to soft bits and rivals.

use dunlin_clock::SampleCount;

use super::channel::{Normaliser, Tracker};
use super::flips::Line;
use super::trellis::Trellis;
use super::{AHEAD, SPAN};
use crate::Rival;
use crate::statistics::RunningSums;

/// How many symbols' places and samples are kept, a power of two beyond all delays.
const RING: usize = 256;

/// Expected samples are reckoned anew after so many symbols.
const REFRESH: usize = 8;

/// One bit decided.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decided {
    /// The soft bit.
    pub soft: f32,
    /// The middle of its symbol in the input.
    pub at: SampleCount,
    /// The best other reading that ends with it.
    pub rival: Option<Rival>,
}

/// A branch.
#[derive(Clone, Debug)]
pub struct SequenceBranch {
    normaliser: Normaliser,
    trellis: Trellis,
    tracker: Tracker,
    line: Line,
    /// Places of the symbols that were pushed.
    places: [SampleCount; RING],
    /// Samples that were normalised.
    samples: [f32; RING],
    scales: [f32; RING],
    /// Levels decided; bit 0 is the newest.
    levels: u64,
    pushed: usize,
    sums: RunningSums<3>,
}

impl SequenceBranch {
    /// A branch for a line whose symbols give `taps` to the samples around theirs.
    pub fn new(taps: [f32; SPAN], scrambled: bool) -> Self {
        SequenceBranch {
            normaliser: Normaliser::new(),
            trellis: Trellis::new(&taps, 0.0),
            tracker: Tracker::new(taps),
            line: Line::new(scrambled),
            places: [SampleCount(0); RING],
            samples: [0.0; RING],
            scales: [0.0; RING],
            levels: 0,
            pushed: 0,
            sums: RunningSums::default(),
        }
    }

    /// Symbols from one until its bit is told.
    pub const DELAY: usize = Normaliser::DELAY + Trellis::DELAY;

    /// Takes a sample from a symbol's middle; gives the bit that became due.
    pub fn step(&mut self, value: f32, at: SampleCount) -> Option<Decided> {
        let now = self.pushed;
        self.places[now % RING] = at;
        self.pushed += 1;
        let sample = self.normaliser.step(value)?;
        let own = now - Normaliser::DELAY;
        self.samples[own % RING] = sample.value;
        self.scales[own % RING] = sample.scale;
        if now.is_multiple_of(REFRESH) {
            self.trellis
                .expect(self.tracker.taps(), self.tracker.offset());
        }
        let symbol = self.trellis.step(sample.value);
        let told = own.checked_sub(Trellis::DELAY)?;
        self.levels = self.levels << 1 | u64::from(symbol.high);
        self.track(told);
        // Without interference a sample at `y` is 4 |y| nearer to its own level than to the
        // other, so that the softness of a level is as large as its sample.
        let soft = (symbol.more / 4.0).min(4.0);
        let soft = if symbol.high { soft } else { -soft };
        let cost = symbol.rival_more / (2.0 * self.tracker.noise());
        let (soft, rival) = self.line.step(soft, symbol.rival, cost);
        Some(Decided {
            soft,
            at: self.places[told % RING],
            rival,
        })
    }

    /// Learns from the sample all of whose symbols are now decided.
    fn track(&mut self, told: usize) {
        let Some(sample) = told.checked_sub(AHEAD) else {
            return;
        };
        self.tracker.step(self.samples[sample % RING], self.levels);
        let scale = f64::from(self.scales[sample % RING]);
        let level = scale * f64::from(self.tracker.taps()[AHEAD]);
        let noise = scale * scale * f64::from(self.tracker.noise());
        self.sums.push(
            self.places[sample % RING],
            [1.0, level, level * level + noise],
        );
    }

    /// Number of symbols between two places, the sum of their levels, and of their power with
    /// the noise.
    pub fn sums(&self, from: SampleCount, to: SampleCount) -> [f64; 3] {
        self.sums.over(from, to)
    }
}
