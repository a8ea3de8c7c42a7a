//! The receiver for direct frequency shift: the sound is the data's waveform.
//!
//! A bank of filters shares the input. Some are matched to the pulse that a sender may make, with
//! sequence detection behind them (`shift`): these copy what is weak. Others are low-pass filters
//! that differ in width, with a plain threshold behind them, and take what is unlike any such
//! pulse. Symbol timing is found from a long look and from short ones that expect other clocks.
//! Each pair of filter and timing is a branch; descrambler and NRZI follow.
//!
//! Literature: J. Miller, "9600 Baud Packet Radio Modem Design", 1988.

use dunlin_clock::{SampleCount, SampleRate};

use crate::carrier::{CarrierDetector, TwoLevels};
use crate::demodulator::{DemodEvent, Measurement};
use crate::fir::Lowpass;
use crate::level::power_dbfs;
use crate::nrzi::NrziDecoder;
use crate::recipe::{BasebandRecipe, ReaderRecipe, SAMPLES_PER_SYMBOL};
use crate::resampler::Resampler;
use crate::scrambler::Descrambler;
use crate::shift::{Front, SequenceBranch};
use crate::statistics::RunningSums;
use crate::threshold::Threshold;
use crate::timing::SymbolTiming;

const N: usize = SAMPLES_PER_SYMBOL;

/// Filters reach this many symbols to either side.
const FILTER_REACH: f64 = 3.0;

/// How many samples are kept per branch; more than the timing's delay.
const KEPT: usize = 1024;

/// The whole receiver for one direct-shift mode.
#[derive(Clone, Debug)]
pub struct BasebandReceiver {
    front: Resampler,
    /// Samples just filtered, a row for each filter.
    rows: Vec<Vec<f32>>,
    /// The latest samples of each filter, as rings.
    kept: Vec<Vec<f32>>,
    readers: Vec<Reader>,
    carrier: CarrierDetector<TwoLevels>,
    input_per_sample: f64,
    pushed: u64,
}

impl BasebandReceiver {
    /// A receiver for samples at `rate`.
    pub fn new(rate: SampleRate, baud: u32, recipe: &BasebandRecipe) -> Self {
        let filter = |&cutoff: &f64| Lowpass {
            cutoff_hz: cutoff * f64::from(baud),
            half_span_s: FILTER_REACH / f64::from(baud),
            beta: 4.0,
        };
        let filters: Vec<Lowpass> = recipe.cutoffs.iter().map(filter).collect();
        let fronts: Vec<Front> = recipe.pulses.iter().map(|&p| Front::new(p, baud)).collect();
        let span = filters.iter().map(|f| f.half_span_s);
        let span = span.chain(fronts.iter().map(Front::half_span_s));
        let front = Resampler::with(rate, baud * N as u32, span.fold(0.0, f64::max))
            .and(&filters, Lowpass::at)
            .and(&fronts, Front::at);
        let rows = filters.len() + fronts.len();
        let reader = |&own: &ReaderRecipe| Reader::new(recipe, own, &fronts);
        BasebandReceiver {
            rows: (0..rows)
                .map(|_| Vec::with_capacity(front.most_per_chunk()))
                .collect(),
            kept: vec![vec![0.0; KEPT]; rows],
            readers: recipe.readers.iter().map(reader).collect(),
            carrier: CarrierDetector::new(recipe.carrier),
            input_per_sample: front.windows().input_per_output(),
            front,
            pushed: 0,
        }
    }

    /// How many branches decide side by side.
    pub fn branches(&self) -> usize {
        self.readers.iter().map(Reader::branches).sum()
    }

    /// Whether data is being heard.
    pub fn carrier(&self) -> bool {
        self.carrier.on()
    }

    /// Samples from a symbol until its bit comes out, at most.
    pub fn delay(&self) -> usize {
        let own = self.readers.iter().map(Reader::delay).max().unwrap_or(0);
        (own as f64 * self.input_per_sample).ceil() as usize + self.front.windows().look_ahead()
    }

