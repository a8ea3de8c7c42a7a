//! Stations heard: who, on which port, direct or by which digipeater, how well.

use std::collections::BTreeMap;

use dunlin_ax25::Frame;
use dunlin_ax25::wire::Control;

use crate::event::{HeardView, PortId};
use crate::port::ReceptionReport;

/// Stations kept at most; the one unheard for longest makes room.
const MOST: usize = 500;

/// What was heard of whom.
#[derive(Debug, Default)]
pub(crate) struct HeardList {
    stations: BTreeMap<(PortId, String), HeardView>,
}

impl HeardList {
    /// Takes note of a frame heard at `at_ms`. Returns the entries that changed: first the
    /// station whose transmitter was heard, then, if the frame came by a digipeater, its source.
    pub(crate) fn note(
        &mut self,
        port: PortId,
        at_ms: u64,
        frame: &Frame,
        report: &ReceptionReport,
    ) -> Vec<HeardView> {
        // The last digipeater that has repeated the frame is the one whose signal was
        // measured, never the source (AX.25 2.2 §3.12.4, has-been-repeated bit).
        let by = frame
            .repeaters
            .iter()
            .rev()
            .find(|r| r.has_been_repeated)
            .map(|r| r.address.to_string());
        let source = frame.source.to_string();
        let mut changed = Vec::with_capacity(2);
        if let Some(digipeater) = &by {
            let entry = self.entry(port, digipeater.clone(), at_ms);
            measure(entry, report);
            changed.push(entry.clone());
        }
        let entry = self.entry(port, source, at_ms);
        if by.is_none() {
            measure(entry, report);
        }
        // A station once heard direct within the hour stays so when a copy of it comes by a
        // digipeater too; age tells the rest.
        if by.is_none() || entry.count == 1 || entry.by.is_some() {
            entry.by = by;
        }
        if matches!(frame.control, Control::Ui { .. }) {
            entry.said = crate::words::escaped(&frame.info);
        }
        changed.push(entry.clone());
        changed
    }

    /// All entries, by port and call.
    pub(crate) fn views(&self) -> Vec<HeardView> {
        self.stations.values().cloned().collect()
    }

    /// The entry of a station on a port, if it was heard.
    pub(crate) fn find(&self, port: PortId, call: &str) -> Option<&HeardView> {
        self.stations.get(&(port, call.to_owned()))
    }

    fn entry(&mut self, port: PortId, call: String, at_ms: u64) -> &mut HeardView {
        let key = (port, call);
        if !self.stations.contains_key(&key) && self.stations.len() >= MOST {
            let oldest = self.stations.iter().min_by_key(|(_, v)| v.last_ms);
            if let Some(gone) = oldest.map(|(k, _)| k.clone()) {
                self.stations.remove(&gone);
            }
        }
        let entry = self.stations.entry(key.clone()).or_insert(HeardView {
            port,
            call: key.1,
            by: None,
            first_ms: at_ms,
            last_ms: at_ms,
            count: 0,
            level_dbfs: None,
            offset_hz: None,
            twist_db: None,
            snr_db: None,
            said: String::new(),
        });
        entry.last_ms = at_ms;
        entry.count += 1;
        entry
    }
}

fn measure(entry: &mut HeardView, report: &ReceptionReport) {
    entry.level_dbfs = Some(report.level_dbfs);
    entry.offset_hz = report.offset_hz;
    entry.twist_db = report.twist_db;
    entry.snr_db = report.snr_db;
}
