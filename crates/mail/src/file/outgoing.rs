//! The files that this side offers.

use std::collections::VecDeque;

use super::head::Head;
use super::incoming::{MOST_FILES, MOST_OPEN};
use crate::exchange::octets::Read;

/// Octets that are asked for at once.
const MOST_NEED: u64 = 4096;
/// When fewer are there, more are asked for.
const LEAST_READY: usize = 1024;

#[derive(Debug)]
enum State {
    /// Said by a line at most; the partner has not shown that it speaks the protocol.
    Waiting,
    /// Offered by a record.
    Offered,
    /// Wanted.
    Going(Going),
    /// Given out to its last octet.
    Given,
    /// Stored there, refused or withdrawn.
    Settled,
}

#[derive(Debug)]
struct Going {
    /// The octet that goes out next.
    next: u64,
    /// What is there from that octet on.
    ready: Vec<u8>,
    /// The station was asked for so many octets more.
    asked: Option<u64>,
}

#[derive(Debug)]
struct Item {
    head: Head,
    state: State,
    again: bool,
}

#[derive(Debug, Default)]
pub(super) struct Outgoing {
    items: Vec<Item>,
    /// Files that are wanted, the one that goes first.
    order: VecDeque<u8>,
}

impl Outgoing {
    /// Adds a file, if there is a number and room for it.
    pub(super) fn add(&mut self, head: Head) -> Option<u8> {
        let open = |item: &&Item| !matches!(item.state, State::Settled);
        if self.items.len() >= MOST_FILES || self.items.iter().filter(open).count() >= MOST_OPEN {
            return None;
        }
        let state = State::Waiting;
        self.items.push(Item {
            head,
            state,
            again: false,
        });
        Some((self.items.len() - 1) as u8)
    }

    /// Those that waited for the partner to show that it speaks the protocol, to be offered now.
    pub(super) fn waiting(&mut self) -> Vec<(u8, Head)> {
        let mut waiting = Vec::new();
        for (number, item) in self.items.iter_mut().enumerate() {
            if matches!(item.state, State::Waiting) {
                item.state = State::Offered;
                waiting.push((number as u8, item.head.clone()));
            }
        }
        waiting
    }

    /// Files that are neither stored nor refused, by number.
    pub(super) fn open(&self) -> Vec<u8> {
        let items = self.items.iter().enumerate();
        let open = items.filter(|(_, item)| !matches!(item.state, State::Settled));
        open.map(|(number, _)| number as u8).collect()
    }

    /// Whether a file with the hash of this one is open.
    pub(super) fn is_open(&self, head: &Head) -> bool {
        self.items
            .iter()
            .any(|item| item.head.hash() == head.hash() && !matches!(item.state, State::Settled))
    }

    /// What is said of a file.
    pub(super) fn head(&self, number: u8) -> Option<&Head> {
        self.items.get(usize::from(number)).map(|item| &item.head)
    }

    /// The partner wants it from this octet on. `None` = it was settled meanwhile.
    pub(super) fn want(&mut self, number: u8, from: u64) -> Read<Option<()>> {
        let item = self.offered(number)?;
        let size = item.head.size();
        match item.state {
            State::Settled => return Ok(None),
            State::Offered if from < size => {}
            State::Given if from == 0 && !item.again => item.again = true,
            _ => {
                return Err(format!(
                    "a wish for file {number} from octet {from} on, which does not fit"
                ));
            }
        }
        item.state = State::Going(Going {
            next: from,
            ready: Vec::new(),
            asked: None,
        });
        self.order.push_back(number);
        Ok(Some(()))
    }

    /// The partner has stored it. False = it was settled meanwhile.
    pub(super) fn stored(&mut self, number: u8) -> Read<bool> {
        let item = self.offered(number)?;
        match item.state {
            State::Settled => return Ok(false),
            State::Offered | State::Given => item.state = State::Settled,
            State::Waiting | State::Going(_) => {
                return Err(format!(
                    "word that file {number} is stored, of which octets are missing"
                ));
            }
        }
        Ok(true)
    }

