//! What the plan says of a radio: `[port.radio]`. It sets nothing; checks use it.

use crate::fault::Faults;
use crate::section::Section;
use crate::settings;

/// Kind of a radio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RadioKind {
    /// Single sideband on HF.
    HfSsb,
    /// FM through microphone and loudspeaker.
    VhfFm,
    /// The same, small and from a battery.
    Handheld,
    /// FM through a data connection.
    DataPort,
}

impl RadioKind {
    /// FM of any kind.
    pub fn is_fm(self) -> bool {
        self != RadioKind::HfSsb
    }
}

/// Sideband of a single-sideband radio.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sideband {
    /// Above the dial frequency.
    Upper,
    /// Below it.
    Lower,
}

/// What the receiver does with sound while nothing is heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Squelch {
    /// Lets it pass.
    Open,
    /// Cuts it.
    Closed,
    /// Not said.
    Unknown,
}

/// `[port.radio]`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RadioPlan {
    /// Kind of the radio.
    pub kind: RadioKind,
    /// What the dial shows, kHz.
    pub dial_khz: Option<f64>,
    /// Sideband, for single sideband.
    pub sideband: Option<Sideband>,
    /// Squelch.
    pub squelch: Squelch,
    /// FM: spacing of the channels, kHz.
    pub channel_khz: Option<f64>,
    /// Power while keyed, W.
    pub power_w: Option<f64>,
    /// Share of the time that it may be keyed at this power, per cent.
    pub rated_duty_percent: f64,
    /// Bandwidth on the air if it was given, Hz.
    pub bandwidth_hz: Option<f64>,
    /// Nobody is at the controls (automatic control).
    pub unattended: bool,
}

impl RadioPlan {
    /// Reads `[port.radio]`. All is taken before anything can be missing.
    pub(crate) fn read(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<RadioPlan> {
        let kind = section.take(&settings::RADIO_KIND, faults);
        let dial_khz = section.take(&settings::DIAL, faults);
        let sideband = section.take(&settings::SIDEBAND, faults);
        let squelch = section.take(&settings::SQUELCH, faults);
        let channel_khz = section.take(&settings::CHANNEL_WIDTH, faults);
        let power_w = section.take(&settings::POWER, faults);
        let duty = section.take(&settings::RATED_DUTY, faults);
        let bandwidth_hz = section.take(&settings::BANDWIDTH, faults);
        let unattended = section.take(&settings::UNATTENDED, faults);
        let kind = kind?;
        let usual = match kind {
            RadioKind::HfSsb | RadioKind::Handheld => 50.0,
            RadioKind::VhfFm | RadioKind::DataPort => 100.0,
        };
        Some(RadioPlan {
            kind,
            dial_khz,
            sideband,
            squelch: squelch?,
            channel_khz,
            power_w,
            rated_duty_percent: duty.unwrap_or(usual),
            bandwidth_hz,
            unattended: unattended?,
        })
    }
}
