//! The front end of the receiver for two tones: filtered, moved to the middle between the tones,
//! and brought to the receiver's own rate.

use std::collections::VecDeque;
use std::f64::consts::TAU;

use dunlin_clock::SampleRate;
use num_complex::Complex32;

use crate::clicks::ClickRemover;
use crate::fir::{Lowpass, dot_real};
use crate::nco::Downmixer;
use crate::recipe::ToneRecipe;
use crate::resampler::{Windows, most_per_chunk};

/// How far the first filter reaches to either side, in units of 1 / half bandwidth.
const FILTER_REACH: f64 = 1.5;

/// Real samples at any rate to complex samples around the middle of the tones.
#[derive(Clone, Debug)]
pub(crate) struct FrontEnd {
    pub(crate) windows: Windows,
    taps_re: Vec<f32>,
    taps_im: Vec<f32>,
    mixer: Downmixer,
}

impl FrontEnd {
    pub(crate) fn new(rate: SampleRate, rate_out: u32, recipe: &ToneRecipe) -> Self {
        let centre = f64::from(recipe.mark_hz + recipe.space_hz) / 2.0;
        let span = FILTER_REACH / recipe.half_bandwidth_hz;
        let lowpass = Lowpass {
            cutoff_hz: recipe.half_bandwidth_hz,
            half_span_s: span,
            beta: 5.0,
        };
        let windows = Windows::new(rate, rate_out, span);
        // Doubled, because half of a real tone lies at negative frequencies.
        let angle = |t: f64| TAU * centre * t;
        FrontEnd {
            taps_re: windows.taps(|t| 2.0 * lowpass.at(t) * angle(t).cos()),
            taps_im: windows.taps(|t| 2.0 * lowpass.at(t) * angle(t).sin()),
            // Both doubled: the middle may lie at half a hertz.
            mixer: Downmixer::new(recipe.mark_hz + recipe.space_hz, 2 * rate_out),
            windows,
        }
    }

    /// Takes a chunk; appends the complex samples. Returns how many samples were taken.
    pub(crate) fn process(
        &mut self,
        samples: &[f32],
        re: &mut Vec<f32>,
        im: &mut Vec<f32>,
    ) -> usize {
        self.process_unless(
            samples,
            || None,
            |z| {
                re.push(z.re);
                im.push(z.im);
            },
        )
    }

    /// Takes a chunk; gives each complex sample to `each`, after computing it unless `known`
    /// tells it. Returns how many samples were taken.
    fn process_unless(
        &mut self,
        samples: &[f32],
        mut known: impl FnMut() -> Option<Complex32>,
        mut each: impl FnMut(Complex32),
    ) -> usize {
        let FrontEnd {
            windows,
            taps_re,
            taps_im,
            mixer,
        } = self;
        let len = 2 * windows.look_ahead();
        windows.process(samples, |phase, window| {
            let turn = mixer.step();
            each(known().unwrap_or_else(|| {
                let taps = phase * len..(phase + 1) * len;
                dot_real(window, &taps_re[taps.clone()], &taps_im[taps]) * turn
            }));
        })
    }
}

/// The sound without clicks. Where there are none, its complex samples are those of the sound
/// as it came; where there are, they are computed by a front end of its own.
#[derive(Clone, Debug)]
pub(crate) struct Unclicked {
    pub(crate) remover: ClickRemover,
    front: FrontEnd,
    /// The complex samples of the sound as it came, for which it is not yet known whether it
    /// has clicks.
    waiting: VecDeque<Complex32>,
    /// So many samples since the latest click.
    clean: usize,
    re: Vec<f32>,
    im: Vec<f32>,
}

impl Unclicked {
    /// `None` if clicks cannot be told at that rate.
    pub(crate) fn new(rate: SampleRate, rate_out: u32, recipe: &ToneRecipe) -> Option<Self> {
        let remover = ClickRemover::new(rate)?;
        let front = FrontEnd::new(rate, rate_out, recipe);
        let blocks = (remover.delay() as f64 / front.windows.input_per_output()).ceil();
        let capacity = blocks as usize + 2 * most_per_chunk(&front.windows);
        Some(Unclicked {
            re: Vec::with_capacity(capacity),
            im: Vec::with_capacity(capacity),
            waiting: VecDeque::with_capacity(2 * capacity),
            clean: 0,
            remover,
            front,
        })
    }

    /// Takes a chunk of samples, and the complex samples which that gave as it came; gives the
    /// complex samples that became ready.
    pub(crate) fn process(&mut self, mut samples: &[f32], as_it_came: [&[f32]; 2]) -> [&[f32]; 2] {
        let Unclicked {
            remover,
            front,
            waiting,
            clean,
            re,
            im,
        } = self;
        let [came_re, came_im] = as_it_came;
        waiting.extend(
            came_re
                .iter()
                .zip(came_im)
                .map(|(&re, &im)| Complex32 { re, im }),
        );
        re.clear();
        im.clear();
        while !samples.is_empty() {
            let (taken, block) = remover.process(samples);
            samples = &samples[taken..];
            let Some(block) = block else { continue };
            if block.changed {
                *clean = 0;
            }
            // No window with a sample of this block has a click in it.
            let same = *clean >= 2 * front.windows.look_ahead();
            *clean = clean.saturating_add(block.samples.len());
            let mut rest = block.samples;
            while !rest.is_empty() {
                let known = || waiting.pop_front().filter(|_| same);
                let taken = front.process_unless(rest, known, |z| {
                    re.push(z.re);
                    im.push(z.im);
                });
                rest = &rest[taken..];
            }
        }
        [re, im]
    }
}
