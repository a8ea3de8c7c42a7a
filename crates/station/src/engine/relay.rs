//! Crossings: what a [`Crossing`] decides is carried out on its two links.

use dunlin_ax25::data_link::{Input as LinkInput, Request};
use dunlin_clock::Instant;

use super::Station;
use crate::config::CrossingRule;
use crate::crossing::{Act, Crossing, HOLD_BACK_AT, LET_ON_AT};
use crate::event::{CrossingId, CrossingView, Event, Urgency};
use crate::links::{LinkKey, Owner};

impl Station {
    pub(super) fn open_crossing(&mut self, now: Instant, key: LinkKey, rule: CrossingRule) {
        let id = CrossingId(self.next_crossing);
        self.next_crossing += 1;
        if let Some(entry) = self.links.get_mut(&key) {
            entry.owner = Owner::Near(id);
        }
        let far_port = self.port_config(rule.to).name.clone();
        let text = format!("{} comes to the crossing {}", key.remote, rule.name);
        self.note(now, Some(key.port), Urgency::Plain, text);
        let crossing = Crossing::new(id, rule, key, self.config.call, far_port, now);
        self.crossings.insert(id, crossing);
        self.forget_ended_crossings();
        self.crossing_acts(now, id, Crossing::near_connected);
    }

    /// Lets a crossing act on its links, and tells how it stands then.
    pub(super) fn crossing_acts(
        &mut self,
        now: Instant,
        id: CrossingId,
        happening: impl FnOnce(&mut Crossing) -> Vec<Act>,
    ) {
        let Some(crossing) = self.crossings.get_mut(&id) else {
            return;
        };
        let acts = happening(crossing);
        let near = crossing.near;
        for act in acts {
            let far = self.crossings.get(&id).and_then(Crossing::far);
            match act {
                Act::ToNear(octets) => self.pass(now, near, &octets),
                Act::ToFar(octets) => far.into_iter().for_each(|far| self.pass(now, far, &octets)),
                Act::CallFar(_) => far.into_iter().for_each(|far| self.call_far(now, id, far)),
                Act::CloseNear => self.close_link(now, near),
                Act::CloseFar => far.into_iter().for_each(|far| self.close_link(now, far)),
            }
        }
        self.tell_crossing(id);
    }

    /// Cuts octets into frames of the port and hands them to a link.
    fn pass(&mut self, now: Instant, key: LinkKey, octets: &[u8]) {
        let length = self.port_config(key.port).info_length;
        if let Some(entry) = self.links.get_mut(&key) {
            octets
                .chunks(length)
                .for_each(|piece| entry.give(now, piece.to_vec()));
        }
    }

    fn call_far(&mut self, now: Instant, id: CrossingId, far: LinkKey) {
        if self.links.get(&far).is_some() || self.links.is_full() {
            let words = "is already talking with this station";
            return self.crossing_acts(now, id, |c| c.far_ended(words));
        }
        let mut entry = self.new_link(now, far, Vec::new(), true);
        entry.owner = Owner::Far(id);
        let busy = self.channel_is_taken(far.port);
        entry.link.handle(now, LinkInput::ChannelBusy(busy));
        entry.link.handle(now, LinkInput::Request(Request::Connect));
        self.links.insert(far, entry);
    }

    /// Flow control end to end: when much waits for one end of a crossing, the other end is
    /// asked to wait (own receiver busy, RNR).
    pub(super) fn balance(&mut self, now: Instant, id: CrossingId) {
        let Some(crossing) = self.crossings.get(&id) else {
            return;
        };
        let (near, far) = (crossing.near, crossing.far());
        if let Some(far) = far {
            self.hold_back(now, near, far);
            self.hold_back(now, far, near);
        }
        self.tell_crossing(id);
    }

    /// Holds `from` back while much waits for `to`.
    fn hold_back(&mut self, now: Instant, from: LinkKey, to: LinkKey) {
        let waiting = self.links.get(&to).map_or(0, |e| e.pending());
        let Some(entry) = self.links.get_mut(&from) else {
            return;
        };
        let request = match entry.held_back {
            false if waiting >= HOLD_BACK_AT => Request::FlowOff,
            true if waiting <= LET_ON_AT => Request::FlowOn,
            _ => return,
        };
        entry.held_back = !entry.held_back;
        entry.link.handle(now, LinkInput::Request(request));
    }

    pub(super) fn crossing_view(&self, crossing: &Crossing) -> CrossingView {
        let octets = |key: &LinkKey| self.links.get(key).map_or(0, |e| e.pending_octets());
        let far = crossing.far();
        crossing.view(octets(&crossing.near), far.as_ref().map_or(0, octets))
    }

    /// Tells how a crossing stands, if that has changed.
    pub(super) fn tell_crossing(&mut self, id: CrossingId) {
        let Some(view) = self.crossings.get(&id).map(|c| self.crossing_view(c)) else {
            return;
        };
        if let Some(crossing) = self.crossings.get_mut(&id)
            && crossing.told.as_ref() != Some(&view)
        {
            crossing.told = Some(view.clone());
            self.tell(Event::Crossing(view));
        }
    }
}
