//! What crossings, the node and exchanges of mail take of each port's time, and what they may take. Whoever is over the
//! share is held back by the flow control of its links, so that nothing is lost and nobody needs to be cut off. Also much text
//! of the station's own waits where little of the key-down time of a port is left.

use std::cmp::Ordering;
use std::collections::BTreeMap;

use dunlin_clock::{Duration, Instant};

use super::{Station, WakeupReason};
use crate::crossing::{Hold, Terms};
use crate::event::{CrossingId, PortId};
use crate::links::{LinkKey, Owner};
use crate::occupancy::Occupancy;
use crate::talk::MUCH;

/// How soon it is looked again whether a share has room.
const LOOK_EVERY: Duration = Duration::from_secs(10);
/// A visitor who has had more than so many times what the others had waits for them, and one of whom the others have
/// had so many times more is behind,
const MOST_AHEAD: f64 = 1.15;
/// but for this many octets.
const ALWAYS_ALLOWED: f64 = 256.0;
/// A share is of this span, also while less has passed since the start.
const SPAN: Duration = Duration::from_secs(600);

/// Who takes of a port's time.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Taker {
    /// Visitors under the rule of this name.
    Visitors(String),
    /// Exchanges of mail with partners.
    Mail,
}

/// What was taken, by port and by whom.
#[derive(Debug, Default)]
pub(crate) struct Shares {
    taken: BTreeMap<(PortId, Taker), Occupancy>,
    /// Somebody is held back: when to look again.
    look: Option<Instant>,
}

impl Shares {
    fn taken(&self, now: Instant, port: PortId, taker: Taker) -> f64 {
        let taken = self.taken.get(&(port, taker));
        let lasted = taken.map_or(Duration::ZERO, |t| t.lasted_since(now, Instant::ZERO));
        lasted.as_secs_f64() / SPAN.as_secs_f64()
    }
}

impl Station {
    /// A transmission of this length begins, which carries a link.
    pub(super) fn charge_share(&mut self, now: Instant, key: LinkKey, airtime: Duration) {
        let taker = match self.links.get(&key).map(|entry| entry.owner) {
            Some(Owner::Near(id) | Owner::Far(id)) => {
                let crossing = self.crossings.get(&id);
                crossing.map(|crossing| Taker::Visitors(crossing.terms.name.clone()))
            }
            Some(Owner::Exchange(_)) => Some(Taker::Mail),
            _ => None,
        };
        if let Some(taker) = taker {
            let taken = self.shares.taken.entry((key.port, taker)).or_default();
            taken.set(now, true);
            taken.set(now + airtime, false);
        }
    }

    /// Whether a rule has had its share of one of these ports.
    pub(super) fn is_over_share(&self, now: Instant, terms: &Terms, ports: &[PortId]) -> bool {
        let over = |port: &PortId| {
            let taker = Taker::Visitors(terms.name.clone());
            self.shares.taken(now, *port, taker) > terms.most_share
        };
        terms.most_share < 1.0 && ports.iter().any(over)
    }

    /// Why a visitor has to wait: because its rule, or the visitor, has had its share, or because little of the key-down time
    /// of a port is left and much has passed lately. Emergency traffic never has to.
    pub(super) fn holds_visitor(&mut self, now: Instant, id: CrossingId) -> Option<Hold> {
        let crossing = self.crossings.get(&id).filter(|c| !c.is_urgent(now))?;
        let far = crossing.far().map(|far| far.port);
        let ports: Vec<PortId> = far.into_iter().chain([crossing.near.port]).collect();
        let lead = self.lead(now, id);
        let much = crossing
            .carried(now)
            .is_some_and(|octets| octets > MUCH as f64);
        // Who has had less than the others catches up meanwhile, with half of what is kept.
        let part = if lead.is_lt() { 2 } else { 1 };
        let hold = match self.is_over_share(now, &crossing.terms, &ports) || lead.is_gt() {
            true => Some(Hold::Share),
            false if much && ports.iter().any(|port| self.spares_key(now, *port, part)) => {
                Some(Hold::Key)
            }
            false => None,
        };
        self.look_again_if(now, hold.is_some());
        hold
    }

    /// Whether what is much has to wait since little of the key-down time of this port is left. That is kept for answers, for
    /// lines that somebody types and for emergencies; `part` = 2: half of it.
    fn spares_key(&self, now: Instant, port: PortId, part: u32) -> bool {
        let channel = &self.channels[usize::from(port.0)];
        let config = &channel.config;
        let length = config.timing.longest_transmission;
        let key_down = &channel.gate.key_down;
        key_down.is_low(now, length, part, &config.gate.limits)
    }

    /// As [`Station::spares_key`], for talks and exchanges: it is looked at again.
    pub(super) fn waits_for_key(&mut self, now: Instant, port: PortId) -> bool {
        let waits = self.spares_key(now, port, 1);
        self.look_again_if(now, waits)
    }

    fn look_again_if(&mut self, now: Instant, waits: bool) -> bool {
        if waits && self.shares.look.is_none() {
            self.shares.look = Some(now + LOOK_EVERY);
        }
        waits
    }

    /// Whether an exchange of mail on this port has to wait because exchanges have had their share of it.
    pub(super) fn mail_waits_for_share(&mut self, now: Instant, port: PortId) -> bool {
        let most = self
            .config
            .mail
            .as_ref()
            .map_or(1.0, |mail| mail.most_share);
        let waits = most < 1.0 && self.shares.taken(now, port, Taker::Mail) > most;
        self.look_again_if(now, waits)
    }

    /// Whether a visitor has had much more of a crossing lately than the others who want it have on average, or much
    /// less. To go by the average and not by the least spares all the others from waiting for one with a bad path.
    fn lead(&self, now: Instant, id: CrossingId) -> Ordering {
        let Some(crossing) = self.crossings.get(&id) else {
            return Ordering::Equal;
        };
        let name = &crossing.terms.name;
        let users = self.crossings.values().filter(|c| c.terms.name == *name);
        let all: Vec<f64> = users.filter_map(|c| c.carried(now)).collect();
        let mean = all.iter().sum::<f64>() / all.len().max(1) as f64;
        let own = crossing.carried(now).unwrap_or(0.0);
        match all.len() > 1 {
            true if own > mean * MOST_AHEAD + ALWAYS_ALLOWED => Ordering::Greater,
            true if own * MOST_AHEAD + ALWAYS_ALLOWED < mean => Ordering::Less,
            _ => Ordering::Equal,
        }
    }

    pub(super) fn share_wakeup(&self) -> Option<(Instant, WakeupReason)> {
        let at = self.shares.look?;
        Some((at, WakeupReason::Share))
    }

    /// Lets visitors, exchanges and much text go on that may take time again.
    pub(super) fn look_at_shares(&mut self, now: Instant) {
        if self.shares.look.is_some_and(|at| at <= now) {
            self.shares.look = None;
            let ids: Vec<CrossingId> = self.crossings.keys().copied().collect();
            for id in ids {
                self.balance(now, id);
            }
            self.drip_exchanges(now);
            self.begin_texts(now);
        }
    }
}
