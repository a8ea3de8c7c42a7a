//! The text of every talk, as each end shows it, and the crossings.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use dunlin_ax25::CallSign;
use dunlin_station::{
    CrossingId, CrossingView, Direction, LineId, TalkId, TalkLine, TalkState, TalkView,
};

/// Talks kept for each station; of more, the oldest are forgotten.
const MOST_TALKS: usize = 2000;
/// Crossings kept for each station; of more, the oldest are forgotten.
const MOST_CROSSINGS: usize = 2000;

/// One talk seen from one of its ends.
#[derive(Clone, Debug)]
pub struct TalkRecord {
    /// As the station showed it last.
    pub view: TalkView,
    /// When it was first open, ms.
    pub open_ms: Option<u64>,
    /// Its lines.
    pub lines: BTreeMap<LineId, LineRecord>,
}

/// One line of a talk.
#[derive(Clone, Debug)]
pub struct LineRecord {
    /// When it was written or began to arrive, ms.
    pub at_ms: u64,
    /// Who wrote it.
    pub direction: Direction,
    /// The octets on the air.
    pub octets: Vec<u8>,
    /// Received: its end has come. Sent: all of it is acknowledged.
    pub complete: bool,
    /// Sent: told as never acknowledged.
    pub lost: bool,
}

/// One crossing and the talks at its two far ends.
#[derive(Clone, Debug)]
pub struct CrossingRecord {
    /// The station that carries it.
    pub station: usize,
    /// As the station showed it last.
    pub view: CrossingView,
    /// Octets have come from both ends.
    pub used: bool,
    /// When it was first shown as ended, ms.
    pub ended_ms: Option<u64>,
}

/// The ledger of talks.
#[derive(Debug, Default)]
pub struct TalkLedger {
    talks: BTreeMap<(usize, TalkId), TalkRecord>,
    crossings: BTreeMap<(usize, CrossingId), CrossingRecord>,
    forgotten: u64,
}

impl TalkLedger {
    /// Notes a talk at `station`. Returns whether it has come into a new state.
    pub fn talk(&mut self, station: usize, view: &TalkView) -> bool {
        let fresh = || TalkRecord {
            view: view.clone(),
            open_ms: None,
            lines: BTreeMap::new(),
        };
        let known = self.talks.contains_key(&(station, view.id));
        let record = self.talks.entry((station, view.id)).or_insert_with(fresh);
        let news = !known || record.view.state != view.state;
        record.view = view.clone();
        if view.state == TalkState::Open && record.open_ms.is_none() {
            record.open_ms = Some(view.since_ms);
        }
        self.forget(station);
        news
    }

    /// Notes a line at `station`. Returns whether it has just become complete.
    pub fn line(&mut self, station: usize, line: &TalkLine) -> bool {
        let Some(talk) = self.talks.get_mut(&(station, line.talk)) else {
            return false;
        };
        let record = LineRecord {
            at_ms: line.at_ms,
            direction: line.direction,
            octets: line.octets.clone(),
            complete: line.complete,
            lost: line.lost,
        };
        let before = talk.lines.insert(line.line, record);
        line.complete && !before.is_some_and(|b| b.complete)
    }

    /// Notes at `now_ms` a crossing at `station`. Returns whether its words have changed.
    pub fn crossing(&mut self, now_ms: u64, station: usize, view: &CrossingView) -> bool {
        let used = view.near.received_octets > 0 && view.far.received_octets > 0;
        let fresh = || CrossingRecord {
            station,
            view: view.clone(),
            used: false,
            ended_ms: None,
        };
        let known = self.crossings.contains_key(&(station, view.id));
        let record = self
            .crossings
            .entry((station, view.id))
            .or_insert_with(fresh);
        let news = !known || record.view.words != view.words;
        record.view = view.clone();
        record.used |= used;
        if view.ended && record.ended_ms.is_none() {
            record.ended_ms = Some(now_ms);
        }
        while self.crossings.len() > MOST_CROSSINGS {
            self.crossings.pop_first();
        }
        news
    }

    /// One talk.
    pub fn get(&self, station: usize, talk: TalkId) -> Option<&TalkRecord> {
        self.talks.get(&(station, talk))
    }

    /// All talks with the number of the station, in the order of stations and talks.
    pub fn talks(&self) -> impl Iterator<Item = (usize, &TalkRecord)> {
        self.talks
            .iter()
            .map(|((station, _), talk)| (*station, talk))
    }

    /// All crossings, in the order of stations and crossings.
    pub fn crossings(&self) -> impl Iterator<Item = &CrossingRecord> {
        self.crossings.values()
    }

    /// Talks that are not kept any more.
    pub fn forgotten(&self) -> u64 {
        self.forgotten
    }

    /// The other end's records of a talk that was opened at `near`: at station `far`, called by
    /// the same call signs, first shown after ours was opened and before ours ended. More than
    /// one if the far end lost the talk and was called again within it.
    pub fn far_ends<'a>(
        &'a self,
        near: &'a TalkRecord,
        far: usize,
    ) -> impl Iterator<Item = &'a TalkRecord> {
        let lasted = near.lasted();
        self.of(far)
            .filter(|t| t.view.incoming && t.view.remote == near.view.local)
            .filter(|t| t.view.local == near.view.remote)
            .filter(move |t| lasted.contains(&t.view.opened_ms))
    }

    /// The talks at one station.
    pub fn of(&self, station: usize) -> impl Iterator<Item = &TalkRecord> {
        self.talks
            .range((station, TalkId(0))..=(station, TalkId(u64::MAX)))
            .map(|(_, t)| t)
    }

    /// The crossing at `by` that carries the talk `near` of the visitor.
    pub fn crossing_of(&self, near: &TalkRecord, by: usize) -> Option<&CrossingRecord> {
        let of_station = self
            .crossings
            .range((by, CrossingId(0))..=(by, CrossingId(u64::MAX)));
        let lasted = near.lasted();
        of_station.map(|(_, c)| c).find(|c| {
            c.view.near.remote == Some(near.view.local)
                && c.view.near.local == near.view.remote
                && lasted.contains(&c.view.opened_ms)
        })
    }

    /// The talk at `to` that `crossing` opened for its visitor.
    pub fn beyond(
        &self,
        crossing: &CrossingRecord,
        to: usize,
        own: CallSign,
    ) -> Option<&TalkRecord> {
        let far = &crossing.view.far;
        let lasted = crossing.view.opened_ms..=crossing.ended_ms.unwrap_or(u64::MAX);
        self.of(to).find(|t| {
            t.view.incoming
                && t.view.remote == far.local
                && t.view.local == own
                && lasted.contains(&t.view.opened_ms)
        })
    }

    fn forget(&mut self, station: usize) {
        if self.of(station).count() > MOST_TALKS {
            let oldest = self.of(station).next().map(|t| t.view.id);
            if let Some(id) = oldest {
                self.talks.remove(&(station, id));
                self.forgotten += 1;
            }
        }
    }
}

impl TalkRecord {
    /// From when to when it lasted, ms.
    pub fn lasted(&self) -> RangeInclusive<u64> {
        let ended = match self.view.state {
            TalkState::Ended => self.view.since_ms,
            _ => u64::MAX,
        };
        self.view.opened_ms..=ended
    }

    /// All octets of one direction, in order, and of the sent ones only those acknowledged.
    pub fn octets(&self, direction: Direction) -> Vec<u8> {
        let lines = self.lines.values().filter(|l| l.direction == direction);
        let good = lines.filter(|l| l.direction == Direction::Received || l.complete);
        good.flat_map(|l| l.octets.iter().copied()).collect()
    }
}
