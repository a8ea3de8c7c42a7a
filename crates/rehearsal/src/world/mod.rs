//! The stations of a rehearsal and what lies between them, with sound or with whole frames. Both
//! hand every input to the same engine and tell what the stations tell.

mod frames;
mod homes;
mod keepers;
pub(crate) mod measured;
mod shelves;
mod sound;

use std::collections::VecDeque;

use dunlin_air::Reception;
use dunlin_clock::Instant;
use dunlin_mail::MessageId;
use dunlin_station::{Command, Draft, Event, Input, PortId, Refusal, Reply};

use crate::ledger::Question;
pub(crate) use frames::FrameWorld;
pub(crate) use homes::Homes;
pub use keepers::KeeperDelays;
use keepers::Keepers;
pub use measured::Fidelity;
pub(crate) use measured::{frame_band, without_modem};
pub(crate) use shelves::Shelves;
pub(crate) use sound::SoundWorld;

/// Wake-ups of one station without time passing; a station that wants more is faulty.
const MOST_WAKEUPS: usize = 1000;

/// Stations on bands, whatever these carry.
pub(crate) trait OnBands {
    fn homes(&self) -> &Homes;

    /// For what makes no station put anything out.
    fn homes_mut(&mut self) -> &mut Homes;

    /// Carries out all that a station puts out at `at`.
    fn drain(&mut self, station: usize, at: Instant);

    /// What became of a transmission at a station.
    fn reception(&self, q: Question) -> Reception;

    fn command(
        &mut self,
        station: usize,
        now: Instant,
        command: Command,
    ) -> Result<Reply, Refusal> {
        let answer = self.homes_mut().command(station, now, command);
        self.drain(station, now);
        answer
    }

    /// What somebody writes at a station: kept, and on its way.
    fn write(&mut self, station: usize, now: Instant, draft: Draft) -> Result<MessageId, String> {
        let written = self.homes_mut().write(station, now, draft);
        self.drain(station, now);
        written
    }

    /// Tells a station what happened to its mail.
    fn tell_mail(&mut self, station: usize, now: Instant, input: Input<'_>) {
        self.homes_mut().tell_mail(station, now, input);
        self.drain(station, now);
    }
}

/// What a station tells, and when.
pub(crate) type Told = (usize, Instant, Event);

/// What stations have told and nobody has taken yet.
type Telling = VecDeque<Told>;

fn port_id(port: usize) -> PortId {
    PortId(u8::try_from(port).unwrap_or(u8::MAX))
}
