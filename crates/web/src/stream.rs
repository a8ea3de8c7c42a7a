//! The live events, as server-sent events (WHATWG HTML standard, section "Server-sent
//! events"): nothing missed, nothing twice, also after a lost connection.

use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Extension, Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::{FutureExt, Stream, stream};
use serde::Deserialize;
use tokio::sync::{OwnedSemaphorePermit, watch};
use tokio::time::{Interval, MissedTickBehavior};

use crate::api::{Shared, refused};
use crate::door::{Role, Visitor};
use crate::hub::Missed;

/// Clients that may listen at once. A browser opens at most six connections to one address.
pub(crate) const MOST_LISTENERS: usize = 32;

/// Events taken from the ring at once; bounds what a slow client holds.
const MOST_AT_ONCE: usize = 256;

/// Time between two "now" events.
const BEAT: Duration = Duration::from_secs(1);

/// Where to go on.
#[derive(Deserialize)]
pub(crate) struct Place {
    /// Id of the last event that the client has.
    after: Option<String>,
}

/// Streams events after the client's last one, or after a snapshot.
pub(crate) async fn events(
    State(shared): State<Arc<Shared>>,
    Extension(visitor): Extension<Visitor>,
    Query(place): Query<Place>,
    headers: HeaderMap,
) -> Response {
    let Ok(seat) = shared.seats.clone().try_acquire_owned() else {
        let sentence = format!(
            "{MOST_LISTENERS} pages listen already, as many as this station serves; close some"
        );
        return refused(StatusCode::SERVICE_UNAVAILABLE, &sentence);
    };
    // The header wins: on its own reconnects the browser repeats the old query.
    let header = headers.get("last-event-id").and_then(|id| id.to_str().ok());
    let id = header.or(place.after.as_deref());
    let listener = Listener {
        at: id.and_then(|id| shared.hub.number(id)),
        changes: shared.hub.changes(),
        waiting: VecDeque::new(),
        beat: beat(),
        shared,
        visitor,
        _seat: seat,
    };
    Sse::new(listener.stream()).into_response()
}

fn beat() -> Interval {
    let mut beat = tokio::time::interval(BEAT);
    beat.set_missed_tick_behavior(MissedTickBehavior::Skip);
    beat
}

struct Listener {
    shared: Arc<Shared>,
    visitor: Visitor,
    /// Number of the last event handed out or waiting; `None` = a snapshot is due.
    at: Option<u64>,
    waiting: VecDeque<(u64, Arc<str>)>,
    changes: watch::Receiver<u64>,
    beat: Interval,
    _seat: OwnedSemaphorePermit,
}

impl Listener {
    fn stream(self) -> impl Stream<Item = Result<Event, Infallible>> {
        stream::unfold(self, |mut listener| async move {
            let event = listener.next().await?;
            Some((Ok(event), listener))
        })
    }

    /// The next thing to tell; `None` if the station no longer answers or has stopped. The
    /// client then tries again from where it was.
    async fn next(&mut self) -> Option<Event> {
        loop {
            if self.beat.tick().now_or_never().is_some() && self.at.is_some() {
                return self.now();
            }
            if let Some((seq, json)) = self.waiting.pop_front() {
                return Some(Event::default().id(self.shared.hub.id(seq)).data(json));
            }
            let Some(at) = self.at else {
                return self.snapshot().await;
            };
            // Seen before looking, so that nothing published in between goes unnoticed.
            self.changes.borrow_and_update();
            match self.shared.hub.missed(at, MOST_AT_ONCE) {
                Missed::Gone => self.at = None,
                Missed::Events(events) if events.is_empty() => tokio::select! {
                    changed = self.changes.changed() => changed.ok()?,
                    _ = self.beat.tick() => return self.now(),
                },
                Missed::Events(events) => {
                    self.at = events.last().map(|(seq, _)| *seq);
                    self.waiting = events.into();
                }
            }
        }
    }

    async fn snapshot(&mut self) -> Option<Event> {
        let greeting = self.shared.greeting(&self.visitor).await.ok()?;
        let json = serde_json::to_string(&greeting).ok()?;
        self.at = Some(greeting.seq);
        let id = self.shared.hub.id(greeting.seq);
        Some(Event::default().event("snapshot").id(id).data(json))
    }

    /// The time; `None` if the listener's log-in has ended meanwhile.
    fn now(&self) -> Option<Event> {
        let role = self.shared.door.role(self.visitor.token.as_deref());
        if role == Role::Nobody || role != self.visitor.role {
            return None;
        }
        let now_ms = self.shared.hub.now_ms();
        let data = format!("{{\"now_ms\":{now_ms}}}");
        Some(Event::default().event("now").data(data))
    }
}
