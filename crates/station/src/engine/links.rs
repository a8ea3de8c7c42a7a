//! Between the links and whom they work for: talks and crossings.

use dunlin_ax25::data_link::{
    Indication, Input as LinkInput, Link, LinkConfig, Output as LinkOutput, Request, State, Version,
};
use dunlin_ax25::wire::{Control, Modulo, Role};
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::{Duration, Instant};

use super::Station;
use crate::channel::Origin;
use crate::crossing::Crossing;
use crate::ending::{Cause, Facts};
use crate::event::{PortId, TalkState, Urgency};
use crate::links::{LinkEntry, LinkKey, Owner};
use crate::pace::Pace;
use crate::paths::WayView;
use crate::talk::Talk;

/// Turns of the pump after which it stops until the next input: links can make each other
/// speak, and no input may keep the engine busy for ever.
const MOST_TURNS: usize = 10_000;

/// Widest windows where the plan leaves them open: modulo 8 (AX.25 2.2 §6.7.2.3), and modulo 128
/// where frames are kept out of order (half of the numbers).
const WIDEST: u8 = 7;
const WIDEST_EXTENDED: u8 = 64;
/// Longest round trip that a link starts with.
const LONGEST_ROUND_TRIP: Duration = Duration::from_secs(60);

impl Station {
    /// A link as the port's settings want it. T1 starts from what an answer may take on a
    /// channel that is clear (T1 stands still while it is busy, AX.25 2.2 §C3.2): slots on
    /// both sides, and for each digipeater a frame there and back that may be hidden from us.
    pub(super) fn new_link(
        &self,
        now: Instant,
        key: LinkKey,
        via: Vec<CallSign>,
        accepts: bool,
    ) -> LinkEntry {
        let channel = &self.channels[usize::from(key.port.0)];
        let config = &channel.config;
        let slots = channel.mean_wait() * 2;
        let frame = vec![vec![0; 18 + config.info_length]];
        let hop = channel.transmitter.airtime(&frame) * 2;
        let hops = via.len() as u32;
        let srt = Duration::from_secs(1) + slots * (1 + hops) + hop * hops;
        let srt = (srt + channel.unknown_wait()).min(LONGEST_ROUND_TRIP);
        let pace = self.new_pace(now, key, srt, hops);
        let (k, k_extended) = match config.adapt {
            true => (WIDEST, WIDEST_EXTENDED),
            false => (config.window.min(WIDEST), config.window),
        };
        let call_version = match self.peers.is_old(now, key.port, key.remote) {
            true => Version::V20,
            false => config.link_version,
        };
        let config = LinkConfig {
            path: via.clone(),
            accepts_connections: accepts,
            // Who calls by version 2.2 is answered so.
            version: Version::V22,
            call_version,
            k,
            k_extended,
            // What is accepted is the standard's default, whatever is sent.
            n1: 256,
            n2: u8::try_from(config.retries).unwrap_or(u8::MAX),
            initial_srt: srt,
            t3: config.timing.idle_check,
            ..LinkConfig::new(key.local, key.remote)
        };
        let link = Link::new(config).expect("the figures were checked when the station was made");
        LinkEntry::new(link, pace, via, now)
    }

    /// Calls a station by a new link, for whom it is to work.
    pub(super) fn call(&mut self, now: Instant, key: LinkKey, via: Vec<CallSign>, owner: Owner) {
        let mut entry = self.new_link(now, key, via, true);
        entry.owner = owner;
        let taken = self.channel_is_taken(key.port);
        entry.tell_channel(now, taken);
        entry.link.handle(now, LinkInput::Request(Request::Connect));
        self.links.insert(key, entry);
    }

    /// The pace to a station: as it was in the last talk, else as the plan begins.
    fn new_pace(&self, now: Instant, key: LinkKey, srt: Duration, hops: u32) -> Pace {
        let channel = &self.channels[usize::from(key.port.0)];
        let config = &channel.config;
        let costs = channel.costs(srt, hops);
        let mut pace = Pace::new(costs, (config.info_length, config.window), !config.adapt);
        if let Some(kept) = self.peers.pace(now, key.port, key.remote) {
            pace.resume(kept);
        }
        pace
    }

