//! One signal that is being read, by all readers of the mode side by side.

use dunlin_clock::SampleCount;

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

const N: usize = SAMPLES_PER_SYMBOL;
/// Flags this close in frequency (hertz as a share of the rate) and time (symbols) to what is
/// being read are part of it.
const SAME_FREQUENCY: f64 = 0.06;
const SAME_TIME: f64 = 0.3;
/// When less than this share of the power is explained, the signal has gone.
const GONE: f32 = 0.45;

/// Symbols, power of mark and of space, noise, offset in hertz.
type Sums = RunningSums<5>;

#[derive(Clone, Debug)]
enum Kind {
    Phase(PhaseReader),
    Echo(EchoReader),
}

#[derive(Clone, Debug)]
struct Reader {
    kind: Kind,
    sums: Sums,
    /// Symbols that are still read if the signal does not come back; 0 when nothing is read.
    left: usize,
}

impl Reader {
    fn new(kind: Kind) -> Self {
        Reader {
            kind,
            sums: Sums::default(),
            left: 0,
        }
    }

    fn start(&mut self, hit: &Hit) {
        match &mut self.kind {
            Kind::Phase(reader) => reader.start(hit),
            Kind::Echo(reader) => reader.start(hit),
        }
        self.left = DELAY_SYMBOLS;
    }

    fn step(&mut self, ring: &Ring) -> Option<Option<Bit>> {
        match &mut self.kind {
            Kind::Phase(reader) => reader.step(ring),
            Kind::Echo(reader) => reader.step(ring),
        }
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

    fn read(&mut self, line: &Line, ring: &Ring, branch: usize, out: &mut Vec<DemodEvent>) {
        while self.left > 0 {
            let Some(bit) = self.step(ring) else {
                // What the ring no longer holds cannot be waited for.
                if self.at() < ring.start() as f64 + 1.0 {
                    self.left = 0;
                }
                break;
            };
            let probe = self.probe();
            let values = [
                1.0,
                f64::from(probe.mark),
                f64::from(probe.space),
                f64::from(probe.noise),
                line.hertz(probe.offset),
            ];
            self.sums.push(line.place(self.at()), values);
            out.extend(bit.map(|bit| bit.event(branch as u8)));
            // When the signal has gone, the bits on their way must still come out.
            self.left = if !probe.noise.is_finite() {
                0
            } else if probe.share > GONE {
                DELAY_SYMBOLS
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

/// One signal.
#[derive(Clone, Debug)]
pub(super) struct Slot {
    line: Line,
    readers: Vec<Reader>,
}

impl Slot {
    pub fn new(line: Line, recipe: &SequenceRecipe) -> Self {
        let phase = recipe
            .phase
            .iter()
            .map(|&r| Kind::Phase(PhaseReader::new(line, r)));
        let echo = recipe
            .echo
            .iter()
            .map(|&r| Kind::Echo(EchoReader::new(line, r)));
        Slot {
            line,
            readers: phase.chain(echo).map(Reader::new).collect(),
        }
    }

    /// How much it would be missed: nothing if it reads nothing.
    pub fn worth(&self) -> f32 {
        let running = self.readers.iter().filter(|r| r.left > 0);
        running.map(|r| r.probe().share).fold(0.0, f32::max)
    }

    /// Whether flags are part of the signal that it reads.
    pub fn reads(&self, hit: &Hit) -> bool {
        self.readers.iter().filter(|r| r.left > 0).any(|reader| {
            let away = self.line.hertz(reader.probe().offset - hit.offset).abs();
            let late = (reader.at() - hit.at) / N as f64;
            away < SAME_FREQUENCY * self.line.baud && (late - late.round()).abs() < SAME_TIME
        })
    }

    /// Begins to read a signal.
    pub fn start(&mut self, hit: &Hit) {
        self.readers.iter_mut().for_each(|reader| reader.start(hit));
    }

    /// Reads on as far as there are samples.
    pub fn read(&mut self, ring: &Ring, first_branch: usize, out: &mut Vec<DemodEvent>) {
        let line = self.line;
        for (i, reader) in self.readers.iter_mut().enumerate() {
            reader.read(&line, ring, first_branch + i, out);
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
        let [symbols, mark, space, noise, offset] = self.readers[reader].sums.over(from, to);
        if symbols < 1.0 {
            return Measurement::NOTHING;
        }
        let signal = (mark + space) / 2.0;
        let known = |x: f64| Some(x as f32).filter(|x| x.is_finite());
        Measurement {
            level_dbfs: power_dbfs(signal / symbols),
            offset_hz: known(offset / symbols),
            twist_db: known(10.0 * (mark / space).log10()),
            snr_db: known(10.0 * (signal / noise.max(signal * 1e-4)).log10()),
        }
    }
}
