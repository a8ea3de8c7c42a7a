//! The rehearsal: all stations of a scenario on their bands, in virtual time.
//!
//! Time advances in blocks of [`BLOCK`]. In each block, in this order: every station is woken at
//! the exact times that it asked for; the bands carry sound; each station gets the end of its
//! transmission and what it heard; the people look and act. All in a fixed order, with all chance
//! drawn from seeded streams, so the same scenario and seed give the same happenings.

use std::collections::{BTreeMap, VecDeque};

use dunlin_air::{AirError, Band};
use dunlin_clock::{Chance, Duration, Instant, SampleCount};
use dunlin_station::{
    CallSign, Command, ConfigError, CrossingView, Event, Input, Output, PortId, Refusal, Reply,
    Snapshot, Station, TalkLine, TalkView, Urgency, WaysView,
};
use thiserror::Error;

use crate::happening::{Happening, Reception, SentFrame, Sorter, What};
use crate::ledger::{FrameLedger, Ledgered, Question, TalkLedger};
use crate::people::{Act, Person};
use crate::scenario::{Scenario, Seat};

/// The step of virtual time. Commands of people take effect at its end.
pub const BLOCK: Duration = Duration::from_millis(20);
/// Wake-ups of one station in one block; a station that wants more is faulty.
const MOST_WAKEUPS: usize = 1000;
/// Acts of one person in one block; a person that wants more is faulty.
const MOST_ACTS: usize = 100;

/// Why a rehearsal cannot begin. A scenario that was read from a file gives none of these,
/// unless the reader overlooked something.
#[derive(Debug, Error)]
pub enum BeginError {
    /// A band cannot be built.
    #[error("band {band}: {error}")]
    Band {
        /// Its name.
        band: String,
        /// What is wrong.
        error: AirError,
    },
    /// A station cannot be built.
    #[error("station {station}: {error}")]
    Station {
        /// Its call sign.
        station: String,
        /// What is wrong.
        error: ConfigError,
    },
}

/// Something for the outside.
#[derive(Clone, Debug, PartialEq)]
#[allow(clippy::large_enum_variant)] // Short-lived; a box for each would cost more.
pub enum Told {
    /// The operator's own station tells this; in the order in which it happens.
    Operator(Event),
    /// Something happened on the bands; in the order of its time, some seconds late.
    Happened(Happening),
}

/// A rehearsal that is going on.
#[derive(Debug)]
pub struct Rehearsal {
    scenario: Scenario,
    seed: u64,
    now: Instant,
    bands: Vec<Band>,
    stations: Vec<Station>,
    /// By station: the latest moment it was told of; its time must not go back.
    reached: Vec<Instant>,
    people: Vec<Person>,
    frames: FrameLedger,
    talks: TalkLedger,
    sorter: Sorter,
    told: VecDeque<Told>,
    ended: bool,
}

impl Rehearsal {
    /// Everything at its place, time zero. With `operator_seat`, the people who sit at the
    /// operator's own station act too; without, that seat is left to a living operator.
    ///
    /// # Errors
    /// A band or station that cannot be built.
    pub fn begin(
        mut scenario: Scenario,
        seed: u64,
        operator_seat: bool,
    ) -> Result<Rehearsal, BeginError> {
        if !operator_seat {
            scenario.people.retain(|p| p.station != scenario.operator);
        }
        let mut bands = Vec::new();
        for config in &mut scenario.bands {
            config.seed = seed;
            let name = config.name.clone();
            let band = Band::new(config).map_err(|error| BeginError::Band { band: name, error })?;
            bands.push(band);
        }
        let mut stations = Vec::new();
        for member in &mut scenario.stations {
            let call = member.config.call.to_string();
            member.config.seed = Chance::stream(seed, &format!("station/{call}")).bits();
            let station =
                Station::new(member.config.clone()).map_err(|error| BeginError::Station {
                    station: call,
                    error,
                })?;
            stations.push(station);
        }
        let people = scenario
            .people
            .iter()
            .map(|p| Person::new(p.clone(), seed))
            .collect();
        Ok(Rehearsal {
            frames: FrameLedger::new(reach(&scenario, &bands)),
            talks: TalkLedger::default(),
            sorter: Sorter::default(),
            told: VecDeque::new(),
            now: Instant::ZERO,
            ended: false,
            scenario,
            seed,
            bands,
            reached: vec![Instant::ZERO; stations.len()],
            stations,
            people,
        })
    }

