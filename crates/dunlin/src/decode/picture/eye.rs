//! The eye: the wave of all symbols laid over each other.

use super::shape::Pixels;

/// The wave between the two readings of a symbol: 1 and -1 are the two, 0 is undecided.
pub struct Wave {
    /// Sums up to each sample of the sound turned down by mark and by space; or of the sound.
    sums: Vec<[f64; 4]>,
    tones: bool,
    /// Samples that one value takes in.
    window: f64,
    middle: f64,
    scale: f64,
}

impl Wave {
    /// For two tones, in hertz: how much more of the lower there is than of the higher within a
    /// symbol of `symbol` samples.
    pub fn of_tones(samples: &[f32], rate: f64, tones: (f64, f64), symbol: f64) -> Self {
        let turn =
            |hz: f64, n: usize| (std::f64::consts::TAU * (hz / rate * n as f64).fract()).sin_cos();
        let mut sum = [0.0; 4];
        let mut sums = vec![sum];
        for (n, sample) in samples.iter().enumerate() {
            let x = if sample.is_finite() {
                f64::from(*sample)
            } else {
                0.0
            };
            let ((ms, mc), (ss, sc)) = (turn(tones.0, n), turn(tones.1, n));
            for (sum, turned) in sum.iter_mut().zip([mc, ms, sc, ss]) {
                *sum += x * turned;
            }
            sums.push(sum);
        }
        Wave::new(sums, true, symbol)
    }

    /// For direct shift: the sound itself, smoothed over half a symbol.
    pub fn of_levels(samples: &[f32], symbol: f64) -> Self {
        let mut sum = [0.0; 4];
        let mut sums = vec![sum];
        for sample in samples {
            sum[0] += if sample.is_finite() {
                f64::from(*sample)
            } else {
                0.0
            };
            sums.push(sum);
        }
        Wave::new(sums, false, symbol / 2.0)
    }

    fn new(sums: Vec<[f64; 4]>, tones: bool, window: f64) -> Self {
        Wave {
            sums,
            tones,
            window: window.max(1.0),
            middle: 0.0,
            scale: 1.0,
        }
    }

    /// The value around a sample.
    fn at(&self, place: f64) -> f64 {
        let sum = |place: f64| {
            let place = place.clamp(0.0, (self.sums.len() - 1) as f64);
            let (n, share) = (place.floor() as usize, place.fract());
            let (a, b) = (self.sums[n], self.sums[(n + 1).min(self.sums.len() - 1)]);
            [0, 1, 2, 3].map(|i| a[i] + (b[i] - a[i]) * share)
        };
        let (from, to) = (
            sum(place - self.window / 2.0),
            sum(place + self.window / 2.0),
        );
        let [a, b, c, d] = [0, 1, 2, 3].map(|i| to[i] - from[i]);
        let value = if self.tones {
            a.hypot(b) - c.hypot(d)
        } else {
            a
        };
        (value - self.middle) / self.scale
    }

    /// Makes the values in the middle of these symbols 1 and -1 on average.
    pub fn adjust(&mut self, symbols: &[f64]) {
        let values: Vec<f64> = symbols.iter().map(|&at| self.at(at)).collect();
        let n = values.len().max(1) as f64;
        self.middle = values.iter().sum::<f64>() / n;
        let spread = values.iter().map(|v| (v - self.middle).abs()).sum::<f64>() / n;
        self.scale = spread.max(1e-12);
    }

    /// All symbols over each other, from one symbol before their middles to one after; the more
    /// of them pass a place, the darker it is.
    pub fn eye(&self, symbols: &[f64], symbol: f64, (width, height): (u32, u32)) -> Pixels {
        let (w, h) = (width as usize, height as usize);
        let mut hits = vec![0_u32; w * h];
        for middle in symbols {
            let mut last: Option<usize> = None;
            for x in 0..w {
                let place = middle + symbol * (2.0 * (x as f64 + 0.5) / w as f64 - 1.0);
                let value = self.at(place).clamp(-LIMIT, LIMIT);
                let y = ((1.0 - value / LIMIT) / 2.0 * (h - 1) as f64).round() as usize;
                let (from, to) = match last {
                    Some(l) if l < y => (l + 1, y),
                    Some(l) if l > y => (y, l - 1),
                    _ => (y, y),
                };
                for y in from..=to {
                    hits[y * w + x] += 1;
                }
                last = Some(y);
            }
        }
        let most = f64::from(hits.iter().copied().max().unwrap_or(1).max(1));
        let rgb = hits.iter().flat_map(|&n| {
            // By the root, so that single symbols are seen beside many.
            let share = (f64::from(n) / most).sqrt();
            let mix = |to: f64| (255.0 + (to - 255.0) * share).round() as u8;
            [mix(20.0), mix(30.0), mix(110.0)]
        });
        Pixels {
            width,
            height,
            rgb: rgb.collect(),
        }
    }
}

/// The eye reaches up and down to this.
pub const LIMIT: f64 = 2.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steady_tones_are_one_and_minus_one() {
        // Ten symbols of 1200 Hz, then ten of 2200 Hz, at 1200 Bd and 48 kHz.
        let mut phase = 0.0_f64;
        let samples: Vec<f32> = (0..800)
            .map(|n| {
                phase += if n < 400 { 1200.0 } else { 2200.0 } / 48_000.0;
                (std::f64::consts::TAU * phase).sin() as f32
            })
            .collect();
        let mut wave = Wave::of_tones(&samples, 48_000.0, (1200.0, 2200.0), 40.0);
        let symbols: Vec<f64> = (1..19).map(|n| 20.0 + 40.0 * f64::from(n)).collect();
        wave.adjust(&symbols);
        assert!((wave.at(220.0) - 1.0).abs() < 0.3, "{}", wave.at(220.0));
        assert!((wave.at(620.0) + 1.0).abs() < 0.3, "{}", wave.at(620.0));
        let eye = wave.eye(&symbols, 40.0, (20, 21));
        let middle = eye.rgb[3 * (10 * 20 + 10)];
        assert_eq!(middle, 255, "nothing passes the middle of an open eye");
    }
}
