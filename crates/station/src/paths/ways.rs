//! The ways to a station, the best first.

use dunlin_ax25::CallSign;

use super::graph::{Hop, Sizes};
use super::{LegView, Paths, Proof, WayView, When, words};
use crate::event::PortId;

/// Ways proposed at most.
pub(crate) const MOST_WAYS: usize = 5;

/// A port by which a station may be called.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Door<'a> {
    pub(crate) port: PortId,
    /// Its name.
    pub(crate) name: &'a str,
    /// This station's call sign on it.
    pub(crate) own: CallSign,
    /// Longest information field sent.
    pub(crate) info_length: usize,
}

impl Door<'_> {
    /// What is sent: I frames as long as the port's, and acknowledgements, with two addresses
    /// (AX.25 2.2 §3: 14 octets of addresses, one of control, one of PID).
    fn sizes(&self) -> Sizes {
        Sizes {
            data: 16 + self.info_length,
            answer: 15,
        }
    }
}

impl Paths {
    /// The ways to a station by these ports, the best first, at most [`MOST_WAYS`].
    pub(crate) fn ways(&self, now: When, to: CallSign, doors: &[Door<'_>]) -> Vec<WayView> {
        let several = doors.len() > 1;
        let mut ways: Vec<WayView> = Vec::new();
        for door in doors {
            let worked = self.worked.get(&(to, door.port));
            let best = self.graph.best(now, door.port, to, door.sizes());
            let mut paths: Vec<Vec<CallSign>> = best.into_iter().flatten().map(|b| b.1).collect();
            if let Some((_, via)) = worked.filter(|(_, via)| !paths.contains(via)) {
                paths.push(via.clone());
            }
            for via in paths {
                let ago = worked.filter(|(_, w)| *w == via);
                let ago = ago.map(|(at, _)| age(now, *at));
                ways.push(self.way(now, door, (via, to), ago, several));
            }
        }
        // Those that are not known now come last, the one that worked last before others.
        ways.sort_by(|a, b| {
            let cost = |w: &WayView| w.etx.unwrap_or(f32::INFINITY);
            let ago = |w: &WayView| w.worked_ms_ago.unwrap_or(u64::MAX);
            cost(a)
                .total_cmp(&cost(b))
                .then_with(|| ago(a).cmp(&ago(b)))
                .then_with(|| a.via.len().cmp(&b.via.len()))
        });
        ways.truncate(MOST_WAYS);
        ways
    }

    fn way(
        &self,
        now: When,
        door: &Door<'_>,
        (via, to): (Vec<CallSign>, CallSign),
        worked_ms_ago: Option<u64>,
        several: bool,
    ) -> WayView {
        let hops = self.graph.along(now, door.port, (&via, to), door.sizes());
        let legs: Option<Vec<LegView>> =
            hops.map(|hops| hops.iter().map(|h| self.leg_view(now, door, h)).collect());
        let known = legs.as_deref();
        let etx = known.map(|legs| legs.iter().map(|l| l.etx).sum());
        let sendings = known.map(|legs| legs.iter().map(|l| l.etx).product());
        let proof: Option<Proof> = known.and_then(|legs| legs.iter().map(|l| l.proof).min());
        let age_ms = known.and_then(|legs| legs.iter().map(|l| l.age_ms).max());
        let name = several.then_some(door.name);
        // Where a direction is only assumed, this says nothing.
        let told = sendings.filter(|_| proof == Some(Proof::TwoWay));
        let words = words::way(name, &via, known, told, worked_ms_ago);
        WayView {
            port: door.port,
            via,
            etx,
            sendings,
            proof,
            age_ms,
            worked_ms_ago,
            words,
            legs: legs.unwrap_or_default(),
        }
    }

    fn leg_view(&self, now: When, door: &Door<'_>, hop: &Hop) -> LegView {
        let call = |node: Option<CallSign>| node.unwrap_or(door.own);
        let leg = |from, to| self.graph.leg(door.port, from, to);
        let evidence = words::Evidence {
            now,
            from: hop.from,
            to: hop.to,
            there: leg(hop.from, hop.to),
            back: leg(hop.to, hop.from),
        };
        LegView {
            from: call(hop.from),
            to: call(hop.to),
            there: hop.there as f32,
            back: hop.back as f32,
            etx: hop.etx as f32,
            proof: hop.proof,
            age_ms: age(now, hop.seen),
            words: evidence.words(),
        }
    }
}

/// How long ago, ms.
fn age(now: When, at: When) -> u64 {
    u64::try_from(now.saturating_sub(at)).unwrap_or(0)
}
