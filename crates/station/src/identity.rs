//! Identification of one port: its call sign has to be on the air at the end of each
//! communication and at least every so often during it (47 CFR 97.119(a): ten minutes).
//!
//! The source address of a frame says who sends it (97.119(b) in the usual reading: a
//! specified digital code), so a frame whose source is the port's own call sign, with any
//! SSID, identifies. A frame repeated for others, a frame of another program under another
//! call sign and a bare tone do not. Where none did, a frame of its own says the call sign:
//!
//! * before the time since the last one is over, and a margin earlier if the port is free;
//! * when nothing else was sent for [`SERIES_ENDS`] after a transmission without it.

use dunlin_ax25::CallSign;
use dunlin_ax25::wire::AddressField;
use dunlin_clock::{Duration, Instant};

/// A series of transmissions is over when none has followed for so long. Short, because the
/// rule says "at the end"; long enough for the answer to a repeated frame to be repeated too.
/// Common practice, no source.
pub(crate) const SERIES_ENDS: Duration = Duration::from_secs(30);
/// The share of the time between identifications after which the next is sent as soon as the
/// channel allows, and the most that this may be early.
const MARGIN_SHARE: u32 = 10;
const LONGEST_MARGIN: Duration = Duration::from_secs(60);
/// A driver that reports the end of a transmission so much before its sound should have ended
/// has not played it all.
const EARLY: Duration = Duration::from_millis(250);

/// Where the call sign has to go in a transmission.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Place {
    /// Nowhere: the transmission says it itself, or it is not due.
    Nowhere,
    /// After the other frames.
    Last,
    /// Before them.
    First,
}

/// One frame of a transmission.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Said {
    /// When its last bit is sent.
    pub(crate) end: Instant,
    /// Its source is the port's call sign.
    pub(crate) identifies: bool,
}

/// What is on the air.
#[derive(Clone, Debug)]
struct UnderWay {
    frames: Vec<Said>,
    end: Instant,
}

/// What a port has said of itself.
#[derive(Clone, Debug)]
pub(crate) struct Identity {
    every: Duration,
    /// When the call sign was last said.
    identified: Option<Instant>,
    /// From when the time to the next one counts; `None` = nothing was sent that asks for it.
    owed_since: Option<Instant>,
    /// When the last transmission ended that left it owed.
    left_owed: Option<Instant>,
    /// When the last transmission ended.
    last_end: Option<Instant>,
    under_way: Option<UnderWay>,
    /// A person wants it said.
    pub(crate) asked: bool,
}

impl Identity {
    pub(crate) fn new(every: Duration) -> Self {
        Identity {
            every,
            identified: None,
            owed_since: None,
            left_owed: None,
            last_end: None,
            under_way: None,
            asked: false,
        }
    }

    /// When the call sign was last said.
    pub(crate) fn identified(&self) -> Option<Instant> {
        self.identified
    }

    /// Something was sent without the call sign after it.
    pub(crate) fn is_owed(&self) -> bool {
        self.owed_since.is_some()
    }

    /// A frame that says the call sign still has a use.
    pub(crate) fn is_wanted(&self) -> bool {
        self.is_owed() || self.asked
    }

    fn margin(&self) -> Duration {
        (self.every / MARGIN_SHARE).min(LONGEST_MARGIN)
    }

    /// From when the time counts, of a transmission that begins at `now`: within a series from
    /// the last time the call sign was said.
    fn counts_from(&self, now: Instant) -> Instant {
        let in_series = self.last_end.is_some_and(|e| now.since(e) < SERIES_ENDS);
        let said = self.identified.filter(|_| in_series);
        self.owed_since.or(said).unwrap_or(now)
    }

    /// When the call sign has to have been said, if a transmission begins at `now`.
    pub(crate) fn deadline(&self, now: Instant) -> Instant {
        self.counts_from(now) + self.every
    }

    /// When a frame with nothing but the call sign is to be queued; `None` = nothing is owed, or
    /// a transmission is under way.
    pub(crate) fn due(&self) -> Option<Instant> {
        if self.under_way.is_some() {
            return None;
        }
        let by_time = self.owed_since? + self.every - self.margin();
        let at_the_end = self.left_owed.map(|e| e + SERIES_ENDS);
        Some(at_the_end.map_or(by_time, |e| e.min(by_time)))
    }

    /// Whether it is due by time, not because a series is over.
    pub(crate) fn is_pressing(&self, now: Instant) -> bool {
        let by_time = |s: Instant| s + self.every - self.margin() <= now;
        self.owed_since.is_some_and(by_time)
    }

    /// Where the call sign has to go in a transmission from `now` with these frames, if a frame
    /// that says it would move the end to `longer`.
    pub(crate) fn place(&self, now: Instant, frames: &[Said], longer: Instant) -> Place {
        let deadline = self.deadline(now);
        let first = frames.iter().find(|f| f.identifies);
        // Whatever is late, it cannot be said earlier than by the first frame.
        let leads = frames.first().is_some_and(|f| f.identifies);
        match first {
            Some(own) if own.end <= deadline || leads => Place::Nowhere,
            Some(_) => Place::First,
            None if longer > deadline => Place::First,
            None if longer + self.margin() >= deadline => Place::Last,
            None => Place::Nowhere,
        }
    }

    /// The key fails whenever the call sign is tried: it is not tried for ever.
    pub(crate) fn give_up(&mut self) {
        self.owed_since = None;
        self.left_owed = None;
        self.asked = false;
    }

    /// A transmission begins.
    pub(crate) fn begins(&mut self, now: Instant, frames: Vec<Said>, end: Instant) {
        self.owed_since = Some(self.counts_from(now));
        self.under_way = Some(UnderWay { frames, end });
    }

    /// The transmission has ended; if it was broken off, then at `broken_off`.
    pub(crate) fn ends(&mut self, now: Instant, broken_off: Option<Instant>) {
        let Some(UnderWay { frames, end }) = self.under_way.take() else {
            return;
        };
        let early = (now + EARLY < end).then_some(now);
        let cut = broken_off.or(early);
        let whole = |f: &&Said| cut.is_none_or(|cut| f.end <= cut);
        self.last_end = Some(now);
        let said = frames.iter().filter(whole).rfind(|f| f.identifies);
        if let Some(said) = said {
            self.identified = Some(said.end);
            self.asked = false;
            self.owed_since = Some(said.end);
        }
        // After the call sign there was nothing more than the tail.
        let all_said = frames.last().filter(whole);
        let all_said = all_said.is_some_and(|f| f.identifies);
        if all_said {
            self.owed_since = None;
            self.left_owed = None;
        } else {
            self.left_owed = Some(now);
        }
    }
}

/// Whether a frame says that `call` sends it: its source has the same characters, and nobody
/// has repeated it.
pub(crate) fn identifies(octets: &[u8], call: CallSign) -> bool {
    let Ok((field, _)) = AddressField::decode(octets) else {
        return false;
    };
    let same = |c: CallSign| c.characters() == call.characters();
    field.source.call_sign().is_some_and(same)
        && !field.repeaters.iter().any(|r| r.has_been_repeated)
}