    /// Makes a link for a frame from a station with which none is open. It lets the call in,
    /// or answers that nothing is connected.
    pub(super) fn open_for_stranger(&mut self, now: Instant, key: LinkKey, frame: &Frame) {
        let via = frame.reply_path().unwrap_or_default();
        let calls = matches!(frame.control, Control::Sabm { .. } | Control::Sabme { .. });
        let room = !self.links.is_full();
        let mut refusal = self
            .refusal(now, &key)
            .or((!room).then(|| "all links are in use".into()));
        if calls && refusal.is_none() && !self.has_pace_for_caller(now, key.port) {
            refusal = Some("more call than can be let in at once".into());
        }
        let refused = refusal.as_deref().filter(|_| calls);
        let opens = calls && refused.is_none();
        if !opens && !self.answers_stranger(now, key, frame, refused) {
            return;
        }
        let mut entry = self.new_link(now, key, via, calls && refusal.is_none());
        if !room {
            // Answered (DM) and forgotten at once.
            entry.link.handle(now, LinkInput::Frame(frame.clone()));
            while let Some(output) = entry.link.poll() {
                if let LinkOutput::Send { frame, .. } = output {
                    self.enqueue(now, key.port, Origin::Link(key), frame, false);
                }
            }
            return;
        }
        let busy = self.channel_is_taken(key.port);
        entry.tell_channel(now, busy);
        self.links.insert(key, entry);
    }

    /// Why a call cannot become a talk or a crossing now; `None` = it can.
    fn refusal(&self, now: Instant, key: &LinkKey) -> Option<String> {
        if let Some(number) = self.partner_of(key) {
            return self.exchange_refusal(now, number, key.remote);
        }
        if let Some(terms) = self.terms(key) {
            if let Some(left) = self.mute_of(now, key.remote, true) {
                return Some(format!("it is muted for {left} more"));
            }
            // Of the node all ports together: its call sign is the same on each.
            let same = |c: &&Crossing| {
                let call = c.near.local == key.local;
                call && (terms.is_node() || c.near.port == key.port)
            };
            let live = self.crossings.values().filter(|c| !c.has_ended());
            let (visitors, what) = (live.filter(same).count(), terms.what());
            if self.is_over_share(now, &terms, &[key.port]) {
                return Some(format!("the {what} has had its share of the channel"));
            }
            return (visitors >= terms.most)
                .then(|| format!("the {what} holds {visitors}, as many as its rule allows"));
        }
        if self.port_config(key.port).call != key.local {
            return Some("nothing answers under this call sign".into());
        }
        let open = self.talks.values().filter(|t| t.state != TalkState::Ended);
        let incoming = open.filter(|t| t.incoming).count();
        (incoming >= Self::MOST_INCOMING)
            .then(|| format!("{incoming} callers are being talked with, as many as are let in"))
    }

    pub(super) fn link_frame(&mut self, now: Instant, key: LinkKey, frame: Frame) {
        let mut met = None;
        if let Some(entry) = self.links.get_mut(&key) {
            entry.last_heard = Some(now);
            entry.awaits_answer = false;
            let calls = matches!(frame.control, Control::Sabm { .. } | Control::Sabme { .. });
            if let (Owner::Exchange(id), true, false) = (entry.owner, calls, entry.was_up) {
                met = Some(id);
            }
            let asks = matches!(frame.control, Control::I { .. })
                || (frame.role != Role::Response && frame.control.poll_or_final());
            entry.link.handle(now, LinkInput::Frame(frame));
            if asks {
                self.channel(key.port).spoken_to = Some(key);
            }
        }
        if let Some(id) = met {
            self.calls_met(id);
        }
        self.pump_links(now);
    }

    pub(super) fn link_request(&mut self, now: Instant, key: LinkKey, request: Request) {
        if let Some(entry) = self.links.get_mut(&key) {
            entry.link.handle(now, LinkInput::Request(request));
        }
    }

    pub(super) fn link_timers(&mut self, now: Instant) {
        for key in self.links.keys(None) {
            if let Some(entry) = self.links.get_mut(&key)
                && entry.link.next_wakeup().is_some_and(|(at, _)| at <= now)
            {
                entry.awaits_answer = false;
                entry.link.handle(now, LinkInput::Wakeup);
            }
        }
    }

    /// The port cannot transmit, whether the channel or the gate hinders it. As long as it
    /// lasts no link counts it as silence of the other end.
    pub(super) fn channel_is_taken(&self, port: PortId) -> bool {
        let channel = &self.channels[usize::from(port.0)];
        channel.sensed().any() || channel.is_transmitting() || channel.gate.held().is_some()
    }

