//! What a person sees of the shelf: which files are there, their octets, and their end.

use std::io;

use dunlin_mail::file::{HASH_OCTETS, Head, read_hash};

use super::{Shelf, key};

impl Shelf {
    /// The files that may be offered in this run, by their hashes.
    pub fn offered(&self) -> Vec<Head> {
        self.offers.values().cloned().collect()
    }

    /// The files that have come whole and are still there, under the names that they have here, by their hashes.
    ///
    /// # Errors
    /// The folder cannot be read.
    pub fn all_received(&self) -> io::Result<Vec<Head>> {
        let mut heads = Vec::new();
        for (known, _) in self.known.files()? {
            heads.extend(self.known_as(&known)?);
        }
        Ok(heads)
    }

    /// A file that has come whole, by its hash; `None` = it is not there.
    ///
    /// # Errors
    /// The folder cannot be read.
    pub fn read_received(&self, hash: &[u8; HASH_OCTETS]) -> io::Result<Option<(Head, Vec<u8>)>> {
        let Some(head) = self.find_received(hash)? else {
            return Ok(None);
        };
        let count = usize::try_from(head.size()).map_err(io::Error::other)?;
        let octets = self.received.read(head.name(), 0, count)?;
        Ok(Some((head, octets)))
    }

    /// Deletes a file that has come whole; whether it was there. It may come again.
    ///
    /// # Errors
    /// The folder cannot be changed.
    pub fn delete_received(&mut self, hash: &[u8; HASH_OCTETS]) -> io::Result<bool> {
        let Some(head) = self.find_received(hash)? else {
            return Ok(false);
        };
        self.received.remove(head.name())?;
        self.known.remove(&key(&head))?;
        Ok(true)
    }

    /// Deletes a file that was to be offered; whether it was there. Talks in which it goes withdraw it.
    ///
    /// # Errors
    /// The folder cannot be changed.
    pub fn delete_offered(&mut self, hash: &[u8; HASH_OCTETS]) -> io::Result<bool> {
        let found = self.offers.values().find(|head| head.hash() == hash);
        let Some(key) = found.map(key) else {
            return Ok(false);
        };
        self.offered.remove(&key)?;
        self.offers.remove(&key);
        Ok(true)
    }

    fn find_received(&self, hash: &[u8; HASH_OCTETS]) -> io::Result<Option<Head>> {
        for (known, _) in self.known.files()? {
            if read_key(&known).is_some_and(|(of, _)| of == *hash)
                && let Some(head) = self.known_as(&known)?
            {
                return Ok(Some(head));
            }
        }
        Ok(None)
    }

    /// The file of an entry in `known`, if it is still there as it was stored.
    pub(super) fn known_as(&self, known: &str) -> io::Result<Option<Head>> {
        let name = self.known.read_short(known)?;
        let (Some(name), Some((hash, size))) = (name, read_key(known)) else {
            return Ok(None);
        };
        // It was written here, and is looked at all the same: a name must never lead out of the folder.
        let Ok(head) = Head::new(&name, None, size, hash) else {
            return Ok(None);
        };
        let there = self.received.length(&name)? == Some(size);
        Ok(there.then_some(head))
    }
}

/// Hash and size of the name under which a file is known.
fn read_key(known: &str) -> Option<([u8; HASH_OCTETS], u64)> {
    let (digits, size) = known.split_once('-')?;
    Some((read_hash(digits)?, size.parse().ok()?))
}
