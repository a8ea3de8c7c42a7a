//! Between the engine, the page and whoever keeps the mail.

use dunlin_clock::Instant;
use dunlin_mail::post::{Answer, Ask};
use dunlin_rig::SoundPort;
use dunlin_station::{Draft, Event, FormalDraft, Input, Urgency};
use dunlin_web::{Answer as Reply, MailRefusal, MailReply, MailWish, Written};

use super::Driver;
use crate::mail::{NO_MAIL, not_kept};
use crate::run::keeper::{Done, Order, Task};

/// Things of the page that the keeper has not done, at most. More are not taken, and the page is told.
const MOST_WAITING: usize = 64;

impl<S: SoundPort> Driver<S> {
    /// The engine asks whoever keeps the mail.
    pub(super) fn ask_keeper(&mut self, now: Instant, ticket: u64, ask: Ask) {
        let task = Task::Engine(ticket, Box::new(ask));
        if self.order(now, task).is_err() {
            let words = NO_MAIL.to_owned();
            let answer = &Answer::Failed { words };
            // What follows from it is carried out by the very loop that has brought the ask.
            self.station
                .handle(now, Input::MailAnswer { ticket, answer });
        }
    }

    /// The page wishes something of the mail.
    pub(super) fn wish(
        &mut self,
        now: Instant,
        wish: Box<MailWish>,
        reply: Reply<Result<MailReply, MailRefusal>>,
    ) {
        self.order_of_page(now, Task::Page(wish, reply));
    }

    /// The operator has written something.
    pub(super) fn write(
        &mut self,
        now: Instant,
        draft: Draft,
        reply: Reply<Result<Written, MailRefusal>>,
    ) {
        match self.station.letter(now, draft) {
            Ok(letter) => self.order_of_page(now, Task::Write(Box::new(letter), Some(reply))),
            Err(wrong) => reply.send(Err(MailRefusal::Refused(wrong.to_string()))),
        }
    }

    /// The operator has written a radiogram. Only what can be sent gets a number.
    pub(super) fn originate(
        &mut self,
        now: Instant,
        draft: Box<FormalDraft>,
        reply: Reply<Result<Written, MailRefusal>>,
    ) {
        match self.station.formal_draft(now, 1, (*draft).clone()) {
            Ok(_) => self.order_of_page(now, Task::Number(draft, reply)),
            Err(wrong) => reply.send(Err(MailRefusal::Refused(wrong.to_string()))),
        }
    }

    /// A radiogram has got its number, if there was one.
    fn numbered(
        &mut self,
        now: Instant,
        draft: FormalDraft,
        answer: Answer,
        reply: Reply<Result<Written, MailRefusal>>,
    ) {
        let Answer::Number(number) = answer else {
            return reply.send(Err(not_kept(answer)));
        };
        match self.station.formal_draft(now, number, draft) {
            Ok(draft) => self.write(now, draft, reply),
            Err(wrong) => reply.send(Err(MailRefusal::Refused(wrong.to_string()))),
        }
    }

    /// Somebody is told what became of a message.
    fn report(&mut self, now: Instant, draft: Draft) {
        if let Ok(letter) = self.station.letter(now, draft) {
            // The keeper is there: it has just done what this is about.
            let _ = self.order(now, Task::Write(Box::new(letter), None));
        }
    }

    fn order_of_page(&mut self, now: Instant, task: Task) {
        let refusal = match self.mail_waiting {
            ..MOST_WAITING => match self.order(now, task) {
                Ok(()) => {
                    self.mail_waiting += 1;
                    return;
                }
                Err(task) => (task, MailRefusal::Refused(NO_MAIL.into())),
            },
            _ => {
                let words = "the disk is slow, and much waits for it already; try again";
                (task, MailRefusal::Failed(words.into()))
            }
        };
        match refusal {
            (Task::Page(_, reply), refusal) => reply.send(Err(refusal)),
            (Task::Write(_, Some(reply)) | Task::Number(_, reply), refusal) => {
                reply.send(Err(refusal));
            }
            (Task::Write(_, None) | Task::Engine(..), _) => {}
        }
    }

    /// Hands an order to the keeper, or gives it back if there is none.
    fn order(&mut self, now: Instant, task: Task) -> Result<(), Task> {
        let wall = self.station.wall_at(now);
        let Some(orders) = &self.outside.mail else {
            return Err(task);
        };
        let sent = orders.send(Order { task, wall });
        sent.map_err(|unsent| unsent.0.task)
    }

    /// Whoever keeps the mail has done something.
    pub(super) fn mail_done(&mut self, now: Instant, done: Done) {
        match done {
            Done::Engine(ticket, answer) => {
                let answer = &*answer;
                self.give(now, Input::MailAnswer { ticket, answer });
            }
            Done::Page(fulfilled, reply) => {
                self.mail_waiting = self.mail_waiting.saturating_sub(1);
                if let Some(letter) = &fulfilled.released {
                    self.give(now, Input::MailKept { letter });
                } else if fulfilled.changed {
                    self.give(now, Input::MailTouched);
                    self.tell(now, &Event::MailChanged);
                }
                if let Some(report) = fulfilled.report {
                    self.report(now, report);
                }
                // Whoever hears the answer will find its events there already.
                reply.send(fulfilled.reply);
            }
            Done::Number(draft, answer, reply) => {
                self.mail_waiting = self.mail_waiting.saturating_sub(1);
                self.numbered(now, *draft, answer, reply);
            }
            Done::Write(letter, answer, reply) => {
                let waited = usize::from(reply.is_some());
                self.mail_waiting = self.mail_waiting.saturating_sub(waited);
                let letter = &*letter;
                let written = match answer {
                    Answer::Kept => {
                        self.give(now, Input::MailKept { letter });
                        let (id, words) = (letter.message.id, letter.words());
                        Ok(Written { id, words })
                    }
                    // Numbers are drawn by chance, and a second try draws another.
                    Answer::AlreadyKnown => Err(MailRefusal::Failed(
                        "its number had been given before; send it again".into(),
                    )),
                    other => Err(not_kept(other)),
                };
                match (reply, written) {
                    (Some(reply), written) => reply.send(written),
                    (None, Ok(_)) => {}
                    (None, Err(refusal)) => {
                        let text = format!("a report about a radiogram was not kept: {refusal}");
                        self.note(now, None, Urgency::Attention, text);
                    }
                }
            }
            Done::Trouble(text) => {
                self.disk_troubles[2] = text.map(|words| {
                    format!(
                        "{words}. Until something can be kept again, partners are told that there is no \
                         room, and what is written here is refused. Look at the disk."
                    )
                });
                self.tell_of_disk(now);
            }
        }
    }
}