    /// Tells the links of a port whether its channel is taken (PH-BUSY, PH-QUIET). While frames
    /// of a link wait for its turn nobody can answer them, so that for this link it is.
    pub(super) fn tell_links_of_channel(&mut self, now: Instant, port: PortId) {
        self.watch_outage(now, port);
        let taken = self.channel_is_taken(port);
        for key in self.links.keys(Some(port)) {
            let waits = self.channels[usize::from(port.0)].holds_frames_of(key);
            if let Some(entry) = self.links.get_mut(&key) {
                entry.tell_channel(now, taken || waits);
            }
        }
    }

    /// Carries what the links put out until none has anything more.
    pub(super) fn pump_links(&mut self, now: Instant) {
        for _ in 0..MOST_TURNS {
            let mut quiet = true;
            for key in self.links.keys(None) {
                while let Some(output) = self.links.get_mut(&key).and_then(|e| e.link.poll()) {
                    quiet = false;
                    self.link_output(now, key, output);
                }
                quiet &= !self.look_after(now, key);
            }
            if quiet {
                return;
            }
        }
    }

    fn link_output(&mut self, now: Instant, key: LinkKey, output: LinkOutput) {
        match output {
            LinkOutput::Send {
                frame,
                expedited,
                modulo,
            } => {
                if matches!(frame.control, Control::Sabm { .. } | Control::Sabme { .. })
                    && let Some(entry) = self.links.get_mut(&key)
                {
                    entry.calls_sent += 1;
                }
                // LM-EXPEDITED-DATA: into the priority queue (Fig C3.3).
                let origin = Origin::Link(key);
                self.enqueue_modulo(now, key.port, origin, frame, expedited, modulo);
            }
            LinkOutput::SeizeRequest => {
                let seizing = &mut self.channel(key.port).seizing;
                if !seizing.contains(&key) {
                    seizing.push_back(key);
                }
            }
            LinkOutput::StateChanged { to, .. } => {
                let entry = self.links.get_mut(&key);
                if let Some(entry) = entry.filter(|e| e.was_up && to.is_calling()) {
                    entry.resets_itself = true;
                    // What the other end has of the exchange is not known any more.
                    if let Owner::Exchange(id) = entry.owner {
                        self.exchange_dropped(now, id, "the link had to begin anew");
                        self.link_request(now, key, Request::Disconnect);
                    }
                } else if let Some(entry) = self.links.get_mut(&key) {
                    // With nothing in doubt nothing more is told of it.
                    entry.resets_itself = false;
                }
            }
            LinkOutput::ReleaseRequest => {}
            LinkOutput::Indicate(indication) => self.indication(now, key, indication),
        }
    }

    fn indication(&mut self, now: Instant, key: LinkKey, indication: Indication) {
        let owner = self.links.get(&key).map_or(Owner::Nobody, |e| e.owner);
        match indication {
            Indication::ConnectIndication { .. } => self.called(now, key, owner),
            Indication::ConnectConfirm => self.answered(now, key, owner),
            Indication::Data { pid, info } => self.delivered(now, key, owner, pid, info),
            Indication::DisconnectIndication { reason } => {
                self.link_ended(now, key, owner, &Cause::Link(reason));
            }
            Indication::DisconnectConfirm => {
                self.link_ended(now, key, owner, &Cause::Released);
            }
            Indication::UnitData { .. } => {}
            Indication::DataRefused { info, reason, .. } => {
                let text = format!(
                    "{} octets for {} were not taken: {reason}",
                    info.len(),
                    key.remote
                );
                self.note(now, Some(key.port), Urgency::Attention, text);
                // Octets are missing in the middle now: going on would hide that.
                if let Owner::Near(id) | Owner::Far(id) = owner {
                    self.cut(now, id, "cut: text could not be carried on");
                }
            }
            Indication::Error(error) => self.link_error(now, key, error),
            Indication::ManagementError(error) => self.management_error(now, key, error),
            Indication::Agreed(agreed) => {
                let text = format!("link with {}: {agreed}", key.remote);
                self.note(now, Some(key.port), Urgency::Plain, text);
            }
        }
    }

