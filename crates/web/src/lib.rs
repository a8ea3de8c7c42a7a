//! The page of the station and its API, on the loopback interface only.
//!
//! This crate decides nothing: it shows what the engine tells and hands on what people ask.
//! It knows no engine either. A driver (the thread that owns the engine) starts it with
//! [`serve`] and then does three things, here in full:
//!
//! ```
//! # use dunlin_web::{Ask, Hub, Web};
//! # use dunlin_clock::Instant;
//! # use dunlin_station::{Command, Event, Refusal, Reply, Snapshot};
//! # trait Station {
//! #     fn command(&mut self, now: Instant, command: Command) -> Result<Reply, Refusal>;
//! #     fn snapshot(&self, now: Instant) -> Snapshot;
//! #     fn poll(&mut self) -> Option<Event>;
//! # }
//! fn one_turn(web: &Web, station: &mut impl Station, now: Instant) {
//!     web.hub.tick(now); // 1. say what time it is for the engine (cheap; each turn)
//!     while let Ok(ask) = web.asks.try_recv() {
//!         // or recv_timeout(until the next wake-up), to be woken by the page at once
//!         match ask {
//!             Ask::Command { command, reply } => reply.send(station.command(now, command)),
//!             Ask::Snapshot { reply } => reply.send((web.hub.last(), station.snapshot(now))),
//!         }
//!         drain(web, station); // 3. before the next ask, see below
//!     }
//! }
//!
//! fn drain(web: &Web, station: &mut impl Station) {
//!     while let Some(event) = station.poll() {
//!         web.hub.publish(&event); // 2. every event, in order, exactly once
//!     }
//! }
//! ```
//!
//! The one rule: when [`Ask::Snapshot`] is answered, every event that the engine has put out
//! must have been published, because [`Hub::last`] tells the page that the snapshot holds
//! everything up to that number. Draining after each ask keeps the rule.
//!
//! # What is served
//!
//! | Path | Method | What |
//! |---|---|---|
//! | `/` and `/assets/…` | GET | the page, embedded in the binary |
//! | `/api/snapshot` | GET | everything at one moment, see [`Greeting`] |
//! | `/api/events` | GET | server-sent events, see below |
//! | `/api/command` | POST | a [`Command`] as JSON; answers a [`Reply`] or `{"refused": "…"}` |
//!
//! Each server-sent event has the id `<run>-<number>` and an [`dunlin_station::Event`] as
//! data. A client that sends the id of the last event it has (`Last-Event-ID`, or `?after=`)
//! gets exactly those that follow. A client without one, from another run, or too late for
//! the ring gets an `event: snapshot` first. An `event: now` without id comes every second
//! with the engine's time, so that a page sees a dead connection and a slow engine.
//!
//! # What is refused
//!
//! Requests whose `Host` is not this address (a page of another name that was pointed here),
//! whose `Origin` is another page, bodies over 64 KiB, commands that are not
//! `application/json`. Only the loopback address is bound.

mod api;
mod assets;
mod guard;
mod hub;
mod stream;

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::mpsc;

use axum::Router;
use axum::serve::ListenerExt;
use dunlin_clock::WallTime;
use dunlin_station::{Command, Refusal, Reply, Snapshot};
use serde::Serialize;
use thiserror::Error;
use tokio::sync::oneshot;

pub use api::Greeting;
pub use hub::Hub;

/// Questions that may wait for the driver; more are answered "try again".
const MOST_ASKS: usize = 64;

/// In which world the station runs; the page shows it plainly.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum World {
    /// Simulated bands: nothing can key a radio.
    Rehearsal,
    /// Real devices.
    OnTheAir,
}

/// How to serve the page.
#[derive(Clone, Debug)]
pub struct WebConfig {
    /// TCP port on the loopback address; 0 = any free one.
    pub port: u16,
    /// In which world the station runs.
    pub world: World,
    /// Civil time at the zero of the engine's time line.
    pub wall_at_zero: WallTime,
    /// Engine seconds per second of civil time (1 = real time); `None` = as fast as it can,
    /// then the page takes its "now" from the engine alone.
    pub speed: Option<f64>,
}