    /// The scenario.
    pub fn scenario(&self) -> &Scenario {
        &self.scenario
    }

    /// The seed.
    pub fn seed(&self) -> u64 {
        self.seed
    }

    /// The time reached.
    pub fn now(&self) -> Instant {
        self.now
    }

    /// The people, in the order of the scenario.
    pub fn people(&self) -> &[Person] {
        &self.people
    }

    /// The fate of all frames.
    pub fn frames(&self) -> &FrameLedger {
        &self.frames
    }

    /// All talks and crossings.
    pub fn talks(&self) -> &TalkLedger {
        &self.talks
    }

    /// Lets one [`BLOCK`] of time pass.
    pub fn step(&mut self) {
        let until = self.now + BLOCK;
        for station in 0..self.stations.len() {
            self.wake(station, until);
        }
        for band in 0..self.bands.len() {
            let target = self.bands[band]
                .rate()
                .samples_in(until.since(Instant::ZERO));
            let n = target.saturating_sub(self.bands[band].now().0);
            self.bands[band].step(usize::try_from(n).unwrap_or(0));
        }
        for station in 0..self.stations.len() {
            self.hear(station, until);
        }
        self.now = until;
        for person in 0..self.people.len() {
            self.let_act(person);
        }
        self.judge_frames();
        self.tell(false);
    }

    /// The operator asks for something at [`Rehearsal::now`].
    ///
    /// # Errors
    /// What the station refuses, with the reason.
    pub fn command(&mut self, command: Command) -> Result<Reply, Refusal> {
        let operator = self.scenario.operator;
        let answer = self.stations[operator].command(self.now, command);
        self.drain(operator, self.now);
        answer
    }

    /// The operator's station as it stands.
    pub fn snapshot(&self) -> Snapshot {
        self.stations[self.scenario.operator].snapshot(self.now)
    }

    /// What the operator's station knows of the ways to another.
    pub fn ways_to(&self, to: CallSign) -> WaysView {
        self.stations[self.scenario.operator].ways_to(self.now, to)
    }

    /// The next thing for the outside.
    pub fn poll(&mut self) -> Option<Told> {
        self.told.pop_front()
    }

    /// Ends the rehearsal: hands out what was held back. Frames of the last seconds stay without
    /// judgement.
    pub fn end(&mut self) {
        if std::mem::replace(&mut self.ended, true) {
            return;
        }
        self.tell(true);
    }

    fn judge_frames(&mut self) {
        let (bands, stations) = (&self.bands, &self.scenario.stations);
        let air = |q: Question| {
            let band = &bands[q.band];
            let place = |station: usize| {
                let seat = stations[station].seats.iter().find(|s| s.band == q.band);
                seat.map_or(usize::MAX, |s| s.place)
            };
            let sample = |ms| SampleCount(band.rate().samples_in(Duration::from_millis(ms)));
            band.reception(
                place(q.from),
                place(q.to),
                sample(q.start_ms)..sample(q.end_ms),
            )
        };
        self.frames.advance(self.now, &air);
    }

    /// Wakes a station at each time that it asks for, up to `until`.
    fn wake(&mut self, station: usize, until: Instant) {
        for _ in 0..MOST_WAKEUPS {
            let Some((at, _)) = self.stations[station].next_wakeup() else {
                return;
            };
            if at >= until {
                return;
            }
            self.give(station, at, Input::Wakeup);
        }
    }

    /// Gives a station the ends of its transmissions and what it heard.
    fn hear(&mut self, station: usize, until: Instant) {
        for port in 0..self.scenario.stations[station].seats.len() {
            let Seat { band, place } = self.scenario.stations[station].seats[port];
            let ended = self.bands[band]
                .finished()
                .iter()
                .find(|t| t.station == place);
            if let Some(end) = ended.map(|t| t.end) {
                let at = moment(&self.bands[band], end);
                self.give(
                    station,
                    at,
                    Input::Transmitted {
                        port: port_id(port),
                    },
                );
            }
        }
        for port in 0..self.scenario.stations[station].seats.len() {
            let Seat { band, place } = self.scenario.stations[station].seats[port];
            let samples = self.bands[band].heard(place);
            let input = Input::Samples {
                port: port_id(port),
                samples,
            };
            self.reached[station] = until;
            self.stations[station].handle(until, input);
            self.drain(station, until);
        }
    }

