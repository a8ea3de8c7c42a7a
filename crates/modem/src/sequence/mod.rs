//! Reading two tones as a sequence: where a symbol begins is told by the phase that the one
//! before left, so that whole runs of symbols are decided together.
//!
//! The way of the data: `finder` finds flags in the complex samples and says when, how far off
//! tune, how strong and in which phase; a `slot` takes that as a start and reads on with one or
//! several readers side by side. `phase` holds the signal for one tone at a time with a phase that
//! runs on, which is nearly ideal in white noise; `echo` also learns the echoes of the path, for
//! HF. Both are trellises whose survivors each carry their own idea of the channel
//! (per-survivor processing). `traceback` turns survivors into decided levels, and keeps for each
//! the best reading that lost against it.
//!
//! Literature: W. P. Osborne and M. B. Luntz, "Coherent and noncoherent detection of CPFSK",
//! IEEE Trans. Communications COM-22 (1974); R. Raheli, A. Polydoros and C.-K. Tzou, "Per-survivor
//! processing", IEEE Trans. Communications 43 (1995); G. Colavolpe and R. Raheli, "Noncoherent
//! sequence detection of continuous phase modulations", IEEE Trans. Communications 47 (1999);
//! N. Seshadri and C.-E. Sundberg, "List Viterbi decoding algorithms with applications", IEEE Trans.
//! Communications 42 (1994).

mod echo;
mod echo_trellis;
mod finder;
mod phase;
mod ring;
mod slot;
mod traceback;

use dunlin_clock::SampleCount;
use num_complex::Complex32;

use crate::demodulator::{DemodEvent, Measurement};
use finder::Finder;
use ring::Ring;
use slot::Slot;

/// How the readers with one amplitude and phase are set.
#[derive(Clone, Copy, Debug)]
pub struct PhaseRecipe {
    /// The trellis has 2 to the power of this many states: the latest so many symbols. The
    /// nearer shift / rate is to a whole number, the more are needed.
    pub memory: u32,
    /// The share of what is new that amplitude and phase take over with each symbol.
    pub gain: f32,
    /// The same for the frequency: radians a symbol for each radian of error.
    pub frequency_gain: f32,
}

/// How the readers that learn echoes are set.
#[derive(Clone, Copy, Debug)]
pub struct EchoRecipe {
    /// The share of what is new that the taps take over with each symbol.
    pub gain: f32,
    /// As in [`PhaseRecipe`].
    pub frequency_gain: f32,
    /// Keeps the taps from learning what the signal hardly tells: added to the correlation
    /// matrix of the signal, whose diagonal is one.
    pub damping: f64,
}

/// How a mode is read as a sequence.
#[derive(Clone, Copy, Debug)]
pub struct SequenceRecipe {
    /// How far off tune flags are looked for, hertz either way.
    pub search_hz: f64,
    /// What share of the sound's power must look like two flags for a reader to start.
    pub threshold: f32,
    /// Symbols for which a reader goes on after the signal has gone: it may be a fade.
    pub patience: usize,
    /// How many signals can be read at a time.
    pub slots: usize,
    /// The readers of every slot.
    pub phase: &'static [PhaseRecipe],
    /// More readers of every slot.
    pub echo: &'static [EchoRecipe],
}

/// Two readers are on the same signal when they see it less than this share of the rate apart,
const SAME_SIGNAL: f64 = 0.1;
/// and the one is to be believed when it sees hardly more noise than the other.
const NOT_WORSE_DB: f32 = 3.0;
/// or sees little in any case.
const CLEAR_DB: f32 = 9.0;
/// The reader with one amplitude and phase may see so much more noise than the one with echoes
/// before that is asked.
const SIMPLE_DB: f32 = 5.0;

/// What all readers of a mode share, in units of its samples and symbols.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    /// From the centre to either tone, radians a sample.
    pub half_shift: f64,
    /// Symbols per second.
    pub baud: f64,
    /// Samples of the port's input for one sample here.
    pub input_per_sample: f64,
    /// The samples pass this much to either side of the centre, hertz.
    pub half_bandwidth_hz: f64,
}

impl Line {
    /// The place in the input of a place here.
    fn place(&self, sample: f64) -> SampleCount {
        SampleCount((sample * self.input_per_sample).max(0.0) as u64)
    }

    /// Radians a sample of a tone: level 1 is the lower tone (mark).
    fn tone(&self, level: usize) -> f64 {
        if level == 1 {
            -self.half_shift
        } else {
            self.half_shift
        }
    }

    /// Hertz of so many radians a sample.
    fn hertz(&self, radians: f64) -> f64 {
        radians / std::f64::consts::TAU * crate::recipe::SAMPLES_PER_SYMBOL as f64 * self.baud
    }
}

