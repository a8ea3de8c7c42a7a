//! Guesses: the likeliest reading of bits between two flags of which no frame came.
//!
//! The FCS of a guess is **wrong**; something in it is not as it was sent. It is for eyes only,
//! so it is a type of its own that no frame is made of. How sure each part is follows from the
//! costs of the rivals, given that all readings that were tried are refuted: `docs/repair.md`.

use dunlin_clock::SampleCount;

use crate::history::{History, Known};
use crate::repair::{Combination, FLAG_BITS, MOST_EVENTS, MOST_TRIED};
use crate::stretch::Stretch;

/// A guess whose head is right with less than this chance is not told.
const LEAST_HEAD: f64 = 0.5;
/// Octets that are right with less than this chance are doubtful.
pub const DOUBTFUL: f32 = 0.9;
/// A guess of which a greater share of octets is doubtful is not told.
const MOST_DOUBTFUL: f64 = 0.5;
/// Where the odds against the first two addresses are worse than e^1.5 a guess is not begun.
const WORST_HEAD: f64 = 1.5;
/// Bits of the first two addresses.
const TWO_ADDRESSES: u64 = 14 * 8;
/// The probability that bits are wrong where the detector told no rival: then the error may be in any
/// octet. It only matters where the rivals do not explain why the FCS is wrong.
const UNTOLD: f64 = 0.01;
/// Octets of the FCS.
const FCS_OCTETS: usize = 2;

/// What a sender may have sent, although its check is wrong. Never a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Guess {
    /// The octets without the FCS, as the likeliest reading that could have been sent has them.
    pub octets: Vec<u8>,
    /// How likely it is that each octet is right, 0 to 1.
    pub certainty: Vec<f32>,
    /// How likely it is that the whole head is right, 0 to 1: what the caller said is address and
    /// control field.
    pub head: f32,
    /// How likely it is that all octets are right and only the FCS was hit, 0 to 1.
    pub whole: f32,
    /// The first bit after the opening flag.
    pub start: SampleCount,
    /// The last bit of the closing flag.
    pub end: SampleCount,
}

/// Says whether octets (without FCS) can be a frame as it is usually sent, and if so, how many of them
/// are its head.
pub type Plausible = fn(&[u8]) -> Option<usize>;

/// A reading that could have been sent and begins as frames do.
#[derive(Clone, Debug)]
struct Candidate {
    members: Combination,
    octets: Vec<u8>,
    /// Octets of the head.
    head: usize,
    /// Behind which line bit each octet ends, the FCS included.
    ends: Vec<usize>,
}

/// Collects what the search tries and makes a guess of it if nothing came out.
#[derive(Clone, Debug)]
pub(crate) struct Guesser {
    plausible: Plausible,
    candidate: Option<Candidate>,
    /// Readings that are refuted, with their probabilities.
    refuted: Vec<(Combination, f64)>,
    /// A reading had a right FCS and was no frame all the same: then nobody can say that the check
    /// of another one is wrong.
    right_seen: bool,
    /// The best guess since it was last taken, from the first to behind the last of its bits.
    best: Option<(Guess, u64, u64)>,
}

impl Guesser {
    pub fn new(plausible: Plausible) -> Self {
        Guesser {
            plausible,
            candidate: None,
            refuted: Vec::with_capacity(MOST_TRIED + 1),
            right_seen: false,
            best: None,
        }
    }

    /// Another stretch is begun.
    pub fn begin(&mut self) {
        self.candidate = None;
        self.refuted.clear();
        self.right_seen = false;
    }

    /// A reading had a right FCS, but was not taken for a frame. The stretch gives no guess.
    pub fn right(&mut self) {
        self.right_seen = true;
    }

    /// Whether it is worth the time to look at bits from `first` on as they are told.
    pub fn is_worth(&self, history: &History, first: u64, end: u64) -> bool {
        let head = history.doubt(first, (first + TWO_ADDRESSES).min(end));
        head.is_some_and(|doubt| doubt.told > 0.0 && doubt.log_total <= WORST_HEAD)
    }

    /// A reading was refuted.
    pub fn refuted(&mut self, members: Combination, likely: f64) {
        self.refuted.push((members, likely));
    }

