//! Keeps the second input of a port in step with the first.
//!
//! Two sound devices begin at different times, stall, and have clocks of their own. The engine
//! knows of each piece when it came, and so with which sample of the first input. As long as
//! that agrees with the samples counted, to within a slip, pieces simply follow on each other;
//! the pair itself finds the rest of the delay and follows its drift. Else a gap is filled with
//! silence, or what comes twice is left out. Nothing is ever kept waiting here.

use std::ops::Range;

use dunlin_clock::SampleRate;

/// So far may the count be off from the time, seconds: pieces come unevenly.
const SLIP_S: f64 = 0.1;
/// While data is heard, so far: a step would spoil it.
const BUSY_SLIP_S: f64 = 0.3;
/// So far may one input be ahead of the other, seconds. A pair bears half a second.
const LEAD_S: f64 = 0.4;

/// How far the second input has come.
#[derive(Debug)]
pub(super) struct Second {
    slip: i64,
    busy_slip: i64,
    lead: u64,
    /// Samples given so far.
    fed: u64,
    /// By how much the last piece was later than the count says, samples.
    off: i64,
    /// It has given sound since it was last missing.
    flows: bool,
}

/// What becomes of a piece.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Place {
    /// So many zeros before it.
    pub silence: usize,
    /// What is taken of it.
    pub taken: Range<usize>,
    /// By so many samples more than before the second input now hears later.
    pub later: i64,
}

impl Second {
    pub fn new(rate: SampleRate) -> Self {
        let samples = |seconds: f64| (seconds * rate.hz_f64()) as i64;
        Second {
            slip: samples(SLIP_S),
            busy_slip: samples(BUSY_SLIP_S),
            lead: samples(LEAD_S) as u64,
            fed: 0,
            off: 0,
            flows: false,
        }
    }

    /// Finds the place of a piece of `length` samples whose last one belongs to sample `end` of
    /// the first input, which has come to `reached`.
    pub fn place(&mut self, length: usize, end: u64, reached: u64, busy: bool) -> Place {
        let off = end as i64 - length as i64 - self.fed as i64;
        let most = match busy && self.flows {
            true => self.busy_slip,
            false => self.slip,
        };
        let mut place = Place {
            silence: 0,
            taken: 0..length,
            later: 0,
        };
        if off.abs() <= most {
            self.off = off;
        } else {
            // What had gathered slowly is mended by the step, and so the delay changes by it.
            place.later = self.off;
            self.off = 0;
            place.silence = usize::try_from(off).unwrap_or(0);
            place.taken.start = usize::try_from(-off).unwrap_or(0).min(length);
        }
        let room = (reached + self.lead).saturating_sub(self.fed) as usize;
        place.silence = place.silence.min(room);
        let taken = (length - place.taken.start).min(room - place.silence);
        place.taken.end = place.taken.start + taken;
        self.fed += (place.silence + taken) as u64;
        self.flows |= taken > 0;
        place
    }

    /// How much silence stands for what has not come, now that the first input has come to
    /// `reached`.
    pub fn missing(&mut self, reached: u64) -> usize {
        let missing = reached.saturating_sub(self.fed + self.lead);
        if missing > 0 {
            self.flows = false;
        }
        self.fed += missing;
        missing as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HZ: u64 = 10_000;

    fn second() -> Second {
        Second::new(SampleRate::new(HZ as u32).expect("not zero"))
    }

    #[test]
    fn pieces_that_come_unevenly_follow_on_each_other() {
        let mut second = second();
        for n in 1..=50_u64 {
            let late = 700 * (n % 2);
            let place = second.place(200, 200 * n + late, 200 * n, false);
            assert_eq!((place.silence, place.taken), (0, 0..200), "piece {n}");
        }
        assert_eq!(second.fed, 10_000);
    }

    #[test]
    fn a_slow_clock_makes_a_step_once_in_a_while_and_the_delay_is_told() {
        let mut second = second();
        let (mut steps, mut later) = (0, 0);
        // 500 ppm: 199.9 samples in the time of 200.
        for n in 1..=30_000_u64 {
            let before = second.fed;
            let length = if n % 10 == 0 { 199 } else { 200 };
            let place = second.place(length, 200 * n, 200 * n, false);
            later += place.later;
            if place.silence > 0 {
                steps += 1;
                assert_eq!(second.fed - before, (length + place.silence) as u64);
            }
        }
        assert_eq!(steps, 2, "3000 samples in steps of a little more than 1000");
        assert!((1990..=2000).contains(&later), "{later}");
    }

    #[test]
    fn a_gap_is_silence_and_what_comes_twice_is_left_out() {
        let mut second = second();
        second.place(200, 200, 200, false);
        let gap = second.place(200, 4200, 4200, false);
        assert_eq!((gap.silence, gap.taken, gap.later), (3800, 0..200, 0));
        let twice = second.place(2000, 4200, 4200, false);
        assert_eq!((twice.silence, twice.taken), (0, 2000..2000));
    }

    #[test]
    fn nobody_waits_long_for_the_other() {
        let mut second = second();
        assert_eq!(second.missing(4000), 0);
        assert_eq!(second.missing(4100), 100);
        // The first input stands still: what comes is dropped after 0.4 s.
        for n in 0..100_u64 {
            second.place(200, 4100 + 200 * n, 4100, false);
        }
        assert_eq!(second.fed, 8100);
    }
}
