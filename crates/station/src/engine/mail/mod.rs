//! Mail: what is asked of whoever keeps it, and the partners with whom it is exchanged.
//!
//! The station keeps no letters. It asks by [`Output::Mail`], joins each answer to what it was for, and carries
//! exchanges over its links.

mod concluding;
mod emergency;
mod ending;
mod exchange;
mod formal;
mod letter;
mod partners;
mod reckon;
mod sweep;

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::CallSign;
use dunlin_clock::{Chance, Duration, Instant, WallTime};
use dunlin_mail::Address;
use dunlin_mail::carriage::{self, Carriage, Ticket};
use dunlin_mail::post::{Answer, Ask, Head, Letter, Proof, Room, Which};

use super::{Output, Station};
use crate::crossing::{LEAST_WRITTEN, MOST_LISTED, Wish};
use crate::event::{CrossingId, Event, ExchangeId, Urgency};
use crate::links::LinkKey;

pub use concluding::{Concluded, Conclusion};
pub use formal::{FormalDraft, FormalReckoning};
pub(crate) use letter::cut;
pub use letter::{Draft, DraftError};
pub use reckon::{Reckoning, RouteCost};

/// Asks without an answer, at most. A keeper that answers nothing must not fill the memory.
const MOST_OPEN: usize = 4096;

/// What an ask was for.
#[derive(Clone, Debug)]
enum For {
    /// With the letter that was to be kept, if it was that.
    Exchange(ExchangeId, Ticket, Option<Box<Head>>),
    /// Likewise.
    Visitor(CrossingId, Option<Box<Head>>),
    /// A visitor has said what became of a radiogram.
    Concluded(CrossingId, Box<concluding::ToTell>),
    /// A report to a writer.
    Report(Box<Head>),
    /// What has grown old.
    Sweep,
    /// Whether an emergency waits for a person.
    Emergencies,
    /// What has got no date.
    Clock,
}

/// One exchange over one link.
#[derive(Debug)]
struct Exchange {
    key: LinkKey,
    /// Which of the partners.
    partner: usize,
    /// This side has called.
    calls: bool,
    carriage: Option<Carriage>,
    /// Octets that the link has not been given.
    outbox: VecDeque<u8>,
    /// When anything last passed.
    last: Instant,
    /// An emergency was queued for it: it waits for no share any more.
    urgent: bool,
    /// It waits, as exchanges have had their share of the port, or little of its key-down time is left.
    held: bool,
    /// When the link was last handed something.
    dripped: Instant,
    /// Since when the keeper holds up this side's turn.
    waits: Option<Instant>,
    /// It is ended from here on purpose, which is no failure.
    meant: bool,
    /// It is over, well or not; what is left is to release the link and to hear the last answers.
    over: bool,
}

/// How it stands with one partner.
#[derive(Debug, Default)]
struct PartnerState {
    /// When it is called next.
    due: Option<Instant>,
    /// Calls and exchanges in a row that came to nothing.
    failed: u32,
    /// When an exchange last ended well.
    contact: Option<Instant>,
    exchange: Option<ExchangeId>,
    /// Mail was queued during the exchange: when to call again for it.
    hastened: Option<Instant>,
    /// Some of it is urgent.
    pressing: bool,
    /// A person has asked to call it, and no exchange has come of that yet.
    asked: bool,
    words: String,
    alarmed: bool,
}

/// All that is under way of the mail.
#[derive(Debug)]
pub(crate) struct Post {
    exchanges: BTreeMap<ExchangeId, Exchange>,
    next_exchange: u64,
    open: BTreeMap<u64, For>,
    next_ticket: u64,
    /// In the order of the plan.
    partners: Vec<PartnerState>,
    /// When the keeper is to look for what has grown old.
    sweep_due: Option<Instant>,
    /// When to look whether an emergency waits for a person.
    emergency_due: Option<Instant>,
    /// The clock of this run is wrong: no age can be trusted.
    ageless: bool,
    /// Draws the numbers of what is written here.
    chance: Chance,
}

impl Default for Post {
    fn default() -> Self {
        Post {
            exchanges: BTreeMap::new(),
            next_exchange: 0,
            open: BTreeMap::new(),
            next_ticket: 0,
            partners: Vec::new(),
            sweep_due: None,
            emergency_due: None,
            ageless: false,
            chance: Chance::stream(0, "mail"),
        }
    }
}

impl Post {
    /// Octets of an exchange that its link has not been given.
    pub(super) fn waiting_here(&self, id: ExchangeId) -> usize {
        self.exchanges.get(&id).map_or(0, |e| e.outbox.len())
    }
}

impl Station {
    /// Asks the keeper of the mail.
    fn ask_keeper(&mut self, now: Instant, purpose: For, ask: Ask) {
        let oldest = match self.post.open.len() >= MOST_OPEN {
            true => self.post.open.keys().next().copied(),
            false => None,
        };
        if let Some(oldest) = oldest {
            let words = "the keeper of the mail does not answer".to_owned();
            self.mail_answered(now, oldest, &Answer::Failed { words });
        }
        let ticket = self.post.next_ticket;
        self.post.next_ticket += 1;
        self.post.open.insert(ticket, purpose);
        self.outputs.push_back(Output::Mail { ticket, ask });
    }

