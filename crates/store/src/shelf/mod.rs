//! The files of a station in a folder: those that are offered, those that have come, and parts of those that
//! may go on.
//!
//! ```text
//! files/received/map.png       what has come whole, under its name; nothing is ever overwritten
//! files/partial/3fa9…-10000    what is there of a file, by its SHA-256 and its size
//! files/offered/3fa9…-10000    what may be offered in this run
//! files/known/3fa9…-10000      the name under which a file was stored
//! ```
//!
//! Only names that [`Head`] has found safe ever reach the disk.

mod folder;
mod look;

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use dunlin_mail::file::{Head, HeadError, hash_in_hex, hash_of};
use dunlin_station::{FileAnswer, FileAsk};
use thiserror::Error;

use folder::Folder;

/// Octets that are read at once, at most.
const MOST_READ: usize = 64 * 1024;
/// Octets of a file that is put there to be offered, at most.
pub const MOST_OFFERED: u64 = 10_000_000;

/// The folder, and what of it is in use.
#[derive(Debug)]
pub struct Shelf {
    received: Folder,
    partial: Folder,
    offered: Folder,
    known: Folder,
    /// Octets in all of them, at most.
    room: u64,
    /// Partial files that grow in this run.
    growing: BTreeSet<String>,
    /// What is said of the files that may be offered, by the names under which they are kept.
    offers: BTreeMap<String, Head>,
}

