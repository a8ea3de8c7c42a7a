//! How long things wait, and how a moment is written.

use dunlin_clock::{Duration, WallTime};

use crate::message::Precedence;

/// After so long without a way through the preferred partner, the second route may take a message.
pub const SECOND_ROUTE_AFTER: Duration = Duration::from_secs(6 * 3600);
/// After so long a partial is forgotten.
pub const PARTIALS_LAST: Duration = Duration::from_secs(14 * 24 * 3600);
/// Octets of all kept partials together, at most; the oldest go first.
pub const MOST_PARTIALS: usize = 4 << 20;

/// Doublings of the wait, at most: 2^11 minutes are more than a day.
const MOST_DOUBLINGS: u32 = 11;
const MINUTE: Duration = Duration::from_secs(60);
/// No pause that a station gives a message is longer.
pub const LONGEST_PAUSE: Duration = Duration::from_secs(24 * 3600);
/// What is urgent is not put back for longer than this.
const LONGEST_EMERGENCY: Duration = Duration::from_secs(15 * 60);

/// For how long a message is put back after so many tries in a row that ended badly while it was under
/// way: a minute, then twice as long each time, up to a day; an emergency up to 15 minutes.
pub fn put_back(tries: u32, precedence: Precedence) -> Duration {
    let doublings = tries.saturating_sub(1).min(MOST_DOUBLINGS);
    let wait = Duration::from_secs(MINUTE.as_millis() as u64 / 1000 * (1 << doublings));
    let longest = match precedence {
        Precedence::Emergency => LONGEST_EMERGENCY,
        _ => LONGEST_PAUSE,
    };
    wait.min(longest)
}

/// Tries with the preferred partner that end badly before the second route may take the message at once.
pub fn tries_before_second(precedence: Precedence) -> u32 {
    match precedence {
        Precedence::Emergency => 1,
        _ => 3,
    }
}

/// A moment as people write it: `2026-11-29 14:02 UTC`. Before the year 0 and after 9999 it says so.
pub fn moment(at: WallTime) -> String {
    let minutes = at.0.div_euclid(60_000);
    let (days, minute) = (minutes.div_euclid(1440), minutes.rem_euclid(1440));
    // Years are counted from 1 March 0000, so that the leap day is the last of its year; eras of 400
    // years have 146 097 days (the Gregorian calendar).
    let days = days.saturating_add(719_468);
    let (era, day) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year_of_era = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
    let day_of_year = day - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day_of_month = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = (month_from_march + 2) % 12 + 1;
    let year = era * 400 + year_of_era + i64::from(month <= 2);
    if !(0..=9999).contains(&year) {
        return "at a time that cannot be right".to_owned();
    }
    let (hour, minute) = (minute / 60, minute % 60);
    format!("{year:04}-{month:02}-{day_of_month:02} {hour:02}:{minute:02} UTC")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_written_as_people_do() {
        assert_eq!(moment(WallTime(0)), "1970-01-01 00:00 UTC");
        // date -u -d @1795960920, @951782400, @-1
        assert_eq!(moment(WallTime(1_795_960_920_000)), "2026-11-29 14:02 UTC");
        assert_eq!(moment(WallTime(951_782_400_000)), "2000-02-29 00:00 UTC");
        assert_eq!(moment(WallTime(-1)), "1969-12-31 23:59 UTC");
        assert!(moment(WallTime(i64::MAX)).contains("cannot be right"));
        assert!(moment(WallTime(i64::MIN)).contains("cannot be right"));
    }

    #[test]
    fn waits_grow_to_a_day_and_no_further() {
        let minutes = |tries, precedence| put_back(tries, precedence).as_millis() / 60_000;
        let waits: Vec<_> = (0..6).map(|n| minutes(n, Precedence::Routine)).collect();
        assert_eq!(waits, [1, 1, 2, 4, 8, 16]);
        assert_eq!(minutes(u32::MAX, Precedence::Priority), 1440);
        assert_eq!(minutes(u32::MAX, Precedence::Emergency), 15);
    }
}
