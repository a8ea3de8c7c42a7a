//! What this side offers and sends.

use std::collections::BTreeMap;

use dunlin_clock::WallTime;

use super::answer::{Answer, Why};
use super::octets::{Read, put_number, seconds, wall_time};
use super::offer::{Offer, Offerable, Urgency};
use super::stream::{CHAIN, OFFER, PIECE, put_record};
use crate::identity::MessageId;
use crate::message::{Precedence, Station};

/// Items that one side may offer in a session, and in one turn.
pub const MOST_OFFERS: usize = 255;
/// As above, in one turn.
pub const MOST_OFFERS_A_TURN: usize = 32;
/// Octets of a piece record beside the octets of the item, at most.
const PIECE_START: usize = 9;
/// A shorter beginning of an item is not worth its record.
const SHORT: usize = 64;

#[derive(Debug)]
struct Item {
    offerable: Offerable,
    state: State,
    chain_sent: bool,
    restarted: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    /// Offered, not answered.
    Offered,
    /// Wanted from this octet on.
    Sending(usize),
    /// Sent to the end, and nothing said about it yet.
    Sent,
    /// Taken or refused.
    Settled,
}

/// What an answer means for the station.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Settled {
    /// The partner stored it then.
    Taken(MessageId, WallTime),
    /// It does not take it.
    Refused(MessageId, Why),
}

#[derive(Debug, Default)]
pub(super) struct Outgoing {
    waiting: BTreeMap<Urgency, Offerable>,
    items: Vec<Item>,
}

impl Outgoing {
    /// Takes a message to offer, unless the partner has had it or it is here already. False = not to be
    /// offered.
    pub(super) fn add(&mut self, offerable: Offerable, partner: Station) -> bool {
        if offerable.has_been_at(partner) {
            return false;
        }
        let known = |item: &Item| item.offerable.id() == offerable.id();
        if !self.items.iter().any(known) {
            self.waiting.insert(offerable.offer.urgency(), offerable);
        }
        true
    }

    /// The partner has offered this itself, so it has it.
    pub(super) fn withdraw(&mut self, id: MessageId) -> bool {
        let before = self.waiting.len();
        self.waiting.retain(|_, offerable| offerable.id() != id);
        self.waiting.len() < before
    }

    /// Takes out what is larger than the partner's limit, before it is offered.
    pub(super) fn too_large(&mut self, limit: usize) -> Vec<MessageId> {
        let large = |offer: &Offer| offer.packed > limit;
        let all = self.waiting.values();
        let found = all.filter(|o| large(&o.offer)).map(Offerable::id).collect();
        self.waiting.retain(|_, o| !large(&o.offer));
        found
    }

    fn may_offer(&self) -> bool {
        !self.waiting.is_empty() && self.items.len() < MOST_OFFERS
    }

    /// Writes the offers of one turn, the most urgent first, and tells the highest precedence.
    pub(super) fn offers(&mut self, to: &mut Vec<u8>) -> Option<Precedence> {
        let mut highest = None;
        for _ in 0..MOST_OFFERS_A_TURN {
            if !self.may_offer() {
                break;
            }
            let Some((_, offerable)) = self.waiting.pop_first() else {
                break;
            };
            highest = highest.max(Some(offerable.offer.precedence));
            put_record(to, OFFER, &offerable.record);
            self.items.push(Item {
                offerable,
                state: State::Offered,
                chain_sent: false,
                restarted: false,
            });
        }
        highest
    }

