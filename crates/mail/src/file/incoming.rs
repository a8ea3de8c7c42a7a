//! The files that the partner offers.

use std::time::Duration;

use dunlin_clock::Instant;
use sha2::{Digest, Sha256};

use super::head::Head;
use super::why::Why;
use crate::exchange::octets::Read;

/// Files that one side may have offered and not settled, at most.
pub const MOST_OPEN: usize = 4;
/// Files that one side may offer in one talk, at most: as many as there are numbers.
pub(super) const MOST_FILES: usize = 256;

/// What this side takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Octets of a file, at most. 0 takes none.
    pub largest: u64,
    /// Offers that a person is asked about one after the other without a pause, at most.
    pub offers: u32,
    /// After those: one more for each such time.
    pub pause: Duration,
}

impl Default for Limits {
    /// 1 MiB, which takes hours at 1200 baud; eight offers, and then one a minute.
    fn default() -> Self {
        Limits {
            largest: 1 << 20,
            offers: 8,
            pause: Duration::from_secs(60),
        }
    }
}

#[derive(Debug)]
enum State {
    /// A person has not decided.
    Asked,
    /// Wanted; so many octets are there, and this is their hash so far.
    Coming { done: u64, hash: Sha256 },
    /// All is there and right; the station is storing it.
    Storing,
    /// Stored or refused.
    Settled,
}

#[derive(Debug)]
struct Item {
    /// `None` if it was refused because of its head.
    head: Option<Head>,
    state: State,
    damaged_before: bool,
}

/// What follows from a decision or a piece.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Next {
    /// More is to come.
    More,
    /// Tell the partner to send from this octet on.
    Want(u64),
    /// All is there and right.
    Store,
    /// All is there and wrong for the first time: from octet 0 again.
    Again,
    /// It is refused, as nothing better can be done.
    Refuse(Why),
}

#[derive(Debug)]
pub(super) struct Incoming {
    limits: Limits,
    items: Vec<Item>,
    /// Offers that may still come without a pause, and since when that is so.
    offers_left: u32,
    since: Instant,
}

impl Incoming {
    pub(super) fn new(limits: Limits) -> Self {
        Incoming {
            limits,
            items: Vec::new(),
            offers_left: limits.offers,
            since: Instant::ZERO,
        }
    }

    /// Takes an offer; the reason if it is refused without asking anybody.
    pub(super) fn offer(
        &mut self,
        now: Instant,
        number: u8,
        head: Option<Head>,
    ) -> Read<Option<Why>> {
        // A number may be left out: a file that was withdrawn before it could be offered by a record has one.
        if usize::from(number) < self.items.len() {
            return Err(format!(
                "an offer with number {number}, which is not above those before"
            ));
        }
        let left_out = || Item {
            head: None,
            state: State::Settled,
            damaged_before: false,
        };
        self.items.resize_with(usize::from(number), left_out);
        let why = match &head {
            None => Some(Why::NotAllowed),
            // Counted in any case, so that offers that are refused do not come for free.
            Some(_) if !self.is_in_time(now) || self.open() >= MOST_OPEN => Some(Why::TooMany),
            // What comes of both would be kept in one place.
            Some(head) if self.is_open(head) => Some(Why::Later),
            Some(head) if head.size() > self.limits.largest => Some(Why::TooLarge),
            Some(_) => None,
        };
        let state = if why.is_some() {
            State::Settled
        } else {
            State::Asked
        };
        self.items.push(Item {
            head,
            state,
            damaged_before: false,
        });
        Ok(why)
    }

    fn is_in_time(&mut self, now: Instant) -> bool {
        let pause = self.limits.pause.max(Duration::from_millis(1));
        let most = self.limits.offers;
        let pauses = now.since(self.since).as_nanos() / pause.as_nanos();
        let pauses = u32::try_from(pauses).unwrap_or(u32::MAX);
        if self.offers_left.saturating_add(pauses) >= most {
            (self.offers_left, self.since) = (most, now);
        } else {
            self.offers_left += pauses;
            self.since += pause * pauses;
        }
        let fits = self.offers_left > 0;
        self.offers_left -= u32::from(fits);
        fits
    }

    /// Whether a file with this hash is offered and not settled.
    fn is_open(&self, head: &Head) -> bool {
        self.items.iter().any(|item| {
            let same = item.head.as_ref().map(Head::hash) == Some(head.hash());
            same && !matches!(item.state, State::Settled)
        })
    }

    fn open(&self) -> usize {
        let open = |item: &&Item| !matches!(item.state, State::Settled);
        self.items.iter().filter(open).count()
    }

