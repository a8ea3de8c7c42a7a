//! Between the links and whom they work for: talks and crossings.

use dunlin_ax25::data_link::{
    DisconnectReason, Indication, Input as LinkInput, Link, LinkConfig, Output as LinkOutput,
    Request, State,
};
use dunlin_ax25::wire::Control;
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::{Duration, Instant};

use super::Station;
use crate::channel::Origin;
use crate::crossing::Crossing;
use crate::event::{Event, PortId, TalkId, TalkLine, TalkState, Urgency};
use crate::links::{LinkEntry, LinkKey, Owner};
use crate::talk::Talk;
use crate::words;

/// Turns of the pump after which it stops until the next input: links can make each other
/// speak, and no input may keep the engine busy for ever.
const MOST_TURNS: usize = 10_000;

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
        let slots = config.timing.slot_time.div_f64(config.timing.persistence) * 2;
        let frame = vec![vec![0; 18 + config.info_length]];
        let hop = channel.transmitter.airtime(&frame) * 2;
        let hops = via.len() as u32;
        let srt = Duration::from_secs(1) + slots * (1 + hops) + hop * hops;
        let srt = srt.min(LONGEST_ROUND_TRIP);
        let config = LinkConfig {
            path: via.clone(),
            accepts_connections: accepts,
            k: config.window,
            // What is accepted is the standard's default, whatever is sent.
            n1: 256,
            n2: u8::try_from(config.retries).unwrap_or(u8::MAX),
            initial_srt: srt,
            t3: config.timing.idle_check,
            ..LinkConfig::new(key.local, key.remote)
        };
        let link = Link::new(config).expect("the figures were checked when the station was made");
        LinkEntry::new(link, via, now)
    }

    /// Makes a link for a frame from a station with which none is open. It lets the call in,
    /// or answers that nothing is connected.
    pub(super) fn open_for_stranger(&mut self, now: Instant, key: LinkKey, frame: &Frame) {
        if self.links.is_full() {
            return;
        }
        let via = frame.reply_path().unwrap_or_default();
        let calls = matches!(frame.control, Control::Sabm { .. });
        let mut entry = self.new_link(now, key, via, calls && self.lets_in(&key));
        let busy = self.channel_is_taken(key.port);
        entry.link.handle(now, LinkInput::ChannelBusy(busy));
        self.links.insert(key, entry);
    }

    /// Whether a call may become a talk or a crossing now.
    fn lets_in(&self, key: &LinkKey) -> bool {
        if let Some(rule) = self
            .config
            .crossings
            .iter()
            .find(|r| r.from == key.port && r.call == key.local)
        {
            let visitors = self
                .crossings
                .values()
                .filter(|c| !c.has_ended() && c.rule.name == rule.name);
            return visitors.count() < rule.most;
        }
        let open = self.talks.values().filter(|t| t.state != TalkState::Ended);
        self.port_config(key.port).call == key.local && open.count() < Self::MOST_TALKS
    }

    pub(super) fn link_frame(&mut self, now: Instant, key: LinkKey, frame: Frame) {
        if let Some(entry) = self.links.get_mut(&key) {
            entry.last_heard = Some(now);
            entry.link.handle(now, LinkInput::Frame(frame));
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
                entry.link.handle(now, LinkInput::Wakeup);
            }
        }
    }

    pub(super) fn channel_is_taken(&self, port: PortId) -> bool {
        let channel = &self.channels[usize::from(port.0)];
        channel.is_busy() || channel.is_transmitting()
    }

    /// Tells the links of a port whether its channel is taken (PH-BUSY, PH-QUIET).
    pub(super) fn tell_links_of_channel(&mut self, now: Instant, port: PortId) {
        let taken = self.channel_is_taken(port);
        if self.channel(port).links_told_busy == taken {
            return;
        }
        self.channel(port).links_told_busy = taken;
        for key in self.links.keys(Some(port)) {
            if let Some(entry) = self.links.get_mut(&key) {
                entry.link.handle(now, LinkInput::ChannelBusy(taken));
            }
        }
    }

    /// The port may transmit: links that asked for it get their turn.
    pub(super) fn confirm_seizes(&mut self, now: Instant, port: PortId) {
        let seizing = std::mem::take(&mut self.channel(port).seizing);
        for key in seizing {
            if let Some(entry) = self.links.get_mut(&key) {
                entry.link.handle(now, LinkInput::SeizeConfirm);
            }
        }
        self.pump_links(now);
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
                self.look_after(now, key);
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
                expedited: _,
            } => {
                if matches!(frame.control, Control::Sabm { .. })
                    && let Some(entry) = self.links.get_mut(&key)
                {
                    entry.calls_sent += 1;
                }
                self.enqueue(now, key.port, Origin::Link(key), frame, false);
            }
            LinkOutput::SeizeRequest => {
                self.channel(key.port).seizing.insert(key);
            }
            LinkOutput::ReleaseRequest | LinkOutput::StateChanged { .. } => {}
            LinkOutput::Indicate(indication) => self.indication(now, key, indication),
        }
    }

    fn indication(&mut self, now: Instant, key: LinkKey, indication: Indication) {
        let owner = self.links.get(&key).map_or(Owner::Nobody, |e| e.owner);
        match indication {
            Indication::ConnectIndication { .. } => self.called(now, key, owner),
            Indication::ConnectConfirm => self.answered(now, key, owner),
            Indication::Data { info, .. } => match owner {
                Owner::Talk(id) => self.talk_data(now, id, &info),
                Owner::Near(id) => self.crossing_acts(now, id, |c| c.near_data(&info)),
                Owner::Far(id) => self.crossing_acts(now, id, |c| c.far_data(&info)),
                Owner::Nobody => {}
            },
            Indication::DisconnectIndication { reason } => {
                let words = self.ending_words(now, key, &reason.to_string());
                let plain = matches!(
                    reason,
                    DisconnectReason::ReleasedByPeer | DisconnectReason::ReleaseUnanswered
                );
                self.link_ended(now, key, owner, &words, plain);
            }
            Indication::DisconnectConfirm => {
                self.link_ended(now, key, owner, "hung up", true);
            }
            Indication::UnitData { .. } => {}
            Indication::DataRefused { info, reason, .. } => {
                let text = format!(
                    "{} octets for {} were not taken: {reason}",
                    info.len(),
                    key.remote
                );
                self.note(now, Some(key.port), Urgency::Attention, text);
            }
            Indication::Error(error) => {
                let text = format!("link with {}: {error}", key.remote);
                self.note(now, Some(key.port), Urgency::Plain, text);
            }
        }
    }

    /// Somebody has connected to us (or, on an open link, started afresh).
    fn called(&mut self, now: Instant, key: LinkKey, owner: Owner) {
        match owner {
            Owner::Talk(id) => {
                let in_doubt = self.links.get_mut(&key).map(|e| e.link.take_unsent());
                let Some(talk) = self.talks.get_mut(&id) else {
                    return;
                };
                let words = match in_doubt {
                    Some(unsent) if !unsent.is_empty() => {
                        "the other side started afresh; what was not acknowledged is marked"
                    }
                    _ => "the other side started afresh; nothing was lost",
                };
                talk.set_state(now, TalkState::Open, words.into());
                let lost = talk.drop_given();
                lost.into_iter()
                    .for_each(|line| self.tell(Event::TalkLine(line)));
                self.tell_talk(id);
            }
            // Octets may be missing in the middle: going on would hide that.
            Owner::Near(_) | Owner::Far(_) => {
                let words = "started afresh in the middle; text may be missing";
                self.note(
                    now,
                    Some(key.port),
                    Urgency::Attention,
                    format!("{} {words}", key.remote),
                );
                self.cut_link(now, key);
            }
            Owner::Nobody => {
                let rules = &self.config.crossings;
                let rule = rules
                    .iter()
                    .find(|r| r.from == key.port && r.call == key.local)
                    .cloned();
                match rule {
                    Some(rule) => self.open_crossing(now, key, rule),
                    None => self.open_incoming(now, key),
                }
            }
        }
    }

    fn open_incoming(&mut self, now: Instant, key: LinkKey) {
        let id = self.next_talk_id();
        let mut talk = Talk::new(id, key, true, now);
        talk.set_state(
            now,
            TalkState::Open,
            format!("connected: {} called", key.remote),
        );
        talk.last_heard = Some(now);
        if let Some(entry) = self.links.get_mut(&key) {
            entry.owner = Owner::Talk(id);
            talk.via.clone_from(&entry.via);
        }
        self.talks.insert(id, talk);
        self.tell_talk(id);
        let greeting = self.config.greeting.clone();
        if !greeting.is_empty() {
            self.say(now, id, &greeting);
        }
    }

    /// The station we called has answered.
    fn answered(&mut self, now: Instant, key: LinkKey, owner: Owner) {
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
                    self.give_to_link(now, id);
                }
            }
            Owner::Far(id) => self.crossing_acts(now, id, Crossing::far_connected),
            Owner::Near(_) | Owner::Nobody => {}
        }
    }

    /// Adds to the link's own reason what the station knows: how often, and when last heard.
    fn ending_words(&self, now: Instant, key: LinkKey, reason: &str) -> String {
        let Some(entry) = self.links.get(&key) else {
            return reason.to_owned();
        };
        if entry.last_heard.is_some() || entry.calls_sent == 0 {
            return reason.to_owned();
        }
        let called = words::times(entry.calls_sent);
        let took = words::span(now.since(entry.since));
        let heard = self
            .heard
            .find(key.port, &key.remote.to_string())
            .map_or_else(
                || "it was never heard on this port".to_owned(),
                |h| {
                    let ago =
                        Duration::from_millis(crate::event::ms(now).saturating_sub(h.last_ms));
                    format!("it was last heard here {} ago", words::span(ago))
                },
            );
        format!("{reason}: called {called} in {took}; {heard}")
    }

    fn link_ended(&mut self, now: Instant, key: LinkKey, owner: Owner, words: &str, plain: bool) {
        self.links.remove(&key);
        let channel = self.channel(key.port);
        channel.seizing.remove(&key);
        match owner {
            Owner::Talk(id) => self.talk_ended(now, id, words, plain),
            Owner::Near(id) => self.crossing_acts(now, id, |c| c.near_ended(words)),
            Owner::Far(id) => self.crossing_acts(now, id, |c| c.far_ended(words)),
            Owner::Nobody => {}
        }
    }

    fn talk_ended(&mut self, now: Instant, id: TalkId, words: &str, plain: bool) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        let lost = talk.end(now, words.to_owned());
        let (port, remote) = (talk.key.port, talk.key.remote);
        let unsaid = lost.len();
        lost.into_iter()
            .for_each(|line| self.tell(Event::TalkLine(line)));
        self.tell_talk(id);
        let urgency = if plain && unsaid == 0 {
            Urgency::Plain
        } else {
            Urgency::Attention
        };
        let rest = match unsaid {
            0 => String::new(),
            n => format!("; {n} lines were not acknowledged and are marked in the talk"),
        };
        self.note(
            now,
            Some(port),
            urgency,
            format!("talk with {remote}: {words}{rest}"),
        );
    }

    fn talk_data(&mut self, now: Instant, id: TalkId, info: &[u8]) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        let lines: Vec<TalkLine> = talk.receive(now, info);
        lines
            .into_iter()
            .for_each(|line| self.tell(Event::TalkLine(line)));
    }

    /// Hands what was written in a talk to its link, if the link is up.
    pub(super) fn give_to_link(&mut self, now: Instant, id: TalkId) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        let key = talk.key;
        let Some(entry) = self.links.get_mut(&key).filter(|e| e.is_up()) else {
            return;
        };
        talk.give()
            .into_iter()
            .for_each(|info| entry.give(now, info));
    }

    /// Notices what has changed in a link without an indication: what is acknowledged,
    /// whether it is being checked, whether it may be released or is of no more use.
    fn look_after(&mut self, now: Instant, key: LinkKey) {
        let Some(entry) = self.links.get_mut(&key) else {
            return;
        };
        let left = entry.pending();
        if entry.closing && left == 0 {
            entry.closing = false;
            entry
                .link
                .handle(now, LinkInput::Request(Request::Disconnect));
        }
        let (state, retries, heard) = (
            entry.link.state(),
            u32::from(entry.link.retry_count()),
            entry.last_heard,
        );
        match entry.owner {
            Owner::Talk(id) => self.watch_talk(now, id, state, left, retries, heard),
            Owner::Near(id) => self.balance(now, id),
            Owner::Far(id) => self.balance(now, id),
            Owner::Nobody => {
                if state == State::Disconnected {
                    self.links.remove(&key);
                }
            }
        }
    }

    fn watch_talk(
        &mut self,
        now: Instant,
        id: TalkId,
        state: State,
        left: usize,
        retries: u32,
        heard: Option<Instant>,
    ) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        let before = talk.view();
        let arrived = talk.acknowledged(left);
        talk.retries = retries;
        talk.last_heard = heard.or(talk.last_heard);
        match (talk.state, state) {
            (TalkState::Open, State::TimerRecovery) if retries > 1 => {
                let words = format!("no acknowledgement; asked {}", words::times(retries));
                talk.set_state(now, TalkState::Checking, words);
            }
            (TalkState::Checking, State::TimerRecovery) => {
                let words = format!("no acknowledgement; asked {}", words::times(retries));
                talk.set_state(now, TalkState::Checking, words);
            }
            (TalkState::Checking, State::Connected) => {
                talk.set_state(now, TalkState::Open, "connected".into());
            }
            (TalkState::Calling, State::AwaitingConnection) if retries > 1 => {
                let words = format!("called {}, no answer yet", words::times(retries));
                talk.set_state(now, TalkState::Calling, words);
            }
            _ => {}
        }
        let mut after = talk.view();
        after.last_heard_ms = before.last_heard_ms; // Alone it is no news.
        let changed = after != before;
        let any = !arrived.is_empty();
        arrived
            .into_iter()
            .for_each(|line| self.tell(Event::TalkLine(line)));
        if changed {
            self.tell_talk(id);
        }
        if any || left == 0 {
            self.give_to_link(now, id);
        }
    }

    /// Releases a link: once all is acknowledged if it is up, at once if it still calls.
    pub(super) fn close_link(&mut self, now: Instant, key: LinkKey) {
        let Some(entry) = self.links.get_mut(&key) else {
            return;
        };
        match entry.link.state() {
            State::Connected | State::TimerRecovery => entry.closing = true,
            State::AwaitingConnection => self.abandon(now, key, "given up before an answer"),
            // It is being released already.
            State::AwaitingRelease | State::Disconnected => {}
        }
    }

    /// Ends a link that still calls, or has to be cut: the other end is told if it can be.
    pub(super) fn abandon(&mut self, now: Instant, key: LinkKey, words: &str) {
        let Some(entry) = self.links.get(&key) else {
            return;
        };
        let owner = entry.owner;
        let queue = &mut self.channel(key.port).queue;
        queue.retain(|q| q.origin != Origin::Link(key));
        self.link_ended(now, key, owner, words, true);
    }

    /// Cuts a link: what waits is given up, and the other end is told at once.
    pub(super) fn cut_link(&mut self, now: Instant, key: LinkKey) {
        match self.links.get(&key).map(|e| e.link.state()) {
            Some(State::Connected | State::TimerRecovery) => {
                let queue = &mut self.channel(key.port).queue;
                queue.retain(|q| q.origin != Origin::Link(key));
                self.link_request(now, key, Request::Disconnect);
            }
            Some(State::AwaitingConnection) => self.abandon(now, key, "cut by the operator"),
            Some(State::AwaitingRelease | State::Disconnected) | None => {}
        }
    }

    pub(super) fn tell_talk(&mut self, id: TalkId) {
        if let Some(talk) = self.talks.get(&id) {
            self.tell(Event::Talk(talk.view()));
        }
    }

    pub(super) fn next_talk_id(&mut self) -> TalkId {
        let id = TalkId(self.next_talk);
        self.next_talk += 1;
        id
    }
}
