//! Two inputs that hear the same transmissions: two radios, two antennas, or the two channels
//! of a recording.
//!
//! Each input has a [`Receiver`] of its own. What their branches told is kept in stretches
//! (`lane`); stretches of both inputs that hold the same bits are laid side by side (`align`),
//! their likelihoods added (`combine`), and the result searched for frames as any other.
//! `once` sees to it that a frame counts once.

mod align;
mod combine;
mod lane;
mod once;

use std::collections::VecDeque;

use dunlin_clock::{SampleCount, SampleRate};
use dunlin_framing::{
    Framed, Fx25Receiver, Limits, Reading, RepairSettings, Repairer, RepairingDeframer,
};
use dunlin_modem::{DemodEvent, Demodulator, Line, Measurement, Mode, ModemError};
use serde::Serialize;

use self::align::Run;
use self::lane::{Lane, Stretch, Told};
use self::once::Collector;
use super::address;
use super::merge::Span;
use super::receiver::{FecReport, Receiver, ReceiverEvent, ReceptionReport, read_block};

/// The inputs may hear the same this far apart, seconds: sound cards and radios delay.
const REACH_S: f64 = 0.5;
/// Once it is known how far, it is looked for only this far around, seconds.
const NEAR_S: f64 = 0.05;
/// After so many stretches in a row without a counterpart there it may be another one by now, and
/// it is looked for everywhere.
const MOST_MISSES: u32 = 3;
/// Stretches of one input that wait for the other's, and the bits in them, at most. A bit takes
/// 40 octets.
const MOST_STRETCHES: usize = 48;
const MOST_BITS: usize = 400_000;
/// Both inputs are kept in step by pieces of this length, seconds.
const PIECE_S: f64 = 0.1;
/// How a frame was detected that only both together told.
const HOW: &str = "two receivers combined";

/// One of the two inputs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Input {
    /// The first, or the left channel.
    First,
    /// The second, or the right channel.
    Second,
}

impl Input {
    /// Both of them.
    pub const BOTH: [Input; 2] = [Input::First, Input::Second];

    fn index(self) -> usize {
        self as usize
    }
}

/// In which ways a frame was read; at least one is true.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct HeardOn {
    /// By the first input alone.
    pub first: bool,
    /// By the second input alone.
    pub second: bool,
    /// From what both told together.
    pub combined: bool,
}

/// What a [`PairReceiver`] tells.
#[derive(Clone, Debug, PartialEq)]
pub enum PairEvent {
    /// A frame with a right FCS and an address field. It comes once.
    Frame {
        /// The octets without the FCS.
        octets: Vec<u8>,
        /// What was measured, by the input that heard it better. Places are in that input's
        /// samples; those of a combined frame are the first input's.
        report: ReceptionReport,
        /// In which ways it was read.
        heard_on: HeardOn,
    },
    /// What else one input told; never a frame.
    Input {
        /// Which one.
        input: Input,
        /// What it told.
        event: ReceiverEvent,
    },
}

/// Two receivers of the same mode, and what they hear together. Stretches of bits that wait
/// for their counterpart take memory while it runs; it is bounded.
#[derive(Debug)]
pub struct PairReceiver {
    rate: SampleRate,
    sides: [Side; 2],
    collector: Collector,
    repairer: Repairer,
    limits: Limits,
    /// Stretches in a row that had no counterpart near the known delay.
    misses: u32,
}

#[derive(Debug)]
struct Side {
    receiver: Receiver,
    lanes: Vec<Lane>,
    /// Whether anybody wants the bits of each branch.
    wanted: Vec<bool>,
    stretches: VecDeque<Stretch>,
    /// Samples taken in.
    reached: u64,
    events: Vec<ReceiverEvent>,
    bits: Vec<DemodEvent>,
}