/// Why a file is not put there to be offered.
#[derive(Debug, Error)]
pub enum NotPut {
    /// Nothing can be said of it that another station would take.
    #[error(transparent)]
    Head(#[from] HeadError),
    /// It has more octets than any file that is offered.
    #[error("the file has more than {MOST_OFFERED} octets")]
    TooLarge,
    /// The files of the station have grown to their limit.
    #[error("there is no room for it among the files of this station")]
    NoRoom,
    /// The disk does not take it.
    #[error("it cannot be kept: {0}")]
    Disk(#[from] io::Error),
}

impl Shelf {
    /// Opens the folder, and makes it if it is missing. What was to be offered in an earlier run is dropped: those
    /// talks are over.
    ///
    /// # Errors
    /// The folder cannot be made or read.
    pub fn open(place: &Path, room: u64) -> io::Result<Shelf> {
        let shelf = Shelf {
            received: Folder::open(place.join("received"))?,
            partial: Folder::open(place.join("partial"))?,
            offered: Folder::open(place.join("offered"))?,
            known: Folder::open(place.join("known"))?,
            room,
            growing: BTreeSet::new(),
            offers: BTreeMap::new(),
        };
        for (name, _) in shelf.offered.files()? {
            shelf.offered.remove(&name)?;
        }
        Ok(shelf)
    }

    /// Puts a file there to be offered, and says what is to be said of it. The same octets under another name are
    /// the same file, which has the later name from now on.
    ///
    /// # Errors
    /// Why it is not offered.
    pub fn put(&mut self, name: &str, media: Option<&str>, octets: &[u8]) -> Result<Head, NotPut> {
        let size = octets.len() as u64;
        if size > MOST_OFFERED {
            return Err(NotPut::TooLarge);
        }
        let head = Head::new(name, media, size, hash_of(octets))?;
        let key = key(&head);
        if self.offered.length(&key)? != Some(size) {
            if !self.make_room(size)? {
                return Err(NotPut::NoRoom);
            }
            self.offered
                .replace(&key, octets)
                .map_err(|error| match error.kind() {
                    io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => NotPut::NoRoom,
                    _ => NotPut::Disk(error),
                })?;
        }
        self.offers.insert(key, head.clone());
        Ok(head)
    }

    /// Where a file is that has come whole, by its hash and size; `None` = it never came, or somebody has taken it away.
    ///
    /// # Errors
    /// The folder cannot be read.
    pub fn received(&self, head: &Head) -> io::Result<Option<PathBuf>> {
        let known = self.known_as(&key(head))?;
        Ok(known.map(|known| self.received.path(known.name())))
    }

    /// Does what the station asks.
    pub fn answer(&mut self, head: &Head, ask: FileAsk) -> FileAnswer {
        let done = match ask {
            FileAsk::Read { from, count } => self.read(head, from, count),
            FileAsk::Begin => self.begin(head),
            FileAsk::Write { from, octets } => self.write(head, from, &octets),
            FileAsk::Drop => self.drop_partial(head),
            FileAsk::Store => self.store(head),
            FileAsk::Leave => self.leave(head),
        };
        done.unwrap_or_else(|error| match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => FileAnswer::NoRoom,
            _ => FileAnswer::Failed(error.to_string()),
        })
    }

    fn read(&self, head: &Head, from: u64, count: usize) -> io::Result<FileAnswer> {
        let octets = self.offered.read(&key(head), from, count.min(MOST_READ))?;
        Ok(FileAnswer::Octets(octets))
    }

    fn begin(&mut self, head: &Head) -> io::Result<FileAnswer> {
        if self.received(head)?.is_some() {
            return Ok(FileAnswer::Have);
        }
        let key = key(head);
        if self.growing.contains(&key) {
            return Ok(FileAnswer::Failed(
                "it comes in another talk already".into(),
            ));
        }
        let there = self.partial.length(&key)?;
        // What is longer than the file is not its beginning.
        let there = match there {
            Some(length) if length > head.size() => {
                self.partial.remove(&key)?;
                0
            }
            length => length.unwrap_or(0),
        };
        self.growing.insert(key.clone());
        if !self.make_room(head.size() - there)? {
            self.growing.remove(&key);
            return Ok(FileAnswer::NoRoom);
        }
        let count = usize::try_from(there).map_err(io::Error::other)?;
        let kept = match count {
            0 => Vec::new(),
            count => self.partial.read(&key, 0, count)?,
        };
        Ok(FileAnswer::Kept(kept))
    }

    fn write(&self, head: &Head, from: u64, octets: &[u8]) -> io::Result<FileAnswer> {
        if from + octets.len() as u64 > head.size() {
            return Ok(FileAnswer::Failed("it goes beyond its end".into()));
        }
        self.partial.append(&key(head), from, octets)?;
        Ok(FileAnswer::Done)
    }

    fn drop_partial(&self, head: &Head) -> io::Result<FileAnswer> {
        self.partial.remove(&key(head))?;
        Ok(FileAnswer::Done)
    }

    fn leave(&mut self, head: &Head) -> io::Result<FileAnswer> {
        let key = key(head);
        self.growing.remove(&key);
        self.partial.sync(&key)?;
        Ok(FileAnswer::Done)
    }

    /// Safe from loss of power first, and only then under its name.
    fn store(&mut self, head: &Head) -> io::Result<FileAnswer> {
        let key = key(head);
        self.growing.remove(&key);
        self.partial.sync(&key)?;
        let name = self.received.reserve(head.name())?;
        fs::rename(self.partial.path(&key), self.received.path(&name))?;
        self.received.sync_folder()?;
        self.partial.sync_folder()?;
        self.known.replace(&key, name.as_bytes())?;
        Ok(FileAnswer::Done)
    }

    /// Whether so many octets more have room. Partial files that do not grow give way, the oldest first.
    fn make_room(&self, octets: u64) -> io::Result<bool> {
        let sum = |files: &[(String, u64)]| files.iter().map(|f| f.1).sum::<u64>();
        let rest = sum(&self.received.files()?) + sum(&self.offered.files()?);
        let partial = self.partial.oldest_first()?;
        let mut used = rest + sum(&partial);
        for (name, length) in partial {
            if used + octets <= self.room {
                break;
            }
            if !self.growing.contains(&name) {
                self.partial.remove(&name)?;
                used -= length;
            }
        }
        Ok(used + octets <= self.room)
    }
}

/// The name of a file that is known by its hash and size.
fn key(head: &Head) -> String {
    format!("{}-{}", hash_in_hex(head.hash()), head.size())
}
