//! Between the engine and what is known of paths.

use dunlin_ax25::CallSign;
use dunlin_ax25::wire::AddressField;
use dunlin_clock::Instant;

use super::Station;
use crate::channel::{Origin, Queued};
use crate::event::{PortId, ms};
use crate::links::LinkKey;
use crate::paths::{self, Door, WayThatWorked, WayView, WaysView, When};

impl Station {
    /// What is known of the ways to a station, by all ports that transmit.
    pub fn ways_to(&self, now: Instant, to: CallSign) -> WaysView {
        let ways = self.ways(now, to, None);
        paths::summary(to, ways)
    }

    /// Takes in ways that worked before this start. To be called once, before anything else.
    pub fn remember_ways(&mut self, ways: impl IntoIterator<Item = WayThatWorked>) {
        for way in ways {
            let port = self.config.ports.get(usize::from(way.port.0));
            if port.is_some_and(|p| p.may_transmit) && way.via.len() <= Self::MOST_REPEATERS {
                self.paths.remember(way);
            }
        }
    }

    /// The ways to a station, the best first; on one port if given.
    pub(super) fn ways(&self, now: Instant, to: CallSign, port: Option<PortId>) -> Vec<WayView> {
        let ports = self
            .config
            .ports
            .iter()
            .zip(0..)
            .map(|(c, n)| (PortId(n), c));
        let doors: Vec<Door<'_>> = ports
            .filter(|(id, config)| config.may_transmit && port.is_none_or(|p| p == *id))
            .map(|(port, config)| Door {
                port,
                name: &config.name,
                own: config.call,
                info_length: config.info_length,
            })
            .collect();
        self.paths.ways(when(now), to, &doors)
    }

    /// A frame was heard: it tells who hears whom.
    pub(super) fn paths_heard(
        &mut self,
        now: Instant,
        port: PortId,
        octets: &[u8],
        field: &AddressField,
    ) {
        let key = field.destination.call_sign().zip(field.source.call_sign());
        let key = key.map(|(local, remote)| LinkKey {
            port,
            local,
            remote,
        });
        let link = key.and_then(|key| self.links.get(&key));
        let modulo = link.map(|entry| entry.link.modulo());
        let (config, borrowed) = (&self.config, &self.borrowed);
        let is_own =
            |call| config.is_own(call) || borrowed.iter().any(|b| (b.port, b.call) == (port, call));
        self.paths.heard(when(now), port, octets, modulo, is_own);
    }

    /// A frame goes on the air.
    pub(super) fn paths_sent(&mut self, now: Instant, port: PortId, queued: &Queued) {
        let Origin::Link(key) = queued.origin else {
            return; // Nobody answers other frames to this station.
        };
        if let Some(entry) = self.links.get(&key) {
            let modulo = entry.link.modulo();
            self.paths.sent(when(now), port, &queued.octets, modulo);
        }
    }
}

/// A moment as paths have it.
pub(super) fn when(now: Instant) -> When {
    When::try_from(ms(now)).unwrap_or(When::MAX)
}
