//! One signal that is being read, by all readers of the mode side by side.

use dunlin_clock::SampleCount;
use num_complex::Complex64;

use super::echo::EchoReader;
use super::finder::Hit;
use super::phase::{PhaseReader, Probe};
use super::ring::Ring;
use super::traceback::{Bit, DELAY_SYMBOLS};
use super::{Line, SequenceRecipe};
use crate::demodulator::{DemodEvent, Measurement};
use crate::level::power_dbfs;
use crate::recipe::SAMPLES_PER_SYMBOL;
use crate::statistics::RunningSums;
use crate::track::{Course, Track};

const N: usize = SAMPLES_PER_SYMBOL;
/// Flags this close in frequency (hertz as a share of the rate) and time (symbols) to what is
/// being read are part of it.
const SAME_FREQUENCY: f64 = 0.06;
const SAME_TIME: f64 = 0.3;
/// When less than this share of the power is explained, the signal has gone. Of noise alone a reader
/// explains about 0.4 and 0.35, of a signal at Eb/N0 4.5 dB 0.72 and 0.52 (measured).
const GONE: f32 = 0.55;
const GONE_ECHO: f32 = 0.43;
/// A signal that has gone is missed so much less.
const GONE_WORTH: f32 = 0.3;
/// While a signal is read, flags beside it must be as clear as its own, but for this factor: data
/// can look a little like flags that are off tune.
const AS_CLEAR: f32 = 0.8;
/// Flags so much clearer than those that it began with are a better start.
const CLEARER: f32 = 1.25;

/// Symbols, noise, offset in hertz; for each level in how many symbols its tone was measured, and
/// its amplitude there.
type Sums = RunningSums<7>;

#[derive(Clone, Debug)]
enum Kind {
    Phase(Box<PhaseReader>),
    Echo(Box<EchoReader>),
}

#[derive(Clone, Debug)]
struct Reader {
    kind: Kind,
    /// By how many symbols its frequency lags behind a steady drift.
    lag_symbols: f64,
    sums: Sums,
    track: Track,
    /// Symbols that are still read if the signal does not come back; 0 when nothing is read.
    left: usize,
}

impl Reader {
    fn new(kind: Kind, line: &Line, lag_symbols: f64) -> Self {
        let phases_lag = match kind {
            Kind::Phase(_) => super::phase::RATIO_LAG,
            Kind::Echo(_) => 0.0,
        };
        Reader {
            kind,
            lag_symbols,
            sums: Sums::default(),
            track: Track::new(N as f64, 2.0 * line.half_shift * N as f64, phases_lag),
            left: 0,
        }
    }

    fn start(&mut self, hit: &Hit) {
        match &mut self.kind {
            Kind::Phase(reader) => reader.start(hit),
            Kind::Echo(reader) => reader.start(hit),
        }
        self.track.restart();
        self.left = DELAY_SYMBOLS;
    }

    /// Whether flags are part of the signal that it reads.
    fn reads(&self, line: &Line, hit: &Hit) -> bool {
        let away = line.hertz(self.probe().offset - hit.offset).abs();
        let late = (self.at() - hit.at) / N as f64;
        self.left > 0
            && away < SAME_FREQUENCY * line.baud
            && (late - late.round()).abs() < SAME_TIME
    }

    fn step(&mut self, ring: &Ring) -> Option<Option<Bit>> {
        match &mut self.kind {
            Kind::Phase(reader) => reader.step(ring),
            Kind::Echo(reader) => reader.step(ring),
        }
    }

    /// Whether the signal is there now.
    fn hears(&self) -> bool {
        let gone = match self.kind {
            Kind::Phase(_) => GONE,
            Kind::Echo(_) => GONE_ECHO,
        };
        self.left > 0 && self.probe().share > gone
    }

    fn at(&self) -> f64 {
        match &self.kind {
            Kind::Phase(reader) => reader.at(),
            Kind::Echo(reader) => reader.at(),
        }
    }

    fn probe(&self) -> Probe {
        match &self.kind {
            Kind::Phase(reader) => reader.probe(),
            Kind::Echo(reader) => reader.probe(),
        }
    }

    fn read(
        &mut self,
        line: &Line,
        ring: &Ring,
        (branch, patience): (usize, usize),
        out: &mut Vec<DemodEvent>,
    ) {
        while self.left > 0 {
            let Some(bit) = self.step(ring) else {
                // What the ring no longer holds cannot be waited for.
                if self.at().is_nan() || self.at() < ring.start() as f64 + 1.0 {
                    self.left = 0;
                    out.push(DemodEvent::Break {
                        branch: branch as u8,
                    });
                }
                break;
            };
            let probe = self.probe();
            let [space, mark] = probe.tones.map(|tone| tone.map_or(0.0, f64::from));
            let [spaces, marks] = probe.tones.map(|tone| f64::from(u8::from(tone.is_some())));
            let values = [
                1.0,
                f64::from(probe.noise),
                line.hertz(probe.offset),
                spaces,
                space,
                marks,
                mark,
            ];
            let at = self.at();
            self.sums.push(line.place(at), values);
            // As far as the angle of one sample; beyond half a turn nothing is looked for.
            self.track
                .push(line.place(at), at, Complex64::cis(probe.offset), probe.skew);
            out.extend(bit.map(|bit| bit.event(branch as u8)));
            // When the signal has gone, the bits on their way must still come out.
            self.left = if !probe.noise.is_finite() {
                0
            } else if self.hears() {
                patience
            } else {
                self.left - 1
            };
            if self.left == 0 {
                out.push(DemodEvent::Break {
                    branch: branch as u8,
                });
            }
        }
    }
}

