//! How a visitor is carried on: on which port, by which digipeaters, under which call sign.

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant};

use super::Station;
use crate::event::{CrossingId, PortId, Urgency, ms};
use crate::links::{LinkKey, Owner};
use crate::paths::names;

/// After a talk under a visitor's call sign the station still answers under it for so long: the other end may not
/// have heard the end of it.
const STILL_ANSWERS: Duration = Duration::from_secs(600);

/// A station that was heard direct within so long is called direct, as the list of stations heard tells it.
const HEARD_LATELY_MS: u64 = 3_600_000;

/// A call sign under which a visitor of the node was carried on.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Borrowed {
    pub(crate) port: PortId,
    pub(crate) call: CallSign,
    /// When it was last given to somebody.
    since: Instant,
}

impl Station {
    /// Calls the station that a visitor wants, on this port or by the best way.
    pub(super) fn call_far(
        &mut self,
        now: Instant,
        id: CrossingId,
        to: CallSign,
        by: Option<PortId>,
    ) {
        let (far, via) = match self.far_key(now, id, to, by) {
            Ok(found) => found,
            Err(words) => return self.half_ended(now, id, |c| c.far_ended(&words, 0)),
        };
        if !self.config.is_own(far.local) {
            self.borrow_call(now, far);
        }
        let on = self.port_config(far.port).name.clone();
        self.note_digipeaters(now, id, far, &via);
        self.call(now, far, via.clone(), Owner::Far(id));
        self.crossing_acts(now, id, |c| c.calling(far, &on, &via));
    }

    /// Others send what a visitor sends once more: that stands in the timeline.
    fn note_digipeaters(&mut self, now: Instant, id: CrossingId, far: LinkKey, via: &[CallSign]) {
        let Some(crossing) = self.crossings.get(&id).filter(|_| !via.is_empty()) else {
            return;
        };
        let (visitor, to, by) = (crossing.near.remote, far.remote, names(via));
        let text = format!("{visitor} is carried on to {to} by {by}");
        self.note(now, Some(far.port), Urgency::Plain, text);
    }

    /// By which digipeaters a crossing calls a station on its port: by none, if it was heard direct of late or the rule
    /// allows none, else as the best way leads that has no more of them.
    fn digipeaters(&self, now: Instant, port: PortId, to: CallSign, most: usize) -> Vec<CallSign> {
        let heard = self.heard.find(port, &to.to_string());
        let lately = ms(now).saturating_sub(HEARD_LATELY_MS);
        let direct = heard.is_some_and(|h| h.by.is_none() && h.last_ms >= lately);
        if most == 0 || direct {
            return Vec::new();
        }
        let ways = self.ways(now, to, Some(port)).into_iter();
        let mut within = ways.map(|way| way.via).filter(|via| via.len() <= most);
        within.next().unwrap_or_default()
    }

    /// The link to make and its digipeaters, or why it cannot be made.
    fn far_key(
        &self,
        now: Instant,
        id: CrossingId,
        to: CallSign,
        by: Option<PortId>,
    ) -> Result<(LinkKey, Vec<CallSign>), String> {
        let Some(crossing) = self.crossings.get(&id) else {
            return Err("is not called: the visitor is gone".into());
        };
        let terms = &crossing.terms;
        let (port, via) = match (by, terms.is_node()) {
            (Some(port), false) => {
                let via = self.digipeaters(now, port, to, terms.most_digipeaters);
                (port, via)
            }
            (by, _) => {
                let mut ways = self.ways(now, to, by);
                ways.retain(|way| terms.onward.iter().any(|(port, _)| *port == way.port));
                match (ways.into_iter().next(), by) {
                    (Some(way), _) => (way.port, way.via),
                    (None, Some(port)) => (port, Vec::new()),
                    (None, None) => {
                        let first = terms.onward.first().map_or("", |(_, name)| name.as_str());
                        return Err(format!(
                            "no way to it is known here; name the port, as in GO {to} ON {first}"
                        ));
                    }
                }
            }
        };
        let visitor = crossing.near.remote;
        let local = match terms.far_call {
            Some(call) => Some(call),
            None if self.may_lend_to(port, visitor) => self.changed_ssid(port, visitor, to),
            None => {
                return Err(format!(
                    "is not called: {visitor} is no call sign that can go on the air there"
                ));
            }
        };
        let words = match local {
            _ if self.is_own(to) => "is this station's own call sign",
            _ if !self.port_config(port).may_transmit => {
                "cannot be called: that port does not transmit"
            }
            Some(local) => {
                let far = LinkKey {
                    port,
                    local,
                    remote: to,
                };
                if self.links.get(&far).is_some() {
                    "is already being talked with from here; try again later"
                } else if self.links.is_full() {
                    "cannot be called now, all links are in use; try again later"
                } else {
                    return Ok((far, via));
                }
            }
            None => "cannot be called for you: all your SSIDs are in use here",
        };
        Err(words.into())
    }

    /// Whether a port may send under this call sign: a real radio under none that cannot be one. No country has a series
    /// that begins with Q, and each call sign has a digit (ITU RR 19.45 to 19.69, from memory).
    fn may_lend_to(&self, port: PortId, visitor: CallSign) -> bool {
        let letters = visitor.characters();
        let possible = !letters.starts_with('Q') && letters.contains(|c: char| c.is_ascii_digit());
        possible || !self.port_config(port).gate.real_radio
    }

    /// The visitor's call sign with another SSID, so that the station beyond sees who it is, and that it does not
    /// come direct: the highest that is free here and was not heard of late.
    fn changed_ssid(&self, port: PortId, visitor: CallSign, to: CallSign) -> Option<CallSign> {
        let calls = (1..=15).rev().filter_map(|ssid| visitor.with_ssid(ssid));
        let mut calls = calls.filter(|call| *call != visitor && *call != to);
        calls.find(|&local| {
            let key = LinkKey {
                port,
                local,
                remote: to,
            };
            let heard = self.heard.find(port, &local.to_string()).is_some();
            !heard && !self.config.is_own(local) && self.links.get(&key).is_none()
        })
    }

    fn borrow_call(&mut self, now: Instant, far: LinkKey) {
        let in_use = |port: PortId, call: CallSign| {
            let mut keys = self.links.keys(Some(port)).into_iter();
            keys.any(|key| key.local == call)
        };
        let mut borrowed = self.borrowed.clone();
        borrowed.retain(|b| {
            let same = (b.port, b.call) == (far.port, far.local);
            !same && (now.since(b.since) < STILL_ANSWERS || in_use(b.port, b.call))
        });
        borrowed.push(Borrowed {
            port: far.port,
            call: far.local,
            since: now,
        });
        self.borrowed = borrowed;
    }
}
