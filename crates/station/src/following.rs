//! Following: the tones sent to a station are moved by the offset at which it is heard, so that
//! it hears us in its middle.
//!
//! A station whose dial is off by as much when it hears as when it sends, and is heard `m` hertz
//! too high, hears us `m` hertz too low. So its frames say where to send. If both ends follow,
//! each hears the other's correction too, and two that take it for the other's error chase each
//! other. Four things keep them from it; `docs/transmit.md` has the reasoning:
//!
//! * a bound, which the station plan sets;
//! * a dead band: nothing moves for less than [`DEAD_BAND_HZ`];
//! * slow steps: after the first correction only a third of the way at a time, and none before
//!   [`FEWEST`] frames were heard since the last step, so that the other's answer to it is seen;
//! * an end: what was measured is forgotten after [`FRESH`].

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant};

use crate::words;

/// What was measured counts for so long.
const FRESH: Duration = Duration::from_secs(600);
/// Frames heard before the first step, and between two steps.
const FEWEST: usize = 3;
/// Frames of one station that are remembered.
const KEPT: usize = 5;
/// No step for less, hertz: some tens of times the error of the measurement.
const DEAD_BAND_HZ: f32 = 10.0;
/// The share of the way that a step takes, after the first.
const STEP: f32 = 1.0 / 3.0;
/// No transmission lies further from where the mode has its tones, hertz: the modulator's limit.
const FARTHEST_HZ: f32 = 500.0;
/// Stations remembered on one port; the one unheard for longest makes room.
const MOST_STATIONS: usize = 64;

/// Where the tones of a transmission go, and why.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Aim {
    /// How far the tones lie above where the mode has them, hertz.
    pub(crate) offset_hz: f32,
    /// The same in words, with the evidence.
    pub(crate) words: String,
    /// It is another than last time.
    pub(crate) is_new: bool,
}

/// How the tones are moved; the tests have another one, to see that this one matters.
#[derive(Clone, Copy, Debug)]
struct Law {
    step: f32,
    dead_band_hz: f32,
}

/// One station as it was heard.
#[derive(Clone, Debug, Default)]
struct Track {
    /// When and how far above the middle its latest frames were heard, hertz; newest last.
    heard: VecDeque<(Instant, f32)>,
    /// How many of them were heard since the last step.
    fresh: usize,
    /// How far the tones for it are moved from the port's own place, hertz.
    shift_hz: f32,
    has_moved: bool,
}

/// The stations that a port hears, and where it sends to each.
#[derive(Clone, Debug)]
pub(crate) struct Following {
    /// The tones are moved no further, hertz.
    most_hz: f32,
    /// Where the port sends to everybody else, hertz above where the mode has it.
    usual_hz: f32,
    law: Law,
    stations: BTreeMap<CallSign, Track>,
}

impl Following {
    /// Moves tones by up to `most_hz` from `usual_hz`, the port's own offset. `None` if that is
    /// nothing.
    pub(crate) fn new(most_hz: f32, usual_hz: f32) -> Option<Self> {
        let law = Law {
            step: STEP,
            dead_band_hz: DEAD_BAND_HZ,
        };
        (most_hz > 0.0).then(|| Following {
            most_hz,
            usual_hz,
            law,
            stations: BTreeMap::new(),
        })
    }

    /// The transmitter of `call` was heard `offset_hz` above the middle.
    pub(crate) fn heard(&mut self, at: Instant, call: CallSign, offset_hz: f32) {
        if !offset_hz.is_finite() {
            return;
        }
        if !self.stations.contains_key(&call) && self.stations.len() >= MOST_STATIONS {
            let last = |track: &Track| track.heard.back().map(|(at, _)| *at);
            let oldest = self.stations.iter().min_by_key(|(_, track)| last(track));
            if let Some(gone) = oldest.map(|(call, _)| *call) {
                self.stations.remove(&gone);
            }
        }
        let track = self.stations.entry(call).or_default();
        track.forget(at);
        if track.heard.len() >= KEPT {
            track.heard.pop_front();
        }
        track.heard.push_back((at, offset_hz));
        track.fresh = (track.fresh + 1).min(track.heard.len());
    }

