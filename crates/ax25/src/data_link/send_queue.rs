//! The I queue and the send state variables V(s) and V(a).

use std::collections::VecDeque;

use super::segments;
use crate::wire::{Modulo, pid};

/// Most pieces of data that wait for sending, acknowledgement or return at one time. The limit
/// is ours: far beyond what a link can carry in an hour, far below what would hurt.
pub const MAX_QUEUED: usize = 4096;

/// Data that was handed to the link and is handed back: its delivery is not known.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Unsent {
    /// Protocol identifier as requested.
    pub pid: u8,
    /// Information as requested.
    pub info: Vec<u8>,
    /// It was sent at least once, so it may have arrived although no acknowledgement came.
    pub was_sent: bool,
}

/// One I frame to be: what is sent, without the numbers.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(super) struct Piece {
    pub(super) pid: u8,
    pub(super) info: Vec<u8>,
}

/// All data not acknowledged yet, oldest first, with V(a) at its front.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub(super) struct SendQueue {
    modulo: Modulo,
    pieces: VecDeque<Piece>,
    /// V(a): number of the piece at the front.
    va: u8,
    /// V(s) - V(a).
    outstanding: u8,
    /// Highest V(s) - V(a) since the link came up. Above `outstanding` after frames were put
    /// back for sending again (D9).
    ever_sent: u8,
}

impl SendQueue {
    pub(super) fn new(modulo: Modulo) -> Self {
        SendQueue {
            modulo,
            pieces: VecDeque::new(),
            va: 0,
            outstanding: 0,
            ever_sent: 0,
        }
    }

    pub(super) fn push(&mut self, piece: Piece) {
        self.pieces.push_back(piece);
    }

    pub(super) fn len(&self) -> usize {
        self.pieces.len()
    }

    /// Counts by another modulo from now on; with nothing outstanding, and numbers that start
    /// over.
    pub(super) fn set_modulo(&mut self, modulo: Modulo) {
        self.modulo = modulo;
        self.restart_numbers();
    }

    /// Takes out what was never sent and is longer than `n1`, in order.
    pub(super) fn take_too_long(&mut self, n1: usize) -> Vec<Piece> {
        let sent = usize::from(self.ever_sent);
        let unsent = self.pieces.split_off(sent);
        let (long, fits): (Vec<_>, Vec<_>) = unsent.into_iter().partition(|p| p.info.len() > n1);
        self.pieces.extend(fits);
        long
    }

    /// V(s).
    pub(super) fn vs(&self) -> u8 {
        self.add(self.outstanding)
    }

    /// Whether V(s) = V(a).
    pub(super) fn is_settled(&self) -> bool {
        self.outstanding == 0
    }

    /// Whether this is the number of the oldest piece, V(a).
    pub(super) fn is_oldest(&self, ns: u8) -> bool {
        ns == self.va
    }

    /// Pieces that were sent and not acknowledged: their delivery is in doubt.
    pub(super) fn in_doubt(&self) -> u8 {
        self.ever_sent
    }

    /// The other end may have something of what waits here: frames that it has not acknowledged, or
    /// the first segments of a text of which the rest waits. A new start would tear that apart.
    pub(super) fn is_begun(&self) -> bool {
        let torn = |p: &Piece| p.pid == pid::SEGMENT && !segments::is_first(&p.info);
        self.ever_sent > 0 || self.pieces.front().is_some_and(torn)
    }

    /// Whether V(a) <= N(r) <= V(s) on the circle (§4.2.2, D9).
    pub(super) fn accepts(&self, nr: u8) -> bool {
        self.distance(nr) <= self.ever_sent
    }

    /// V(a) := N(r). True if that acknowledged anything. N(r) must be in range; if not,
    /// nothing happens.
    pub(super) fn acknowledge(&mut self, nr: u8) -> bool {
        let count = self.distance(nr);
        if count == 0 || count > self.ever_sent {
            return false;
        }
        self.pieces.drain(..usize::from(count));
        self.va = nr;
        self.outstanding = self.outstanding.saturating_sub(count);
        self.ever_sent -= count;
        true
    }

    /// How many further pieces the window `k` would let out at once.
    pub(super) fn room(&self, k: u8) -> u8 {
        let waiting = self.pieces.len() - usize::from(self.outstanding);
        let free = usize::from(k.saturating_sub(self.outstanding));
        // Not above `free`, which comes from an octet.
        free.saturating_sub(waiting) as u8
    }

