//! One exchange with a partner, tied to whoever keeps the mail.
//!
//! A [`Carriage`] runs a [`Session`] and turns what it wants into [`Ask`]s: what waits for the partner, whether
//! an offer is known, keep this, this was taken. It has the shape of the other machines: [`handle`] takes in
//! one thing, [`poll`] gives out what follows. Nothing is said to be stored before the keeper has said so. The
//! keeper may take longer than the link lasts; its answers are taken until [`Carriage::is_through`].
//!
//! [`handle`]: Carriage::handle
//! [`poll`]: Carriage::poll

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use dunlin_clock::WallTime;

use crate::exchange::{self, Offer, Offerable, Partial, Session, Why};
use crate::identity::MessageId;
use crate::message::{Kind, Message, Station};
use crate::post::{
    Answer, Ask, Head, HoldRules, Letter, Much, Outcome, Proof, Routes, Standing, Verdict, Way,
    route,
};

/// Messages that are taken from the queue for one exchange, at most.
const MOST_TAKEN: usize = exchange::MOST_OFFERS;
/// Octets of their texts together, at most.
const MOST_TAKEN_OCTETS: usize = 2 << 20;
/// Octets that are kept while the queue is still being read. The partner has one turn before it hears anything.
const MOST_EARLY: usize = 64 << 10;
/// Refusals of the same item within a day after which the operator is told, and they are counted no more.
const MOST_REPEATS: u32 = 8;

/// Joins an answer to its ask. Each carriage counts its own, from 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(pub u64);

/// With whom, and by what rules.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Settings {
    /// The two stations and what this one takes in one go.
    pub exchange: exchange::Settings,
    /// How the partner was identified.
    pub proof: Proof,
    /// Where mail goes on to.
    pub routes: Routes,
    /// What a person looks at first.
    pub holds: HoldRules,
    /// Areas whose bulletins are taken. `None` = all.
    pub areas: Option<Vec<String>>,
    /// A person has asked for the exchange: what was put back after a try in vain is offered too.
    pub asked: bool,
}

/// What happens to a carriage.
#[derive(Clone, Debug)]
pub enum Input {
    /// Octets of the partner, in order.
    Received(Vec<u8>),
    /// The keeper has answered. An answer to no open ticket is left alone.
    Answer(Ticket, Box<Answer>),
    /// The link has dropped.
    Dropped,
    /// Wait for the keeper no longer in this turn; as [`exchange::Input::GoOn`].
    GoOn,
    /// Something was queued for the partner.
    Queued,
    /// End now and tell the partner why, in 1 to 120 octets.
    End(String),
}

/// What a carriage wants done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Output {
    /// Send these octets on the link.
    Send(Vec<u8>),
    /// Ask the keeper. Asks are to be done in the order in which they come.
    Ask(Ticket, Ask),
    /// Tell the operator.
    Note(String),
    /// This message can go nowhere from here: tell its writer.
    CameToNothing(Box<Head>),
    /// The exchange is over. Answers may still be awaited, see [`Carriage::is_through`].
    Ended {
        /// Whether both sides were through.
        well: bool,
        /// What happened, for the operator.
        words: String,
    },
}

/// What an open ticket is about.
#[derive(Debug)]
enum About {
    Queue,
    Offered(Offer),
    /// Whether there is room for it.
    Room(Offer),
    /// With what it came to, if it can go nowhere from here.
    Storing(MessageId, WallTime, Option<Box<Head>>),
    /// Only whether it was done matters.
    Deed(&'static str),
}

/// See the [module](self).
#[derive(Debug)]
pub struct Carriage {
    settings: Settings,
    session: Option<Session>,
    early: Vec<u8>,
    open: BTreeMap<Ticket, About>,
    next: u64,
    outputs: VecDeque<Output>,
    ended: bool,
    /// What could not be done, and the operator was told.
    failed: BTreeSet<&'static str>,
    /// What the session was given to offer, and the octets of the texts.
    given: BTreeMap<MessageId, usize>,
    /// Offers that are taken if there is room. It is asked for one after the other, as each that is taken leaves less.
    to_weigh: VecDeque<Offer>,
    /// The queue is being read.
    reading: bool,
    /// Something was queued before the session began.
    queued: bool,
    partials_known: bool,
    /// Wall time of what came in last.
    now: WallTime,
}

impl Carriage {
    /// A link to the partner was made; the first thing asked is what waits for it.
    pub fn new(settings: Settings, now: WallTime) -> Carriage {
        let mut carriage = Carriage {
            settings,
            session: None,
            early: Vec::new(),
            open: BTreeMap::new(),
            next: 0,
            outputs: VecDeque::new(),
            ended: false,
            failed: BTreeSet::new(),
            given: BTreeMap::new(),
            to_weigh: VecDeque::new(),
            reading: false,
            queued: false,
            partials_known: false,
            now,
        };
        carriage.read_queue();
        carriage
    }

