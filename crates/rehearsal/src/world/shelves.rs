//! Who keeps the files of each station: a shelf in memory.

use std::collections::BTreeMap;

use dunlin_mail::file::{HASH_OCTETS, Head};
use dunlin_station::{Direction, FileAnswer, FileAsk};

/// Octets of files that a station keeps, at most, partial ones included.
const ROOM: u64 = 64 << 20;

/// By what a file is known.
type Key = ([u8; HASH_OCTETS], u64);

/// The files of one station.
#[derive(Clone, Debug)]
struct Shelf {
    /// To be offered.
    own: BTreeMap<Key, (Head, Vec<u8>)>,
    /// Received as a whole, with the name.
    whole: Vec<(Head, Vec<u8>)>,
    partial: BTreeMap<Key, Vec<u8>>,
    room: u64,
}

/// The files of all stations.
#[derive(Debug)]
pub(crate) struct Shelves {
    shelves: Vec<Shelf>,
}

impl Shelves {
    /// Empty shelves for so many stations.
    pub(crate) fn new(stations: usize) -> Shelves {
        let empty = Shelf {
            own: BTreeMap::new(),
            whole: Vec::new(),
            partial: BTreeMap::new(),
            room: ROOM,
        };
        Shelves {
            shelves: vec![empty; stations],
        }
    }

    /// Puts a file there to be offered.
    pub(crate) fn put(&mut self, station: usize, head: &Head, octets: Vec<u8>) {
        let own = &mut self.shelves[station].own;
        own.insert((*head.hash(), head.size()), (head.clone(), octets));
    }

    /// What a station has to offer.
    pub(crate) fn own(&self, station: usize) -> Vec<Head> {
        let own = self.shelves[station].own.values();
        own.map(|(head, _)| head.clone()).collect()
    }

    /// Octets for which there is room.
    pub(crate) fn room_left(&self, station: usize) -> u64 {
        let shelf = &self.shelves[station];
        shelf.room.saturating_sub(shelf.used())
    }

    /// Deletes a file; whether it was there.
    pub(crate) fn delete(
        &mut self,
        station: usize,
        hash: &[u8; HASH_OCTETS],
        direction: Direction,
    ) -> bool {
        let Shelf { own, whole, .. } = &mut self.shelves[station];
        let before = own.len() + whole.len();
        match direction {
            Direction::Sent => own.retain(|(of, _), _| of != hash),
            Direction::Received => whole.retain(|(head, _)| head.hash() != hash),
        }
        own.len() + whole.len() < before
    }

    /// Leaves room for no more than this.
    pub(crate) fn narrow(&mut self, station: usize, room: u64) {
        self.shelves[station].room = room;
    }

    /// What a station has received as a whole.
    pub(crate) fn whole(&self, station: usize) -> &[(Head, Vec<u8>)] {
        &self.shelves[station].whole
    }

    /// Does what a station asks.
    pub(crate) fn answer(&mut self, station: usize, head: &Head, ask: FileAsk) -> FileAnswer {
        self.shelves[station].answer(head, ask)
    }
}

impl Shelf {
    fn answer(&mut self, head: &Head, ask: FileAsk) -> FileAnswer {
        let key = (*head.hash(), head.size());
        match ask {
            FileAsk::Read { from, count } => self.read(key, from, count),
            FileAsk::Begin => self.begin(key),
            FileAsk::Write { from, octets } => {
                let partial = self.partial.entry(key).or_default();
                if partial.len() as u64 != from {
                    return FileAnswer::Failed("it does not follow what is there".into());
                }
                partial.extend(octets);
                FileAnswer::Done
            }
            FileAsk::Drop => {
                self.partial.remove(&key);
                FileAnswer::Done
            }
            FileAsk::Store => match self.partial.remove(&key) {
                Some(octets) => {
                    self.whole.push((head.clone(), octets));
                    FileAnswer::Done
                }
                None => FileAnswer::Failed("nothing of it is there".into()),
            },
            FileAsk::Leave => FileAnswer::Done,
        }
    }

    fn read(&self, key: Key, from: u64, count: usize) -> FileAnswer {
        let from = usize::try_from(from).unwrap_or(usize::MAX);
        let octets = self.own.get(&key);
        let octets = octets.and_then(|(_, octets)| octets.get(from..));
        match octets {
            Some(rest) => FileAnswer::Octets(rest[..rest.len().min(count)].to_vec()),
            None => FileAnswer::Failed("it is not there".into()),
        }
    }

    fn begin(&self, (hash, size): Key) -> FileAnswer {
        let same = |(head, _): &&(Head, Vec<u8>)| (*head.hash(), head.size()) == (hash, size);
        if self.whole.iter().any(|file| same(&file)) {
            return FileAnswer::Have;
        }
        let kept = self.partial.get(&(hash, size)).cloned().unwrap_or_default();
        if self.used() + size - kept.len() as u64 > self.room {
            return FileAnswer::NoRoom;
        }
        FileAnswer::Kept(kept)
    }

    /// Octets of all files and parts.
    fn used(&self) -> u64 {
        let whole = self.whole.iter().map(|(head, _)| head.size());
        let own = self.own.values().map(|(_, octets)| octets.len() as u64);
        let partial = self.partial.values().map(|octets| octets.len() as u64);
        whole.chain(own).chain(partial).sum()
    }
}
