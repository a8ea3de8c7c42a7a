//! Between the rate of a device that knows only its own and the rate of the engine.

use dunlin_clock::SampleRate;
use rubato::{FftFixedIn, Resampler};

/// Samples taken at once, at the input rate.
const CHUNK: usize = 512;

/// A stream of one channel from one rate to another; passes it on unchanged if both agree.
pub(crate) struct Rates {
    inner: Option<FftFixedIn<f32>>,
    waiting: Vec<f32>,
}

impl Rates {
    /// From `from` to `to`.
    ///
    /// # Errors
    /// If the two rates cannot be brought together.
    pub(crate) fn new(from: SampleRate, to: SampleRate) -> Result<Self, String> {
        let inner = if from == to {
            None
        } else {
            let (from, to) = (from.hz() as usize, to.hz() as usize);
            Some(FftFixedIn::new(from, to, CHUNK, 1, 1).map_err(|e| e.to_string())?)
        };
        Ok(Rates {
            inner,
            waiting: Vec::new(),
        })
    }

    /// Takes samples and returns those that are ready; the rest waits for the next call.
    pub(crate) fn pass(&mut self, samples: Vec<f32>) -> Vec<f32> {
        let Some(inner) = self.inner.as_mut() else {
            return samples;
        };
        self.waiting.extend_from_slice(&samples);
        let mut ready = Vec::new();
        let mut used = 0;
        while self.waiting.len() - used >= inner.input_frames_next() {
            let n = inner.input_frames_next();
            match inner.process(&[&self.waiting[used..used + n]], None) {
                Ok(out) => ready.extend_from_slice(&out[0]),
                Err(error) => tracing::error!("resampling failed: {error}"),
            }
            used += n;
        }
        self.waiting.drain(..used);
        ready
    }

    /// A whole transmission at once, with everything that the filter still holds at its end.
    pub(crate) fn whole(
        from: SampleRate,
        to: SampleRate,
        mut all: Vec<f32>,
    ) -> Result<Vec<f32>, String> {
        let mut rates = Rates::new(from, to)?;
        let Some(inner) = &rates.inner else {
            return Ok(all);
        };
        let delay = inner.output_delay() * from.hz() as usize / to.hz() as usize;
        all.resize(all.len() + delay + 2 * CHUNK, 0.0);
        Ok(rates.pass(all))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(hz: u32) -> SampleRate {
        SampleRate::new(hz).expect("not zero")
    }

    fn tone(hz: f32, rate: u32, n: usize) -> Vec<f32> {
        let step = std::f32::consts::TAU * hz / rate as f32;
        (0..n).map(|i| (step * i as f32).sin()).collect()
    }

    /// Amplitude of `hz` in `samples`: correlation with sine and cosine.
    fn amplitude(samples: &[f32], hz: f32, rate: u32) -> f32 {
        let step = std::f32::consts::TAU * hz / rate as f32;
        let (mut s, mut c) = (0.0, 0.0);
        for (i, x) in samples.iter().enumerate() {
            s += x * (step * i as f32).sin();
            c += x * (step * i as f32).cos();
        }
        2.0 * s.hypot(c) / samples.len() as f32
    }

    #[test]
    fn a_tone_keeps_its_pitch_and_level_both_ways() {
        for (from, to) in [
            (8_000, 48_000),
            (48_000, 8_000),
            (44_100, 48_000),
            (48_000, 44_100),
            (96_000, 48_000),
            (48_000, 96_000),
        ] {
            let mut rates = Rates::new(rate(from), rate(to)).expect("common rates");
            let mut out = Vec::new();
            for chunk in tone(1700.0, from, from as usize).chunks(333) {
                out.extend(rates.pass(chunk.to_vec()));
            }
            let settled = &out[out.len() / 4..out.len() / 4 * 3];
            let level = amplitude(settled, 1700.0, to);
            assert!((level - 1.0).abs() < 0.01, "{from} to {to}: {level}");
        }
    }

    #[test]
    fn a_whole_transmission_keeps_its_end() {
        let all =
            Rates::whole(rate(48_000), rate(44_100), tone(1200.0, 48_000, 10_000)).expect("rates");
        let energy: f32 = all.iter().map(|x| x * x).sum();
        // Half a sample's energy per sample of a sine of 10 000 · 44.1 / 48 samples.
        assert!((energy / (0.5 * 9187.5) - 1.0).abs() < 0.02, "{energy}");
    }

    #[test]
    fn equal_rates_change_nothing() {
        let mut rates = Rates::new(rate(48_000), rate(48_000)).expect("equal");
        assert_eq!(rates.pass(vec![0.1, 0.2]), [0.1, 0.2]);
    }
}
