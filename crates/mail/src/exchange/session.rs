//! One exchange over one link.

mod speak;

use std::collections::VecDeque;

use dunlin_clock::WallTime;

use super::answer::{Answer, Why, put_answer, read_answer};
use super::incoming::{Incoming, Partial, Whole};
use super::octets::{Read, Reader};
use super::offer::{Offer, Offerable};
use super::outgoing::{Outgoing, Settled};
use super::stream::{ANSWERS, CHAIN, END, Event, HELLO, OFFER, OVER, Stream};
use crate::identity::MessageId;
use crate::message::{Message, Station, Step};

/// The version of docs/mail-exchange.md.
const VERSION: u8 = 1;
/// Octets of chains and pieces in one turn that every station must take.
pub const LEAST_TURN: usize = 512;
/// Octets of chains and pieces in one turn, at most.
pub const MOST_TURN: usize = 32_768;
/// Octets that a turn may have beside chains and pieces.
const MOST_BESIDE: u64 = 16_384;
/// Turns of the partner in a row, at most, in which no item is settled and less than [`FAIR_OCTETS`] of chains
/// and pieces come and go. Whoever passes the turn for ever would keep the transmitter going for ever.
const MOST_IDLE: u32 = 16;
/// An honest sender brings more in so many turns, even if a turn takes only [`LEAST_TURN`] and begins with a long
/// chain.
const FAIR_OCTETS: u64 = 2048;
/// Octets of one answers record, so that it stays well below what a record may hold.
const ANSWERS_RECORD: usize = 1024;
/// Octets of the words with which a session is ended, at most.
const MOST_WORDS: usize = 120;

/// What one side takes on the port in use.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Octets of a packed item, at most.
    pub packed: usize,
    /// Octets of chains and pieces in one turn, at most; kept within [`LEAST_TURN`] and [`MOST_TURN`]. After
    /// so many the other side gets a word in, so it should last about a minute: 2048 at 300 baud.
    pub turn: usize,
}

/// Who exchanges, and how much.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settings {
    /// This station, without SSID.
    pub own: Station,
    /// The station at the other end of the link, without SSID.
    pub partner: Station,
    /// Whether this side made the link. It speaks first.
    pub calls: bool,
    /// What this side takes.
    pub limits: Limits,
}

/// What happens to a session.
#[derive(Clone, Debug)]
pub enum Input {
    /// Octets of the partner, in order.
    Received(Vec<u8>),
    /// The station takes an offered message. If that were more than [`MOST_HELD`](super::MOST_HELD) in one session,
    /// [`Why::TryLater`] is said all the same.
    Accept(MessageId),
    /// The station does not take an offered message.
    Refuse(MessageId, Why),
    /// The station has stored a message durably, with itself added to the chain at this time. It, or `NotStored`,
    /// is to be said also after the session has ended.
    Stored(MessageId, WallTime),
    /// The station cannot store it, or, with [`Why::HaveIt`], has got it another way meanwhile. Otherwise what
    /// arrived is kept as a partial.
    NotStored(MessageId, Why),
    /// One more message to offer.
    Offer(Offerable),
    /// What earlier sessions gave to be kept, if it was not known when this one began.
    Kept(Vec<Partial>),
    /// More may wait for the partner than the session was given: [`Output::More`] will ask for it.
    MoreWaits,
    /// What waits has been given by [`Input::Offer`]; there is no more for now.
    NoMore,
    /// Wait for the station no longer in this turn: offers without a decision are answered with [`Why::TryLater`];
    /// what is not stored yet is told, and what else waits is offered, in a later turn or session.
    GoOn,
    /// End now, and tell the partner why, in 1 to 120 octets.
    End(String),
    /// The link has dropped.
    Dropped,
}

/// What a session wants done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// Send these octets on the link. It is one turn, or the last words.
    Send(Vec<u8>),
    /// The partner offers this; decide with [`Input::Accept`] or [`Input::Refuse`]. The session waits.
    Offered(Offer),
    /// Store this message durably, with the station added to its chain; then say [`Input::Stored`]. The
    /// session waits.
    Store(Box<Message>),
    /// Give what else waits for the partner by [`Input::Offer`], then say [`Input::NoMore`]. The session waits.
    More,
    /// Keep this for later sessions, in the place of what was kept of the same message.
    KeepPartial(Partial),
    /// Forget what was kept of this message.
    DropPartial(MessageId),
    /// The partner has stored this message: add the step to its chain, and offer it no more.
    Taken {
        /// The message.
        id: MessageId,
        /// Who has it now, since when.
        step: Step,
    },
    /// The partner does not take this message. With [`Why::HaveIt`] it is where it should be.
    Refused {
        /// The message.
        id: MessageId,
        /// Its reason.
        why: Why,
    },
    /// The session is over. After this there is no more output than `DropPartial`, of what was still being stored
    /// and now is. Messages of which neither `Taken` nor
    /// `Refused` was said stay with this station.
    Ended {
        /// Whether both sides were through.
        well: bool,
        /// What happened, for the operator.
        words: String,
    },
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Turn {
    Ours,
    Theirs,
    /// The session is over.
    Nobodys,
}

