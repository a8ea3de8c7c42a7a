//! List decoding: other readings of bits between two flags, likeliest first, with the
//! stuffing rule, whole octets, the FCS and the caller's own judgement as judges.
//!
//! How far the search goes follows from how sure its result would be; the reasoning and the
//! measured figures are in `docs/repair.md`. List decoding with a check sum as judge:
//! N. Seshadri and C.-E. W. Sundberg, "List Viterbi decoding algorithms with applications",
//! IEEE Transactions on Communications 42 (1994), pages 313 to 323.

use std::collections::BinaryHeap;

use crate::guess::{Guess, Guesser, Plausible};
use crate::history::{History, Known};
use crate::stretch::{Stretch, Verdict};
use crate::{Limits, history::Doubt};

/// A wrong reading has a right FCS about once in this many: 2^15, not 2^16, because the
/// errors of most detectors change an even number of bits, and the FCS of no even change is
/// odd (x + 1 divides its generator).
pub const WRONG_PER_RIGHT_FCS: f64 = 32768.0;

/// How far the search for a repaired frame goes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RepairSettings {
    /// Readings that are put to the FCS between one flag and the next, at most. Each one
    /// that is wrong passes once in [`WRONG_PER_RIGHT_FCS`]; so this bounds the false frames
    /// expected for each stretch that could not be read.
    pub most_tested: usize,
    /// A reading less likely than this, after all that was refuted before it, is not tried.
    pub least_likely: f64,
    /// A stretch in which more errors than this are expected is left alone: it is noise, or
    /// too bad for any hope.
    pub most_errors: f64,
}

impl Default for RepairSettings {
    /// At most 16 readings: less than one false frame is expected in two thousand unreadable
    /// ones. Going on to 64 gains 0.3 dB and makes false frames four times as many.
    fn default() -> Self {
        RepairSettings {
            most_tested: 16,
            least_likely: 6e-3,
            most_errors: 4.0,
        }
    }
}

/// Errors that are put right together, at most.
pub(crate) const MOST_EVENTS: usize = 3;
/// The cheapest rivals of a stretch that are combined, at most.
const MOST_RIVALS: usize = 64;
/// Combinations that are looked at in one stretch, most of which break the stuffing rule or
/// do not overlap; bounds the time.
pub(crate) const MOST_TRIED: usize = 1024;
/// Bits of the flag.
pub(crate) const FLAG_BITS: u64 = 8;

/// One end of a stretch: a flag.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Mark {
    /// The last bit of the flag.
    pub end: u64,
    /// The rival without which there is no flag; `None` if it was read as told.
    pub by: Option<Known>,
}

impl Mark {
    fn cost(&self) -> f64 {
        self.by.map_or(0.0, |rival| f64::from(rival.cost))
    }
}

/// A frame that came out of the search.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Repaired {
    /// Without the FCS.
    pub octets: Vec<u8>,
    /// Bits that were read the other way.
    pub bits: u16,
    /// How likely it is that the frame is right, 0 to 1.
    pub confidence: f32,
}

/// Rivals taken together, by their places in the list of the cheapest.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Combination {
    cost: f32,
    members: [u8; MOST_EVENTS],
    length: usize,
}

impl Combination {
    pub fn members(&self) -> &[u8] {
        &self.members[..self.length]
    }

    fn last(&self) -> usize {
        self.members().last().map_or(0, |&i| usize::from(i))
    }
}

impl Eq for Combination {}

impl PartialOrd for Combination {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Combination {
    /// The cheapest is the greatest.
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        let cost = other.cost.total_cmp(&self.cost);
        cost.then_with(|| other.members().cmp(self.members()))
    }
}

/// Searches stretches for frames. One can serve many deframers. Takes all its memory at
/// construction, apart from the octets of a frame that it finds.
#[derive(Clone, Debug)]
pub struct Repairer {
    settings: RepairSettings,
    limits: Limits,
    judge: fn(&[u8]) -> bool,
    stretch: Stretch,
    rivals: Vec<Known>,
    heap: BinaryHeap<Combination>,
    flips: Vec<usize>,
    octets: Vec<u8>,
    tested: u64,
    /// On the reading that was last put to the judges.
    verdict: Verdict,
    guesser: Option<Guesser>,
}

