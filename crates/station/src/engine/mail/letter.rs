//! What is written here becomes a letter: it gets its identifier, its way, and what a person looks at first.

use dunlin_ax25::CallSign;
use dunlin_clock::Instant;
use dunlin_mail::post::{Ask, Head, Letter, Proof, Standing, Verdict, moment, route};
use dunlin_mail::{Address, Kind, MOST_TITLE, Message, MessageError, MessageId, Precedence};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::For;
use super::formal::checked;
use crate::engine::Station;
use crate::event::Urgency;

/// What a person has written.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Draft {
    /// What sort, and to whom.
    #[serde(flatten)]
    pub kind: Kind,
    /// How soon it is wanted.
    #[serde(default)]
    pub precedence: Precedence,
    /// One line.
    pub title: String,
    /// The text; lines end with a line feed.
    pub body: String,
    /// It is not to be sent yet.
    #[serde(default)]
    pub keep_back: bool,
}

/// Why a draft cannot become a letter.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum DraftError {
    /// The plan has no mail.
    #[error("this station keeps no mail: its plan has no [mail]")]
    NoMail,
    /// What is wrong with it.
    #[error(transparent)]
    Message(#[from] MessageError),
    /// What is wrong with a radiogram.
    #[error("{0}")]
    Formal(String),
}

impl Station {
    /// Makes a letter of what the operator has written. It is to be given to whoever keeps the mail, and once it is
    /// kept, to [`Input::MailKept`](crate::Input::MailKept).
    ///
    /// # Errors
    /// [`DraftError`] says what is wrong with the draft.
    pub fn letter(&mut self, now: Instant, draft: Draft) -> Result<Letter, DraftError> {
        let mail = self.config.mail.as_ref().ok_or(DraftError::NoMail)?;
        let from = Station::operator(mail.routes.own);
        self.letter_of(now, checked(draft)?, from, Proof::Own)
    }

    /// The operator as the sender of a message.
    pub(super) fn operator(own: CallSign) -> Address {
        Address {
            call: own,
            home: Some(own),
        }
    }

    /// A message can go nowhere any more: its writer gets a report, and the operator a note. Of a report nothing is
    /// reported.
    pub(super) fn report(&mut self, now: Instant, head: &Head) {
        let to = head.kind.for_whom();
        let words = head.words();
        let text = format!("mail: {} of {} for {to} {words}", head.id, head.from.call);
        self.note(now, None, Urgency::Attention, text);
        let Some(own) = self.config.mail.as_ref().map(|mail| mail.routes.own) else {
            return;
        };
        let reported = matches!(head.kind, Kind::Personal { .. } | Kind::Formal { .. });
        if !reported || head.from.call == own {
            return;
        }
        let title = cut(&head.title, MOST_TITLE - "Not delivered: ".len());
        let draft = Draft {
            kind: Kind::Service {
                to: head.from,
                about: head.id,
            },
            precedence: head.precedence,
            title: format!("Not delivered: {title}"),
            body: format!(
                "Your message {} for {to}, written {}, {words}. {own} had it last.\n",
                head.id,
                moment(head.written)
            ),
            keep_back: false,
        };
        self.keep_report(now, own, draft);
    }

    /// A report of this station to the writer of a message is kept, and sent.
    pub(super) fn keep_report(&mut self, now: Instant, own: CallSign, draft: Draft) {
        let from = Station::operator(own);
        if let Ok(letter) = self.letter_of(now, draft, from, Proof::Own) {
            let report = For::Report(Box::new(letter.head()));
            self.ask_keeper(now, report, Ask::Keep(Box::new(letter)));
        }
    }

    /// The same for somebody else.
    pub(in crate::engine) fn letter_of(
        &mut self,
        now: Instant,
        draft: Draft,
        from: Address,
        proof: Proof,
    ) -> Result<Letter, DraftError> {
        let number = self.post.chance.bits();
        self.numbered_letter(now, draft, number, from, proof)
    }

    /// The same with a number that was drawn.
    pub(super) fn numbered_letter(
        &self,
        now: Instant,
        draft: Draft,
        number: u64,
        from: Address,
        proof: Proof,
    ) -> Result<Letter, DraftError> {
        // Messages are dated in whole seconds.
        let wall = dunlin_clock::WallTime(self.wall(now).0.div_euclid(1000) * 1000);
        let mail = self.config.mail.as_ref().ok_or(DraftError::NoMail)?;
        let origin = mail.routes.own;
        let mut message = Message {
            id: MessageId { origin, number },
            kind: draft.kind,
            precedence: draft.precedence,
            from,
            written: wall,
            title: draft.title,
            body: draft.body,
            chain: Vec::new(),
        };
        message.check()?;
        message.taken_by(origin, wall);
        if draft.keep_back {
            return Ok(Letter::draft(message, wall));
        }
        let way = route(&message, &mail.routes);
        let verdict = mail.holds.judge(&message, proof, wall);
        let mut letter = Letter::new(message, proof, &way, wall);
        match verdict {
            Verdict::Pass => {}
            Verdict::Hold(why) => letter.standing = Standing::Held { why },
            Verdict::Noted(words) => letter.note = Some(words),
        }
        Ok(letter)
    }
}

/// The beginning of a text in at most so many octets.
pub(crate) fn cut(text: &str, octets: usize) -> &str {
    let mut end = text.len().min(octets);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    &text[..end]
}