/// A question of the web side to whoever owns the engine. If the answer is not sent (the
/// reply is dropped), the client is told that the station does not answer.
#[derive(Debug)]
pub enum Ask {
    /// Carry this out.
    Command {
        /// What to do.
        command: Command,
        /// Where the answer goes.
        reply: Answer<Result<Reply, Refusal>>,
    },
    /// Tell everything that there is, with [`Hub::last`] at that moment.
    Snapshot {
        /// Where the answer goes.
        reply: Answer<(u64, Snapshot)>,
    },
}

/// Where the answer to an [`Ask`] goes.
#[derive(Debug)]
pub struct Answer<T>(oneshot::Sender<T>);

impl<T> Answer<T> {
    /// Sends the answer. It is lost, harmlessly, if the client has gone.
    pub fn send(self, answer: T) {
        let _ = self.0.send(answer);
    }

    /// A place for an answer, and where to wait for it.
    pub(crate) fn new() -> (Self, oneshot::Receiver<T>) {
        let (sender, receiver) = oneshot::channel();
        (Answer(sender), receiver)
    }
}

/// A running web side. It stops when this is dropped.
#[derive(Debug)]
pub struct Web {
    /// Where it listens.
    pub address: SocketAddr,
    /// Where events go in.
    pub hub: Arc<Hub>,
    /// What clients ask; to be answered by the driver as shown in the crate's description.
    pub asks: mpsc::Receiver<Ask>,
    runtime: Option<tokio::runtime::Runtime>,
}

impl Web {
    /// The address of the page, for people.
    pub fn url(&self) -> String {
        format!("http://{}/", self.address)
    }
}

impl Drop for Web {
    fn drop(&mut self) {
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_background();
        }
    }
}

/// Why the page cannot be served.
#[derive(Debug, Error)]
pub enum WebError {
    /// Another program listens there.
    #[error(
        "port {0} on this machine is already in use, perhaps by another Dunlin; \
         choose another with --port, or --port 0 for any free one"
    )]
    PortInUse(u16),
    /// The operating system refuses for another reason.
    #[error("cannot listen on 127.0.0.1 port {port}: {source}; choose another with --port")]
    Listen {
        /// The TCP port.
        port: u16,
        /// What the operating system says.
        source: std::io::Error,
    },
    /// No thread or no event queue could be had.
    #[error("cannot start the thread that serves the page: {0}")]
    Runtime(std::io::Error),
}

/// Starts to serve the page on the loopback address, on threads of its own.
///
/// # Errors
/// If the port is in use or cannot be bound; each error says what to do.
pub fn serve(config: WebConfig) -> Result<Web, WebError> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .thread_name("dunlin-web")
        .enable_all()
        .build()
        .map_err(WebError::Runtime)?;
    let place = SocketAddr::from((Ipv4Addr::LOCALHOST, config.port));
    let listener = runtime
        .block_on(tokio::net::TcpListener::bind(place))
        .map_err(|source| match source.kind() {
            std::io::ErrorKind::AddrInUse => WebError::PortInUse(config.port),
            _ => WebError::Listen {
                port: config.port,
                source,
            },
        })?;
    let address = listener.local_addr().map_err(WebError::Runtime)?;
    let run = format!("{:x}.{:x}", config.wall_at_zero.0, std::process::id());
    let hub = Arc::new(Hub::new(run));
    let (asking, asks) = mpsc::sync_channel(MOST_ASKS);
    let state = api::Shared::new(config, hub.clone(), asking);
    let app = router(state, address.port());
    let listener = listener.tap_io(|tcp| {
        // Otherwise a short event may wait for the acknowledgement of the one before.
        let _ = tcp.set_nodelay(true);
    });
    runtime.spawn(async move {
        if let Err(error) = axum::serve(listener, app).await {
            tracing::error!("the page is served no longer: {error}");
        }
    });
    Ok(Web {
        address,
        hub,
        asks,
        runtime: Some(runtime),
    })
}

fn router(state: Arc<api::Shared>, port: u16) -> Router {
    let guarded = api::routes().merge(assets::routes()).with_state(state);
    guard::guarded(guarded, port)
}
