//! Which frequencies the sound holds, over time.

use super::shape::Pixels;

/// What is drawn: from one sample to another, from one frequency to another.
pub struct Span {
    /// First and last sample.
    pub samples: (f64, f64),
    /// Lowest and highest frequency, hertz.
    pub hz: (f64, f64),
}

/// From the strongest down, so many decibels are told apart at most, and at least.
const RANGE_DB: f32 = 40.0;
const LEAST_RANGE_DB: f32 = 12.0;
/// Samples that one look takes in at most: bounds the time at high sample rates.
const MOST_WINDOW: usize = 8192;
/// The share of all places that may be white.
const MIDDLE: f32 = 0.3;

/// The power at every time (across) and frequency (up), the strongest dark, noise light. `window` is how
/// many samples each look takes in, from 8 to [`MOST_WINDOW`]; their ends are faded (von Hann). Outside `samples` there is
/// silence.
pub fn waterfall(
    samples: &[f32],
    rate: f64,
    span: &Span,
    window: usize,
    (width, height): (u32, u32),
) -> Pixels {
    let window = window.clamp(8, MOST_WINDOW);
    let fade: Vec<f64> = (0..window)
        .map(|n| {
            (std::f64::consts::PI * (n as f64 + 0.5) / window as f64)
                .sin()
                .powi(2)
        })
        .collect();
    let mut power = vec![0.0_f32; width as usize * height as usize];
    let mut look = vec![0.0_f64; window];
    for x in 0..width as usize {
        let share = (x as f64 + 0.5) / f64::from(width);
        let middle = span.samples.0 + share * (span.samples.1 - span.samples.0);
        let first = middle.round() as i64 - window as i64 / 2;
        for (n, (value, fade)) in look.iter_mut().zip(&fade).enumerate() {
            let at = usize::try_from(first + n as i64).ok();
            let sample = at.and_then(|at| samples.get(at)).copied().unwrap_or(0.0);
            *value = if sample.is_finite() {
                f64::from(sample) * fade
            } else {
                0.0
            };
        }
        for y in 0..height as usize {
            let share = (height as usize - y) as f64 / f64::from(height);
            let hz = span.hz.0 + share * (span.hz.1 - span.hz.0);
            power[y * width as usize + x] = at_frequency(&look, hz / rate) as f32;
        }
    }
    let (least, most) = scale(&power);
    let rgb = power.iter().flat_map(|p| {
        let db = 10.0 * p.max(1e-20).log10();
        shade(((db - least) / (most - least)).clamp(0.0, 1.0))
    });
    Pixels {
        width,
        height,
        rgb: rgb.collect(),
    }
}

/// What is white and what is darkest, dB: half of all places are at or below the noise of a picture
/// that shows a signal with room around it, so the middle one is nearly white.
fn scale(power: &[f32]) -> (f32, f32) {
    let mut db: Vec<f32> = power.iter().map(|p| 10.0 * p.max(1e-20).log10()).collect();
    db.sort_by(f32::total_cmp);
    let at = |share: f32| {
        db.get((share * db.len() as f32) as usize)
            .copied()
            .unwrap_or(0.0)
    };
    let most = at(0.995);
    let least = at(MIDDLE).clamp(most - RANGE_DB, most - LEAST_RANGE_DB);
    (least, most)
}

/// The power of `look` at a frequency, cycles a sample. (Goertzel's recursion; textbooks.)
fn at_frequency(look: &[f64], cycles: f64) -> f64 {
    let twice = 2.0 * (std::f64::consts::TAU * cycles).cos();
    let (mut one, mut two) = (0.0, 0.0);
    for x in look {
        let now = x + twice * one - two;
        two = one;
        one = now;
    }
    one * one + two * two - twice * one * two
}

/// White for nothing, through blue to nearly black for 1.
fn shade(share: f32) -> [u8; 3] {
    let mix = |from: f32, to: f32, s: f32| (from + (to - from) * s).round() as u8;
    if share < 0.5 {
        let s = 2.0 * share;
        [
            mix(255.0, 120.0, s),
            mix(255.0, 170.0, s),
            mix(255.0, 225.0, s),
        ]
    } else {
        let s = 2.0 * share - 1.0;
        [
            mix(120.0, 10.0, s),
            mix(170.0, 10.0, s),
            mix(225.0, 70.0, s),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_is_dark_at_its_own_frequency() {
        let tone: Vec<f32> = (0..8000)
            .map(|n| (std::f32::consts::TAU * 1000.0 * n as f32 / 8000.0).sin())
            .collect();
        let span = Span {
            samples: (1000.0, 7000.0),
            hz: (0.0, 2000.0),
        };
        let image = waterfall(&tone, 8000.0, &span, 256, (4, 100));
        let red = |y: usize| image.rgb[3 * 4 * y];
        assert!(red(50) < 30, "1000 Hz is half way up: {}", red(50));
        assert!(red(10) > 200 && red(90) > 200, "nothing elsewhere");
    }
}