impl Repairer {
    /// A repairer that hands out only frames, without their FCS, of which `judge` thinks that
    /// they can be frames.
    pub fn new(limits: Limits, settings: RepairSettings, judge: fn(&[u8]) -> bool) -> Self {
        Repairer {
            settings,
            limits,
            judge,
            // A stuffed zero after every five ones at most.
            stretch: Stretch::new(limits.longest * 8 * 6 / 5 + 1),
            rivals: Vec::with_capacity(MOST_RIVALS + 1),
            heap: BinaryHeap::with_capacity(MOST_TRIED + 2),
            flips: Vec::with_capacity(MOST_EVENTS * 64),
            octets: Vec::with_capacity(limits.longest * 6 / 5 + 1),
            tested: 0,
            verdict: Verdict::Impossible,
            guesser: None,
        }
    }

    /// The same, but where no frame comes out it keeps a guess, if `plausible` thinks that its octets
    /// are how a frame usually begins.
    #[must_use]
    pub fn guessing(mut self, plausible: Plausible) -> Self {
        self.guesser = Some(Guesser::new(plausible));
        self
    }

    /// Takes the best guess of the stretches that were searched since it was last taken.
    pub(crate) fn take_guess(&mut self) -> Option<Guess> {
        self.guesser.as_mut()?.take()
    }

    /// How far the search goes.
    pub fn settings(&self) -> &RepairSettings {
        &self.settings
    }

    /// Readings put to the FCS since construction: for measuring.
    pub fn tested(&self) -> u64 {
        self.tested
    }

    /// Whether a stretch can hold a frame at all that could be put right.
    fn promising(&self, doubt: Doubt, from: &Mark, to: &Mark) -> bool {
        let likely = (-doubt.log_total - from.cost() - to.cost()).exp();
        let enough = likely >= self.settings.least_likely || self.is_plain(from, to);
        self.fits(from, to) && enough && doubt.errors <= self.settings.most_errors
    }

    fn fits(&self, from: &Mark, to: &Mark) -> bool {
        let body = (to.end + 1).saturating_sub(from.end + 1 + FLAG_BITS) as usize;
        body >= self.limits.shortest * 8 && body <= self.stretch.room()
    }

    fn is_plain(&self, from: &Mark, to: &Mark) -> bool {
        from.by.is_none() && to.by.is_none()
    }

    /// Looks for a frame between two flags. `refuted` says that the bits as told have been
    /// tried; `left` is how many readings may still be put to the FCS, and is counted down.
    pub(crate) fn search(
        &mut self,
        history: &History,
        (from, to): (&Mark, &Mark),
        refuted: bool,
        left: &mut usize,
    ) -> Option<Repaired> {
        let flag = (from.end + 1).saturating_sub(FLAG_BITS);
        let doubt = history.doubt(flag.max(history.begin()), to.end + 1)?;
        if *left == 0 || !apart(from, to) {
            return None;
        }
        let (first, end) = (from.end + 1, to.end + 1 - FLAG_BITS);
        let as_told = (-doubt.log_total - from.cost() - to.cost()).exp();
        if !self.promising(doubt, from, to) {
            if self.is_plain(from, to) && self.fits(from, to) {
                self.guess_as_told(history, (first, end), as_told);
            }
            return None;
        }
        self.lay(history, (from, to), first, end);
        if self.stretch.broken() > MOST_EVENTS {
            return None;
        }
        // Where no rivals are told nobody knows how sure anything is.
        let plain = self.is_plain(from, to) && doubt.told > 0.0;
        if let Some(guesser) = self.guesser.as_mut() {
            guesser.begin();
        }
        let mut unexplained = 1.0;
        let found = self.try_readings(
            history,
            (from, to),
            refuted,
            as_told,
            &mut unexplained,
            left,
        );
        if found.is_none()
            && plain
            && let Some(guesser) = self.guesser.as_mut()
        {
            guesser.conclude(history, (first, end), &self.rivals, unexplained);
        }
        found.map(|found| self.with_marks(found, from, to))
    }

