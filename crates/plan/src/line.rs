//! What of the mode is chosen differently: tones, symbol rate, polarity.

use dunlin_modem::{Line, LineSettings, Mode, ModemError, SHIFT_BAUD, TONE_BAUD, TonePair};

use crate::fault::Faults;
use crate::section::Section;
use crate::settings;

/// Reads the keys beside `mode`. A named pair brings its symbol rate with it.
pub(crate) fn read(section: &mut Section<'_>, mode: Mode, faults: &mut Faults<'_>) -> Option<Line> {
    let named = section.take(&settings::TONES, faults);
    let mark = section.take(&settings::MARK, faults);
    let space = section.take(&settings::SPACE, faults);
    let rate = section.take(&settings::SYMBOL_RATE, faults);
    let inverted = section.take(&settings::INVERTED, faults)?;
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
