//! What a rehearsal comes to: frames, talks, text, people and promises.

use dunlin_ax25::CallSign;
use dunlin_clock::Instant;
use dunlin_station::{Direction, TalkState};
use serde::Serialize;

use crate::driver::Rehearsal;
use crate::ledger::{Delivery, TalkRecord, Tally};
use crate::promises::{Verdict, judge};

/// The whole of it. In JSON it is the last line, tagged `"happening": "summary"`.
#[derive(Clone, Debug, Serialize)]
pub struct Summary {
    /// Title of the scenario.
    pub title: String,
    /// The seed.
    pub seed: u64,
    /// How long it took in its own time, ms.
    pub lasted_ms: u64,
    /// How many stations took part.
    pub stations: usize,
    /// Band by band.
    pub bands: Vec<BandSummary>,
    /// Frames read that nobody sent.
    pub nobody_sent: u64,
    /// Talks, each told once, from the station that called; by time.
    pub talks: Vec<TalkSummary>,
    /// Talks that were too many to keep.
    pub talks_forgotten: u64,
    /// Their text, compared end to end; by time.
    pub deliveries: Vec<Delivery>,
    /// The people who do something of themselves.
    pub people: Vec<PersonSummary>,
    /// The promises.
    pub promises: Vec<Verdict>,
    /// All promises were kept.
    pub kept: bool,
}

/// One band.
#[derive(Clone, Debug, Serialize)]
pub struct BandSummary {
    /// Its name.
    pub name: String,
    /// Its frames.
    pub frames: Tally,
    /// Frames of the last seconds, which nobody could judge yet.
    pub open: u64,
}

/// One talk.
#[derive(Clone, Debug, Serialize)]
pub struct TalkSummary {
    /// When it was opened, ms.
    pub opened_ms: u64,
    /// How long it lasted, ms; up to the end of the rehearsal if it goes on.
    pub lasted_ms: u64,
    /// Band of the caller.
    pub band: String,
    /// The caller.
    pub from: CallSign,
    /// The one called.
    pub to: CallSign,
    /// Digipeaters on the way.
    pub via: String,
    /// It was answered.
    pub answered: bool,
    /// It has ended.
    pub ended: bool,
    /// Octets written by the caller and acknowledged.
    pub there: usize,
    /// Octets that came back.
    pub back: usize,
    /// How it ended or stands, in words.
    pub words: String,
}

/// One person.
#[derive(Clone, Debug, Serialize)]
pub struct PersonSummary {
    /// Name.
    pub name: String,
    /// The station at which it sits.
    pub station: String,
    /// How often it came to the end of what it does.
    pub finished: u64,
    /// How often it gave up.
    pub gave_up: u64,
}

impl Summary {
    /// Of a rehearsal as it stands; call [`Rehearsal::end`] first. Promises are left out unless
    /// they are to be `judged`: they are made for all seats being taken by people of the scenario.
    pub fn of(rehearsal: &Rehearsal, judged: bool) -> Summary {
        let scenario = rehearsal.scenario();
        let bands = scenario
            .bands
            .iter()
            .enumerate()
            .map(|(number, band)| BandSummary {
                name: band.name.clone(),
                frames: rehearsal.frames().tally(number),
                open: rehearsal.frames().open(number),
            });
        let outgoing = rehearsal
            .talks()
            .talks()
            .filter(|(_, talk)| !talk.view.incoming);
        let mut talks: Vec<TalkSummary> = outgoing
            .map(|(station, talk)| talk_summary(rehearsal, station, talk))
            .collect();
        talks.sort_by_key(|t| t.opened_ms);
        let mut deliveries = rehearsal.talks().deliveries(scenario);
        deliveries.sort_by_key(|d| d.opened_ms);
        let active = rehearsal
            .people()
            .iter()
            .filter(|p| !p.plan().does.is_empty());
        let people = active.map(|p| PersonSummary {
            name: p.plan().name.clone(),
            station: scenario.stations[p.plan().station].config.call.to_string(),
            finished: p.finished(),
            gave_up: p.gave_up(),
        });
        let promises = if judged { judge(rehearsal) } else { Vec::new() };
        Summary {
            title: scenario.title.clone(),
            seed: rehearsal.seed(),
            lasted_ms: rehearsal.now().as_millis(),
            stations: scenario.stations.len(),
            bands: bands.collect(),
            nobody_sent: rehearsal.frames().nobody_sent(),
            talks,
            talks_forgotten: rehearsal.talks().forgotten(),
            deliveries,
            people: people.collect(),
            kept: promises.iter().all(|p| p.kept),
            promises,
        }
    }
}

fn talk_summary(rehearsal: &Rehearsal, station: usize, talk: &TalkRecord) -> TalkSummary {
    let view = &talk.view;
    let ended = view.state == TalkState::Ended;
    let end = if ended {
        view.since_ms
    } else {
        rehearsal.now().as_millis()
    };
    let scenario = rehearsal.scenario();
    let seat = scenario.stations[station].seats[usize::from(view.port.0)];
    let via: Vec<String> = view.via.iter().map(CallSign::to_string).collect();
    TalkSummary {
        opened_ms: view.opened_ms,
        lasted_ms: Instant::from_millis(end)
            .since(Instant::from_millis(view.opened_ms))
            .as_millis() as u64,
        band: scenario.bands[seat.band].name.clone(),
        from: view.local,
        to: view.remote,
        via: via.join(" "),
        answered: talk.open_ms.is_some(),
        ended,
        there: talk.octets(Direction::Sent).len(),
        back: talk.octets(Direction::Received).len(),
        words: view.words.clone(),
    }
}
