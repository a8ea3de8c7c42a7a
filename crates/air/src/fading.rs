//! Ionospheric fading: two Rayleigh components with Gaussian Doppler spectrum.
//!
//! Rec. ITU-R F.1487 (05/2000): y(t) = x(t) g1(t) + x(t - delay) g2(t) on the analytic signal;
//! g1 and g2 are independent complex Gaussian processes of mean power 1/2 whose power spectrum
//! has the standard deviation sigma = spread / 2. Their autocorrelation is then
//! exp(-2 (pi sigma t)^2), relative to t = 0. The model is that of C. C. Watterson et al.,
//! "Experimental confirmation of an HF channel model", IEEE Trans. Commun. Technol. COM-18
//! (1970), pp. 792-803 (from memory).
//!
//! Each process is made at 16 times the spread by filtering white noise and then interpolated
//! with a cubic through four points (error about 1e-4 of its amplitude).

use dunlin_clock::Chance;

/// Made points per spread and second.
const POINTS_PER_SPREAD: f64 = 16.0;
/// The shaping filter reaches so many points to each side; there it has fallen to 2e-7.
const REACH: usize = 20;
const SHAPE: usize = 2 * REACH + 1;

/// One complex Gaussian process of mean power 1/2.
#[derive(Clone, Debug)]
struct Process {
    chance: Chance,
    white: [[f64; 2]; SHAPE],
    shape: [f64; SHAPE],
    /// The four points around the present, oldest first.
    points: [[f64; 2]; 4],
    /// Coefficients of the cubic between `points[1]` and `points[2]`, constant term first.
    cubic: [[f32; 2]; 4],
}

impl Process {
    fn new(chance: Chance) -> Self {
        // Response exp(-f^2 / 4 sigma^2) is exp(-(2 pi sigma t)^2) in time; with sigma half the
        // spread and 16 points per spread a point is 2 pi / 32 of the unit of that exponent.
        let unit = std::f64::consts::PI / POINTS_PER_SPREAD;
        let mut shape = std::array::from_fn(|k| {
            let t = unit * (k as f64 - REACH as f64);
            (-t * t).exp()
        });
        let power: f64 = shape.iter().map(|h| h * h).sum();
        // White noise of power 2 (two normals), wanted 1/2.
        shape.iter_mut().for_each(|h| *h /= (4.0 * power).sqrt());
        let mut p = Process {
            chance,
            white: [[0.0; 2]; SHAPE],
            shape,
            points: [[0.0; 2]; 4],
            cubic: [[0.0; 2]; 4],
        };
        for _ in 0..SHAPE + 4 {
            p.next();
        }
        p
    }

    /// Makes the next point.
    fn next(&mut self) {
        self.white.rotate_left(1);
        self.white[SHAPE - 1] = [
            f64::from(self.chance.normal()),
            f64::from(self.chance.normal()),
        ];
        let mut sum = [0.0; 2];
        for (h, w) in self.shape.iter().zip(&self.white) {
            sum[0] += h * w[0];
            sum[1] += h * w[1];
        }
        self.points.rotate_left(1);
        self.points[3] = sum;
        for part in 0..2 {
            // Lagrange's cubic through the points at -1, 0, 1, 2.
            let [a, b, c, d] = [0, 1, 2, 3].map(|i| self.points[i][part]);
            let coefficients = [
                b,
                c - b / 2.0 - a / 3.0 - d / 6.0,
                (a + c) / 2.0 - b,
                (d - a) / 6.0 + (b - c) / 2.0,
            ];
            for (have, want) in self.cubic.iter_mut().zip(coefficients) {
                have[part] = want as f32;
            }
        }
    }

    /// The process at `t` (0 to 1) between the middle points.
    fn at(&self, t: f32) -> (f32, f32) {
        let [c0, c1, c2, c3] = self.cubic;
        let value = |p: usize| c0[p] + t * (c1[p] + t * (c2[p] + t * c3[p]));
        (value(0), value(1))
    }
}

/// A fading path with two components.
#[derive(Clone, Debug)]
pub(crate) struct Watterson {
    early: Process,
    late: Process,
    /// Delay of the second component, samples.
    delay: usize,
    /// Points per sample.
    pace: f64,
    /// Points made since the start.
    made: u64,
}

