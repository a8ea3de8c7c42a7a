//! Continuous-phase frequency shift keying, exact for any ratio of rates.
//!
//! Symbol boundaries are kept in whole numbers, so they never drift, and a boundary between
//! two samples splits the phase step there. The sound fades in and out over a few
//! milliseconds of the first and last tone, outside the symbols, so that nothing clicks. Tones
//! of unlike levels ([`crate::emphasis`]) glide into each other around the boundary; the phase
//! knows nothing of it.
//!
//! Literature: J. B. Anderson, T. Aulin, C.-E. Sundberg, Digital Phase Modulation (1986).

use std::f64::consts::{PI, TAU};

use dunlin_clock::SampleRate;

/// Each fade lasts at least so many milliseconds.
const FADE_MS: u64 = 2;
/// And at least so many fifths of a symbol: a faster one of a slow line spreads power beyond the
/// channel (75 Bd, 2 ms: 3 dB more outside three times the occupied bandwidth in a transmission of
/// 40 symbols; `tests/edges.rs`).
const FADE_FIFTHS: u64 = 3;
/// A change of level between two tones takes this share of a symbol, half of it on either side
/// of the boundary. A sudden one spreads power far beyond the channel: at 1200 Bd, tones of 1200
/// and 2200 Hz and 6 dB per octave, -25.5 dB of it lie outside three times the occupied
/// bandwidth, with this -37.9 dB, as much as with tones of one level (`conformance/spectrum.py`).
/// A longer one would no longer let a single symbol reach its level.
const GLIDE: f64 = 0.5;

/// One of the two tones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tone {
    /// Its frequency, hertz.
    pub hz: f64,
    /// The peak of its sine, 1 being full scale.
    pub peak: f64,
}

/// Levels to two tones.
#[derive(Clone, Copy, Debug)]
pub struct Cpfsk {
    rate: u64,
    baud: u64,
    mark: Tone,
    space: Tone,
}

impl Cpfsk {
    /// A shaper that makes samples at `rate`.
    pub fn new(rate: SampleRate, baud: u32, mark: Tone, space: Tone) -> Self {
        Cpfsk {
            rate: u64::from(rate.hz()),
            baud: u64::from(baud),
            mark,
            space,
        }
    }

    /// Samples in one fade.
    fn fade(&self) -> u64 {
        let symbols = (FADE_FIFTHS * self.rate).div_ceil(5 * self.baud);
        symbols.max((FADE_MS * self.rate).div_ceil(1000))
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

    fn tone(&self, level: bool) -> Tone {
        if level { self.mark } else { self.space }
    }

    /// The peak of the sound at `from`, in units of a symbol divided by the sample rate, given
    /// the tone of each symbol.
    fn peak(&self, from: u64, at: impl Fn(u64) -> Tone) -> f64 {
        let symbol = from / self.rate;
        let own = at(symbol).peak;
        // How far into its symbol it is, 0 to 1.
        let part = (from % self.rate) as f64 / self.rate as f64;
        let (other, distance) = match part < 0.5 {
            true => (at(symbol.saturating_sub(1)).peak, part),
            false => (at(symbol + 1).peak, 1.0 - part),
        };
        // Halfway on the boundary; all of its own at the end of the glide.
        let share = 0.5 + 0.5 * (PI * (distance / GLIDE).min(0.5)).sin();
        other + (own - other) * share
    }

    /// Appends one transmission. A true level is the mark tone.
    pub fn process(&self, levels: &[bool], out: &mut Vec<f32>) {
        let (Some(&first), Some(&last)) = (levels.first(), levels.last()) else {
            return;
        };
        let (first, last) = (self.tone(first), self.tone(last));
        let (fade, spoken) = (self.fade(), self.spoken(levels.len()));
        let ramp = |k: u64| 0.5 - 0.5 * (PI * (k as f64 + 0.5) / fade as f64).cos();
        let rate = self.rate as f64;
        // Phase in turns at the sample that is next.
        let mut phase = 0.0_f64;
        let mut put = |phase: f64, peak: f64| out.push((peak * (TAU * phase).sin()) as f32);
        for k in 0..fade {
            put(phase, first.peak * ramp(k));
            phase = (phase + first.hz / rate).fract();
        }
        let at = |symbol: u64| levels.get(symbol as usize).map_or(last, |&l| self.tone(l));
        let level_tones = self.mark.peak == self.space.peak;
        for k in 0..spoken {
            // In units of 1/(rate * baud): this sample is at k*baud, symbols end at multiples
            // of the rate. There is at most one boundary before the next sample.
            let (from, to) = (k * self.baud, (k + 1) * self.baud);
            let peak = match level_tones {
                true => first.peak,
                false => self.peak(from, at),
            };
            put(phase, peak);
            let (now, then) = (from / self.rate, to / self.rate);
            let turns = if now == then {
                at(now).hz * self.baud as f64
            } else {
                let before = then * self.rate - from;
                at(now).hz * before as f64 + at(then).hz * (self.baud - before) as f64
            };
            phase = (phase + turns / (rate * self.baud as f64)).fract();
        }
        for k in (0..fade).rev() {
            put(phase, last.peak * ramp(k));
            phase = (phase + last.hz / rate).fract();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn modulate(rate: u32, baud: u32, levels: &[bool]) -> Vec<f32> {
        let rate = SampleRate::new(rate).expect("not zero");
        let mut out = Vec::new();
        let tone = |hz| Tone { hz, peak: 0.5 };
        Cpfsk::new(rate, baud, tone(1200.0), tone(2200.0)).process(levels, &mut out);
        out
    }

    #[test]
    fn it_matches_the_phase_integral_at_any_ratio() {
        let levels: Vec<bool> = (0..100).map(|i| i * i % 3 == 1).collect();
        for rate in [8_000, 11_025, 44_100, 48_000] {
            let out = modulate(rate, 1200, &levels);
            let r = f64::from(rate);
            let fade = (0.002 * r).ceil();
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
