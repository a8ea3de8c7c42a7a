//! Stations heard: who, on which port, direct or by which digipeater, how well.

use std::collections::BTreeMap;

use dunlin_ax25::wire::Control;
use dunlin_ax25::{CallSign, Frame};
use dunlin_modem::Line;

use crate::event::{HeardView, PortId};
use crate::port::{HeardOn, ReceptionReport};

/// Stations kept at most; the one unheard for longest makes room.
const MOST: usize = 500;

/// A station counts as heard direct for this long after it last was; copies by a digipeater
/// do not change that before.
const DIRECT_FOR_MS: u64 = 3_600_000;

/// A station that uses the port's own line too is not advised against for this long.
const OWN_LINE_FOR_MS: u64 = 3_600_000;

#[derive(Debug)]
struct Entry {
    view: HeardView,
    /// When it was last heard direct.
    direct_ms: Option<u64>,
    /// When it was last heard by the line with which the port sends.
    own_line_ms: Option<u64>,
}

/// How a frame was heard.
#[derive(Clone, Debug)]
pub(crate) struct Heard {
    pub(crate) report: ReceptionReport,
    /// By which line.
    pub(crate) line: Line,
    /// The line with which the port sends.
    pub(crate) own: Line,
    /// On which inputs, where there are two.
    pub(crate) heard_on: Option<HeardOn>,
}

/// What was heard of whom.
#[derive(Debug, Default)]
pub(crate) struct HeardList {
    stations: BTreeMap<(PortId, String), Entry>,
}

impl HeardList {
    /// Takes note of a frame heard at `at_ms`. Returns the entries that changed: first the
    /// station whose transmitter was heard, then, if the frame came by a digipeater, its
    /// source. A source for which `is_own` is true is left out: a digipeater's copy of an own
    /// frame tells of the digipeater, not of oneself. `heard` is missing where a controller
    /// has heard the frame: it measures nothing.
    pub(crate) fn note(
        &mut self,
        port: PortId,
        at_ms: u64,
        frame: &Frame,
        heard: Option<&Heard>,
        is_own: impl Fn(CallSign) -> bool,
    ) -> Vec<HeardView> {
        // The last digipeater that has repeated the frame is the one whose signal was
        // measured, never the source (AX.25 2.2 §3.12.4, has-been-repeated bit).
        let heard_from = frame.heard_from();
        let by = (heard_from != &frame.source).then(|| heard_from.to_string());
        let mut changed = Vec::with_capacity(2);
        if let Some(digipeater) = &by {
            let entry = self.entry(port, digipeater.clone(), at_ms);
            entry.heard_direct(at_ms, heard);
            changed.push(entry.view.clone());
        }
        if frame.source.call_sign().is_some_and(is_own) {
            return changed;
        }
        let entry = self.entry(port, frame.source.to_string(), at_ms);
        let lately = |direct_ms: u64| at_ms.saturating_sub(direct_ms) < DIRECT_FOR_MS;
        if by.is_none() {
            entry.heard_direct(at_ms, heard);
        } else if !entry.direct_ms.is_some_and(lately) {
            entry.view.by = by;
        }
        if matches!(frame.control, Control::Ui { .. }) {
            entry.view.said = crate::words::escaped(&frame.info);
        }
        changed.push(entry.view.clone());
        changed
    }

    /// A frame that was noted was also heard by another line. Returns the entry if it changed.
    pub(crate) fn also_heard(
        &mut self,
        port: PortId,
        at_ms: u64,
        frame: &Frame,
        (line, own): (Line, Line),
    ) -> Option<HeardView> {
        if line != own {
            return None;
        }
        let key = (port, frame.heard_from().to_string());
        let entry = self.stations.get_mut(&key)?;
        entry.by_line(at_ms, line, own);
        Some(entry.view.clone())
    }

    /// All entries, by port and call.
    pub(crate) fn views(&self) -> Vec<HeardView> {
        self.stations.values().map(|e| e.view.clone()).collect()
    }

    /// The entry of a station on a port, if it was heard.
    pub(crate) fn find(&self, port: PortId, call: &str) -> Option<&HeardView> {
        self.stations.get(&(port, call.to_owned())).map(|e| &e.view)
    }

    fn entry(&mut self, port: PortId, call: String, at_ms: u64) -> &mut Entry {
        let key = (port, call);
        if !self.stations.contains_key(&key) && self.stations.len() >= MOST {
            let oldest = self.stations.iter().min_by_key(|(_, e)| e.view.last_ms);
            if let Some(gone) = oldest.map(|(k, _)| k.clone()) {
                self.stations.remove(&gone);
            }
        }
        let call = key.1.clone();
        let entry = self.stations.entry(key).or_insert_with(|| Entry {
            view: HeardView {
                port,
                call,
                by: None,
                first_ms: at_ms,
                last_ms: at_ms,
                count: 0,
                level_dbfs: None,
                offset_hz: None,
                twist_db: None,
                snr_db: None,
                said: String::new(),
                line: None,
                advice: None,
            },
            direct_ms: None,
            own_line_ms: None,
        });
        entry.view.last_ms = at_ms;
        entry.view.count += 1;
        entry
    }
}

impl Entry {
    fn heard_direct(&mut self, at_ms: u64, heard: Option<&Heard>) {
        self.direct_ms = Some(at_ms);
        self.view.by = None;
        if let Some(heard) = heard {
            self.by_line(at_ms, heard.line, heard.own);
        }
        let report = heard.map(|heard| &heard.report);
        self.view.level_dbfs = report.map(|r| r.level_dbfs);
        self.view.offset_hz = report.and_then(|r| r.offset_hz);
        self.view.twist_db = report.and_then(|r| r.twist_db);
        self.view.snr_db = report.and_then(|r| r.snr_db);
    }

    /// It was heard by `line` on a port that sends with `own`.
    fn by_line(&mut self, at_ms: u64, line: Line, own: Line) {
        self.view.line = Some(line.to_string());
        if line == own {
            self.own_line_ms = Some(at_ms);
        }
        let lately = |ms: u64| at_ms.saturating_sub(ms) < OWN_LINE_FOR_MS;
        self.view.advice = (!self.own_line_ms.is_some_and(lately)).then(|| {
            format!(
                "heard at {line}, and this port sends at {own}: it will hardly understand what \
                 this port sends. Call it on a port that sends at {line}"
            )
        });
    }
}
