//! From any sample rate to the receiver's own, by a polyphase filter.
//!
//! Only the output samples that are wanted are computed. Each output sample belongs to an
//! exact moment of the input: number `j` to `j * rate_in / rate_out` input samples, with the
//! filter's delay already taken off.
//!
//! Literature: R. E. Crochiere and L. R. Rabiner, Multirate Digital Signal Processing (1983).

use dunlin_clock::SampleRate;

use crate::fir::Lowpass;

/// At most this many filter phases are kept. With more phases needed, the nearest is taken;
/// the timing error is then under 1/1024 of an input sample.
const MOST_PHASES: u64 = 512;

/// How many input samples are taken in at a time.
const CHUNK: usize = 512;

/// Louder input than this (full scale is 1) is cut off, so that sums stay finite.
const LOUDEST: f32 = 1000.0;

/// The stretch of input samples and the filter phase for one output sample after another.
#[derive(Clone, Debug)]
pub struct Windows {
    rate_in: u64,
    rate_out: u64,
    phases: u64,
    half: usize,
    buffer: Vec<f32>,
    fill: usize,
    /// Where the next window begins in `buffer`.
    next: usize,
    /// How far the next output sample lies beyond a whole input sample, in `1/rate_out`.
    remainder: u64,
}

impl Windows {
    /// Windows wide enough for filters of `half_span_s` to either side.
    pub fn new(rate_in: SampleRate, rate_out: u32, half_span_s: f64) -> Self {
        let (rate_in, rate_out) = (u64::from(rate_in.hz()), u64::from(rate_out));
        // Twice `half` must be a multiple of eight for `dot`.
        let half = (half_span_s * rate_in as f64).ceil() as usize / 4 * 4 + 4;
        let phases = (rate_out / gcd(rate_in, rate_out)).min(MOST_PHASES);
        let mut buffer = vec![0.0; 2 * half + CHUNK];
        buffer.shrink_to_fit();
        // The first output sample lies on the first input sample: before it is silence.
        Windows {
            rate_in,
            rate_out,
            phases,
            half,
            buffer,
            fill: half - 1,
            next: 0,
            remainder: 0,
        }
    }

    /// Filter taps for every phase, one phase after the other, each as long as a window.
    /// `response` is the wanted impulse response as a function of seconds.
    pub fn taps(&self, response: impl Fn(f64) -> f64) -> Vec<f32> {
        let rate = self.rate_in as f64;
        let mut taps = Vec::with_capacity((self.phases as usize + 1) * 2 * self.half);
        for phase in 0..=self.phases {
            let late = phase as f64 / self.phases as f64;
            for k in 0..2 * self.half {
                let before = (self.half - 1) as f64 - k as f64 + late;
                taps.push((response(before / rate) / rate) as f32);
            }
        }
        taps
    }

    /// How many input samples make `n` output samples.
    pub fn input_per_output(&self) -> f64 {
        self.rate_in as f64 / self.rate_out as f64
    }

    /// How many input samples an output sample has to wait for what follows it.
    pub fn look_ahead(&self) -> usize {
        self.half
    }

    /// Takes at most one chunk of `samples` and calls `each` with the phase and the window of
    /// every output sample that became complete. Returns how many samples were taken.
    /// What is not a finite number counts as silence.
    pub fn process(&mut self, samples: &[f32], mut each: impl FnMut(usize, &[f32])) -> usize {
        let taken = samples.len().min(self.buffer.len() - self.fill);
        for (to, &from) in self.buffer[self.fill..].iter_mut().zip(&samples[..taken]) {
            *to = if from.is_finite() {
                from.clamp(-LOUDEST, LOUDEST)
            } else {
                0.0
            };
        }
        self.fill += taken;
        let len = 2 * self.half;
        while self.next + len <= self.fill {
            let phase = (self.remainder * self.phases + self.rate_out / 2) / self.rate_out;
            each(phase as usize, &self.buffer[self.next..self.next + len]);
            self.remainder += self.rate_in;
            self.next += (self.remainder / self.rate_out) as usize;
            self.remainder %= self.rate_out;
        }
        let done = self.next.min(self.fill);
        self.buffer.copy_within(done..self.fill, 0);
        self.fill -= done;
        self.next -= done;
        taken
    }
}