    /// The partner refuses it. False = it was settled meanwhile.
    pub(super) fn refused(&mut self, number: u8) -> Read<bool> {
        self.offered(number)?;
        Ok(self.settle(number))
    }

    fn offered(&mut self, number: u8) -> Read<&mut Item> {
        let item = self.items.get_mut(usize::from(number));
        let offered = item.filter(|item| !matches!(item.state, State::Waiting));
        offered.ok_or_else(|| format!("an answer about file {number}, which was not offered"))
    }

    /// Nothing more of it goes out. False = that was so before.
    pub(super) fn settle(&mut self, number: u8) -> bool {
        self.order.retain(|&other| other != number);
        match self.items.get_mut(usize::from(number)) {
            Some(item) if !matches!(item.state, State::Settled) => {
                item.state = State::Settled;
                true
            }
            _ => false,
        }
    }

    /// Octets that the station is to read next: of which file, from where, how many.
    pub(super) fn need(&mut self) -> Option<(u8, u64, usize)> {
        let number = *self.order.front()?;
        let item = self.items.get_mut(usize::from(number))?;
        let State::Going(going) = &mut item.state else {
            return None;
        };
        let from = going.next + going.ready.len() as u64;
        let count = MOST_NEED.min(item.head.size() - from);
        if going.asked.is_some() || count == 0 || going.ready.len() >= LEAST_READY {
            return None;
        }
        going.asked = Some(count);
        Some((number, from, count as usize))
    }

    /// The station has read them. False = they are not those that were asked for, and the file cannot go on; what
    /// was asked for before the partner wanted it again, or before it was settled, is left out.
    pub(super) fn octets(&mut self, number: u8, from: u64, octets: &[u8]) -> bool {
        let item = self.items.get_mut(usize::from(number));
        let Some(State::Going(going)) = item.map(|item| &mut item.state) else {
            return true;
        };
        let expected = going.next + going.ready.len() as u64;
        match going.asked {
            Some(count) if from == expected => {
                going.asked = None;
                going.ready.extend(octets);
                !octets.is_empty() && octets.len() as u64 <= count
            }
            _ => true,
        }
    }

    /// Whether octets of a file are ready to go.
    pub(super) fn is_ready(&self) -> bool {
        let front = self.order.front();
        let item = front.and_then(|&number| self.items.get(usize::from(number)));
        matches!(item.map(|item| &item.state), Some(State::Going(going)) if !going.ready.is_empty())
    }

    /// The next octets, at most so many: of which file, how many of it are thereby given out, how many it has.
    pub(super) fn piece(&mut self, most: usize) -> Option<(u8, Vec<u8>, u64, u64)> {
        let number = *self.order.front()?;
        let item = self.items.get_mut(usize::from(number))?;
        let State::Going(going) = &mut item.state else {
            return None;
        };
        let count = going.ready.len().min(most);
        if count == 0 {
            return None;
        }
        let octets: Vec<u8> = going.ready.drain(..count).collect();
        going.next += count as u64;
        let (done, size) = (going.next, item.head.size());
        if done == size {
            item.state = State::Given;
            self.order.pop_front();
        }
        Some((number, octets, done, size))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_octets_that_were_asked_for_go_out() {
        let mut outgoing = Outgoing::default();
        let head = Head::new("a", None, 6000, [0; 32]).expect("a head");
        assert_eq!(outgoing.add(head), Some(0));
        assert!(outgoing.want(0, 100).is_err());
        assert_eq!(outgoing.waiting().len(), 1);
        assert_eq!(outgoing.want(0, 100), Ok(Some(())));
        assert_eq!(outgoing.need(), Some((0, 100, 4096)));
        assert_eq!(outgoing.need(), None);
        // From elsewhere: left out. Too many, or none: the file cannot go on.
        assert!(outgoing.octets(0, 0, &[1; 10]));
        assert!(!outgoing.is_ready());
        assert!(outgoing.octets(0, 100, &[1; 10]));
        assert_eq!(outgoing.piece(99), Some((0, vec![1; 10], 110, 6000)));
        assert_eq!(outgoing.need(), Some((0, 110, 4096)));
        assert!(!outgoing.octets(0, 110, &[1; 4097]));
    }
}
