//! Word to the service manager that started the program, if one did (sd_notify(3)): that it
//! is ready, and that it still turns. A driver that hangs is then ended and started again.

use dunlin_clock::{Duration, Instant};
use sd_notify::NotifyState;

/// Tells the service manager; does nothing where there is none.
#[derive(Debug)]
pub(super) struct Watchdog {
    every: Option<Duration>,
    next: Instant,
}

impl Watchdog {
    /// Reads from the environment whether somebody watches.
    pub(super) fn new() -> Self {
        // Half of the limit, as sd_watchdog_enabled(3) advises.
        let mut limit_us = 0;
        let every = sd_notify::watchdog_enabled(false, &mut limit_us)
            .then(|| Duration::from_micros(limit_us) / 2);
        Watchdog {
            every,
            next: Instant::ZERO,
        }
    }

    /// The station hears and may answer.
    pub(super) fn ready(&self) {
        let _ = sd_notify::notify(false, &[NotifyState::Ready]); // Nobody may be there.
    }

    /// The station ends in good order.
    pub(super) fn stopping(&self) {
        let _ = sd_notify::notify(false, &[NotifyState::Stopping]);
    }

    /// One turn of the driver is done.
    pub(super) fn turned(&mut self, now: Instant) {
        if let Some(every) = self.every
            && now >= self.next
        {
            self.next = now + every;
            let _ = sd_notify::notify(false, &[NotifyState::Watchdog]);
        }
    }
}
