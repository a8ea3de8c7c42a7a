//! The log of communications: who passed what to whom, when.

use std::fmt::Write as _;

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};

use super::preamble::word;
use crate::Precedence;

/// Entries of one log, at most.
pub const MOST_ENTRIES: usize = 10_000;
/// Characters of a remark, at most.
pub const MOST_REMARKS: usize = 60;
/// Milliseconds of a day.
const DAY: i64 = 86_400_000;
/// The first and the last moment that the log can write: the years 0000 to 9999.
const SPAN: (i64, i64) = (-62_167_219_200_000, 253_402_300_799_999);

/// One line of the log.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LogEntry {
    /// When.
    pub at: WallTime,
    /// Who sent.
    pub from: CallSign,
    /// To whom; `None` = to all.
    pub to: Option<CallSign>,
    /// The number of the radiogram, if it was about one.
    pub number: Option<u32>,
    /// Its precedence.
    pub precedence: Option<Precedence>,
    /// What else is to say; line breaks and control characters become spaces, and of more than
    /// [`MOST_REMARKS`] characters the first are kept.
    pub remarks: String,
}

/// The log of one station, in the order in which it was written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Log {
    /// Whose log it is.
    pub station: CallSign,
    entries: Vec<LogEntry>,
}

impl Log {
    /// An empty log.
    pub fn new(station: CallSign) -> Log {
        Log {
            station,
            entries: Vec::new(),
        }
    }

    /// The entries, the first first.
    pub fn entries(&self) -> &[LogEntry] {
        &self.entries
    }

    /// Adds an entry. When the log is full ([`MOST_ENTRIES`]) nothing is added and the entry comes back:
    /// print the log and begin a new one.
    ///
    /// # Errors
    /// The entry, when the log is full.
    pub fn add(&mut self, entry: LogEntry) -> Result<(), Box<LogEntry>> {
        if self.entries.len() >= MOST_ENTRIES {
            return Err(Box::new(entry));
        }
        let plain = |c: char| if c.is_control() { ' ' } else { c };
        let remarks = entry.remarks.chars().take(MOST_REMARKS).map(plain);
        let remarks = remarks.collect();
        self.entries.push(LogEntry { remarks, ..entry });
        Ok(())
    }

    /// The log as a table for paper, times in UTC.
    pub fn printed(&self) -> String {
        let mut out = format!("LOG OF COMMUNICATIONS   station {}\n\n", self.station);
        let mut row = |cells: [&str; 6]| {
            let [at, from, to, number, precedence, remarks] = cells;
            let mut line = String::new();
            // A String takes everything that is written to it.
            let _ = write!(
                line,
                "{at:<17} {from:<9} {to:<9} {number:>6} {precedence:<9} {remarks}"
            );
            out.push_str(line.trim_end());
            out.push('\n');
        };
        row(["time UTC", "from", "to", "number", "prec", "remarks"]);
        for entry in &self.entries {
            let to = entry
                .to
                .map_or_else(|| "all".to_owned(), |to| to.to_string());
            let number = entry.number.map_or_else(String::new, |n| n.to_string());
            row([
                &utc(entry.at),
                &entry.from.to_string(),
                &to,
                &number,
                entry.precedence.map_or("", word),
                &entry.remarks,
            ]);
        }
        out
    }
}

/// A moment as `2026-11-29 1830Z`.
fn utc(at: WallTime) -> String {
    let (year, month, day) = day_of(at);
    let (hour, minute) = hour_of(at);
    format!("{year:04}-{month:02}-{day:02} {hour:02}{minute:02}Z")
}

/// Year, month and day of a moment, in UTC.
pub(super) fn day_of(at: WallTime) -> (i64, i64, i64) {
    civil(at.0.clamp(SPAN.0, SPAN.1).div_euclid(DAY))
}

