//! The stations, and who keeps their mail and files. What lies between the stations makes no
//! difference here: what a station asks its keepers is done, and only the rest goes to its band.

use dunlin_clock::Instant;
use dunlin_mail::MessageId;
use dunlin_mail::post::{Answer, Ask};
use dunlin_station::{Command, Draft, Input, Output, Refusal, Reply, Station};

use super::{KeeperDelays, Keepers, Shelves, Telling, Told};

/// See the module's description. After each thing that a station is given, whoever has the bands
/// takes all that follows from it with [`Homes::poll`].
#[derive(Debug)]
pub(crate) struct Homes {
    stations: Vec<Station>,
    keepers: Keepers,
    shelves: Shelves,
    told: Telling,
}

impl Homes {
    pub(crate) fn new(stations: Vec<Station>) -> Homes {
        Homes {
            keepers: Keepers::new(&stations),
            shelves: Shelves::new(stations.len()),
            stations,
            told: Telling::new(),
        }
    }

    /// How many there are.
    pub(crate) fn count(&self) -> usize {
        self.stations.len()
    }

    pub(crate) fn station(&self, station: usize) -> &Station {
        &self.stations[station]
    }

    /// Who keeps the files.
    pub(crate) fn shelves(&mut self) -> &mut Shelves {
        &mut self.shelves
    }

    /// The next thing that a station told.
    pub(crate) fn told(&mut self) -> Option<Told> {
        self.told.pop_front()
    }

    /// Gives a station one input.
    pub(crate) fn give(&mut self, station: usize, at: Instant, input: Input<'_>) {
        self.stations[station].handle(at, input);
    }

    /// What a station has next for its band. What it tells is kept, and what it asks its keepers
    /// is done, or begun, on the way.
    pub(crate) fn poll(&mut self, station: usize, at: Instant) -> Option<Output> {
        let machine = &mut self.stations[station];
        while let Some(output) = machine.poll() {
            match output {
                Output::Event(event) => self.told.push_back((station, at, event)),
                Output::Mail { ticket, ask } => {
                    let asked = (ticket, ask);
                    if let Some(answer) = &self.keepers.asked(machine, station, at, asked) {
                        machine.handle(at, Input::MailAnswer { ticket, answer });
                    }
                }
                Output::File { ticket, head, ask } => {
                    let answer = &self.shelves.answer(station, &head, ask);
                    machine.handle(at, Input::FileAnswer { ticket, answer });
                }
                for_band @ (Output::Transmit { .. }
                | Output::SendFrames { .. }
                | Output::OnBand { .. }
                | Output::Release { .. }) => return Some(for_band),
            }
        }
        None
    }

    /// When the next thing is done that a station has asked its keeper of mail.
    pub(crate) fn keeper_of(&self, station: usize) -> Option<Instant> {
        self.keepers.next_of(station)
    }

    /// When the next thing is done that any has asked, and which.
    pub(crate) fn keeper(&self) -> Option<(Instant, usize)> {
        self.keepers.next()
    }

    /// Does the next thing that a station has asked its keeper of mail, and tells it.
    pub(crate) fn keeper_done(&mut self, station: usize, at: Instant) {
        let machine = &mut self.stations[station];
        if let Some((ticket, answer)) = self.keepers.due(machine, station) {
            let answer = &answer;
            machine.handle(at, Input::MailAnswer { ticket, answer });
        }
    }

    /// Whoever keeps mail is slow from now on.
    pub(crate) fn slow_keepers(&mut self, delays: KeeperDelays, seed: u64) {
        self.keepers.slow_down(delays, seed);
    }

    /// Asks the keeper of a station's mail.
    pub(crate) fn ask_keeper(&mut self, station: usize, now: Instant, ask: Ask) -> Answer {
        let wall = self.stations[station].wall_at(now);
        self.keepers.answer(station, wall, ask)
    }

    pub(super) fn command(
        &mut self,
        station: usize,
        now: Instant,
        command: Command,
    ) -> Result<Reply, Refusal> {
        self.stations[station].command(now, command)
    }

    /// What somebody writes at a station: kept, and on its way.
    pub(super) fn write(
        &mut self,
        station: usize,
        now: Instant,
        draft: Draft,
    ) -> Result<MessageId, String> {
        let machine = &mut self.stations[station];
        self.keepers.write(station, machine, now, draft)
    }

    /// Tells a station what happened to its mail.
    pub(super) fn tell_mail(&mut self, station: usize, now: Instant, input: Input<'_>) {
        self.give(station, now, input);
    }
}
