//! Samples to frames.

use dunlin_clock::{SampleCount, SampleRate};
use dunlin_framing::{
    Framed, Fx25Block, Fx25Receiver, Limits, Reading, RejectReason, RepairSettings, Repairer,
    RepairingDeframer, Rival, SoftBit,
};
use dunlin_modem::sense::{EnergySettings, SenseEvent, Sensor};
use dunlin_modem::{
    DemodEvent, Demodulator, LevelMeter, Line, Measurement, Mode, ModemError, ReceiveSettings,
};
use serde::Serialize;
use thiserror::Error;

use super::address;
use super::advice::{Adviser, TonesAdvice};
use super::guess::Guess;
use super::merge::Merger;
use super::sound::ChannelSound;

/// Branches of one demodulator may be this far apart, symbols.
const PATIENCE: u64 = 8;
/// While the port itself transmits the demodulator gets this much silence at a time.
const SILENCE: [f32; 256] = [0.0; 256];
/// Samples are given on in pieces of this length at most, so that both sides of the receiver
/// stay in step.
const PIECE_S: f64 = 0.01;

/// What was measured while a frame was heard.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ReceptionReport {
    /// The first bit after the opening flag, in the port's samples.
    pub start: SampleCount,
    /// The last bit of the closing flag.
    pub end: SampleCount,
    /// Level, dB below a full-scale sine.
    pub level_dbfs: f32,
    /// How far the tones lie above where they belong, hertz; `None` in modes without tones.
    pub offset_hz: Option<f32>,
    /// How much stronger the lower tone is than the higher one, dB; `None` in modes without
    /// tones.
    pub twist_db: Option<f32>,
    /// Signal to noise at the decisions, dB; for tones in white noise this is Eb/N0.
    pub snr_db: Option<f32>,
    /// How fast the tones rise, hertz per second; `None` in modes without tones, and where too
    /// little was heard to tell.
    pub drift_hz_s: Option<f32>,
    /// By how much the symbols come faster than they should, parts per million; the error of
    /// the own sound device's clock is in it.
    pub rate_error_ppm: Option<f32>,
    /// The share of the sound that stands at full scale or has its tops cut flat, 0 to 1.
    pub clipped: Option<f32>,
    /// Bits, as HDLC counts them, that were read otherwise than the detector told them, to
    /// make the frame's check right; 0 in a frame that came as it is told.
    pub repaired_bits: u16,
    /// How likely it is that the frame is right, 0 to 1; `None` if the detector does not
    /// tell how sure its bits are, and for what is no frame.
    pub confidence: Option<f32>,
    /// How the bits were detected, in few words; see [`Demodulator::branch_name`].
    pub how: &'static str,
    /// How forward error correction read it; `None` if it was read without.
    pub fec: Option<FecReport>,
}

/// How forward error correction (FX.25) read a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub struct FecReport {
    /// The number of the correlation tag, which says the sort of block.
    pub tag: u8,
    /// Octets of the block that were wrong.
    pub corrected_octets: usize,
    /// Octets that were taken for erased, because their bits were the least sure.
    pub erased_octets: usize,
}

impl ReceptionReport {
    pub(super) fn new(
        (start, end): (SampleCount, SampleCount),
        measured: Measurement,
        reading: &Reading,
        how: &'static str,
    ) -> Self {
        let Measurement {
            level_dbfs,
            offset_hz,
            twist_db,
            snr_db,
            drift_hz_s,
            rate_error_ppm,
            clipped,
        } = measured;
        ReceptionReport {
            start,
            end,
            level_dbfs,
            offset_hz,
            twist_db,
            snr_db,
            drift_hz_s,
            rate_error_ppm,
            clipped,
            repaired_bits: reading.repaired_bits,
            confidence: reading.confidence,
            how,
            fec: None,
        }
    }
}

