//! What will happen on a band of frames, in the order of its time.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use dunlin_clock::Instant;

/// What happens with a transmission. At one moment the earlier in this list comes first: a
/// detector that says clear or occupied at the moment of a slot says so before the slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Due {
    /// A frame of it ends.
    FrameEnd(u32),
    /// Those who have read a frame have it.
    Told(u32),
    /// It ends.
    End,
    /// Detectors say clear.
    Clear,
    /// Nothing more comes of it.
    Forgotten,
    /// Detectors notice it.
    Noticed,
    /// The station (in place of the transmission) hears again.
    Recovered,
}

type Entry = Reverse<(Instant, Due, u64, u32, u32)>;

/// A queue by time; of what is due at one moment as [`Due`] says, then as it was put in.
#[derive(Clone, Debug, Default)]
pub(super) struct Queue {
    heap: BinaryHeap<Entry>,
    count: u64,
}

impl Queue {
    pub(super) fn put(&mut self, at: Instant, slot: u32, life: u32, due: Due) {
        self.heap.push(Reverse((at, due, self.count, slot, life)));
        self.count += 1;
    }

    pub(super) fn next(&self) -> Option<Instant> {
        self.heap.peek().map(|e| e.0.0)
    }

    /// The next that is due by `until`: when, slot, life, what.
    pub(super) fn take(&mut self, until: Instant) -> Option<(Instant, u32, u32, Due)> {
        let at = self.next()?;
        if at > until {
            return None;
        }
        let Reverse((at, due, _, slot, life)) = self.heap.pop()?;
        Some((at, slot, life, due))
    }
}
