//! How much may come in a time: an amount that refills steadily up to a most.

use std::time::{Duration, Instant};

/// An allowance of so many things per second, of which some may come at once.
#[derive(Clone, Debug)]
pub(crate) struct Allowance {
    per_second: f64,
    most: f64,
    left: f64,
    at: Instant,
}

impl Allowance {
    /// A full allowance.
    pub(crate) fn new(per_second: f64, most: f64, now: Instant) -> Self {
        Allowance {
            per_second,
            most,
            left: most,
            at: now,
        }
    }

    /// Takes `amount` away if there is so much left.
    pub(crate) fn take(&mut self, amount: f64, now: Instant) -> bool {
        self.refill(now);
        let enough = self.left >= amount;
        if enough {
            self.left -= amount;
        }
        enough
    }

    /// Takes `amount` away, into debt if need be, and says how long to wait until there is
    /// something left again.
    pub(crate) fn owe(&mut self, amount: f64, now: Instant) -> Option<Duration> {
        self.refill(now);
        self.left -= amount;
        (self.left < 0.0).then(|| Duration::from_secs_f64(-self.left / self.per_second))
    }

    fn refill(&mut self, now: Instant) {
        let time = now.saturating_duration_since(self.at).as_secs_f64();
        self.left = (self.left + time * self.per_second).min(self.most);
        self.at = now;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_empties_and_refills() {
        let start = Instant::now();
        let after = |ms| start + Duration::from_millis(ms);
        let mut allowance = Allowance::new(10.0, 3.0, start);
        let taken: Vec<bool> = (0..4).map(|_| allowance.take(1.0, start)).collect();
        assert_eq!(taken, [true, true, true, false]);
        assert!(!allowance.take(1.0, after(50)));
        assert!(allowance.take(1.0, after(110)));
        assert!(!allowance.take(1.0, after(110)));
        // However long nothing comes, no more than the most is saved up.
        assert!(!allowance.take(3.5, after(60_000)));
        assert_eq!(allowance.owe(3.0, after(60_000)), None);
        let wait = allowance.owe(5.0, after(60_000)).expect("in debt");
        assert!((wait.as_secs_f64() - 0.5).abs() < 1e-6, "{wait:?}");
    }
}