/// Why something that was heard is no frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum UnreadableReason {
    /// It did not pass as an HDLC frame.
    #[error("{0}")]
    Rejected(RejectReason),
    /// It passed its check but has no AX.25 address field.
    #[error("the check is right, but there is no AX.25 address field")]
    NoAddressField,
}

/// What a [`Receiver`] tells.
#[derive(Clone, Debug, PartialEq)]
pub enum ReceiverEvent {
    /// A frame with a right FCS and an address field.
    Frame {
        /// The octets without the FCS.
        octets: Vec<u8>,
        /// What was measured.
        report: ReceptionReport,
    },
    /// Data was heard that no branch could read.
    Unreadable {
        /// Why.
        reason: UnreadableReason,
        /// What was measured.
        report: ReceptionReport,
        /// What it may have been: for eyes only.
        guess: Option<Box<Guess>>,
    },
    /// Data begins or ends to be heard.
    Carrier {
        /// Begins (true) or ends.
        on: bool,
        /// Where in the port's samples.
        at: SampleCount,
    },
    /// Sound above the noise floor begins or ends, whatever it is.
    Energy {
        /// Begins (true) or ends.
        on: bool,
        /// Where in the port's samples.
        at: SampleCount,
    },
    /// The kind of sound has changed. At most every 250 ms.
    Sound(ChannelSound),
    /// Two tones were heard that never became a frame. At most every 5 seconds.
    Tones(TonesAdvice),
}

/// Samples to frames: a demodulator, a deframer for each of its branches, and one answer
/// from all of them.
#[derive(Clone, Debug)]
pub struct Receiver {
    demodulator: Demodulator,
    meter: LevelMeter,
    sensor: Sensor,
    deframers: Vec<RepairingDeframer>,
    repairer: Repairer,
    /// The same bits, read as blocks of forward error correction.
    fx25: Vec<Fx25Receiver>,
    /// How far each branch has come.
    reached: Vec<SampleCount>,
    merger: Merger,
    adviser: Adviser,
    heard: SampleCount,
    /// The most samples that are given on at a time.
    piece: usize,
    /// Bits and breaks for who asked for them.
    tapped: Option<Vec<DemodEvent>>,
    /// Kept only for their memory.
    events: Vec<DemodEvent>,
    readings: Vec<Reading>,
    sensed: Vec<SenseEvent>,
}

impl Receiver {
    /// A receiver for samples at `rate`; the line is a [`Line`] or just a mode. Fails if the line
    /// cannot work at that rate.
    pub fn new(line: impl Into<Line>, rate: SampleRate) -> Result<Self, ModemError> {
        let line = line.into();
        let demodulator = Demodulator::new(line, rate, ReceiveSettings::default())?;
        let branches = demodulator.branches();
        let limits = Limits::default();
        let patience = PATIENCE * u64::from(rate.hz()) / u64::from(line.baud());
        let merger = Merger::new(patience, patience + demodulator.delay() as u64);
        Ok(Receiver {
            demodulator,
            meter: LevelMeter::new(rate),
            sensor: Sensor::new(line, rate, EnergySettings::default()),
            deframers: vec![RepairingDeframer::new(limits); branches],
            repairer: Repairer::new(
                limits,
                RepairSettings::default(),
                address::is_structurally_valid,
            )
            .guessing(address::plausible_head),
            fx25: vec![Fx25Receiver::default(); branches],
            reached: vec![SampleCount(0); branches],
            merger,
            adviser: Adviser::new(line, rate),
            heard: SampleCount(0),
            piece: (PIECE_S * rate.hz_f64()).ceil() as usize,
            tapped: None,
            events: Vec::new(),
            readings: Vec::new(),
            sensed: Vec::new(),
        })
    }