    /// Somebody has connected to us (or, on an open link, started afresh).
    fn called(&mut self, now: Instant, key: LinkKey, owner: Owner) {
        let Some(entry) = self.links.get_mut(&key) else {
            return;
        };
        let in_doubt = if entry.was_up {
            entry.started_afresh(now)
        } else {
            0
        };
        entry.was_up = true;
        match owner {
            Owner::Talk(id) => self.talk_afresh(now, id, in_doubt),
            Owner::Near(id) | Owner::Far(id) if in_doubt > 0 => {
                let text = format!(
                    "{} started afresh while {in_doubt} octets for it were not acknowledged",
                    key.remote
                );
                self.note(now, Some(key.port), Urgency::Attention, text);
                self.cut(now, id, "cut: one end started afresh and text was lost");
            }
            Owner::Near(id) => self.crossing_acts(now, id, |c| c.near_again(now)),
            Owner::Far(_) => {}
            Owner::Exchange(id) => self.exchange_afresh(now, id, key),
            Owner::Nobody if self.partner_of(&key).is_some() => self.exchange_called(now, key),
            Owner::Nobody => match self.terms(&key) {
                Some(terms) => self.open_crossing(now, key, terms),
                None => self.open_incoming(now, key),
            },
        }
    }

    /// The station we called has answered.
    fn answered(&mut self, now: Instant, key: LinkKey, owner: Owner) {
        if let Some(entry) = self.links.get_mut(&key) {
            entry.was_up = true;
            let (called, modulo) = (entry.link.call_version(), entry.link.modulo());
            if called == Version::V22 {
                let knew = modulo == Modulo::OneHundredTwentyEight;
                self.peers.keep_version(now, key.port, key.remote, knew);
            }
        }
        match owner {
            Owner::Talk(id) => {
                if let Some(talk) = self.talks.get_mut(&id) {
                    talk.last_heard = Some(now);
                    talk.set_state(
                        now,
                        TalkState::Open,
                        format!("connected: {} answered", key.remote),
                    );
                    self.tell_talk(id);
                    self.begin_text(now, id);
                }
            }
            Owner::Far(id) => self.crossing_acts(now, id, Crossing::far_connected),
            Owner::Exchange(id) => self.exchange_answered(now, id),
            Owner::Near(_) | Owner::Nobody => {}
        }
    }

    /// What the station knows of a link that ends.
    fn ending_facts(&self, now: Instant, key: LinkKey, entry: &LinkEntry) -> Facts {
        let channel = &self.channels[usize::from(key.port.0)];
        let from = match entry.was_up {
            true => entry.last_heard.unwrap_or(entry.since),
            false => entry.since,
        };
        let heard = self.heard.find(key.port, &key.remote.to_string()).map(|h| {
            let ago = crate::event::ms(now).saturating_sub(h.last_ms);
            (Duration::from_millis(ago), h.by.clone())
        });
        let ways = self.ways(now, key.remote, Some(key.port));
        let taken = ways.iter().find(|way| way.via == entry.via);
        let cost = taken.and_then(|way| way.etx).unwrap_or(f32::INFINITY);
        let better = |way: &WayView| way.etx.is_some_and(|etx| etx < cost) && way.via != entry.via;
        let other = ways.iter().find(|way| better(way));
        let withheld = &self.outages[usize::from(key.port.0)].withheld;
        Facts {
            was_up: entry.was_up,
            calls: entry.calls_sent,
            took: now.since(from),
            busy: channel.occupied.share_since(now, from),
            held: withheld.lasted_since(now, from),
            heard,
            via: entry.via.clone(),
            other_way: other.map(|way| way.words.clone()),
        }
    }

    pub(super) fn link_ended(&mut self, now: Instant, key: LinkKey, owner: Owner, cause: &Cause) {
        self.paths
            .link_ended(super::paths::when(now), key.port, key.remote);
        let Some(mut entry) = self.links.remove(&key) else {
            return;
        };
        if entry.was_up {
            let kept = entry.pace.kept();
            self.peers.keep_pace(now, key.port, key.remote, kept);
        }
        let octets: usize = entry.link.take_unsent().iter().map(|u| u.info.len()).sum();
        let unsent = octets.max(entry.pending_octets());
        let facts = self.ending_facts(now, key, &entry);
        self.channel(key.port).seizing.retain(|k| *k != key);
        match owner {
            Owner::Talk(id) => self.talk_ended(now, id, &cause.words(&facts), cause.is_plain()),
            Owner::Near(id) => {
                let words = cause.short(&facts);
                self.half_ended(now, id, |c| c.near_ended(&words, unsent));
            }
            Owner::Far(id) => {
                let words = cause.short(&facts);
                self.half_ended(now, id, |c| c.far_ended(&words, unsent));
            }
            Owner::Exchange(id) => {
                let words = cause.words(&facts);
                self.exchange_dropped(now, id, &words);
            }
            Owner::Nobody => {}
        }
    }

