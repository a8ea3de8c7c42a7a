//! What people ask for.

use dunlin_ax25::data_link::Request;
use dunlin_ax25::wire::pid;
use dunlin_ax25::{CallSign, Frame};
use dunlin_clock::Instant;

use super::Station;
use crate::channel::{MOST_QUEUED, Origin};
use crate::command::{Command, Refusal, Reply};
use crate::event::{CrossingId, Event, PortId, TalkId, TalkState, Urgency};
use crate::links::{LinkKey, Owner};
use crate::talk::{MOST_WAITING, MOST_WAITING_LINES, Talk, text_lines};
use crate::words;

/// Octets that may wait for a visitor, at most, with what the operator writes.
const MOST_TO_VISITOR: usize = 2048;

impl Station {
    pub(super) fn obey(&mut self, now: Instant, command: Command) -> Result<Reply, Refusal> {
        match command {
            Command::OpenTalk { port, to, via } => self.open_talk(now, port, to, via),
            Command::Say { talk, text } => {
                self.check_say(talk, &text)?;
                self.say(now, talk, &text);
                Ok(Reply::Done)
            }
            Command::CloseTalk { talk } => self.close_talk(now, talk),
            Command::PutAway { talk } => {
                let entry = self.talks.get(&talk).ok_or(Refusal::NoSuchTalk(talk.0))?;
                if entry.state != TalkState::Ended {
                    return Err(Refusal::TalkGoesOn(entry.key.remote));
                }
                self.talks.remove(&talk);
                self.tell(Event::TalkGone(talk));
                Ok(Reply::Done)
            }
            Command::OfferFile {
                talk,
                name,
                media,
                size,
                hash,
            } => self.offer_file(now, talk, &name, media.as_deref(), (size, &hash)),
            Command::AnswerFile {
                talk,
                file,
                decision,
                words,
            } => self.answer_file(now, (talk, file), decision, words),
            Command::StopFile { talk, file, words } => self.stop_file(now, (talk, file), words),
            Command::CutCrossing { crossing } => self.cut_crossing(now, crossing),
            Command::CallPartner { partner } => self.call_partner_now(now, partner),
            Command::EndPartner { partner, why } => self.end_partner(now, partner, &why),
            Command::SayToVisitor { crossing, text } => self.say_to_visitor(now, crossing, &text),
            Command::SayToAll {
                port,
                to,
                via,
                text,
            } => self.say_to_all(now, port, to, &via, &text),
            Command::Stop { port, by, why } => self.stop(now, port, &by, &why),
            Command::Start { port, by } => self.start(now, port, &by),
            Command::Test {
                port,
                signal,
                seconds,
            } => self.start_test(now, port, signal, seconds),
            Command::EndTest { port } => self.end_test(now, port),
            Command::Mute {
                call,
                minutes,
                by,
                why,
            } => self.mute(now, call, minutes, &by, &why),
            Command::Identify { port } => self.identify(now, port),
        }
    }

    /// The port, if it exists and may transmit.
    pub(super) fn sending_port(&self, port: PortId) -> Result<(), Refusal> {
        match self.config.ports.get(usize::from(port.0)) {
            None => Err(Refusal::NoSuchPort(port.0, self.config.ports.len())),
            Some(p) if !p.may_transmit => Err(Refusal::ReceiveOnly(p.name.clone())),
            Some(_) => Ok(()),
        }
    }

    fn check_path(&self, to: CallSign, via: &[CallSign]) -> Result<(), Refusal> {
        if via.len() > Self::MOST_REPEATERS {
            return Err(Refusal::TooManyRepeaters(via.len(), Self::MOST_REPEATERS));
        }
        for (n, &call) in via.iter().enumerate() {
            if self.is_own(call) {
                return Err(Refusal::BadPath(call, "it is this station's own call sign"));
            }
            if call == to {
                return Err(Refusal::BadPath(call, "it is the station to be reached"));
            }
            if via[..n].contains(&call) {
                return Err(Refusal::BadPath(call, "it stands there twice"));
            }
        }
        Ok(())
    }

    fn check_say(&self, id: TalkId, text: &str) -> Result<(), Refusal> {
        let talk = self.talks.get(&id).ok_or(Refusal::NoSuchTalk(id.0))?;
        if matches!(talk.state, TalkState::Ended | TalkState::Closing) {
            return Err(Refusal::TalkEnded(talk.key.remote));
        }
        check_text(text)?;
        if text.len() + talk.waiting_octets() > MOST_WAITING {
            return Err(Refusal::TooMuchText(text.len(), MOST_WAITING));
        }
        let lines = text_lines(text).count();
        if lines + talk.waiting_lines() > MOST_WAITING_LINES {
            return Err(Refusal::TooManyLines(lines, MOST_WAITING_LINES));
        }
        Ok(())
    }

