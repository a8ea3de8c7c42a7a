//! Whose turn it is on a port, and what goes with it. The keyboard comes before much text, and
//! talks share the channel by the time that they take of it (start-time fair queueing: P. Goyal,
//! H. Vin, H. Cheng, SIGCOMM 1996, from memory).

use dunlin_ax25::data_link::Input as LinkInput;
use dunlin_ax25::wire::Control;
use dunlin_clock::{Duration, Instant};

use super::Station;
use crate::channel::{Origin, Queued};
use crate::event::PortId;
use crate::links::{LinkEntry, LinkKey, Owner};
use crate::talk::MUCH;

/// So often keyboards go before much text that waits; then that has its turn.
const MOST_PASSED_OVER: u8 = 4;

impl Station {
    /// The port has the channel: takes what goes out now. The link whose turn it is may
    /// acknowledge (LM-SEIZE confirm) and gets what text still fits.
    pub(super) fn take_turn(&mut self, now: Instant, port: PortId) -> Vec<Queued> {
        self.channels[usize::from(port.0)].drop_stale(now, &self.links);
        let Some(turn) = self.turn(now, port) else {
            return Vec::new();
        };
        let answering = self.channel(port).answering();
        if let Origin::Link(key) = turn {
            self.confirm_seize(now, key);
            if answering != Some(key) {
                self.send_missed(now, key);
                self.fill(now, key);
            }
        }
        self.channel(port).spoken_to = None;
        let taken = self.channel(port).take_transmission(now, Some(turn));
        match taken.is_empty() {
            // Too long for what the key-down limits leave; the first in the queue is not.
            true => self.channel(port).take_transmission(now, None),
            false => taken,
        }
    }

    /// Who sends next on a port. `None` = nobody wants to.
    fn turn(&self, now: Instant, port: PortId) -> Option<Origin> {
        let channel = &self.channels[usize::from(port.0)];
        let urgent = channel.queue.iter().find(|q| q.urgent);
        let first = urgent.or(channel.queue.front()).map(|q| q.origin);
        if urgent.is_some() {
            return first;
        }
        if let Some(key) = channel.answering() {
            return Some(Origin::Link(key));
        }
        if !matches!(first, Some(Origin::Link(_)) | None) {
            return first;
        }
        let queued = channel.queue.iter().filter_map(|q| match q.origin {
            Origin::Link(key) => Some(key),
            _ => None,
        });
        let much_first = channel.passed_over >= MOST_PASSED_OVER;
        // The first of those that are alike.
        queued
            .chain(channel.seizing.iter().copied())
            .min_by_key(|key| {
                let waits = !self.is_emergency(now, key);
                (waits, self.holds_much(key) != much_first, self.account(key))
            })
            .map(Origin::Link)
    }

    /// The link carries a visitor's emergency traffic.
    fn is_emergency(&self, now: Instant, key: &LinkKey) -> bool {
        let crossing = match self.links.get(key).map(|entry| entry.owner) {
            Some(Owner::Near(id) | Owner::Far(id)) => self.crossings.get(&id),
            _ => None,
        };
        crossing.is_some_and(|crossing| crossing.is_urgent(now))
    }

    /// Much text waits on a link, and some of it here: it is neither somebody at the keyboard nor
    /// an answer.
    fn holds_much(&self, key: &LinkKey) -> bool {
        let channel = &self.channels[usize::from(key.port.0)];
        let Some(entry) = self.links.get(key).filter(|_| channel.holds_text_of(*key)) else {
            return false;
        };
        let written = match entry.owner {
            Owner::Talk(id) => match self.talks.get(&id) {
                // A file is never somebody at the keyboard.
                Some(talk) if talk.only_files_wait() => return true,
                talk => talk.map_or(0, |t| t.waiting_octets()),
            },
            Owner::Exchange(id) => entry.pending_octets() + self.post.waiting_here(id),
            _ => entry.pending_octets(),
        };
        written > MUCH
    }

    /// What a link has had of its channel. Who wanted nothing for a while has no claim for it.
    fn account(&self, key: &LinkKey) -> Duration {
        let floor = self.channels[usize::from(key.port.0)].account;
        self.links.get(key).map_or(floor, |e| e.served.max(floor))
    }

