//! Splits values into those above and those below their mean: the two levels of a line.
//!
//! Common practice, no source.

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

/// Eight sums side by side, so that the compiler can use vector instructions.
const LANES: usize = 8;

fn sum(values: &[f32]) -> f32 {
    let mut sums = [0.0; LANES];
    let chunks = values.chunks_exact(LANES);
    let rest: f32 = chunks.remainder().iter().sum();
    for chunk in chunks {
        for i in 0..LANES {
            sums[i] += chunk[i];
        }
    }
    sums.iter().sum::<f32>() + rest
}

/// How far the values above `mean` lie above it in sum, and how many they are.
fn split(values: &[f32], mean: f32) -> (f32, f32) {
    let (mut above, mut highs) = ([0.0; LANES], [0.0; LANES]);
    let mut add = |i: usize, v: f32| {
        let d = v - mean;
        above[i] += if d > 0.0 { d } else { 0.0 };
        highs[i] += if d > 0.0 { 1.0 } else { 0.0 };
    };
    let chunks = values.chunks_exact(LANES);
    chunks
        .remainder()
        .iter()
        .enumerate()
        .for_each(|(i, &v)| add(i, v));
    for chunk in chunks {
        for (i, &v) in chunk.iter().enumerate() {
            add(i, v);
        }
    }
    let total = |lanes: [f32; LANES]| lanes.iter().sum::<f32>();
    (total(above), total(highs))
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
