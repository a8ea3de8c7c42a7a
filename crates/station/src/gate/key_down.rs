//! How long a key was down: an exact account over sliding windows, and when a transmission
//! will fit into them again.

use std::collections::VecDeque;

use dunlin_clock::{Duration, Instant};

use super::{KeyDownLimits, KeyDownView};
use crate::event::ms;

/// The shorter window of the account.
pub(crate) const TEN_MINUTES: Duration = Duration::from_secs(600);
/// The longer window.
pub(crate) const HOUR: Duration = Duration::from_secs(3600);
/// A transmission is begun only if it fits with so much to spare: a driver needs time to key
/// and to release.
pub(crate) const SPARE: Duration = Duration::from_secs(1);
/// A key that is still down so long before a limit is released: the driver has 300 ms for it.
const RELEASE_AHEAD: Duration = Duration::from_millis(400);
/// This part of what may be used in ten minutes and in an hour is kept for what is short: a station that cannot
/// acknowledge for minutes loses its talks.
const KEPT: u32 = 10;
/// A transmission of much text takes at most this part of it.
const MOST_AT_ONCE: u32 = 4;
/// Intervals kept. An hour of the shortest transmissions has fewer; beyond it the two oldest
/// become one, which counts too much and never too little.
const MOST: usize = 20_000;

/// Which limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Window {
    Single,
    TenMinutes,
    Hour,
}

/// The account of one key.
#[derive(Clone, Debug, Default)]
pub(crate) struct KeyDown {
    past: VecDeque<(Instant, Instant)>,
    down: Option<Instant>,
}

impl KeyDown {
    /// The key goes down.
    pub(crate) fn press(&mut self, now: Instant) {
        self.down.get_or_insert(now);
    }

    /// The key is released.
    pub(crate) fn release(&mut self, now: Instant) {
        let Some(began) = self.down.take() else {
            return;
        };
        self.past.push_back((began, now));
        while self.past.front().is_some_and(|(_, e)| *e <= now - HOUR) {
            self.past.pop_front();
        }
        while self.past.len() > MOST {
            let first = self.past.pop_front();
            if let (Some((began, _)), Some(next)) = (first, self.past.front_mut()) {
                next.0 = began;
            }
        }
    }

    /// Since when the key is down.
    pub(crate) fn down_since(&self) -> Option<Instant> {
        self.down
    }

    /// When it was last released.
    pub(crate) fn last_end(&self) -> Option<Instant> {
        self.past.back().map(|(_, ended)| *ended)
    }

    /// Key-down time that lies after `from`, the running one counted until `now`.
    fn after(&self, from: Instant, now: Instant) -> Duration {
        let running = self.down.map(|began| (began, now));
        let all = self.past.iter().copied().chain(running);
        all.map(|(b, e)| e.since(b.max(from))).sum()
    }

    /// Key-down time in the window that ends now.
    pub(crate) fn used(&self, now: Instant, window: Duration) -> Duration {
        self.after(now - window, now)
    }

    /// Which limit has no room for a transmission of `length` begun now, and when it will
    /// have; `None` for the moment = never.
    pub(crate) fn no_room(
        &self,
        now: Instant,
        length: Duration,
        limits: &KeyDownLimits,
    ) -> Option<(Window, Option<Instant>)> {
        let need = length + SPARE;
        if need > limits.single {
            return Some((Window::Single, None));
        }
        let windows = [
            (Window::Hour, HOUR, limits.hour),
            (Window::TenMinutes, TEN_MINUTES, limits.ten_minutes),
        ];
        let moments = windows.map(|(w, span, limit)| (w, self.room_at(now, need, span, limit)));
        let short = moments.into_iter().filter(|(_, at)| *at != Some(now));
        // The one that takes longest; never is longest of all.
        short.max_by_key(|(_, at)| at.map_or(u64::MAX, Instant::as_nanos))
    }

    /// Whether so much was used that a transmission of this length would eat into what is kept for answers and short
    /// lines, or into so small a part of that. Never where the limits allow all of the time.
    pub(crate) fn is_low(
        &self,
        now: Instant,
        length: Duration,
        part: u32,
        limits: &KeyDownLimits,
    ) -> bool {
        let windows = [(TEN_MINUTES, limits.ten_minutes), (HOUR, limits.hour)];
        windows.into_iter().any(|(span, limit)| {
            let length = length.min(limit / MOST_AT_ONCE);
            limit < span && self.used(now, span) + length + limit / (KEPT * part) > limit
        })
    }

    /// The earliest moment, `now` or later, at which `need` of key-down time can begin so that
    /// no window of length `span` holds more than `limit` of it. While a key is down what a
    /// window holds never shrinks, so the window that ends with the transmission decides.
    fn room_at(
        &self,
        now: Instant,
        need: Duration,
        span: Duration,
        limit: Duration,
    ) -> Option<Instant> {
        let free = limit.checked_sub(need)?;
        let edge = now + need - span.min(now.since(Instant::ZERO) + need);
        let mut excess = self.after(edge, now).saturating_sub(free);
        if excess.is_zero() {
            return Some(now);
        }
        for &(began, ended) in &self.past {
            let began = began.max(edge);
            let lasted = ended.since(began);
            if lasted >= excess {
                return Some(began + excess + span - need);
            }
            excess -= lasted;
        }
        None
    }

