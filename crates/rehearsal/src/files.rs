//! Files in a rehearsal: what somebody puts onto the shelf of a station, and what has arrived there.

use dunlin_clock::Duration;
use dunlin_mail::file::{HASH_OCTETS, Head};
use dunlin_station::{Direction, Refusal, TalkId};

use crate::driver::Rehearsal;

impl Rehearsal {
    /// Puts onto the shelves what people may offer.
    pub(crate) fn stock_shelves(&mut self) {
        let people = self.scenario().people.iter();
        let files = people.flat_map(|person| {
            let files = person.answers.iter().filter_map(|a| a.file.as_ref());
            files.map(|(head, text)| (person.station, head.clone(), text.clone()))
        });
        for (station, head, text) in files.collect::<Vec<_>>() {
            self.put_file(station, &head, text.into_bytes());
        }
    }

    /// Puts a file onto the shelf of a station, by its number in the scenario, to be offered in a talk.
    pub fn put_file(&mut self, station: usize, head: &Head, octets: Vec<u8>) {
        self.shelves().put(station, head, octets);
    }

    /// What was put onto the shelf of a station, by its hashes.
    pub fn files_to_offer(&mut self, station: usize) -> Vec<Head> {
        self.shelves().own(station)
    }

    /// Octets for which the shelf of a station has room.
    pub fn room_for_files(&mut self, station: usize) -> u64 {
        self.shelves().room_left(station)
    }

    /// Deletes a file from the shelf of a station; whether it was there.
    pub fn delete_file(
        &mut self,
        station: usize,
        hash: &[u8; HASH_OCTETS],
        direction: Direction,
    ) -> bool {
        self.shelves().delete(station, hash, direction)
    }

    /// How long a file of so many octets is reckoned to take in a talk of the operator.
    ///
    /// # Errors
    /// There is no such talk, or it takes no files any more.
    pub fn file_airtime(&self, talk: TalkId, octets: u64) -> Result<Duration, Refusal> {
        self.operator().file_airtime(talk, octets)
    }

    /// What a station has received as a whole.
    pub fn files_of(&mut self, station: usize) -> &[(Head, Vec<u8>)] {
        self.shelves().whole(station)
    }

    /// From now on a station keeps no more octets of files than these.
    pub fn narrow_shelf(&mut self, station: usize, octets: u64) {
        self.shelves().narrow(station, octets);
    }
}
