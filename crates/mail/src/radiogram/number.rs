//! The numbers that a station of origin gives: from 1 on, anew each year.

use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};

use super::MOST_NUMBER;
use super::log::day_of;

/// The program is younger: a clock that tells an earlier year is wrong.
const FIRST_YEAR: i32 = 2025;

/// The last number that was given, and in which year.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Numbers {
    /// The year of the last number.
    pub year: i32,
    /// The last number; 0 = none yet.
    pub last: u32,
    /// The year before the count last began anew.
    pub year_before: i32,
    /// The last number of that year.
    pub last_before: u32,
}

impl Numbers {
    /// Gives the next number of the year of this moment, in UTC; see [`Numbers::give`].
    pub fn give_at(&mut self, now: WallTime) -> Option<u32> {
        let (year, _, _) = day_of(now);
        // Years are held within 0 to 9999 there.
        self.give(year as i32)
    }

    /// Gives the next number; the first of each year is 1 (G3). `None` when the numbers of the year are used up.
    ///
    /// A clock that was set back to an older year gives no number a second time: the count goes on. Is it back by more
    /// than a year, and not to before the year in which numbers were given last, it was ahead, and the count begins
    /// anew with the year after the one it tells now. Otherwise it may just be behind, and the count goes on until the
    /// later year is over.
    pub fn give(&mut self, year: i32) -> Option<u32> {
        if year > self.year {
            *self = Numbers {
                year,
                last: 0,
                year_before: self.year,
                last_before: self.last,
            };
        } else if year < self.year {
            let was_ahead = self.year - year > 1 && year >= self.year_before.max(FIRST_YEAR);
            self.last = self.last.max(self.last_before);
            if was_ahead {
                self.year = year;
            }
        }
        if self.last >= MOST_NUMBER {
            return None;
        }
        self.last += 1;
        Some(self.last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_begin_anew_with_the_year_and_never_come_twice() {
        let mut numbers = Numbers::default();
        let years = [2026, 2026, 2027, 2027, 2026, 2028];
        let given: Vec<_> = years.map(|year| numbers.give(year)).into();
        // G3: restarts yearly at 1. The fifth: a clock that went back.
        assert_eq!(given, [1, 2, 1, 2, 3, 1].map(Some));
        numbers.last = MOST_NUMBER;
        assert_eq!(numbers.give(2028), None);
        assert_eq!(numbers.give(2029), Some(1));
    }

    /// Gives a number in each of these years.
    fn given(years: &[i32]) -> Vec<u32> {
        let mut numbers = Numbers::default();
        let given = years.iter().map(|&year| numbers.give(year));
        given.map(|number| number.expect("a number")).collect()
    }

    #[test]
    fn a_run_in_a_wrong_future_does_not_stop_the_years() {
        let years = [2026, 2026, 2026, 2099, 2026, 2026, 2027, 2027, 2028];
        assert_eq!(given(&years), [1, 2, 3, 1, 4, 5, 1, 2, 1]);
        // Ahead by one year: that one goes on, and the next begins anew.
        let years = [2026, 2026, 2027, 2026, 2027, 2028];
        assert_eq!(given(&years), [1, 2, 1, 3, 4, 1]);
    }

    #[test]
    fn a_clock_that_is_behind_gives_no_number_twice() {
        let years = [2027, 2028, 2028, 1970, 2026, 2028, 2029];
        assert_eq!(given(&years), [1, 1, 2, 3, 4, 5, 1]);
    }
}
