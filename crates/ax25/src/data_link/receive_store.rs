//! Frames that came before an earlier one (§4.4.4).

use std::collections::VecDeque;

use super::send_queue::Piece;

#[derive(Clone, Debug, PartialEq, Eq, Hash)]
enum Slot {
    /// Not here; asked for with SREJ, or not yet.
    Missing {
        asked: bool,
    },
    Kept(Piece),
}

/// What came ahead of V(r). Places count from V(r), which is place 0 and always missing.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash)]
pub(super) struct ReceiveStore {
    slots: VecDeque<Slot>,
}

impl ReceiveStore {
    /// Keeps a frame. True if it fills a place that had been asked for.
    pub(super) fn keep(&mut self, place: usize, piece: Piece) -> bool {
        while self.slots.len() <= place {
            self.slots.push_back(Slot::Missing { asked: false });
        }
        match self.slots.get_mut(place) {
            Some(slot @ Slot::Missing { .. }) => {
                let asked = matches!(slot, Slot::Missing { asked: true });
                *slot = Slot::Kept(piece);
                asked
            }
            _ => false,
        }
    }

    /// V(r) has come, so all places move on by one.
    pub(super) fn advance(&mut self) {
        self.slots.pop_front();
    }

    /// The frame V(r), if it is here.
    pub(super) fn take(&mut self) -> Option<Piece> {
        match self.slots.pop_front()? {
            Slot::Kept(piece) => Some(piece),
            missing @ Slot::Missing { .. } => {
                self.slots.push_front(missing);
                None
            }
        }
    }

    /// The places that are missing and not asked for, at most `most`; they count as asked for
    /// now.
    pub(super) fn ask(&mut self, most: usize) -> Vec<usize> {
        let mut places = Vec::new();
        for (place, slot) in self.slots.iter_mut().enumerate() {
            if let Slot::Missing { asked } = slot
                && !*asked
                && places.len() < most
            {
                *asked = true;
                places.push(place);
            }
        }
        places
    }

    /// Whether a place is asked for.
    pub(super) fn is_asked(&self) -> bool {
        let asked = |slot: &Slot| matches!(slot, Slot::Missing { asked: true });
        self.slots.iter().any(asked)
    }

    /// What was asked for before this place is asked for anew.
    pub(super) fn forget_asked(&mut self, before: usize) {
        for slot in self.slots.iter_mut().take(before) {
            if let Slot::Missing { asked } = slot {
                *asked = false;
            }
        }
    }

    /// Nothing is kept.
    pub(super) fn is_empty(&self) -> bool {
        self.slots.is_empty()
    }

    pub(super) fn clear(&mut self) {
        self.slots.clear();
    }
}