    /// Takes samples, appends what they told.
    pub fn process(&mut self, mut samples: &[f32], out: &mut Vec<DemodEvent>) {
        while !samples.is_empty() {
            let taken = self.front.process(samples, &mut self.rows);
            samples = &samples[taken..];
            for n in 0..self.rows.first().map_or(0, Vec::len) {
                self.step(n, out);
            }
            self.rows.iter_mut().for_each(Vec::clear);
        }
    }

    fn step(&mut self, n: usize, out: &mut Vec<DemodEvent>) {
        let slot = self.pushed as usize % KEPT;
        for (kept, row) in self.kept.iter_mut().zip(&self.rows) {
            kept[slot] = row[n];
        }
        // The difference over half a symbol is largest, either way, when the line changes
        // between the two samples; a constant offset drops out. Told for the later sample,
        // its peak comes a quarter symbol after the change and a quarter before the middle.
        let first = &self.kept[0];
        let before = first[(self.pushed as usize + KEPT - N / 2) % KEPT];
        let now = first[slot];
        let change = (now - before) * (now - before);
        self.pushed += 1;
        if let Some(on) = self.carrier.push(now, 0.0) {
            let at = place(self.pushed as f64, self.input_per_sample);
            out.push(DemodEvent::Carrier { on, at });
        }
        let mut first_branch = 0;
        for reader in &mut self.readers {
            reader.timing.push(change);
            reader.read(&self.kept, self.input_per_sample, first_branch, out);
            first_branch += reader.branches() as u8;
        }
    }

    /// What is known of the symbols between two places, as the branch saw them.
    pub fn measure(&self, branch: usize, from: SampleCount, to: SampleCount) -> Measurement {
        let (mut left, mut sums) = (branch, None);
        for reader in &self.readers {
            if left < reader.branches() {
                sums = reader.sums(left, from, to);
                break;
            }
            left -= reader.branches();
        }
        let Some([count, distance, square]) = sums else {
            return Measurement::NOTHING;
        };
        if count < 1.0 {
            return Measurement::NOTHING;
        }
        let mean = distance / count;
        let signal = mean * mean;
        let noise = (square / count - signal).max(signal * 1e-4);
        let snr = 10.0 * (signal / noise).log10();
        Measurement {
            level_dbfs: power_dbfs(signal),
            snr_db: Some(snr as f32).filter(|x| x.is_finite()),
            ..Measurement::NOTHING
        }
    }
}

fn place(sample: f64, input_per_sample: f64) -> SampleCount {
    SampleCount((sample * input_per_sample).max(0.0) as u64)
}

/// Reads some filters' samples at the moments of one symbol timing.
#[derive(Clone, Debug)]
struct Reader {
    timing: SymbolTiming,
    /// With plain thresholds, one for each filter from the first on.
    plain: Vec<Branch>,
    /// With sequence detection, one for each filter from `after` on.
    sequences: Vec<SequenceBranch>,
    after: usize,
}

impl Reader {
    fn new(recipe: &BasebandRecipe, own: ReaderRecipe, fronts: &[Front]) -> Self {
        let sequence = |front: &Front| SequenceBranch::new(front.taps(), recipe.scrambled);
        Reader {
            timing: SymbolTiming::new(own.timing),
            plain: vec![Branch::new(recipe); own.filters],
            sequences: fronts.iter().take(own.pulses).map(sequence).collect(),
            after: recipe.cutoffs.len(),
        }
    }

    fn branches(&self) -> usize {
        self.plain.len() + self.sequences.len()
    }

    /// Samples until a symbol is decided, at most.
    fn delay(&self) -> usize {
        let reach = self.plain.first().map_or(0, |b| b.threshold.reach());
        let sequence = match self.sequences.len() {
            0 => 0,
            _ => SequenceBranch::DELAY,
        };
        // A sender may be slower than nominal by some per cent.
        self.timing.delay() + (reach.max(sequence) * 17 / 16 + 2) * N
    }

