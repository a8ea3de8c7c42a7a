//! Survivors to decided levels, each with the best reading that lost against it.
//!
//! Every survivor carries its latest 64 levels in one word. Where two paths merge, the one
//! that loses is noted for the state in which they merge: by how much, and in which levels it
//! differs. The survivor that is best now passes, some symbols ago, through one state; what
//! lost there is the rival of that moment.

use dunlin_clock::SampleCount;

use crate::demodulator::{DemodEvent, Rival};

/// So many symbols later the survivors agree.
const DECIDED: usize = 40;
/// So many symbols more may bring rivals that reach back to a symbol and lower its certainty.
const SETTLED: usize = 16;
/// Symbols from a symbol until its bit comes out.
pub(super) const DELAY_SYMBOLS: usize = DECIDED + SETTLED + 3;
const KEPT: usize = 64;
/// The cost of a rival that makes a bit fully sure; nothing depends on the scale but the picture
/// that people are shown.
const SURE: f32 = 16.0;

/// The path that lost in a state.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Loser {
    /// By how much, in the units of the metric.
    pub behind: f32,
    /// Levels in which it differs: bit 0 is the latest.
    pub differs: u64,
}

/// A bit on its way out.
#[derive(Clone, Copy, Debug, Default)]
struct Waiting {
    one: bool,
    sure: f32,
    at: SampleCount,
    rival: Option<Rival>,
}

/// Turns survivors into bits.
#[derive(Clone, Debug)]
pub(super) struct Traceback {
    states: usize,
    losers: Vec<Loser>,
    places: [SampleCount; KEPT],
    steps: usize,
    waiting: [Waiting; KEPT],
    decided: usize,
    level: u64,
}

impl Traceback {
    pub fn new(states: usize) -> Self {
        Traceback {
            states,
            losers: vec![Loser::default(); states * KEPT],
            places: [SampleCount(0); KEPT],
            steps: 0,
            waiting: [Waiting::default(); KEPT],
            decided: 0,
            level: 0,
        }
    }

    /// Forgets everything.
    pub fn reset(&mut self) {
        self.steps = 0;
        self.decided = 0;
    }

    /// Where to note what loses in this step, one place for each state.
    pub fn losers(&mut self) -> &mut [Loser] {
        let row = self.steps % KEPT * self.states;
        &mut self.losers[row..row + self.states]
    }

    /// Ends a step. `best` are the latest levels of the best survivor, `at` is where the latest
    /// symbol has its middle, `noise` the noise power in the units of the metric.
    pub fn step(&mut self, best: u64, at: SampleCount, noise: f32) -> Option<Bit> {
        self.places[self.steps % KEPT] = at;
        self.steps += 1;
        if self.steps <= DECIDED {
            self.level = best;
            return None;
        }
        let then = (self.steps - 1 - DECIDED) % KEPT;
        let levels = best >> DECIDED;
        let state = levels as usize & (self.states - 1);
        let loser = self.losers[then * self.states + state];
        let one = (levels ^ self.level) & 1 == 0;
        self.level = levels;
        self.decide(one, self.places[then], loser, noise)
    }

    /// Takes a decided bit and what lost against it; gives the bit that is settled now.
    fn decide(&mut self, one: bool, at: SampleCount, loser: Loser, noise: f32) -> Option<Bit> {
        // Levels to bits: a bit is wrong if one of its two levels is.
        let flips = loser.differs ^ (loser.differs >> 1);
        let cost = (loser.behind / noise.max(f32::MIN_POSITIVE)).max(0.0);
        let rival = (flips != 0 && cost.is_finite()).then_some(Rival { flips, cost });
        self.waiting[self.decided % KEPT] = Waiting {
            one,
            sure: SURE,
            at,
            rival,
        };
        if let Some(rival) = rival {
            let mut left = rival.flips;
            while left != 0 {
                let back = left.trailing_zeros() as usize;
                left &= left - 1;
                if back <= SETTLED && back <= self.decided {
                    let bit = &mut self.waiting[(self.decided - back) % KEPT];
                    bit.sure = bit.sure.min(cost);
                }
            }
        }
        self.decided += 1;
        let settled = self.decided.checked_sub(SETTLED + 1)?;
        let Waiting {
            one,
            sure,
            at,
            rival,
        } = self.waiting[settled % KEPT];
        let size = (sure / SURE).clamp(1e-3, 1.0);
        Some(Bit {
            soft: if one { size } else { -size },
            at,
            rival,
        })
    }
}

/// A bit that is settled.
#[derive(Clone, Copy, Debug)]
pub(super) struct Bit {
    soft: f32,
    at: SampleCount,
    rival: Option<Rival>,
}

impl Bit {
    /// What the demodulator tells of it.
    pub fn event(self, branch: u8) -> DemodEvent {
        DemodEvent::Bit {
            branch,
            soft: self.soft,
            at: self.at,
            rival: self.rival,
        }
    }
}
