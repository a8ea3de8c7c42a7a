//! Radiograms in the mail: counted while they are written, sent, shown on paper and aloud, and what became of them.
//! The form itself, its count and its words are of `dunlin_mail::radiogram`.

use std::sync::Arc;

use axum::Router;
use axum::extract::{DefaultBodyLimit, State};
use axum::response::Response;
use axum::routing::post;
use dunlin_mail::post::Letter;
use dunlin_mail::radiogram::{Blank, FigureWords, Log, LogEntry, Radiogram};
use dunlin_mail::{Kind, MessageId};
use dunlin_station::{Conclusion, FormalDraft};
use serde::{Deserialize, Serialize};

use crate::Ask;
use crate::api::Shared;
use crate::mail::{Body, MailWish, with, with_body};

/// Longest request body, octets: a form that fits has far fewer.
const LONGEST: usize = 32 << 10;
/// Lines of a log before its first entry: its name, a blank one.
const BEFORE_THE_LOG: usize = 2;

/// A radiogram as the page shows it, beside the text as it came.
#[derive(Debug, Serialize)]
pub(crate) struct View {
    /// For paper, with the check as it came.
    printed: String,
    /// As it is read aloud, a breath a line.
    spoken: Vec<String>,
    /// Who gave it to whom, with the names of the columns; empty = nobody has given it to anybody yet.
    log: String,
    /// What an operator should know; the first tells of a wrong check.
    remarks: Vec<String>,
    /// The check does not agree with the text.
    miscounted: bool,
    /// The text of the message with which it goes on: the same words, and the check that holds.
    onward: Option<String>,
    /// The station of origin wants to hear of a delivery.
    reported: bool,
    /// The fields of the form, to go on writing a draft.
    blank: Blank,
}

/// Why a letter that says it is a radiogram is none.
#[derive(Debug, Serialize)]
#[serde(untagged)]
pub(crate) enum Shown {
    Read(Box<View>),
    Unreadable { unreadable: String },
}

#[derive(Debug, Deserialize)]
struct Concluded {
    id: MessageId,
    #[serde(flatten)]
    conclusion: Conclusion,
}

pub(crate) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/api/mail/radiogram", post(count))
        .route("/api/mail/originate", post(originate))
        .route("/api/mail/conclude", post(conclude))
        .layer(DefaultBodyLimit::max(LONGEST))
}

async fn count(State(shared): State<Arc<Shared>>, body: Body<FormalDraft>) -> Response {
    with_body(&shared, body, |draft, reply| Ask::Count { draft, reply }).await
}

async fn originate(State(shared): State<Arc<Shared>>, body: Body<FormalDraft>) -> Response {
    with_body(&shared, body, |draft, reply| Ask::Originate {
        draft,
        reply,
    })
    .await
}

async fn conclude(State(shared): State<Arc<Shared>>, body: Body<Concluded>) -> Response {
    let wish = |said: Concluded| MailWish::Conclude {
        id: said.id,
        conclusion: said.conclusion,
    };
    with(&shared, body, wish).await
}

/// What there is to show of a letter, if it is a radiogram.
pub(crate) fn shown(letter: &Letter) -> Option<Shown> {
    let message = &letter.message;
    let Kind::Formal { .. } = message.kind else {
        return None;
    };
    let form: Radiogram = match message.body.parse() {
        Ok(form) => form,
        Err(fault) => {
            let unreadable = fault.to_string();
            return Some(Shown::Unreadable { unreadable });
        }
    };
    let receipt = form.receive();
    Some(Shown::Read(Box::new(View {
        printed: form.printed(),
        spoken: form.spoken(FigureWords::Plain),
        log: log(letter, &form),
        remarks: form.remarks().iter().map(ToString::to_string).collect(),
        miscounted: receipt.finding.is_some(),
        reported: form.wants_report(),
        blank: Blank::from(&form),
        onward: form.with_check(receipt.check).body().ok(),
    })))
}

/// The log of what the chain of the message tells.
fn log(letter: &Letter, form: &Radiogram) -> String {
    let chain = &letter.message.chain;
    let mut log = Log::new(form.origin);
    for pair in chain.windows(2) {
        let [from, to] = pair else { continue };
        // A chain is far shorter than a log may be.
        let _ = log.add(LogEntry {
            at: to.at,
            from: from.station,
            to: Some(to.station),
            number: Some(form.number),
            precedence: Some(form.precedence),
            remarks: "by mail".into(),
        });
    }
    if log.entries().is_empty() {
        return String::new();
    }
    let printed = log.printed();
    let lines: Vec<&str> = printed.lines().skip(BEFORE_THE_LOG).collect();
    lines.join("\n")
}