impl Side {
    fn new(line: Line, rate: SampleRate) -> Result<Self, ModemError> {
        let mut receiver = Receiver::new(line, rate)?;
        receiver.tap();
        let branches = receiver.demodulator().branches().min(256);
        let late: Vec<bool> = (0..branches)
            .map(|branch| receiver.demodulator().is_late(branch as u8))
            .collect();
        // Where some branches read sequences, the others add nothing to them.
        let wanted = match late.contains(&true) {
            true => late,
            false => vec![true; branches],
        };
        Ok(Side {
            lanes: (0..branches).map(|b| Lane::new(b as u8)).collect(),
            wanted,
            receiver,
            stretches: VecDeque::new(),
            reached: 0,
            events: Vec::new(),
            bits: Vec::new(),
        })
    }

    /// Takes samples; appends the stretches that have become complete.
    fn process(&mut self, samples: &[f32], complete: &mut Vec<Stretch>) {
        self.receiver.process(samples, &mut self.events);
        self.reached += samples.len() as u64;
        self.sort_bits(complete);
    }

    /// Lets samples of the own transmission pass.
    fn pass(&mut self, samples: usize, complete: &mut Vec<Stretch>) {
        self.receiver
            .process_own_transmission(samples, &mut self.events);
        self.reached += samples as u64;
        self.sort_bits(complete);
    }

    fn sort_bits(&mut self, complete: &mut Vec<Stretch>) {
        self.bits.clear();
        self.receiver.take_tapped(&mut self.bits);
        for event in &self.bits {
            match *event {
                DemodEvent::Bit {
                    branch,
                    soft,
                    at,
                    rival,
                } if self.wanted[usize::from(branch)] => {
                    complete.extend(self.lanes[usize::from(branch)].push(soft, at, rival));
                }
                DemodEvent::Break { branch } => {
                    complete.extend(self.lanes[usize::from(branch)].cut());
                }
                DemodEvent::Bit { .. } | DemodEvent::Carrier { .. } => {}
            }
        }
    }

    fn demodulator(&self) -> &Demodulator {
        self.receiver.demodulator()
    }
}

impl PairReceiver {
    /// Two receivers for samples at `rate`. Fails if the line cannot work at that rate.
    pub fn new(line: impl Into<Line>, rate: SampleRate) -> Result<Self, ModemError> {
        let line = line.into();
        let limits = Limits::default();
        let judge = address::is_structurally_valid;
        Ok(PairReceiver {
            rate,
            sides: [Side::new(line, rate)?, Side::new(line, rate)?],
            collector: Collector::new((REACH_S * rate.hz_f64()) as u64),
            repairer: Repairer::new(limits, RepairSettings::default(), judge),
            limits,
            misses: 0,
        })
    }

    /// Takes the next samples of both inputs and appends what they told. The lengths may
    /// differ, but in the long run both inputs must come equally far, to within half a second.
    pub fn process(&mut self, [first, second]: [&[f32]; 2], out: &mut Vec<PairEvent>) {
        let piece = (PIECE_S * self.rate.hz_f64()).ceil() as usize;
        let (mut first, mut second) = (first.chunks(piece), second.chunks(piece));
        loop {
            let pieces = [first.next(), second.next()];
            if pieces == [None; 2] {
                break;
            }
            for (input, samples) in Input::BOTH.into_iter().zip(pieces) {
                self.take(input, samples.unwrap_or(&[]), out);
            }
            self.release(false, out);
        }
    }

    /// Lets `samples` samples of the first input pass in which the port itself transmits. The
    /// second input is to be given zeros meanwhile.
    pub(super) fn process_own_transmission(&mut self, samples: usize, out: &mut Vec<PairEvent>) {
        let mut complete = Vec::new();
        self.sides[0].pass(samples, &mut complete);
        self.sort(Input::First, complete, out);
        self.release(false, out);
    }

    /// Nothing more will come: appends what was still on its way.
    pub fn finish(&mut self, out: &mut Vec<PairEvent>) {
        let silence = vec![0.0; self.delay()];
        self.process([&silence, &silence], out);
        for input in Input::BOTH {
            let mut lanes = std::mem::take(&mut self.sides[input.index()].lanes);
            for stretch in lanes.iter_mut().filter_map(Lane::cut) {
                self.stretch(input, stretch);
            }
            self.sides[input.index()].lanes = lanes;
        }
        self.release(true, out);
    }

