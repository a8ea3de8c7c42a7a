//! Lengths of time on the command line: 90s, 20m, 1h.

use dunlin_clock::Duration;

const UNITS: [(&str, u64); 5] = [
    ("ms", 1),
    ("s", 1000),
    ("min", 60_000),
    ("m", 60_000),
    ("h", 3_600_000),
];
/// The longest rehearsal.
const LONGEST: Duration = Duration::from_secs(7 * 24 * 3600);

/// Reads a length of time.
///
/// # Errors
/// A sentence that says what is allowed.
pub fn parse(text: &str) -> Result<Duration, String> {
    let allowed = "write a whole number and a unit (ms, s, m, min or h), such as 90s or 20m";
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    let (number, unit) = (&text[..end], text[end..].trim());
    let number: u64 = number
        .parse()
        .map_err(|_| format!("'{text}' is no length of time; {allowed}"))?;
    let Some((_, factor)) = UNITS.iter().find(|(name, _)| *name == unit) else {
        return Err(format!("'{text}' has no unit of time; {allowed}"));
    };
    let span = number.checked_mul(*factor).map(Duration::from_millis);
    match span.filter(|span| *span > Duration::ZERO && *span <= LONGEST) {
        Some(span) => Ok(span),
        None => Err(format!("'{text}' is out of range; from 1ms to 168h")),
    }
}

/// A length of time for people: "14 s", "3 min", "2 h 5 min".
pub fn short(span: Duration) -> String {
    let seconds = span.as_secs();
    match (seconds / 3600, seconds / 60 % 60) {
        (0, 0) => format!("{seconds} s"),
        (0, minutes) => format!("{minutes} min"),
        (hours, 0) => format!("{hours} h"),
        (hours, minutes) => format!("{hours} h {minutes} min"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_of_time_are_short_for_people() {
        let short = |s| short(Duration::from_secs(s));
        assert_eq!(short(14), "14 s");
        assert_eq!(short(185), "3 min");
        assert_eq!(short(7500), "2 h 5 min");
        assert_eq!(short(7200), "2 h");
    }

    #[test]
    fn lengths_of_time_are_read() {
        assert_eq!(parse("90s"), Ok(Duration::from_secs(90)));
        assert_eq!(parse("20m"), Ok(Duration::from_secs(1200)));
        assert_eq!(parse("20 min"), Ok(Duration::from_secs(1200)));
        assert_eq!(parse("1h"), Ok(Duration::from_secs(3600)));
        for bad in [
            "",
            "20",
            "m",
            "0s",
            "-3s",
            "1.5h",
            "20 parsecs",
            "99999999999h",
            "169h",
        ] {
            assert!(parse(bad).is_err(), "{bad}");
        }
    }
}