    /// Where to send now for `call` to hear it in its middle; `None` = where the port always
    /// sends.
    pub(crate) fn aim(&mut self, now: Instant, call: CallSign) -> Option<Aim> {
        let track = self.stations.get_mut(&call)?;
        track.forget(now);
        if track.heard.is_empty() {
            self.stations.remove(&call);
            return None;
        }
        let is_new = track.step(self.law, self.usual_hz, self.most_hz);
        let offset_hz = self.usual_hz + track.shift_hz;
        (track.shift_hz != 0.0 || is_new).then(|| Aim {
            offset_hz,
            words: track.words(now, call, offset_hz, self.most_hz),
            is_new,
        })
    }
}

impl Track {
    /// Forgets what was measured too long ago, and with the last of it where the tones were.
    fn forget(&mut self, now: Instant) {
        let old = |at: Instant| now.since(at) > FRESH;
        while self.heard.front().is_some_and(|(at, _)| old(*at)) {
            self.heard.pop_front();
        }
        self.fresh = self.fresh.min(self.heard.len());
        if self.heard.is_empty() {
            *self = Track::default();
        }
    }

    /// Moves the tones if enough speaks for it. True if they moved.
    fn step(&mut self, law: Law, usual_hz: f32, most_hz: f32) -> bool {
        if self.fresh < FEWEST {
            return false;
        }
        let latest = self.heard.iter().rev().take(self.fresh);
        let wanted = median(latest.map(|(_, hz)| *hz).collect()) - usual_hz;
        let low = (-FARTHEST_HZ - usual_hz).max(-most_hz).min(0.0);
        let high = (FARTHEST_HZ - usual_hz).min(most_hz).max(0.0);
        let way = wanted.clamp(low, high) - self.shift_hz;
        if way.abs() <= law.dead_band_hz {
            return false;
        }
        let share = if self.has_moved { law.step } else { 1.0 };
        // Whole hertz, so that what is told is what is sent, but not over the bound.
        let shift_hz = (self.shift_hz + share * way).round();
        self.shift_hz = shift_hz.clamp(low.ceil(), high.floor());
        self.has_moved = true;
        self.fresh = 0;
        true
    }

    fn words(&self, now: Instant, call: CallSign, offset_hz: f32, most_hz: f32) -> String {
        let measured: Vec<String> = self.heard.iter().map(|(_, hz)| signed(*hz)).collect();
        let since = self
            .heard
            .front()
            .map_or(Duration::ZERO, |(at, _)| now.since(*at));
        let bound = match (self.shift_hz.abs(), offset_hz.abs()) {
            (shift, _) if shift >= most_hz.floor() => {
                format!("; the plan allows no more than {most_hz} Hz")
            }
            (_, offset) if offset > FARTHEST_HZ - 1.0 => {
                format!("; nothing is sent farther off than {FARTHEST_HZ} Hz")
            }
            _ => String::new(),
        };
        let place = match offset_hz.round() {
            hz if hz > 0.0 => format!("{hz:.0} Hz up"),
            hz if hz < 0.0 => format!("{:.0} Hz down", -hz),
            _ => "in the middle".to_owned(),
        };
        format!(
            "sent {place}, for {call}: measured {} Hz in the last {}{bound}",
            measured.join(", "),
            words::span(since)
        )
    }
}

/// A whole number of hertz with its sign; nought has none.
fn signed(hz: f32) -> String {
    match hz.round() as i32 {
        0 => "0".to_owned(),
        hz => format!("{hz:+}"),
    }
}

/// The value in the middle of an odd number of them, or between the two in the middle.
fn median(mut values: Vec<f32>) -> f32 {
    values.sort_by(f32::total_cmp);
    let n = values.len();
    match n % 2 {
        _ if n == 0 => 0.0,
        0 => (values[n / 2 - 1] + values[n / 2]) / 2.0,
        _ => values[n / 2],
    }
}

#[cfg(test)]
mod tests;
