//! How a port guards its key: `[port.sense]` and `[port.limits]`.

use dunlin_station::gate::{CarrierSense, GateConfig, KeyDownLimits};

use crate::device::{ExternalSense, SquelchLine, codec_pin, needed};
use crate::fault::Faults;
use crate::section::Section;
use crate::settings;

/// `[port.sense]`.
pub(crate) struct SensePart {
    pub sense: CarrierSense,
    pub margin_db: f64,
    pub line: Option<SquelchLine>,
}

/// Reads `[port.sense]` of a port.
pub(crate) fn sense(port: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<SensePart> {
    let mut table = port.table_or_empty("sense", "[port.sense]", faults);
    let data = table.take(&settings::SENSE_DATA, faults);
    let energy = table.take(&settings::SENSE_ENERGY, faults);
    let margin = table.take(&settings::ENERGY_MARGIN, faults);
    let line = squelch_line(&mut table, faults);
    table.finish(faults);
    let line = line?;
    Some(SensePart {
        sense: CarrierSense {
            data: data?,
            energy: energy?,
            external: line.is_some(),
        },
        margin_db: margin?,
        line,
    })
}

/// Reads `[port.limits]` of a port and puts the gate together.
pub(crate) fn gate(
    port: &mut Section<'_>,
    sense: Option<CarrierSense>,
    is_loop: bool,
    faults: &mut Faults<'_>,
) -> Option<GateConfig> {
    let real = !port.rules().rehearsal;
    let mut table = port.table_or_empty("limits", "[port.limits]", faults);
    let single = table.take(&settings::SINGLE, faults);
    let ten_minutes = table.take(&settings::TEN_MINUTES, faults);
    let hour = table.take(&settings::HOUR_LIMIT, faults);
    let wait_alarm = table.take(&settings::WAIT_ALARM, faults);
    let identify_every = table.take(&settings::IDENTIFY_EVERY, faults);
    let interlock = table.take(&settings::INTERLOCK, faults);
    let settle = table.take(&settings::SETTLE, faults);
    table.finish(faults);
    Some(GateConfig {
        sense: sense?,
        limits: KeyDownLimits {
            single: single?,
            ten_minutes: ten_minutes?,
            hour: hour?,
        },
        interlock: interlock?,
        identify_every: identify_every?,
        wait_alarm: wait_alarm?,
        settle: settle?,
        needs_proof: real,
        real_radio: real && !is_loop,
    })
}

/// Reads the line of `[port.sense]`: `Some(None)` = there is none, `None` = it is wrong.
fn squelch_line(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<Option<SquelchLine>> {
    let external = section.take(&settings::EXTERNAL, faults);
    let device = section.take(&settings::SENSE_DEVICE, faults);
    let line = section.take(&settings::SENSE_LINE, faults);
    let chip = section.take(&settings::SENSE_CHIP, faults);
    let pin = section.take(&settings::SENSE_PIN, faults);
    let inverted = section.take(&settings::SENSE_INVERTED, faults);
    let found = match external? {
        ExternalSense::None => return Some(None),
        ExternalSense::Serial => {
            let choice = "external = \"serial\"";
            needed(section, &settings::SENSE_DEVICE, &device, choice, faults);
            SquelchLine::Serial {
                device: device?,
                line: line?,
                inverted: inverted?,
            }
        }
        ExternalSense::Gpio => {
            let choice = "external = \"gpio\"";
            needed(section, &settings::SENSE_CHIP, &chip, choice, faults);
            needed(section, &settings::SENSE_PIN, &pin, choice, faults);
            SquelchLine::Gpio {
                chip: chip?,
                pin: pin?,
                inverted: inverted?,
            }
        }
        ExternalSense::Hid => {
            let choice = "external = \"hid\"";
            needed(section, &settings::SENSE_DEVICE, &device, choice, faults);
            needed(section, &settings::SENSE_PIN, &pin, choice, faults);
            SquelchLine::Hid {
                device: device?,
                pin: codec_pin(section, pin?, faults)?,
                inverted: inverted?,
            }
        }
    };
    Some(Some(found))
}
