//! A live meter for the level of whatever comes in.

use dunlin_clock::SampleRate;

/// The lowest level that is told, dB; silence is this.
pub const SILENCE_DBFS: f32 = -120.0;

/// Time constant of the meter, seconds.
const TIME_CONSTANT_S: f64 = 0.05;

/// Follows the mean power of the samples. A sine with peaks at full scale reads 0 dBFS.
#[derive(Clone, Copy, Debug)]
pub struct LevelMeter {
    power: f32,
    per_sample: f32,
}

impl LevelMeter {
    /// A meter that reads silence.
    pub fn new(rate: SampleRate) -> Self {
        let per_sample = (1.0 / (TIME_CONSTANT_S * rate.hz_f64())).min(1.0) as f32;
        LevelMeter {
            power: 0.0,
            per_sample,
        }
    }

    /// Takes samples. What is not a finite number counts as silence.
    pub fn process(&mut self, samples: &[f32]) {
        // A short run counts as a whole: within it the meter would move too little to matter.
        for run in samples.chunks(32) {
            let square = |&s: &f32| if s.is_finite() { (s * s).min(1e6) } else { 0.0 };
            let mean = run.iter().map(square).sum::<f32>() / run.len() as f32;
            let share = (self.per_sample * run.len() as f32).min(1.0);
            self.power += (mean - self.power) * share;
        }
    }

    /// The level in dB below a full-scale sine.
    pub fn dbfs(&self) -> f32 {
        power_dbfs(f64::from(2.0 * self.power))
    }
}

/// The level of a sine with the square of its peak being `peak_squared`.
pub fn power_dbfs(peak_squared: f64) -> f32 {
    (10.0 * peak_squared.max(1e-12).log10()) as f32
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_scale_sine_reads_zero_and_silence_reads_the_floor() {
        let rate = SampleRate::new(48_000).expect("not zero");
        let mut meter = LevelMeter::new(rate);
        assert_eq!(meter.dbfs(), SILENCE_DBFS);
        let sine: Vec<f32> = (0..48_000).map(|i| (i as f32 * 0.2).sin()).collect();
        meter.process(&sine);
        assert!(meter.dbfs().abs() < 0.05, "{}", meter.dbfs());
        meter.process(&[f32::NAN; 48_000]);
        assert!(meter.dbfs() < -80.0);
    }
}