    /// Takes the next samples, full scale being -1 to 1, and appends what they told. What is
    /// not a finite number counts as silence.
    pub fn process(&mut self, samples: &[f32], out: &mut Vec<ReceiverEvent>) {
        for piece in samples.chunks(self.piece) {
            self.demodulate(piece, out);
            let data = self.demodulator.carrier();
            let mut sensed = std::mem::take(&mut self.sensed);
            self.sensor.process(piece, data, &mut sensed);
            for event in sensed.drain(..) {
                match event {
                    SenseEvent::Energy { on, at } => out.push(ReceiverEvent::Energy { on, at }),
                    SenseEvent::Sound(_) => out.push(ReceiverEvent::Sound(self.sound())),
                    SenseEvent::Tones(tones) => self.adviser.tones(tones),
                }
            }
            self.sensed = sensed;
        }
        self.release(out);
    }

    /// Lets `samples` samples pass in which the port itself transmits: the demodulator hears
    /// silence, and neither the noise floor nor the kind of sound is learned from them.
    pub fn process_own_transmission(&mut self, samples: usize, out: &mut Vec<ReceiverEvent>) {
        let mut left = samples;
        while left > 0 {
            let taken = left.min(SILENCE.len());
            self.demodulate(&SILENCE[..taken], out);
            left -= taken;
        }
        self.sensor.skip(samples as u64);
        self.release(out);
    }

    /// Gives samples to the demodulator and the deframers.
    fn demodulate(&mut self, samples: &[f32], out: &mut Vec<ReceiverEvent>) {
        self.meter.process(samples);
        self.heard = self.heard + samples.len() as u64;
        let mut events = std::mem::take(&mut self.events);
        events.clear();
        self.demodulator.process(samples, &mut events);
        if let Some(tapped) = &mut self.tapped {
            tapped.extend_from_slice(&events);
        }
        for &event in &events {
            match event {
                DemodEvent::Bit {
                    branch,
                    soft,
                    at,
                    rival,
                } => {
                    let rival = rival.map(|r| Rival {
                        flips: r.flips,
                        cost: r.cost,
                    });
                    self.bit(branch, SoftBit { soft, at, rival });
                }
                DemodEvent::Break { branch } => {
                    self.deframers[usize::from(branch)].reset();
                    self.fx25[usize::from(branch)].reset();
                }
                DemodEvent::Carrier { on, at } => {
                    self.merger.carrier(on, at);
                    out.push(ReceiverEvent::Carrier { on, at });
                }
            }
        }
        self.events = events;
    }

    /// Gives out the frames that are ripe. The carrier has no say in it.
    fn release(&mut self, out: &mut Vec<ReceiverEvent>) {
        let branches = (0_u8..).zip(&self.deframers).zip(&self.reached);
        // Nobody waits for a branch that reads a burst again after its end.
        let timely = branches.filter(|((branch, _), _)| !self.demodulator.is_late(*branch));
        let reached = timely.map(|(_, at)| *at).min().unwrap_or_default();
        let oldest_open = self.open_since();
        let first = out.len();
        self.merger.release(reached, oldest_open, out);
        for event in &out[first..] {
            if let ReceiverEvent::Frame { report, .. } = event {
                self.adviser.frame(report.start, report.end);
            }
        }
        let advice = self.adviser.advice(self.heard, self.demodulator.carrier());
        out.extend(advice.map(ReceiverEvent::Tones));
    }

    /// Where the oldest frame began that a branch is still receiving.
    pub(super) fn open_since(&self) -> Option<SampleCount> {
        let frames = self.deframers.iter().filter_map(|d| d.open_since());
        let blocks = self.fx25.iter().filter_map(|b| b.open_since());
        frames.chain(blocks).min()
    }

    fn bit(&mut self, branch: u8, bit: SoftBit) {
        let index = usize::from(branch);
        self.reached[index] = bit.at;
        if let Some(block) = self.fx25[index].push(bit.soft, bit.at) {
            self.block(branch, block);
        }
        let mut readings = std::mem::take(&mut self.readings);
        self.deframers[index].push(bit, &mut self.repairer, &mut readings);
        for reading in readings.drain(..) {
            self.reading(branch, reading, None);
        }
        self.readings = readings;
        if let Some(guess) = self.deframers[index].take_guess() {
            self.guess(branch, guess);
        }
    }

