//! One message.

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::address::Address;
use crate::identity::MessageId;

/// Octets of a title, at most.
pub const MOST_TITLE: usize = 80;
/// Octets of a text, at most.
pub const MOST_BODY: usize = 100_000;
/// Letters of a topic or an area, at most.
const MOST_WORD: usize = 12;
/// Steps of the way that are kept, at most; of more, those in the middle are left out.
const MOST_STEPS: usize = 32;

/// How soon a message is wanted. The higher goes first.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
)]
#[serde(rename_all = "snake_case")]
pub enum Precedence {
    /// Whatever is none of the others.
    #[default]
    Routine,
    /// How somebody in a disaster is.
    Welfare,
    /// Important and limited in time.
    Priority,
    /// Life and death. It is never held back silently.
    Emergency,
}

/// What sort of message it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Kind {
    /// From one person to another.
    Personal {
        /// To whom.
        to: Address,
    },
    /// To all who care for the topic.
    Bulletin {
        /// What it is about: one word, such as `WEATHER`.
        topic: String,
        /// How far it spreads: one word, such as `ISLES`.
        area: String,
    },
    /// A radiogram for a third party; the body holds it.
    Formal {
        /// The station that delivers it.
        to: Address,
    },
    /// A report about another message: delivered, or not and why.
    Service {
        /// To whom.
        to: Address,
        /// The message that it is about.
        about: MessageId,
    },
}

/// A station, by its call sign without SSID.
pub type Station = CallSign;

/// Who has held a message, and since when.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    /// The station.
    pub station: Station,
    /// When it took it.
    pub at: WallTime,
}

/// One message, as it is kept and carried. Nothing but the chain ever changes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Message {
    /// Its name for ever.
    pub id: MessageId,
    /// What sort.
    #[serde(flatten)]
    pub kind: Kind,
    /// How soon it is wanted.
    pub precedence: Precedence,
    /// Who wrote it.
    pub from: Address,
    /// When it was written.
    pub written: WallTime,
    /// One line.
    pub title: String,
    /// The text; lines end with a line feed.
    pub body: String,
    /// Who has had it since when, the first who took it first.
    pub chain: Vec<Step>,
}

/// Why a message cannot be taken. Each is the writer's fault and says what to do.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum MessageError {
    /// The title is too long, has line breaks or control characters, or there is none.
    #[error("the title must be one line of 1 to {MOST_TITLE} octets without control characters")]
    Title,
    /// The text is too long.
    #[error(
        "the text has {0} octets; at most {MOST_BODY} are taken: send it in parts, or as a file"
    )]
    Body(usize),
    /// The text holds characters that are no text.
    #[error(
        "the text holds a control character (number {0}); only text can be sent as a message: send it as a file"
    )]
    Control(u32),
    /// The topic or the area is no plain word.
    #[error("{what} must be one word of 1 to {MOST_WORD} letters and digits, not {given:?}")]
    Word {
        /// Topic or area.
        what: &'static str,
        /// What was given.
        given: String,
    },
    /// More stations have had it than any way needs.
    #[error("the chain of the message is longer than {MOST_STEPS} stations")]
    Chain,
}

impl Message {
    /// Checks what a writer, or another station, gave.
    ///
    /// # Errors
    /// What cannot be taken, and what to do.
    pub fn check(&self) -> Result<(), MessageError> {
        let title = &self.title;
        let plain = !title.chars().any(char::is_control);
        if title.trim().is_empty() || title.len() > MOST_TITLE || !plain {
            return Err(MessageError::Title);
        }
        if self.body.len() > MOST_BODY {
            return Err(MessageError::Body(self.body.len()));
        }
        let control = |c: &char| c.is_control() && *c != '\n' && *c != '\t';
        if let Some(found) = self.body.chars().find(control) {
            return Err(MessageError::Control(found.into()));
        }
        self.kind.check()?;
        match self.chain.len() {
            0..=MOST_STEPS => Ok(()),
            _ => Err(MessageError::Chain),
        }
    }

