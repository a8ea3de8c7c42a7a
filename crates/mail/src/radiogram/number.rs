//! The numbers that a station of origin gives: from 1 on, anew each year.

use serde::{Deserialize, Serialize};

use super::MOST_NUMBER;

/// The last number that was given, and in which year.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Numbers {
    /// The year of the last number.
    pub year: i32,
    /// The last number; 0 = none yet.
    pub last: u32,
}

impl Numbers {
    /// Gives the next number; the first of each year is 1 (G3). A clock that was set back to an older
    /// year gives no number a second time: the count goes on. `None` when the numbers of the year are used
    /// up.
    pub fn give(&mut self, year: i32) -> Option<u32> {
        if year > self.year {
            *self = Numbers { year, last: 0 };
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
}