    /// A link delivers data.
    fn delivered(&mut self, now: Instant, key: LinkKey, owner: Owner, pid: u8, info: Vec<u8>) {
        let Some(text) = self.text_of(now, key, pid, info) else {
            return;
        };
        match owner {
            Owner::Talk(id) => self.talk_data(now, id, text),
            Owner::Near(id) => self.crossing_acts(now, id, |c| c.near_data(now, &text)),
            Owner::Far(id) => self.crossing_acts(now, id, |c| c.far_data(now, &text)),
            Owner::Exchange(id) => self.exchange_data(now, id, text),
            Owner::Nobody => {}
        }
    }

    /// Notices what has changed in a link without an indication: what is acknowledged,
    /// whether it is being checked, whether it may be released or is of no more use. True if
    /// the link was given something to do.
    fn look_after(&mut self, now: Instant, key: LinkKey) -> bool {
        let Some(entry) = self.links.get_mut(&key) else {
            return false;
        };
        if entry.is_up() {
            entry.observe();
        }
        let owner = entry.owner;
        let acted = match owner {
            Owner::Talk(id) => self.watch_talk(now, id, key),
            Owner::Near(id) | Owner::Far(id) => {
                entry.count_acknowledged();
                self.balance(now, id)
            }
            Owner::Exchange(id) => {
                entry.count_acknowledged();
                self.exchange_drip(now, id)
            }
            Owner::Nobody => {
                if entry.link.state() == State::Disconnected {
                    self.links.remove(&key);
                }
                false
            }
        };
        self.ask_for_missed(key);
        acted | self.release_if_done(now, key)
    }

    /// Releases a link that is to be closed, once nothing more is to pass on it: all is
    /// acknowledged by the other end, and all of the other end's by us.
    fn release_if_done(&mut self, now: Instant, key: LinkKey) -> bool {
        let owes = self.channel(key.port).holds_word_of(key);
        let Some(entry) = self.links.get_mut(&key) else {
            return false;
        };
        let more = match entry.owner {
            Owner::Talk(id) => self.talks.get(&id).is_some_and(Talk::has_more),
            Owner::Near(id) => self
                .crossings
                .get(&id)
                .is_some_and(|c| c.waiting_here() > 0),
            Owner::Exchange(id) => self.post.waiting_here(id) > 0,
            _ => false,
        };
        if !entry.closing || !entry.is_up() || entry.pending() > 0 || owes || more {
            return false;
        }
        entry.closing = false;
        entry
            .link
            .handle(now, LinkInput::Request(Request::Disconnect));
        true
    }

    /// Releases a link: once all is acknowledged if it is up, at once if it still calls.
    pub(super) fn close_link(&mut self, now: Instant, key: LinkKey) {
        let Some(entry) = self.links.get_mut(&key) else {
            return;
        };
        match entry.link.state() {
            State::Connected | State::TimerRecovery => entry.closing = true,
            // A reset of a link that was up: the other end believes that it still is.
            state if state.is_calling() && entry.was_up => {
                self.link_request(now, key, Request::Disconnect);
            }
            state if state.is_calling() => self.abandon(now, key, &Cause::GivenUp),
            // It is being released already, or down.
            _ => {}
        }
    }

    /// Gives up a call that has no answer yet.
    pub(super) fn abandon(&mut self, now: Instant, key: LinkKey, cause: &Cause) {
        let Some(entry) = self.links.get(&key) else {
            return;
        };
        let owner = entry.owner;
        let queue = &mut self.channel(key.port).queue;
        queue.retain(|q| q.origin != Origin::Link(key));
        self.link_ended(now, key, owner, cause);
    }

    /// Cuts a link: what waits is given up, and the other end is told at once.
    pub(super) fn cut_link(&mut self, now: Instant, key: LinkKey) {
        match self.links.get(&key).map(|e| e.link.state()) {
            Some(State::Connected | State::TimerRecovery) => {
                let queue = &mut self.channel(key.port).queue;
                queue.retain(|q| q.origin != Origin::Link(key));
                self.link_request(now, key, Request::Disconnect);
            }
            Some(state) if state.is_calling() => self.abandon(now, key, &Cause::Cut),
            _ => {}
        }
    }
}
