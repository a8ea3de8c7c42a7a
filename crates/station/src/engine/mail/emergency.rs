//! An emergency that waits in the mail is an alarm until its reader or the operator has opened it.

use dunlin_clock::{Duration, Instant};
use dunlin_mail::Precedence;
use dunlin_mail::post::{Answer, Ask, Head};

use super::For;
use crate::engine::Station;
use crate::event::Urgency;
use crate::gate::AlarmKind;

/// It is looked so often, besides whenever the mail changes: whatever may have been missed, no alarm stands or is missing for longer.
const EVERY: Duration = Duration::from_secs(30);

impl Station {
    /// One may have come before the start.
    pub(super) fn begin_emergencies(&mut self) {
        self.post.emergency_due = Some(Instant::ZERO + EVERY);
    }

    /// Perhaps it was read: an alarm is not to stand any longer.
    pub(in crate::engine) fn mail_touched(&mut self, now: Instant) {
        if self.post.emergency_due.is_some() {
            self.post.emergency_due = Some(now);
        }
    }

    /// Asks whether there is one, if that is due.
    pub(super) fn look_for_emergencies(&mut self, now: Instant) {
        if self.post.emergency_due.is_some_and(|due| due <= now) {
            self.post.emergency_due = Some(now + EVERY);
            self.ask_keeper(now, For::Emergencies, Ask::Emergencies);
        }
    }

    /// A letter is safe. If it is an emergency, the operator is told, unless the operator wrote it.
    pub(super) fn tell_emergency(&mut self, now: Instant, head: &Head) {
        if head.precedence != Precedence::Emergency {
            return;
        }
        let own = self.config.mail.as_ref().map(|mail| mail.routes.own);
        if Some(head.from.call) != own {
            let (id, from, to) = (head.id, head.from.call, head.kind.for_whom());
            let text = format!(
                "mail: {id}, with the precedence of an emergency, of {from} for {to}, {}",
                head.words()
            );
            self.note(now, None, Urgency::Attention, text);
        }
        self.post.emergency_due = Some(now);
    }

    /// The keeper has counted those that wait.
    pub(super) fn emergencies_counted(&mut self, now: Instant, answer: &Answer) {
        let Answer::Emergencies(waiting) = answer else {
            return; // The keeper has told why it cannot say.
        };
        let text = match waiting {
            0 => None,
            1 => Some("an emergency waits in the mail unread. Open it, and see to it that its reader hears of it".into()),
            n => Some(format!(
                "{n} emergencies wait in the mail unread. Open them, and see to it that their readers hear of them"
            )),
        };
        self.trouble(now, AlarmKind::Emergency, None, text.as_deref());
    }
}
