//! What this side is offered and takes.

use dunlin_clock::WallTime;

use super::answer::{Answer, Why};
use super::octets::{Read, Reader, seconds};
use super::offer::{HASH_OCTETS, MOST_CONTENT, Offer, hash, message, read_chain, read_head};
use super::outgoing::MOST_OFFERS;
use super::press::MOST_ADDED;
use crate::identity::MessageId;
use crate::message::{Message, Precedence, Station, Step};

/// Octets of packed items that a session has in its memory, or has given to be kept because they could not be
/// stored, at most. It is more than ten of the largest items.
pub const MOST_HELD: usize = 1 << 20;

/// Octets by which an item grows until what is there of it is given to be kept: half a minute at 300 baud, and
/// no more than a power cut may cost. Fewer would make more work for the disk: all that is there is written each time.
const KEPT_EVERY: usize = 1024;

/// What has arrived of an item so far, or when a session ends. The station keeps it, one for each message, and gives it
/// to later sessions, whoever the partner.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Partial {
    /// The message.
    pub id: MessageId,
    /// The hash that was offered. Only an item with the same is resumed.
    pub hash: [u8; HASH_OCTETS],
    /// The first octets of the packed item.
    pub octets: Vec<u8>,
}

#[derive(Debug)]
struct Item {
    offer: Offer,
    hash: [u8; HASH_OCTETS],
    /// The octets of the offer that the hash covers.
    head: Vec<u8>,
    state: State,
    damaged_before: bool,
    /// Octets that were given to be kept since the session began, or came from an earlier one.
    kept: usize,
}

#[derive(Debug)]
enum State {
    /// The station has not decided.
    Asked,
    /// Wanted; this is there.
    Coming(Coming),
    /// The station is storing it; the octets are kept in case it cannot.
    Storing(Vec<u8>),
    /// Taken or refused.
    Settled,
}

#[derive(Debug, Default)]
struct Coming {
    octets: Vec<u8>,
    chain: Option<Vec<Step>>,
}

/// What follows when an item is there to its last octet.
#[derive(Debug)]
pub(super) enum Whole {
    /// It is right; store it.
    Store(Box<Message>),
    /// Say this to the partner; what was kept of it is worthless.
    Answer(usize, Answer, MessageId),
}

#[derive(Debug)]
pub(super) struct Incoming {
    own: Station,
    items: Vec<Item>,
    kept: Vec<Partial>,
    /// Octets of items that arrived here, could not be stored and are kept.
    not_stored: usize,
}

impl Incoming {
    pub(super) fn new(own: Station, kept: Vec<Partial>) -> Self {
        Incoming {
            own,
            items: Vec::new(),
            kept,
            not_stored: 0,
        }
    }

    /// Takes the payload of an offer. The offer is told to the station, unless it is plain what to answer.
    pub(super) fn offer(&mut self, payload: &[u8], largest: usize) -> Read<(Offer, Option<Why>)> {
        if self.items.len() >= MOST_OFFERS {
            return Err(format!("more than {MOST_OFFERS} offers"));
        }
        let mut reader = Reader::new(payload);
        let hash = reader.array()?;
        let head = reader.rest();
        let offer = read_head(head)?;
        let id = offer.id;
        if offer.packed == 0 {
            return Err(format!("an offer of {id} with no octets"));
        }
        if self.items.iter().any(|item| item.offer.id == id) {
            return Err(format!("a second offer of {id}"));
        }
        let why = if id.origin == self.own {
            Some(Why::HaveIt)
        } else if offer.packed > largest
            || offer.content > MOST_CONTENT
            || offer.packed > offer.content + MOST_ADDED
        {
            Some(Why::TooLarge)
        } else {
            None
        };
        self.items.push(Item {
            offer: offer.clone(),
            hash,
            head: head.to_vec(),
            state: State::Asked,
            damaged_before: false,
            kept: 0,
        });
        Ok((offer, why))
    }

    /// Octets of packed items that are here or may come, and of those that were kept since they could not be stored.
    fn held(&self) -> usize {
        let held = |item: &&Item| matches!(item.state, State::Coming(_) | State::Storing(_));
        let items = self.items.iter().filter(held);
        self.not_stored + items.map(|item| item.offer.packed).sum::<usize>()
    }

    /// The station, or this side by itself, has decided about an offer. What would be too much at once is refused
    /// all the same. `None` = it is not undecided.
    pub(super) fn decide(
        &mut self,
        id: MessageId,
        refused: Option<Why>,
    ) -> Option<(usize, Answer)> {
        let asked = |item: &Item| item.offer.id == id && matches!(item.state, State::Asked);
        let number = self.items.iter().position(asked)?;
        let held = self.held();
        let item = &mut self.items[number];
        let too_much = held + item.offer.packed > MOST_HELD;
        if let Some(why) = refused.or(too_much.then_some(Why::TryLater)) {
            item.state = State::Settled;
            return Some((number, Answer::No(why)));
        }
        let fits = |kept: &&Partial| {
            kept.id == id && kept.hash == item.hash && kept.octets.len() <= item.offer.packed
        };
        let kept = self.kept.iter().find(fits);
        let octets = kept.map_or_else(Vec::new, |kept| kept.octets.clone());
        let from = octets.len() as u64;
        item.kept = octets.len();
        item.state = State::Coming(Coming {
            octets,
            chain: None,
        });
        Some((number, Answer::Want(from)))
    }

