//! Seeded random streams. Every consumer draws from its own named stream, so that adding
//! a draw in one place never shifts the draws of another: "seed 42" stays a bug report.

use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// One stream of random numbers, fixed by a seed and a name.
#[derive(Clone, Debug)]
pub struct Chance(Xoshiro256PlusPlus);

impl Chance {
    /// The stream called `name` under `seed`.
    pub fn stream(seed: u64, name: &str) -> Self {
        // FNV-1a (Fowler, Noll, Vo), only to give unlike names unlike seeds.
        let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| {
            (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3)
        });
        Chance(Xoshiro256PlusPlus::seed_from_u64(seed ^ hash))
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// A random octet, 0 to 255.
    pub fn octet(&mut self) -> u8 {
        (self.bits() >> 56) as u8
    }

    /// Uniform in 0 (inclusive) to 1 (exclusive).
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform between `low` (inclusive) and `high` (exclusive).
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number from 0 to `n - 1`; 0 if `n` is 0.
    pub fn below(&mut self, n: u64) -> u64 {
        // The multiply-shift map; its bias for our small `n` is under 2^-32.
        ((u128::from(self.bits()) * u128::from(n)) >> 64) as u64
    }

    /// A draw from the normal distribution with mean 0 and variance 1.
    pub fn normal(&mut self) -> f32 {
        StandardNormal.sample(&mut self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn same_seed_and_name_give_the_same_stream_and_others_do_not() {
        let draw = |seed, name| Chance::stream(seed, name).bits();
        assert_eq!(draw(42, "noise"), draw(42, "noise"));
        assert_ne!(draw(42, "noise"), draw(42, "slots"));
        assert_ne!(draw(42, "noise"), draw(43, "noise"));
    }

    #[test]
    fn draws_stay_in_range_and_have_the_right_moments() {
        let mut c = Chance::stream(1, "test");
        let n = 100_000;
        let (mut sum, mut square) = (0.0_f64, 0.0_f64);
        for _ in 0..n {
            assert!((0.0..1.0).contains(&c.unit()));
            assert!(c.below(7) < 7);
            let x = f64::from(c.normal());
            sum += x;
            square += x * x;
        }
        // Five standard errors of mean and variance for n draws.
        assert!((sum / f64::from(n)).abs() < 0.016);
        assert!((square / f64::from(n) - 1.0).abs() < 0.023);
        assert_eq!(c.below(0), 0);
    }
}