/// Whether more waits for the partner than the session was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum More {
    No,
    /// It is asked for when all that was given is offered.
    Maybe,
    Asked,
}

/// The machine: `handle` one input, `poll` until there is no output, and so on. A new session may have output at once.
#[derive(Debug)]
pub struct Session {
    settings: Settings,
    stream: Stream,
    outputs: VecDeque<Output>,
    outgoing: Outgoing,
    incoming: Incoming,
    turn: Turn,
    hello_sent: bool,
    /// What the partner takes, once it has said so.
    partner: Option<Limits>,
    partner_has_more: bool,
    /// Entries of answers that go with our next turn.
    answers: VecDeque<Vec<u8>>,
    /// The item of the piece that is arriving.
    piece: u64,
    /// Octets that had passed when the partner's turn began.
    turn_began: u64,
    /// Octets of chains and pieces in the partner's turn.
    bodies: u64,
    /// Whether the partner has said anything in its turn that changed something.
    heard: bool,
    /// Turns in a row in which nothing was said: the partner's, ours.
    empty: (u32, u32),
    /// The partner's turns, and the octets of chains and pieces both ways, since an item was settled or the octets
    /// were enough.
    idle: (u32, u64),
    /// Whether an item was settled, by either side, since this side spoke.
    settled: bool,
    hasten: bool,
    more: More,
    /// Our last over said that there is more.
    said_more: bool,
}

impl Session {
    /// Begins. `outgoing` may come in any order; what the partner has had is left out and told as
    /// refused. `kept` is what earlier sessions, with anybody, gave to be kept.
    pub fn new(settings: Settings, outgoing: Vec<Offerable>, kept: Vec<Partial>) -> Self {
        let mut session = Session {
            stream: Stream::default(),
            outputs: VecDeque::new(),
            outgoing: Outgoing::default(),
            incoming: Incoming::new(settings.own, kept),
            turn: if settings.calls {
                Turn::Ours
            } else {
                Turn::Theirs
            },
            hello_sent: false,
            partner: None,
            partner_has_more: true,
            answers: VecDeque::new(),
            piece: 0,
            turn_began: 0,
            bodies: 0,
            heard: false,
            empty: (0, 0),
            idle: (0, 0),
            settled: false,
            hasten: false,
            more: More::No,
            said_more: false,
            settings,
        };
        let turn = session.settings.limits.turn;
        session.settings.limits.turn = turn.clamp(LEAST_TURN, MOST_TURN);
        for offerable in outgoing {
            session.add(offerable);
        }
        session
    }

    /// Takes in one thing.
    pub fn handle(&mut self, input: Input) {
        match input {
            // A store may take longer than the link lasts.
            Input::Stored(id, at) => self.stored(id, Ok(at)),
            Input::NotStored(id, why) => self.stored(id, Err(why)),
            _ if self.turn == Turn::Nobodys => return,
            Input::Received(octets) => self.receive(&octets),
            Input::Accept(id) => self.decide(id, None),
            Input::Refuse(id, why) => self.decide(id, Some(why)),
            Input::Offer(offerable) => self.add(offerable),
            Input::Kept(partials) => self.incoming.remember(partials),
            Input::MoreWaits if self.more == More::No => self.more = More::Maybe,
            Input::MoreWaits => {}
            Input::NoMore => self.more = More::No,
            Input::GoOn => {
                if self.turn == Turn::Ours {
                    self.hasten = true;
                    for id in self.incoming.undecided() {
                        self.decide(id, Some(Why::TryLater));
                    }
                }
            }
            Input::End(words) => self.end_with(&words, &words),
            Input::Dropped => self.finish(false, "the link has dropped".to_owned()),
        }
        self.speak();
    }

    /// What follows, one at a time.
    pub fn poll(&mut self) -> Option<Output> {
        self.speak();
        self.outputs.pop_front()
    }

    /// Whether it is this side's turn, and the session waits for the station.
    pub fn waits(&self) -> bool {
        self.turn == Turn::Ours
    }

