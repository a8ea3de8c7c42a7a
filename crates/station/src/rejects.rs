//! What was received and not taken: why, how often, and the latest example of each.

use std::collections::BTreeMap;
use std::fmt;

use dunlin_ax25::data_link::{DlError, MdlError};
use dunlin_ax25::wire::Fault;
use dunlin_clock::{Duration, Instant};
use serde::Serialize;

use crate::event::{PortId, ms};

/// Of one kind on one port, so many notes are told …
const MOST_NOTES: u32 = 5;
/// … in so long; the rest is only counted.
const NOTES_EVERY: Duration = Duration::from_secs(600);
/// Characters of an example, so that no frame can fill the memory.
const LONGEST_EXAMPLE: usize = 300;

/// Why something received was not taken. The rest of what a receiver hears and cannot read is on
/// the strip, with its reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum RejectKind {
    /// Octets without an AX.25 address field (AX.25 2.2 §3.12).
    NoAddress,
    /// Longer than anything that is taken in.
    TooLong,
    /// Cut short: the control field or the PID is missing (DL-ERROR N).
    TooShort,
    /// A control field that is not in the standard (DL-ERROR L).
    ControlField,
    /// An information field where none is allowed (DL-ERROR M).
    Information,
    /// For this station, from an address that is no call sign.
    NoCallSign,
    /// From an own call sign.
    OwnFrame,
    /// For a link that does not exist.
    NoLink,
    /// A call that was not let in.
    CallRefused,
    /// A call, or a frame for no link, that was not even answered: too many came.
    TooMany,
    /// Data of another protocol than text.
    OtherProtocol,
    /// An acknowledgement of what was never sent (DL-ERROR J).
    Sequence,
    /// A frame that does not fit where the link is (DL-ERROR A, C, D, E, K).
    Unexpected,
    /// A command marked as response (DL-ERROR Q, S).
    Role,
    /// Segments out of order, or never ended (DL-ERROR Z).
    Segments,
    /// An XID that contradicts itself or answers nothing (MDL-ERROR).
    Negotiation,
    /// The other end began its link afresh in the middle (DL-ERROR F).
    BegunAfresh,
    /// To be repeated, by way of more digipeaters than the port repeats for.
    TooManyHops,
    /// To be repeated, and has been already.
    RepeatedAlready,
    /// To be repeated, and the limits of its sender or the port do not allow it.
    TooManyRepeats,
    /// Of somebody who is muted.
    Muted,
}

impl RejectKind {
    /// The kind of a DL-ERROR that the other end's frame is to blame for.
    pub(crate) fn of_error(error: DlError) -> Option<RejectKind> {
        Some(match error {
            DlError::A | DlError::C | DlError::D | DlError::E | DlError::K => {
                RejectKind::Unexpected
            }
            DlError::F => RejectKind::BegunAfresh,
            DlError::J => RejectKind::Sequence,
            DlError::L => RejectKind::ControlField,
            DlError::M => RejectKind::Information,
            DlError::N => RejectKind::TooShort,
            DlError::O | DlError::R => RejectKind::TooLong,
            DlError::Q | DlError::S => RejectKind::Role,
            DlError::Z => RejectKind::Segments,
            DlError::G | DlError::H | DlError::I | DlError::T | DlError::U | DlError::Y => {
                return None;
            }
        })
    }

    /// The same of an MDL-ERROR.
    pub(crate) fn of_management(error: MdlError) -> Option<RejectKind> {
        match error {
            MdlError::A | MdlError::B | MdlError::D | MdlError::Unusable(_) => {
                Some(RejectKind::Negotiation)
            }
            // No answer, and an older station's: nothing bad came.
            MdlError::C | MdlError::E => None,
        }
    }

    /// The kind of a frame with good addresses and a bad rest.
    pub(crate) fn of_fault(fault: Fault) -> RejectKind {
        match fault {
            Fault::ControlField => RejectKind::ControlField,
            Fault::InfoNotPermitted => RejectKind::Information,
            Fault::Length => RejectKind::TooShort,
        }
    }
}

impl fmt::Display for RejectKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            RejectKind::NoAddress => "no AX.25 address field",
            RejectKind::TooLong => "too long",
            RejectKind::TooShort => "cut short",
            RejectKind::ControlField => "a control field that is not in the standard",
            RejectKind::Information => "information where none is allowed",
            RejectKind::NoCallSign => "from an address that is no call sign",
            RejectKind::OwnFrame => "from an own call sign",
            RejectKind::NoLink => "for a link that does not exist",
            RejectKind::CallRefused => "a call that was refused",
            RejectKind::TooMany => "more at once than is answered",
            RejectKind::OtherProtocol => "data of another protocol than text",
            RejectKind::Sequence => "acknowledges what was never sent",
            RejectKind::Unexpected => "does not fit where the link is",
            RejectKind::Role => "a command marked as response",
            RejectKind::Segments => "parts of a long text missing or out of order",
            RejectKind::Negotiation => "an XID of no use",
            RejectKind::BegunAfresh => "a link begun afresh in the middle",
            RejectKind::TooManyHops => "not repeated: too many digipeaters in its path",
            RejectKind::RepeatedAlready => "not repeated: it was already",
            RejectKind::TooManyRepeats => "not repeated: more than the limits allow",
            RejectKind::Muted => "of somebody who is muted",
        })
    }
}