    /// Takes in one thing, at this wall time.
    pub fn handle(&mut self, input: Input, now: WallTime) {
        self.now = now;
        match input {
            Input::Answer(ticket, answer) => {
                if let Some(about) = self.open.remove(&ticket) {
                    self.answered(about, *answer);
                }
            }
            Input::Received(octets) => match &mut self.session {
                Some(session) => session.handle(exchange::Input::Received(octets)),
                None => self.received_early(&octets),
            },
            Input::Dropped => self.end(exchange::Input::Dropped, "the link has dropped".into()),
            Input::End(words) => {
                // The partner is to hear why, although nothing was said yet.
                if self.session.is_none() && !self.ended {
                    self.begin(Vec::new(), Vec::new(), false);
                }
                let told = words.clone();
                self.end(exchange::Input::End(words), told);
            }
            Input::GoOn => match &mut self.session {
                Some(session) => session.handle(exchange::Input::GoOn),
                None if self.ended => {}
                // What waits is offered when it is known.
                None => {
                    self.begin(Vec::new(), Vec::new(), true);
                    if let Some(session) = &mut self.session {
                        session.handle(exchange::Input::GoOn);
                    }
                }
            },
            Input::Queued => match &mut self.session {
                Some(session) => session.handle(exchange::Input::MoreWaits),
                None => self.queued = true,
            },
        }
        self.serve();
    }

    /// What follows, one at a time.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// Whether the exchange is over and no answer is awaited any more.
    pub fn is_through(&self) -> bool {
        self.ended && self.open.is_empty() && self.outputs.is_empty()
    }

    /// Whether it is this side's turn to speak, and it waits for the keeper.
    pub fn waits(&self) -> bool {
        let session = self.session.as_ref();
        !self.ended && session.is_none_or(Session::waits)
    }

    /// Whether something waits for the partner that was not offered, or may wait.
    pub fn has_left(&self) -> bool {
        self.session.as_ref().is_some_and(Session::has_left)
    }

    /// Whether an emergency is under way, or offered, in either direction.
    pub fn is_urgent(&self) -> bool {
        self.session.as_ref().is_some_and(Session::is_urgent)
    }

    /// What room was promised to: offers that were accepted in this exchange, and are neither kept nor refused.
    pub fn promised(&self) -> Much {
        let session = self.session.as_ref();
        let wanted = session.into_iter().flat_map(Session::wanted);
        wanted.map(room_of).fold(Much::default(), Much::and)
    }

    /// Asks what waits for the partner. What was given already and is not settled is told again, and must not stand in
    /// the way of the rest. A session is given no more than [`exchange::MOST_OFFERS`] and what one reading brings.
    fn read_queue(&mut self) {
        if std::mem::replace(&mut self.reading, true) {
            return;
        }
        let queue = Ask::Outgoing {
            partner: self.partner(),
            most: MOST_TAKEN + self.given.len(),
            most_octets: MOST_TAKEN_OCTETS + self.given.values().sum::<usize>(),
            partials: !self.partials_known,
            // Once: what is put back in this exchange is not offered in it again.
            put_back: std::mem::take(&mut self.settings.asked),
        };
        self.ask(About::Queue, queue);
    }

    fn partner(&self) -> Station {
        self.settings.exchange.partner
    }

    fn note(&mut self, words: String) {
        self.outputs.push_back(Output::Note(words));
    }

    fn ask(&mut self, about: About, ask: Ask) {
        let ticket = Ticket(self.next);
        self.next += 1;
        self.open.insert(ticket, about);
        self.outputs.push_back(Output::Ask(ticket, ask));
    }

    fn received_early(&mut self, octets: &[u8]) {
        if self.early.len() + octets.len() <= MOST_EARLY {
            self.early.extend(octets);
        } else if !self.ended {
            let words = "the partner has sent too much before anything was said".to_owned();
            self.over(false, words);
        }
    }

    /// Ends the session, or, while the queue is still being read, the carriage alone.
    fn end(&mut self, input: exchange::Input, words: String) {
        match &mut self.session {
            Some(session) => session.handle(input),
            None if self.ended => {}
            None => self.over(false, words),
        }
    }

    fn over(&mut self, well: bool, words: String) {
        self.ended = true;
        self.outputs.push_back(Output::Ended { well, words });
    }

    /// Does what the session wants.
    fn serve(&mut self) {
        while let Some(session) = &mut self.session
            && let Some(output) = session.poll()
        {
            self.wanted(output);
        }
    }

