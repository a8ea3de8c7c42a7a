//! What the words of a visitor want of the mail, and what is said to the keeper's answers.

use dunlin_mail::post::Answer;
use dunlin_mail::{Kind, Precedence};

use super::form::not_delivered;
use super::{Led, Mailbox, Told, Wish};
use crate::crossing::asked::Asked;
use crate::crossing::{Act, Crossing, Stage, line};
use crate::engine::Conclusion;

impl Crossing {
    /// The visitor wants something of the mail.
    pub(in crate::crossing) fn mail(&mut self, asked: Asked) -> Vec<Act> {
        let precedence = match self.urgent {
            Some(_) => Precedence::Emergency,
            None => Precedence::Routine,
        };
        let led = match asked {
            Asked::Mail => Led::Wish(Wish::Mail),
            Asked::AllMail => Led::Wish(Wish::AllMail),
            Asked::OwnMail => Led::Wish(Wish::OwnMail),
            Asked::Bulletins(topic) => Led::Wish(Wish::Bulletins(topic)),
            Asked::Read(number) => self.mailbox.about(number, Wish::Read),
            Asked::Delete(number) => self.mailbox.about(number, Wish::Delete),
            Asked::Radiogram(to) => self.mailbox.radiogram(to, self.near.remote),
            Asked::Delivered(number) => self.mailbox.concludes(number, Ok(Conclusion::Delivered)),
            Asked::NotDelivered(number, why) => {
                self.mailbox.concludes(number, not_delivered(number, &why))
            }
            Asked::Write(to) => self.mailbox.write(Kind::Personal { to }, precedence),
            Asked::Publish { topic, area } => {
                let kind = Kind::Bulletin { topic, area };
                match kind.check() {
                    Ok(()) => self.mailbox.write(kind, precedence),
                    Err(wrong) => Led::Say(wrong.to_string()),
                }
            }
            Asked::Word(to, text) => {
                Led::Wish(Mailbox::word(to, self.near.remote, &text, precedence))
            }
            _ => return Vec::new(),
        };
        let act = self.led(led);
        self.answer_with(act)
    }

    pub(in crate::crossing) fn led(&mut self, led: Led) -> Act {
        match led {
            Led::Say(text) => line(text),
            Led::Wish(wish) => self.wish(wish),
        }
    }

    pub(in crate::crossing) fn wish(&mut self, wish: Wish) -> Act {
        self.mailbox.asks(&wish);
        Act::Mail(wish)
    }

    /// How the letter of the visitor will stand, once it is kept.
    pub(crate) fn will_stand(&mut self, words: String) {
        self.mailbox.will_stand(words);
    }

    /// What the visitor has written cannot be a message.
    pub(crate) fn mail_refused(&mut self, words: String) -> Vec<Act> {
        self.mailbox.refused();
        match self.is_here() {
            true => vec![line(words)],
            false => Vec::new(),
        }
    }

    /// The visitor is at the node, and hears what is said.
    fn is_here(&self) -> bool {
        self.near_open && matches!(self.stage, Stage::Asking { .. })
    }

    /// Whoever keeps the mail has answered.
    pub(crate) fn mail_answered(&mut self, answer: &Answer) -> Vec<Act> {
        let Some(told) = self.mailbox.answered(answer) else {
            return Vec::new();
        };
        match told {
            // What was said of a radiogram holds, even if the visitor is gone by now.
            Told::Wish(wish) => vec![self.wish(wish)],
            _ if !self.is_here() => Vec::new(),
            Told::Say(text) => vec![line(text)],
            Told::Reads(text, id) => {
                self.reading = Some(id);
                vec![line(text)]
            }
        }
    }
}
