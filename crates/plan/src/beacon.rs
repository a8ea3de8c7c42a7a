//! One beacon: `[[port.beacon]]`.

use std::time::Duration;

use dunlin_station::Beacon;

use crate::fault::Faults;
use crate::finding::Finding;
use crate::section::Section;
use crate::settings;

/// What a beacon has to fit to.
pub(crate) struct BeaconPort {
    /// Longest text in one frame; `None` if that is not known.
    pub info_length: Option<usize>,
    /// At most 300 Bd.
    pub slow: bool,
    /// Whether the port may transmit.
    pub may_transmit: bool,
}

/// Reads a beacon; what is wrong is noted in `faults`, what is odd in `findings`.
pub(crate) fn read(
    mut section: Section<'_>,
    port: &BeaconPort,
    faults: &mut Faults<'_>,
    findings: &mut Vec<Finding>,
) -> Option<Beacon> {
    let to = section.take(&settings::BEACON_TO, faults);
    let via = section.take(&settings::BEACON_VIA, faults);
    let interval = section.take(&settings::INTERVAL, faults);
    let first_delay = section.take(&settings::FIRST_DELAY, faults);
    let text = section.take(&settings::BEACON_TEXT, faults);
    if let (Some(text), Some(most)) = (&text, port.info_length)
        && text.len() > most
    {
        let what = format!(
            "text: it has {} octets, a frame of this port carries {most}",
            text.len()
        );
        let allowed = format!("a text of at most {most} octets (info_length_octets of the port)");
        faults.add(section.at("text"), what, allowed);
    }
    let rehearsal = section.rules().rehearsal;
    let line = faults.line_of(section.at("interval_min").start);
    section.finish(faults);
    let beacon = Beacon {
        to: to?,
        via: via?.into_iter().map(|call| call.value).collect(),
        interval: interval?,
        first_delay: first_delay?,
        text: text?,
    };
    if !rehearsal {
        findings.extend(often(&beacon, port, line));
        findings.extend(far(&beacon, line));
    }
    if !port.may_transmit {
        findings.push(Finding {
            id: "beacon-never-sent",
            severity: crate::finding::Severity::Attention,
            line,
            what: "this beacon is never sent".into(),
            evidence: "its port does not transmit".into(),
            consequence: "Nobody hears of the station.".into(),
            remedy: "Give the port an output in [port.sound], or take the beacon out.".into(),
        });
    }
    Some(beacon)
}

fn often(beacon: &Beacon, port: &BeaconPort, line: usize) -> Option<Finding> {
    let minutes = if port.slow { 30 } else { 15 };
    let limit = Duration::from_secs(minutes * 60);
    (beacon.interval < limit).then(|| Finding {
        id: "beacon-often",
        severity: crate::finding::Severity::Attention,
        line,
        what: "this beacon is sent often".into(),
        evidence: format!(
            "every {}; common practice is not more often than every {minutes} min at this speed",
            crate::quantity::duration(beacon.interval)
        ),
        consequence: "It takes time on the channel from everybody who hears it.".into(),
        remedy: "Make 'interval_min' larger.".into(),
    })
}

fn far(beacon: &Beacon, line: usize) -> Option<Finding> {
    (beacon.via.len() > 1).then(|| Finding {
        id: "beacon-far",
        severity: crate::finding::Severity::Attention,
        line,
        what: "this beacon goes far".into(),
        evidence: format!(
            "{} digipeaters repeat it; common practice is at most one",
            beacon.via.len()
        ),
        consequence: "Each of them takes the channel once more.".into(),
        remedy: "Shorten 'via'.".into(),
    })
}
