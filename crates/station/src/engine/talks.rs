//! Between talks and their links: text out, text in, how it stands, how it ends.

use dunlin_ax25::data_link::State;
use dunlin_clock::Instant;

use super::Station;
use crate::event::{Event, TalkId, TalkLine, TalkState, Urgency};
use crate::links::{LinkEntry, LinkKey, Owner};
use crate::talk::{CONNECTED, Talk};
use crate::words;

impl Station {
    pub(super) fn open_incoming(&mut self, now: Instant, key: LinkKey) {
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

    /// The other end of a talk has connected again.
    pub(super) fn talk_afresh(&mut self, now: Instant, id: TalkId, in_doubt: usize) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        let mut lost = Vec::new();
        if in_doubt > 0 {
            lost = talk.drop_given();
        }
        if talk.state != TalkState::Closing {
            let words = match in_doubt {
                0 => "connected again; nothing was lost",
                _ => "the other side started afresh; what was not acknowledged is marked",
            };
            talk.set_state(now, TalkState::Open, words.into());
        }
        lost.into_iter()
            .for_each(|line| self.tell(Event::TalkLine(line)));
        self.tell_talk(id);
    }

    pub(super) fn talk_ended(&mut self, now: Instant, id: TalkId, words: &str, plain: bool) {
        self.drop_files(now, id);
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
            1 => ". 1 line was not acknowledged and is marked in the talk".into(),
            n => format!(". {n} lines were not acknowledged and are marked in the talk"),
        };
        self.note(
            now,
            Some(port),
            urgency,
            format!("talk with {remote}: {words}{rest}"),
        );
        self.forget_ended_talks();
    }

    /// Text of the other end has come.
    pub(super) fn talk_text(&mut self, now: Instant, id: TalkId, info: &[u8]) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        let lines: Vec<TalkLine> = talk.receive(now, info);
        lines
            .into_iter()
            .for_each(|line| self.tell(Event::TalkLine(line)));
    }

    /// Hands the text, or what goes of files, of at most so many frames to the link of a talk, if it is up and has room
    /// for them. True if there was any.
    pub(super) fn give_to_link(&mut self, now: Instant, id: TalkId, most: usize) -> bool {
        let sparing = self.spares_key_for(now, id);
        let Some(talk) = self.talks.get_mut(&id) else {
            return false;
        };
        let Some(entry) = self.links.get_mut(&talk.key).filter(|e| e.is_up()) else {
            return false;
        };
        let length = entry.pace.length();
        let mut any = false;
        for _ in 0..most.min(entry.room()) {
            let Some(text) = talk.give_next(length, sparing) else {
                break;
            };
            entry.give(now, text);
            any = true;
        }
        self.serve_files(now, id);
        any
    }

    /// Hands the first frame of text to the link of a talk, which makes the port ask for the
    /// channel. What is written until it has it goes with it, gathered: see [`Station::fill`].
    pub(super) fn begin_text(&mut self, now: Instant, id: TalkId) -> bool {
        let Some(talk) = self.talks.get(&id).filter(|t| t.has_more()) else {
            return false;
        };
        let key = talk.key;
        if self.ask_for_missed(key) {
            return false; // First what was missed, once the other end has said all.
        }
        !self.channel(key.port).holds_text_of(key) && self.give_to_link(now, id, 1)
    }

    /// The same for all talks, whose text may have waited.
    pub(super) fn begin_texts(&mut self, now: Instant) {
        let ids: Vec<TalkId> = self.talks.keys().copied().collect();
        let mut any = false;
        for id in ids {
            any |= self.begin_text(now, id);
        }
        if any {
            self.pump_links(now);
        }
    }

    /// Whether little of the key-down time of the port of a talk is left, so that what is much in it has to wait. If that
    /// goes next, the talk says so. Only asked where there is much, or may be behind what is short.
    fn spares_key_for(&mut self, now: Instant, id: TalkId) -> bool {
        let Some(talk) = self.talks.get(&id) else {
            return false;
        };
        let (port, much_next) = (talk.key.port, talk.has_much_next());
        let asked = much_next || talk.files.has_more() || talk.says_it_spares_key();
        let sparing = asked && self.waits_for_key(now, port);
        if let Some(talk) = self.talks.get_mut(&id)
            && talk.spares_key(now, sparing && much_next)
        {
            self.tell_talk(id);
        }
        sparing
    }

    /// Brings a talk up to date with its link. True if the link was given more text.
    pub(super) fn watch_talk(&mut self, now: Instant, id: TalkId, key: LinkKey) -> bool {
        let (Some(talk), Some(entry)) = (self.talks.get_mut(&id), self.links.get_mut(&key)) else {
            return false;
        };
        let before = talk.view();
        let anew = has_begun_anew(talk, entry);
        let mut arrived = Vec::new();
        if entry.is_up() {
            arrived = talk.acknowledged(entry.count_acknowledged());
        }
        let state = entry.link.state();
        talk.pace = entry.was_up.then(|| entry.pace.view());
        talk.retries = u32::from(entry.link.retry_count());
        talk.last_heard = entry.last_heard.or(talk.last_heard);
        follow_link(now, talk, state);
        let mut after = talk.view();
        after.last_heard_ms = before.last_heard_ms; // Alone it is no news.
        let changed = after != before;
        arrived
            .into_iter()
            .for_each(|line| self.tell(Event::TalkLine(line)));
        if changed {
            self.tell_talk(id);
        }
        if anew {
            self.drop_files(now, id);
        }
        self.files_arrived(now, id);
        if self.talks.get(&id).is_some_and(Talk::says_it_spares_key) {
            self.spares_key_for(now, id);
        }
        self.begin_text(now, id)
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

/// Whether the link has begun anew since this was asked last, other than because the other end missed the answer to
/// its call: then nothing had passed, and both are still at the beginning.
fn has_begun_anew(talk: &mut Talk, entry: &LinkEntry) -> bool {
    let counters = entry.link.counters();
    let anew = talk.files.resets != counters.resets;
    talk.files.resets = counters.resets;
    let passed = entry.ever_acknowledged || counters.i_received > 0;
    anew && (passed || entry.link.state().is_calling())
}

/// What a talk says of the state of its link.
fn follow_link(now: Instant, talk: &mut Talk, state: State) {
    let tries = talk.retries;
    match (talk.state, state) {
        (TalkState::Open, State::TimerRecovery) if tries > 1 => {
            let words = format!("no acknowledgement; asked {}", words::times(tries));
            talk.set_state(now, TalkState::Checking, words);
        }
        (TalkState::Checking, State::TimerRecovery) => {
            let words = match tries {
                0 | 1 => "some of it was acknowledged; going on".into(),
                n => format!("no acknowledgement; asked {}", words::times(n)),
            };
            talk.set_state(now, TalkState::Checking, words);
        }
        (TalkState::Checking, State::Connected) => {
            talk.set_state(now, TalkState::Open, CONNECTED.into());
        }
        (TalkState::Open | TalkState::Checking, state) if state.is_calling() => {
            let words = "the two ends disagreed; connecting again";
            talk.set_state(now, TalkState::Checking, words.into());
        }
        (TalkState::Calling, state) if state.is_calling() && tries > 1 => {
            let words = format!("called {}, no answer yet", words::times(tries));
            talk.set_state(now, TalkState::Calling, words);
        }
        _ => {}
    }
}