/// By how many symbols the frequency of a loop with these gains lags behind a steady drift: its
/// phase error is drift / `frequency_gain`, of which it takes `gain` over by itself
/// (F. M. Gardner, Phaselock Techniques, the loop of second order; from memory).
fn lag(gain: f32, frequency_gain: f32) -> f64 {
    f64::from(gain / frequency_gain)
}

/// One signal.
#[derive(Clone, Debug)]
pub(super) struct Slot {
    line: Line,
    readers: Vec<Reader>,
    patience: usize,
    /// How clear the flags were that it began with or met last.
    clear: f32,
}

impl Slot {
    pub fn new(line: Line, recipe: &SequenceRecipe) -> Self {
        let phase = recipe.phase.iter().map(|&r| {
            Reader::new(
                Kind::Phase(Box::new(PhaseReader::new(line, r))),
                &line,
                lag(r.gain, r.frequency_gain),
            )
        });
        let echo = recipe.echo.iter().map(|&r| {
            Reader::new(
                Kind::Echo(Box::new(EchoReader::new(line, r))),
                &line,
                lag(r.gain, r.frequency_gain),
            )
        });
        Slot {
            line,
            readers: phase.chain(echo).collect(),
            patience: recipe.patience.max(DELAY_SYMBOLS),
            clear: 0.0,
        }
    }

    /// How much it would be missed: nothing if it reads nothing.
    pub fn worth(&self) -> f32 {
        let worth = |r: &Reader| match (r.left, r.hears()) {
            (0, _) => 0.0,
            (_, true) => r.probe().share,
            (_, false) => r.probe().share * GONE_WORTH,
        };
        self.readers.iter().map(worth).fold(0.0, f32::max)
    }

    /// Whether it reads a signal next to which flags like these are most likely its own data.
    pub fn outshines(&self, hit: &Hit) -> bool {
        self.readers.iter().any(Reader::hears) && hit.share < AS_CLEAR * self.clear
    }

    /// Whether flags are part of the signal that it reads.
    pub fn reads(&self, hit: &Hit) -> bool {
        self.readers
            .iter()
            .any(|reader| reader.reads(&self.line, hit))
    }

    /// Begins to read a signal with every reader that does not read it yet, or with all of them if
    /// these flags are far clearer than those before.
    pub fn start(&mut self, hit: &Hit, first_branch: usize, out: &mut Vec<DemodEvent>) {
        let hears = self.readers.iter().any(Reader::hears);
        let clearer = !hears || hit.share > CLEARER * self.clear;
        self.clear = if clearer {
            hit.share
        } else {
            self.clear.max(hit.share)
        };
        for (branch, reader) in (first_branch..).zip(&mut self.readers) {
            if clearer || !reader.reads(&self.line, hit) {
                reader.start(hit);
                out.push(DemodEvent::Break {
                    branch: branch as u8,
                });
            }
        }
    }

    /// Reads on as far as there are samples.
    pub fn read(&mut self, ring: &Ring, first_branch: usize, out: &mut Vec<DemodEvent>) {
        let line = self.line;
        for (i, reader) in self.readers.iter_mut().enumerate() {
            reader.read(&line, ring, (first_branch + i, self.patience), out);
        }
    }

    /// How a reader decides, in few words.
    pub fn name(&self, reader: usize) -> &'static str {
        match self.readers[reader].kind {
            Kind::Phase(_) => "sequence",
            Kind::Echo(_) => "sequence with echoes",
        }
    }

    /// What is known of the symbols between two places, as one reader saw them.
    pub fn measure(&self, reader: usize, from: SampleCount, to: SampleCount) -> Measurement {
        let reader = &self.readers[reader];
        let [symbols, noise, offset, spaces, space, marks, mark] = reader.sums.over(from, to);
        if spaces.min(marks) < 1.0 {
            return Measurement::NOTHING;
        }
        let (mark, space) = ((mark / marks).powi(2), (space / spaces).powi(2));
        let signal = (mark + space) / 2.0;
        let noise = noise / symbols;
        let known = |x: f64| Some(x as f32).filter(|x| x.is_finite());
        let course = reader.track.over(from, to);
        // The loop is behind what it follows.
        let middle = |c: Course| {
            self.line
                .hertz(c.radians + c.radians_per_symbol * reader.lag_symbols)
        };
        let drift = |c: Course| self.line.hertz(c.radians_per_symbol) * self.line.baud;
        Measurement {
            level_dbfs: power_dbfs(signal),
            offset_hz: known(course.map_or(offset / symbols, middle)),
            twist_db: known(10.0 * (mark / space).log10()),
            snr_db: known(10.0 * (signal / noise.max(signal * 1e-4)).log10()),
            drift_hz_s: course.and_then(|c| known(drift(c))),
            rate_error_ppm: course.and_then(|c| known(c.faster * 1e6)),
            clipped: None,
        }
    }
}
