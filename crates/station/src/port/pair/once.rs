//! Each frame once, however many ways it came.

use std::collections::VecDeque;

use super::super::merge::{Span, remember_most, same_place, span};
use super::super::receiver::ReceptionReport;
use super::{HeardOn, Input, PairEvent};

/// Frames that may wait at a time; more come out at once.
const MOST_WAITING: usize = 64;
/// Frames that are remembered after that. What both inputs told is put together stretch by
/// stretch, so that a copy comes as late as a whole stretch is long: 49152 bits, in which 361
/// frames of 17 octets with one flag between them (144 bits) have room at most, less for what is
/// stuffed; as many again may be found in the stretch before.
const REMEMBERED: usize = 1024;

/// A frame and all ways in which it came.
#[derive(Clone, Debug)]
struct Once {
    octets: Vec<u8>,
    report: ReceptionReport,
    heard_on: HeardOn,
    /// Where it lies in the samples of either input, as far as known.
    spans: [Option<Span>; 2],
}

impl Once {
    /// Takes in another reading of the same transmission.
    fn join(&mut self, new: Once) {
        // What one input read by itself says more than what both together did.
        let alone = |h: &HeardOn| h.first || h.second;
        let better = match (alone(&self.heard_on), alone(&new.heard_on)) {
            (a, b) if a != b => b,
            _ => self.report.snr_db < new.report.snr_db,
        };
        if better {
            self.report = new.report;
        }
        self.heard_on.first |= new.heard_on.first;
        self.heard_on.second |= new.heard_on.second;
        self.heard_on.combined |= new.heard_on.combined;
        for (known, new) in self.spans.iter_mut().zip(new.spans) {
            *known = known.or(new);
        }
    }
}

/// Collects frames from both inputs and from their combination.
#[derive(Clone, Debug)]
pub(super) struct Collector {
    /// How far apart the inputs may be, samples.
    reach: u64,
    /// By how many samples the second input hears later, once that is known.
    later: Option<i64>,
    waiting: VecDeque<Once>,
    given: VecDeque<Once>,
}

impl Collector {
    pub fn new(reach: u64) -> Self {
        Collector {
            reach,
            later: None,
            waiting: VecDeque::new(),
            given: VecDeque::new(),
        }
    }

    /// By how many samples the second input hears later, if known.
    pub fn later(&self) -> Option<i64> {
        self.later
    }

    /// Notes what bits heard on both inputs told about it.
    pub fn learn(&mut self, later: i64) {
        self.later = Some(later);
    }

    /// From now on the second input hears so many samples later than before.
    pub fn moved(&mut self, later: i64) {
        self.later = self.later.map(|known| known + later);
    }

    /// One input read a frame by itself.
    pub fn alone(&mut self, input: Input, octets: Vec<u8>, report: ReceptionReport) {
        let mut spans = [None; 2];
        spans[input.index()] = Some(span(&report));
        let mut heard_on = HeardOn::default();
        match input {
            Input::First => heard_on.first = true,
            Input::Second => heard_on.second = true,
        }
        self.take(Once {
            octets,
            report,
            heard_on,
            spans,
        });
    }

    /// The combination of both gave a frame.
    pub fn combined(&mut self, octets: Vec<u8>, report: ReceptionReport, spans: [Span; 2]) {
        let heard_on = HeardOn {
            combined: true,
            ..HeardOn::default()
        };
        self.take(Once {
            octets,
            report,
            heard_on,
            spans: spans.map(Some),
        });
    }

    fn take(&mut self, new: Once) {
        if self.given.iter().any(|known| self.same(known, &new)) {
            return;
        }
        let Some(index) = self.waiting.iter().position(|known| self.same(known, &new)) else {
            self.waiting.push_back(new);
            return;
        };
        self.waiting[index].join(new);
        let known = &self.waiting[index];
        if let ([Some(first), Some(second)], None) = (known.spans, self.later) {
            self.later = Some(second.0.0 as i64 - first.0.0 as i64);
        }
        // What was taken for two as long as only either input told of it may be one.
        let mut next = index + 1;
        while next < self.waiting.len() {
            if !self.same(&self.waiting[index], &self.waiting[next]) {
                next += 1;
            } else if let Some(twin) = self.waiting.remove(next) {
                self.waiting[index].join(twin);
            }
        }
    }

    /// Whether two readings are of the same transmission of the same frame.
    fn same(&self, a: &Once, b: &Once) -> bool {
        if a.octets != b.octets {
            return false;
        }
        let both = a.spans.iter().zip(&b.spans);
        let on_same: Vec<bool> = both
            .filter_map(|(a, b)| Some(same_place((*a)?, (*b)?)))
            .collect();
        if !on_same.is_empty() {
            return on_same.iter().any(|&same| same);
        }
        let (first, second) = match (a.spans, b.spans) {
            ([Some(first), _], [_, Some(second)]) | ([_, Some(second)], [Some(first), _]) => {
                (first, second)
            }
            _ => return false,
        };
        let later = second.0.0 as i64 - first.0.0 as i64;
        match self.later {
            None => later.unsigned_abs() <= self.reach,
            // Less than a frame's length apart it cannot be a repeat, only another delay.
            Some(known) => 8 * later.abs_diff(known) < 7 * first.1.0.saturating_sub(first.0.0),
        }
    }

    /// Gives out what ended before `reached`, in the samples of the input that has come least
    /// far; all if `all`.
    pub fn release(&mut self, reached: u64, all: bool, out: &mut Vec<PairEvent>) {
        let slack = self.later.map_or(self.reach, i64::unsigned_abs);
        let ripe = |once: &Once| all || once.report.end.0 + slack <= reached;
        while self.waiting.front().is_some_and(ripe) || self.waiting.len() > MOST_WAITING {
            let Some(once) = self.waiting.pop_front() else {
                break;
            };
            out.push(PairEvent::Frame {
                octets: once.octets.clone(),
                report: once.report.clone(),
                heard_on: once.heard_on,
            });
            remember_most(&mut self.given, once, REMEMBERED);
        }
    }
}
