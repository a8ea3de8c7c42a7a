//! Times on the command line and in exports, always UTC.

use anyhow::{Result, bail};
use dunlin_clock::WallTime;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

/// Reads a time in UTC: a date, or a date and a time of the day.
///
/// # Errors
/// A sentence that says what is allowed.
pub fn parse(text: &str) -> std::result::Result<WallTime, String> {
    let fault = || {
        format!(
            "'{text}' is no time; write it in UTC as 2027-01-15, 2027-01-15T18:30 or with seconds"
        )
    };
    let bare = text.strip_suffix(['Z', 'z']).unwrap_or(text);
    let time: DateTime = bare.parse().map_err(|_| fault())?;
    let time = time.to_zoned(TimeZone::UTC).map_err(|_| fault())?;
    Ok(WallTime(time.timestamp().as_millisecond()))
}

/// Makes sure that something can lie between two times.
///
/// # Errors
/// A sentence that says what to do.
pub fn in_order(from: Option<WallTime>, to: Option<WallTime>) -> Result<()> {
    if from.zip(to).is_some_and(|(from, to)| from >= to) {
        bail!("--to is not after --from, so there is nothing between them; give a later --to");
    }
    Ok(())
}

fn formatted(wall: WallTime, format: &str) -> Option<String> {
    let time = jiff::Timestamp::from_millisecond(wall.0).ok()?;
    Some(time.strftime(format).to_string())
}

/// A time as ISO 8601 has it, with milliseconds; `None` if it is impossible.
pub fn iso(wall: WallTime) -> Option<String> {
    formatted(wall, "%Y-%m-%dT%H:%M:%S.%3fZ")
}

/// Year, month and day without anything between.
pub fn date(wall: WallTime) -> Option<String> {
    formatted(wall, "%Y%m%d")
}

/// Hour, minute and second without anything between.
pub fn of_day(wall: WallTime) -> Option<String> {
    formatted(wall, "%H%M%S")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_utc_and_written_again() {
        for (text, wanted) in [
            ("2027-01-15", "2027-01-15T00:00:00.000Z"),
            ("2027-01-15T18:30", "2027-01-15T18:30:00.000Z"),
            ("2027-01-15 18:30:05Z", "2027-01-15T18:30:05.000Z"),
        ] {
            let wall = parse(text).expect(text);
            assert_eq!(iso(wall).as_deref(), Some(wanted));
        }
        let wall = parse("2027-01-15T18:30:05").expect("a time");
        assert_eq!(date(wall).as_deref(), Some("20270115"));
        assert_eq!(of_day(wall).as_deref(), Some("183005"));
        for bad in ["", "yesterday", "2027-13-01", "2027-01-15T25:00"] {
            assert!(parse(bad).is_err(), "{bad}");
        }
        assert_eq!(iso(WallTime(i64::MAX)), None);
    }
}
