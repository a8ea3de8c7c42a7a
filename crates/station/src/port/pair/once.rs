//! Each frame once, however many ways it came.

use std::collections::VecDeque;

use dunlin_clock::SampleCount;

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
    /// Frames of the first input do not wait for others that read them.
    prompt: bool,
    /// By how many samples the second input really hears later, once that is known.
    delay: Option<i64>,
    /// So many samples of that the second input's count leaves out now.
    uncounted: i64,
    /// Before this sample of the second input the count left out so many.
    stepped: (u64, i64),
    waiting: VecDeque<Once>,
    given: VecDeque<Once>,
}

impl Collector {
    pub fn new(reach: u64) -> Self {
        Collector {
            reach,
            prompt: false,
            delay: None,
            uncounted: 0,
            stepped: (0, 0),
            waiting: VecDeque::new(),
            given: VecDeque::new(),
        }
    }

    /// From now on a frame that the first input has read is given out at once, and what reads it
    /// afterwards is left out.
    pub fn be_prompt(&mut self) {
        self.prompt = true;
    }

    /// By how many samples the second input hears later as the samples are counted now. `None`
    /// also where that is beyond reach: then it cannot be right.
    pub fn later(&self) -> Option<i64> {
        let later = self.delay? - self.uncounted;
        (later.unsigned_abs() <= self.reach).then_some(later)
    }

    /// Notes what bits heard on both inputs told about it, counted; on the second input they
    /// begin at sample `at`.
    pub fn learn(&mut self, later: i64, at: SampleCount) {
        let (step, before) = self.stepped;
        let uncounted = match at.0 < step {
            true => before,
            false => self.uncounted,
        };
        self.delay = Some(later + uncounted);
    }