    /// Whether an emergency is under way, or offered, in either direction.
    pub fn is_urgent(&self) -> bool {
        self.outgoing.is_urgent() || self.incoming.is_urgent()
    }

    /// Whether this side has something to offer that was not offered, or may have.
    pub fn has_left(&self) -> bool {
        self.more != More::No || self.outgoing.has_waiting()
    }

    /// What has arrived of items that are not whole, or are not stored yet. They are put out now and then while they
    /// grow, and when the session ends.
    pub fn partials(&self) -> Vec<Partial> {
        self.incoming.partials()
    }

    /// Offers of the partner that this side wants, and has neither stored nor refused: room is promised to them.
    pub fn wanted(&self) -> impl Iterator<Item = &Offer> {
        self.incoming.wanted()
    }

    /// Messages of this side that are under way: wanted, and neither taken nor refused. A station that finds the
    /// same one here whenever a session ends badly should hold it back, so that it does not stop the others.
    pub fn under_way(&self) -> Vec<MessageId> {
        self.outgoing.under_way()
    }

    fn add(&mut self, offerable: Offerable) {
        let id = offerable.id();
        let limit = self.partner.map_or(usize::MAX, |partner| partner.packed);
        if offerable.offer.packed > limit {
            self.refused(id, Why::TooLarge);
        } else if !self.outgoing.add(offerable, self.settings.partner) {
            self.refused(id, Why::HaveIt);
        }
    }

    fn refused(&mut self, id: MessageId, why: Why) {
        self.outputs.push_back(Output::Refused { id, why });
    }

    fn decide(&mut self, id: MessageId, refused: Option<Why>) {
        if let Some((item, answer)) = self.incoming.decide(id, refused) {
            self.answer(item, answer);
        }
    }

    fn answer(&mut self, item: usize, answer: Answer) {
        self.settled |= !matches!(answer, Answer::Want(_));
        let mut entry = Vec::new();
        put_answer(&mut entry, item, answer);
        self.answers.push_back(entry);
    }

    fn stored(&mut self, id: MessageId, stored: Result<WallTime, Why>) {
        let Some((item, answer, partial)) = self.incoming.stored(id, stored) else {
            return;
        };
        if self.turn == Turn::Nobodys {
            // What was being stored was given to be kept when the session ended.
            if partial.is_none() {
                self.outputs.push_back(Output::DropPartial(id));
            }
            return;
        }
        self.answer(item, answer);
        match partial {
            Some(partial) => self.outputs.push_back(Output::KeepPartial(partial)),
            None => self.forget(id),
        }
    }

    fn forget(&mut self, id: MessageId) {
        if self.incoming.forget(id) {
            self.outputs.push_back(Output::DropPartial(id));
        }
    }

    /// Has kept what arrives, so that a power cut costs little of it.
    fn keep_partials(&mut self, turn_ends: bool) {
        for partial in self.incoming.grown(turn_ends) {
            self.outputs.push_back(Output::KeepPartial(partial));
        }
    }

    fn receive(&mut self, octets: &[u8]) {
        self.stream.feed(octets);
        while self.turn != Turn::Nobodys {
            let event = self.stream.next();
            let length = self.stream.passed() - self.turn_began;
            let most = self.settings.limits.turn as u64 + MOST_BESIDE;
            let done = match event {
                _ if length > most => Err(format!("a turn of more than {most} octets")),
                Ok(Some(event)) => self.event(event),
                Ok(None) => return,
                Err(wrong) => Err(wrong),
            };
            if let Err(wrong) = done {
                let at = self.stream.at();
                let words = format!("{} sent {wrong} (octet {at})", self.settings.partner);
                match self.partner {
                    Some(_) => self.end_with(&words, &words),
                    // It may be no station that speaks this at all.
                    None => self.finish(false, words),
                }
            }
        }
    }

    fn event(&mut self, event: Event) -> Read<()> {
        let ending = matches!(event, Event::Record { kind: END, .. });
        if self.turn == Turn::Ours && !ending {
            return Err("something while it was not its turn".to_owned());
        }
        match event {
            Event::Record { kind, payload } => self.record(kind, &payload),
            Event::Piece {
                item,
                offset,
                length,
            } => {
                self.count_bodies(length)?;
                self.incoming.piece(item, offset, length)?;
                (self.piece, self.heard) = (item, true);
                match length {
                    0 => self.octets(&[]),
                    _ => Ok(()),
                }
            }
            Event::Octets(octets) => self.octets(&octets),
        }
    }

