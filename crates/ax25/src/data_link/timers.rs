//! The timers of a link (§6.7.1, C5.3, C6.3) in one table.

use dunlin_clock::{Duration, Instant};

/// The timers of a link. T2 is not among them: LM-SEIZE does its job (C3.3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Timer {
    /// Acknowledgement timer: an answer is due.
    T1,
    /// Inactive link timer: is the other end still there?
    T3,
    /// TM201: an answer to XID is due.
    T201,
    /// TR210: the next segment is due.
    T210,
}

impl Timer {
    pub(super) const ALL: [Timer; 4] = [Timer::T1, Timer::T3, Timer::T201, Timer::T210];
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Slot {
    Stopped,
    Running {
        until: Instant,
    },
    /// Stands still while the channel is busy.
    Suspended {
        left: Duration,
    },
}

/// The table. Its times are the engine's; it reads no clock.
#[derive(Clone, Debug)]
pub(super) struct Timers {
    slots: [Slot; Timer::ALL.len()],
    suspended: bool,
    t1_length: Duration,
}

impl Timers {
    pub(super) fn new() -> Self {
        Timers {
            slots: [Slot::Stopped; Timer::ALL.len()],
            suspended: false,
            t1_length: Duration::ZERO,
        }
    }

    /// Starts a timer, afresh if it runs already.
    pub(super) fn start(&mut self, timer: Timer, now: Instant, length: Duration) {
        if timer == Timer::T1 {
            self.t1_length = length;
        }
        self.slots[timer as usize] = if self.suspended {
            Slot::Suspended { left: length }
        } else {
            Slot::Running {
                until: now + length,
            }
        };
    }

    pub(super) fn stop(&mut self, timer: Timer) {
        self.slots[timer as usize] = Slot::Stopped;
    }

    pub(super) fn is_running(&self, timer: Timer) -> bool {
        self.slots[timer as usize] != Slot::Stopped
    }

    /// The time that T1 has run so far: the round trip, if its answer has just come. `None` if
    /// it does not run.
    pub(super) fn t1_elapsed(&self, now: Instant) -> Option<Duration> {
        let left = match self.slots[Timer::T1 as usize] {
            Slot::Stopped => return None,
            Slot::Running { until } => until.since(now),
            Slot::Suspended { left } => left,
        };
        Some(self.t1_length.saturating_sub(left))
    }

    /// Stands all timers still, or lets them run on (PH-BUSY, PH-QUIET; C3.2).
    pub(super) fn set_suspended(&mut self, now: Instant, suspended: bool) {
        self.suspended = suspended;
        for slot in &mut self.slots {
            *slot = match *slot {
                Slot::Running { until } if suspended => Slot::Suspended {
                    left: until.since(now),
                },
                Slot::Suspended { left } if !suspended => Slot::Running { until: now + left },
                other => other,
            };
        }
    }

    /// Stops `timer` and gives true if its time is up.
    pub(super) fn take_expired(&mut self, timer: Timer, now: Instant) -> bool {
        let slot = &mut self.slots[timer as usize];
        let is_due = matches!(*slot, Slot::Running { until } if until <= now);
        if is_due {
            *slot = Slot::Stopped;
        }
        is_due
    }

    /// The timer that ends next, and when. None while all are stopped or stand still.
    pub(super) fn next(&self) -> Option<(Instant, Timer)> {
        Timer::ALL
            .into_iter()
            .filter_map(|timer| match self.slots[timer as usize] {
                Slot::Running { until } => Some((until, timer)),
                Slot::Stopped | Slot::Suspended { .. } => None,
            })
            .min_by_key(|&(until, _)| until)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: Duration = Duration::from_secs(1);

    #[test]
    fn time_on_a_busy_channel_does_not_count() {
        let mut timers = Timers::new();
        timers.start(Timer::T1, Instant::ZERO, 3 * S);
        assert_eq!(timers.next(), Some((Instant::from_secs(3), Timer::T1)));
        timers.set_suspended(Instant::from_secs(1), true);
        assert_eq!(timers.next(), None);
        assert!(timers.is_running(Timer::T1));
        // Saying it twice changes nothing.
        timers.set_suspended(Instant::from_secs(5), true);
        assert_eq!(timers.t1_elapsed(Instant::from_secs(9)), Some(S));
        // Started meanwhile, T3 waits as well.
        timers.start(Timer::T3, Instant::from_secs(9), S);
        timers.set_suspended(Instant::from_secs(10), false);
        assert_eq!(timers.next(), Some((Instant::from_secs(11), Timer::T3)));
        assert!(timers.take_expired(Timer::T3, Instant::from_secs(11)));
        assert!(!timers.take_expired(Timer::T3, Instant::from_secs(11)));
        assert_eq!(timers.next(), Some((Instant::from_secs(12), Timer::T1)));
        assert!(timers.take_expired(Timer::T1, Instant::from_secs(12)));
        assert_eq!(timers.t1_elapsed(Instant::from_secs(12)), None);
    }
}