    /// How long a key that goes down at `start` may stay down. In the window that ends with
    /// it, key-down time is added at all times but while as much slides out at the other end.
    fn lasts(&self, start: Instant, limits: &KeyDownLimits) -> Duration {
        let mut most = limits.single;
        for (span, limit) in [(TEN_MINUTES, limits.ten_minutes), (HOUR, limits.hour)] {
            let past = self.past.iter().map(|(b, e)| (*b, *e));
            let used: Duration = past
                .clone()
                .map(|(b, e)| e.since(b.max(start - span)))
                .sum();
            let mut left = limit.saturating_sub(used);
            let mut lasts = Duration::ZERO;
            for (began, ended) in past {
                let slides_from = (began + span).since(start).max(lasts);
                let adds = (slides_from - lasts).min(left);
                (lasts, left) = (lasts + adds, left - adds);
                if left.is_zero() && lasts < slides_from {
                    break;
                }
                lasts = lasts.max((ended + span).since(start));
            }
            most = most.min(lasts + left);
        }
        most
    }

    /// The longest transmission that may begin now.
    pub(crate) fn longest(&self, now: Instant, limits: &KeyDownLimits) -> Duration {
        self.lasts(now, limits).saturating_sub(SPARE)
    }

    /// When the key that is down now has to be released, so that no limit is passed.
    pub(crate) fn must_release_at(&self, limits: &KeyDownLimits) -> Option<Instant> {
        let down = self.down?;
        Some(down + self.lasts(down, limits).saturating_sub(RELEASE_AHEAD))
    }

    /// What people see of it.
    pub(crate) fn view(&self, now: Instant, limits: &KeyDownLimits) -> KeyDownView {
        let millis = |d: Duration| u64::try_from(d.as_millis()).unwrap_or(u64::MAX);
        KeyDownView {
            down_since_ms: self.down.map(ms),
            ten_minutes_ms: millis(self.used(now, TEN_MINUTES)),
            hour_ms: millis(self.used(now, HOUR)),
            single_limit_ms: millis(limits.single),
            ten_minutes_limit_ms: millis(limits.ten_minutes),
            hour_limit_ms: millis(limits.hour),
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const S: fn(u64) -> Duration = Duration::from_secs;
    const AT: fn(u64) -> Instant = Instant::from_secs;

    fn limits(single: u64, ten_minutes: u64, hour: u64) -> KeyDownLimits {
        KeyDownLimits {
            single: S(single),
            ten_minutes: S(ten_minutes),
            hour: S(hour),
        }
    }

    fn account(intervals: &[(u64, u64)]) -> KeyDown {
        let mut k = KeyDown::default();
        for &(b, e) in intervals {
            k.press(AT(b));
            k.release(AT(e));
        }
        k
    }

    #[test]
    fn a_window_forgets_to_the_second() {
        let k = account(&[(100, 130)]);
        assert_eq!(k.used(AT(130), TEN_MINUTES), S(30));
        assert_eq!(k.used(AT(700), TEN_MINUTES), S(30));
        assert_eq!(k.used(AT(710), TEN_MINUTES), S(20));
        assert_eq!(k.used(AT(730), TEN_MINUTES), S(0));
        assert_eq!(k.used(AT(730), HOUR), S(30));
    }

    #[test]
    fn room_comes_at_the_moment_when_enough_has_slid_out() {
        // 50 of 60 s are used up; 19 s and one to spare need 10 s of the oldest to slide out
        // of the window that ends with the transmission.
        let k = account(&[(100, 125), (200, 225)]);
        let l = limits(60, 60, 3600);
        assert_eq!(
            k.no_room(AT(300), S(19), &l),
            Some((Window::TenMinutes, Some(AT(100 + 10 + 600 - 20))))
        );
        assert_eq!(k.no_room(AT(690), S(19), &l), None);
        let just_before = Instant::from_nanos(AT(690).as_nanos() - 1);
        assert!(k.no_room(just_before, S(19), &l).is_some());
        assert_eq!(k.no_room(AT(300), S(9), &l), None, "10 s are free");
    }

    #[test]
    fn what_can_never_fit_is_said_so() {
        let k = KeyDown::default();
        let l = limits(30, 60, 3600);
        assert_eq!(k.no_room(AT(1), S(30), &l), Some((Window::Single, None)));
        assert_eq!(k.no_room(AT(1), S(29), &l), None);
    }

    #[test]
    fn a_key_is_released_ahead_of_the_limit_that_comes_first() {
        let mut k = account(&[(100, 140)]);
        k.press(AT(200));
        let at = |l| k.must_release_at(&l).expect("down");
        assert_eq!(at(limits(30, 60, 3600)), AT(220) - RELEASE_AHEAD);
        assert_eq!(at(limits(10, 60, 3600)), AT(210) - RELEASE_AHEAD);
    }

    proptest! {
        /// Whoever asks for room and then uses it never passes a limit, at any moment.
        #[test]
        fn no_window_ever_holds_more_than_its_limit(
            wishes in prop::collection::vec((0_u64..400, 1_u64..29), 1..80),
        ) {
            let l = limits(30, 90, 240);
            let mut k = KeyDown::default();
            let mut now = AT(0);
            for (gap, length) in wishes {
                now += S(gap);
                if let Some((_, at)) = k.no_room(now, S(length), &l) {
                    let at = at.expect("there will be room");
                    prop_assert!(at > now);
                    let before = Instant::from_nanos(at.as_nanos() - 1);
                    prop_assert!(k.no_room(before, S(length), &l).is_some(), "not earlier");
                    now = at;
                }
                prop_assert_eq!(k.no_room(now, S(length), &l), None);
                prop_assert!(k.longest(now, &l) >= S(length));
                let longest = k.longest(now, &l) + Duration::from_nanos(1);
                prop_assert!(k.no_room(now, longest, &l).is_some());
                k.press(now);
                now += S(length) + SPARE;
                prop_assert!(k.must_release_at(&l) >= Some(now - RELEASE_AHEAD));
                prop_assert!(k.used(now, TEN_MINUTES) <= l.ten_minutes);
                prop_assert!(k.used(now, HOUR) <= l.hour);
                k.release(now);
            }
        }
    }
}
