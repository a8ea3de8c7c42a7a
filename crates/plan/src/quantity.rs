//! Numbers with units, as people write them: "300 ms", "-6 dBFS", "30 Hz".

use std::time::Duration;

/// A unit and what one of it is in the base unit of its kind.
pub(crate) type Unit = (&'static str, f64);

/// Units of time; the base unit is the millisecond.
pub(crate) const TIME: &[Unit] = &[("ms", 1.0), ("s", 1e3), ("min", 60e3), ("h", 3600e3)];
/// The value of `text` in the base unit of `units`, or what is wrong with it.
pub(crate) fn parse(text: &str, units: &[Unit]) -> Result<f64, String> {
    let text = text.trim();
    let is_number = |c: char| c.is_ascii_digit() || matches!(c, '+' | '-' | '.');
    let end = text.find(|c| !is_number(c)).unwrap_or(text.len());
    let (number, unit) = (&text[..end], text[end..].trim());
    let value: f64 = match number.parse() {
        Ok(value) if number.len() <= 15 => value,
        _ => return Err(format!("'{}' does not begin with a number", shorten(text))),
    };
    if unit.is_empty() {
        return Err(format!("'{number}' has no unit"));
    }
    match units.iter().find(|(name, _)| *name == unit) {
        Some((_, factor)) => Ok(value * factor),
        None => Err(format!("'{}' is no unit for this", shorten(unit))),
    }
}

/// The names of units in a row: "ms, s, min, h".
pub(crate) fn names(units: &[Unit]) -> String {
    let names: Vec<&str> = units.iter().map(|(name, _)| *name).collect();
    names.join(", ")
}

/// A length of time as people write it: the largest unit of which it is a
/// whole number of quarters.
pub(crate) fn time(milliseconds: f64) -> String {
    let fits = |unit: f64| milliseconds >= unit && (milliseconds / unit * 4.0).fract() == 0.0;
    let unit = TIME.iter().rev().find(|(_, factor)| fits(*factor));
    let (name, factor) = unit.copied().unwrap_or(("ms", 1.0));
    format!("{} {name}", milliseconds / factor)
}

/// The same for a duration.
pub(crate) fn duration(d: Duration) -> String {
    time(d.as_secs_f64() * 1e3)
}

/// The first part of a text that may be long or wild, for a message.
pub(crate) fn shorten(text: &str) -> String {
    const MOST: usize = 40;
    let tame = |c: char| if c.is_control() { '\u{FFFD}' } else { c };
    let mut short: String = text.chars().take(MOST).map(tame).collect();
    if text.chars().nth(MOST).is_some() {
        short.push('…');
    }
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_with_units_are_read() {
        assert_eq!(parse("300 ms", TIME), Ok(300.0));
        assert_eq!(parse(" 2.5s ", TIME), Ok(2500.0));
        assert_eq!(parse("10 min", TIME), Ok(600_000.0));
    }

    #[test]
    fn what_is_not_a_number_with_a_unit_is_refused() {
        assert_eq!(parse("300", TIME), Err("'300' has no unit".into()));
        assert_eq!(parse("3 Hz", TIME), Err("'Hz' is no unit for this".into()));
        assert_eq!(parse("3 MS", TIME), Err("'MS' is no unit for this".into()));
        for bad in [
            "", "ms", "1.2.3 s", "--1 s", "1e3 s", "inf s", "NaN ms", "٣ s",
        ] {
            assert!(parse(bad, TIME).is_err(), "{bad}");
        }
        assert!(parse(&format!("{} s", "9".repeat(400)), TIME).is_err());
    }

    #[test]
    fn times_are_written_as_people_write_them() {
        assert_eq!(time(0.0), "0 ms");
        assert_eq!(time(300.0), "300 ms");
        assert_eq!(time(2500.0), "2.5 s");
        assert_eq!(time(90_000.0), "1.5 min");
        assert_eq!(time(1_800_000.0), "30 min");
        assert_eq!(time(3_600_000.0), "1 h");
    }
}