    /// Writes pieces of what is wanted, the most urgent first, in no more octets than allowed. What is
    /// less urgent than `floor` waits.
    pub(super) fn pieces(&mut self, allowed: usize, floor: Option<Precedence>) -> Vec<u8> {
        let mut wanted: Vec<(Urgency, usize)> = Vec::new();
        for (number, item) in self.items.iter().enumerate() {
            let offer = &item.offerable.offer;
            if matches!(item.state, State::Sending(_)) && Some(offer.precedence) >= floor {
                wanted.push((offer.urgency(), number));
            }
        }
        wanted.sort();
        let mut octets = Vec::new();
        for (_, number) in wanted {
            let chain = self.chain(number);
            let item = &mut self.items[number];
            let State::Sending(from) = item.state else {
                continue;
            };
            let left = item.offerable.packed.len() - from;
            let room = allowed.saturating_sub(octets.len() + chain.len() + PIECE_START);
            if room == 0 || room < left.min(SHORT) {
                break;
            }
            let till = from + left.min(room);
            octets.extend(chain);
            let mut piece = Vec::new();
            put_number(&mut piece, number as u64);
            put_number(&mut piece, from as u64);
            piece.extend(&item.offerable.packed[from..till]);
            put_record(&mut octets, PIECE, &piece);
            item.chain_sent = true;
            item.state = match till < item.offerable.packed.len() {
                true => State::Sending(till),
                false => State::Sent,
            };
        }
        octets
    }

    /// The chain record of an item, empty if it has been sent.
    fn chain(&self, number: usize) -> Vec<u8> {
        let mut octets = Vec::new();
        let item = &self.items[number];
        if !item.chain_sent {
            let mut payload = Vec::new();
            put_number(&mut payload, number as u64);
            payload.extend(&item.offerable.chain);
            put_record(&mut octets, CHAIN, &payload);
        }
        octets
    }

    /// Takes an answer of the partner.
    pub(super) fn answer(&mut self, number: u64, answer: Answer) -> Read<Option<Settled>> {
        let place = usize::try_from(number).unwrap_or(usize::MAX);
        let item = self.items.get_mut(place);
        let item = item
            .ok_or_else(|| format!("an answer about item {number}, which was not offered to it"))?;
        let offer = &item.offerable.offer;
        let (id, packed) = (offer.id, offer.packed);
        let settled = match (item.state, answer) {
            (State::Offered, Answer::Want(from)) if from <= packed as u64 => {
                item.state = State::Sending(from as usize);
                return Ok(None);
            }
            (State::Sending(_) | State::Sent, Answer::Want(0)) if !item.restarted => {
                item.restarted = true;
                item.state = State::Sending(0);
                return Ok(None);
            }
            (State::Sent, Answer::Taken(after)) => {
                let at = seconds(offer.written)
                    .checked_add(after)
                    .and_then(wall_time);
                let at = at.ok_or_else(|| "a moment before 1970 or after 4147".to_owned())?;
                Settled::Taken(id, at)
            }
            (State::Offered | State::Sending(_) | State::Sent, Answer::No(why)) => {
                Settled::Refused(id, why)
            }
            (state, answer) => {
                return Err(format!(
                    "the answer {answer:?} about item {number}, which does not fit: it is {state:?}"
                ));
            }
        };
        item.state = State::Settled;
        item.offerable.packed = Vec::new();
        Ok(Some(settled))
    }

    /// Messages that the partner wants and has not taken.
    pub(super) fn under_way(&self) -> Vec<MessageId> {
        let items = self.items.iter();
        let under_way = items.filter(|item| matches!(item.state, State::Sending(_) | State::Sent));
        under_way.map(|item| item.offerable.id()).collect()
    }

    /// Whether something is left to offer, or to send of what is wanted.
    pub(super) fn has_more(&self) -> bool {
        let sending = |item: &Item| matches!(item.state, State::Sending(_));
        self.may_offer() || self.items.iter().any(sending)
    }

    /// Whether all that was offered is taken or refused.
    pub(super) fn is_answered(&self) -> bool {
        let settled = |item: &Item| item.state == State::Settled;
        self.items.iter().all(settled)
    }

    /// Whether an emergency is not settled.
    pub(super) fn is_urgent(&self) -> bool {
        let open = self.items.iter().filter(|i| i.state != State::Settled);
        let mut all = self.waiting.values().chain(open.map(|i| &i.offerable));
        all.any(|o| o.offer.precedence == Precedence::Emergency)
    }

    /// Whether something was given that is not offered yet.
    pub(super) fn has_waiting(&self) -> bool {
        !self.waiting.is_empty()
    }

    /// Whether all that was given is offered, and more may be.
    pub(super) fn wants_more(&self) -> bool {
        self.waiting.is_empty() && self.items.len() < MOST_OFFERS
    }
}