    fn octets(&mut self, octets: &[u8]) -> Read<()> {
        match self.incoming.octets(self.piece, octets)? {
            None => self.keep_partials(false),
            Some(Whole::Store(message)) => self.outputs.push_back(Output::Store(message)),
            Some(Whole::Answer(item, answer, id)) => {
                self.forget(id);
                self.answer(item, answer);
            }
        }
        Ok(())
    }

    /// Counts octets of chains and pieces against what this side takes in a turn.
    fn count_bodies(&mut self, octets: u64) -> Read<()> {
        self.bodies += octets;
        let most = self.settings.limits.turn;
        match self.bodies > most as u64 {
            true => Err(format!("more than {most} octets of items in one turn")),
            false => Ok(()),
        }
    }

    fn record(&mut self, kind: u8, payload: &[u8]) -> Read<()> {
        let first = kind == HELLO;
        if first != self.partner.is_none() {
            return Err(match first {
                true => "a second hello".to_owned(),
                false => "something before its hello".to_owned(),
            });
        }
        match kind {
            HELLO => self.hello(payload),
            OFFER => self.offered(payload),
            ANSWERS => self.answered(payload),
            CHAIN => {
                self.count_bodies(payload.len() as u64)?;
                self.incoming.chain(payload)
            }
            OVER => self.over(payload),
            _ => {
                self.ended(payload);
                Ok(())
            }
        }
    }

    fn hello(&mut self, payload: &[u8]) -> Read<()> {
        let mut reader = Reader::new(payload);
        if reader.octet()? == 0 {
            return Err("a hello of version 0, which there is not".to_owned());
        }
        let mut size = || -> Read<usize> {
            let number = reader.number()?;
            Ok(usize::try_from(number).unwrap_or(usize::MAX))
        };
        let (packed, turn) = (size()?, size()?);
        if turn < LEAST_TURN {
            return Err(format!(
                "a hello that allows {turn} octets a turn; at least {LEAST_TURN} must be"
            ));
        }
        self.partner = Some(Limits { packed, turn });
        for id in self.outgoing.too_large(packed) {
            self.refused(id, Why::TooLarge);
        }
        Ok(())
    }

    fn offered(&mut self, payload: &[u8]) -> Read<()> {
        let largest = self.settings.limits.packed;
        let (offer, why) = self.incoming.offer(payload, largest)?;
        self.heard = true;
        let id = offer.id;
        if self.outgoing.withdraw(id) {
            // Both have it, and each now knows of the other.
            self.decide(id, Some(Why::HaveIt));
            self.refused(id, Why::HaveIt);
        } else if why.is_some() {
            self.decide(id, why);
        } else {
            self.outputs.push_back(Output::Offered(offer));
        }
        Ok(())
    }

    fn answered(&mut self, payload: &[u8]) -> Read<()> {
        let mut reader = Reader::new(payload);
        if reader.is_empty() {
            return Err("answers without an entry".to_owned());
        }
        while !reader.is_empty() {
            let (item, answer) = read_answer(&mut reader)?;
            let settled = self.outgoing.answer(item, answer)?;
            self.heard = true;
            self.settled |= settled.is_some();
            match settled {
                None => {}
                Some(Settled::Refused(id, why)) => self.refused(id, why),
                Some(Settled::Taken(id, at)) => {
                    let station = self.settings.partner;
                    let step = Step { station, at };
                    self.outputs.push_back(Output::Taken { id, step });
                }
            }
        }
        Ok(())
    }

    fn over(&mut self, payload: &[u8]) -> Read<()> {
        self.partner_has_more = Reader::new(payload).octet()? & 1 != 0;
        self.empty.0 = match self.heard {
            true => 0,
            false => self.empty.0 + 1,
        };
        self.idle = (self.idle.0 + 1, self.idle.1 + self.bodies);
        self.turn = Turn::Ours;
        self.turn_began = self.stream.passed();
        (self.bodies, self.heard, self.hasten) = (0, false, false);
        self.keep_partials(true);
        Ok(())
    }

    fn ended(&mut self, payload: &[u8]) {
        let partner = self.settings.partner;
        match payload {
            [] if self.outgoing.is_answered() && !self.said_more && !self.incoming.is_open() => {
                self.finish(true, format!("{partner} ended; all is done"));
            }
            [] => self.finish(false, format!("{partner} ended while something was open")),
            words => {
                let plain = String::from_utf8_lossy(words);
                let plain = plain.chars().filter(|c| !c.is_control());
                let plain: String = plain.take(MOST_WORDS).collect();
                self.finish(false, format!("{partner} ended: {plain}"));
            }
        }
    }
}
