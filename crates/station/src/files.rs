//! Files that go over talks: what people see of them, what is asked of whoever keeps them, and what a talk
//! notes of its own.

use std::collections::VecDeque;

use dunlin_ax25::CallSign;
use dunlin_mail::file::{File, Files, Head, LEAST_ROOM, Output};
use serde::{Deserialize, Serialize};

use crate::event::{Direction, TalkId};

/// Files of one talk that are remembered once they are settled, at most.
const MOST_SETTLED: usize = 16;

/// Which file; never used twice in one run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct FileId(pub u64);

/// Which files are taken, if a person wants them. Nothing is taken by itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileRule {
    /// Octets of a file, at most; 0 = none is taken.
    pub largest: u64,
    /// Stations whose offers a person is asked about, whatever the SSID; empty = everybody's.
    pub only_from: Vec<CallSign>,
    /// Octets that whoever keeps them may keep, partial ones included.
    pub room: u64,
}

impl Default for FileRule {
    /// 100 000 octets, from everybody; 100 MB in all.
    fn default() -> Self {
        FileRule {
            largest: 100_000,
            only_from: Vec::new(),
            room: 100_000_000,
        }
    }
}

impl FileRule {
    /// Octets of a file that are taken from this station, at most; 0 = none is taken.
    pub(crate) fn largest_from(&self, remote: CallSign) -> u64 {
        let named = |call: &CallSign| call.with_ssid(0) == remote.with_ssid(0);
        match self.only_from.is_empty() || self.only_from.iter().any(named) {
            true => self.largest,
            false => 0,
        }
    }
}

/// How it stands with a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FileState {
    /// Offered, and not answered: sent, a person over there decides; received, one here.
    Offered,
    /// Wanted: it goes, or waits until those before it are through.
    Going,
    /// All octets are there; it is being stored.
    Storing,
    /// It is safe where it should be.
    Done,
    /// It was not wanted.
    Refused,
    /// It goes no further in this talk; `words` says why.
    Stopped,
}

impl FileState {
    /// Something may still come of it in this talk.
    pub fn is_open(self) -> bool {
        matches!(
            self,
            FileState::Offered | FileState::Going | FileState::Storing
        )
    }
}

/// One file of a talk.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FileView {
    /// The file.
    pub id: FileId,
    /// The talk.
    pub talk: TalkId,
    /// Its name: safe as the name of a file in one folder.
    pub name: String,
    /// The kind of media, as `image/png`, if it was said.
    pub media: Option<String>,
    /// Octets of it.
    pub size: u64,
    /// Its SHA-256, in hex.
    pub hash: String,
    /// Sent or received.
    pub direction: Direction,
    /// How it stands.
    pub state: FileState,
    /// The same in a sentence.
    pub words: String,
    /// Octets that have arrived, with what an earlier talk brought.
    pub done: u64,
    /// How long the rest is reckoned to take, ms, if nothing else goes; 0 once it is settled.
    pub airtime_ms: u64,
    /// Since when it stands so, ms.
    pub since_ms: u64,
}

/// What a person decides about a file that is offered, or comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FileDecision {
    /// Take it.
    Accept,
    /// It is not wanted.
    NotWanted,
    /// It is larger than one wants to wait for.
    TooLarge,
    /// Another time.
    Later,
}

/// What is asked of whoever keeps files. Of each file they come, and are answered, in order. A file is known
/// by its hash and size.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FileAsk {
    /// Read octets of a file that this station offers.
    Read {
        /// From this octet on.
        from: u64,
        /// So many.
        count: usize,
    },
    /// A person takes it: what is there of it, and is there room for the rest?
    Begin,
    /// Write these octets; they are the next after those that are there.
    Write {
        /// The place in the file of the first of them.
        from: u64,
        /// The octets.
        octets: Vec<u8>,
    },
    /// Drop what is there of it: it was wrong.
    Drop,
    /// All is there and right. Store it under its name, or one like it if that is taken, and answer once a loss of
    /// power does it no harm.
    Store,
    /// Nothing more comes in this talk. Keep what is there of it for a later one.
    Leave,
}

/// The answer of whoever keeps files.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FileAnswer {
    /// The octets that were to be read.
    Octets(Vec<u8>),
    /// What is there of a file from before; may be empty.
    Kept(Vec<u8>),
    /// The whole file is there and safe already.
    Have,
    /// It is done.
    Done,
    /// There is no room.
    NoRoom,
    /// It did not work, and why.
    Failed(String),
}