    /// Takes the next piece to send if the window `k` allows: its number N(s), the piece, and
    /// whether it was sent before. V(s) moves on.
    pub(super) fn pop(&mut self, k: u8) -> Option<(u8, Piece, bool)> {
        if self.outstanding >= k {
            return None;
        }
        let piece = self.pieces.get(usize::from(self.outstanding))?.clone();
        let ns = self.vs();
        self.outstanding += 1;
        let again = self.outstanding <= self.ever_sent;
        self.ever_sent = self.ever_sent.max(self.outstanding);
        Some((ns, piece, again))
    }

    /// V(s) := V(a), so that everything outstanding is sent again in order (S42).
    pub(super) fn put_back(&mut self) {
        self.outstanding = 0;
    }

    /// The outstanding piece with number `ns`.
    pub(super) fn outstanding_piece(&self, ns: u8) -> Option<Piece> {
        let place = self.distance(ns);
        if place >= self.outstanding {
            return None;
        }
        self.pieces.get(usize::from(place)).cloned()
    }

    /// V(s) = V(a) = 0 for a new link. The queue stays.
    pub(super) fn restart_numbers(&mut self) {
        (self.va, self.outstanding, self.ever_sent) = (0, 0, 0);
    }

    /// Discards the I queue: empties it into what is handed back.
    pub(super) fn discard(&mut self) -> impl Iterator<Item = Unsent> {
        let sent = usize::from(self.ever_sent);
        self.restart_numbers();
        std::mem::take(&mut self.pieces)
            .into_iter()
            .enumerate()
            .map(move |(place, Piece { pid, info })| Unsent {
                pid,
                info,
                was_sent: place < sent,
            })
    }

    /// Steps from V(a) to `number` on the circle.
    fn distance(&self, number: u8) -> u8 {
        number.wrapping_sub(self.va) & self.modulo.mask()
    }

    fn add(&self, steps: u8) -> u8 {
        self.va.wrapping_add(steps) & self.modulo.mask()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn queue(pieces: u8) -> SendQueue {
        let mut queue = SendQueue::new(Modulo::Eight);
        (0..pieces).for_each(|n| {
            queue.push(Piece {
                pid: 0xF0,
                info: vec![n],
            })
        });
        queue
    }

    #[test]
    fn the_window_stops_sending_and_acknowledgement_opens_it_again() {
        let mut q = queue(10);
        let sent: Vec<u8> = std::iter::from_fn(|| q.pop(7)).map(|(ns, ..)| ns).collect();
        assert_eq!(sent, [0, 1, 2, 3, 4, 5, 6]);
        assert_eq!(q.vs(), 7);
        assert!(q.acknowledge(3));
        assert!(!q.acknowledge(3), "nothing new");
        let sent: Vec<u8> = std::iter::from_fn(|| q.pop(7)).map(|(ns, ..)| ns).collect();
        assert_eq!(sent, [7, 0, 1]);
        assert_eq!(q.in_doubt(), 7);
    }

    #[test]
    fn only_numbers_from_va_to_vs_are_accepted() {
        let mut q = queue(3);
        while q.pop(7).is_some() {}
        let accepted: Vec<u8> = (0..8).filter(|&nr| q.accepts(nr)).collect();
        assert_eq!(accepted, [0, 1, 2, 3]);
        assert!(q.acknowledge(2));
        let accepted: Vec<u8> = (0..8).filter(|&nr| q.accepts(nr)).collect();
        assert_eq!(accepted, [2, 3]);
        assert!(!q.acknowledge(7));
        assert_eq!(q.va, 2);
    }

    #[test]
    fn what_was_put_back_may_still_be_acknowledged() {
        let mut q = queue(4);
        while q.pop(3).is_some() {}
        q.put_back();
        assert!(q.is_settled());
        assert!(q.accepts(3) && !q.accepts(4));
        assert!(q.acknowledge(2));
        assert_eq!(
            q.pop(3).map(|(ns, piece, again)| (ns, piece.info, again)),
            Some((2, vec![2], true))
        );
        assert_eq!(
            q.pop(3).map(|(ns, piece, again)| (ns, piece.info, again)),
            Some((3, vec![3], false))
        );
    }

    #[test]
    fn what_is_discarded_says_whether_it_was_sent() {
        let mut q = queue(3);
        q.pop(7);
        let back: Vec<(Vec<u8>, bool)> = q.discard().map(|u| (u.info, u.was_sent)).collect();
        assert_eq!(back, [(vec![0], true), (vec![1], false), (vec![2], false)]);
        assert_eq!(q.len(), 0);
    }
}
