//! The mail of the stations, for whoever turns a rehearsal.

use dunlin_clock::WallTime;
use dunlin_mail::MessageId;
use dunlin_mail::post::{Answer, Ask, Letter};
use dunlin_station::{Draft, DraftError, FormalDraft, FormalReckoning, Input, Reckoning};

use super::Rehearsal;
use crate::world::KeeperDelays;

impl Rehearsal {
    /// Somebody writes a message at a station, by its number in the scenario.
    ///
    /// # Errors
    /// Why it was not taken, in words.
    pub fn write(&mut self, station: usize, draft: Draft) -> Result<MessageId, String> {
        let written = self.world.on_bands_mut().write(station, self.now, draft);
        self.take_events();
        written
    }

    /// Asks whoever keeps the mail of a station, by its number in the scenario.
    pub fn ask_mail(&mut self, station: usize, ask: Ask) -> Answer {
        let homes = self.world.on_bands_mut().homes_mut();
        homes.ask_keeper(station, self.now, ask)
    }

    /// From now on whoever keeps the mail of a station takes a while for each thing that the station asks.
    /// [`Rehearsal::write`] and [`Rehearsal::ask_mail`] are done at once all the same.
    pub fn slow_keepers(&mut self, delays: KeeperDelays) {
        let homes = self.world.on_bands_mut().homes_mut();
        homes.slow_keepers(delays, self.seed);
    }

    /// What a draft of the operator would cost if it were sent now.
    ///
    /// # Errors
    /// What is wrong with the draft.
    pub fn reckon(&self, draft: Draft) -> Result<Reckoning, DraftError> {
        self.operator().reckon(self.now, draft)
    }

    /// Counts a radiogram of the operator as it stands, and says what it would cost.
    ///
    /// # Errors
    /// The operator's station keeps no mail.
    pub fn reckon_formal(&self, draft: FormalDraft) -> Result<FormalReckoning, DraftError> {
        self.operator().reckon_formal(self.now, draft)
    }

    /// A radiogram of the operator with its number, as a draft.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn formal_draft(&self, number: u32, draft: FormalDraft) -> Result<Draft, DraftError> {
        self.operator().formal_draft(self.now, number, draft)
    }

    /// Civil time at the operator's station.
    pub fn wall(&self) -> WallTime {
        self.operator().wall_at(self.now)
    }

    /// Tells the operator's station that a letter may wait for partners from now on.
    pub fn mail_kept(&mut self, letter: &Letter) {
        let operator = self.scenario.operator;
        self.world
            .on_bands_mut()
            .tell_mail(operator, self.now, Input::MailKept { letter });
        self.take_events();
    }

    /// Tells the operator's station that its operator has changed what is kept.
    pub fn mail_touched(&mut self) {
        let operator = self.scenario.operator;
        self.world
            .on_bands_mut()
            .tell_mail(operator, self.now, Input::MailTouched);
        self.take_events();
    }
}
