//! Linear-phase low-pass filters: windowed sinc with Kaiser's window.
//!
//! Source: J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window
//! function", Proc. IEEE ISCAS 1974; formulas as in Oppenheim and Schafer, Discrete-Time
//! Signal Processing, section 7.5 (from memory).

use std::f64::consts::PI;

/// The impulse response of an ideal low-pass cut off by a Kaiser window, as a function of
/// continuous time, so that it can be sampled at any phase.
#[derive(Clone, Copy, Debug)]
pub struct Lowpass {
    /// Where the response is down 6 dB, hertz.
    pub cutoff_hz: f64,
    /// The response is zero beyond this time on either side, seconds.
    pub half_span_s: f64,
    /// Kaiser's window shape: 0 is a rectangle; 6 gives about 63 dB in the stop band.
    pub beta: f64,
}

impl Lowpass {
    /// The response `t` seconds from its centre. Its integral over time is near 1.
    pub fn at(&self, t: f64) -> f64 {
        let u = t / self.half_span_s;
        if u.abs() >= 1.0 {
            return 0.0;
        }
        let window = bessel_i0(self.beta * (1.0 - u * u).sqrt()) / bessel_i0(self.beta);
        2.0 * self.cutoff_hz * sinc(2.0 * self.cutoff_hz * t) * window
    }
}

/// sin(pi x) / (pi x).
pub fn sinc(x: f64) -> f64 {
    if x.abs() < 1e-9 {
        1.0
    } else {
        (PI * x).sin() / (PI * x)
    }
}

/// The modified Bessel function of the first kind, order zero, by its power series.
pub fn bessel_i0(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..64 {
        term *= (x / (2.0 * f64::from(k))).powi(2);
        sum += term;
        if term < 1e-12 * sum {
            break;
        }
    }
    sum
}

/// The dot product, in eight independent sums so that the compiler can use vector
/// instructions; a length that eight divides is fastest.
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0_f32; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f32 = a8
        .remainder()
        .iter()
        .zip(b8.remainder())
        .map(|(x, y)| x * y)
        .sum();
    for (x, y) in a8.zip(b8) {
        for i in 0..8 {
            sums[i] += x[i] * y[i];
        }
    }
    sums.iter().sum::<f32>() + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bessel_matches_tabled_values() {
        // Abramowitz and Stegun, Table 9.8 (from memory): I0(1), I0(5).
        assert!((bessel_i0(1.0) - 1.266_065_878).abs() < 1e-8);
        assert!((bessel_i0(5.0) - 27.239_871_82).abs() < 1e-6);
    }

    #[test]
    fn the_filter_passes_stops_and_halves_where_it_should() {
        let filter = Lowpass {
            cutoff_hz: 1000.0,
            half_span_s: 0.003,
            beta: 6.0,
        };
        let rate = 48_000.0;
        let gain = |hz: f64| {
            (-200..=200)
                .map(|k| f64::from(k) / rate)
                .map(|t| filter.at(t) / rate * (2.0 * PI * hz * t).cos())
                .sum::<f64>()
        };
        assert!((gain(0.0) - 1.0).abs() < 0.003, "{}", gain(0.0));
        assert!((gain(1000.0) - 0.5).abs() < 0.01, "{}", gain(1000.0));
        assert!(gain(2000.0).abs() < 0.001, "{}", gain(2000.0));
    }

    #[test]
    fn dot_handles_any_length() {
        let a: Vec<f32> = (0..19).map(|i| i as f32).collect();
        assert_eq!(dot(&a, &a), (0..19).map(|i| (i * i) as f32).sum::<f32>());
    }
}
