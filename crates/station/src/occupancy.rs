//! How much of the last ten minutes a channel was occupied.

use std::collections::VecDeque;

use dunlin_clock::{Duration, Instant};

/// The span that the share speaks of.
pub(crate) const SPAN: Duration = Duration::from_secs(600);
/// Intervals kept; a flickering detector can not grow it without end.
const MOST: usize = 4096;

/// Intervals in which something lasted, and their share of the last ten minutes.
#[derive(Debug, Default)]
pub(crate) struct Occupancy {
    past: VecDeque<(Instant, Instant)>,
    began: Option<Instant>,
}

impl Occupancy {
    /// It begins or ends now. Saying the same twice changes nothing.
    pub(crate) fn set(&mut self, now: Instant, on: bool) {
        match (on, self.began) {
            (true, None) => self.began = Some(now),
            (false, Some(began)) => {
                self.began = None;
                self.past.push_back((began, now));
                let from = now - SPAN;
                let stale = |p: &VecDeque<_>| p.front().is_some_and(|(_, end)| *end <= from);
                while self.past.len() > MOST || stale(&self.past) {
                    self.past.pop_front();
                }
            }
            _ => {}
        }
    }

    /// Since when it lasts.
    pub(crate) fn since(&self) -> Option<Instant> {
        self.began
    }

    /// Share of the last ten minutes (or of the time since the start, if that is less), 0 to 1.
    pub(crate) fn share(&self, now: Instant) -> f32 {
        self.share_since(now, Instant::ZERO)
    }

    /// Share of the time since `from`, but of the last ten minutes at most, 0 to 1.
    pub(crate) fn share_since(&self, now: Instant, from: Instant) -> f32 {
        let whole = now.since(from.max(now - SPAN)).as_secs_f64();
        if whole <= 0.0 {
            return 0.0;
        }
        (self.lasted_since(now, from).as_secs_f64() / whole).min(1.0) as f32
    }

    /// How long it lasted since `from`, but within the last ten minutes at most.
    pub(crate) fn lasted_since(&self, now: Instant, from: Instant) -> Duration {
        let from = from.max(now - SPAN);
        let running = self.began.map(|b| (b, now));
        let all = self.past.iter().copied().chain(running);
        all.map(|(b, e)| e.since(b.max(from))).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_share_counts_the_last_ten_minutes_only() {
        let mut o = Occupancy::default();
        o.set(Instant::from_secs(100), true);
        o.set(Instant::from_secs(100), true);
        o.set(Instant::from_secs(160), false);
        assert!((o.share(Instant::from_secs(600)) - 0.1).abs() < 1e-6);
        assert!((o.share(Instant::from_secs(730)) - 0.05).abs() < 1e-6);
        assert_eq!(o.share(Instant::from_secs(800)), 0.0);
    }

    #[test]
    fn soon_after_the_start_the_share_is_of_the_time_that_has_passed() {
        let mut o = Occupancy::default();
        o.set(Instant::from_secs(5), true);
        assert!((o.share(Instant::from_secs(10)) - 0.5).abs() < 1e-6);
    }
}
