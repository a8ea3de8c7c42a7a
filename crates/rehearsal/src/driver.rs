//! The rehearsal: all stations of a scenario on their bands, in virtual time.
//!
//! With sound, time advances in blocks of [`BLOCK`]; at the end of each the people look and act.
//! With whole frames it jumps from event to event, and the people act when they want to. All in a
//! fixed order, with all chance drawn from seeded streams, so the same scenario, seed and fidelity
//! give the same happenings.

mod mail;

use std::collections::VecDeque;

use dunlin_air::{AirError, Band};
use dunlin_clock::{Chance, Duration, Instant};
use dunlin_station::{
    CallSign, Command, ConfigError, CrossingView, Event, PortId, Refusal, Reply, Snapshot, Station,
    TalkLine, TalkView, Urgency, WaysView,
};
use thiserror::Error;

use crate::beginning::{bands, reach, station};
use crate::happening::{Happening, Reception, SentFrame, Sorter, What};
use crate::ledger::{FrameLedger, Ledgered, Question, TalkLedger};
use crate::people::{Act, Person};
use crate::scenario::Scenario;
use crate::world::{Fidelity, FrameWorld, OnBands, Shelves, SoundWorld, frame_band, without_modem};

/// The step of virtual time. Commands of people take effect at its end.
pub const BLOCK: Duration = Duration::from_millis(20);
/// Acts of one person at one moment; a person that wants more is faulty.
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

/// The stations and their bands, as the fidelity wants them.
#[derive(Debug)]
#[allow(clippy::large_enum_variant)] // There is one of it.
enum World {
    Sound(SoundWorld),
    Frames(FrameWorld),
}

impl World {
    fn on_bands(&self) -> &dyn OnBands {
        match self {
            World::Sound(world) => world,
            World::Frames(world) => world,
        }
    }

    fn on_bands_mut(&mut self) -> &mut dyn OnBands {
        match self {
            World::Sound(world) => world,
            World::Frames(world) => world,
        }
    }
}

/// A rehearsal that is going on.
#[derive(Debug)]
pub struct Rehearsal {
    scenario: Scenario,
    seed: u64,
    now: Instant,
    world: World,
    people: Vec<Person>,
    /// By person: before this it does nothing more.
    rests: Vec<Instant>,
    frames: FrameLedger,
    talks: TalkLedger,
    sorter: Sorter,
    told: VecDeque<Told>,
    ended: bool,
}

impl Rehearsal {
    /// Everything at its place, time zero, with sound. With `operator_seat`, the people who sit at
    /// the operator's own station act too; without, that seat is left to a living operator.
    ///
    /// # Errors
    /// A band or station that cannot be built.
    pub fn begin(
        scenario: Scenario,
        seed: u64,
        operator_seat: bool,
    ) -> Result<Rehearsal, BeginError> {
        Rehearsal::begin_at(scenario, seed, operator_seat, Fidelity::Sound)
    }

    /// As [`Rehearsal::begin`], at this fidelity.
    ///
    /// # Errors
    /// A band or station that cannot be built.
    pub fn begin_at(
        mut scenario: Scenario,
        seed: u64,
        operator_seat: bool,
        fidelity: Fidelity,
    ) -> Result<Rehearsal, BeginError> {
        if !operator_seat {
            scenario.people.retain(|p| p.station != scenario.operator);
        }
        for config in &mut scenario.bands {
            config.seed = seed;
        }
        for member in &mut scenario.stations {
            let call = member.config.call.to_string();
            member.config.seed = Chance::stream(seed, &format!("station/{call}")).bits();
            if let Some(mail) = &mut member.config.mail {
                mail.salt = Chance::stream(seed, &format!("mail/{call}")).bits();
            }
            if fidelity == Fidelity::Frame {
                without_modem(&mut member.config);
            }
        }
        let stations = scenario
            .stations
            .iter()
            .map(station)
            .collect::<Result<_, _>>()?;
        let seats = scenario.stations.iter().map(|m| m.seats.clone()).collect();
        let people = scenario.people.iter();
        let people: Vec<Person> = people.map(|p| Person::new(p.clone(), seed)).collect();
        let world = match fidelity {
            Fidelity::Sound => {
                let bands = bands(&scenario, |n| Band::new(&scenario.bands[n]))?;
                World::Sound(SoundWorld::new(bands, stations, seats))
            }
            Fidelity::Frame => {
                let bands = bands(&scenario, |n| frame_band(&scenario, n))?;
                World::Frames(FrameWorld::new(bands, stations, seats))
            }
        };
        let mut rehearsal = Rehearsal {
            frames: FrameLedger::new(reach(&scenario)),
            talks: TalkLedger::default(),
            sorter: Sorter::default(),
            told: VecDeque::new(),
            now: Instant::ZERO,
            ended: false,
            scenario,
            seed,
            world,
            rests: vec![Instant::ZERO; people.len()],
            people,
        };
        rehearsal.stock_shelves();
        Ok(rehearsal)
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
        self.advance(self.now + BLOCK);
    }