    fn take(&mut self, input: Input, samples: &[f32], out: &mut Vec<PairEvent>) {
        let mut complete = Vec::new();
        self.sides[input.index()].process(samples, &mut complete);
        self.sort(input, complete, out);
    }

    fn sort(&mut self, input: Input, complete: Vec<Stretch>, out: &mut Vec<PairEvent>) {
        let mut events = std::mem::take(&mut self.sides[input.index()].events);
        for event in events.drain(..) {
            match event {
                ReceiverEvent::Frame { octets, report } => {
                    self.collector.alone(input, octets, report);
                }
                event => out.push(PairEvent::Input { input, event }),
            }
        }
        self.sides[input.index()].events = events;
        for stretch in complete {
            self.stretch(input, stretch);
        }
    }

    fn release(&mut self, all: bool, out: &mut Vec<PairEvent>) {
        let reached = self.sides[0].reached.min(self.sides[1].reached);
        let delay = self.sides[0].receiver.delay() as u64;
        self.collector
            .release(reached.saturating_sub(delay), all, out);
    }

    /// A stretch of one input is complete: combines it with those of the other.
    fn stretch(&mut self, input: Input, mut stretch: Stretch) {
        let other = 1 - input.index();
        let mut others = std::mem::take(&mut self.sides[other].stretches);
        let near: Vec<usize> = (0..others.len())
            .filter(|&i| self.belong(&stretch, &others[i]))
            .collect();
        for &wide in self.searches(!near.is_empty()) {
            for &i in &near {
                if wide && self.collector.later().is_some() && others[i].fitted {
                    continue; // It has its counterpart: this would be a repeat.
                }
                let (a, b) = match input {
                    Input::First => (&stretch, &others[i]),
                    Input::Second => (&others[i], &stretch),
                };
                if self.join(a, b, wide) {
                    stretch.fitted = true;
                    others[i].fitted = true;
                }
            }
            if stretch.fitted {
                self.misses = 0;
                break;
            }
        }
        self.sides[other].stretches = others;
        let own = &mut self.sides[input.index()].stretches;
        own.push_back(stretch);
        let mut bits: usize = own.iter().map(|s| s.bits.len()).sum();
        while own.len() > MOST_STRETCHES || bits > MOST_BITS {
            bits -= own.pop_front().map_or(bits, |s| s.bits.len());
        }
    }

