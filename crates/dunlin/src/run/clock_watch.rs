//! Compares the machine's civil clock with its steady one. The station keeps the civil time with which it began: logs,
//! identification records, the hours of crossings and partners, and the dates of mail go by it. So a clock that jumps
//! must be told; and when it is far off, the station must know, as it would delete mail by its age.

use dunlin_clock::{Duration, Instant, WallTime};

/// How often the clocks are compared.
const EVERY: Duration = Duration::from_secs(5);
/// A smaller difference is the slow work of a time service.
const JUMP_MS: i64 = 2000;
/// When the civil time of this run is off by more than this, no age that it reckons can be trusted.
const FAR_OFF_MS: i64 = 3_600_000;
/// An alarm about a jump goes away after so long.
const FORGET: Duration = Duration::from_secs(3600);
/// 2025-01-01: a clock before that was never set (the program is younger).
const NEVER_SET: WallTime = WallTime(1_735_689_600_000);

/// What is known of the civil clock.
#[derive(Debug)]
pub(super) struct ClockWatch {
    wall_at_zero: WallTime,
    next: Instant,
    /// Difference to the steady clock when last told, ms.
    told_ms: i64,
    alarm_ends: Option<Instant>,
    never_set: bool,
    far_off: bool,
}

/// What people must hear about it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum ClockNews {
    /// It is wrong; how.
    Wrong(String),
    /// All is well again.
    Well,
}

impl ClockWatch {
    pub(super) fn new(wall_at_zero: WallTime) -> Self {
        ClockWatch {
            wall_at_zero,
            next: Instant::ZERO,
            told_ms: 0,
            alarm_ends: None,
            never_set: false,
            far_off: false,
        }
    }

    /// Whether the civil time of this run was ever seen to be far off, or not set at all.
    pub(super) fn is_far_off(&self) -> bool {
        self.far_off
    }

    /// Whether it is time to read the civil clock.
    pub(super) fn is_due(&self, now: Instant) -> bool {
        now >= self.next
    }

    /// Takes in what the civil clock says.
    pub(super) fn look(&mut self, now: Instant, wall: WallTime) -> Option<ClockNews> {
        self.next = now + EVERY;
        if wall < NEVER_SET {
            self.far_off = true;
            let first = !std::mem::replace(&mut self.never_set, true);
            let text = "the machine's clock was never set, so the times in the logs are wrong. \
                        Set it (UTC), or let a time service do it";
            return first.then(|| ClockNews::Wrong(text.into()));
        }
        self.never_set = false;
        let steady = self.wall_at_zero.after(now.since(Instant::ZERO));
        let difference = wall.0.saturating_sub(steady.0);
        self.far_off |= difference.saturating_abs() > FAR_OFF_MS;
        let jump = difference.saturating_sub(self.told_ms);
        if jump.abs() >= JUMP_MS {
            self.told_ms = difference;
            self.alarm_ends = Some(now + FORGET);
            let way = if jump > 0 { "forward" } else { "back" };
            let text = format!(
                "the machine's clock was set {way} by {} s. This run's journal keeps the time it \
                 began with, which is now {} s off; a restart takes the new one",
                jump.abs() / 1000,
                difference.abs() / 1000
            );
            return Some(ClockNews::Wrong(text));
        }
        if self.alarm_ends.is_some_and(|end| now >= end) {
            self.alarm_ends = None;
            return Some(ClockNews::Well);
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jump_is_told_once_and_a_slow_service_never() {
        let zero = WallTime(NEVER_SET.0 + 1_000_000);
        let mut watch = ClockWatch::new(zero);
        let wall = |s: i64| WallTime(zero.0 + s * 1000);
        assert!(watch.is_due(Instant::ZERO));
        assert_eq!(watch.look(Instant::ZERO, zero), None);
        assert!(!watch.is_due(Instant::from_secs(4)));
        assert_eq!(watch.look(Instant::from_secs(5), wall(6)), None);
        let Some(ClockNews::Wrong(text)) = watch.look(Instant::from_secs(10), wall(-590)) else {
            panic!("a jump is told");
        };
        assert!(text.contains("set back by 600 s"), "{text}");
        assert_eq!(watch.look(Instant::from_secs(15), wall(-585)), None);
        let later = Instant::from_secs(3700);
        assert_eq!(watch.look(later, wall(3100)), Some(ClockNews::Well));
    }

    #[test]
    fn a_clock_that_was_set_by_hours_or_never_is_far_off_for_ever() {
        let zero = WallTime(NEVER_SET.0 + 10_000_000);
        let far_off = |ms: &[i64]| {
            let mut watch = ClockWatch::new(zero);
            for &ms in ms {
                let _ = watch.look(Instant::ZERO, WallTime(zero.0 + ms));
            }
            watch.is_far_off()
        };
        assert!(!far_off(&[0, 3_600_000, -3_600_000]));
        assert!(far_off(&[0, 3_600_001, 0]), "set and set back");
        assert!(far_off(&[-3_600_001]));
        assert!(far_off(&[1_800_001, 3_600_002]), "in two steps");
        assert!(far_off(&[-zero.0]), "never set");
    }

    #[test]
    fn a_clock_that_was_never_set_is_told_once() {
        let mut watch = ClockWatch::new(WallTime(0));
        let told = watch.look(Instant::ZERO, WallTime(5));
        assert!(matches!(told, Some(ClockNews::Wrong(_))));
        assert_eq!(watch.look(Instant::from_secs(5), WallTime(5000)), None);
    }
}