    /// Notes that a station has it now.
    pub fn taken_by(&mut self, station: Station, at: WallTime) {
        if self.chain.len() >= MOST_STEPS {
            self.chain.remove(MOST_STEPS / 2);
        }
        self.chain.push(Step { station, at });
    }

    /// Whether a station has had it before.
    pub fn has_been_at(&self, station: Station) -> bool {
        self.chain.iter().any(|step| step.station == station)
    }

    /// To whom it goes; `None` for a bulletin.
    pub fn to(&self) -> Option<Address> {
        self.kind.to()
    }
}

impl Kind {
    /// To whom it goes; `None` for a bulletin.
    pub fn to(&self) -> Option<Address> {
        match self {
            Kind::Personal { to } | Kind::Formal { to } | Kind::Service { to, .. } => Some(*to),
            Kind::Bulletin { .. } => None,
        }
    }

    /// For whom it is, in words.
    pub fn for_whom(&self) -> String {
        match self {
            Kind::Personal { to } | Kind::Formal { to } | Kind::Service { to, .. } => {
                to.to_string()
            }
            Kind::Bulletin { topic, area } => format!("{topic} in {area}"),
        }
    }

    /// Checks the words of a bulletin.
    ///
    /// # Errors
    /// The topic or the area is no plain word.
    pub fn check(&self) -> Result<(), MessageError> {
        if let Kind::Bulletin { topic, area } = self {
            word("the topic", topic)?;
            word("the area", area)?;
        }
        Ok(())
    }
}

fn word(what: &'static str, given: &str) -> Result<(), MessageError> {
    let plain = given
        .bytes()
        .all(|b| b.is_ascii_uppercase() || b.is_ascii_digit());
    if given.is_empty() || given.len() > MOST_WORD || !plain {
        let given = given.chars().take(20).collect();
        return Err(MessageError::Word { what, given });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message() -> Message {
        Message {
            id: "QM3BAR:0000000000001".parse().expect("an identifier"),
            kind: Kind::Personal {
                to: "QX0RLF".parse().expect("an address"),
            },
            precedence: Precedence::Routine,
            from: "QM3BAR".parse().expect("an address"),
            written: WallTime(0),
            title: "Cots for Lee Cove".into(),
            body: "40 cots are on the quay.\n".into(),
            chain: Vec::new(),
        }
    }

    #[test]
    fn a_plain_message_is_taken_and_what_is_none_is_refused() {
        assert_eq!(message().check(), Ok(()));
        let refused = |change: fn(&mut Message)| {
            let mut message = message();
            change(&mut message);
            message.check().expect_err("refused")
        };
        assert_eq!(refused(|m| m.title.clear()), MessageError::Title);
        assert_eq!(refused(|m| m.title = "a\nb".into()), MessageError::Title);
        assert_eq!(
            refused(|m| m.body = "\u{1b}[2J".into()),
            MessageError::Control(27)
        );
        let long = refused(|m| m.body = "x".repeat(MOST_BODY + 1));
        assert_eq!(long, MessageError::Body(MOST_BODY + 1));
        let word = refused(|m| {
            m.kind = Kind::Bulletin {
                topic: "FERRY".into(),
                area: "all of it".into(),
            }
        });
        assert!(word.to_string().contains("the area"), "{word}");
    }

    #[test]
    fn it_keeps_who_had_it_and_the_urgent_goes_first() {
        let mut message = message();
        let call = |n: usize| format!("QA{n}").parse::<CallSign>().expect("a call sign");
        for n in 0..40 {
            message.taken_by(call(n), WallTime(n as i64));
        }
        assert_eq!(message.chain.len(), MOST_STEPS);
        assert!(message.has_been_at(call(0)) && message.has_been_at(call(39)));
        assert_eq!(message.check(), Ok(()));
        assert!(Precedence::Emergency > Precedence::Priority);
        assert!(Precedence::Welfare > Precedence::Routine);
    }
}
