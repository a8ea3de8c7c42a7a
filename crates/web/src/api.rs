//! The snapshot and the commands, as JSON.

use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use axum::extract::rejection::{JsonRejection, QueryRejection};
use axum::extract::{Extension, FromRequest, Query, Request, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use dunlin_station::{CallSign, Command, Snapshot};
use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;

use crate::door::{Door, Role, Visitor};
use crate::{Answer, Ask, Hub, WebConfig, World, files, journal, recording, stream};

/// How long a client waits for the driver before it is told that nobody answers.
const PATIENCE: Duration = Duration::from_secs(5);

/// What all handlers share.
#[derive(Debug)]
pub(crate) struct Shared {
    pub(crate) hub: Arc<Hub>,
    pub(crate) seats: Arc<Semaphore>,
    /// One for each recording that is being made.
    pub(crate) recordings: Arc<Semaphore>,
    /// One for each search in the journal.
    pub(crate) finders: Arc<Semaphore>,
    /// One for each file that comes or goes.
    pub(crate) files: Arc<Semaphore>,
    pub(crate) door: Door,
    /// Served under TLS.
    pub(crate) secure: bool,
    config: WebConfig,
    asking: SyncSender<Ask>,
}

/// Everything at one moment, with what a page needs to show and continue it.
#[derive(Clone, Debug, Serialize)]
pub struct Greeting {
    /// Names this run of the program; the first part of every event's id.
    pub run: String,
    /// Number of the last event that the snapshot contains; the next is this plus one.
    pub seq: u64,
    /// In which world the station runs.
    pub world: World,
    /// Civil time at zero of the engine's time line, ms since 1970-01-01 00:00 UTC.
    pub wall_ms_at_zero: i64,
    /// Engine seconds per second of civil time; `null` = as fast as it can.
    pub speed: Option<f64>,
    /// What the one who asks may do.
    pub role: Role,
    /// A password is set, so that one can log in and out.
    pub locked: bool,
    /// The state of the station.
    pub snapshot: Snapshot,
}

#[derive(Serialize)]
struct Refused<'a> {
    refused: &'a str,
}

/// An answer that says no, and why.
pub(crate) fn refused(status: StatusCode, sentence: &str) -> Response {
    (status, Json(Refused { refused: sentence })).into_response()
}

pub(crate) fn routes() -> Router<Arc<Shared>> {
    Router::new()
        .route("/api/snapshot", get(snapshot))
        .route("/api/events", get(stream::events))
        .route("/api/command", post(command))
        .route("/api/ways", get(ways))
        .route("/api/recording", get(recording::recording))
        .route("/metrics", get(metrics))
        .fallback(nothing_here)
}

impl Shared {
    pub(crate) fn new(config: WebConfig, hub: Arc<Hub>, asking: SyncSender<Ask>) -> Arc<Shared> {
        Arc::new(Shared {
            hub,
            seats: Arc::new(Semaphore::new(stream::MOST_LISTENERS)),
            finders: Arc::new(Semaphore::new(journal::MOST_AT_ONCE)),
            recordings: Arc::new(Semaphore::new(recording::MOST_AT_ONCE)),
            files: Arc::new(Semaphore::new(files::MOST_AT_ONCE)),
            door: Door::new(config.access.clone()),
            secure: config.tls.is_some(),
            config,
            asking,
        })
    }

    /// File of the journal, if one is kept.
    pub(crate) fn journal(&self) -> Option<&Path> {
        self.config.journal.as_deref()
    }

    /// A fresh snapshot from the driver.
    pub(crate) async fn greeting(&self, visitor: &Visitor) -> Result<Greeting, Response> {
        let (seq, snapshot) = self.ask(|reply| Ask::Snapshot { reply }).await?;
        Ok(Greeting {
            run: self.hub.run().to_owned(),
            seq,
            world: self.config.world,
            wall_ms_at_zero: self.config.wall_at_zero.0,
            speed: self.config.speed,
            role: visitor.role,
            locked: self.door.is_locked(),
            snapshot,
        })
    }

