//! Splits values into those above and those below their mean: the two levels of a line.
//!
//! Common practice, no source.

use wide::f32x8;

use crate::fir::LANES;

/// What two-level values have in common.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Levels {
    /// Mean of those above the overall mean.
    pub high: f32,
    /// Mean of the others.
    pub low: f32,
}

impl Levels {
    /// Of at least one value.
    pub fn of(values: &[f32]) -> Levels {
        let n = values.len() as f32;
        let mean = sum(values) / n;
        let (above, highs) = split(values, mean);
        let lows = n - highs;
        // What lies below the mean is as much as what lies above it.
        Levels {
            high: mean + above / highs.max(1.0),
            low: mean - above / lows.max(1.0),
        }
    }
}

/// Eight sums side by side in a vector.
fn sum(values: &[f32]) -> f32 {
    let (chunks, rest) = values.as_chunks::<LANES>();
    let sums: f32x8 = chunks.iter().map(|&x| f32x8::new(x)).sum();
    sums.reduce_add() + rest.iter().sum::<f32>()
}

/// How far the values above `mean` lie above it in sum, and how many they are.
fn split(values: &[f32], mean: f32) -> (f32, f32) {
    let (chunks, rest) = values.as_chunks::<LANES>();
    let (mut above, mut highs) = (f32x8::ZERO, f32x8::ZERO);
    for &chunk in chunks {
        let d = f32x8::new(chunk) - f32x8::splat(mean);
        let high = d.simd_gt(f32x8::ZERO);
        above += high.select(d, f32x8::ZERO);
        highs += high.select(f32x8::ONE, f32x8::ZERO);
    }
    let rest = rest.iter().map(|v| v - mean).filter(|d| *d > 0.0);
    (
        above.reduce_add() + rest.clone().sum::<f32>(),
        highs.reduce_add() + rest.count() as f32,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_levels_are_found_whatever_their_shares() {
        let values: Vec<f32> = (0..21)
            .map(|i| if i % 5 == 0 { 1.3 } else { -0.7 })
            .collect();
        let levels = Levels::of(&values);
        assert!((levels.high - 1.3).abs() < 1e-5 && (levels.low + 0.7).abs() < 1e-5);
        assert_eq!(
            Levels::of(&[0.5; 12]),
            Levels {
                high: 0.5,
                low: 0.5
            }
        );
    }
}
