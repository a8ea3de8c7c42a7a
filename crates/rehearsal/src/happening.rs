//! What happened in a rehearsal, as data: the timeline and the JSON lines are made of it.

use dunlin_clock::Instant;
use dunlin_station::{CrossingView, Note, TalkView};
use serde::Serialize;

use crate::scenario::Loss;

/// Something that happened, seen by somebody who sees everything.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Happening {
    /// When it began, ms.
    pub at_ms: u64,
    /// What it was.
    #[serde(flatten)]
    pub what: What,
}

/// What it was. Tagged in JSON by `happening`.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "happening", rename_all = "snake_case")]
#[allow(clippy::large_enum_variant)] // Short-lived; a box for each would cost more.
pub enum What {
    /// A frame was sent, and this became of it at every station within reach.
    Frame(SentFrame),
    /// A talk has come into a new state, seen from one of its ends.
    Talk {
        /// The station at this end.
        station: String,
        /// Band of the talk.
        band: String,
        /// The talk.
        talk: TalkView,
    },
    /// A line of text has arrived.
    Said {
        /// Band on which it came.
        band: String,
        /// Who wrote it.
        from: String,
        /// Where it arrived.
        to: String,
        /// The line, escaped.
        text: String,
    },
    /// A crossing has come into a new state.
    Crossing {
        /// The station that carries it.
        station: String,
        /// The crossing.
        crossing: CrossingView,
    },
    /// A station has something to say about itself.
    Note {
        /// The station.
        station: String,
        /// Band that it is about, or empty.
        band: String,
        /// What it says.
        note: Note,
    },
    /// A person did something, or gave something up.
    Deed {
        /// The person.
        person: String,
        /// The station at which it sits.
        station: String,
        /// What it did.
        text: String,
    },
    /// A station read a frame that nobody sent. Noise that passes the frame check.
    NobodySent {
        /// Band.
        band: String,
        /// The station that read it.
        station: String,
        /// The frame in one line.
        text: String,
    },
}

/// A frame that was sent.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SentFrame {
    /// When it ended, ms.
    pub end_ms: u64,
    /// Band.
    pub band: String,
    /// The station that sent it.
    pub station: String,
    /// Sender in the address field.
    pub from: String,
    /// Addressee.
    pub to: String,
    /// Digipeaters, an asterisk after those that have repeated it.
    pub via: Vec<String>,
    /// What kind of frame.
    pub kind: String,
    /// The frame in one line.
    pub text: String,
    /// The octets without FCS, lower-case hex.
    pub octets: String,
    /// What became of it, station by station.
    pub receptions: Vec<Reception>,
}

/// What became of a frame at one station within reach.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Reception {
    /// The station.
    pub station: String,
    /// Why it was lost; `None` = it was read.
    pub lost: Option<Loss>,
    /// Another transmission was to be heard there meanwhile.
    pub overlapped: bool,
}

/// Keeps happenings back for a while and hands them out in the order of their time, because a
/// frame's fate is known only after its end.
#[derive(Debug, Default)]
pub struct Sorter {
    waiting: std::collections::BTreeMap<(u64, u64), Happening>,
    sequence: u64,
}

/// How long happenings are kept back: longer than the longest frame of the slowest mode (330
/// octets at 300 Bd, stuffed: 11 s) and the time to judge it.
const HOLD_MS: u64 = 15_000;

impl Sorter {
    /// Takes one in.
    pub fn put(&mut self, happening: Happening) {
        self.waiting
            .insert((happening.at_ms, self.sequence), happening);
        self.sequence += 1;
    }

    /// The next whose turn has come at `now`.
    pub fn take(&mut self, now: Instant) -> Option<Happening> {
        let (at, _) = self.waiting.keys().next()?;
        if at + HOLD_MS > now.as_millis() {
            return None;
        }
        self.take_any()
    }

    /// The next, whatever the time.
    pub fn take_any(&mut self) -> Option<Happening> {
        self.waiting.pop_first().map(|(_, happening)| happening)
    }
}
