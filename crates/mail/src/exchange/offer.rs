//! A message as an item of an exchange: its head, which is offered, and its content, which is packed.

use std::cmp::Reverse;

use dunlin_clock::WallTime;
use sha2::{Digest, Sha256};
use thiserror::Error;

use super::octets::{
    Read, Reader, as_text, put_call, put_id, put_number, put_signed, put_text, seconds, wall_time,
};
use super::press;
use crate::address::Address;
use crate::identity::MessageId;
use crate::message::{
    Kind, MOST_BODY, MOST_TITLE, Message, MessageError, Precedence, Station, Step,
};

/// Octets of the hash that are sent.
pub const HASH_OCTETS: usize = 6;
/// Octets of an unpacked item, at most: the text, the title with its length, and two call signs.
pub const MOST_CONTENT: usize = MOST_BODY + MOST_TITLE + 10;
/// The bit of the first octet that says that the addressee's home follows.
const HAS_HOME: u8 = 0x10;

/// What is said of a message before any of it is sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offer {
    /// Its name.
    pub id: MessageId,
    /// What sort, and to whom or for which area.
    pub kind: Kind,
    /// How soon it is wanted.
    pub precedence: Precedence,
    /// When it was written; whole seconds.
    pub written: WallTime,
    /// Octets to be sent.
    pub packed: usize,
    /// Octets when unpacked: the text, the title and up to 10 more.
    pub content: usize,
}

/// Why a message cannot be offered. The writer is at fault.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum OfferError {
    /// It is no proper message.
    #[error(transparent)]
    Message(#[from] MessageError),
    /// A clock was wrong.
    #[error("it was written before 1970 or after 4147; set the clock and write it again")]
    Written,
}

/// A message, made ready to be offered. Packing is the work; whoever meets several partners may keep it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offerable {
    pub(super) offer: Offer,
    /// The payload of the offer record.
    pub(super) record: Vec<u8>,
    /// The payload of the chain record, without the item's number.
    pub(super) chain: Vec<u8>,
    pub(super) packed: Vec<u8>,
    holders: Vec<Station>,
}

/// The order in which items are offered and sent: the lowest first.
pub(super) type Urgency = (Reverse<Precedence>, bool, usize, MessageId);

/// Octets of a content that are not text, at least: two call signs, and a title of one octet with its length.
const LEAST_BESIDE: usize = 10;

impl Offer {
    /// Octets of its text, at most; up to 79 fewer, as the title is not offered.
    pub fn most_text(&self) -> usize {
        self.content.saturating_sub(LEAST_BESIDE)
    }

    /// By precedence, then personal before bulletins, then small before large.
    pub(super) fn urgency(&self) -> Urgency {
        let bulletin = matches!(self.kind, Kind::Bulletin { .. });
        (Reverse(self.precedence), bulletin, self.packed, self.id)
    }
}

impl Offerable {
    /// Packs a message as it is now. Its times are carried in whole seconds.
    ///
    /// # Errors
    /// The message is none that may be sent, or was written outside of the years that can be told.
    pub fn new(message: &Message) -> Result<Self, OfferError> {
        message.check()?;
        let content = content(message);
        let packed = press::pack(&content);
        let start = seconds(message.written);
        let offer = Offer {
            id: message.id,
            kind: message.kind.clone(),
            precedence: message.precedence,
            written: wall_time(start).ok_or(OfferError::Written)?,
            packed: packed.len(),
            content: content.len(),
        };
        if start != message.written.0.div_euclid(1000) {
            return Err(OfferError::Written);
        }
        let head = head(&offer);
        let mut record = hash(&head, &packed).to_vec();
        record.extend(&head);
        Ok(Offerable {
            record,
            chain: chain(&message.chain, offer.written),
            packed,
            holders: message.chain.iter().map(|step| step.station).collect(),
            offer,
        })
    }

    /// The message's name.
    pub fn id(&self) -> MessageId {
        self.offer.id
    }

    /// What will be said of it.
    pub fn offer(&self) -> &Offer {
        &self.offer
    }

    /// Whether a station wrote it or has had it. To such a station it is never offered.
    pub fn has_been_at(&self, station: Station) -> bool {
        self.offer.id.origin == station || self.holders.contains(&station)
    }
}

/// The first octets of the SHA-256 of head and packed content.
pub(super) fn hash(head: &[u8], packed: &[u8]) -> [u8; HASH_OCTETS] {
    let whole = Sha256::new().chain_update(head).chain_update(packed);
    let mut first = [0; HASH_OCTETS];
    first.copy_from_slice(&whole.finalize()[..HASH_OCTETS]);
    first
}