/// Finds signals in complex samples around the middle of the tones and reads them.
#[derive(Clone, Debug)]
pub(crate) struct SequenceReceiver {
    line: Line,
    ring: Ring,
    finder: Finder,
    slots: Vec<Slot>,
    readers: usize,
    /// How many of the readers of a slot know no echoes; they come first.
    simple: usize,
}

impl SequenceReceiver {
    /// A receiver for eight samples a symbol.
    pub fn new(line: Line, recipe: &SequenceRecipe) -> Self {
        let slot = || Slot::new(line, recipe);
        SequenceReceiver {
            line,
            ring: Ring::default(),
            finder: Finder::new(&line, recipe),
            slots: (0..recipe.slots).map(|_| slot()).collect(),
            readers: recipe.phase.len() + recipe.echo.len(),
            simple: recipe.phase.len(),
        }
    }

    /// How many branches it has.
    pub fn branches(&self) -> usize {
        self.slots.len() * self.readers
    }

    /// Samples from a symbol until its bit comes out, at most.
    pub fn delay(&self) -> usize {
        finder::REACH + traceback::DELAY_SYMBOLS * crate::recipe::SAMPLES_PER_SYMBOL
    }

    /// Takes the next samples; appends what they told. `first_branch` is the number of the
    /// first branch here.
    pub fn process(
        &mut self,
        re: &[f32],
        im: &[f32],
        first_branch: usize,
        out: &mut Vec<DemodEvent>,
    ) {
        // In pieces, so that nothing is overwritten before it has been read.
        for (re, im) in re.chunks(ring::PIECE).zip(im.chunks(ring::PIECE)) {
            for (&re, &im) in re.iter().zip(im) {
                self.ring.push(Complex32::new(re, im));
            }
            while let Some(hit) = self.finder.find(&self.ring) {
                self.start(&hit, first_branch, out);
            }
            for (i, slot) in self.slots.iter_mut().enumerate() {
                slot.read(&self.ring, first_branch + i * self.readers, out);
            }
        }
    }

    /// Gives a signal that was found to a slot, if none reads it already.
    fn start(&mut self, hit: &finder::Hit, first_branch: usize, out: &mut Vec<DemodEvent>) {
        if self.slots.iter().any(|slot| slot.outshines(hit)) {
            return;
        }
        let chosen = self.slots.iter().position(|slot| slot.reads(hit));
        let weakest = || {
            (0..self.slots.len())
                .min_by(|&a, &b| self.slots[a].worth().total_cmp(&self.slots[b].worth()))
                .filter(|&i| self.slots[i].worth() < hit.share)
        };
        if let Some(i) = chosen.or_else(weakest) {
            self.slots[i].start(hit, first_branch + i * self.readers, out);
        }
    }

    /// How a branch decides, in few words.
    pub fn branch_name(&self, branch: usize) -> &'static str {
        self.slots[branch / self.readers].name(branch % self.readers)
    }

    /// Puts what a reader of sequences knows better into what somebody else measured of the same
    /// signal: the best reader that was on it tells the strength of the tones, and
    /// the course of frequency and clock.
    pub fn refine(&self, known: Measurement, from: SampleCount, to: SampleCount) -> Measurement {
        let near = |m: &Measurement| match (m.offset_hz, known.offset_hz) {
            (Some(a), Some(b)) => f64::from((a - b).abs()) < SAME_SIGNAL * self.line.baud,
            _ => false,
        };
        let good = |m: &Measurement| {
            let enough = known.snr_db.map(|db| (db - NOT_WORSE_DB).min(CLEAR_DB));
            m.snr_db > enough
        };
        // Without echoes the simpler reader sees more exactly.
        let worth = |m: &Measurement, branch: usize| {
            let simple = self.readers > 0 && branch % self.readers < self.simple;
            m.snr_db.unwrap_or_default() + if simple { SIMPLE_DB } else { 0.0 }
        };
        (0..self.branches())
            .map(|branch| (self.measure(branch, from, to), branch))
            .filter(|(m, _)| m.drift_hz_s.is_some() && near(m) && good(m))
            .max_by(|(a, i), (b, k)| worth(a, *i).total_cmp(&worth(b, *k)))
            .map(|(m, _)| Measurement {
                level_dbfs: m.level_dbfs,
                twist_db: m.twist_db,
                offset_hz: m.offset_hz,
                drift_hz_s: m.drift_hz_s,
                rate_error_ppm: m.rate_error_ppm,
                ..known
            })
            .unwrap_or(known)
    }

    /// What is known of the symbols between two places, as a branch saw them.
    pub fn measure(&self, branch: usize, from: SampleCount, to: SampleCount) -> Measurement {
        self.slots[branch / self.readers].measure(branch % self.readers, from, to)
    }
}
