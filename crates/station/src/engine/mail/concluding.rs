//! What became of a radiogram: where it stands then, and what its station of origin is told.

use dunlin_ax25::CallSign;
use dunlin_clock::{Instant, WallTime};
use dunlin_mail::post::{Answer, Ask, Letter, Standing};
use dunlin_mail::radiogram::{Date, Failure, Filed, Radiogram, Text, delivered, not_delivered};
use dunlin_mail::{Address, Kind, MOST_TITLE, Message};
use serde::Deserialize;

use super::For;
use super::letter::{Draft, cut};
use crate::engine::Station;
use crate::event::{CrossingId, PortId, Urgency};
use crate::links::LinkKey;

/// What became of a radiogram, as a person says.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub enum Conclusion {
    /// The addressee has it.
    Delivered,
    /// It cannot be delivered from here.
    NotDelivered {
        /// Why.
        why: Failure,
    },
    /// It was given to another station, in another message or by voice.
    Passed {
        /// To whom.
        to: Address,
    },
}

/// What follows from a [`Conclusion`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Concluded {
    /// Where the radiogram stands from now on.
    pub standing: Standing,
    /// What is noted besides.
    pub note: Option<String>,
    /// A service message to its station of origin, if it must know or wants to.
    pub report: Option<Draft>,
}

/// Whom to tell of what a visitor has said, once that is kept.
#[derive(Clone, Debug)]
pub(super) struct ToTell {
    port: PortId,
    /// For the operator.
    words: String,
    /// For the station of origin.
    report: Option<Draft>,
}

impl Conclusion {
    /// What follows for this letter; `now` is the time of a delivery.
    ///
    /// # Errors
    /// Why nothing of the kind can be said of it.
    pub fn of(&self, letter: &Letter, now: WallTime) -> Result<Concluded, String> {
        let message = &letter.message;
        let form: Result<Radiogram, _> = message.body.parse();
        let (Kind::Formal { .. }, Ok(form)) = (&message.kind, form) else {
            return Err("it is no radiogram, so there is nothing to deliver".into());
        };
        if matches!(letter.standing, Standing::Delivered | Standing::Written) {
            let words = letter.words();
            return Err(format!("nothing is left to be done with it: {words}"));
        }
        let gone = match (self, &letter.standing) {
            (Conclusion::NotDelivered { .. }, Standing::Queued) => Some("recall it first"),
            (
                Conclusion::NotDelivered { .. },
                Standing::Passed | Standing::Undeliverable { .. },
            ) => Some("it is not here to be delivered"),
            _ => None,
        };
        if let Some(gone) = gone {
            return Err(format!("{gone}: {}", letter.words()));
        }
        Ok(match self {
            Conclusion::Delivered => {
                let text = || delivered(&form, Date::at(now), Filed::at(now));
                // Who was told of a failure hears that it came right, wanted or not.
                let failed = matches!(letter.standing, Standing::Undeliverable { .. });
                let wanted = failed || form.wants_report();
                Concluded {
                    standing: Standing::Delivered,
                    note: None,
                    report: wanted.then(|| report_on(message, &form, "Delivered", &text())),
                }
            }
            Conclusion::NotDelivered { why } => {
                let text = not_delivered(&form, why);
                let report = report_on(message, &form, "Not delivered", &text);
                let why = why.words().to_lowercase();
                Concluded {
                    standing: Standing::Undeliverable { why },
                    note: None,
                    report: Some(report),
                }
            }
            Conclusion::Passed { to } => Concluded {
                standing: Standing::Passed,
                note: Some(format!("passed on to {to}")),
                report: None,
            },
        })
    }
}

/// A service message to the station of origin: what became of its radiogram, in this text. If the radiogram was put
/// into the mail by somebody else, the station of origin is looked for where that was.
fn report_on(message: &Message, form: &Radiogram, what: &str, text: &Text) -> Draft {
    let to = match message.from.call == form.origin {
        true => message.from,
        false => Address {
            call: form.origin,
            home: Some(message.id.origin),
        },
    };
    let title = format!("{what}: {}", message.title);
    let lines: Vec<String> = text
        .groups()
        .chunks(10)
        .map(|line| line.join(" "))
        .collect();
    Draft {
        kind: Kind::Service {
            to,
            about: message.id,
        },
        precedence: form.precedence,
        title: cut(&title, MOST_TITLE).to_owned(),
        body: format!("{}\n", lines.join("\n")),
        keep_back: false,
    }
}

impl Station {
    /// A visitor says what became of a radiogram that is addressed to the visitor.
    pub(super) fn visitor_concludes(
        &mut self,
        now: Instant,
        id: CrossingId,
        near: LinkKey,
        letter: &Letter,
        conclusion: &Conclusion,
    ) {
        let visitor = near.remote.with_ssid(0).unwrap_or(near.remote);
        let follows = match fit_for(visitor, letter) {
            Ok(()) => conclusion.of(letter, self.wall(now)).map_err(|_| {
                let words = letter.words();
                format!("That cannot be said of it any more, it stands as {words}.")
            }),
            Err(words) => Err(words),
        };
        let Concluded {
            standing, report, ..
        } = match follows {
            Ok(concluded) => concluded,
            Err(words) => return self.crossing_acts(now, id, |c| c.mail_refused(words)),
        };
        let told = match report.as_ref().and_then(|report| report.kind.to()) {
            Some(to) => format!("{to} is told"),
            None => "nobody is told, for nobody asked to be".into(),
        };
        if let Some(crossing) = self.crossings.get_mut(&id) {
            crossing.will_stand(told);
        }
        let message = letter.message.id;
        let note = format!("so says {visitor}, who {}", self.proof_of(near).words());
        let words = format!(
            "mail: the radiogram {message} is {}; {note}",
            standing.words()
        );
        let told = ToTell {
            port: near.port,
            words,
            report,
        };
        let ask = Ask::Conclude {
            id: message,
            stood: letter.standing.clone(),
            standing,
            note: Some(note),
        };
        self.ask_keeper(now, For::Concluded(id, Box::new(told)), ask);
    }

    /// It is kept what became of a radiogram: now the operator is told, and its station of origin.
    pub(super) fn concluded(&mut self, now: Instant, answer: &Answer, told: ToTell) {
        if *answer != Answer::Done {
            return;
        }
        self.note(now, Some(told.port), Urgency::Plain, told.words);
        let own = self.config.mail.as_ref().map(|mail| mail.routes.own);
        if let (Some(draft), Some(own)) = (told.report, own) {
            self.keep_report(now, own, draft);
        }
    }
}

/// Whether this visitor may say something of a letter; if not, why, in words for the visitor.
fn fit_for(visitor: CallSign, letter: &Letter) -> Result<(), String> {
    match (&letter.message.kind, &letter.standing) {
        (Kind::Formal { to }, _) if to.call != visitor => Err(format!(
            "Only {} can say that: it is addressed there.",
            to.call
        )),
        (Kind::Formal { .. }, Standing::Held { .. }) => {
            Err("It is held until the keeper of this station has looked.".into())
        }
        (Kind::Formal { .. }, _) => Ok(()),
        _ => Err("That is no radiogram.".into()),
    }
}