fn head(offer: &Offer) -> Vec<u8> {
    let (kind, to) = match &offer.kind {
        Kind::Personal { to } => (0, Some(to)),
        Kind::Bulletin { .. } => (1, None),
        Kind::Formal { to } => (2, Some(to)),
        Kind::Service { to, .. } => (3, Some(to)),
    };
    let precedence = match offer.precedence {
        Precedence::Routine => 0,
        Precedence::Welfare => 1,
        Precedence::Priority => 2,
        Precedence::Emergency => 3,
    };
    let home = to.and_then(|to| to.home);
    let mut octets = vec![precedence | kind << 2];
    put_id(&mut octets, offer.id);
    put_signed(&mut octets, seconds(offer.written));
    put_number(&mut octets, offer.packed as u64);
    put_number(&mut octets, offer.content as u64);
    if let Some(to) = to {
        put_call(&mut octets, to.call);
    }
    if let Some(home) = home {
        octets[0] |= HAS_HOME;
        put_call(&mut octets, home);
    }
    match &offer.kind {
        Kind::Bulletin { topic, area } => {
            put_text(&mut octets, topic);
            put_text(&mut octets, area);
        }
        Kind::Service { about, .. } => put_id(&mut octets, *about),
        _ => {}
    }
    octets
}

/// Reads the head of an offer. Octets behind it are left alone: a later version may have more.
pub(super) fn read_head(octets: &[u8]) -> Read<Offer> {
    let mut reader = Reader::new(octets);
    let first = reader.octet()?;
    let id = reader.id()?;
    let written = reader.moment_after(WallTime(0))?;
    let mut size = || -> Read<usize> {
        let number = reader.number()?;
        usize::try_from(number).map_err(|_| format!("a size of {number} octets"))
    };
    let (packed, content) = (size()?, size()?);
    let mut to = || -> Read<Address> {
        let call = reader.call()?;
        let home = (first & HAS_HOME != 0).then(|| reader.call()).transpose()?;
        Ok(Address { call, home })
    };
    let kind = match first >> 2 & 3 {
        0 => Kind::Personal { to: to()? },
        1 => Kind::Bulletin {
            topic: reader.text()?,
            area: reader.text()?,
        },
        2 => Kind::Formal { to: to()? },
        _ => Kind::Service {
            to: to()?,
            about: reader.id()?,
        },
    };
    let precedence = match first & 3 {
        0 => Precedence::Routine,
        1 => Precedence::Welfare,
        2 => Precedence::Priority,
        _ => Precedence::Emergency,
    };
    Ok(Offer {
        id,
        kind,
        precedence,
        written,
        packed,
        content,
    })
}

fn content(message: &Message) -> Vec<u8> {
    let mut octets = Vec::new();
    put_call(&mut octets, message.from.call);
    match message.from.home {
        Some(home) => put_call(&mut octets, home),
        None => octets.extend([0; 4]),
    }
    put_text(&mut octets, &message.title);
    octets.extend(message.body.as_bytes());
    octets
}

/// Makes the message of what arrived; `Err` says what is wrong with it.
pub(super) fn message(offer: &Offer, packed: &[u8], chain: Vec<Step>) -> Read<Message> {
    let unpacked = press::unpack(packed, offer.content);
    let unpacked = unpacked.ok_or_else(|| "what does not unpack to its size".to_owned())?;
    let mut reader = Reader::new(&unpacked);
    let message = Message {
        id: offer.id,
        kind: offer.kind.clone(),
        precedence: offer.precedence,
        from: Address {
            call: reader.call()?,
            home: reader.call_or_none()?,
        },
        written: offer.written,
        title: reader.text()?,
        body: as_text(reader.rest())?,
        chain,
    };
    message.check().map_err(|wrong| wrong.to_string())?;
    Ok(message)
}

/// Each step: the call sign, and the seconds since the step before.
fn chain(steps: &[Step], written: WallTime) -> Vec<u8> {
    let mut octets = Vec::new();
    let mut last = written;
    for step in steps {
        put_call(&mut octets, step.station);
        put_signed(&mut octets, seconds(step.at) - seconds(last));
        last = step.at;
    }
    octets
}

