//! Continuous-phase frequency shift keying, exact for any ratio of rates.
//!
//! Symbol boundaries are kept in whole numbers, so they never drift, and a boundary between
//! two samples splits the phase step there. The sound fades in and out over a few
//! milliseconds of the first and last tone, outside the symbols, so that nothing clicks.
//!
//! Literature: J. B. Anderson, T. Aulin, C.-E. Sundberg, Digital Phase Modulation (1986).

use std::f64::consts::{PI, TAU};

use dunlin_clock::SampleRate;

/// Length of each fade, seconds.
const FADE_S: f64 = 0.002;

/// Levels to two tones.
#[derive(Clone, Copy, Debug)]
pub struct Cpfsk {
    rate: u64,
    baud: u64,
    mark_hz: f64,
    space_hz: f64,
    amplitude: f64,
}

impl Cpfsk {
    /// `amplitude` is the peak of the sine, 1 being full scale.
    pub fn new(rate: SampleRate, baud: u32, mark_hz: f64, space_hz: f64, amplitude: f64) -> Self {
        Cpfsk {
            rate: u64::from(rate.hz()),
            baud: u64::from(baud),
            mark_hz,
            space_hz,
            amplitude,
        }
    }

    /// Samples in one fade.
    fn fade(&self) -> u64 {
        (FADE_S * self.rate as f64).ceil() as u64
    }

    /// How many samples `symbols` levels make.
    pub fn samples(&self, symbols: usize) -> u64 {
        if symbols == 0 {
            0
        } else {
            self.spoken(symbols) + 2 * self.fade()
        }
    }

    fn spoken(&self, symbols: usize) -> u64 {
        (symbols as u64 * self.rate).div_ceil(self.baud)
    }

    /// Appends one transmission. A true level is the mark tone.
    pub fn process(&self, levels: &[bool], out: &mut Vec<f32>) {
        let (Some(&first), Some(&last)) = (levels.first(), levels.last()) else {
            return;
        };
        let hz = |level: bool| if level { self.mark_hz } else { self.space_hz };
        let (fade, spoken) = (self.fade(), self.spoken(levels.len()));
        let ramp = |k: u64| 0.5 - 0.5 * (PI * (k as f64 + 0.5) / fade as f64).cos();
        let rate = self.rate as f64;
        // Phase in turns at the sample that is next.
        let mut phase = 0.0_f64;
        let mut put = |phase: f64, gain: f64| {
            out.push((self.amplitude * gain * (TAU * phase).sin()) as f32);
        };
        for k in 0..fade {
            put(phase, ramp(k));
            phase = (phase + hz(first) / rate).fract();
        }
        let at = |symbol: u64| hz(*levels.get(symbol as usize).unwrap_or(&last));
        for k in 0..spoken {
            put(phase, 1.0);
            // In units of 1/(rate * baud): this sample is at k*baud, symbols end at multiples
            // of the rate. There is at most one boundary before the next sample.
            let (from, to) = (k * self.baud, (k + 1) * self.baud);
            let (now, then) = (from / self.rate, to / self.rate);
            let turns = if now == then {
                at(now) * self.baud as f64
            } else {
                let before = then * self.rate - from;
                at(now) * before as f64 + at(then) * (self.baud - before) as f64
            };
            phase = (phase + turns / (rate * self.baud as f64)).fract();
        }
        for k in (0..fade).rev() {
            put(phase, ramp(k));
            phase = (phase + hz(last) / rate).fract();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn modulate(rate: u32, baud: u32, levels: &[bool]) -> Vec<f32> {
        let rate = SampleRate::new(rate).expect("not zero");
        let mut out = Vec::new();
        Cpfsk::new(rate, baud, 1200.0, 2200.0, 0.5).process(levels, &mut out);
        out
    }

    #[test]
    fn it_matches_the_phase_integral_at_any_ratio() {
        let levels: Vec<bool> = (0..100).map(|i| i * i % 3 == 1).collect();
        for rate in [8_000, 11_025, 44_100, 48_000] {
            let out = modulate(rate, 1200, &levels);
            let r = f64::from(rate);
            let fade = (FADE_S * r).ceil();
            let hz = |level: bool| if level { 1200.0 } else { 2200.0 };
            let lead = fade * hz(levels[0]) / r;
            for (k, &y) in out
                .iter()
                .enumerate()
                .skip(fade as usize)
                .take(out.len() - 2 * fade as usize)
            {
                let t = (k as f64 - fade) / r * 1200.0;
                let whole: f64 = levels[..t as usize].iter().map(|&l| hz(l) / 1200.0).sum();
                let part = hz(*levels.get(t as usize).unwrap_or(&levels[99])) * t.fract() / 1200.0;
                let right = 0.5 * (TAU * (lead + whole + part)).sin();
                assert!((f64::from(y) - right).abs() < 1e-6, "{rate} sample {k}");
            }
        }
    }

    #[test]
    fn it_begins_and_ends_without_a_click() {
        let out = modulate(48_000, 1200, &[true, false, true]);
        let step = out
            .windows(2)
            .map(|w| (w[1] - w[0]).abs())
            .fold(0.0, f32::max);
        // The steepest slope of a 2200 Hz sine of peak 0.5 at 48 kHz.
        assert!(step <= 0.5 * (TAU * 2200.0 / 48_000.0) as f32 * 1.001);
        assert!(out[0].abs() < 0.01 && out[out.len() - 1].abs() < 0.01);
        assert!(modulate(48_000, 1200, &[]).is_empty());
    }
}