    /// How a stretch is searched for its counterparts, of which there are `some`: near the known
    /// delay, and where that has not helped of late, or no delay is known, everywhere.
    fn searches(&mut self, some: bool) -> &'static [bool] {
        if self.collector.later().is_none() {
            return &[true];
        }
        self.misses = self.misses.saturating_add(u32::from(some));
        match self.misses > MOST_MISSES {
            true => &[false, true],
            false => &[false],
        }
    }

    /// Whether two stretches may hold the same bits.
    fn belong(&self, a: &Stretch, b: &Stretch) -> bool {
        let reach = (REACH_S * self.rate.hz_f64()) as u64;
        let ((a0, a1), (b0, b1)) = (a.span(), b.span());
        let demodulator = self.sides[0].demodulator();
        let late = demodulator.is_late(a.branch);
        let alike = demodulator.branch_name(a.branch) == demodulator.branch_name(b.branch);
        alike && (late || a.branch == b.branch) && a0 <= b1 + reach && b0 <= a1 + reach
    }

    /// Combines what two stretches share; true if they share something.
    fn join(&mut self, a: &Stretch, b: &Stretch, wide: bool) -> bool {
        let (reach, later) = match self.collector.later() {
            Some(later) if !wide => (NEAR_S, later),
            _ => (REACH_S, 0),
        };
        let reach = (reach * self.rate.hz_f64()) as u64;
        let runs = align::align(&a.bits, &b.bits, later, reach);
        for run in &runs {
            self.join_run(a, b, *run);
        }
        !runs.is_empty()
    }

    fn join_run(&mut self, a: &Stretch, b: &Stretch, run: Run) {
        let bits = [
            &a.bits[run.a..run.a + run.len],
            &b.bits[run.b..run.b + run.len],
        ];
        let mut deframer = RepairingDeframer::new(self.limits);
        let mut blocks = Fx25Receiver::default();
        let mut readings: Vec<Reading> = Vec::new();
        let mut protected: Vec<(Reading, FecReport)> = Vec::new();
        for bit in combine::combine(bits[0], bits[1]) {
            let block = blocks.push(bit.soft, bit.at);
            protected.extend(block.and_then(read_block));
            deframer.push(bit, &mut self.repairer, &mut readings);
        }
        for (reading, fec) in protected {
            self.combined([a.branch, b.branch], bits, &reading, Some(fec));
        }
        for reading in readings {
            self.combined([a.branch, b.branch], bits, &reading, None);
        }
    }

    /// Takes what the combination of these bits told, if it is a frame.
    fn combined(
        &mut self,
        branches: [u8; 2],
        bits: [&[Told]; 2],
        reading: &Reading,
        fec: Option<FecReport>,
    ) {
        let Framed::Frame { octets, start, end } = &reading.framed else {
            return;
        };
        if !address::is_structurally_valid(octets) {
            return;
        }
        // Places of repaired frames are right to within a sample or two.
        let place = |at: &SampleCount| bits[0].partition_point(|bit| bit.at < *at);
        let second = |at: &SampleCount| bits[1][place(at).min(bits[1].len() - 1)].at;
        let spans: [Span; 2] = [(*start, *end), (second(start), second(end))];
        self.collector
            .learn(spans[1].0.0 as i64 - spans[0].0.0 as i64, spans[1].0);
        let [first, second] = &self.sides;
        let measured = [
            first.demodulator().measure(branches[0], *start, *end),
            (second.demodulator()).measure(branches[1], spans[1].0, spans[1].1),
        ];
        let report = ReceptionReport {
            fec,
            ..ReceptionReport::new(spans[0], together(measured), reading, HOW)
        };
        self.collector.combined(octets.clone(), report, spans);
    }

    /// The mode that is received.
    pub fn mode(&self) -> Mode {
        self.sides[0].receiver.mode()
    }

    /// By how many samples the second input hears later than the first; `None` until something
    /// was heard on both.
    pub fn second_is_later(&self) -> Option<i64> {
        self.collector.later()
    }

    /// A frame that the first input has read is told at once: `heard_on` then has what is known
    /// so far. As a receiver of recordings may not, that of a port must: links count on it.
    pub(super) fn be_prompt(&mut self) {
        self.collector.be_prompt();
    }

    /// The samples of the second input that come next were heard so many samples later than
    /// their count says; `step`: by a step in the counting, not in the sound, since the last one.
    pub(super) fn second_uncounted(&mut self, samples: i64, step: bool) {
        let at = self.sides[1].reached;
        self.collector.uncounted(samples, step.then_some(at));
    }

    /// The receiver of the first input.
    pub(super) fn first(&self) -> &Receiver {
        &self.sides[0].receiver
    }

    /// Whether data is being heard on the first and on the second input.
    pub(super) fn carriers(&self) -> [bool; 2] {
        [0, 1].map(|side| self.sides[side].receiver.carrier())
    }

    /// Where the oldest frame began that is still being received.
    pub(super) fn open_since(&self) -> Option<SampleCount> {
        let sides = self.sides.iter();
        sides.filter_map(|side| side.receiver.open_since()).min()
    }

    /// How many samples after its last bit a frame has come out at the latest that one input
    /// read by itself.
    pub fn delay(&self) -> usize {
        self.sides[0].receiver.delay() + (REACH_S * self.rate.hz_f64()) as usize
    }
}

/// What is measured of a combination: the stronger input's signal, and the sum of both signal
/// to noise ratios.
fn together([a, b]: [Measurement; 2]) -> Measurement {
    let power = |m: &Measurement| m.snr_db.map_or(0.0, |db| 10_f32.powf(db / 10.0));
    let sum = power(&a) + power(&b);
    let stronger = if power(&a) >= power(&b) { a } else { b };
    Measurement {
        snr_db: (sum > 0.0).then(|| 10.0 * sum.log10()),
        ..stronger
    }
}
