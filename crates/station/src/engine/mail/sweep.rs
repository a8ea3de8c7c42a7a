//! What has waited for too long ends, and what is old goes: the keeper of the mail is asked for it once an hour.

use dunlin_clock::{Duration, Instant};
use dunlin_mail::post::{Answer, Ask, Head};

use super::For;
use crate::engine::Station;
use crate::event::{Event, Urgency};
use crate::gate::AlarmKind;

/// How often. The first time is so long after the start, too: by then a machine without a clock of its own has mostly
/// got the time from elsewhere. This run keeps the time with which it began, so what the clock says then is of no use
/// to it; but whoever drives the station sees the difference, and tells by
/// [`Input::ClockWrong`](crate::Input::ClockWrong). From then on nothing is swept.
const EVERY: Duration = Duration::from_secs(3600);
/// While there is more, between two lots: whoever else wants the mail has its turn.
const BETWEEN: Duration = Duration::from_secs(10);

impl Station {
    pub(super) fn begin_sweeps(&mut self) {
        self.post.sweep_due = Some(Instant::ZERO + EVERY);
    }

    /// Asks for a sweep if one is due.
    pub(super) fn sweep_if_due(&mut self, now: Instant) {
        let Some(keeping) = self.config.mail.as_ref().map(|mail| mail.keeping) else {
            return;
        };
        if self.post.sweep_due.is_some_and(|due| due <= now) {
            self.post.sweep_due = Some(now + EVERY);
            self.ask_keeper(now, For::Sweep, Ask::Sweep(keeping));
        }
    }

    /// No age can be trusted in this run any more, and the keeper must not trust its dates later.
    pub(in crate::engine) fn clock_is_wrong(&mut self, now: Instant) {
        if self.config.mail.is_none() || std::mem::replace(&mut self.post.ageless, true) {
            return;
        }
        self.post.sweep_due = None;
        let began = self.wall(Instant::ZERO);
        self.ask_keeper(now, For::Clock, Ask::ClockWrong { began });
        let text = "mail grows no older until the next start: the clock was set, or must be. Restart the station once \
                    the clock is right";
        self.note(now, None, Urgency::Attention, text.into());
    }

    /// A sweep is done: writers are told, and the operator of what is held.
    pub(super) fn swept(&mut self, now: Instant, answer: &Answer) {
        let Answer::Swept {
            nowhere,
            deleted,
            held,
            more,
        } = answer
        else {
            // Failed: the keeper has told why, and it is tried again with the next one.
            return;
        };
        nowhere
            .iter()
            .for_each(|head: &Head| self.report(now, head));
        if *deleted > 0 {
            let text = format!(
                "mail: {deleted} messages were deleted because of their age; their identifiers stay known"
            );
            self.note(now, None, Urgency::Plain, text);
        }
        let keeping = self.config.mail.as_ref().map(|mail| mail.keeping);
        let days = keeping.map_or(0, |keeping| keeping.held.as_millis() / 86_400_000);
        let text = (*held > 0).then(|| {
            format!(
                "messages have been held for more than {days} days, {held} of them now. Look at the list Held of the \
                 mail, and let each go or delete it: they stay until then"
            )
        });
        self.trouble(now, AlarmKind::Held, None, text.as_deref());
        if *more && !self.post.ageless {
            self.post.sweep_due = Some(now + BETWEEN);
        }
        if *deleted > 0 || !nowhere.is_empty() {
            self.tell(Event::MailChanged);
        }
    }
}