/// Hour and minute of a moment, in UTC.
pub(super) fn hour_of(at: WallTime) -> (i64, i64) {
    let minutes = at.0.clamp(SPAN.0, SPAN.1).rem_euclid(DAY) / 60_000;
    (minutes / 60, minutes % 60)
}

/// Year, month and day of a count of days since 1970-01-01, in the Gregorian calendar: years begin in
/// March, so that the leap day is the last, and 400 years have 146 097 days.
fn civil(days: i64) -> (i64, i64, i64) {
    // From 0000-03-01.
    let days = days + 719_468;
    let (era, day) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year = (day - day / 1_460 + day / 36_524 - day / 146_096) / 365;
    let day = day - (365 * year + year / 4 - year / 100);
    // Five months from March on have 153 days, and so have the next five.
    let month = (5 * day + 2) / 153;
    let day = day - (153 * month + 2) / 5 + 1;
    let (month, next) = if month < 10 {
        (month + 3, 0)
    } else {
        (month - 9, 1)
    };
    (era * 400 + year + next, month, day)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn call(text: &str) -> CallSign {
        text.parse().expect(text)
    }

    fn entry(at: i64) -> LogEntry {
        LogEntry {
            at: WallTime(at),
            from: call("QA1SKY"),
            to: Some(call("QM3BAR")),
            number: Some(12),
            precedence: Some(Precedence::Emergency),
            remarks: "check 5/7".into(),
        }
    }

    #[test]
    fn moments_are_written_in_utc() {
        for (at, expected) in [
            (0, "1970-01-01 0000Z"),
            (-1, "1969-12-31 2359Z"),
            // The second 1e9 and the leap day of 2000, as the `date` command has them.
            (1_000_000_000_000, "2001-09-09 0146Z"),
            (951_782_400_000, "2000-02-29 0000Z"),
            (1_795_977_000_000, "2026-11-29 1830Z"),
            (i64::MAX, "9999-12-31 2359Z"),
            (i64::MIN, "0000-01-01 0000Z"),
        ] {
            assert_eq!(utc(WallTime(at)), expected);
        }
    }

    #[test]
    fn days_follow_one_another_through_four_centuries() {
        let mut last = civil(-1);
        for day in 0..146_097 {
            let next = civil(day);
            let (year, month, day) = last;
            let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
            let length = match month {
                2 => 28 + i64::from(leap),
                4 | 6 | 9 | 11 => 30,
                _ => 31,
            };
            let expected = match (day == length, month) {
                (false, _) => (year, month, day + 1),
                (true, 12) => (year + 1, 1, 1),
                (true, _) => (year, month + 1, 1),
            };
            assert_eq!(next, expected);
            last = next;
        }
    }

    #[test]
    fn the_table_has_a_row_for_each_entry() {
        let mut log = Log::new(call("QM3BAR"));
        log.add(entry(1_795_977_000_000)).expect("room");
        log.add(LogEntry {
            to: None,
            number: None,
            precedence: None,
            remarks: format!("net\nopened \u{1b}{}", "x".repeat(100)),
            ..entry(1_795_977_060_000)
        })
        .expect("room");
        let expected = format!(
            "\
LOG OF COMMUNICATIONS   station QM3BAR

time UTC          from      to        number prec      remarks
2026-11-29 1830Z  QA1SKY    QM3BAR        12 EMERGENCY check 5/7
2026-11-29 1831Z  QA1SKY    all                        net opened  {}
",
            "x".repeat(MOST_REMARKS - 12)
        );
        assert_eq!(log.printed(), expected);
    }

    #[test]
    fn a_full_log_takes_no_more() {
        let mut log = Log::new(call("QM3BAR"));
        for _ in 0..MOST_ENTRIES {
            assert_eq!(log.add(entry(0)), Ok(()));
        }
        assert_eq!(log.add(entry(7)), Err(Box::new(entry(7))));
        assert_eq!(log.entries().len(), MOST_ENTRIES);
    }
}