    /// Decides every symbol that has become due.
    fn read(
        &mut self,
        kept: &[Vec<f32>],
        input_per_sample: f64,
        first_branch: u8,
        out: &mut Vec<DemodEvent>,
    ) {
        while let Some(peak) = self.timing.next_symbol() {
            let middle = peak + (N / 4) as f64;
            let at = place(middle, input_per_sample);
            for ((branch, state), ring) in (first_branch..).zip(&mut self.plain).zip(kept) {
                if let Some((soft, at)) = state.decide(linear(ring, middle), at) {
                    out.push(DemodEvent::Bit {
                        branch,
                        soft,
                        at,
                        rival: None,
                    });
                }
            }
            let branches = first_branch + self.plain.len() as u8..;
            let rings = kept[self.after..].iter();
            for ((branch, state), ring) in branches.zip(&mut self.sequences).zip(rings) {
                if let Some(bit) = state.step(cubic(ring, middle), at) {
                    out.push(DemodEvent::Bit {
                        branch,
                        soft: bit.soft,
                        at: bit.at,
                        rival: bit.rival,
                    });
                }
            }
        }
    }

    /// What one of the branches summed up between two places.
    fn sums(&self, branch: usize, from: SampleCount, to: SampleCount) -> Option<[f64; 3]> {
        match self.plain.get(branch) {
            Some(plain) => Some(plain.sums.over(from, to)),
            None => {
                let sequence = self.sequences.get(branch - self.plain.len())?;
                Some(sequence.sums(from, to))
            }
        }
    }
}

/// The value between two kept samples.
fn linear(ring: &[f32], at: f64) -> f32 {
    let before = at as usize;
    let share = (at - before as f64) as f32;
    let (a, b) = (ring[before % KEPT], ring[(before + 1) % KEPT]);
    a + (b - a) * share
}

/// The same by the cubic through four samples, which bends high frequencies less. Source: Lagrange's
/// formula.
fn cubic(ring: &[f32], at: f64) -> f32 {
    let before = at as usize;
    let t = (at - before as f64) as f32;
    let y = |k: usize| ring[(before + KEPT + k - 1) % KEPT];
    let (a, b, c, d) = (y(0), y(1), y(2), y(3));
    let outer = (d * (t + 1.0) - a * (t - 2.0)) * t * (t - 1.0) / 6.0;
    let inner = (b * (t - 1.0) - c * t) * (t + 1.0) * (t - 2.0) / 2.0;
    outer + inner
}

/// One filter's decisions.
#[derive(Clone, Debug)]
struct Branch {
    threshold: Threshold,
    /// Where the symbols are that the threshold still holds back.
    places: Vec<SampleCount>,
    symbols: usize,
    descrambler: Option<Descrambler>,
    line: NrziDecoder,
    /// Number of symbols, their distance from the threshold, and its square.
    sums: RunningSums<3>,
}

impl Branch {
    fn new(recipe: &BasebandRecipe) -> Self {
        Branch {
            threshold: Threshold::new(recipe.threshold_reach),
            places: vec![SampleCount(0); recipe.threshold_reach + 1],
            symbols: 0,
            descrambler: recipe.scrambled.then(Descrambler::default),
            line: NrziDecoder::default(),
            sums: RunningSums::default(),
        }
    }

    /// Takes a symbol's value; gives the soft bit that became due and its place.
    fn decide(&mut self, value: f32, at: SampleCount) -> Option<(f32, SampleCount)> {
        let len = self.places.len();
        self.places[self.symbols % len] = at;
        self.symbols += 1;
        let sliced = self.threshold.step(value)?;
        let at = self.places[self.symbols % len];
        let above = f64::from(sliced.above.abs());
        self.sums.push(at, [1.0, above, above * above]);
        let level = match &mut self.descrambler {
            Some(descrambler) => descrambler.step(sliced.soft),
            None => sliced.soft,
        };
        Some((self.line.step(level), at))
    }
}
