//! Long data in segments (§6.6, C6, Fig C-6.1 to C-6.4).

use super::send_queue::Piece;
use crate::wire::pid;

/// Segments at most: their number less one has seven bits.
const MOST: usize = 128;
/// First segment.
const FIRST: u8 = 0x80;

/// Whether the information of a segment is that of the first of a text.
pub(super) fn is_first(info: &[u8]) -> bool {
    info.first().is_some_and(|header| header & FIRST != 0)
}

/// The longest data that goes into segments of at most `n1` octets (S35: two octets of each are
/// taken off for the header; E24: the data's own PID goes with it).
pub(super) fn longest(n1: usize) -> usize {
    (MOST * n1.saturating_sub(2)).saturating_sub(1)
}

/// Data in segments of `n1` octets. Each holds `n1 - 2` octets of data, as C6.1 has it, although
/// the PID, which is one of the two octets of the header, does not count in N1 elsewhere (E24).
pub(super) fn split(data: Piece, n1: usize) -> Vec<Piece> {
    let Piece { pid, mut info } = data;
    info.insert(0, pid);
    let chunks = info.chunks(n1.saturating_sub(2).max(1));
    let last = chunks.len() - 1;
    let segment = |(n, chunk): (usize, &[u8])| {
        let first = if n == 0 { FIRST } else { 0 };
        Piece {
            pid: pid::SEGMENT,
            info: [&[first | (last - n) as u8], chunk].concat(),
        }
    };
    chunks.enumerate().map(segment).collect()
}

/// Segments do not follow each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct OutOfOrder;

/// Puts segments together again.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct Reassembler {
    data: Vec<u8>,
    /// Segments to come; `None` in state Null.
    left: Option<u8>,
}

impl Reassembler {
    /// Takes what the link delivers; gives what is whole.
    ///
    /// # Errors
    /// A segment is missing, comes twice, or something came between: all of it is dropped.
    pub(super) fn take(&mut self, piece: Piece) -> Result<Option<Piece>, OutOfOrder> {
        let expected = self.left.take();
        if piece.pid != pid::SEGMENT {
            return match expected {
                None => Ok(Some(piece)),
                Some(_) => Err(OutOfOrder),
            };
        }
        let (&header, rest) = piece.info.split_first().ok_or(OutOfOrder)?;
        let (is_first, left) = (header & FIRST != 0, header & !FIRST);
        match expected {
            None if is_first => self.data.clear(),
            Some(before) if !is_first && before.checked_sub(1) == Some(left) => {}
            _ => return Err(OutOfOrder),
        }
        self.data.extend(rest);
        if left > 0 {
            self.left = Some(left);
            return Ok(None);
        }
        let mut info = std::mem::take(&mut self.data);
        if info.is_empty() {
            return Err(OutOfOrder);
        }
        let pid = info.remove(0);
        Ok(Some(Piece { pid, info }))
    }

    /// Segments are awaited.
    pub(super) fn is_waiting(&self) -> bool {
        self.left.is_some()
    }

    /// Drops what is not whole.
    pub(super) fn clear(&mut self) {
        self.left = None;
        self.data = Vec::new();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn piece(pid: u8, info: Vec<u8>) -> Piece {
        Piece { pid, info }
    }

    #[test]
    fn a_thousand_octets_make_four_segments() {
        // Worked out from §6.6 with N1 = 256: 999 octets and their PID in pieces of 254.
        let data = piece(0xF0, (0..999).map(|n| n as u8).collect());
        let segments = split(data.clone(), 256);
        let headers: Vec<u8> = segments.iter().map(|s| s.info[0]).collect();
        assert_eq!(headers, [0x83, 0x02, 0x01, 0x00]);
        assert!(
            segments
                .iter()
                .all(|s| s.pid == 0x08 && s.info.len() <= 255)
        );
        assert_eq!(segments[3].info.len(), 1 + 238);
        assert_eq!(segments[0].info[1], 0xF0, "the data's own PID comes first");
        let mut reassembler = Reassembler::default();
        let mut out = Vec::new();
        for segment in segments {
            out.extend(reassembler.take(segment).expect("in order"));
        }
        assert_eq!(out, [data]);
        assert!(!reassembler.is_waiting());
    }

    #[test]
    fn the_longest_needs_all_segments_and_comes_back() {
        for n1 in [3, 16, 256] {
            let data = piece(0xCC, vec![7; longest(n1)]);
            let segments = split(data.clone(), n1);
            assert_eq!(segments.len(), MOST);
            let mut reassembler = Reassembler::default();
            let last = segments.into_iter().map(|s| reassembler.take(s)).last();
            assert_eq!(last, Some(Ok(Some(data))));
        }
    }

    #[test]
    fn what_does_not_follow_is_dropped_with_all_before_it() {
        let segments = split(piece(0xF0, vec![1; 39]), 10);
        let attempt = |order: &[usize]| {
            let mut reassembler = Reassembler::default();
            let take = |&n: &usize| reassembler.take(segments[n].clone());
            let results: Vec<_> = order.iter().map(take).collect();
            (
                results.iter().filter(|r| r.is_err()).count(),
                reassembler.is_waiting(),
            )
        };
        assert_eq!(segments.len(), 5);
        assert_eq!(attempt(&[0, 1, 2, 3, 4]), (0, false));
        assert_eq!(attempt(&[1]), (1, false));
        assert_eq!(attempt(&[0, 2]), (1, false));
        assert_eq!(attempt(&[0, 1, 1]), (1, false));
        assert_eq!(attempt(&[0, 0]), (1, false));
        let mut reassembler = Reassembler::default();
        assert_eq!(reassembler.take(segments[0].clone()), Ok(None));
        assert_eq!(reassembler.take(piece(0xF0, vec![1])), Err(OutOfOrder));
        assert_eq!(reassembler.take(piece(0x08, vec![])), Err(OutOfOrder));
        assert_eq!(reassembler.take(piece(0x08, vec![0x80])), Err(OutOfOrder));
    }
}