    /// Offers that the station has not decided about.
    pub(super) fn undecided(&self) -> Vec<MessageId> {
        let asked = |item: &&Item| matches!(item.state, State::Asked);
        let ids = self.items.iter().filter(asked).map(|item| item.offer.id);
        ids.collect()
    }

    fn coming(&mut self, number: u64, what: &str) -> Read<(&Offer, &mut Coming)> {
        let place = usize::try_from(number).unwrap_or(usize::MAX);
        match self.items.get_mut(place) {
            Some(Item {
                offer,
                state: State::Coming(coming),
                ..
            }) => Ok((offer, coming)),
            _ => Err(format!("{what} of item {number}, which is not wanted")),
        }
    }

    /// Takes the payload of a chain record.
    pub(super) fn chain(&mut self, payload: &[u8]) -> Read<()> {
        let mut reader = Reader::new(payload);
        let number = reader.number()?;
        let (offer, coming) = self.coming(number, "a chain")?;
        if coming.chain.is_some() {
            return Err(format!("a second chain of item {number}"));
        }
        coming.chain = Some(read_chain(&mut reader, offer.written)?);
        Ok(())
    }

    /// A piece begins. It must follow what is there, stay inside the item, come after the chain, and bring octets if
    /// any are missing.
    pub(super) fn piece(&mut self, number: u64, offset: u64, length: u64) -> Read<()> {
        let (offer, coming) = self.coming(number, "a piece")?;
        let (there, packed) = (coming.octets.len() as u64, offer.packed as u64);
        if coming.chain.is_none() {
            return Err(format!("a piece of item {number} before its chain"));
        }
        if offset != there {
            return Err(format!(
                "a piece of item {number} from octet {offset} on, where {there} comes next"
            ));
        }
        if length > packed - there {
            return Err(format!(
                "a piece of item {number} that goes beyond its {packed} octets"
            ));
        }
        if length == 0 && there < packed {
            return Err(format!(
                "a piece of item {number} without octets, of which some are missing"
            ));
        }
        Ok(())
    }

    /// Octets of the piece that began last.
    pub(super) fn octets(&mut self, number: u64, octets: &[u8]) -> Read<Option<Whole>> {
        let (offer, coming) = self.coming(number, "a piece")?;
        coming.octets.extend(octets);
        let whole = coming.octets.len() == offer.packed;
        Ok(whole.then(|| self.whole(number as usize)))
    }

    /// All octets of an item are there.
    fn whole(&mut self, number: usize) -> Whole {
        let item = &mut self.items[number];
        let id = item.offer.id;
        let State::Coming(coming) = std::mem::replace(&mut item.state, State::Settled) else {
            return Whole::Answer(number, Answer::No(Why::TryLater), id);
        };
        if hash(&item.head, &coming.octets) != item.hash {
            if item.damaged_before {
                return Whole::Answer(number, Answer::No(Why::Damaged), id);
            }
            item.damaged_before = true;
            item.state = State::Coming(Coming {
                octets: Vec::new(),
                chain: coming.chain,
            });
            return Whole::Answer(number, Answer::Want(0), id);
        }
        let chain = coming.chain.unwrap_or_default();
        let own = self.own;
        let here_before = chain.iter().any(|step| step.station == own);
        match message(&item.offer, &coming.octets, chain) {
            Ok(_) if here_before => Whole::Answer(number, Answer::No(Why::HaveIt), id),
            Ok(message) => {
                item.state = State::Storing(coming.octets);
                Whole::Store(Box::new(message))
            }
            // The hash is right, so another time would bring the same.
            Err(_) => Whole::Answer(number, Answer::No(Why::Damaged), id),
        }
    }

    /// The station has stored it then, or cannot. With what is to be kept in that case.
    pub(super) fn stored(
        &mut self,
        id: MessageId,
        stored: Result<WallTime, Why>,
    ) -> Option<(usize, Answer, Option<Partial>)> {
        let storing = |item: &Item| item.offer.id == id && matches!(item.state, State::Storing(_));
        let number = self.items.iter().position(storing)?;
        let item = &mut self.items[number];
        let State::Storing(octets) = std::mem::replace(&mut item.state, State::Settled) else {
            return None;
        };
        match stored {
            Ok(at) => {
                let after = seconds(at) - seconds(item.offer.written);
                Some((number, Answer::Taken(after), None))
            }
            Err(Why::HaveIt) => Some((number, Answer::No(Why::HaveIt), None)),
            Err(why) => {
                let hash = item.hash;
                self.not_stored += octets.len();
                let partial = Partial { id, hash, octets };
                Some((number, Answer::No(why), Some(partial)))
            }
        }
    }

