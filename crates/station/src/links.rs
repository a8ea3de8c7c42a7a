//! The links of the station, one data-link machine for each pair of call signs on a port,
//! and who they belong to. The link multiplexer of AX.25 2.2 §C3 in its plainest form:
//! every link hands its frames to its port, which sends for one link at a time.

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::data_link::{Input, Link, Request, State};
use dunlin_ax25::wire::pid;
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::Instant;

use crate::event::{CrossingId, PortId, TalkId};

/// Links at most, all ports together. A stranger beyond it is answered DM.
pub(crate) const MOST_LINKS: usize = 128;

/// What tells links apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct LinkKey {
    pub(crate) port: PortId,
    pub(crate) local: CallSign,
    pub(crate) remote: CallSign,
}

/// Who a link works for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Owner {
    /// Nobody yet: it only answers what is not let in.
    Nobody,
    Talk(TalkId),
    /// The visitor's half of a crossing.
    Near(CrossingId),
    /// The half to the station reached.
    Far(CrossingId),
}

/// One link and what the station notes beside it.
#[derive(Debug)]
pub(crate) struct LinkEntry {
    pub(crate) link: Link,
    pub(crate) owner: Owner,
    pub(crate) via: Vec<CallSign>,
    /// To be released as soon as everything handed to it is acknowledged.
    pub(crate) closing: bool,
    /// It has been up.
    pub(crate) was_up: bool,
    /// The other end has acknowledged something.
    pub(crate) ever_acknowledged: bool,
    /// When it was made.
    pub(crate) since: Instant,
    /// How often the call was sent.
    pub(crate) calls_sent: u32,
    /// When the other end was last heard on it.
    pub(crate) last_heard: Option<Instant>,
    /// Sizes of the pieces handed to it, the latest last; older ones are acknowledged.
    sizes: VecDeque<usize>,
}

impl LinkEntry {
    pub(crate) fn new(link: Link, via: Vec<CallSign>, now: Instant) -> Self {
        LinkEntry {
            link,
            owner: Owner::Nobody,
            via,
            closing: false,
            was_up: false,
            ever_acknowledged: false,
            since: now,
            calls_sent: 0,
            last_heard: None,
            sizes: VecDeque::new(),
        }
    }

    /// Pieces handed to the link and not acknowledged, sent or not.
    pub(crate) fn pending(&self) -> usize {
        self.link.unacknowledged() + self.link.queued()
    }

    /// The same in octets.
    pub(crate) fn pending_octets(&self) -> usize {
        self.sizes.iter().rev().take(self.pending()).sum()
    }

    /// Hands data to the link.
    pub(crate) fn give(&mut self, now: Instant, info: Vec<u8>) {
        self.sizes.push_back(info.len());
        let pid = pid::NO_LAYER_3;
        self.link
            .handle(now, Input::Request(Request::Data { pid, info }));
    }

    /// Takes note of acknowledgements, while the link is up: what a link discards when it goes
    /// down is not acknowledged. Returns how many pieces are still pending.
    pub(crate) fn count_acknowledged(&mut self) -> usize {
        let pending = self.pending();
        if pending < self.sizes.len() {
            self.ever_acknowledged = true;
            self.sizes.drain(..self.sizes.len() - pending);
        }
        pending
    }

    /// The other end has connected again. If nothing ever passed, it has only missed our
    /// answer: whatever was handed to the link is handed to it again. Else what was in doubt
    /// stays so; its octets are returned.
    pub(crate) fn started_afresh(&mut self, now: Instant) -> usize {
        let unsent = self.link.take_unsent();
        self.sizes.clear();
        if self.ever_acknowledged || self.link.counters().i_received > 0 {
            return unsent.iter().map(|u| u.info.len()).sum();
        }
        unsent.into_iter().for_each(|u| self.give(now, u.info));
        0
    }

    /// The link is up: data may be handed to it.
    pub(crate) fn is_up(&self) -> bool {
        matches!(self.link.state(), State::Connected | State::TimerRecovery)
    }
}

/// All links.
#[derive(Debug, Default)]
pub(crate) struct Links {
    entries: BTreeMap<LinkKey, LinkEntry>,
}

impl Links {
    pub(crate) fn get(&self, key: &LinkKey) -> Option<&LinkEntry> {
        self.entries.get(key)
    }

    pub(crate) fn get_mut(&mut self, key: &LinkKey) -> Option<&mut LinkEntry> {
        self.entries.get_mut(key)
    }

    pub(crate) fn insert(&mut self, key: LinkKey, entry: LinkEntry) {
        self.entries.insert(key, entry);
    }

    pub(crate) fn remove(&mut self, key: &LinkKey) -> Option<LinkEntry> {
        self.entries.remove(key)
    }

    pub(crate) fn is_full(&self) -> bool {
        self.entries.len() >= MOST_LINKS
    }

    /// Keys of all links, in order; on one port if given.
    pub(crate) fn keys(&self, port: Option<PortId>) -> Vec<LinkKey> {
        self.entries
            .keys()
            .filter(|k| port.is_none_or(|p| k.port == p))
            .copied()
            .collect()
    }

    /// The earliest timer of any link.
    pub(crate) fn next_wakeup(&self) -> Option<(Instant, PortId)> {
        self.entries
            .iter()
            .filter_map(|(k, e)| e.link.next_wakeup().map(|(at, _)| (at, k.port)))
            .min()
    }
}

/// The link that a frame received on `port` belongs to, if its addresses are call signs.
pub(crate) fn key_of(port: PortId, frame: &Frame) -> Option<LinkKey> {
    Some(LinkKey {
        port,
        local: frame.destination.call_sign()?,
        remote: frame.source.call_sign()?,
    })
}
