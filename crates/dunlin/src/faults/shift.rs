//! A life of the station has a time line of its own, from zero; lines and keyers outlive it
//! and have the time of the run.

use dunlin_clock::{Duration, Instant};
use dunlin_rig::keyer::words::Report;
use dunlin_rig::keyer::{Mate, Nursery};

/// Keyers whose time line began `by` before the station's.
pub(super) struct Shifted<T> {
    pub(super) inner: T,
    pub(super) by: Duration,
}

impl<N: Nursery> Nursery for Shifted<N> {
    type Mate = Shifted<N::Mate>;

    fn start(&mut self, now: Instant) -> Result<Self::Mate, String> {
        let inner = self.inner.start(now + self.by)?;
        let by = self.by;
        Ok(Shifted { inner, by })
    }
}

impl<M: Mate> Mate for Shifted<M> {
    fn beat(&mut self, now: Instant, seq: u64, down: Option<Duration>) {
        self.inner.beat(now + self.by, seq, down);
    }

    fn report(&mut self, now: Instant) -> Option<(Report, Duration)> {
        self.inner.report(now + self.by)
    }

    fn ended(&mut self) -> Option<String> {
        self.inner.ended()
    }

    fn kill(&mut self) {
        self.inner.kill();
    }
}
