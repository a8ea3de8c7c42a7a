//! The end of the station: talks and exchanges of mail are closed first, as far as the other side answers.

use dunlin_clock::{Duration, Instant};
use dunlin_rig::SoundPort;
use dunlin_station::{Command, TalkState, Urgency};

use super::Driver;
use crate::run::say;

/// Time that talks get to close when the station stops.
pub(super) const FAREWELL: Duration = Duration::from_secs(20);
/// How often the driver looks whether everything is closed.
const LOOK_CLOSED: Duration = Duration::from_millis(200);

/// How far the station has stopped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ending {
    /// It runs.
    Not,
    /// Talks are being closed; looked at again at `look`, given up at `limit`.
    Closing {
        /// When to look again.
        look: Instant,
        /// When to give up.
        limit: Instant,
    },
    /// It is over.
    Over,
}

impl<S: SoundPort> Driver<S> {
    /// Closes all talks, crossings and exchanges of mail; asked a second time, ends at once.
    pub(super) fn farewell(&mut self, now: Instant) {
        if self.ending != Ending::Not {
            self.ending = Ending::Over;
            return;
        }
        let snapshot = self.station.snapshot(now);
        for crossing in snapshot.crossings.iter().filter(|c| !c.ended) {
            let crossing = crossing.id;
            // Refused only if it has ended meanwhile.
            let _ = self.command(now, Command::CutCrossing { crossing });
        }
        for partner in snapshot.partners.iter().filter(|p| p.exchanging) {
            let (partner, why) = (partner.call, "the station stops".to_owned());
            let _ = self.command(now, Command::EndPartner { partner, why });
        }
        let open = snapshot
            .talks
            .iter()
            .filter(|t| t.state != TalkState::Ended);
        let talks: Vec<_> = open.map(|t| t.id).collect();
        for &talk in &talks {
            let _ = self.command(now, Command::CloseTalk { talk });
        }
        say(&format!(
            "Stopping: {} talks to close. Ctrl-C again stops at once.",
            talks.len()
        ));
        // A station that may not transmit cannot close anything.
        let limit = match snapshot.stops.iter().any(|stop| stop.port.is_none()) {
            true => now,
            false => now + FAREWELL,
        };
        self.ending = Ending::Closing { look: now, limit };
    }

    pub(super) fn look_whether_closed(&mut self, now: Instant) {
        let Ending::Closing { look, limit } = self.ending else {
            return;
        };
        if now < look {
            return;
        }
        let snapshot = self.station.snapshot(now);
        let closed = snapshot.talks.iter().all(|t| t.state == TalkState::Ended)
            && snapshot.crossings.iter().all(|c| c.ended)
            && self.station.exchanges_open() == 0
            && self.ports.iter().all(|p| !p.is_sending());
        if !closed && now < limit {
            self.ending = Ending::Closing {
                look: now + LOOK_CLOSED,
                limit,
            };
            return;
        }
        if !closed {
            let text = "stopped before every talk was closed: the other side did not answer";
            self.note(now, None, Urgency::Attention, text.into());
        }
        self.ending = Ending::Over;
    }
}
