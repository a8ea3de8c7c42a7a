//! A deframer that also reads what the plain one cannot, by the rivals of its bits.

use std::collections::VecDeque;

use dunlin_clock::SampleCount;

use crate::guess::Guess;
use crate::history::{History, Known, SoftBit};
use crate::repair::{Mark, Repairer};
use crate::{Deframer, FLAG, Framed, Limits};

/// Flags that are remembered.
const MARKS: usize = 24;
/// Flags as told before which a stretch may begin that ends at one flag: so many flags in the
/// middle of a frame can be errors, and one more.
const STARTS: usize = 3;
/// A flag that only a rival makes is looked for when so many bits more have come.
const SETTLED: u64 = 8;
/// A flag that only a dearer rival makes is not believed.
const DEAREST_FLAG: f32 = 6.0;
/// The share of the readings that stretches which only a rival closes may use up.
const SHARE_OF_RIVALS: usize = 2;
/// Random octets have a right FCS once in this many.
const WRONG_PER_PLAIN_FRAME: f64 = 65536.0;

/// What a [`RepairingDeframer`] found, and how sure it is.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// What was found.
    pub framed: Framed,
    /// Bits, as HDLC counts them, that had to be read otherwise than they were told; 0 if
    /// none.
    pub repaired_bits: u16,
    /// How likely it is that a frame is right, 0 to 1; `None` where the bits came without
    /// rivals, and for what is no frame.
    pub confidence: Option<f32>,
}

/// Finds frames in a stream of soft bits, also such in which a few bits are wrong. Takes all
/// its memory at construction, apart from the octets of each frame that it hands out.
#[derive(Clone, Debug)]
pub struct RepairingDeframer {
    plain: Deframer,
    history: History,
    register: u8,
    marks: VecDeque<Mark>,
    /// Readings that may still be put to the FCS before the next flag.
    left: usize,
    /// The flag that closes the last frame.
    claimed: u64,
    guess: Option<Guess>,
}

impl RepairingDeframer {
    /// A deframer that is looking for its first flag.
    pub fn new(limits: Limits) -> Self {
        RepairingDeframer {
            plain: Deframer::new(limits),
            history: History::new(limits.longest * 8 * 6 / 5 + 256),
            register: 0,
            marks: VecDeque::with_capacity(MARKS),
            left: 0,
            claimed: 0,
            guess: None,
        }
    }

    /// Forgets everything received so far.
    pub fn reset(&mut self) {
        self.plain.reset();
        self.history.reset();
        self.register = 0;
        self.marks.clear();
    }

    /// Where the frame began that is being received now, if more than a flag's worth of bits
    /// has come since its opening flag.
    pub fn open_since(&self) -> Option<SampleCount> {
        self.plain.open_since()
    }

    /// Takes the guess at what the last flag closed, if no frame came of it and the repairer makes
    /// guesses.
    pub fn take_guess(&mut self) -> Option<Guess> {
        self.guess.take()
    }

    /// Takes one bit and appends what it completes.
    pub fn push(&mut self, bit: SoftBit, repairer: &mut Repairer, out: &mut Vec<Reading>) {
        self.history.push(bit);
        let now = self.history.count() - 1;
        self.register = self.register << 1 | u8::from(bit.soft > 0.0);
        let flag = self.register == FLAG && now >= self.history.begin() + 7;
        let framed = self.plain.push(bit.soft, bit.at);
        self.flags_by_rivals(now, repairer, out);
        let is_frame = matches!(framed, Some(Framed::Frame { .. }));
        if let Some(framed) = framed {
            out.push(self.plain_reading(framed, now));
        }
        if !flag {
            return;
        }
        let mark = Mark { end: now, by: None };
        if is_frame {
            self.claimed = now;
        } else {
            self.close(mark, repairer, out);
        }
        self.remember(mark);
        self.left = repairer.settings().most_tested;
    }

    /// How sure a frame is that came as it is told.
    fn plain_reading(&self, framed: Framed, now: u64) -> Reading {
        let opening = self.marks.iter().rev().find(|m| m.by.is_none());
        let confidence = opening
            .filter(|_| matches!(framed, Framed::Frame { .. }))
            .and_then(|m| self.history.doubt(m.end + 1, now + 1))
            .filter(|doubt| doubt.told > 0.0)
            .map(|doubt| {
                let right = (-doubt.log_total).exp();
                let wrong = (1.0 - right) / WRONG_PER_PLAIN_FRAME;
                (right / (right + wrong)) as f32
            });
        Reading {
            framed,
            repaired_bits: 0,
            confidence,
        }
    }

    fn remember(&mut self, mark: Mark) {
        if self.marks.len() == MARKS {
            self.marks.pop_front();
        }
        self.marks.push_back(mark);
    }

    /// Looks for the flags that rivals make and that are now complete.
    fn flags_by_rivals(&mut self, now: u64, repairer: &mut Repairer, out: &mut Vec<Reading>) {
        let Some(settled) = now.checked_sub(SETTLED) else {
            return;
        };
        let rival = self.history.late_rival(settled);
        let Some(rival) = rival.filter(|r| r.cost <= DEAREST_FLAG) else {
            return;
        };
        for end in rival.first()..=rival.last() + 7 {
            if self.is_flag_by(&rival, end) {
                let by = Some(rival);
                let mark = Mark { end, by };
                let mut left = self.left / SHARE_OF_RIVALS;
                let kept = self.left - left;
                std::mem::swap(&mut self.left, &mut left);
                self.close(mark, repairer, out);
                self.left += kept;
                self.remember(mark);
            }
        }
    }

    /// Whether the eight bits that end at `end` are a flag if the rival is right, and only
    /// then.
    fn is_flag_by(&self, rival: &Known, end: u64) -> bool {
        if end >= self.history.count() || end < self.history.begin() + 7 {
            return false;
        }
        let mut told = 0;
        let mut read = 0;
        for bit in end - 7..=end {
            let flipped = rival.bit >= bit
                && rival.bit - bit < 64
                && rival.flips >> (rival.bit - bit) & 1 == 1;
            let value = self.history.bit(bit);
            told = told << 1 | u8::from(value);
            read = read << 1 | u8::from(value != flipped);
        }
        read == FLAG && told != FLAG
    }

    /// Searches the stretches that end at a flag.
    fn close(&mut self, to: Mark, repairer: &mut Repairer, out: &mut Vec<Reading>) {
        let mut told = 0;
        for i in (0..self.marks.len()).rev() {
            let from = self.marks[i];
            if told == STARTS || from.end < self.claimed || self.left == 0 {
                break;
            }
            // The plain deframer has tried the bits since the last flag as they are.
            let refuted = told == 0 && from.by.is_none() && to.by.is_none();
            told += usize::from(from.by.is_none());
            if from.end >= to.end || from.end < self.history.begin() {
                continue;
            }
            let marks = (&from, &to);
            let found = repairer.search(&self.history, marks, refuted, &mut self.left);
            if let Some(found) = found {
                self.claimed = to.end;
                out.push(Reading {
                    framed: Framed::Frame {
                        octets: found.octets,
                        start: self.history.place(from.end + 1),
                        end: self.history.place(to.end),
                    },
                    repaired_bits: found.bits,
                    confidence: Some(found.confidence),
                });
                repairer.take_guess();
                return;
            }
        }
        self.guess = repairer.take_guess().or(self.guess.take());
    }
}