    /// Lets time pass up to `until`: with sound in as many blocks as that takes, the last of them
    /// perhaps beyond it; with whole frames from event to event.
    pub fn advance(&mut self, until: Instant) {
        match &self.world {
            World::Sound(_) => {
                while self.now < until {
                    self.block();
                    self.judge_frames();
                    self.tell(false);
                }
            }
            World::Frames(_) => {
                self.jump(until);
                self.judge_frames();
                self.tell(false);
            }
        }
    }

    /// The operator asks for something at [`Rehearsal::now`].
    ///
    /// # Errors
    /// What the station refuses, with the reason.
    pub fn command(&mut self, command: Command) -> Result<Reply, Refusal> {
        let answer = self.ask(self.scenario.operator, command);
        self.take_events();
        answer
    }

    /// Somebody asks for something at a station, by its number in the scenario.
    ///
    /// # Errors
    /// What the station refuses, with the reason.
    pub fn command_at(&mut self, station: usize, command: Command) -> Result<Reply, Refusal> {
        let answer = self.ask(station, command);
        self.take_events();
        answer
    }

    /// The operator's station as it stands.
    pub fn snapshot(&self) -> Snapshot {
        self.operator().snapshot(self.now)
    }

    /// What the operator's station knows of the ways to another.
    pub fn ways_to(&self, to: CallSign) -> WaysView {
        self.operator().ways_to(self.now, to)
    }

    pub(crate) fn operator(&self) -> &Station {
        self.station(self.scenario.operator)
    }

    /// A station as it stands, by its number in the scenario.
    pub fn snapshot_of(&self, station: usize) -> Snapshot {
        self.station(station).snapshot(self.now)
    }

    /// Who keeps the files of all stations.
    pub(crate) fn shelves(&mut self) -> &mut Shelves {
        self.world.on_bands_mut().homes_mut().shelves()
    }

    fn station(&self, station: usize) -> &Station {
        self.world.on_bands().homes().station(station)
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

    /// One block with sound.
    fn block(&mut self) {
        let until = self.now + BLOCK;
        if let World::Sound(world) = &mut self.world {
            world.block(until);
        }
        self.take_events();
        self.now = until;
        for person in 0..self.people.len() {
            self.let_act(person);
        }
    }

    /// From event to event up to `until`.
    fn jump(&mut self, until: Instant) {
        loop {
            let World::Frames(world) = &mut self.world else {
                return;
            };
            let people = self.people.iter().zip(&self.rests).enumerate();
            let person = people
                .filter_map(|(n, (p, rests))| Some((p.next_wakeup()?.max(*rests), n)))
                .min();
            let next = world.next();
            match (next, person) {
                (Some(at), person) if at <= until && person.is_none_or(|p| at <= p.0) => {
                    world.step();
                    self.now = at;
                    self.take_events();
                    // Whoever noticed something may want something at once.
                    for person in 0..self.people.len() {
                        self.let_act(person);
                    }
                }
                (_, Some((at, person))) if at <= until => {
                    self.now = at.max(self.now);
                    self.let_act(person);
                    if self.is_due(person) {
                        self.rests[person] = self.now + BLOCK;
                    }
                }
                _ => break,
            }
        }
        self.now = until;
    }

    fn ask(&mut self, station: usize, command: Command) -> Result<Reply, Refusal> {
        self.world
            .on_bands_mut()
            .command(station, self.now, command)
    }

    /// Shows all that the stations have told.
    fn take_events(&mut self) {
        while let Some((station, at, event)) = self.world.on_bands_mut().homes_mut().told() {
            self.event(station, event, at);
        }
    }

    fn judge_frames(&mut self) {
        let world = self.world.on_bands();
        let air = |q: Question| world.reception(q);
        self.frames.advance(self.now, &air);
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
            Event::File(_) | Event::Partner(_) | Event::MailChanged => {}
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

    fn is_due(&self, person: usize) -> bool {
        let wants = self.people[person].next_wakeup();
        wants.is_some_and(|at| at <= self.now)
    }

    /// Lets a person do what it wants to do now.
    fn let_act(&mut self, person: usize) {
        for _ in 0..MOST_ACTS {
            let due = self.is_due(person);
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
                let answer = self.ask(station, command);
                self.people[person].answered(self.now, &answer);
                self.take_events();
            }
            Act::Write(draft) => {
                let written = self.write(station, draft);
                self.people[person].has_written(self.now, &written);
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

fn hex(octets: &[u8]) -> String {
    use std::fmt::Write;
    let mut text = String::with_capacity(octets.len() * 2);
    for octet in octets {
        let _ = write!(text, "{octet:02x}"); // Writing to a string cannot fail.
    }
    text
}