    fn open_talk(
        &mut self,
        now: Instant,
        port: PortId,
        to: CallSign,
        via: Vec<CallSign>,
    ) -> Result<Reply, Refusal> {
        self.sending_port(port)?;
        if self.is_own(to) {
            return Err(Refusal::OwnCall(to));
        }
        self.check_path(to, &via)?;
        let open = self.talks.values().filter(|t| t.state != TalkState::Ended);
        if open.count() >= Self::MOST_TALKS || self.links.is_full() {
            return Err(Refusal::TooManyTalks(Self::MOST_TALKS));
        }
        let key = LinkKey {
            port,
            local: self.port_config(port).call,
            remote: to,
        };
        if self.links.get(&key).is_some() {
            return Err(Refusal::AlreadyTalking(to));
        }
        let id = self.next_talk_id();
        let mut talk = Talk::new(id, key, false, now);
        talk.via.clone_from(&via);
        talk.set_state(now, TalkState::Calling, format!("calling {to}"));
        self.talks.insert(id, talk);
        self.call(now, key, via, Owner::Talk(id));
        self.begin_waiting(now, id);
        self.tell_talk(id);
        Ok(Reply::Talk(id))
    }

    /// Writes lines into a talk; they go to the link as soon as it is up.
    pub(super) fn say(&mut self, now: Instant, id: TalkId, text: &str) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        let lines = talk.say(now, text);
        lines
            .into_iter()
            .for_each(|line| self.tell(Event::TalkLine(line)));
        self.begin_text(now, id);
        self.tell_talk(id);
    }

    fn close_talk(&mut self, now: Instant, id: TalkId) -> Result<Reply, Refusal> {
        let talk = self.talks.get_mut(&id).ok_or(Refusal::NoSuchTalk(id.0))?;
        let key = talk.key;
        match talk.state {
            TalkState::Ended => return Err(Refusal::TalkEnded(key.remote)),
            // Asked a second time: the person will not wait for acknowledgements.
            TalkState::Closing => self.link_request(now, key, Request::Disconnect),
            TalkState::Calling => self.close_link(now, key),
            TalkState::Open | TalkState::Checking => {
                let words = "ending once everything written has arrived; close again to end now";
                talk.set_state(now, TalkState::Closing, words.into());
                self.tell_talk(id);
                self.end_files(now, id);
                self.close_link(now, key);
            }
        }
        Ok(Reply::Done)
    }

    fn cut_crossing(&mut self, now: Instant, id: CrossingId) -> Result<Reply, Refusal> {
        let live = self.crossings.get(&id).filter(|c| !c.has_ended());
        let crossing = live.ok_or(Refusal::NoSuchCrossing(id.0))?;
        let near = crossing.near;
        let text = format!("the crossing of {} was cut by the operator", near.remote);
        self.note(now, Some(near.port), Urgency::Attention, text);
        self.cut(now, id, "cut by the operator");
        Ok(Reply::Done)
    }

    fn say_to_visitor(
        &mut self,
        now: Instant,
        id: CrossingId,
        text: &str,
    ) -> Result<Reply, Refusal> {
        let open = self.crossings.get(&id).filter(|c| c.is_near_open());
        let crossing = open.ok_or(Refusal::NoSuchCrossing(id.0))?;
        check_text(text)?;
        if text.len() + crossing.waiting_here() > MOST_TO_VISITOR {
            return Err(Refusal::TooMuchText(text.len(), MOST_TO_VISITOR));
        }
        self.crossing_acts(now, id, |c| c.operator_says(text));
        Ok(Reply::Done)
    }

    fn say_to_all(
        &mut self,
        now: Instant,
        port: PortId,
        to: CallSign,
        via: &[CallSign],
        text: &str,
    ) -> Result<Reply, Refusal> {
        self.sending_port(port)?;
        self.check_path(to, via)?;
        check_text(text)?;
        let config = self.port_config(port);
        if text.len() > config.info_length {
            return Err(Refusal::TooLong(text.len(), config.info_length));
        }
        let frame = Frame::ui(
            config.call,
            to,
            via,
            pid::NO_LAYER_3,
            text.as_bytes().to_vec(),
        );
        let alone = self.channel(port).transmitter.airtime(&[frame.encode()]);
        if self.channel(port).never_fits(alone) {
            return Err(Refusal::TooLongForKey(words::span(alone)));
        }
        if !self.enqueue(now, port, Origin::ToAll, frame, false) {
            return Err(Refusal::QueueFull(MOST_QUEUED));
        }
        Ok(Reply::Done)
    }
}

/// Text that may go on the air: not empty, and nothing in it that steers a terminal.
fn check_text(text: &str) -> Result<(), Refusal> {
    if text.trim().is_empty() {
        return Err(Refusal::NoText);
    }
    let steers = |c: &char| c.is_control() && !matches!(c, '\n' | '\r' | '\t');
    match text.chars().find(steers) {
        Some(c) => Err(Refusal::ControlCharacter(c as u32)),
        None => Ok(()),
    }
}
