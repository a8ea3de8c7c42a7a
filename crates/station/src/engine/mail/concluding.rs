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
use crate::event::CrossingId;

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
                let wanted = form.wants_report();
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
        crossing: CrossingId,
        visitor: CallSign,
        letter: &Letter,
        conclusion: &Conclusion,
    ) {
        let to = letter.message.kind.to();
        let follows = match to.is_some_and(|to| to.call == visitor) {
            true => conclusion.of(letter, self.wall(now)),
            false => Err("only the station to which it is addressed can say that".into()),
        };
        match follows {
            Ok(Concluded {
                standing,
                note,
                report,
            }) => {
                let told = match report.as_ref().and_then(|report| report.kind.to()) {
                    Some(to) => format!("{to} is told"),
                    None => "nobody is told, for nobody asked to be".into(),
                };
                if let Some(crossing) = self.crossings.get_mut(&crossing) {
                    crossing.will_stand(told);
                }
                let id = letter.message.id;
                let purpose = For::Concluded(crossing, report.map(Box::new));
                self.ask_keeper(now, purpose, Ask::Conclude { id, standing, note });
            }
            Err(words) => {
                let words = format!("That cannot be: {words}.");
                self.crossing_acts(now, crossing, |c| c.mail_refused(words));
            }
        }
    }

    /// It is noted what became of a radiogram: now its station of origin is told.
    pub(super) fn concluded(&mut self, now: Instant, answer: &Answer, report: Option<Draft>) {
        let mail = self.config.mail.as_ref();
        let (Answer::Done, Some(draft), Some(own)) =
            (answer, report, mail.map(|mail| mail.routes.own))
        else {
            return;
        };
        self.keep_report(now, own, draft);
    }
}
