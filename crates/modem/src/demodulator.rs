//! Samples to soft bits, for any mode.

use dunlin_clock::{SampleCount, SampleRate};

use crate::baseband::BasebandReceiver;
use crate::clipping::ClippingMeter;
use crate::recipe::Recipe;
use crate::tones::ToneReceiver;
use crate::{Line, ModemError};

/// What a [`Demodulator`] found in the samples.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DemodEvent {
    /// One bit, as HDLC counts them: NRZI and scrambling are undone.
    Bit {
        /// Which of the branches that decide side by side.
        branch: u8,
        /// Positive for a one, negative for a zero; the larger, the surer. Mostly within -1
        /// to 1, never beyond -4 to 4.
        soft: f32,
        /// The middle of the bit's symbol in the input.
        at: SampleCount,
        /// The best other reading that ends with this bit; `None` if the branch knows none.
        rival: Option<Rival>,
    },
    /// A branch begins anew: what it tells next does not follow on what it told before.
    Break {
        /// Which branch.
        branch: u8,
    },
    /// Data begins or ends to be heard. Never a condition for decoding.
    Carrier {
        /// Begins (true) or ends.
        on: bool,
        /// The place in the input up to which this was judged.
        at: SampleCount,
    },
}

/// Another reading of the latest bits of a branch, which lost against the one told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rival {
    /// The bits that it reads the other way: bit 0 is the bit that it comes with, bit k the
    /// one k places earlier. Never 0.
    pub flips: u64,
    /// By how much it is less likely than the reading told: the natural logarithm of the ratio
    /// of the two likelihoods. Never negative.
    pub cost: f32,
}

/// What was measured over a span of symbols.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measurement {
    /// Level of the signal, dB: for tones, of a sine of the same power against one with
    /// peaks at full scale; for direct shift, of the two levels' distance from their middle
    /// against full scale. -120 is nothing.
    pub level_dbfs: f32,
    /// How far the tones lie above their nominal frequencies, hertz. Only for tones.
    pub offset_hz: Option<f32>,
    /// How much stronger the lower tone (mark) is than the higher one (space), dB. Only for
    /// tones.
    pub twist_db: Option<f32>,
    /// Signal to noise ratio at the decisions, dB; for tones in white noise this is Eb/N0.
    /// Fading and distortion count as noise. 40 at most.
    pub snr_db: Option<f32>,
    /// How fast the tones rise, hertz per second. Only for tones.
    pub drift_hz_s: Option<f32>,
    /// By how much the symbols come faster than they should, parts per million of the symbol
    /// rate. An error of the own sound device's clock counts too.
    pub rate_error_ppm: Option<f32>,
    /// The share of the samples that stand at full scale or whose tops are cut flat, 0 to 1, in
    /// whatever came in, noise included.
    pub clipped: Option<f32>,
}

impl Measurement {
    /// What is measured where there was nothing to measure.
    pub const NOTHING: Measurement = Measurement {
        level_dbfs: crate::level::SILENCE_DBFS,
        offset_hz: None,
        twist_db: None,
        snr_db: None,
        drift_hz_s: None,
        rate_error_ppm: None,
        clipped: None,
    };
}

/// How to receive. There is nothing to choose yet; the default suits every mode.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[non_exhaustive]
pub struct ReceiveSettings {}

/// Samples to soft bits. Takes all its memory at construction.
#[derive(Clone, Debug)]
pub struct Demodulator {
    line: Line,
    receiver: Receiver,
    clipping: ClippingMeter,
}

#[derive(Clone, Debug)]
enum Receiver {
    Tones(Box<ToneReceiver>),
    Baseband(Box<BasebandReceiver>),
}

impl Demodulator {
    /// A demodulator for samples at `rate`; the line is a [`Line`] or just a
    /// [`Mode`](crate::Mode). Fails if the line cannot work at that rate.
    pub fn new(
        line: impl Into<Line>,
        rate: SampleRate,
        _: ReceiveSettings,
    ) -> Result<Self, ModemError> {
        let line = line.into();
        line.check_rate(rate)?;
        let receiver = match Recipe::of(&line) {
            Recipe::Tones(r) => {
                let receiver = ToneReceiver::new(rate, line.baud(), &r);
                Receiver::Tones(Box::new(receiver))
            }
            Recipe::Baseband(r) => {
                let receiver = BasebandReceiver::new(rate, line.baud(), &r);
                Receiver::Baseband(Box::new(receiver))
            }
        };
        Ok(Demodulator {
            line,
            receiver,
            clipping: ClippingMeter::new(rate),
        })
    }

    /// The line that is received.
    pub fn line(&self) -> Line {
        self.line
    }

    /// Takes the next samples of the stream, full scale being -1 to 1, and appends what they
    /// told. What is not a finite number counts as silence.
    pub fn process(&mut self, samples: &[f32], out: &mut Vec<DemodEvent>) {
        self.clipping.process(samples);
        match &mut self.receiver {
            Receiver::Tones(r) => r.process(samples, out),
            Receiver::Baseband(r) => r.process(samples, out),
        }
    }

    /// Whether data is being heard.
    pub fn carrier(&self) -> bool {
        match &self.receiver {
            Receiver::Tones(r) => r.carrier(),
            Receiver::Baseband(r) => r.carrier(),
        }
    }

    /// How many branches decide side by side; each gives bits of its own for the same sound.
    pub fn branches(&self) -> usize {
        match &self.receiver {
            Receiver::Tones(r) => r.branches(),
            Receiver::Baseband(r) => r.branches(),
        }
    }

    /// How a branch detects its bits, in few words for people.
    pub fn branch_name(&self, branch: u8) -> &'static str {
        match &self.receiver {
            Receiver::Tones(r) => r.branch_name(usize::from(branch)),
            Receiver::Baseband(_) => "matched filter",
        }
    }

    /// Whether a branch tells its bits late and only while it reads a signal: nobody should wait
    /// for it.
    pub fn is_late(&self, branch: u8) -> bool {
        match &self.receiver {
            Receiver::Tones(r) => r.is_late(usize::from(branch)),
            Receiver::Baseband(_) => false,
        }
    }

    /// How many samples after a symbol's middle its bit has come out at the latest: that many
    /// samples of silence flush a recording.
    pub fn delay(&self) -> usize {
        match &self.receiver {
            Receiver::Tones(r) => r.delay(),
            Receiver::Baseband(r) => r.delay(),
        }
    }

    /// What was measured between two places of the input, as `branch` saw it. About the last
    /// 16000 symbols can be asked for. A branch that does not exist has measured nothing.
    pub fn measure(&self, branch: u8, from: SampleCount, to: SampleCount) -> Measurement {
        let branch = usize::from(branch);
        if branch >= self.branches() {
            return Measurement::NOTHING;
        }
        let measured = match &self.receiver {
            Receiver::Tones(r) => r.measure(branch, from, to),
            Receiver::Baseband(r) => r.measure(branch, from, to),
        };
        Measurement {
            clipped: self.clipping.over(from, to),
            ..measured
        }
    }
}