/// A file as a talk knows it.
#[derive(Debug)]
pub(crate) struct Held {
    pub(crate) view: FileView,
    pub(crate) file: File,
    pub(crate) head: Head,
    /// Whoever keeps files has something of it.
    pub(crate) begun: bool,
}

/// The files of a talk.
#[derive(Debug, Default)]
pub(crate) struct TalkFiles {
    /// From the first octets or the first offer on, until the link drops.
    pub(crate) machine: Option<Box<Files>>,
    /// The oldest first.
    held: Vec<Held>,
    /// What the machine put out besides what was told of a portion.
    outputs: VecDeque<Output>,
    /// What has arrived of own files, not yet shown.
    arrived: Vec<(FileId, u64)>,
    /// How often the link had begun anew.
    pub(crate) resets: u64,
}

/// What a frame of files holds.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Portion {
    /// The file, and how many of its octets have arrived once this has.
    pub(crate) reaches: Option<(FileId, u64)>,
}

impl TalkFiles {
    /// Whether anything waits for the link.
    pub(crate) fn has_more(&self) -> bool {
        self.machine
            .as_ref()
            .is_some_and(|machine| machine.has_more())
    }

    /// Nothing but parts of files goes next.
    pub(crate) fn has_only_pieces(&self) -> bool {
        let machine = self.machine.as_ref();
        machine.is_some_and(|machine| machine.has_only_pieces())
    }

    /// The next portion, without parts of files if those have to wait. Only to be asked for when no text waits.
    pub(crate) fn give(&mut self, length: usize, sparing: bool) -> Option<(Portion, Vec<u8>)> {
        let machine = self.machine.as_mut()?;
        // What was put out before comes before what this brings.
        while let Some(output) = machine.poll() {
            self.outputs.push_back(output);
        }
        let room = length.max(LEAST_ROOM);
        let octets = match sparing {
            true => machine.give_short(room)?,
            false => machine.give(room)?,
        };
        let mut portion = Portion::default();
        while let Some(output) = self.machine.as_mut().and_then(|machine| machine.poll()) {
            match output {
                Output::Sent { file, done, .. } => {
                    let id = self.of(file).map(|held| held.view.id);
                    portion.reaches = id.map(|id| (id, done));
                }
                other => self.outputs.push_back(other),
            }
        }
        Some((portion, octets))
    }

    /// A portion has arrived.
    pub(crate) fn has_arrived(&mut self, portion: Portion) {
        self.arrived.extend(portion.reaches);
    }

    /// What has arrived since this was asked last.
    pub(crate) fn take_arrived(&mut self) -> Vec<(FileId, u64)> {
        std::mem::take(&mut self.arrived)
    }

    /// What follows, one at a time.
    pub(crate) fn poll(&mut self) -> Option<Output> {
        let machine = &mut self.machine;
        let waits = self.outputs.pop_front();
        waits.or_else(|| machine.as_mut().and_then(|machine| machine.poll()))
    }

    /// What goes to the link for text that somebody types.
    pub(crate) fn typed(&self, text: Vec<u8>) -> Vec<u8> {
        match &self.machine {
            Some(machine) => machine.typed(&text),
            None => text,
        }
    }

    /// Notes a file. The oldest that are settled are forgotten.
    pub(crate) fn add(&mut self, held: Held) {
        self.held.push(held);
        let settled = |held: &Held| !held.view.state.is_open();
        if self.held.iter().filter(|held| settled(held)).count() > MOST_SETTLED
            && let Some(first) = self.held.iter().position(settled)
        {
            self.held.remove(first);
        }
    }

    /// The open file with this number of the machine.
    pub(crate) fn of(&mut self, file: File) -> Option<&mut Held> {
        let open = |held: &&mut Held| held.file == file && held.view.state.is_open();
        self.held.iter_mut().rev().find(open)
    }

    /// The file, if it is remembered.
    pub(crate) fn get(&mut self, id: FileId) -> Option<&mut Held> {
        self.held.iter_mut().rev().find(|held| held.view.id == id)
    }

    /// Whether any file is open.
    pub(crate) fn any_open(&self) -> bool {
        self.held.iter().any(|held| held.view.state.is_open())
    }

    /// Whether there was any file.
    pub(crate) fn any_known(&self) -> bool {
        !self.held.is_empty()
    }

    /// All that are remembered.
    pub(crate) fn views(&self) -> impl Iterator<Item = &FileView> {
        self.held.iter().map(|held| &held.view)
    }
}
