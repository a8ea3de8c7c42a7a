//! How a port guards its key: `[port.sense]` and `[port.limits]`.

use dunlin_station::gate::{CarrierSense, GateConfig, KeyDownLimits};

use crate::device::{SquelchLine, squelch_line};
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
