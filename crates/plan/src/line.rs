//! What of the mode is chosen differently: tones, symbol rate, polarity.

use dunlin_modem::{
    Line, LineSettings, Mode, ModemError, NamedPair, SHIFT_BAUD, TONE_BAUD, TonePair,
};
use dunlin_station::port::MOST_LINES;

use crate::fault::Faults;
use crate::rule::{Choice, Whole, YesNo};
use crate::section::Section;
use crate::setting::Setting;
use crate::settings;

/// The keys beside `mode` in one table.
struct Keys {
    tones: &'static Setting<Choice<NamedPair>>,
    mark: &'static Setting<Whole>,
    space: &'static Setting<Whole>,
    rate: &'static Setting<Whole>,
    inverted: &'static Setting<YesNo>,
}

/// Reads the keys beside the `mode` of a port. A named pair brings its symbol rate with it.
pub(crate) fn read(section: &mut Section<'_>, mode: Mode, faults: &mut Faults<'_>) -> Option<Line> {
    let keys = Keys {
        tones: &settings::TONES,
        mark: &settings::MARK,
        space: &settings::SPACE,
        rate: &settings::SYMBOL_RATE,
        inverted: &settings::INVERTED,
    };
    with_keys(&keys, section, mode, faults)
}

/// Reads what a port listens to besides its own `line`: `[[port.also_hears]]`.
pub(crate) fn also(
    section: &mut Section<'_>,
    line: Option<Line>,
    faults: &mut Faults<'_>,
) -> Option<Vec<Line>> {
    let keys = Keys {
        tones: &settings::ALSO_TONES,
        mark: &settings::ALSO_MARK,
        space: &settings::ALSO_SPACE,
        rate: &settings::ALSO_SYMBOL_RATE,
        inverted: &settings::ALSO_INVERTED,
    };
    let title = "[[port.also_hears]]";
    let tables = section.tables("also_hears", title, MOST_LINES - 1, faults);
    let (mut lines, mut whole) = (Vec::new(), true);
    for mut table in tables {
        let mode = table.take(&settings::ALSO_MODE, faults);
        let read = mode.and_then(|mode| with_keys(&keys, &mut table, mode, faults));
        match read {
            Some(other) if Some(other) == line || lines.contains(&other) => {
                let what = format!("mode: {other} is listened to already");
                let allowed = "another mode, or other tones or another symbol rate with it";
                faults.add(table.at("mode"), what, allowed);
                whole = false;
            }
            Some(other) => lines.push(other),
            None => whole = false,
        }
        table.finish(faults);
    }
    whole.then_some(lines)
}

fn with_keys(
    keys: &Keys,
    section: &mut Section<'_>,
    mode: Mode,
    faults: &mut Faults<'_>,
) -> Option<Line> {
    let named = section.take(keys.tones, faults);
    let mark = section.take(keys.mark, faults);
    let space = section.take(keys.space, faults);
    let rate = section.take(keys.rate, faults);
    let inverted = section.take(keys.inverted, faults)?;
    // What was written wrongly is not replaced by the mode's own.
    let missed = [
        ("tones", named.is_none()),
        ("mark_hz", mark.is_none()),
        ("space_hz", space.is_none()),
        ("symbol_rate_baud", rate.is_none()),
    ];
    if missed
        .iter()
        .any(|(key, none)| *none && section.was_written(key))
    {
        return None;
    }
    if named.is_some() && (mark.is_some() || space.is_some()) {
        let what = "tones: a named pair and single tones are given";
        faults.add(
            section.at("tones"),
            what,
            "either tones, or mark_hz and space_hz",
        );
        return None;
    }
    let tones = match (mark, space) {
        (Some(mark_hz), Some(space_hz)) => Some(TonePair { mark_hz, space_hz }),
        (None, None) => named.map(|pair| pair.tones),
        (one, _) => {
            let (given, missing) = match one {
                Some(_) => ("mark_hz", "space_hz"),
                None => ("space_hz", "mark_hz"),
            };
            let what = format!("{given}: one tone alone is no pair");
            faults.add(section.at(given), what, format!("{missing} beside it"));
            return None;
        }
    };
    let settings = LineSettings {
        baud: rate.or(named.map(|pair| pair.baud)),
        tones,
        inverted,
    };
    match Line::new(mode, settings) {
        Ok(line) => Some(line),
        Err(error) => {
            let (key, allowed) = remedy(&error, section);
            faults.add(section.at(key), format!("{key}: {error}"), allowed);
            None
        }
    }
}

/// The key to look at, and what may stand there.
fn remedy(error: &ModemError, section: &Section<'_>) -> (&'static str, String) {
    let first = |keys: &[&'static str]| {
        let written = keys.iter().find(|key| section.was_written(key));
        *written.unwrap_or(&"mode")
    };
    match error {
        ModemError::TonesWithoutTones { .. } => (
            first(&["tones", "mark_hz"]),
            "no tones here, or a mode of tones: afsk300, afsk600, afsk1200".to_owned(),
        ),
        ModemError::BaudOutOfRange { .. } => {
            let (tones, shift) = (TONE_BAUD, SHIFT_BAUD);
            let allowed = format!(
                "{} to {} for tones, {} to {} for direct frequency shift",
                tones.start(),
                tones.end(),
                shift.start(),
                shift.end()
            );
            (first(&["symbol_rate_baud", "tones"]), allowed)
        }
        ModemError::ShiftTooSmall { .. } | ModemError::ShiftTooLarge { .. } => (
            first(&["symbol_rate_baud", "mark_hz", "tones"]),
            "tones that lie half the symbol rate to twice the symbol rate apart".to_owned(),
        ),
        ModemError::ToneTooLow { .. } => (
            first(&["symbol_rate_baud", "mark_hz", "tones"]),
            "tones of half the symbol rate at least".to_owned(),
        ),
        _ => (
            first(&["mark_hz", "tones"]),
            "two different tones of 200 to 10000 Hz".to_owned(),
        ),
    }
}
