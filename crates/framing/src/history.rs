//! The latest bits of one branch, with the other readings that came with them.

use std::collections::VecDeque;

use dunlin_clock::SampleCount;

/// One bit as a detector tells it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoftBit {
    /// Positive is a one, anything else a zero.
    pub soft: f32,
    /// Its place in the sound.
    pub at: SampleCount,
    /// The best other reading that ends with this bit, if the detector knows one.
    pub rival: Option<Rival>,
}

/// Another reading of the latest bits, which lost against the one told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rival {
    /// The bits that it reads the other way: bit 0 is the bit that it comes with, bit k the
    /// one k places earlier.
    pub flips: u64,
    /// By how much it is less likely: natural logarithm of the ratio of the likelihoods, 0 or
    /// more.
    pub cost: f32,
}

/// A rival dearer than this is only counted: of two readings of which one is 22000 times
/// likelier, the other is not worth a try.
const DEAREST: f32 = 10.0;
/// Rivals that are remembered.
const MOST_RIVALS: usize = 4096;
/// The place of every so manieth bit is remembered; those between lie evenly.
const PLACES_EVERY: u64 = 8;

/// What the rivals of a stretch add up to.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Doubt {
    /// Errors to be expected.
    pub errors: f64,
    /// Natural logarithm of the sum of the likelihoods of all readings, the one told being 1,
    /// if errors come independently of each other.
    pub log_total: f64,
    /// Rivals that were told at all.
    pub told: f64,
}

/// A rival in its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Known {
    /// The bit that it came with, counted from the first one.
    pub bit: u64,
    pub flips: u64,
    pub cost: f32,
}

impl Known {
    /// The earliest bit that it reads the other way.
    pub fn first(&self) -> u64 {
        self.bit + 1 - u64::from(64 - self.flips.leading_zeros())
    }

    /// The latest bit that it reads the other way.
    pub fn last(&self) -> u64 {
        self.bit - u64::from(self.flips.trailing_zeros())
    }

    /// The bits that it reads the other way, latest first.
    pub fn bits(&self) -> impl Iterator<Item = u64> + '_ {
        let mut left = self.flips;
        std::iter::from_fn(move || {
            let place = (left != 0).then(|| u64::from(left.trailing_zeros()))?;
            left &= left - 1;
            Some(self.bit - place)
        })
    }
}

/// The latest bits and rivals. Takes all its memory at construction.
#[derive(Clone, Debug)]
pub(crate) struct History {
    /// A ring, 64 bits to a word.
    words: Vec<u64>,
    /// A ring of the places of every eighth bit, and of what the rivals before it add up to.
    places: Vec<(SampleCount, Doubt)>,
    latest: SampleCount,
    /// Bits that have come in all.
    count: u64,
    /// The first bit that may still be asked for.
    begin: u64,
    rivals: VecDeque<Known>,
    sums: Doubt,
    /// Rivals up to this bit have been forgotten.
    forgotten: u64,
}

impl History {
    /// Room for at least `bits` bits.
    pub fn new(bits: usize) -> Self {
        let bits = bits.next_power_of_two().max(64);
        History {
            words: vec![0; bits / 64],
            places: vec![(SampleCount(0), Doubt::default()); bits / PLACES_EVERY as usize],
            latest: SampleCount(0),
            count: 0,
            begin: 0,
            rivals: VecDeque::with_capacity(MOST_RIVALS),
            sums: Doubt::default(),
            forgotten: 0,
        }
    }

    /// What came before does not belong together with what comes now.
    pub fn reset(&mut self) {
        self.begin = self.count;
        self.forgotten = self.count;
        self.rivals.clear();
    }

    /// Takes one bit.
    pub fn push(&mut self, bit: SoftBit) {
        let i = self.count;
        let word = (i / 64) as usize % self.words.len();
        if i.is_multiple_of(64) {
            self.words[word] = 0;
        }
        self.words[word] |= u64::from(bit.soft > 0.0) << (i % 64);
        if i.is_multiple_of(PLACES_EVERY) {
            let place = (i / PLACES_EVERY) as usize % self.places.len();
            self.places[place] = (bit.at, self.sums);
        }
        self.latest = bit.at;
        self.count += 1;
        let room = self.words.len() as u64 * 64 - 64;
        self.begin = self.begin.max(self.count.saturating_sub(room));
        if let Some(rival) = bit.rival {
            self.rival(i, rival);
        }
    }

    fn rival(&mut self, bit: u64, rival: Rival) {
        let Rival { flips, cost } = rival;
        let span = u64::from(64 - flips.leading_zeros());
        let known = bit + 1 - self.begin >= span;
        if flips == 0 || !cost.is_finite() || !known {
            return;
        }
        let odds = f64::from(-cost.max(0.0)).exp();
        self.sums.errors += odds / (1.0 + odds);
        self.sums.log_total += odds.ln_1p();
        self.sums.told += 1.0;
        if cost > DEAREST {
            return;
        }
        if self.rivals.len() == MOST_RIVALS
            && let Some(oldest) = self.rivals.pop_front()
        {
            self.forgotten = oldest.bit + 1;
        }
        self.rivals.push_back(Known {
            bit,
            flips,
            cost: cost.max(0.0),
        });
    }

    /// How many bits have come.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// The first bit that is still known.
    pub fn begin(&self) -> u64 {
        self.begin
    }

    /// A bit that is still known.
    pub fn bit(&self, i: u64) -> bool {
        let word = (i / 64) as usize % self.words.len();
        self.words[word] >> (i % 64) & 1 == 1
    }

    /// The place of a bit that is still known, to within a sample or two.
    pub fn place(&self, i: u64) -> SampleCount {
        let entry = |n: u64| self.entry(n).0;
        let before = i / PLACES_EVERY;
        let (from, first) = (entry(before), before * PLACES_EVERY);
        let next = first + PLACES_EVERY;
        let (to, last) = match next < self.count {
            true => (entry(before + 1), next),
            false => (self.latest, self.count.saturating_sub(1)),
        };
        if last <= first {
            return from;
        }
        let samples = to.0.saturating_sub(from.0) * i.saturating_sub(first) / (last - first);
        SampleCount(from.0 + samples)
    }

    /// The remembered rivals that came with the bits from `from` to before `to`.
    pub fn rivals(&self, from: u64, to: u64) -> impl Iterator<Item = &Known> {
        let first = self.rivals.partition_point(|k| k.bit < from);
        let last = self.rivals.partition_point(|k| k.bit < to);
        self.rivals.range(first..last.max(first))
    }

    /// The remembered rival that came with one of the latest bits; looked for from the end.
    pub fn late_rival(&self, bit: u64) -> Option<Known> {
        let known = self.rivals.iter().rev().find(|k| k.bit <= bit)?;
        (known.bit == bit).then_some(*known)
    }

    fn entry(&self, n: u64) -> (SampleCount, Doubt) {
        self.places[n as usize % self.places.len()]
    }

    /// What the rivals of the bits from `from` to before `to` add up to, to within eight bits
    /// more at either end; `None` if some of them are forgotten.
    pub fn doubt(&self, from: u64, to: u64) -> Option<Doubt> {
        if from < self.forgotten.max(self.begin) {
            return None;
        }
        let before = self.entry(from / PLACES_EVERY).1;
        let next = to.div_ceil(PLACES_EVERY);
        let after = match next * PLACES_EVERY < self.count {
            true => self.entry(next).1,
            false => self.sums,
        };
        let told = after.told - before.told;
        Some(Doubt {
            errors: after.errors - before.errors,
            log_total: after.log_total - before.log_total,
            told,
        })
    }
}
