//! All legs, and the best path over them.

use std::collections::BTreeMap;

use dunlin_ax25::CallSign;

use super::leg::Leg;
use super::{MOST_PROPOSED, Node, Proof, When, etx};
use crate::event::PortId;

/// Legs kept; the one unchanged for longest makes room.
pub(super) const MOST_LEGS: usize = 2000;
/// Digipeaters kept, all ports together; the one unheard for longest makes room.
pub(super) const MOST_REPEATERS: usize = 64;

/// Lengths of the frames for which a path is reckoned, octets without FCS.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sizes {
    /// A frame with data.
    pub(super) data: usize,
    /// An acknowledgement.
    pub(super) answer: usize,
}

/// Two stations that are known to reach each other, as far as known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Hop {
    pub(super) from: Node,
    pub(super) to: Node,
    pub(super) there: f64,
    pub(super) back: f64,
    pub(super) etx: f64,
    pub(super) proof: Proof,
    /// When either of them was last seen to hear the other.
    pub(super) seen: When,
}

/// Who hears whom.
#[derive(Debug, Default)]
pub(super) struct Graph {
    legs: BTreeMap<(PortId, Node, Node), Leg>,
    repeaters: BTreeMap<(PortId, CallSign), When>,
}

impl Graph {
    pub(super) fn leg(&self, port: PortId, from: Node, to: Node) -> Option<&Leg> {
        self.legs.get(&(port, from, to))
    }

    /// The leg, if there is one.
    pub(super) fn known(&mut self, port: PortId, from: Node, to: Node) -> Option<&mut Leg> {
        self.legs.get_mut(&(port, from, to))
    }

    /// The leg, made if need be.
    pub(super) fn at(&mut self, port: PortId, from: Node, to: Node) -> &mut Leg {
        let key = (port, from, to);
        if !self.legs.contains_key(&key) && self.legs.len() >= MOST_LEGS {
            let oldest = self.legs.iter().min_by_key(|(_, leg)| leg.touched);
            if let Some(oldest) = oldest.map(|(key, _)| *key) {
                self.legs.remove(&oldest);
            }
        }
        self.legs.entry(key).or_default()
    }

    #[cfg(test)]
    pub(super) fn len(&self) -> usize {
        self.legs.len()
    }

    /// The station was seen to repeat a frame.
    pub(super) fn repeats(&mut self, at: When, port: PortId, call: CallSign) {
        let key = (port, call);
        if !self.repeaters.contains_key(&key) && self.repeaters.len() >= MOST_REPEATERS {
            let oldest = self.repeaters.iter().min_by_key(|(_, at)| **at);
            if let Some(oldest) = oldest.map(|(key, _)| *key) {
                self.repeaters.remove(&oldest);
            }
        }
        self.repeaters.insert(key, at);
    }

    /// Stations that were seen to repeat on a port, for as long as it counts.
    pub(super) fn repeaters(&self, now: When, port: PortId) -> Vec<CallSign> {
        let here = self.repeaters.iter().filter(|((p, _), _)| *p == port);
        let lately = here.filter(|(_, at)| now - **at <= super::leg::FORGET_MS);
        lately.map(|((_, call), _)| *call).collect()
    }

    /// What is known between two stations, `from` sending data; `None` = neither was ever seen
    /// to hear the other.
    pub(super) fn hop(
        &self,
        now: When,
        port: PortId,
        (from, to): (Node, Node),
        sizes: Sizes,
    ) -> Option<Hop> {
        let unknown = Leg::default();
        let there = self.leg(port, from, to).unwrap_or(&unknown);
        let back = self.leg(port, to, from).unwrap_or(&unknown);
        let (heard, answered) = (there.proven(now), back.proven(now));
        let seen = heard.max(answered)?;
        let proof = match (from, to, heard, answered) {
            (Some(_), Some(_), ..) => Proof::Hearsay,
            (_, _, Some(_), Some(_)) => Proof::TwoWay,
            _ => Proof::OneWay,
        };
        let there = there.ratio(now, sizes.data);
        let back = back.ratio(now, sizes.answer);
        Some(Hop {
            from,
            to,
            there,
            back,
            etx: etx(there, back),
            proof,
            seen,
        })
    }

    /// The hops along a path, if all are known.
    pub(super) fn along(
        &self,
        now: When,
        port: PortId,
        (via, to): (&[CallSign], CallSign),
        sizes: Sizes,
    ) -> Option<Vec<Hop>> {
        let stations = via.iter().copied().chain([to]);
        let mut from: Node = None;
        stations
            .map(|next| {
                let hop = self.hop(now, port, (from, Some(next)), sizes);
                from = Some(next);
                hop
            })
            .collect()
    }

    /// The best path by each number of digipeaters from none to [`MOST_PROPOSED`], where there
    /// is one. Dijkstra's search with the number of legs as part of the place: what lies behind a
    /// place depends on how many digipeaters may still follow. As all legs cost more than
    /// nothing, no station comes twice in a best path that is better than all shorter ones.
    pub(super) fn best(
        &self,
        now: When,
        port: PortId,
        to: CallSign,
        sizes: Sizes,
    ) -> [Option<(f64, Vec<CallSign>)>; MOST_PROPOSED + 1] {
        let mut repeaters = self.repeaters(now, port);
        repeaters.retain(|call| *call != to);
        let cost = |from, next| {
            let hop = self.hop(now, port, (from, Some(next)), sizes);
            hop.map(|hop| hop.etx)
        };
        // The cheapest way to each digipeater that has been reached with so many legs.
        let mut reached: BTreeMap<Node, (f64, Vec<CallSign>)> =
            BTreeMap::from([(None, (0.0, Vec::new()))]);
        let mut best = [const { None }; MOST_PROPOSED + 1];
        for found in &mut best {
            *found =
                cheapest(reached.iter().filter_map(|(from, (spent, via))| {
                    Some((spent + cost(*from, to)?, via.clone()))
                }));
            let mut next = BTreeMap::new();
            for &repeater in &repeaters {
                let ways = reached.iter().filter_map(|(from, (spent, via))| {
                    let again = via.contains(&repeater);
                    let total = spent + cost(*from, repeater).filter(|_| !again)?;
                    Some((total, [&via[..], &[repeater]].concat()))
                });
                if let Some(way) = cheapest(ways) {
                    next.insert(Some(repeater), way);
                }
            }
            reached = next;
        }
        best
    }
}

/// The cheapest; of equal ones the first.
fn cheapest(ways: impl Iterator<Item = (f64, Vec<CallSign>)>) -> Option<(f64, Vec<CallSign>)> {
    ways.reduce(|best, way| if way.0 < best.0 { way } else { best })
}
