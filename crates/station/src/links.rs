//! The links of the station, one data-link machine for each pair of call signs on a port,
//! and who they belong to. The link multiplexer of AX.25 2.2 §C3 in its plainest form:
//! every link hands its frames to its port, which sends for one link at a time.

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::data_link::{Input, Link, Request, State};
use dunlin_ax25::wire::pid;
use dunlin_ax25::wire::xid::Reject;
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::{Duration, Instant};

use crate::event::{CrossingId, ExchangeId, PortId, TalkId};
use crate::pace::{Pace, Repeat};

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
    /// An exchange of mail.
    Exchange(ExchangeId),
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
    /// How its text is cut and sent.
    pub(crate) pace: Pace,
    /// Of its frames so many were counted as arrived and as lost.
    counted: (u64, u64),
    /// A whole burst was sent and more waits: first the other end gets its turn to answer.
    pub(crate) awaits_answer: bool,
    /// This end has begun it anew, while it was up.
    pub(crate) resets_itself: bool,
    /// It was told that the channel is taken.
    told_busy: bool,
    /// When the last of its frames with text had left.
    pub(crate) text_left: Option<Instant>,
    /// What it has had of the channel, on the account of its port.
    pub(crate) served: Duration,
    /// Sizes of the pieces handed to it, the latest last; older ones are acknowledged.
    sizes: VecDeque<usize>,
}

impl LinkEntry {
    pub(crate) fn new(link: Link, pace: Pace, via: Vec<CallSign>, now: Instant) -> Self {
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
            pace,
            counted: (0, 0),
            awaits_answer: false,
            resets_itself: false,
            told_busy: false,
            text_left: None,
            served: Duration::ZERO,
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

    /// The channel is taken, or free (PH-BUSY, PH-QUIET).
    pub(crate) fn tell_channel(&mut self, now: Instant, busy: bool) {
        if self.told_busy != busy {
            self.told_busy = busy;
            self.link.handle(now, Input::ChannelBusy(busy));
        }
    }

    /// Pieces of text that may be handed over now.
    pub(crate) fn room(&self) -> usize {
        if self.awaits_answer && self.link.unacknowledged() > 0 {
            return 0;
        }
        let window = usize::from(self.pace.window());
        let free = window.saturating_sub(self.pending());
        free.min(self.link.room())
    }

    /// Hands over the next pieces of at most the length that is given, until a window of them is
    /// pending: what waits can still be stopped. True if there was any.
    pub(crate) fn drip(
        &mut self,
        now: Instant,
        mut next: impl FnMut(usize) -> Option<Vec<u8>>,
    ) -> bool {
        let mut any = false;
        while self.pending() < usize::from(self.pace.window())
            && let Some(piece) = next(self.pace.length())
        {
            self.give(now, piece);
            any = true;
        }
        any
    }

    /// Everything outstanding has left, and the other end was heard after that, straight, without
    /// acknowledging it: it has missed it, if only one can speak at a time.
    pub(crate) fn has_missed(&self) -> bool {
        let heard_after = self
            .text_left
            .is_some_and(|left| self.last_heard > Some(left));
        let repeats_all = self.link.agreed().reject == Reject::Implicit;
        let takes = self.is_up() && !self.link.is_enquiring() && !self.link.is_peer_busy();
        heard_after && self.via.is_empty() && repeats_all && takes && self.link.unacknowledged() > 0
    }

    /// Tells the pace what has become of its frames. To be called before the sizes of those
    /// acknowledged are forgotten.
    pub(crate) fn observe(&mut self) {
        let agreed = self.link.agreed();
        let repeat = match agreed.reject {
            Reject::Implicit => Repeat::FromThere,
            _ => Repeat::Alone,
        };
        self.pace.agreed(repeat, agreed.n1_send, agreed.k_send);
        let counters = self.link.counters();
        let now = (counters.i_acknowledged, counters.i_lost);
        if now == self.counted {
            return;
        }
        let (arrived, lost) = (now.0 - self.counted.0, now.1 - self.counted.1);
        self.counted = now;
        let octets: usize = self.sizes.iter().sum();
        let mean = match self.sizes.len() {
            0 => self.pace.length(),
            n => octets / n,
        };
        let bits = self.pace.costs().bits(mean);
        self.pace.take(arrived, lost, bits);
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

    /// The link has begun anew. If the other end did that and nothing ever passed, it has only missed
    /// our answer: whatever was handed to the link is handed to it again. Else what was in doubt
    /// stays so, for it may have arrived; its octets are returned.
    pub(crate) fn started_afresh(&mut self, now: Instant) -> usize {
        let unsent = self.link.take_unsent();
        self.sizes.clear();
        let by_itself = std::mem::take(&mut self.resets_itself);
        if by_itself || self.ever_acknowledged || self.link.counters().i_received > 0 {
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