    /// A visitor wants something of the mail.
    pub(super) fn mail_wish(&mut self, now: Instant, id: CrossingId, near: LinkKey, wish: Wish) {
        let visitor = near.remote.with_ssid(0).unwrap_or(near.remote);
        let reader = Some(visitor);
        let list = |which| Ask::List {
            reader,
            which,
            after: None,
            most: MOST_LISTED + 1,
        };
        let Some((own, room)) = self.config.mail.as_ref().map(|m| (m.routes.own, m.room)) else {
            return;
        };
        let mut left = None;
        let ask = match wish {
            Wish::MayWrite(precedence) => Ask::MayLeave {
                visitor,
                own,
                precedence,
                octets: LEAST_WRITTEN,
                room,
            },
            Wish::Count | Wish::Mail => list(Which::Unread),
            Wish::AllMail => list(Which::All),
            Wish::OwnMail => list(Which::Waiting),
            Wish::Bulletins(topic) => list(Which::Bulletins { topic }),
            Wish::Read(message) | Wish::Look(message, _) => Ask::Open {
                id: message,
                reader,
                glance: true,
            },
            Wish::Conclude(letter, conclusion) => {
                return self.visitor_concludes(now, id, near, &letter, &conclusion);
            }
            Wish::HasRead(message) => Ask::Open {
                id: message,
                reader,
                glance: false,
            },
            Wish::Delete(message) => Ask::Delete {
                id: message,
                by: reader,
            },
            Wish::Write(draft) => match self.letter_of_visitor(now, near, visitor, draft) {
                Ok(letter) => {
                    if let Some(crossing) = self.crossings.get_mut(&id) {
                        crossing.will_stand(letter.words());
                    }
                    left = Some(Box::new(letter.head()));
                    let letter = Box::new(letter);
                    Ask::Leave { letter, room }
                }
                Err(wrong) => {
                    let words = wrong.to_string();
                    return self.crossing_acts(now, id, |c| c.mail_refused(words));
                }
            },
        };
        self.ask_keeper(now, For::Visitor(id, left), ask);
    }

    /// Who comes direct is heard as claimed; of who comes by digipeaters nothing is known.
    fn proof_of(&self, near: LinkKey) -> Proof {
        let direct = self.links.get(&near).is_some_and(|e| e.via.is_empty());
        if direct {
            Proof::HeardAsClaimed
        } else {
            Proof::Unknown
        }
    }

    fn letter_of_visitor(
        &mut self,
        now: Instant,
        near: LinkKey,
        visitor: CallSign,
        draft: Draft,
    ) -> Result<Letter, DraftError> {
        let proof = self.proof_of(near);
        let from = Address {
            call: visitor,
            home: self.config.mail.as_ref().map(|mail| mail.routes.own),
        };
        self.letter_of(now, draft, from, proof)
    }

    pub(super) fn mail_answered(&mut self, now: Instant, ticket: u64, answer: &Answer) {
        let mut kept = None;
        match self.post.open.remove(&ticket) {
            Some(For::Exchange(id, ticket, came)) => {
                kept = came;
                let told = Box::new(answer.clone());
                self.exchange_input(now, id, carriage::Input::Answer(ticket, told));
            }
            Some(For::Visitor(id, left)) => {
                kept = left;
                self.crossing_acts(now, id, |c| c.mail_answered(answer));
                self.mail_touched(now);
                self.tell(Event::MailChanged);
            }
            Some(For::Concluded(id, told)) => {
                self.crossing_acts(now, id, |c| c.mail_answered(answer));
                self.concluded(now, answer, *told);
                self.tell(Event::MailChanged);
            }
            Some(For::Report(report)) => {
                kept = Some(report);
                if let Answer::NotKept { words }
                | Answer::Full { words }
                | Answer::Failed { words } = answer
                {
                    let text = format!("a report to the writer of a message was not kept: {words}");
                    self.note(now, None, Urgency::Attention, text);
                }
            }
            Some(For::Sweep) => self.swept(now, answer),
            Some(For::Emergencies) => self.emergencies_counted(now, answer),
            Some(For::Clock) | None => {}
        }
        // What was not kept is no reason to call anybody.
        if *answer == Answer::Kept {
            if let Some(head) = kept {
                self.hasten(now, &head);
                self.tell_emergency(now, &head);
            }
            self.tell_exchanges(now);
        }
    }

    /// How much mail is kept here; `None` = none.
    pub fn mail_room(&self) -> Option<Room> {
        self.config.mail.as_ref().map(|mail| mail.room)
    }

    /// Civil time at a moment of the engine's time line.
    pub fn wall_at(&self, now: Instant) -> WallTime {
        self.wall(now)
    }

    /// A letter of the operator is safe.
    pub(super) fn mail_kept(&mut self, now: Instant, letter: &Letter) {
        let head = letter.head();
        self.hasten(now, &head);
        self.tell_emergency(now, &head);
        self.tell_exchanges(now);
        self.tell(Event::MailChanged);
    }
}

/// A time drawn between half of this and one and a half times of it.
fn about(chance: &mut Chance, time: Duration) -> Duration {
    let factor = 0.5 + chance.unit();
    Duration::from_millis((time.as_millis() as f64 * factor) as u64)
}
