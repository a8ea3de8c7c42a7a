//! Crossings: what a [`Crossing`] decides is carried out on its two links.

use dunlin_ax25::data_link::{Input as LinkInput, Request};
use dunlin_clock::{Duration, Instant};

use super::Station;
use crate::crossing::{Act, Crossing, HOLD_BACK_AT, LET_ON_AT, Question, Terms};
use crate::event::{CrossingId, CrossingView, Event, PortId, Urgency, ms};
use crate::links::{LinkEntry, LinkKey, Owner};
use crate::talk::LINE_END;
use crate::words::span;

/// Stations told of to a visitor who asks who is heard, at most.
const MOST_TOLD: usize = 8;
/// Octets for which what waits outside a link counts as one piece.
const SMALL_PIECE: usize = 128;

impl Station {
    /// Under which terms whoever calls this link comes in as a visitor; `None` = as none.
    pub(super) fn terms(&self, key: &LinkKey) -> Option<Terms> {
        let name = |port: PortId| self.port_config(port).name.clone();
        let mut rules = self.config.crossings.iter();
        if let Some(rule) = rules.find(|r| r.from == key.port && r.call == key.local) {
            return Some(Terms::of_crossing(rule, &name(rule.to)));
        }
        let node = self.config.node.as_ref()?;
        let here = node.call == key.local && node.ports.contains(&key.port);
        let onward = || {
            node.onward
                .iter()
                .map(|port| (*port, name(*port)))
                .collect()
        };
        here.then(|| Terms::of_node(node, onward(), self.config.mail.is_some()))
    }

