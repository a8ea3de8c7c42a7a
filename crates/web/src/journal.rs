//! Looking back into the journal: what was said, heard and noted, found by words, station and time.
//!
//! The driver has no part in it: each question opens the file for reading, off the thread that serves everybody else.

use std::path::PathBuf;
use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{Extension, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use dunlin_clock::WallTime;
use dunlin_station::TalkId;
use dunlin_store::{Finder, FoundKind, Place, RunId, Sought, StoreError};
use serde::Deserialize;
use serde_json::json;

use crate::api::{Shared, refused, unreadable_question};
use crate::door::{Role, Visitor};

/// Questions that are answered at once.
pub(crate) const MOST_AT_ONCE: usize = 2;
/// Things in one answer, if not asked for otherwise, and at most.
const THINGS: usize = 40;
const MOST_THINGS: usize = 200;
/// Lines of a talk in one answer.
const LINES: usize = 200;
/// Characters of what is looked for.
const MOST_SEARCHED: usize = 200;

/// What is looked for.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    #[serde(default)]
    words: String,
    #[serde(default)]
    station: String,
    /// Milliseconds since 1970.
    from: Option<i64>,
    until: Option<i64>,
    only: Option<FoundKind>,
    most: Option<usize>,
    /// Where to look on, as the answer before said it.
    frame: Option<i64>,
    line: Option<i64>,
    note: Option<i64>,
}

/// Which talk, and from which of its lines on.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct WhichTalk {
    run: i64,
    talk: u64,
    #[serde(default)]
    from: u64,
}

pub(crate) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/api/journal", get(find))
        .route("/api/journal/talk", get(talk))
}

async fn find(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Response {
    let asked = match asked {
        Ok(Query(asked)) => asked,
        Err(rejection) => return unreadable_question(&rejection),
    };
    let station = match asked.station.trim() {
        "" => None,
        text => match text.to_uppercase().parse() {
            Ok(call) => Some(call),
            Err(error) => {
                return refused(StatusCode::BAD_REQUEST, &format!("the station: {error}"));
            }
        },
    };
    let sought = Sought {
        words: asked.words.chars().take(MOST_SEARCHED).collect(),
        station,
        from: asked.from.map(WallTime),
        until: asked.until.map(WallTime),
        only: asked.only,
        behind: Place {
            frame: asked.frame,
            line: asked.line,
            note: asked.note,
        },
        most: asked.most.unwrap_or(THINGS).clamp(1, MOST_THINGS),
    };
    look(&shared, &visitor, move |finder| {
        finder
            .find(&sought)
            .map(|found| Json(found).into_response())
    })
    .await
}

async fn talk(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    which: Result<Query<WhichTalk>, QueryRejection>,
) -> Response {
    let which = match which {
        Ok(Query(which)) => which,
        Err(rejection) => return unreadable_question(&rejection),
    };
    look(&shared, &visitor, move |finder| {
        let (run, id) = (RunId(which.run), TalkId(which.talk));
        let talk = finder.talk(run, id)?;
        let mut lines = finder.talk_lines(run, id, which.from, LINES + 1)?;
        if talk.is_none() && lines.is_empty() {
            let sentence = "the journal keeps no such talk; it may have gone by its age";
            return Ok(refused(StatusCode::NOT_FOUND, sentence));
        }
        let more = lines.len() > LINES;
        lines.truncate(LINES);
        let answer = json!({ "talk": talk, "lines": lines, "more": more });
        Ok(Json(answer).into_response())
    })
    .await
}

/// Looks into the journal for the operator.
async fn look(
    shared: &Shared,
    visitor: &Visitor,
    question: impl FnOnce(&Finder) -> Result<Response, StoreError> + Send + 'static,
) -> Response {
    if visitor.role != Role::Operator {
        return refused(
            StatusCode::FORBIDDEN,
            "only the operator looks into the journal; log in",
        );
    }
    let Some(path) = shared.journal().map(PathBuf::from) else {
        return refused(StatusCode::NOT_FOUND, "this station keeps no journal");
    };
    let Ok(seat) = shared.finders.clone().try_acquire_owned() else {
        let sentence = "other searches are going on; try again in a moment";
        return refused(StatusCode::SERVICE_UNAVAILABLE, sentence);
    };
    let looked = tokio::task::spawn_blocking(move || {
        // It is taken until the search is through, also if nobody waits for it any more.
        let _seat = seat;
        question(&Finder::open(&path)?)
    });
    match looked.await {
        Ok(Ok(response)) => response,
        Ok(Err(error)) => refused(StatusCode::INTERNAL_SERVER_ERROR, &error.to_string()),
        Err(_) => refused(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the search broke off; try again",
        ),
    }
}
