//! Talks on a port that cannot send: they wait, and say so; after long they end.

use dunlin_clock::{Duration, Instant};

use super::{Station, WakeupReason};
use crate::channel::Origin;
use crate::ending::Cause;
use crate::event::{PortId, TalkId, TalkState};
use crate::gate::Condition;
use crate::gate::judge::Why;
use crate::links::{LinkKey, Owner};
use crate::occupancy::Occupancy;
use crate::talk::{CONNECTED, Talk};

/// A port that could send nothing for so long has lost all its links: the other ends have asked
/// in vain and given up. (Longer than any T3 with N2 enquiries after it that a plan can set is
/// not needed: theirs began when our last frame came.)
const LONGEST_HOLD: Duration = Duration::from_secs(1800);

/// Shorter than this nobody need know: a key line may be told as down a little longer than the
/// transmission lasts, and a device that is opened anew listens first.
const WORTH_TELLING: Duration = Duration::from_secs(5);

/// How long a port has been kept from sending.
#[derive(Debug, Default)]
pub(crate) struct Outage {
    /// Whenever the gate held it, for whatever reason but the channel.
    pub(crate) withheld: Occupancy,
    /// Since when it is out of service, not only for a while.
    since: Option<Instant>,
    /// The talks were told.
    told: bool,
}

impl Station {
    /// Takes note of whether a port can send, and tells its talks when that changes.
    pub(super) fn watch_outage(&mut self, now: Instant, port: PortId) {
        let index = usize::from(port.0);
        let held = self.channels[index].gate.held();
        let outage = &mut self.outages[index];
        outage.withheld.set(now, held.is_some());
        let out = held.filter(|(c, _)| *c < Condition::Identification);
        match (out, outage.since) {
            (Some(_), None) => outage.since = Some(now),
            (Some((_, standing)), Some(since))
                if !outage.told && now.since(since) >= WORTH_TELLING =>
            {
                outage.told = true;
                let words = self.waiting_words(now, port, standing.why);
                self.tell_talks_of(now, port, |_| words.clone());
            }
            (None, Some(_)) => {
                outage.since = None;
                if std::mem::take(&mut outage.told) {
                    self.tell_talks_of(now, port, going_on);
                }
            }
            (Some((_, standing)), Some(_)) => {
                let overdue = self.overdue_links(port);
                if overdue.is_some_and(|at| at <= now) {
                    let (why, _) = self.facts(now, port).say(standing.why);
                    self.end_overdue_links(now, port, &why);
                }
            }
            (None, None) => {}
        }
    }

    /// Since when a link could not be used, if its port is out of service.
    fn link_waits_since(&self, key: LinkKey) -> Option<Instant> {
        let since = self.outages[usize::from(key.port.0)].since?;
        Some(since.max(self.links.get(&key)?.since))
    }

    /// When the first link of a port will have waited too long.
    fn overdue_links(&self, port: PortId) -> Option<Instant> {
        self.outages[usize::from(port.0)].since?;
        let keys = self.links.keys(Some(port)).into_iter();
        let waits = keys.filter_map(|key| self.link_waits_since(key));
        waits.min().map(|since| since + LONGEST_HOLD)
    }

    /// When the links of a port will have waited too long.
    pub(super) fn outage_wakeups(&self) -> impl Iterator<Item = (Instant, WakeupReason)> + '_ {
        self.channels
            .iter()
            .zip(&self.outages)
            .filter_map(|(c, o)| {
                let overdue = self.overdue_links(c.id)?;
                let at = match o.told {
                    true => overdue,
                    false => o.since? + WORTH_TELLING,
                };
                Some((at, WakeupReason::Gate(c.id)))
            })
    }

    fn waiting_words(&self, now: Instant, port: PortId, why: Why) -> String {
        let (why, _) = self.facts(now, port).say(why);
        format!("waits, because this port can send nothing: {why}")
    }

    /// A talk has been opened. If its port can send nothing, it says so from its beginning.
    pub(super) fn begin_waiting(&mut self, now: Instant, id: TalkId) {
        let Some(port) = self.talks.get(&id).map(|talk| talk.key.port) else {
            return;
        };
        let index = usize::from(port.0);
        let held = self.channels[index].gate.held();
        let Some((_, standing)) = held.filter(|_| self.outages[index].told) else {
            return;
        };
        let words = self.waiting_words(now, port, standing.why);
        if let Some(talk) = self.talks.get_mut(&id) {
            talk.set_state(now, talk.state, words);
        }
    }

    fn tell_talks_of(&mut self, now: Instant, port: PortId, words: impl Fn(&Talk) -> String) {
        let here = self.talks.values_mut().filter(|t| t.key.port == port);
        let mut told: Vec<TalkId> = Vec::new();
        for talk in here.filter(|t| t.state != TalkState::Ended) {
            let words = words(talk);
            talk.set_state(now, talk.state, words);
            told.push(talk.id);
        }
        told.into_iter().for_each(|id| self.tell_talk(id));
    }

    fn end_overdue_links(&mut self, now: Instant, port: PortId, why: &str) {
        for key in self.links.keys(Some(port)) {
            let waited = self.link_waits_since(key).map(|since| now.since(since));
            let Some(waited) = waited.filter(|waited| *waited >= LONGEST_HOLD) else {
                continue;
            };
            let cause = Cause::OutOfService(waited, why.to_owned());
            let queue = &mut self.channel(port).queue;
            queue.retain(|q| q.origin != Origin::Link(key));
            let owner = self.links.get(&key).map_or(Owner::Nobody, |e| e.owner);
            self.link_ended(now, key, owner, &cause);
        }
    }
}

/// What a talk says once its port can send again.
fn going_on(talk: &Talk) -> String {
    match talk.state {
        TalkState::Calling => format!("calling {}", talk.key.remote),
        TalkState::Open => CONNECTED.into(),
        TalkState::Checking => "no acknowledgement yet; this port can send again".into(),
        TalkState::Closing => {
            "ending once everything written has arrived; close again to end now".into()
        }
        TalkState::Ended => talk.words.clone(),
    }
}