    /// Gives a station one input, and carries out what it puts out.
    fn give(&mut self, station: usize, at: Instant, input: Input<'_>) {
        let at = at.max(self.reached[station]);
        self.reached[station] = at;
        self.stations[station].handle(at, input);
        self.drain(station, at);
    }

    /// Carries out all that a station puts out at `at`.
    fn drain(&mut self, station: usize, at: Instant) {
        while let Some(output) = self.stations[station].poll() {
            match output {
                Output::Transmit { port, samples } => self.transmit(station, port, samples, at),
                Output::Event(event) => self.event(station, event, at),
                // No port of a rehearsal has a controller, and nothing is cut short on
                // simulated bands.
                Output::SendFrames { .. } | Output::Release { .. } => {}
            }
        }
    }

    fn transmit(&mut self, station: usize, port: PortId, samples: Vec<f32>, at: Instant) {
        let Seat { band, place } = self.scenario.stations[station].seats[usize::from(port.0)];
        let air = &mut self.bands[band];
        let start = air.rate().samples_in(at.since(Instant::ZERO));
        let delay = u32::try_from(start.saturating_sub(air.now().0)).unwrap_or(0);
        // The place exists, and the engine's transmissions are far shorter than the air's limit.
        let keyed = air.key_after(place, delay, samples);
        debug_assert!(keyed.is_ok(), "{keyed:?}");
    }

    /// Shows an event to all who see that station: ledgers, people, the outside.
    fn event(&mut self, station: usize, event: Event, at: Instant) {
        match &event {
            Event::Block(block) => {
                let seat = self.scenario.stations[station].seats[usize::from(block.port.0)];
                self.frames.block(seat.band, station, block);
            }
            Event::Talk(talk) => self.see_talk(station, talk, at),
            Event::TalkLine(line) => self.see_line(station, line),
            Event::Crossing(crossing) => self.see_crossing(station, crossing, at),
            Event::Note(note) if note.urgency == Urgency::Attention => {
                let what = What::Note {
                    station: self.call(station),
                    band: note
                        .port
                        .map_or(String::new(), |port| self.band_name(station, port)),
                    note: note.clone(),
                };
                self.sorter.put(Happening {
                    at_ms: note.at_ms,
                    what,
                });
            }
            Event::Port(_) | Event::Heard(_) | Event::TalkGone(_) | Event::Note(_) => {}
            Event::Gate(_) | Event::Stops(_) | Event::Alarm(_) | Event::Reject(_) => {}
        }
        for person in &mut self.people {
            if person.plan().station == station {
                person.notice(at, &event);
            }
        }
        if station == self.scenario.operator {
            self.told.push_back(Told::Operator(event));
        }
    }

    fn see_talk(&mut self, station: usize, talk: &TalkView, at: Instant) {
        if self.talks.talk(station, talk) {
            let what = What::Talk {
                station: self.call(station),
                band: self.band_name(station, talk.port),
                talk: talk.clone(),
            };
            self.sorter.put(Happening {
                at_ms: at.as_millis(),
                what,
            });
        }
    }

    fn see_line(&mut self, station: usize, line: &TalkLine) {
        let whole = self.talks.line(station, line);
        if !whole || line.direction == dunlin_station::Direction::Sent {
            return;
        }
        let Some(talk) = self.talks.get(station, line.talk) else {
            return;
        };
        let what = What::Said {
            band: self.band_name(station, talk.view.port),
            from: talk.view.remote.to_string(),
            to: talk.view.local.to_string(),
            text: line.text.clone(),
        };
        self.sorter.put(Happening {
            at_ms: line.at_ms,
            what,
        });
    }

    fn see_crossing(&mut self, station: usize, crossing: &CrossingView, at: Instant) {
        if self.talks.crossing(at.as_millis(), station, crossing) {
            let what = What::Crossing {
                station: self.call(station),
                crossing: crossing.clone(),
            };
            self.sorter.put(Happening {
                at_ms: at.as_millis(),
                what,
            });
        }
    }

