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
/// So far may one input be ahead of the other, seconds; with devices that give longer pieces as
/// far as a piece is long, and a slip.
const LEAD_S: f64 = 0.4;
/// Pieces are taken for so long at most, seconds.
const LONGEST_PIECE_S: f64 = 2.0;
/// How late pieces come is averaged over so many.
const MOST_AVERAGED: u32 = 64;

/// How far the second input has come.
#[derive(Debug)]
pub(super) struct Second {
    slip: i64,
    busy_slip: i64,
    lead: u64,
    /// Samples given so far.
    fed: u64,
    /// The longest piece that either input has given, samples.
    longest: u64,
    most_longest: u64,
    /// By how much later than the count says pieces come, samples: the mean of so many of them
    /// since the last step.
    off: f64,
    averaged: u32,
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
    /// A step in the count goes before it: silence, or something that was left out.
    pub step: bool,
}

impl Second {
    pub fn new(rate: SampleRate) -> Self {
        let samples = |seconds: f64| (seconds * rate.hz_f64()) as i64;
        Second {
            slip: samples(SLIP_S),
            busy_slip: samples(BUSY_SLIP_S),
            lead: samples(LEAD_S) as u64,
            fed: 0,
            longest: 0,
            most_longest: samples(LONGEST_PIECE_S) as u64,
            off: 0.0,
            averaged: 0,
            flows: false,
        }
    }

    /// Finds the place of a piece of `length` samples whose last one belongs to sample `end` of
    /// the first input, which has come to `reached`.
    pub fn place(&mut self, length: usize, end: u64, reached: u64, busy: bool) -> Place {
        self.piece(length);
        let off = end as i64 - length as i64 - self.fed as i64;
        let most = match busy && self.flows {
            true => self.busy_slip,
            false => self.slip,
        };
        let mut place = Place {
            silence: 0,
            taken: 0..length,
            step: off.abs() > most,
        };
        if !place.step {
            self.averaged = (self.averaged + 1).min(MOST_AVERAGED);
            self.off += (off as f64 - self.off) / f64::from(self.averaged);
        } else {
            (self.off, self.averaged) = (0.0, 0);
            place.silence = usize::try_from(off).unwrap_or(0);
            place.taken.start = usize::try_from(-off).unwrap_or(0).min(length);
        }
        let room = (reached + self.lead()).saturating_sub(self.fed) as usize;
        place.silence = place.silence.min(room);
        let taken = (length - place.taken.start).min(room - place.silence);
        place.taken.end = place.taken.start + taken;
        self.fed += (place.silence + taken) as u64;
        self.flows |= taken > 0;
        place
    }

    /// By how many samples later than the count says the second input hears now.
    pub fn off(&self) -> i64 {
        self.off.round() as i64
    }

    /// Either input has given so many samples at a time.
    pub fn piece(&mut self, length: usize) {
        self.longest = self.longest.max(length as u64).min(self.most_longest);
    }

    /// So far may one input be ahead of the other, samples.
    fn lead(&self) -> u64 {
        self.lead.max(self.longest + self.slip as u64)
    }

    /// How much silence stands for what has not come, now that the first input has come to
    /// `reached`. As long as the second gives nothing, only a piece that may still be under way
    /// is left out.
    pub fn missing(&mut self, reached: u64) -> usize {
        let behind = match self.flows {
            true => self.lead(),
            false => self.longest,
        };
        let missing = reached.saturating_sub(self.fed + behind);
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
    fn a_slow_clock_makes_a_step_once_in_a_while_and_the_delay_stays_known() {
        let mut second = second();
        let mut steps = 0;
        // 500 ppm: 199.9 samples in the time of 200.
        for n in 1..=30_000_u64 {
            let before = second.fed;
            let length = if n % 10 == 0 { 199 } else { 200 };
            let place = second.place(length, 200 * n, 200 * n, false);
            if place.silence > 0 {
                steps += 1;
                assert_eq!(second.fed - before, (length + place.silence) as u64);
            }
            assert_eq!(place.step, place.silence > 0);
            // Both hear the same at the same time, and so the count and this stay together.
            let wrong = second.fed as i64 + second.off() - 200 * n as i64;
            assert!(wrong.abs() <= 10, "{wrong} at piece {n}");
        }
        assert_eq!(steps, 2, "3000 samples in steps of a little more than 1000");
    }

    #[test]
    fn a_gap_is_silence_and_what_comes_twice_is_left_out() {
        let mut second = second();
        second.place(200, 200, 200, false);
        let gap = second.place(200, 4200, 4200, false);
        assert_eq!((gap.silence, gap.taken, gap.step), (3800, 0..200, true));
        let twice = second.place(2000, 4200, 4200, false);
        assert_eq!((twice.silence, twice.taken), (0, 2000..2000));
    }

    #[test]
    fn nobody_waits_long_for_the_other() {
        let mut second = second();
        second.place(200, 200, 200, false);
        assert_eq!(second.missing(4200), 0);
        assert_eq!(second.missing(4300), 100);
        assert_eq!(second.missing(4400), 3900, "nothing comes: no more lead");
        assert_eq!(second.fed, 4200, "but for one piece");
        // The first input stands still: what comes is dropped after 0.4 s.
        for n in 0..100_u64 {
            second.place(200, 4400 + 200 * n, 4400, false);
        }
        assert_eq!(second.fed, 8400);
    }

    #[test]
    fn long_pieces_of_the_first_input_cost_the_second_nothing() {
        let mut second = second();
        let mut reached = 0;
        for n in 0..20_u64 {
            // 0.9 s at a time, and the second's pieces of 0.1 s for the same time after it.
            reached += 9000;
            second.piece(9000);
            assert_eq!(second.missing(reached), 0, "piece {n}");
            for k in 1..=9 {
                let place = second.place(1000, 9000 * n + 1000 * k, reached, false);
                assert_eq!((place.silence, place.taken), (0, 0..1000), "piece {n}");
            }
        }
        assert_eq!(second.fed, reached);
    }
}