/// Reads the payload of a chain record behind the item's number. Whether it is too long is seen when the message is
/// checked; a record holds some hundred steps at most.
pub(super) fn read_chain(reader: &mut Reader, written: WallTime) -> Read<Vec<Step>> {
    let mut steps = Vec::new();
    let mut last = written;
    while !reader.is_empty() {
        let station = reader.call()?;
        last = reader.moment_after(last)?;
        steps.push(Step { station, at: last });
    }
    Ok(steps)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message_of(kind: Kind) -> Message {
        let step = |call: &str, at| Step {
            station: call.parse().expect("a call sign"),
            at: WallTime(at),
        };
        Message {
            id: "QM3BAR:0000000000001".parse().expect("an identifier"),
            kind,
            precedence: Precedence::Welfare,
            from: "QM3BAR at QX0RLF".parse().expect("an address"),
            written: WallTime(1_780_000_000_000),
            title: "Cots for Lee Cove".into(),
            body: "40 cots are on the quay – ask for Ada.\n".into(),
            // A clock that was late is no reason to lose a step.
            chain: vec![
                step("QM3BAR", 1_780_000_060_000),
                step("QA1SKY", 1_779_999_000_000),
            ],
        }
    }

    fn kinds() -> Vec<Kind> {
        let to: Address = "QX0RLF".parse().expect("an address");
        let far: Address = "QX0RLF at QA1SKY".parse().expect("an address");
        let about = "QA1SKY:0000000000002".parse().expect("an identifier");
        vec![
            Kind::Personal { to },
            Kind::Personal { to: far },
            Kind::Bulletin {
                topic: "FERRY".into(),
                area: "ISLES".into(),
            },
            Kind::Formal { to: far },
            Kind::Service { to, about },
        ]
    }

    fn back(offerable: &Offerable) -> Read<Message> {
        let offer = read_head(&offerable.record[HASH_OCTETS..])?;
        assert_eq!(offer, offerable.offer);
        let chain = read_chain(&mut Reader::new(&offerable.chain), offer.written)?;
        message(&offer, &offerable.packed, chain)
    }

    #[test]
    fn every_kind_comes_back_as_it_was() {
        for kind in kinds() {
            let message = message_of(kind);
            let offerable = Offerable::new(&message).expect("an offer");
            assert_eq!(back(&offerable), Ok(message));
        }
    }

    #[test]
    fn the_hash_covers_head_and_content() {
        let mut message = message_of(kinds().remove(0));
        let first = Offerable::new(&message).expect("an offer");
        message.precedence = Precedence::Emergency;
        let second = Offerable::new(&message).expect("an offer");
        assert_eq!(first.packed, second.packed);
        assert_ne!(first.record[..HASH_OCTETS], second.record[..HASH_OCTETS]);
        message.chain.clear();
        let third = Offerable::new(&message).expect("an offer");
        assert_eq!(second.record, third.record);
    }

    #[test]
    fn what_cannot_be_offered_is_refused() {
        let mut message = message_of(kinds().remove(0));
        message.written = WallTime(-1);
        assert_eq!(Offerable::new(&message), Err(OfferError::Written));
        message.title.clear();
        let wrong = Offerable::new(&message).expect_err("no title");
        assert_eq!(wrong, OfferError::Message(MessageError::Title));
    }

    #[test]
    fn a_chain_that_is_too_long_makes_no_message() {
        let kind = kinds().remove(0);
        let offerable = Offerable::new(&message_of(kind)).expect("an offer");
        let step = Step {
            station: "QA1SKY".parse().expect("a call sign"),
            at: WallTime(0),
        };
        let made = |steps| message(&offerable.offer, &offerable.packed, vec![step; steps]);
        assert!(made(32).is_ok());
        assert!(made(33).is_err());
    }

    #[test]
    fn the_largest_message_fits() {
        let mut message = message_of(kinds().remove(0));
        message.title = "x".repeat(MOST_TITLE);
        message.body = "x".repeat(MOST_BODY);
        let offerable = Offerable::new(&message).expect("an offer");
        assert!(offerable.offer.content <= MOST_CONTENT);
        assert_eq!(back(&offerable), Ok(message));
    }

    #[test]
    fn a_shortened_offer_or_chain_is_refused() {
        for kind in kinds() {
            let offerable = Offerable::new(&message_of(kind)).expect("an offer");
            let head = &offerable.record[HASH_OCTETS..];
            for length in 0..head.len() {
                assert!(read_head(&head[..length]).is_err(), "{length}");
            }
        }
        let cut = [0, 0, 0, 11, 0, 0, 0];
        assert!(read_chain(&mut Reader::new(&cut), WallTime(0)).is_err());
    }
}