    /// So many samples of the delay the second input's count leaves out now. A `step`: this has
    /// changed at once, at that sample of the second input; else little by little.
    pub fn uncounted(&mut self, samples: i64, step: Option<u64>) {
        if let Some(at) = step {
            self.stepped = (at, self.uncounted);
        }
        self.uncounted = samples;
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
        if let Some(index) = self.given.iter().position(|known| self.same(known, &new)) {
            self.told_before(index, new);
            return;
        }
        let Some(index) = self.waiting.iter().position(|known| self.same(known, &new)) else {
            self.waiting.push_back(new);
            return;
        };
        self.waiting[index].join(new);
        self.learn_from(self.waiting[index].spans);
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

    /// A frame that was given out is read once more: that tells of its place and of the delay.
    fn told_before(&mut self, index: usize, new: Once) {
        self.given[index].join(new);
        self.learn_from(self.given[index].spans);
        if let Some(known) = self.given.remove(index) {
            let mut waiting = std::mem::take(&mut self.waiting);
            waiting.retain(|once| !self.same(&known, once));
            self.waiting = waiting;
            self.given.insert(index, known);
        }
    }

    /// Where a frame was read on both inputs the delay is known, if only roughly.
    fn learn_from(&mut self, spans: [Option<Span>; 2]) {
        if let ([Some(first), Some(second)], None) = (spans, self.later()) {
            self.learn(second.0.0 as i64 - first.0.0 as i64, second.0);
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
        match self.later() {
            None => later.unsigned_abs() <= self.reach,
            // Less than a frame's length apart it cannot be a repeat, only another delay.
            Some(known) => 8 * later.abs_diff(known) < 7 * first.1.0.saturating_sub(first.0.0),
        }
    }

    /// Gives out what ended before `reached`, in the samples of the input that has come least
    /// far; all if `all`.
    pub fn release(&mut self, reached: u64, all: bool, out: &mut Vec<PairEvent>) {
        let slack = self.later().map_or(self.reach, i64::unsigned_abs);
        let prompt = self.prompt;
        let ripe = |once: &Once| {
            all || (prompt && once.heard_on.first) || once.report.end.0 + slack <= reached
        };
        loop {
            // Without a hurry they come in their order.
            let index = match prompt {
                true => self.waiting.iter().position(ripe),
                false => self.waiting.front().is_some_and(ripe).then_some(0),
            };
            let many = (self.waiting.len() > MOST_WAITING).then_some(0);
            let Some(once) = index.or(many).and_then(|i| self.waiting.remove(i)) else {
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

#[cfg(test)]
mod tests {
    use super::*;

    const REACH: u64 = 6000;

    fn report(start: u64) -> ReceptionReport {
        ReceptionReport {
            start: SampleCount(start),
            end: SampleCount(start + 3000),
            level_dbfs: -10.0,
            offset_hz: None,
            twist_db: None,
            snr_db: Some(9.0),
            drift_hz_s: None,
            rate_error_ppm: None,
            clipped: None,
            repaired_bits: 0,
            confidence: None,
            how: "",
            fec: None,
        }
    }

    fn released(collector: &mut Collector, reached: u64) -> Vec<HeardOn> {
        let mut out = Vec::new();
        collector.release(reached, false, &mut out);
        let on = |event| match event {
            PairEvent::Frame { heard_on, .. } => heard_on,
            PairEvent::Input { .. } => panic!("only frames"),
        };
        out.into_iter().map(on).collect()
    }

    #[test]
    fn the_delay_stays_known_through_quiet_times_and_steps_of_the_count() {
        let mut collector = Collector::new(REACH);
        collector.learn(400, SampleCount(1000));
        // The second clock is slow: its count falls behind, and a step makes up for that, ten times
        // while nothing is heard.
        for step in 1..=10_u64 {
            for gathered in 0..=1200 {
                collector.uncounted(gathered, None);
                assert_eq!(collector.later(), Some(400 - gathered));
            }
            collector.uncounted(0, Some(100_000 * step));
            assert_eq!(collector.later(), Some(400), "after {step} steps");
        }
    }

    #[test]
    fn bits_from_before_a_step_tell_the_delay_too() {
        let mut collector = Collector::new(REACH);
        collector.uncounted(1200, None);
        collector.uncounted(0, Some(50_000));
        collector.learn(-800, SampleCount(49_000));
        assert_eq!(collector.later(), Some(400));
        collector.learn(390, SampleCount(50_100));
        assert_eq!(collector.later(), Some(390));
    }

    #[test]
    fn a_delay_out_of_reach_is_not_believed_and_keeps_nobody_waiting() {
        let mut collector = Collector::new(REACH);
        collector.learn(5000, SampleCount(0));
        collector.uncounted(-2000, None);
        assert_eq!(collector.later(), None);
        collector.alone(Input::First, vec![1], report(1000));
        assert_eq!(released(&mut collector, 4000 + REACH).len(), 1);
    }

    #[test]
    fn in_a_hurry_the_first_input_is_told_at_once_and_copies_are_left_out() {
        let mut collector = Collector::new(REACH);
        collector.be_prompt();
        let only = |first, second| HeardOn {
            first,
            second,
            combined: false,
        };
        // One waits that only the second has read; the other does not wait for it.
        collector.alone(Input::Second, vec![2], report(900));
        collector.alone(Input::First, vec![1], report(1000));
        assert_eq!(released(&mut collector, 0), [only(true, false)]);
        collector.alone(Input::Second, vec![1], report(3000));
        assert_eq!(collector.later(), Some(2000), "learned from the copy");
        let spans = [report(1000), report(3000)].map(|r| span(&r));
        collector.combined(vec![1], report(1000), spans);
        assert_eq!(released(&mut collector, 0), []);
        // What the second has read first is told when the first reads it, with both.
        collector.alone(Input::Second, vec![3], report(23_000));
        assert_eq!(released(&mut collector, 23_000), [only(false, true)]);
        collector.alone(Input::First, vec![3], report(21_000));
        assert_eq!(released(&mut collector, 23_000), [only(true, true)]);
        // A repeat is none of the copies.
        collector.alone(Input::First, vec![1], report(31_000));
        assert_eq!(released(&mut collector, 23_000), [only(true, false)]);
    }
}
