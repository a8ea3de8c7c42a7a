//! Names that begin in one frame and end in the next of the same sender to the same addressee.

use std::collections::BTreeMap;

use crate::Name;

/// Run, port, sender and addressee.
pub(super) type Talk = (i64, i64, String, String);

/// Talks that are followed at once; the one with the oldest frame is given up for another.
const MOST: usize = 256;

struct Tail {
    key: i64,
    octets: Vec<u8>,
    info: Vec<u8>,
}

/// The latest frame with text of each talk.
pub(super) struct Tails<'n> {
    name: &'n Name,
    latest: BTreeMap<Talk, Tail>,
}

impl<'n> Tails<'n> {
    pub(super) fn new(name: &'n Name) -> Self {
        Tails {
            name,
            latest: BTreeMap::new(),
        }
    }

    /// Takes in the next frame; the one before it, if the name stands across the two.
    pub(super) fn follows(
        &mut self,
        talk: Talk,
        key: i64,
        octets: &[u8],
        info: &[u8],
    ) -> Option<(i64, Vec<u8>)> {
        if info.is_empty() {
            return None;
        }
        let before = self.latest.get(&talk);
        if before.is_some_and(|before| before.info == info) {
            return None; // Sent again: what comes next follows the first of them as well.
        }
        let across = before.and_then(|before| {
            // Enough of both to hold the name and what stands beside it.
            let most = 4 * (self.name.length() + 1);
            let end = &before.info[before.info.len().saturating_sub(most)..];
            let joined = [end, &info[..info.len().min(most)]].concat();
            let alone = self.name.is_in_octets(end) || self.name.is_in_octets(info);
            (!alone && self.name.is_in_octets(&joined)).then(|| (before.key, before.octets.clone()))
        });
        if self.latest.len() >= MOST && !self.latest.contains_key(&talk) {
            let oldest = self.latest.iter().min_by_key(|(_, tail)| tail.key);
            if let Some(oldest) = oldest.map(|(talk, _)| talk.clone()) {
                self.latest.remove(&oldest);
            }
        }
        let tail = Tail {
            key,
            octets: octets.to_vec(),
            info: info.to_vec(),
        };
        self.latest.insert(talk, tail);
        across
    }
}
