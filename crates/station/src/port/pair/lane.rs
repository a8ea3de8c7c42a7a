//! What one branch of one input told, in stretches that hang together.

use dunlin_clock::SampleCount;
use dunlin_modem::Rival;

/// A bit that no rival changes costs this much to change; natural logarithm of a ratio of
/// likelihoods.
pub(super) const CERTAIN: f32 = 24.0;
/// A bit that comes without a rival: one of full size costs this much to change.
const WITHOUT_RIVAL: f32 = 16.0;
/// The longest frame and its stuffing fit into half of this.
const MOST_BITS: usize = 49_152;
/// Less than this holds no frame: 17 octets and their flags.
const FEWEST_BITS: usize = 144;

/// One bit as it was told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Told {
    pub one: bool,
    /// In the samples of its own input.
    pub at: SampleCount,
    /// What it costs at least to change it.
    pub sure: f32,
    pub rival: Option<Rival>,
}

/// Bits that follow on each other.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Stretch {
    pub branch: u8,
    pub bits: Vec<Told>,
    /// The other input has told the same.
    pub fitted: bool,
}

impl Stretch {
    /// From the first bit to the last, in the samples of its input.
    pub fn span(&self) -> (u64, u64) {
        let at = |bit: Option<&Told>| bit.map_or(0, |bit| bit.at.0);
        (at(self.bits.first()), at(self.bits.last()))
    }
}

/// Collects the bits of one branch.
#[derive(Clone, Debug)]
pub(super) struct Lane {
    branch: u8,
    bits: Vec<Told>,
}

impl Lane {
    pub fn new(branch: u8) -> Self {
        Lane {
            branch,
            bits: Vec::new(),
        }
    }

    /// Takes one bit. A stretch that has become too long is given out; its second half also
    /// begins the next one, so that no frame is cut.
    pub fn push(&mut self, soft: f32, at: SampleCount, rival: Option<Rival>) -> Option<Stretch> {
        let sure = match rival {
            Some(_) => CERTAIN,
            None => (soft.abs() * WITHOUT_RIVAL).min(CERTAIN),
        };
        self.bits.push(Told {
            one: soft > 0.0,
            at,
            sure,
            rival,
        });
        if let Some(rival) = rival {
            self.doubt(rival);
        }
        if self.bits.len() < MOST_BITS {
            return None;
        }
        let rest = self.bits[MOST_BITS / 2..].to_vec();
        Some(self.give(rest))
    }

    /// What comes next does not follow on what came before.
    pub fn cut(&mut self) -> Option<Stretch> {
        let stretch = self.give(Vec::new());
        (stretch.bits.len() >= FEWEST_BITS).then_some(stretch)
    }

    fn give(&mut self, rest: Vec<Told>) -> Stretch {
        Stretch {
            branch: self.branch,
            bits: std::mem::replace(&mut self.bits, rest),
            fitted: false,
        }
    }

    /// A rival makes the bits that it would change less sure.
    fn doubt(&mut self, rival: Rival) {
        let last = self.bits.len() - 1;
        let mut left = rival.flips;
        while left != 0 {
            let back = left.trailing_zeros() as usize;
            left &= left - 1;
            if let Some(bit) = last.checked_sub(back).map(|i| &mut self.bits[i]) {
                bit.sure = bit.sure.min(rival.cost.max(0.0));
            }
        }
    }
}