    /// A person takes it; these octets are there from before. `None` = nobody was asked.
    pub(super) fn accept(&mut self, number: u8, kept: &[u8]) -> Option<Next> {
        let item = self.items.get_mut(usize::from(number))?;
        let (State::Asked, Some(head)) = (&item.state, &item.head) else {
            return None;
        };
        // What is longer than the file is not its beginning.
        let fits = kept.len() as u64 <= head.size();
        let kept = if fits { kept } else { &[] };
        let (done, hash) = (kept.len() as u64, Sha256::new_with_prefix(kept));
        if done == head.size() {
            if hash.finalize().as_slice() == head.hash() {
                item.state = State::Storing;
                return Some(Next::Store);
            }
            item.state = State::Coming {
                done: 0,
                hash: Sha256::new(),
            };
            return Some(Next::Want(0));
        }
        item.state = State::Coming { done, hash };
        Some(Next::Want(done))
    }

    /// Takes a piece. With where it begins and how long the file is; `None` = the file was settled meanwhile, and the
    /// piece was under way.
    pub(super) fn piece(&mut self, number: u8, octets: &[u8]) -> Read<Option<(u64, u64, Next)>> {
        let not_wanted = || format!("a piece of file {number}, which is not wanted");
        let item = self
            .items
            .get_mut(usize::from(number))
            .ok_or_else(not_wanted)?;
        let (done, hash) = match &mut item.state {
            State::Settled => return Ok(None),
            State::Coming { done, hash } => (done, hash),
            State::Asked | State::Storing => return Err(not_wanted()),
        };
        let Some(head) = &item.head else {
            return Ok(None);
        };
        let (from, size) = (*done, head.size());
        if octets.is_empty() {
            return Err(format!("a piece of file {number} without octets"));
        }
        if octets.len() as u64 > size - from {
            return Err(format!(
                "a piece of file {number} that goes beyond its {size} octets"
            ));
        }
        *done += octets.len() as u64;
        hash.update(octets);
        if *done < size {
            return Ok(Some((from, size, Next::More)));
        }
        let right = std::mem::take(hash).finalize().as_slice() == head.hash();
        let next = if right {
            item.state = State::Storing;
            Next::Store
        } else if item.damaged_before {
            item.state = State::Settled;
            Next::Refuse(Why::Damaged)
        } else {
            item.damaged_before = true;
            *done = 0;
            Next::Again
        };
        Ok(Some((from, size, next)))
    }

    /// The station has stored it. False = there was nothing to store.
    pub(super) fn stored(&mut self, number: u8) -> bool {
        let item = self.items.get_mut(usize::from(number));
        let storing = item.filter(|item| matches!(item.state, State::Storing));
        storing.map(|item| item.state = State::Settled).is_some()
    }

    /// Nothing more of it is wanted or to come. False = that was so before.
    pub(super) fn settle(&mut self, number: u8) -> bool {
        match self.items.get_mut(usize::from(number)) {
            Some(item) if !matches!(item.state, State::Settled) => {
                item.state = State::Settled;
                true
            }
            _ => false,
        }
    }

    /// Whether there was such an offer, or one with a higher number.
    pub(super) fn knows(&self, number: u8) -> bool {
        usize::from(number) < self.items.len()
    }

    /// All that is not settled; it is thereafter. What the station is storing stays as it is there.
    pub(super) fn stop(&mut self) -> Vec<u8> {
        let mut stopped = Vec::new();
        for (number, item) in self.items.iter_mut().enumerate() {
            if !matches!(item.state, State::Settled) {
                item.state = State::Settled;
                stopped.push(number as u8);
            }
        }
        stopped
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn head(content: &[u8]) -> Option<Head> {
        let hash = Sha256::digest(content).into();
        Head::new("a", None, content.len() as u64, hash).ok()
    }

    #[test]
    fn offers_come_back_with_time() {
        let mut incoming = Incoming::new(Limits::default());
        let mut at = |number: u8, seconds| {
            let why = incoming.offer(Instant::from_secs(seconds), number, head(b"x"));
            incoming.settle(number);
            why
        };
        for number in 0..8 {
            assert_eq!(at(number, 1000), Ok(None));
        }
        assert_eq!(at(8, 1059), Ok(Some(Why::TooMany)));
        assert_eq!(at(9, 1130), Ok(None));
        assert_eq!(at(10, 1131), Ok(None));
        assert_eq!(at(11, 1132), Ok(Some(Why::TooMany)));
        assert_eq!(at(12, 1179), Ok(Some(Why::TooMany)));
        assert_eq!(at(13, 1180), Ok(None));
        assert!(at(13, 9999).is_err());
    }

    #[test]
    fn what_was_kept_is_trusted_only_as_far_as_the_hash() {
        let mut incoming = Incoming::new(Limits::default());
        let mut accept = |number, kept: &[u8]| {
            let why = incoming.offer(Instant::ZERO, number, head(b"abc"));
            assert_eq!(why, Ok(None));
            let next = incoming.accept(number, kept);
            incoming.settle(number);
            next
        };
        assert_eq!(accept(0, b"ab"), Some(Next::Want(2)));
        assert_eq!(accept(1, b"abc"), Some(Next::Store));
        assert_eq!(accept(2, b"abd"), Some(Next::Want(0)));
        assert_eq!(accept(3, b"abcd"), Some(Next::Want(0)));
    }
}