/// Everything of one kind that one port did not take.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RejectView {
    /// The port.
    pub port: PortId,
    /// The kind.
    pub kind: RejectKind,
    /// The kind in words.
    pub reason: String,
    /// How many since the start.
    pub count: u64,
    /// When the first came, ms.
    pub first_ms: u64,
    /// When the last came, ms.
    pub last_ms: u64,
    /// The last one, in a sentence: from whom, what exactly was wrong, what was done.
    pub example: String,
}

#[derive(Debug)]
struct Entry {
    view: RejectView,
    /// Notes told since `noting`.
    notes: u32,
    noting: Instant,
}

/// All that was not taken. Bounded by the kinds and the ports.
#[derive(Debug, Default)]
pub(crate) struct Rejects {
    entries: BTreeMap<(PortId, RejectKind), Entry>,
}

impl Rejects {
    /// Takes note of one. Returns the entry, and whether it deserves a note on the timeline.
    pub(crate) fn add(
        &mut self,
        now: Instant,
        port: PortId,
        kind: RejectKind,
        example: &str,
    ) -> (RejectView, bool) {
        let entry = self.entries.entry((port, kind)).or_insert_with(|| Entry {
            view: RejectView {
                port,
                kind,
                reason: kind.to_string(),
                count: 0,
                first_ms: ms(now),
                last_ms: ms(now),
                example: String::new(),
            },
            notes: 0,
            noting: now,
        });
        entry.view.count += 1;
        entry.view.last_ms = ms(now);
        entry.view.example = example.chars().take(LONGEST_EXAMPLE).collect();
        if now.since(entry.noting) >= NOTES_EVERY {
            (entry.notes, entry.noting) = (0, now);
        }
        entry.notes += 1;
        (entry.view.clone(), entry.notes <= MOST_NOTES)
    }

    /// All entries, by port and kind.
    pub(crate) fn views(&self) -> Vec<RejectView> {
        self.entries.values().map(|e| e.view.clone()).collect()
    }
}

/// So many things at once, and then one in so long.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Allowance {
    most: u32,
    one_in: Duration,
    used: u32,
    since: Instant,
}

impl Allowance {
    pub(crate) const fn new(most: u32, one_in: Duration) -> Self {
        Allowance {
            most,
            one_in,
            used: 0,
            since: Instant::ZERO,
        }
    }

    /// Whether one more may be done now; then it counts as done.
    pub(crate) fn take(&mut self, now: Instant) -> bool {
        let gone = now.since(self.since).as_nanos() / self.one_in.as_nanos().max(1);
        let gone = u32::try_from(gone).unwrap_or(u32::MAX);
        self.used = self.used.saturating_sub(gone);
        match self.used {
            0 => self.since = now,
            _ => self.since += self.one_in * gone,
        }
        let room = self.used < self.most;
        self.used += u32::from(room);
        room
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pace_lets_some_through_at_once_and_then_one_by_one() {
        let mut pace = Allowance::new(3, Duration::from_secs(10));
        let mut at = |s: u64| pace.take(Instant::from_secs(s));
        assert_eq!(
            [0, 0, 0, 0, 5].map(&mut at),
            [true, true, true, false, false]
        );
        assert_eq!([10, 10, 25].map(&mut at), [true, false, true]);
        assert_eq!([30, 30].map(&mut at), [true, false]);
        assert_eq!([500; 4].map(&mut at), [true, true, true, false]);
    }

    #[test]
    fn each_kind_is_counted_and_noted_a_few_times_only() {
        let mut rejects = Rejects::default();
        let mut add = |s: u64, text: &str| {
            let at = Instant::from_secs(s);
            rejects.add(at, PortId(1), RejectKind::Sequence, text)
        };
        let told = (0..9).filter(|n| add(*n, "a").1).count();
        assert_eq!(told, 5);
        let (view, note) = add(601, &"é".repeat(999));
        assert!(note, "after ten minutes again");
        assert_eq!((view.count, view.first_ms, view.last_ms), (10, 0, 601_000));
        assert_eq!(view.example.chars().count(), LONGEST_EXAMPLE);
        assert_eq!(rejects.views().len(), 1);
    }
}