    /// Whether the station is storing something.
    pub(super) fn is_storing(&self) -> bool {
        let storing = |item: &Item| matches!(item.state, State::Storing(_));
        self.items.iter().any(storing)
    }

    /// Whether something is neither stored nor refused.
    pub(super) fn is_open(&self) -> bool {
        let open = |item: &Item| !matches!(item.state, State::Settled);
        self.items.iter().any(open)
    }

    /// Offers that are wanted, and neither stored nor refused.
    pub(super) fn wanted(&self) -> impl Iterator<Item = &Offer> {
        let wanted = |item: &&Item| matches!(item.state, State::Coming(_) | State::Storing(_));
        self.items.iter().filter(wanted).map(|item| &item.offer)
    }

    /// Whether an emergency is not settled.
    pub(super) fn is_urgent(&self) -> bool {
        let mut open = self
            .items
            .iter()
            .filter(|i| !matches!(i.state, State::Settled));
        open.any(|item| item.offer.precedence == Precedence::Emergency)
    }

    /// Takes what earlier sessions gave to be kept.
    pub(super) fn remember(&mut self, kept: Vec<Partial>) {
        self.kept = kept;
    }

    /// What was kept of this message is of no use any more. Whether there was anything.
    pub(super) fn forget(&mut self, id: MessageId) -> bool {
        let before = self.kept.len();
        self.kept.retain(|kept| kept.id != id);
        let item = self.items.iter_mut().find(|item| item.offer.id == id);
        let given = item.map_or(0, |item| std::mem::take(&mut item.kept));
        given > 0 || self.kept.len() < before
    }

    /// What has grown so much that it is to be kept, in case that the power fails; at the end of a turn anything that
    /// has grown.
    pub(super) fn grown(&mut self, turn_ends: bool) -> Vec<Partial> {
        let least = if turn_ends { 1 } else { KEPT_EVERY };
        let mut partials = Vec::new();
        for item in &mut self.items {
            if let State::Coming(Coming { octets, .. }) = &item.state
                && octets.len() >= item.kept + least
            {
                item.kept = octets.len();
                partials.push(Partial {
                    id: item.offer.id,
                    hash: item.hash,
                    octets: octets.clone(),
                });
            }
        }
        partials
    }

    /// What is there of items that are not whole, or are not stored yet.
    pub(super) fn partials(&self) -> Vec<Partial> {
        let mut partials = Vec::new();
        for item in &self.items {
            let octets = match &item.state {
                State::Coming(coming) => &coming.octets,
                State::Storing(octets) => octets,
                State::Asked | State::Settled => continue,
            };
            if !octets.is_empty() {
                partials.push(Partial {
                    id: item.offer.id,
                    hash: item.hash,
                    octets: octets.clone(),
                });
            }
        }
        partials
    }
}

#[cfg(test)]
mod tests {
    use super::super::offer::Offerable;
    use super::*;
    use crate::message::Kind;

    fn message(number: u64) -> Message {
        let origin = "QA1SKY".parse().expect("a call sign");
        Message {
            id: MessageId { origin, number },
            kind: Kind::Personal {
                to: "QX0RLF".parse().expect("an address"),
            },
            precedence: Precedence::Routine,
            from: "QA1SKY".parse().expect("an address"),
            written: WallTime(0),
            title: "Cots".into(),
            body: "Forty cots come by ferry.".into(),
            chain: Vec::new(),
        }
    }

    #[test]
    fn what_is_wanted_stored_or_kept_is_held_and_no_more() {
        let mut incoming = Incoming::new("QM2REE".parse().expect("a call sign"), Vec::new());
        let later = Ok(WallTime(5000));
        // What becomes of it, and whether it is held thereafter.
        let fates = [(later, 0), (Err(Why::HaveIt), 0), (Err(Why::NoRoom), 1)];
        for (number, (fate, held)) in fates.into_iter().enumerate() {
            let item = Offerable::new(&message(number as u64)).expect("an offer");
            let (id, packed) = (item.id(), item.offer.packed);
            incoming.offer(&item.record, 1000).expect("an offer");
            assert_eq!(incoming.held(), 0);
            assert_eq!(incoming.decide(id, None), Some((number, Answer::Want(0))));
            assert_eq!(incoming.held(), packed);
            incoming.chain(&[number as u8]).expect("a chain");
            let whole = incoming.octets(number as u64, &item.packed);
            assert!(matches!(whole, Ok(Some(Whole::Store(_)))));
            assert_eq!(incoming.held(), packed);
            incoming.stored(id, fate).expect("it was being stored");
            assert_eq!(incoming.held(), held * packed);
        }
    }
}