impl Watterson {
    /// A path with `delay` samples between its components and a frequency spread of `spread_hz`
    /// at `rate` samples per second. Both processes come from streams beginning with `name`.
    pub fn new(seed: u64, name: &str, delay: usize, spread_hz: f64, rate: f64) -> Self {
        Watterson {
            early: Process::new(Chance::stream(seed, &format!("{name}/early"))),
            late: Process::new(Chance::stream(seed, &format!("{name}/late"))),
            delay,
            pace: spread_hz * POINTS_PER_SPREAD / rate,
            made: 0,
        }
    }

    /// Makes all points up to sample number `at` and returns the place between two points.
    fn advance(&mut self, at: u64) -> f32 {
        let place = at as f64 * self.pace;
        while self.made < place as u64 {
            self.early.next();
            self.late.next();
            self.made += 1;
        }
        (place - self.made as f64) as f32
    }

    /// Goes on to sample number `at` without a signal.
    pub fn skip(&mut self, at: u64) {
        self.advance(at);
    }

    /// The complex gains of both components at sample number `at`; `at` never goes back.
    pub fn gains(&mut self, at: u64) -> ((f32, f32), (f32, f32)) {
        let t = self.advance(at);
        (self.early.at(t), self.late.at(t))
    }

    /// Delay of the second component, samples.
    pub fn delay(&self) -> usize {
        self.delay
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Autocorrelation and power over many independent paths, 10 looks a second.
    fn statistics(spread: f64, lag: usize) -> (f64, f64, f64) {
        let (mut power, mut both, mut across, mut n) = (0.0, 0.0, 0.0, 0.0);
        for seed in 0..40 {
            let mut path = Watterson::new(seed, "test", 0, spread, 100.0);
            let looks: Vec<_> = (0..2000).map(|i| path.gains(i * 10)).collect();
            for (i, (e, l)) in looks.iter().enumerate() {
                power += f64::from(e.0 * e.0 + e.1 * e.1);
                across += f64::from(e.0 * l.0 + e.1 * l.1);
                if let Some((later, _)) = looks.get(i + lag) {
                    both += f64::from(e.0 * later.0 + e.1 * later.1);
                }
                n += 1.0;
            }
        }
        (power / n, both / power, across / power)
    }

    /// Rec. ITU-R F.1487: autocorrelation exp(-2 (pi sigma t)^2), sigma = spread / 2, which is
    /// 0.2912 at 0.5 s for 1 Hz; mean power 1/2 each; independent components. 40 x 200 s are
    /// about 10000 independent fades, so the standard error is about 0.01.
    #[test]
    fn doppler_autocorrelation_power_and_independence() {
        let (power, rho, across) = statistics(1.0, 5);
        assert!((power - 0.5).abs() < 0.02, "power {power}");
        assert!((rho - 0.2912).abs() < 0.03, "rho {rho}");
        assert!(across.abs() < 0.03, "across {across}");
        let (_, rho, _) = statistics(0.5, 5);
        let want = (-2.0 * (std::f64::consts::PI * 0.25 * 0.5_f64).powi(2)).exp();
        assert!((rho - want).abs() < 0.03, "rho {rho}, want {want}");
    }

    /// Rayleigh distribution: the power of a complex Gaussian is exponential, so 1 - 1/e =
    /// 0.632 of the time it is below its mean (definition).
    #[test]
    fn the_amplitude_is_rayleigh() {
        let mut below = 0;
        for seed in 0..40 {
            let mut path = Watterson::new(seed, "rayleigh", 0, 1.0, 100.0);
            for i in 0..1000 {
                let (e, _) = path.gains(i * 20);
                below += u32::from(e.0 * e.0 + e.1 * e.1 < 0.5);
            }
        }
        let share = f64::from(below) / 40_000.0;
        assert!((share - 0.632).abs() < 0.02, "{share}");
    }

    /// The cubic must join the points smoothly: no jump between neighbouring samples larger
    /// than the process itself can make.
    #[test]
    fn interpolation_has_no_steps() {
        let mut path = Watterson::new(3, "smooth", 0, 1.0, 12_000.0);
        let mut last = path.gains(0).0;
        for i in 1..60_000 {
            let now = path.gains(i).0;
            assert!((now.0 - last.0).abs() < 2e-3, "{i}: {last:?} {now:?}");
            last = now;
        }
    }
}