    /// Puts the readings of the stretch that is laid out to the judges, likeliest first.
    fn try_readings(
        &mut self,
        history: &History,
        (from, to): (&Mark, &Mark),
        refuted: bool,
        as_told: f64,
        unexplained: &mut f64,
        left: &mut usize,
    ) -> Option<Repaired> {
        let (first, end) = (from.end + 1, to.end + 1 - FLAG_BITS);
        self.rivals.clear();
        if !refuted && let Some(found) = self.attempt(as_told, *unexplained, left) {
            return Some(found);
        }
        if refuted && self.guesser.is_some() {
            self.verdict = self.stretch.verdict(&[]);
        }
        self.note_refuted(Combination::default(), as_told, self.verdict);
        *unexplained -= as_told;
        self.choose_rivals(history, (from, to), first, end);
        self.heap.clear();
        self.offer(0, None);
        for _ in 0..MOST_TRIED {
            let next = self.heap.pop()?;
            let likely = as_told * f64::from(-next.cost).exp();
            if likely < self.settings.least_likely * *unexplained || *left == 0 {
                return None;
            }
            self.grow(&next);
            if !self.collect_flips(&next, first) {
                continue;
            }
            if let Some(found) = self.attempt(likely, *unexplained, left) {
                return Some(found);
            }
            self.note_refuted(next, likely, self.verdict);
            *unexplained = (*unexplained - likely).max(0.0);
        }
        None
    }

    /// Tells the guesser that the reading at hand is refuted.
    fn note_refuted(&mut self, members: Combination, likely: f64, verdict: Verdict) {
        let Some(guesser) = self.guesser.as_mut() else {
            return;
        };
        guesser.refuted(members, likely);
        match verdict {
            Verdict::WrongFcs => guesser.could_be(members, &self.stretch, &self.flips),
            Verdict::Right => guesser.right(),
            Verdict::Impossible => {}
        }
    }

    /// Keeps a guess of bits in which too many errors are expected to be put right, read as told.
    fn guess_as_told(&mut self, history: &History, (first, end): (u64, u64), as_told: f64) {
        if !self
            .guesser
            .as_ref()
            .is_some_and(|g| g.is_worth(history, first, end))
        {
            return;
        }
        self.flips.clear();
        self.rivals.clear();
        self.stretch.lay((first..end).map(|i| history.bit(i)));
        self.stretch.prepare();
        if let Some(guesser) = self.guesser.as_mut() {
            guesser.begin();
        }
        let verdict = self.stretch.verdict(&[]);
        self.note_refuted(Combination::default(), as_told, verdict);
        if let Some(guesser) = self.guesser.as_mut() {
            guesser.conclude(history, (first, end), &self.rivals, 1.0 - as_told);
        }
    }

    /// Lays out the bits between two flags.
    fn lay(&mut self, history: &History, (from, to): (&Mark, &Mark), first: u64, end: u64) {
        self.flips.clear();
        self.stretch.lay((first..end).map(|i| history.bit(i)));
        for rival in [from.by, to.by].into_iter().flatten() {
            for bit in rival.bits().filter(|bit| (first..end).contains(bit)) {
                self.stretch.correct((bit - first) as usize);
            }
        }
        self.stretch.prepare();
    }

