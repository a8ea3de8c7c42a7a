//! What the conditions of the gate say to people: on what evidence, and what would open them.

use dunlin_clock::{Duration, Instant, WallTime};

use super::judge::{Gate, Report, Sensed, Why};
use super::key_down::{HOUR, SPARE, TEN_MINUTES, Window};
use super::{CarrierSense, Medium, Stop};
use crate::config::PortConfig;
use crate::event::PortId;
use crate::port::{ChannelSound, SoundKind};
use crate::words::{span, times};

/// Data tones of one transmission do not last so long. Longest transmissions that plans
/// allow are ten minutes, common ones under 30 s; common practice, no source.
const LONG_DATA: Duration = Duration::from_secs(120);

/// What the sentences about a port are made of.
#[derive(Debug)]
pub(crate) struct Facts<'a> {
    pub(crate) now: Instant,
    pub(crate) port: &'a PortConfig,
    pub(crate) ports: &'a [PortConfig],
    pub(crate) gate: &'a Gate,
    /// What has stopped this port: the station's stop, and its own.
    pub(crate) stops: Vec<&'a Stop>,
    /// Since when data tones, energy, the external line occupy the channel.
    pub(crate) data: Option<Instant>,
    /// By which lines and inputs data tones are heard, in words; empty where there is one only.
    pub(crate) data_by: String,
    pub(crate) energy: Option<Instant>,
    pub(crate) external: Option<Instant>,
    /// The external line is gone by and has not been read yet.
    pub(crate) external_unread: bool,
    /// What kind of sound the port hears.
    pub(crate) sound: Option<&'a ChannelSound>,
    /// The first transmission that waits, how long it takes.
    pub(crate) length: Option<Duration>,
}

