//! Who keeps the mail of each station: the same store as the program's, in memory.

use std::collections::VecDeque;

use dunlin_clock::{Chance, Duration, Instant, WallTime};
use dunlin_mail::MessageId;
use dunlin_mail::post::{Answer, Ask};
use dunlin_station::{Draft, Input, Station};
use dunlin_store::MailStore;

/// How long whoever keeps mail takes for one thing that a station asks, as a disk does. Each station's are done one
/// after the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct KeeperDelays {
    /// Up to so long, drawn evenly.
    pub most: Duration,
    /// But one in so many,
    pub one_in: u64,
    /// takes this long.
    pub seldom: Duration,
}

/// What a station has asked and is not done.
#[derive(Debug)]
struct Late {
    at: Instant,
    ticket: u64,
    ask: Ask,
}

/// The mail of all stations.
#[derive(Debug)]
pub(crate) struct Keepers {
    /// By station; `None` = it keeps none.
    stores: Vec<Option<MailStore>>,
    /// `None` = all is done at once.
    delays: Option<(KeeperDelays, Chance)>,
    /// By station, in the order in which it was asked.
    late: Vec<VecDeque<Late>>,
}

impl Keepers {
    /// Empty mail for each station that keeps some.
    pub(crate) fn new(stations: &[Station]) -> Keepers {
        let store = |station: &Station| {
            let room = station.mail_room()?;
            let mut store = MailStore::in_memory().expect("memory holds a new file");
            store.limit(room.all);
            Some(store)
        };
        Keepers {
            stores: stations.iter().map(store).collect(),
            delays: None,
            late: stations.iter().map(|_| VecDeque::new()).collect(),
        }
    }

    /// From now on what stations ask is done later.
    pub(crate) fn slow_down(&mut self, delays: KeeperDelays, seed: u64) {
        self.delays = Some((delays, Chance::stream(seed, "keepers")));
    }

    /// A station asks. The answer, if it comes at once; otherwise it is [`Keepers::due`] later.
    pub(crate) fn asked(
        &mut self,
        station: &Station,
        number: usize,
        now: Instant,
        (ticket, ask): (u64, Ask),
    ) -> Option<Answer> {
        let Some((delays, chance)) = &mut self.delays else {
            return Some(self.answer(number, station.wall_at(now), ask));
        };
        let takes = match chance.below(delays.one_in.max(1)) {
            0 => delays.seldom,
            _ => delays.most * (chance.below(1000) as u32) / 1000,
        };
        let before = self.late[number].back().map_or(now, |late| late.at);
        let at = before.max(now) + takes;
        self.late[number].push_back(Late { at, ticket, ask });
        None
    }

    /// When the next thing is done that a station has asked.
    pub(crate) fn next_of(&self, station: usize) -> Option<Instant> {
        self.late[station].front().map(|late| late.at)
    }

    /// When the next thing is done, and at which station.
    pub(crate) fn next(&self) -> Option<(Instant, usize)> {
        let stations = 0..self.late.len();
        let all = stations.filter_map(|n| Some((self.next_of(n)?, n)));
        all.min()
    }

    /// Does the next thing that this station has asked: the ticket and the answer.
    pub(crate) fn due(&mut self, station: &Station, number: usize) -> Option<(u64, Answer)> {
        let late = self.late[number].pop_front()?;
        let answer = self.answer(number, station.wall_at(late.at), late.ask);
        Some((late.ticket, answer))
    }

    /// What somebody writes at a station: kept, and the station told of it.
    pub(crate) fn write(
        &mut self,
        number: usize,
        station: &mut Station,
        now: Instant,
        draft: Draft,
    ) -> Result<MessageId, String> {
        let letter = station.letter(now, draft).map_err(|e| e.to_string())?;
        let ask = Ask::Keep(Box::new(letter.clone()));
        match self.answer(number, station.wall_at(now), ask) {
            Answer::Kept => {
                let letter = &letter;
                station.handle(now, Input::MailKept { letter });
                Ok(letter.message.id)
            }
            other => Err(format!("it was not kept: {other:?}")),
        }
    }

    /// Does what a station asks.
    pub(crate) fn answer(&mut self, station: usize, wall: WallTime, ask: Ask) -> Answer {
        match &mut self.stores[station] {
            Some(store) => store.answer(ask, wall),
            None => Answer::Failed {
                words: "this station keeps no mail".into(),
            },
        }
    }
}