    pub(super) fn open_crossing(&mut self, now: Instant, key: LinkKey, terms: Terms) {
        let id = CrossingId(self.next_crossing);
        self.next_crossing += 1;
        if let Some(entry) = self.links.get_mut(&key) {
            entry.owner = Owner::Near(id);
        }
        let text = match terms.is_node() {
            true => format!("{} comes to the node", key.remote),
            false => format!("{} comes to the crossing {}", key.remote, terms.name),
        };
        self.note(now, Some(key.port), Urgency::Plain, text);
        let crossing = Crossing::new(id, terms, key, self.config.call, now);
        self.crossings.insert(id, crossing);
        self.forget_ended_crossings();
        let wall = self.wall(now);
        self.crossing_acts(now, id, |crossing| crossing.near_connected(wall));
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
                Act::ToNear(octets) => self.queue_for_near(id, &octets),
                Act::Answer(question) => {
                    let mut text = self.answer(now, &question).into_bytes();
                    text.push(LINE_END);
                    self.queue_for_near(id, &text);
                }
                Act::Mail(wish) => self.mail_wish(now, id, near, wish),
                Act::Alert => {
                    let text = format!("{} comes with emergency traffic", near.remote);
                    self.note(now, Some(near.port), Urgency::Attention, text);
                }
                Act::ToFar(octets) => far.into_iter().for_each(|far| self.pass(now, far, &octets)),
                Act::CallFar(to, by) => self.call_far(now, id, to, by),
                Act::CloseNear => self.close_link(now, near),
                Act::CloseFar => far.into_iter().for_each(|far| self.close_link(now, far)),
                Act::Cut => self.cut_halves(now, id),
            }
        }
        self.drip(now, id);
        self.tell_crossing(id);
    }

    fn queue_for_near(&mut self, id: CrossingId, octets: &[u8]) {
        if let Some(crossing) = self.crossings.get_mut(&id) {
            crossing.take_for_near(octets);
        }
    }

    /// Hands the visitor's link what it can take now; the rest of a long answer waits here, so that a visitor who
    /// types can stop it. True if there was any.
    fn drip(&mut self, now: Instant, id: CrossingId) -> bool {
        let Some(crossing) = self.crossings.get_mut(&id) else {
            return false;
        };
        let owned = |entry: &&mut LinkEntry| entry.is_up() && entry.owner == Owner::Near(id);
        let Some(entry) = self.links.get_mut(&crossing.near).filter(owned) else {
            return false;
        };
        let any = entry.drip(now, |length| {
            let waits = crossing.waiting_here() > 0;
            waits.then(|| crossing.next_piece(now, length))
        });
        // All of what the visitor reads has arrived.
        if entry.pending() == 0
            && let Some(act) = crossing.has_read()
        {
            self.crossing_acts(now, id, |_| vec![act]);
        }
        any
    }

    /// What this station knows, in one short line: airtime is dear.
    fn answer(&self, now: Instant, question: &Question) -> String {
        let name = |port: PortId| self.port_config(port).name.as_str();
        match question {
            Question::Heard => {
                let mut heard = self.heard.views();
                heard.retain(|h| h.by.is_none());
                heard.sort_by_key(|h| std::cmp::Reverse(h.last_ms));
                let lately = heard.iter().take(MOST_TOLD).map(|h| {
                    let ago = Duration::from_millis(ms(now).saturating_sub(h.last_ms));
                    format!("{} on {} {} ago", h.call, name(h.port), span(ago))
                });
                let lately: Vec<String> = lately.collect();
                match &lately[..] {
                    [] => "Nobody was heard direct yet.".to_owned(),
                    some => format!("Heard direct: {}.", some.join(", ")),
                }
            }
            Question::Way(to) => {
                let ways = self.ways(now, *to, None);
                match ways.first() {
                    None => format!("No way to {to} is known here."),
                    Some(way) => format!("{to}: on {}, {}.", name(way.port), way.words),
                }
            }
        }
    }

    /// Cuts octets into frames of the port and hands them to a link.
    fn pass(&mut self, now: Instant, key: LinkKey, octets: &[u8]) {
        if let Some(entry) = self.links.get_mut(&key).filter(|e| e.is_up()) {
            octets
                .chunks(entry.pace.length())
                .for_each(|piece| entry.give(now, piece.to_vec()));
        }
    }

    /// One half of a crossing has ended; if both have, the timeline says how.
    pub(super) fn half_ended(
        &mut self,
        now: Instant,
        id: CrossingId,
        happening: impl FnOnce(&mut Crossing) -> Vec<Act>,
    ) {
        self.crossing_acts(now, id, happening);
        let over = self.crossings.get(&id).filter(|c| c.has_ended());
        if let Some((port, text)) = over.map(|c| (c.near.port, c.epilogue())) {
            self.note(now, Some(port), Urgency::Plain, text);
        }
    }

    /// Cuts a crossing: both halves are ended at once.
    pub(super) fn cut(&mut self, now: Instant, id: CrossingId, words: &str) {
        if let Some(crossing) = self.crossings.get_mut(&id) {
            crossing.cut(words);
            self.cut_halves(now, id);
            self.tell_crossing(id);
        }
    }

    fn cut_halves(&mut self, now: Instant, id: CrossingId) {
        let halves = self.crossings.get(&id).map(|c| [Some(c.near), c.far()]);
        for key in halves.into_iter().flatten().flatten() {
            let owner = self.links.get(&key).map(|e| e.owner);
            if matches!(owner, Some(Owner::Near(o) | Owner::Far(o)) if o == id) {
                self.cut_link(now, key);
            }
        }
    }

    /// Ends crossings that have lasted too long.
    pub(super) fn overdue_crossings(&mut self, now: Instant) {
        let due = |c: &&Crossing| c.deadline().is_some_and(|at| at <= now);
        let ids: Vec<CrossingId> = self.crossings.values().filter(due).map(|c| c.id).collect();
        for id in ids {
            self.crossing_acts(now, id, |c| c.overdue(now));
        }
    }

    /// Flow control end to end: when much waits for one end of a crossing, the other end is
    /// asked to wait (own receiver busy, RNR). True if a link was given something to do.
    pub(super) fn balance(&mut self, now: Instant, id: CrossingId) -> bool {
        let hold = self.holds_visitor(now, id);
        if let Some(crossing) = self.crossings.get_mut(&id) {
            crossing.holds(now, hold);
        }
        let held = hold.is_some();
        let Some(crossing) = self.crossings.get(&id) else {
            return false;
        };
        let (near, far) = (crossing.near, crossing.far());
        // With one half gone nothing more is wanted of the other, but for what it still owes.
        let (ending, full) = (crossing.is_ending(), crossing.has_enough_typed());
        let pending = |half: Option<(LinkKey, Owner)>| {
            let (key, owner) = half?;
            Some((key, self.half(key, owner)?.pending()))
        };
        let here = crossing.waiting_here();
        let near = pending(Some((near, Owner::Near(id))));
        let far = pending(far.map(|far| (far, Owner::Far(id))));
        let waiting = |half: Option<(LinkKey, usize)>| half.map_or(0, |(_, pending)| pending);
        let (for_near, for_far) = (waiting(near) + here / SMALL_PIECE, waiting(far));
        let near_waits = if full || held { HOLD_BACK_AT } else { for_far };
        let far_waits = if held { HOLD_BACK_AT } else { for_near };
        let mut acted = self.drip(now, id);
        if let Some((near, _)) = near {
            acted |= self.hold_back(now, near, near_waits, ending);
        }
        if let Some((far, _)) = far {
            acted |= self.hold_back(now, far, far_waits, ending);
        }
        self.tell_crossing(id);
        acted
    }

    /// The link of one half, if it still is that crossing's: a visitor who has come again while the far half of
    /// the first visit still ends has the same key for both.
    fn half(&self, key: LinkKey, owner: Owner) -> Option<&LinkEntry> {
        self.links.get(&key).filter(|entry| entry.owner == owner)
    }

    /// Holds the end `from` back while many pieces are `waiting` for the other.
    fn hold_back(&mut self, now: Instant, from: LinkKey, waiting: usize, ending: bool) -> bool {
        let Some(entry) = self.links.get_mut(&from).filter(|e| e.is_up()) else {
            return false;
        };
        let request = match entry.link.is_own_busy() {
            false if waiting >= HOLD_BACK_AT => Request::FlowOff,
            true if waiting <= LET_ON_AT && !ending => Request::FlowOn,
            _ => return false,
        };
        entry.link.handle(now, LinkInput::Request(request));
        true
    }

    pub(super) fn crossing_view(&self, crossing: &Crossing) -> CrossingView {
        let octets = |key, owner| self.half(key, owner).map_or(0, LinkEntry::pending_octets);
        let near = octets(crossing.near, Owner::Near(crossing.id)) + crossing.waiting_here();
        let far = crossing.far();
        let far = far.map_or(0, |far| octets(far, Owner::Far(crossing.id)));
        crossing.view(near, far)
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
