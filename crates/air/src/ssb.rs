//! SSB transmitter and receiver at audio frequencies.
//!
//! The transmitter's filter has one-sided (complex) taps: a low-pass moved to the middle of the
//! passband, so it makes the analytic signal and the channel filter in one step (the filter
//! method of single sideband; A. V. Oppenheim, R. W. Schafer, Discrete-Time Signal Processing,
//! chapter on the discrete Hilbert transform, from memory). Dial errors and fading act on the
//! analytic signal. The receiver takes the real part, adds white noise and filters.
//!
//! SNR is mean signal power over noise power in 3 kHz, N0 the one-sided density: white noise of
//! variance N0 rate / 2.

use dunlin_clock::Chance;
use std::f64::consts::TAU;

use crate::config::{SsbConfig, StationConfig};
use crate::fir::{Fir, low_pass, low_pass_f32};
use crate::noise::Noise;

/// From passband to stop band of the filters, Hz.
const TRANSITION_HZ: f64 = 300.0;
/// The bandwidth in which the SNR is reckoned, Hz.
const SNR_BANDWIDTH_HZ: f64 = 3000.0;

/// Low-pass of half the passband's width, and the passband's middle, in fractions of the rate.
fn passband(c: &SsbConfig, rate: f64) -> (f64, f64) {
    let half = (c.high_edge_hz - c.low_edge_hz) / 2.0;
    (half / rate, (c.high_edge_hz - half) / rate)
}

/// The transmitter of one station.
#[derive(Clone, Debug)]
pub(crate) struct SsbModulator {
    filter_re: Fir,
    filter_im: Fir,
    gain: f32,
}

impl SsbModulator {
    /// A transmitter at `rate` samples per second.
    pub fn new(c: &SsbConfig, station: &StationConfig, rate: f64) -> Self {
        let (half, middle) = passband(c, rate);
        let taps = low_pass(half, TRANSITION_HZ / rate);
        let centre = (taps.len() / 2) as f64;
        // Twice, so that a cosine becomes a phasor of the same amplitude.
        let part = |quarter: f64| {
            let turn = |k: usize| (TAU * (middle * (k as f64 - centre) - quarter)).cos();
            taps.iter()
                .enumerate()
                .map(|(k, t)| (2.0 * t * turn(k)) as f32)
                .collect()
        };
        SsbModulator {
            filter_re: Fir::new(part(0.0)),
            filter_im: Fir::new(part(0.25)),
            gain: (10_f64.powf(station.drive_db / 20.0) / c.nominal_audio) as f32,
        }
    }

    /// Makes ready for a new transmission.
    pub fn reset(&mut self) {
        self.filter_re.reset();
        self.filter_im.reset();
    }

    /// Delay of the audio, samples.
    pub fn delay(&self) -> usize {
        self.filter_re.delay()
    }

    /// Turns audio into its analytic signal; a sine at nominal audio has amplitude 1.
    pub fn process(&mut self, audio: &[f32], re: &mut [f32], im: &mut [f32]) {
        for ((x, a), b) in audio.iter().zip(re.iter_mut()).zip(im.iter_mut()) {
            *a = x * self.gain;
            *b = *a;
        }
        self.filter_re.process(re);
        self.filter_im.process(im);
    }
}

/// The receiver of one station.
#[derive(Clone, Debug)]
pub(crate) struct SsbReceiver {
    noise: Noise,
    filter: Fir,
    gain: f32,
}

impl SsbReceiver {
    /// A receiver at `rate` samples per second. A phasor of power P is then received with an SNR
    /// of P in 3 kHz.
    pub fn new(c: &SsbConfig, rate: f64, chance: Chance) -> Self {
        let (half, middle) = passband(c, rate);
        let mut taps = low_pass_f32(half, TRANSITION_HZ / rate);
        let centre = (taps.len() / 2) as f64;
        for (k, t) in taps.iter_mut().enumerate() {
            *t *= 2.0 * (TAU * middle * (k as f64 - centre)).cos() as f32;
        }
        // Noise of power 1 in 3 kHz. The real part of a phasor of power P has power P / 2, which
        // the receiver's gain of sqrt(2) makes good.
        let sigma = (rate / (2.0 * SNR_BANDWIDTH_HZ)).sqrt();
        let gain = 10_f64.powf(c.noise_dbfs / 20.0) as f32;
        SsbReceiver {
            noise: Noise::new(chance, sigma),
            filter: Fir::new(taps),
            gain,
        }
    }

    /// Delay of the audio, samples.
    pub fn delay(&self) -> usize {
        self.filter.delay()
    }

    /// Turns what arrives (real part) into audio.
    pub fn process(&mut self, re: &[f32], audio: &mut [f32]) {
        for (out, x) in audio.iter_mut().zip(re) {
            *out = std::f32::consts::SQRT_2 * x;
        }
        self.noise.add(audio);
        self.filter.process(audio);
        for v in audio {
            *v = (*v * self.gain).clamp(-1.0, 1.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An analytic signal has nothing at negative frequencies (definition): the phasor of a tone
    /// keeps its length, and both edges of the filter are where they were asked for.
    #[test]
    fn the_sender_makes_a_clean_phasor_in_its_passband() {
        let (c, rate) = (SsbConfig::default(), 12_000.0);
        let station = StationConfig::new("QX0RLF");
        let length = |hz: f64| {
            let mut m = SsbModulator::new(&c, &station, rate);
            let x: Vec<f32> = (0..512)
                .map(|i| 0.5 * (TAU * hz * f64::from(i) / rate).cos() as f32)
                .collect();
            let (mut re, mut im) = (vec![0.0; 512], vec![0.0; 512]);
            m.process(&x, &mut re, &mut im);
            let all = re[400..].iter().zip(&im[400..]).map(|(a, b)| a.hypot(*b));
            all.fold((f32::MAX, 0.0_f32), |(l, h), v| (l.min(v), h.max(v)))
        };
        for hz in [500.0, 1000.0, 1700.0, 2500.0] {
            let (low, high) = length(hz);
            assert!(low > 0.995 && high < 1.005, "{hz}: {low} {high}");
        }
        for hz in [300.0, 2700.0] {
            let (low, high) = length(hz);
            assert!(low > 0.49 && high < 0.51, "{hz}: {low} {high}");
        }
        assert!(length(3000.0).1 < 0.002 && length(50.0).1 < 0.002);
    }
}