    /// Takes the cheapest rivals that lie wholly between the flags, cheapest first.
    fn choose_rivals(
        &mut self,
        history: &History,
        (from, to): (&Mark, &Mark),
        first: u64,
        end: u64,
    ) {
        self.rivals.clear();
        // A rival may come up to 64 bits after those that it would change.
        let near = history.rivals(first, (end + 64).min(history.count()));
        for rival in near.filter(|r| r.first() >= first && r.last() < end) {
            let free = |mark: &Mark| mark.by.is_none_or(|by| disjoint(&by, rival));
            if !(free(from) && free(to)) {
                continue;
            }
            let place = self.rivals.partition_point(|r| r.cost <= rival.cost);
            if place < MOST_RIVALS {
                self.rivals.truncate(MOST_RIVALS - 1);
                self.rivals.insert(place, *rival);
            }
        }
    }

    /// Puts a combination on the heap: rival `next`, after those of `with`.
    fn offer(&mut self, next: usize, with: Option<(&[u8], f32)>) {
        let (Some(rival), Ok(index)) = (self.rivals.get(next), u8::try_from(next)) else {
            return;
        };
        let (others, cost) = with.unwrap_or((&[], 0.0));
        if others.len() >= MOST_EVENTS {
            return;
        }
        let mut members = [0; MOST_EVENTS];
        members[..others.len()].copy_from_slice(others);
        members[others.len()] = index;
        self.heap.push(Combination {
            cost: cost + rival.cost,
            members,
            length: others.len() + 1,
        });
    }

    /// Puts the combinations that come after this one on the heap: the same and one more, or
    /// the next one in place of its last. So each comes up once, in order of cost.
    fn grow(&mut self, of: &Combination) {
        let (last, members) = (of.last(), of.members());
        self.offer(last + 1, Some((members, of.cost)));
        let others = &members[..members.len() - 1];
        let cost = of.cost - self.rivals[last].cost;
        self.offer(last + 1, Some((others, cost)));
    }

    /// The bits that a combination changes, ascending, or false if its members overlap.
    fn collect_flips(&mut self, of: &Combination, first: u64) -> bool {
        self.flips.clear();
        let members = of.members();
        for (i, &a) in members.iter().enumerate() {
            let rival = &self.rivals[usize::from(a)];
            let others = &members[i + 1..];
            if others
                .iter()
                .any(|&b| !disjoint(rival, &self.rivals[usize::from(b)]))
            {
                return false;
            }
            self.flips
                .extend(rival.bits().map(|bit| (bit - first) as usize));
        }
        self.flips.sort_unstable();
        true
    }

    /// Puts one reading to the judges.
    fn attempt(&mut self, likely: f64, unexplained: f64, left: &mut usize) -> Option<Repaired> {
        let verdict = self.stretch.verdict(&self.flips);
        self.verdict = verdict;
        if verdict == Verdict::Impossible {
            return None;
        }
        *left = left.saturating_sub(1);
        self.tested += 1;
        if verdict != Verdict::Right {
            return None;
        }
        self.stretch.octets(&self.flips, &mut self.octets);
        let length = self.octets.len();
        if length < self.limits.shortest || length > self.limits.longest {
            return None;
        }
        let octets = &self.octets[..length - 2];
        if !(self.judge)(octets) {
            return None;
        }
        let others = (unexplained - likely).max(0.0);
        let confidence = likely / (likely + others / WRONG_PER_RIGHT_FCS);
        Some(Repaired {
            octets: octets.to_vec(),
            bits: self.flips.len().min(usize::from(u16::MAX)) as u16,
            confidence: confidence as f32,
        })
    }

    /// Counts the bits that were changed to have the flags.
    fn with_marks(&self, mut found: Repaired, from: &Mark, to: &Mark) -> Repaired {
        for rival in [from.by, to.by].into_iter().flatten() {
            found.bits = found.bits.saturating_add(rival.flips.count_ones() as u16);
        }
        found
    }
}

/// True if no bit lies between the changes of the two that both span.
fn disjoint(a: &Known, b: &Known) -> bool {
    a.last() < b.first() || b.last() < a.first()
}

/// True if two flags can both be there.
fn apart(from: &Mark, to: &Mark) -> bool {
    match (&from.by, &to.by) {
        (Some(a), Some(b)) => disjoint(a, b),
        _ => true,
    }
}
