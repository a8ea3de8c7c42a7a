//! The mail, as JSON: lists, letters, writing, and what a message would cost.
//!
//! Who keeps the mail is behind the driver ([`Ask::Mail`]); nothing is kept and nothing decided here, but that
//! guests see no more than the heads of bulletins.

use std::sync::Arc;

use axum::extract::rejection::{JsonRejection, QueryRejection};
use axum::extract::{DefaultBodyLimit, Extension, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use dunlin_mail::post::{Counts, Head, Letter, Which};
use dunlin_mail::{Address, MOST_BODY, MOST_TITLE, MessageId};
use dunlin_station::{CallSign, Conclusion, Draft};
use serde::{Deserialize, Serialize};
use thiserror::Error;

use crate::api::{Shared, refused, unreadable, unreadable_question};
use crate::door::{Role, Visitor};
use crate::radiogram::{self, Shown};
use crate::{Answer, Ask};

/// Heads in one answer, at most, and as many if nobody says how many.
const MOST_HEADS: usize = 200;
const HEADS: usize = 50;
/// Characters of a search, at most.
const MOST_SEARCHED: usize = 200;
/// Longest request body with a text, octets: JSON may need two octets for one of the text.
const LONGEST_DRAFT: usize = 2 * MOST_BODY + (8 << 10);

/// What somebody at the page wants of the mail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MailWish {
    /// Heads, the newest arrival first. Answered with [`MailReply::Heads`].
    List {
        /// Which.
        which: Which,
        /// Only those that arrived before this place.
        after: Option<u64>,
        /// How many at most.
        most: usize,
        /// The one who asks is a guest, who is shown what anybody on the air may read.
        guest: bool,
    },
    /// Heads of what has all these words. Answered with [`MailReply::Heads`].
    Search {
        /// Whole words.
        words: String,
        /// How many at most.
        most: usize,
    },
    /// How much there is. Answered with [`MailReply::Counts`].
    Counts,
    /// A whole letter, read by the operator. Answered with [`MailReply::Letter`].
    Open(MessageId),
    /// Send a draft, let a held message go on, or try again what had no way. Answered with [`MailReply::Done`].
    Release(MessageId),
    /// Hold it. Answered with [`MailReply::Done`].
    Hold {
        /// Which.
        id: MessageId,
        /// The operator's reason.
        why: String,
    },
    /// Remove its text for ever. Answered with [`MailReply::Done`].
    Delete(MessageId),
    /// Take it out of all queues of this station. Answered with [`MailReply::Recalled`].
    Recall(MessageId),
    /// Say what became of a radiogram. Answered with [`MailReply::Concluded`].
    Conclude {
        /// Which.
        id: MessageId,
        /// What became of it.
        conclusion: Conclusion,
    },
}

/// What is answered to a [`MailWish`].
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MailReply {
    /// A list.
    Heads(Vec<Head>),
    /// How much there is.
    Counts(Counts),
    /// A letter.
    Letter(Box<Letter>),
    /// It waits for nobody any more.
    Recalled {
        /// For whom it waited.
        stopped: Vec<CallSign>,
        /// Who has it already.
        have_it: Vec<CallSign>,
    },
    /// It was done.
    Done,
    /// What became of a radiogram is noted.
    Concluded {
        /// Who gets a report, if anybody does.
        reported_to: Option<Address>,
    },
}

/// What was written is kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Written {
    /// Its name.
    pub id: MessageId,
    /// Where it stands, in words.
    pub words: String,
}

/// Why something about the mail was not done.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum MailRefusal {
    /// There is no such message, or it was deleted.
    #[error("there is no such message here; it may have been deleted")]
    NotThere,
    /// It may not be, or what was written is wrong. Says what to do.
    #[error("{0}")]
    Refused(String),
    /// The mail cannot be read or written. Says why.
    #[error("{0}")]
    Failed(String),
}

/// A head with where it stands in words.
#[derive(Debug, Serialize)]
struct HeadView {
    #[serde(flatten)]
    head: Head,
    words: String,
}

#[derive(Debug, Serialize)]
struct Heads {
    heads: Vec<HeadView>,
    /// There may be more after the last of these.
    more: bool,
}

/// A letter with what the page says of it.
#[derive(Debug, Serialize)]
struct LetterView {
    #[serde(flatten)]
    letter: Box<Letter>,
    /// Where it stands.
    words: String,
    /// How its sender was identified, to follow "the sender".
    proof_words: &'static str,
    /// To whom an answer goes.
    reply_to: Address,
    /// Its title.
    reply_title: String,
    /// If it is a radiogram.
    #[serde(skip_serializing_if = "Option::is_none")]
    radiogram: Option<Shown>,
}