    /// A branch could not read something and guesses what it was.
    fn guess(&mut self, branch: u8, guess: dunlin_framing::Guess) {
        let (start, end) = (guess.start, guess.end);
        let reading = Reading {
            framed: Framed::Rejected {
                reason: RejectReason::BadFcs,
                start,
                end,
            },
            repaired_bits: 0,
            confidence: None,
        };
        let measured = self.demodulator.measure(branch, start, end);
        let how = self.demodulator.branch_name(branch);
        let report = ReceptionReport::new((start, end), measured, &reading, how);
        self.merger.guess(Guess::new(guess, report));
    }

    fn reading(&mut self, branch: u8, reading: Reading, fec: Option<FecReport>) {
        let how = self.demodulator.branch_name(branch);
        let report = |start, end| {
            let measured = self.demodulator.measure(branch, start, end);
            ReceptionReport {
                fec,
                ..ReceptionReport::new((start, end), measured, &reading, how)
            }
        };
        match &reading.framed {
            Framed::Frame { octets, start, end } if address::is_structurally_valid(octets) => {
                let report = report(*start, *end);
                self.merger.frame(octets.clone(), report);
            }
            Framed::Frame { start, end, .. } => {
                let report = report(*start, *end);
                self.merger
                    .complaint(UnreadableReason::NoAddressField, report);
            }
            Framed::Rejected { reason, start, end } => {
                let report = report(*start, *end);
                self.merger
                    .complaint(UnreadableReason::Rejected(*reason), report);
            }
        }
    }

    /// A block of forward error correction came in.
    fn block(&mut self, branch: u8, block: Fx25Block) {
        self.merger.check_octets(block.check_start, block.end);
        if let Some((reading, fec)) = read_block(block) {
            self.reading(branch, reading, Some(fec));
        } // Else a deframer complains.
    }

    /// From now on keeps what the demodulator tells, until [`Self::take_tapped`] takes it.
    pub(super) fn tap(&mut self) {
        self.tapped = Some(Vec::new());
    }

    /// Moves what the demodulator told since the last time to `to`.
    pub(super) fn take_tapped(&mut self, to: &mut Vec<DemodEvent>) {
        to.extend(self.tapped.iter_mut().flat_map(|tapped| tapped.drain(..)));
    }

    /// The demodulator, for measuring and for the names of its branches.
    pub(super) fn demodulator(&self) -> &Demodulator {
        &self.demodulator
    }

    /// Whether data is being heard.
    pub fn carrier(&self) -> bool {
        self.demodulator.carrier()
    }

    /// What is heard, how loud, and on what evidence.
    pub fn sound(&self) -> ChannelSound {
        ChannelSound::new(&self.sensor.sound(), &self.sensor.energy())
    }

    /// The level of whatever comes in, now, dB below a full-scale sine; -120 is silence.
    pub fn level_dbfs(&self) -> f32 {
        self.meter.dbfs()
    }

    /// The mode that is received.
    pub fn mode(&self) -> Mode {
        self.line().mode()
    }

    /// The line that is received.
    pub fn line(&self) -> Line {
        self.demodulator.line()
    }

    /// How many samples after its last bit a frame has come out at the latest: that much
    /// silence flushes a recording.
    pub fn delay(&self) -> usize {
        self.demodulator.delay() + self.merger.longest_wait() as usize
    }
}

/// The frame in a block of forward error correction, if it could be read.
pub(super) fn read_block(block: Fx25Block) -> Option<(Reading, FecReport)> {
    let read = block.read?;
    let fec = FecReport {
        tag: block.tag,
        corrected_octets: read.corrected,
        erased_octets: read.erased,
    };
    let framed = Framed::Frame {
        octets: read.octets,
        start: read.start,
        end: read.end,
    };
    let reading = Reading {
        framed,
        repaired_bits: 0,
        confidence: None,
    };
    Some((reading, fec))
}