    /// Asks the driver, and waits with patience.
    pub(crate) async fn ask<T>(
        &self,
        question: impl FnOnce(Answer<T>) -> Ask,
    ) -> Result<T, Response> {
        let silence = || {
            let sentence = "the station does not answer; it may be busy or stopping, try again";
            refused(StatusCode::SERVICE_UNAVAILABLE, sentence)
        };
        let (reply, answer) = Answer::new();
        let asked = self.asking.try_send(question(reply));
        asked.map_err(|_| silence())?;
        match tokio::time::timeout(PATIENCE, answer).await {
            Ok(Ok(answer)) => Ok(answer),
            _ => Err(silence()),
        }
    }
}

async fn snapshot(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
) -> Response {
    match shared.greeting(&visitor).await {
        Ok(greeting) => Json(greeting).into_response(),
        Err(response) => response,
    }
}

/// Whom to reach.
#[derive(Debug, Deserialize)]
struct Whom {
    #[serde(default)]
    to: String,
}

/// What is known of the ways to a station.
async fn ways(State(shared): State<Arc<Shared>>, Query(whom): Query<Whom>) -> Response {
    let to: CallSign = match whom.to.parse() {
        Ok(to) => to,
        Err(error) => {
            let sentence = format!("whom to reach is asked with ?to=QM3BAR: {error}");
            return refused(StatusCode::BAD_REQUEST, &sentence);
        }
    };
    match shared.ask(|reply| Ask::Ways { to, reply }).await {
        Ok(ways) => Json(ways).into_response(),
        Err(response) => response,
    }
}

/// Figures of the station in the Prometheus text format, version 0.0.4.
async fn metrics(State(shared): State<Arc<Shared>>) -> Response {
    let format = [(
        header::CONTENT_TYPE,
        "text/plain; version=0.0.4; charset=utf-8",
    )];
    match shared.ask(|reply| Ask::Metrics { reply }).await {
        Ok(text) => (format, text).into_response(),
        Err(response) => response,
    }
}

async fn command(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    request: Request,
) -> Response {
    let command = match Json::<Command>::from_request(request, &()).await {
        Ok(Json(command)) => command,
        Err(rejection) => return unreadable(&rejection),
    };
    let command = signed(command, &visitor.words());
    match shared.ask(|reply| Ask::Command { command, reply }).await {
        Ok(Ok(reply)) => Json(reply).into_response(),
        Ok(Err(refusal)) => refused(StatusCode::CONFLICT, &refusal.to_string()),
        Err(response) => response,
    }
}

/// Who asks is what the server knows, never what the client says.
fn signed(mut command: Command, asker: &str) -> Command {
    if let Command::Stop { by, .. } | Command::Start { by, .. } | Command::Mute { by, .. } =
        &mut command
    {
        asker.clone_into(by);
    }
    command
}

pub(crate) fn unreadable(rejection: &JsonRejection) -> Response {
    let sentence = match rejection.status() {
        StatusCode::PAYLOAD_TOO_LARGE => {
            "this is too long for one command; send less at once".to_owned()
        }
        StatusCode::UNSUPPORTED_MEDIA_TYPE => {
            "a command must be JSON, sent with Content-Type: application/json".to_owned()
        }
        _ => format!("this command cannot be read: {}", rejection.body_text()),
    };
    refused(rejection.status(), &sentence)
}

pub(crate) fn unreadable_question(rejection: &QueryRejection) -> Response {
    let sentence = format!("this question cannot be read: {}", rejection.body_text());
    refused(StatusCode::BAD_REQUEST, &sentence)
}

async fn nothing_here() -> Response {
    refused(
        StatusCode::NOT_FOUND,
        "there is nothing at this address; the page is at /",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_commands_of_the_page_on_relaying_are_read_as_they_stand_there() {
        let page = include_str!("../../../docs/relaying.md");
        let commands = page.split('`').filter(|piece| piece.starts_with("{\"do\""));
        let commands: Vec<&str> = commands.collect();
        assert!(!commands.is_empty());
        for text in commands {
            let command: Command = serde_json::from_str(text).expect(text);
            let command = signed(command, "the operator");
            match &command {
                Command::Mute { by, .. } => assert_eq!(by, "the operator"),
                Command::SayToVisitor { .. } => {}
                other => panic!("the page does not tell of {other:?}"),
            }
        }
    }
}