/// Real input to real output through one or more low-pass filters that share the windows.
#[derive(Clone, Debug)]
pub struct Resampler {
    windows: Windows,
    filters: Vec<Vec<f32>>,
}

impl Resampler {
    /// One output per filter for each output moment.
    pub fn new(rate_in: SampleRate, rate_out: u32, filters: &[Lowpass]) -> Self {
        let span = filters.iter().map(|f| f.half_span_s).fold(0.0, f64::max);
        Resampler::with(rate_in, rate_out, span).and(filters, Lowpass::at)
    }

    /// No output yet; filters of `half_span_s` to either side can be added.
    pub fn with(rate_in: SampleRate, rate_out: u32, half_span_s: f64) -> Self {
        Resampler {
            windows: Windows::new(rate_in, rate_out, half_span_s),
            filters: Vec::new(),
        }
    }

    /// With more filters, whose response `at` tells as a function of seconds.
    pub fn and<F>(mut self, filters: &[F], at: impl Fn(&F, f64) -> f64) -> Self {
        let taps = |f| self.windows.taps(|t| at(f, t));
        let taps: Vec<Vec<f32>> = filters.iter().map(taps).collect();
        self.filters.extend(taps);
        self
    }

    /// See [`Windows`].
    pub fn windows(&self) -> &Windows {
        &self.windows
    }

    /// Takes a chunk of input and appends to one output row per filter. Returns how many
    /// samples were taken. Each row grows by at most [`Resampler::most_per_chunk`].
    pub fn process(&mut self, samples: &[f32], rows: &mut [Vec<f32>]) -> usize {
        let Resampler { windows, filters } = self;
        let len = 2 * windows.half;
        windows.process(samples, |phase, window| {
            for (row, taps) in rows.iter_mut().zip(filters.iter()) {
                row.push(crate::fir::dot(
                    window,
                    &taps[phase * len..(phase + 1) * len],
                ));
            }
        })
    }

    /// The most output samples from one call of `process`.
    pub fn most_per_chunk(&self) -> usize {
        most_per_chunk(&self.windows)
    }
}

/// The most output samples from one chunk of input.
pub fn most_per_chunk(windows: &Windows) -> usize {
    let longest = windows.buffer.len() as f64;
    (longest / windows.input_per_output()).ceil() as usize + 2
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use std::f64::consts::TAU;

    use super::*;

    fn resample(rate_in: u32, rate_out: u32, input: &[f32]) -> Vec<f32> {
        let rate = SampleRate::new(rate_in).expect("not zero");
        let filter = Lowpass {
            cutoff_hz: 3000.0,
            half_span_s: 0.004,
            beta: 6.0,
        };
        let mut resampler = Resampler::new(rate, rate_out, &[filter]);
        let (mut rows, mut rest) = (vec![Vec::new()], input);
        while !rest.is_empty() {
            let taken = resampler.process(rest, &mut rows);
            rest = &rest[taken..];
        }
        rows.remove(0)
    }

    #[test]
    fn a_tone_comes_out_at_the_right_moment_for_any_ratio() {
        let tone = |rate: f64, i: usize| (TAU * 1000.0 * i as f64 / rate).sin() as f32;
        for rate_in in [
            8_000, 11_025, 22_050, 44_100, 47_999, 48_000, 96_000, 192_000,
        ] {
            let input: Vec<f32> = (0..rate_in as usize / 4)
                .map(|i| tone(f64::from(rate_in), i))
                .collect();
            for rate_out in [2_400, 9_600, 38_400] {
                let output = resample(rate_in, rate_out, &input);
                assert!(output.len() as f64 > f64::from(rate_out) * 0.24);
                let edge = rate_out as usize / 100;
                for (i, &y) in output.iter().enumerate().skip(edge) {
                    let error = (y - tone(f64::from(rate_out), i)).abs();
                    assert!(
                        error < 0.006,
                        "{rate_in} to {rate_out}, sample {i}: {error}"
                    );
                }
            }
        }
    }

    #[test]
    fn what_is_not_a_number_is_silence() {
        let mut input = vec![f32::NAN; 1000];
        input.extend([f32::INFINITY, f32::NEG_INFINITY, 1e38, -1e38]);
        input.extend([0.0; 2000]);
        let output = resample(48_000, 9_600, &input);
        assert!(output[..150].iter().all(|&y| y == 0.0));
        assert!(output.iter().all(|y| y.is_finite()));
    }
}