#[derive(Debug, Serialize)]
struct Concluded {
    reported_to: Option<Address>,
}

#[derive(Debug, Serialize)]
struct Recalled {
    stopped: Vec<CallSign>,
    have_it: Vec<CallSign>,
}

/// Which heads are asked for. Not an enum, for queries know no structure.
#[derive(Debug, Deserialize)]
struct Wanted {
    #[serde(default)]
    which: String,
    topic: Option<String>,
    after: Option<u64>,
    most: Option<usize>,
}

#[derive(Debug, Deserialize)]
struct Searched {
    #[serde(default)]
    words: String,
    most: Option<usize>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Named {
    id: MessageId,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Held {
    id: MessageId,
    #[serde(default)]
    why: String,
}

pub(crate) fn routes() -> Router<Arc<Shared>> {
    let long = || DefaultBodyLimit::max(LONGEST_DRAFT);
    Router::new()
        .route("/api/mail", get(list))
        .route("/api/mail/search", get(search))
        .route("/api/mail/counts", get(counts))
        .route("/api/mail/open", post(open))
        .route("/api/mail/write", post(write).layer(long()))
        .route("/api/mail/reckon", post(reckon).layer(long()))
        .route("/api/mail/release", post(release))
        .route("/api/mail/hold", post(hold))
        .route("/api/mail/delete", post(delete))
        .route("/api/mail/recall", post(recall))
        .merge(radiogram::routes())
}

impl Wanted {
    /// `None` = there is no such list.
    fn which(&self) -> Option<Which> {
        Some(match &*self.which {
            "" | "all" => Which::All,
            "unread" => Which::Unread,
            "bulletins" => Which::Bulletins {
                topic: self.topic.clone(),
            },
            "own" => Which::Own,
            "waiting" => Which::Waiting,
            "queue" => Which::Queue,
            "held" => Which::Held,
            _ => return None,
        })
    }
}

async fn list(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    wanted: Result<Query<Wanted>, QueryRejection>,
) -> Response {
    let wanted = match wanted {
        Ok(Query(wanted)) => wanted,
        Err(rejection) => return unreadable_question(&rejection),
    };
    let Some(which) = wanted.which() else {
        let sentence =
            "which mail is asked with ?which= and one of all, unread, bulletins, own, queue, held";
        return refused(StatusCode::BAD_REQUEST, sentence);
    };
    let guest = visitor.role != Role::Operator;
    if guest && !matches!(which, Which::Bulletins { .. }) {
        return no_guests();
    }
    let most = wanted.most.unwrap_or(HEADS).clamp(1, MOST_HEADS);
    let after = wanted.after;
    let wish = MailWish::List {
        which,
        after,
        most: most + 1,
        guest,
    };
    answer_heads(&shared, wish, most).await
}

async fn search(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    searched: Result<Query<Searched>, QueryRejection>,
) -> Response {
    let searched = match searched {
        Ok(Query(searched)) => searched,
        Err(rejection) => return unreadable_question(&rejection),
    };
    if visitor.role != Role::Operator {
        return no_guests();
    }
    let most = searched.most.unwrap_or(HEADS).clamp(1, MOST_HEADS);
    let words = searched.words.chars().take(MOST_SEARCHED).collect();
    let wish = MailWish::Search {
        words,
        most: most + 1,
    };
    answer_heads(&shared, wish, most).await
}

async fn counts(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    match visitor.role {
        Role::Operator => answer(&shared, MailWish::Counts).await,
        _ => no_guests(),
    }
}

pub(crate) type Body<T> = Result<Json<T>, JsonRejection>;

async fn open(State(shared): State<Arc<Shared>>, body: Body<Named>) -> Response {
    with(&shared, body, |named| MailWish::Open(named.id)).await
}

async fn write(State(shared): State<Arc<Shared>>, body: Body<Draft>) -> Response {
    let question = |draft, reply| Ask::Write { draft, reply };
    with_body(&shared, body, question).await
}

async fn reckon(State(shared): State<Arc<Shared>>, body: Body<Draft>) -> Response {
    let question = |draft, reply| Ask::Reckon { draft, reply };
    with_body(&shared, body, question).await
}

async fn release(State(shared): State<Arc<Shared>>, body: Body<Named>) -> Response {
    with(&shared, body, |named| MailWish::Release(named.id)).await
}

async fn hold(State(shared): State<Arc<Shared>>, body: Body<Held>) -> Response {
    let wish = |held: Held| MailWish::Hold {
        id: held.id,
        why: held.why,
    };
    with(&shared, body, wish).await
}

async fn delete(State(shared): State<Arc<Shared>>, body: Body<Named>) -> Response {
    with(&shared, body, |named| MailWish::Delete(named.id)).await
}

async fn recall(State(shared): State<Arc<Shared>>, body: Body<Named>) -> Response {
    with(&shared, body, |named| MailWish::Recall(named.id)).await
}

/// Answers what the body wishes.
pub(crate) async fn with<T>(
    shared: &Shared,
    body: Body<T>,
    wish: impl FnOnce(T) -> MailWish,
) -> Response {
    match body {
        Ok(Json(body)) => answer(shared, wish(body)).await,
        Err(rejection) => unreadable(&rejection),
    }
}

/// The answer of the driver, or what the client is told instead.
async fn asked<T>(
    shared: &Shared,
    question: impl FnOnce(Answer<Result<T, MailRefusal>>) -> Ask,
) -> Result<T, Response> {
    shared.ask(question).await?.map_err(|refusal| {
        let status = match refusal {
            MailRefusal::NotThere => StatusCode::NOT_FOUND,
            MailRefusal::Refused(_) => StatusCode::CONFLICT,
            MailRefusal::Failed(_) => StatusCode::SERVICE_UNAVAILABLE,
        };
        refused(status, &refusal.to_string())
    })
}

/// Answers a question about the body.
pub(crate) async fn with_body<D, T: Serialize>(
    shared: &Shared,
    body: Body<D>,
    question: impl FnOnce(Box<D>, Answer<Result<T, MailRefusal>>) -> Ask,
) -> Response {
    let draft = match body {
        Ok(Json(draft)) => Box::new(draft),
        Err(rejection) => return unreadable(&rejection),
    };
    match asked(shared, |reply| question(draft, reply)).await {
        Ok(done) => Json(done).into_response(),
        Err(response) => response,
    }
}

async fn answer(shared: &Shared, wish: MailWish) -> Response {
    answer_heads(shared, wish, usize::MAX).await
}

/// Answers; a list shows so many.
async fn answer_heads(shared: &Shared, wish: MailWish, most: usize) -> Response {
    let wish = Box::new(wish);
    match asked(shared, |reply| Ask::Mail { wish, reply }).await {
        Ok(MailReply::Heads(heads)) => heads_view(heads, most),
        Ok(MailReply::Counts(counts)) => Json(counts).into_response(),
        Ok(MailReply::Letter(letter)) => Json(view(letter)).into_response(),
        Ok(MailReply::Recalled { stopped, have_it }) => {
            Json(Recalled { stopped, have_it }).into_response()
        }
        Ok(MailReply::Concluded { reported_to }) => Json(Concluded { reported_to }).into_response(),
        Ok(MailReply::Done) => Json("done").into_response(),
        Err(response) => response,
    }
}

fn heads_view(mut heads: Vec<Head>, most: usize) -> Response {
    let more = heads.len() > most;
    heads.truncate(most);
    let heads = heads.into_iter().map(|head| HeadView {
        words: head.words(),
        head,
    });
    let heads = heads.collect();
    Json(Heads { heads, more }).into_response()
}

fn view(letter: Box<Letter>) -> LetterView {
    let title = &letter.message.title;
    LetterView {
        words: letter.words(),
        proof_words: letter.proof.words(),
        reply_to: letter.message.from,
        reply_title: reply_title(title),
        radiogram: radiogram::shown(&letter),
        letter,
    }
}

/// The title of an answer: the same with a mark before it, cut so that it is a title.
fn reply_title(title: &str) -> String {
    const MARK: &str = "Re: ";
    if title.starts_with(MARK) {
        return title.to_owned();
    }
    let room = MOST_TITLE - MARK.len();
    let end = (0..=room.min(title.len())).rev();
    let end = end.into_iter().find(|&at| title.is_char_boundary(at));
    format!("{MARK}{}", &title[..end.unwrap_or(0)])
}

fn no_guests() -> Response {
    let sentence = "guests see the heads of bulletins and no other mail; log in to read it";
    refused(StatusCode::FORBIDDEN, sentence)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_has_one_mark_and_is_a_title() {
        assert_eq!(reply_title("Cots"), "Re: Cots");
        assert_eq!(reply_title("Re: Cots"), "Re: Cots");
        let long = reply_title(&"ö".repeat(40));
        assert_eq!(long.len(), MOST_TITLE);
        assert!(long.starts_with("Re: ö"));
    }
}