impl Facts<'_> {
    /// Evidence and remedy of a condition. The remedy of an open one is empty.
    pub(crate) fn say(&self, why: Why) -> (String, String) {
        match why {
            Why::Allowed | Why::ReceiveOnly | Why::CallSignSet | Why::Invented(_) => {
                self.of_plan(why)
            }
            Why::NotStopped | Why::Stopped => self.of_stop(),
            Why::HasListened
            | Why::ListensUntil(_)
            | Why::ListensFromDevice
            | Why::ListensAnew(_)
            | Why::NoSound(_)
            | Why::HearsFirst => self.of_listening(why),
            Why::DeviceNotNeeded | Why::DeviceHealthy | Why::DeviceUnknown | Why::DeviceLost => {
                self.of_device(why)
            }
            Why::LineNotNeeded
            | Why::LineReleased
            | Why::LineInUse
            | Why::LineUnknown
            | Why::LineDown
            | Why::LineFailed
            | Why::LineStuck => self.of_key_line(why),
            Why::CarriesCall => open("nothing was sent that the call sign has not followed"),
            Why::OwesCall(until) => open(&format!(
                "something was sent that the call sign has to follow; it does so by itself, at \
                 the latest in {}, or with the next transmission",
                span(until.since(self.now))
            )),
            Why::CannotIdentify(length) => shut(
                &format!(
                    "a frame with the call sign takes {}, longer than the key may be down",
                    span(length)
                ),
                "Raise the limit of one transmission in the station plan, or shorten the key-up \
                 delay.",
            ),
            Why::Room | Why::NoRoom(..) => self.of_key_down(why),
            Why::Alone | Why::OtherKeyed(_) | Why::OtherHears(_) => self.of_others(why),
            Why::OwnTransmission => open("this port is transmitting and does not listen"),
            Why::Clear => open(&format!("the channel is clear: {}", self.clear())),
            Why::FullDuplex => open(
                "this port sends on another frequency than it hears (full_duplex), so it does not \
                 wait for what it hears",
            ),
            Why::Occupied(sensed) => self.occupied(sensed),
            Why::NothingWaits | Why::NotDrawn | Why::Drawing(_) => self.of_slot(why),
        }
    }

    fn of_plan(&self, why: Why) -> (String, String) {
        match why {
            Why::ReceiveOnly => shut(
                "the station plan makes this port receive-only",
                "Give the port an output in the station plan if it shall transmit.",
            ),
            Why::Invented(call) => shut(
                &format!("{call} is an invented call sign: no country has the letter Q"),
                "Put your own call sign into the station plan.",
            ),
            Why::CallSignSet if self.port.gate.real_radio => {
                open(&format!("the call sign is {}", self.port.call))
            }
            Why::CallSignSet => open(&format!(
                "the call sign is {}; no radio is behind this port",
                self.port.call
            )),
            _ => open("the station plan allows this port to transmit"),
        }
    }

    fn of_stop(&self) -> (String, String) {
        let Some(stop) = self.stops.first() else {
            return open("nobody has stopped the station or this port");
        };
        let remedy = match (stop.port, self.stops.len()) {
            (None, 1) => "Press Start or run `dunlin start`.".into(),
            (None, _) => format!(
                "Press Start or run `dunlin start`; this port was stopped besides, so then run \
                 `dunlin start {}`.",
                self.port.name
            ),
            (Some(_), _) => format!(
                "Press Start of this port or run `dunlin start {}`.",
                self.port.name
            ),
        };
        shut(&stopped(stop), &remedy)
    }

    fn of_listening(&self, why: Why) -> (String, String) {
        match why {
            Why::ListensUntil(until) => shut(
                &format!(
                    "after the start the port only listens, {} more",
                    span(until.since(self.now))
                ),
                "Wait; it opens by itself.",
            ),
            Why::ListensAnew(until) => shut(
                &format!(
                    "sound has just come back from the device; the port listens {} more",
                    span(until.since(self.now))
                ),
                "Wait; it opens by itself.",
            ),
            Why::NoSound(since) => shut(
                &format!(
                    "no sound has come from the device for {}, so the channel cannot be heard",
                    span(self.now.since(since))
                ),
                "Look at the sound device and its cable; the port goes on by itself when sound \
                 comes again.",
            ),
            Why::ListensFromDevice => shut(
                "the port has not listened since the start: its device has not been there yet",
                "See to the device; the port then listens first.",
            ),
            Why::HearsFirst => {
                let sensed = self.sensed();
                let (evidence, remedy) = self.occupied(sensed);
                let evidence = format!("since the start the channel was never clear: {evidence}");
                (evidence, remedy)
            }
            _ => open("the port has listened since the start"),
        }
    }

    fn of_device(&self, why: Why) -> (String, String) {
        match (why, &self.gate.device) {
            (Why::DeviceLost, Report::Bad(text)) => shut(
                text,
                "Look after the device, its cable and its power; the port goes on by itself \
                 when it is back.",
            ),
            (Why::DeviceHealthy, Report::Good(text)) => open(text),
            (Why::DeviceUnknown, _) => shut(
                "the device of this port has not been opened yet",
                "Wait some seconds; if that does not help, look at the device in the station \
                 plan.",
            ),
            _ => open("this port needs no device"),
        }
    }

    fn of_key_line(&self, why: Why) -> (String, String) {
        let since = span(self.now.since(self.gate.line_since));
        match (why, &self.gate.line) {
            (Why::LineFailed, Report::Bad(text)) => shut(
                text,
                "Look after the key line and its keyer; the port goes on by itself when the key \
                 is proved released.",
            ),
            (Why::LineReleased, Report::Good(text)) => open(text),
            (Why::LineInUse, _) => open("the key is down for this port's own transmission"),
            (Why::LineStuck, _) => shut(
                "the end of a transmission was never reported, so the key may still be down",
                "Look whether the radio transmits, and switch it off if it does; the port goes \
                 on when the key is proved released.",
            ),
            (Why::LineUnknown, _) => shut(
                "the key line has not been proved released since the start",
                "Wait some seconds; if that does not help, look at the key line in the station \
                 plan.",
            ),
            (Why::LineDown, _) => shut(
                &format!("the key is held down for {since}, though nothing is being sent"),
                "Look whether the radio transmits, and switch it off if it does.",
            ),
            _ => open("this port has no key line to look after"),
        }
    }

    fn of_key_down(&self, why: Why) -> (String, String) {
        let limits = &self.port.gate.limits;
        let (ten, hour) = (
            self.gate.key_down.used(self.now, TEN_MINUTES),
            self.gate.key_down.used(self.now, HOUR),
        );
        let Why::NoRoom(window, until) = why else {
            return open(&format!(
                "the key was down {} of the last ten minutes (limit {}) and {} of the last hour \
                 (limit {})",
                span(ten),
                span(limits.ten_minutes),
                span(hour),
                span(limits.hour)
            ));
        };
        if let Some(down) = self.gate.key_down.down_since() {
            let evidence = format!(
                "the key has been down for {}, as long as it may",
                span(self.now.since(down))
            );
            return shut(&evidence, "The key is being released.");
        }
        let used = match window {
            Window::Single => format!("{} are allowed in one transmission", span(limits.single)),
            Window::TenMinutes => format!(
                "it was down {} of the last ten minutes, and {} are allowed",
                span(ten),
                span(limits.ten_minutes)
            ),
            Window::Hour => format!(
                "it was down {} of the last hour, and {} are allowed",
                span(hour),
                span(limits.hour)
            ),
        };
        let need = span(self.length.unwrap_or_default() + SPARE);
        let evidence = format!("the next transmission needs the key for {need}; {used}");
        match until {
            Some(at) => {
                let remedy = format!("Wait: there is room in {}.", span(at.since(self.now)));
                shut(&evidence, &remedy)
            }
            None => shut(
                &evidence,
                "Send shorter frames on this port, or raise the limit in the station plan.",
            ),
        }
    }

    fn of_others(&self, why: Why) -> (String, String) {
        match why {
            Why::OtherKeyed(port) => shut(
                &format!(
                    "{} transmits, and the two never transmit together",
                    self.name(port)
                ),
                "Wait for its end.",
            ),
            Why::OtherHears(port) => shut(
                &format!(
                    "{} hears data, and this port lets it listen",
                    self.name(port)
                ),
                "Wait for its end.",
            ),
            _ => open("no other port stands in the way"),
        }
    }

    fn name(&self, port: PortId) -> &str {
        let port = self.ports.get(usize::from(port.0));
        port.map_or("another port", |p| p.name.as_str())
    }

    fn of_slot(&self, why: Why) -> (String, String) {
        let timing = &self.port.timing;
        let remedy = format!(
            "Wait: each slot of {} ms is won with a chance of {} %.",
            timing.slot_time.as_millis(),
            (timing.persistence * 100.0).round()
        );
        match why {
            Why::Drawing(_) if self.port.medium == Medium::Controller => shut(
                "the frames are being collected for the controller",
                "Wait; they leave in a moment.",
            ),
            Why::Drawing(_) if self.port.full_duplex => shut(
                "the frames are being collected for one transmission",
                "Wait; they leave in a moment.",
            ),
            Why::Drawing(0) => shut("the channel is clear; waiting for a slot", &remedy),
            Why::Drawing(n) => shut(
                &format!("the channel is clear; lost the draw {}", times(n)),
                &remedy,
            ),
            Why::NotDrawn => shut(
                "no slot is drawn as long as anything before it is shut",
                "See to that first.",
            ),
            _ => open("nothing waits for a slot"),
        }
    }

    /// What occupies the channel, of what the port goes by.
    fn sensed(&self) -> Sensed {
        let CarrierSense {
            data,
            energy,
            external,
        } = self.port.gate.sense;
        Sensed {
            data: data && self.data.is_some(),
            energy: energy && self.energy.is_some(),
            external: external && (self.external.is_some() || self.external_unread),
        }
    }

    /// Why the channel counts as clear.
    fn clear(&self) -> String {
        let CarrierSense {
            data,
            energy,
            external,
        } = self.port.gate.sense;
        let senses = [
            (data, "no data tones"),
            (energy, "no energy above the noise"),
            (external, "the radio's line says clear"),
        ];
        let chosen: Vec<&str> = senses.iter().filter(|s| s.0).map(|s| s.1).collect();
        match chosen.is_empty() {
            true => "the controller listens itself".into(),
            false => chosen.join(", "),
        }
    }

    /// What kind of sound holds the energy detector, what it means, and what helps.
    fn heard(&self) -> (String, &'static str, &'static str) {
        let at = self
            .sound
            .map_or(String::new(), |s| format!(" at {:.0} dBFS", s.level_dbfs));
        let kind = self.sound.map_or(SoundKind::Unknown, |s| s.kind);
        let (what, meaning, remedy) = match kind {
            SoundKind::Hiss => (
                "steady noise",
                ": the squelch is open",
                "Close it, or sense data tones instead.",
            ),
            SoundKind::Hum => (
                "hum of the mains",
                ": a ground loop or a bad cable",
                "Look at the cable, or sense data tones instead.",
            ),
            SoundKind::Voice => (
                "speech",
                ": somebody speaks",
                "Wait until they have finished.",
            ),
            SoundKind::SteadyTone => (
                "a steady tone",
                ": a carrier or a whistle",
                "Listen to the radio; tune it away, or sense data tones instead.",
            ),
            SoundKind::OwnData | SoundKind::OffTuneData | SoundKind::OtherData => {
                ("data", ": others are sending", "Wait for the end of it.")
            }
            _ => (
                "energy above the noise",
                "",
                "Wait for the end of it; if it does not end, close the squelch, or sense data \
                 tones instead.",
            ),
        };
        (format!("{what}{at}"), meaning, remedy)
    }

    /// What occupies the channel, and what helps.
    fn occupied(&self, sensed: Sensed) -> (String, String) {
        let lasts = |since: Option<Instant>| self.now.since(since.unwrap_or(self.now));
        if sensed.data {
            let lasts = lasts(self.data);
            let evidence = format!(
                "the channel is busy: data tones{} for {}",
                self.data_by,
                span(lasts)
            );
            let remedy = match lasts > LONG_DATA {
                true => {
                    "No transmission lasts so long: something sounds like data. Listen to the \
                     radio."
                }
                false => "Wait for the end of it.",
            };
            return shut(&evidence, remedy);
        }
        let tones = match self.data {
            Some(_) => "data tones in it",
            None => "no data tones in it",
        };
        if sensed.energy {
            let (what, meaning, remedy) = self.heard();
            let lasts = span(lasts(self.energy));
            let evidence =
                format!("{what} holds the energy detector for {lasts}, {tones}{meaning}");
            return shut(&evidence, remedy);
        }
        if self.external_unread {
            return shut(
                "the radio's busy line has not been read yet",
                "Wait some seconds; if that does not help, look at the line in the station plan.",
            );
        }
        let evidence = format!(
            "the radio's own line has said occupied for {}, {tones}",
            span(lasts(self.external))
        );
        let remedy = "Wait for the end of it; if it does not end, set the radio's squelch, or \
                      look at the line and its polarity.";
        shut(&evidence, remedy)
    }
}

