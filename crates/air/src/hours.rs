//! The hours of the day at which a path is open.

use dunlin_clock::{Duration, Instant};

/// Spans of a day, at most.
pub const MOST_SPANS: usize = 8;
/// Seconds of a day.
const DAY_S: u32 = 24 * 60 * 60;

/// When a path is open, the same every day. A day begins with the band's time zero. Outside its hours a path
/// carries nothing at all; a transmission is heard only if its path was open when it began.
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

    /// Whether the path is open at this moment.
    pub fn open_at(&self, now: Instant) -> bool {
        if self.count == 0 {
            return true;
        }
        let day = Duration::from_secs(u64::from(DAY_S)).as_nanos() as u64;
        let second = (now.as_nanos() % day / 1_000_000_000) as u32;
        let mut spans = self.spans[..usize::from(self.count)].iter();
        spans.any(|(from, to)| (*from..*to).contains(&second))
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
    }

    #[test]
    fn what_is_no_list_of_spans_is_refused() {
        let nine: Vec<_> = (0..9).map(|n| (n, n + 1)).collect();
        let wrong: [&[(u32, u32)]; 5] =
            [&[], &[(5, 5)], &[(0, 86_401)], &[(10, 20), (19, 30)], &nine];
        assert!(wrong.iter().all(|spans| Hours::of(spans).is_none()));
    }
}