    /// A reading could have been sent, but its FCS is wrong. The first one that begins as frames do
    /// is kept; readings come likeliest first.
    pub fn could_be(&mut self, members: Combination, stretch: &Stretch, flips: &[usize]) {
        if self.candidate.is_some() {
            return;
        }
        let (mut octets, mut ends) = (Vec::new(), Vec::new());
        stretch.octets(flips, &mut octets);
        octets.truncate(octets.len().saturating_sub(FCS_OCTETS));
        let Some(head) = (self.plausible)(&octets) else {
            return;
        };
        stretch.octet_ends(flips, &mut ends);
        self.candidate = Some(Candidate {
            members,
            octets,
            head,
            ends,
        });
    }

    /// No frame came of the stretch of bits from `first` to before `end`. `chosen` are the rivals that
    /// combinations speak of, `left` is the probability of all readings that are not refuted.
    pub fn conclude(
        &mut self,
        history: &History,
        (first, end): (u64, u64),
        chosen: &[Known],
        left: f64,
    ) {
        let Some(candidate) = self.candidate.take().filter(|_| !self.right_seen) else {
            return;
        };
        let odds = Odds {
            first,
            chosen,
            all: history
                .rivals(first, (end + 64).min(history.count()))
                .copied()
                .collect(),
            refuted: &self.refuted,
            left: left.max(0.0),
            candidate: &candidate,
        };
        let head = odds.right(0, candidate.head);
        if head < LEAST_HEAD
            || self
                .best
                .as_ref()
                .is_some_and(|(b, ..)| f64::from(b.head) >= head)
        {
            return;
        }
        let count = candidate.octets.len();
        let certainty: Vec<f32> = (0..count).map(|n| odds.right(n, n + 1) as f32).collect();
        let doubtful = certainty.iter().filter(|&&c| c < DOUBTFUL).count();
        if doubtful as f64 > MOST_DOUBTFUL * count as f64 {
            return;
        }
        let guess = Guess {
            certainty,
            head: head as f32,
            whole: odds.right(0, count) as f32,
            start: history.place(first),
            end: history.place(end + FLAG_BITS - 1),
            octets: candidate.octets,
        };
        self.best = Some((guess, first, end));
    }

    /// Takes the best guess of all stretches since it was last taken.
    pub fn take(&mut self) -> Option<Guess> {
        self.best.take().map(|(guess, ..)| guess)
    }
}

/// What is needed to say how sure a part of a candidate is.
struct Odds<'a> {
    first: u64,
    /// The rivals that combinations are made of.
    chosen: &'a [Known],
    /// All rivals of the stretch.
    all: Vec<Known>,
    refuted: &'a [(Combination, f64)],
    left: f64,
    candidate: &'a Candidate,
}

impl Odds<'_> {
    /// The chance that the octets from `from` to before `to` are right: the share of the readings that
    /// have them so, without those that are refuted, in all that are not refuted.
    fn right(&self, from: usize, to: usize) -> f64 {
        let ends = &self.candidate.ends;
        let bit = |n: usize| n.checked_sub(1).map_or(0, |i| ends[i]) as u64 + self.first;
        let part = (bit(from), bit(to));
        let own = self.touching(&self.candidate.members, part);
        let alike = |of: &Combination| self.touching(of, part) == own;
        let refuted: f64 = self
            .refuted
            .iter()
            .filter(|(of, _)| alike(of))
            .map(|(_, p)| p)
            .sum();
        let elsewhere = 1.0 - (to - from) as f64 / ends.len() as f64;
        let right = (self.share(part) - refuted).max(0.0) + UNTOLD * elsewhere;
        (right / (self.left + UNTOLD)).clamp(0.0, 1.0)
    }

    /// The probability of all readings that have a part as the candidate has it.
    fn share(&self, part: (u64, u64)) -> f64 {
        let members = self.candidate.members.members();
        let read = |r: &Known| members.iter().any(|&m| self.chosen[usize::from(m)] == *r);
        let of_one = |r: &Known| {
            let odds = f64::from(-r.cost).exp();
            if read(r) {
                odds / (1.0 + odds)
            } else {
                1.0 / (1.0 + odds)
            }
        };
        self.all
            .iter()
            .filter(|r| touches(r, part))
            .map(of_one)
            .product()
    }

    /// The members of a combination that change something in a part.
    fn touching(&self, of: &Combination, part: (u64, u64)) -> [Option<u8>; MOST_EVENTS] {
        let mut out = [None; MOST_EVENTS];
        let inside = of
            .members()
            .iter()
            .filter(|&&m| touches(&self.chosen[usize::from(m)], part));
        out.iter_mut().zip(inside).for_each(|(o, &m)| *o = Some(m));
        out
    }
}

fn touches(rival: &Known, (from, to): (u64, u64)) -> bool {
    rival.bits().any(|bit| (from..to).contains(&bit))
}