    /// LM-SEIZE confirm, if the link has asked for it.
    fn confirm_seize(&mut self, now: Instant, key: LinkKey) {
        let seizing = &mut self.channel(key.port).seizing;
        if !seizing.contains(&key) {
            return;
        }
        seizing.retain(|k| *k != key);
        if let Some(entry) = self.links.get_mut(&key) {
            entry.link.handle(now, LinkInput::SeizeConfirm);
        }
        self.pump_links(now);
    }

    /// Whether the other end is known to have missed what is outstanding, and that is not being
    /// sent again already.
    fn has_missed(&self, key: LinkKey) -> bool {
        let channel = &self.channels[usize::from(key.port.0)];
        let missed = self.links.get(&key).is_some_and(LinkEntry::has_missed);
        // In full duplex both may speak at a time, and what comes may be older than the burst.
        let by_turns = channel.is_known() && !channel.config.full_duplex;
        missed && by_turns && !channel.holds_text_of(key)
    }

    /// Lets the port ask for the channel for what was missed. True if something was.
    pub(super) fn ask_for_missed(&mut self, key: LinkKey) -> bool {
        let missed = self.has_missed(key);
        let seizing = &mut self.channel(key.port).seizing;
        if missed && !seizing.contains(&key) {
            seizing.push_back(key);
        }
        missed
    }

    /// An answer that came after the last burst says what of it was missed.
    fn send_missed(&mut self, now: Instant, key: LinkKey) {
        if self.has_missed(key)
            && let Some(entry) = self.links.get_mut(&key)
        {
            entry.link.handle(now, LinkInput::Missed);
            self.pump_links(now);
        }
    }

    /// Hands a link as much text of its talk as fits into the transmission that begins.
    fn fill(&mut self, now: Instant, key: LinkKey) {
        let Some(entry) = self.links.get(&key).filter(|e| e.is_up()) else {
            return;
        };
        let Owner::Talk(id) = entry.owner else {
            return;
        };
        let (costs, length) = (*entry.pace.costs(), entry.pace.length());
        let channel = &self.channels[usize::from(key.port.0)];
        let queued = channel
            .queue
            .iter()
            .filter(|q| q.origin == Origin::Link(key));
        let used: f64 = queued.map(|q| channel.on_air_alone(q).as_secs_f64()).sum();
        let left = (costs.room - used) * costs.baud / costs.bits(length);
        // Not below zero, and no more than a window has.
        let frames = left.clamp(0.0, 128.0) as usize;
        if self.give_to_link(now, id, frames) {
            self.pump_links(now);
        }
    }

    /// Writes down what a transmission has taken, and lets the other end have its turn if more
    /// text is to follow.
    pub(super) fn charge(
        &mut self,
        now: Instant,
        port: PortId,
        taken: &[Queued],
        airtime: Duration,
    ) {
        let Some(Origin::Link(key)) = taken.first().map(|q| q.origin) else {
            return;
        };
        self.charge_share(now, key, airtime);
        let much = self.holds_much(&key);
        let waits = self.channels[usize::from(port.0)].queue.iter();
        let passed_over = waits.filter_map(|q| match q.origin {
            Origin::Link(other) => Some(other),
            _ => None,
        });
        let any_passed = !much && passed_over.into_iter().any(|k| self.holds_much(&k));
        let start = self.account(&key);
        let channel = self.channel(port);
        channel.account = start;
        channel.passed_over = if any_passed {
            channel.passed_over.saturating_add(1)
        } else {
            0
        };
        let text = taken
            .iter()
            .any(|q| matches!(q.control, Some(Control::I { .. })));
        let more = match self.links.get(&key).map(|e| e.owner) {
            Some(Owner::Talk(id)) => self.talks.get(&id).is_some_and(|t| t.has_more()),
            _ => false,
        };
        if let Some(entry) = self.links.get_mut(&key) {
            entry.served = start + airtime;
            entry.awaits_answer |= text && more;
        }
    }
}
