//! Linear-phase low-pass filters: windowed sinc with Kaiser's window.
//!
//! Source: J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window
//! function", Proc. IEEE ISCAS 1974; formulas as in Oppenheim and Schafer, Discrete-Time
//! Signal Processing, section 7.5 (from memory).

use std::f64::consts::PI;

use num_complex::Complex32;
use wide::f32x8;

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

/// How many products are added up side by side. Left to itself the compiler does not find the
/// vector instructions for the complex sums.
pub(crate) const LANES: usize = 8;

/// The lanes of each eight samples; what is left over is not looked at.
fn lanes(row: &[f32]) -> impl Iterator<Item = f32x8> {
    row.as_chunks::<LANES>().0.iter().map(|&x| f32x8::new(x))
}

/// The dot product.
pub fn dot(a: &[f32], b: &[f32]) -> f32 {
    let len = a.len().min(b.len());
    let whole = len - len % LANES;
    let rest = a[whole..len].iter().zip(&b[whole..len]);
    let rest: f32 = rest.map(|(x, y)| x * y).sum();
    let mut sum = f32x8::ZERO;
    for (x, y) in lanes(a).zip(lanes(b)) {
        sum += x * y;
    }
    sum.reduce_add() + rest
}

/// The dot products of real samples with complex taps, whose parts lie apart. Of all lengths
/// the shortest counts, as far as [`LANES`] divides it.
pub fn dot_real(samples: &[f32], re: &[f32], im: &[f32]) -> Complex32 {
    let (mut real, mut imaginary) = (f32x8::ZERO, f32x8::ZERO);
    for ((x, re), im) in lanes(samples).zip(lanes(re)).zip(lanes(im)) {
        real += x * re;
        imaginary += x * im;
    }
    Complex32::new(real.reduce_add(), imaginary.reduce_add())
}

/// The dot product of complex samples and complex taps, the parts of both apart. Of all
/// lengths the shortest counts, as far as [`LANES`] divides it.
pub fn dot_complex([re, im]: [&[f32]; 2], [taps_re, taps_im]: [&[f32]; 2]) -> Complex32 {
    let (mut real, mut imaginary) = (f32x8::ZERO, f32x8::ZERO);
    let samples = lanes(re).zip(lanes(im));
    let taps = lanes(taps_re).zip(lanes(taps_im));
    for ((x, y), (a, b)) in samples.zip(taps) {
        real += x * a - y * b;
        imaginary += x * b + y * a;
    }
    Complex32::new(real.reduce_add(), imaginary.reduce_add())
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

    #[test]
    fn the_complex_products_are_those_of_their_parts() {
        let row = |seed: f32| -> Vec<f32> { (0..32).map(|i| (i as f32 * seed).sin()).collect() };
        let [x, y, a, b] = [0.3, 0.7, 1.1, 1.9].map(row);
        let near = |z: Complex32, re: f32, im: f32| {
            assert!((z - Complex32::new(re, im)).norm() < 1e-5, "{z}");
        };
        near(dot_real(&x, &a, &b), dot(&x, &a), dot(&x, &b));
        near(
            dot_complex([&x, &y], [&a, &b]),
            dot(&x, &a) - dot(&y, &b),
            dot(&x, &b) + dot(&y, &a),
        );
    }
}
