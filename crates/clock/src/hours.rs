//! The hours of the day at which something is open.

use std::fmt;

use crate::{Instant, WallTime};

/// Spans of a day, at most.
pub const MOST_SPANS: usize = 8;
/// Seconds of a day.
const DAY_S: u32 = 24 * 60 * 60;

/// When something is open, the same every day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Hours {
    /// Begin and end in seconds of the day; the first `count` of them count.
    spans: [(u32, u32); MOST_SPANS],
    count: u8,
}

impl Hours {
    /// Open at all times.
    pub const ALWAYS: Hours = Hours {
        spans: [(0, 0); MOST_SPANS],
        count: 0,
    };

    /// Open within these spans of the day, each with its begin and its end in seconds, 0 to 86400.
    /// `None` if there are none or more than [`MOST_SPANS`], if one is empty or beyond the day, or if
    /// they are not in order.
    pub fn of(spans: &[(u32, u32)]) -> Option<Hours> {
        let each = spans.iter().all(|(from, to)| from < to && *to <= DAY_S);
        let ordered = spans.is_sorted_by(|a, b| a.1 <= b.0);
        if spans.is_empty() || spans.len() > MOST_SPANS || !each || !ordered {
            return None;
        }
        let mut hours = Hours::ALWAYS;
        hours.spans[..spans.len()].copy_from_slice(spans);
        hours.count = spans.len() as u8;
        Some(hours)
    }

    /// Whether it is open at this moment of a time line whose days begin at its zero.
    pub fn open_at(&self, now: Instant) -> bool {
        self.open_in_second(now.as_millis() / 1000 % u64::from(DAY_S))
    }

    /// Whether it is open at this moment, by UTC.
    pub fn open_at_wall(&self, now: WallTime) -> bool {
        let second = now.0.div_euclid(1000).rem_euclid(i64::from(DAY_S));
        self.open_in_second(second as u64)
    }

    fn open_in_second(&self, second: u64) -> bool {
        let mut spans = self.spans().iter();
        let holds = |&(from, to): &(u32, u32)| (u64::from(from)..u64::from(to)).contains(&second);
        self.count == 0 || spans.any(holds)
    }

    /// The spans, begin and end in seconds of the day; none = always.
    fn spans(&self) -> &[(u32, u32)] {
        &self.spans[..usize::from(self.count)]
    }
}

impl fmt::Display for Hours {
    /// Such as `06:00-09:30, 20:00-24:00`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.count == 0 {
            return f.write_str("at all hours");
        }
        let clock = |s: u32| format!("{:02}:{:02}", s / 3600, s / 60 % 60);
        let spans = self.spans().iter();
        let spans = spans.map(|(from, to)| format!("{}-{}", clock(*from), clock(*to)));
        f.write_str(&spans.collect::<Vec<_>>().join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_hold_on_every_day_and_end_where_they_say() {
        let hours = Hours::of(&[(3600, 7200), (80_000, 86_400)]).expect("in order");
        let open = |s| hours.open_at(Instant::from_secs(s));
        for day in [0, 86_400, 3 * 86_400] {
            assert!(!open(day) && open(day + 3600) && open(day + 7199) && !open(day + 7200));
            assert!(open(day + 86_399));
        }
        assert!(Hours::ALWAYS.open_at(Instant::from_secs(5)));
        // 1970-01-01 01:30 UTC, and 22:00 on the day before.
        assert!(hours.open_at_wall(WallTime(5_400_000)));
        assert!(!hours.open_at_wall(WallTime(-7_200_000)));
        assert_eq!(hours.to_string(), "01:00-02:00, 22:13-24:00");
    }

    #[test]
    fn what_is_no_list_of_spans_is_refused() {
        let nine: Vec<_> = (0..9).map(|n| (n, n + 1)).collect();
        let wrong: [&[(u32, u32)]; 5] =
            [&[], &[(5, 5)], &[(0, 86_401)], &[(10, 20), (19, 30)], &nine];
        assert!(wrong.iter().all(|spans| Hours::of(spans).is_none()));
    }
}