    fn wanted(&mut self, output: exchange::Output) {
        let partner = self.partner();
        match output {
            exchange::Output::Send(octets) => self.outputs.push_back(Output::Send(octets)),
            exchange::Output::Offered(offer) => {
                let id = offer.id;
                self.ask(About::Offered(offer), Ask::Known { id, partner });
            }
            exchange::Output::Store(message) => self.keep(*message),
            exchange::Output::More => self.read_queue(),
            exchange::Output::KeepPartial(partial) => {
                let about = About::Deed("keep what has arrived of a message");
                self.ask(about, Ask::KeepPartial(partial));
            }
            exchange::Output::DropPartial(id) => {
                let about = About::Deed("forget what had arrived of a message");
                self.ask(about, Ask::DropPartial(id));
            }
            exchange::Output::Taken { id, step } => self.settle(id, Outcome::Taken(step)),
            exchange::Output::Refused { id, why } => self.settle(id, Outcome::Refused(why)),
            exchange::Output::Ended { well, words } => {
                self.tried(well);
                self.over(well, words);
            }
        }
    }

    fn settle(&mut self, id: MessageId, outcome: Outcome) {
        let partner = self.partner();
        let ask = Ask::Settle {
            id,
            partner,
            outcome,
        };
        self.ask(About::Deed("note what the partner has said"), ask);
    }

    /// After a bad end, what was under way goes back for a while.
    fn tried(&mut self, well: bool) {
        let ids = match &self.session {
            Some(session) if !well => session.under_way(),
            _ => Vec::new(),
        };
        if !ids.is_empty() {
            let partner = self.partner();
            let ask = Ask::Tried { partner, ids };
            self.ask(About::Deed("put back what was under way"), ask);
        }
    }

    fn answered(&mut self, about: About, answer: Answer) {
        match about {
            About::Queue => self.queue_read(answer),
            About::Offered(offer) => self.decide(offer, answer),
            About::Room(offer) => self.weighed(&offer, answer),
            About::Storing(id, at, nowhere) => {
                let kept = answer == Answer::Kept;
                self.stored(id, at, answer);
                if let Some(head) = nowhere.filter(|_| kept) {
                    self.outputs.push_back(Output::CameToNothing(head));
                }
            }
            About::Deed(what) => match answer {
                // While a disk is full the same fails again and again.
                Answer::Failed { words } if self.failed.insert(what) => {
                    self.note(format!("could not {what}: {words}"));
                }
                Answer::CameToNothing(head) => {
                    self.outputs.push_back(Output::CameToNothing(head));
                }
                _ => {}
            },
        }
    }

    /// The queue is known: the session begins, or is given what is new in it.
    fn queue_read(&mut self, answer: Answer) {
        self.reading = false;
        if self.ended {
            return;
        }
        let (messages, partials, more) = match answer {
            Answer::Outgoing {
                messages,
                partials,
                more,
            } => (messages, partials, more),
            Answer::Failed { words } => {
                self.note(format!("nothing can be offered: {words}"));
                (Vec::new(), Vec::new(), false)
            }
            _ => (Vec::new(), Vec::new(), false),
        };
        let mut ready = Vec::new();
        let mut any = false;
        for message in &messages {
            let length = message.body.len();
            if self.given.insert(message.id, length).is_some() {
                continue;
            }
            any = true;
            match Offerable::new(message) {
                Ok(offerable) => ready.push(offerable),
                // It would never go; the queue must not keep it for ever.
                Err(wrong) => {
                    self.note(format!("{} cannot be offered: {wrong}", message.id));
                    self.settle(message.id, Outcome::Refused(Why::Damaged));
                }
            }
        }
        // To read on although nothing new came would never end.
        let more = more && any || std::mem::take(&mut self.queued);
        let first = !std::mem::replace(&mut self.partials_known, true);
        let Some(session) = &mut self.session else {
            return self.begin(ready, partials, more);
        };
        if first {
            session.handle(exchange::Input::Kept(partials));
        }
        for offerable in ready {
            session.handle(exchange::Input::Offer(offerable));
        }
        session.handle(exchange::Input::NoMore);
        if more {
            session.handle(exchange::Input::MoreWaits);
        }
    }

    fn begin(&mut self, ready: Vec<Offerable>, partials: Vec<Partial>, more: bool) {
        let mut session = Session::new(self.settings.exchange, ready, partials);
        if more {
            session.handle(exchange::Input::MoreWaits);
        }
        let early = std::mem::take(&mut self.early);
        if !early.is_empty() {
            session.handle(exchange::Input::Received(early));
        }
        self.session = Some(session);
    }