/// "stopped by Ann at 12:57 UTC on 2026-11-25 because of a storm warning".
pub(crate) fn stopped(stop: &Stop) -> String {
    let what = match stop.port {
        None => "the station was stopped",
        Some(_) => "this port was stopped",
    };
    let because = match stop.why.is_empty() {
        true => String::new(),
        false => format!(" because: {}", stop.why),
    };
    format!("{what} by {} at {}{because}", stop.by, utc(stop.at))
}

/// "12:57 UTC on 2026-11-25". The calendar is the Gregorian one; days are counted from
/// 1 March of year 0, so that the leap day comes last.
pub(crate) fn utc(at: WallTime) -> String {
    let (days, ms) = (at.0.div_euclid(86_400_000), at.0.rem_euclid(86_400_000));
    let days = days + 719_468; // 0000-03-01 to 1970-01-01.
    let (era, day_of_era) = (days.div_euclid(146_097), days.rem_euclid(146_097));
    let year = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day = day_of_era - (365 * year + year / 4 - year / 100);
    let month = (5 * day + 2) / 153; // 0 = March.
    let day = day - (153 * month + 2) / 5 + 1;
    let (year, month) = match month < 10 {
        true => (era * 400 + year, month + 3),
        false => (era * 400 + year + 1, month - 9),
    };
    let (hour, minute) = (ms / 3_600_000, ms / 60_000 % 60);
    format!("{hour:02}:{minute:02} UTC on {year:04}-{month:02}-{day:02}")
}

fn open(evidence: &str) -> (String, String) {
    (evidence.to_owned(), String::new())
}

fn shut(evidence: &str, remedy: &str) -> (String, String) {
    (evidence.to_owned(), remedy.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wall_time_reads_as_hour_and_date() {
        // RFC 3339 and its leap day; the others are the ends of a year and a century.
        for (ms, text) in [
            (0, "00:00 UTC on 1970-01-01"),
            (951_827_696_000, "12:34 UTC on 2000-02-29"),
            (1_709_251_199_999, "23:59 UTC on 2024-02-29"),
            (4_107_542_400_000, "00:00 UTC on 2100-03-01"),
            (1_798_761_599_000, "23:59 UTC on 2026-12-31"),
            (-1, "23:59 UTC on 1969-12-31"),
        ] {
            assert_eq!(utc(WallTime(ms)), text);
        }
    }
}