    /// Lets a person do what it wants to do now.
    fn let_act(&mut self, person: usize) {
        for _ in 0..MOST_ACTS {
            let due = self.people[person]
                .next_wakeup()
                .is_some_and(|at| at <= self.now);
            if due {
                self.people[person].wake(self.now);
            }
            let Some(act) = self.people[person].poll() else {
                if due {
                    continue;
                }
                return;
            };
            self.carry_out(person, act);
        }
    }

    fn carry_out(&mut self, person: usize, act: Act) {
        let station = self.people[person].plan().station;
        match act {
            Act::Ask(command) => {
                let answer = self.stations[station].command(self.now, command);
                self.people[person].answered(self.now, &answer);
                self.drain(station, self.now);
            }
            Act::Remark(text) => {
                let what = What::Deed {
                    person: self.people[person].plan().name.clone(),
                    station: self.call(station),
                    text,
                };
                self.sorter.put(Happening {
                    at_ms: self.now.as_millis(),
                    what,
                });
            }
        }
    }

    /// Moves what is judged into the sorter and what is ripe out of it.
    fn tell(&mut self, all: bool) {
        while let Some(judged) = self.frames.poll() {
            let happening = self.happening(judged);
            self.sorter.put(happening);
        }
        let next = |sorter: &mut Sorter| {
            if all {
                sorter.take_any()
            } else {
                sorter.take(self.now)
            }
        };
        while let Some(happening) = next(&mut self.sorter) {
            self.told.push_back(Told::Happened(happening));
        }
    }

    fn happening(&self, judged: Ledgered) -> Happening {
        match judged {
            Ledgered::Sent {
                band,
                station,
                block,
                fates,
            } => {
                let reception = |fate: &crate::ledger::Fate| Reception {
                    station: self.call(fate.station),
                    lost: fate.lost,
                    overlapped: fate.overlapped,
                };
                let what = What::Frame(SentFrame {
                    end_ms: block.end_ms.unwrap_or(block.start_ms),
                    band: self.scenario.bands[band].name.clone(),
                    station: self.call(station),
                    from: block.from,
                    to: block.to,
                    via: block.via,
                    kind: block.what,
                    text: block.text,
                    octets: hex(&block.octets),
                    receptions: fates.iter().map(reception).collect(),
                });
                Happening {
                    at_ms: block.start_ms,
                    what,
                }
            }
            Ledgered::NobodySent {
                band,
                station,
                block,
            } => {
                let what = What::NobodySent {
                    band: self.scenario.bands[band].name.clone(),
                    station: self.call(station),
                    text: block.text,
                };
                Happening {
                    at_ms: block.start_ms,
                    what,
                }
            }
        }
    }

    fn call(&self, station: usize) -> String {
        self.scenario.stations[station].config.call.to_string()
    }

    fn band_name(&self, station: usize, port: PortId) -> String {
        let seat = self.scenario.stations[station].seats[usize::from(port.0)];
        self.scenario.bands[seat.band].name.clone()
    }
}

/// By band and sender: the stations that its signal reaches at all.
fn reach(scenario: &Scenario, bands: &[Band]) -> Vec<BTreeMap<usize, Vec<usize>>> {
    let mut reach = vec![BTreeMap::new(); bands.len()];
    let seats = |station: usize| scenario.stations[station].seats.iter().copied();
    for from in 0..scenario.stations.len() {
        for Seat { band, place } in seats(from) {
            let hears = |to: usize| {
                seats(to).any(|s| s.band == band && bands[band].level_db(place, s.place).is_some())
            };
            let receivers = (0..scenario.stations.len())
                .filter(|&to| hears(to))
                .collect();
            reach[band].insert(from, receivers);
        }
    }
    reach
}

/// When sample number `count` of a band begins.
fn moment(band: &Band, count: SampleCount) -> Instant {
    Instant::ZERO + band.rate().duration_of(count.0)
}

fn port_id(port: usize) -> PortId {
    PortId(u8::try_from(port).unwrap_or(u8::MAX))
}

fn hex(octets: &[u8]) -> String {
    use std::fmt::Write;
    let mut text = String::with_capacity(octets.len() * 2);
    for octet in octets {
        let _ = write!(text, "{octet:02x}"); // Writing to a string cannot fail.
    }
    text
}