    fn decide(&mut self, offer: Offer, answer: Answer) {
        let id = offer.id;
        let (refused, counted) = match answer {
            Answer::Known { known: true, .. } => (Some(Why::HaveIt), false),
            Answer::Known { turned_away, .. } => {
                let why = self.unwanted(&offer);
                if why.is_some() && turned_away == MOST_REPEATS {
                    let partner = self.partner();
                    self.note(format!(
                        "{partner} offers {id} again and again, although it was refused {turned_away} \
                         times today"
                    ));
                }
                // It is counted up to the limit, and then no more work is made of it.
                (why, why.is_some() && turned_away <= MOST_REPEATS)
            }
            _ => (Some(Why::TryLater), false),
        };
        if counted {
            let partner = self.partner();
            let about = About::Deed("count a refusal");
            self.ask(about, Ask::TurnedAway { id, partner });
        }
        match refused {
            Some(why) => self.decided(id, Some(why)),
            None => {
                self.to_weigh.push_back(offer);
                self.weigh();
            }
        }
    }

    fn decided(&mut self, id: MessageId, refused: Option<Why>) {
        if let Some(session) = &mut self.session {
            session.handle(match refused {
                None => exchange::Input::Accept(id),
                Some(why) => exchange::Input::Refuse(id, why),
            });
        }
    }

    /// Asks whether there is room for the next offer, before any of it goes over the air.
    fn weigh(&mut self) {
        let asked = |about: &About| matches!(about, About::Room(_));
        if self.ended || self.open.values().any(asked) {
            return;
        }
        let Some(offer) = self.to_weigh.pop_front() else {
            return;
        };
        let ask = Ask::Room {
            precedence: offer.precedence,
            more: self.promised().and(room_of(&offer)),
        };
        self.ask(About::Room(offer), ask);
    }

    fn weighed(&mut self, offer: &Offer, answer: Answer) {
        let refused = match answer {
            Answer::Done => None,
            Answer::Full { words } => {
                if self.failed.insert("have room for all") {
                    let partner = self.partner();
                    self.note(format!("{} of {partner} is not taken: {words}", offer.id));
                }
                Some(Why::NoRoom)
            }
            _ => Some(Why::TryLater),
        };
        self.decided(offer.id, refused);
        self.weigh();
    }

    /// Why an offer is not taken: an area that is not served, or nobody here can carry it on.
    fn unwanted(&self, offer: &Offer) -> Option<Why> {
        if let (Kind::Bulletin { area, .. }, Some(areas)) = (&offer.kind, &self.settings.areas)
            && !areas.contains(area)
        {
            return Some(Why::NotThisArea);
        }
        // The chain is not offered, but the partner has had it for certain.
        let mut message = Message {
            id: offer.id,
            kind: offer.kind.clone(),
            precedence: offer.precedence,
            from: crate::Address {
                call: offer.id.origin,
                home: None,
            },
            written: offer.written,
            title: String::new(),
            body: String::new(),
            chain: Vec::new(),
        };
        message.taken_by(self.partner(), self.now);
        let way = route(&message, &self.settings.routes);
        matches!(way, Way::Undeliverable { .. }).then_some(Why::NotThisArea)
    }

    /// A message has arrived whole.
    fn keep(&mut self, mut message: Message) {
        let id = message.id;
        // Whole seconds, as in the chain of the other side.
        let at = WallTime(self.now.0.div_euclid(1000) * 1000);
        let partner = self.partner();
        let wrote = message.from.call == partner && message.id.origin == partner;
        let proof = self.settings.proof.of_message(wrote);
        let verdict = self.settings.holds.judge(&message, proof, self.now);
        let way = route(&message, &self.settings.routes);
        message.taken_by(self.settings.exchange.own, at);
        let mut letter = Letter::new(message, proof, &way, self.now);
        match verdict {
            Verdict::Pass => {}
            Verdict::Hold(why) => {
                self.note(format!("{id} from {partner} is held: {why}"));
                letter.standing = Standing::Held { why };
            }
            Verdict::Noted(words) => {
                self.note(format!("{id} from {partner} was {words}"));
                letter.note = Some(words);
            }
        }
        let nowhere = matches!(letter.standing, Standing::Undeliverable { .. });
        let nowhere = nowhere.then(|| Box::new(letter.head()));
        self.ask(About::Storing(id, at, nowhere), Ask::Keep(Box::new(letter)));
    }

    fn stored(&mut self, id: MessageId, at: WallTime, answer: Answer) {
        let input = match answer {
            Answer::Kept => exchange::Input::Stored(id, at),
            Answer::AlreadyKnown => exchange::Input::NotStored(id, Why::HaveIt),
            Answer::NotKept { words } | Answer::Full { words } | Answer::Failed { words } => {
                self.note(format!("{id} could not be kept: {words}"));
                exchange::Input::NotStored(id, Why::NoRoom)
            }
            _ => exchange::Input::NotStored(id, Why::TryLater),
        };
        if let Some(session) = &mut self.session {
            session.handle(input);
        }
    }
}

/// What an offer takes of the room, at most.
fn room_of(offer: &Offer) -> Much {
    Much::one(offer.most_text() as u64)
}
