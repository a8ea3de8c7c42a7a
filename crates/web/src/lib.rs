//! The page of the station and its API: on the loopback interface, and beyond it only with a
//! password.
//!
//! This crate decides nothing: it shows what the engine tells and hands on what people ask.
//! It knows no engine either. A driver (the thread that owns the engine) starts it with
//! [`serve`] and then does three things, here in full:
//!
//! ```
//! # use dunlin_web::{Ask, FileRefusal, FileReply, FileWish};
//! # use dunlin_web::{Hub, MailRefusal, MailReply, MailWish, Recording, Web, Written};
//! # use dunlin_clock::Instant;
//! # use dunlin_station::{CallSign, Command, Draft, Event, FormalDraft, FormalReckoning, PortId};
//! # use dunlin_station::{Reckoning, Refusal, Reply, Snapshot, WaysView};
//! # trait Station {
//! #     fn command(&mut self, now: Instant, command: Command) -> Result<Reply, Refusal>;
//! #     fn snapshot(&self, now: Instant) -> Snapshot;
//! #     fn metrics(&self, now: Instant) -> String;
//! #     fn ways_to(&self, now: Instant, to: CallSign) -> WaysView;
//! #     fn mail(&mut self, now: Instant, wish: MailWish) -> Result<MailReply, MailRefusal>;
//! #     fn write(&mut self, now: Instant, draft: Draft) -> Result<Written, MailRefusal>;
//! #     fn reckon(&self, now: Instant, draft: Draft) -> Result<Reckoning, MailRefusal>;
//! #     fn originate(&mut self, now: Instant, draft: FormalDraft) -> Result<Written, MailRefusal>;
//! #     fn count(&self, now: Instant, draft: FormalDraft) -> Result<FormalReckoning, MailRefusal>;
//! #     fn files(&mut self, now: Instant, wish: FileWish) -> Result<FileReply, FileRefusal>;
//! #     fn recording(&self, port: PortId) -> Result<Recording, String>;
//! #     fn poll(&mut self) -> Option<Event>;
//! # }
//! fn one_turn(web: &Web, station: &mut impl Station, now: Instant) {
//!     web.hub.tick(now); // 1. say what time it is for the engine (cheap; each turn)
//!     while let Ok(ask) = web.asks.try_recv() {
//!         // or recv_timeout(until the next wake-up), to be woken by the page at once
//!         match ask {
//!             Ask::Command { command, reply } => reply.send(station.command(now, command)),
//!             Ask::Snapshot { reply } => reply.send((web.hub.last(), station.snapshot(now))),
//!             Ask::Metrics { reply } => reply.send(station.metrics(now)),
//!             Ask::Ways { to, reply } => reply.send(station.ways_to(now, to)),
//!             Ask::Reckon { draft, reply } => reply.send(station.reckon(now, *draft)),
//!             Ask::Count { draft, reply } => reply.send(station.count(now, *draft)),
//!             // These four may be answered later, by whoever keeps the files and the mail.
//!             Ask::Files { wish, reply } => reply.send(station.files(now, *wish)),
//!             Ask::Mail { wish, reply } => reply.send(station.mail(now, *wish)),
//!             Ask::Write { draft, reply } => reply.send(station.write(now, *draft)),
//!             Ask::Originate { draft, reply } => reply.send(station.originate(now, *draft)),
//!             Ask::Recording { port, reply } => reply.send(station.recording(port)),
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
//! | `/api/ways?to=QM3BAR` | GET | the ways to a station, with evidence: a [`WaysView`] |
//! | `/api/mail`, `/api/mail/…` | GET, POST | the mail, see `docs/mail.md` |
//! | `/api/files`, `/api/files/…` | GET, POST | the shelf of files, see `docs/files.md` |
//! | `/api/recording?port=0&as=wav` | GET | the last minute of a port, `wav` or `sigmf`: [`Recording`] |
//! | `/metrics` | GET | figures in the Prometheus text format, from [`Ask::Metrics`] |
//! | `/log-in` | GET | the page that asks for the password |
//! | `/api/log-in`, `/api/log-out` | POST | `{"password": "…"}`, answered with a cookie; the end of it |
//! | `/api/visitor` | GET | what the one who asks may do |
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
//! whose `Origin` is another page, bodies over 64 KiB (of files over 10 MB), commands that are not
//! `application/json`. An address beyond loopback is not served without a password. Where one
//! is set, who has not given it sees the log-in page, or, if guests are allowed, everything
//! but may command nothing, gets no file, and sees of the mail only the heads of bulletins.
//!
//! Who stopped or started the station is filled in here ([`Command::Stop`], `by`); what the
//! client says of it is not believed.

mod api;
mod assets;
mod door;
mod files;
mod guard;
mod hub;
mod journal;
mod listen;
mod log_in;
mod mail;
mod password;
mod radiogram;
mod recording;
mod stream;
mod throttle;

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc;

use axum::Router;
use dunlin_clock::WallTime;
use dunlin_station::{
    CallSign, Command, Draft, FormalDraft, FormalReckoning, PortId, Reckoning, Refusal, Reply,
    Snapshot, WaysView,
};
use serde::Serialize;
use thiserror::Error;
use tokio::sync::oneshot;

pub use api::Greeting;
pub use door::Role;
pub use files::{FileRefusal, FileReply, FileWish};
pub use hub::Hub;
pub use mail::{MailRefusal, MailReply, MailWish, Written};
pub use password::{PasswordError, hash_password};
pub use recording::Recording;

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
    /// Where to listen. Beyond loopback [`WebConfig::access`] must be set.
    pub address: IpAddr,
    /// TCP port; 0 = any free one.
    pub port: u16,
    /// Who may use the page; `None` = everybody on this machine.
    pub access: Option<Access>,
    /// Encrypt; `None` = plain HTTP.
    pub tls: Option<Tls>,
    /// Further names under which browsers reach the page, such as `shack.example` or, behind
    /// another port, `shack.example:8443`.
    pub hosts: Vec<String>,
    /// In which world the station runs.
    pub world: World,
    /// Civil time at the zero of the engine's time line.
    pub wall_at_zero: WallTime,
    /// File of the journal that may be looked into; `None` = there is none.
    pub journal: Option<PathBuf>,
    /// Engine seconds per second of civil time (1 = real time); `None` = as fast as it can,
    /// then the page takes its "now" from the engine alone.
    pub speed: Option<f64>,
}

impl Default for WebConfig {
    /// A rehearsal in real time on any free port of the loopback address.
    fn default() -> Self {
        WebConfig {
            address: IpAddr::V4(Ipv4Addr::LOCALHOST),
            port: 0,
            access: None,
            tls: None,
            hosts: Vec::new(),
            world: World::Rehearsal,
            wall_at_zero: WallTime(0),
            journal: None,
            speed: Some(1.0),
        }
    }
}

/// Who may use the page.
#[derive(Clone)]
pub struct Access {
    /// The operator's password as [`hash_password`] gives it.
    pub password_hash: String,
    /// Without the password one sees everything and commands nothing; otherwise one sees the
    /// log-in page.
    pub guest: bool,
}

impl std::fmt::Debug for Access {
    /// Leaves the hash out, so that it gets into no log.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let guest = self.guest;
        f.debug_struct("Access")
            .field("guest", &guest)
            .finish_non_exhaustive()
    }
}

/// With what to encrypt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tls {
    /// File with the certificate and its chain, PEM.
    pub certificate: PathBuf,
    /// File with its private key, PEM.
    pub key: PathBuf,
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
    /// Tell the figures of the station in the Prometheus text format, version 0.0.4.
    Metrics {
        /// Where the answer goes.
        reply: Answer<String>,
    },
    /// Tell what is known of the ways to a station.
    Ways {
        /// The station.
        to: CallSign,
        /// Where the answer goes.
        reply: Answer<WaysView>,
    },
    /// Something about the mail. The answer may come later than those to other asks.
    Mail {
        /// What is wanted.
        wish: Box<MailWish>,
        /// Where the answer goes.
        reply: Answer<Result<MailReply, MailRefusal>>,
    },
    /// Keep what the operator has written, and send it unless it is to be kept back. As with
    /// [`Ask::Mail`] the answer may come later.
    Write {
        /// What was written.
        draft: Box<Draft>,
        /// Where the answer goes.
        reply: Answer<Result<Written, MailRefusal>>,
    },
    /// Something about the shelf of files. As with [`Ask::Mail`] the answer may come later.
    Files {
        /// What is wanted.
        wish: Box<FileWish>,
        /// Where the answer goes.
        reply: Answer<Result<FileReply, FileRefusal>>,
    },
    /// What a message would cost, were it sent now.
    Reckon {
        /// What was written.
        draft: Box<Draft>,
        /// Where the answer goes.
        reply: Answer<Result<Reckoning, MailRefusal>>,
    },
    /// As [`Ask::Write`], of a radiogram, which gets its number.
    Originate {
        /// What was filled in.
        draft: Box<FormalDraft>,
        /// Where the answer goes.
        reply: Answer<Result<Written, MailRefusal>>,
    },
    /// Count a radiogram, and say what it would cost.
    Count {
        /// What was filled in.
        draft: Box<FormalDraft>,
        /// Where the answer goes.
        reply: Answer<Result<FormalReckoning, MailRefusal>>,
    },
    /// Give a copy of what a port heard in the last minute.
    Recording {
        /// The port.
        port: PortId,
        /// Where the answer goes: the recording, or a sentence that says why there is none.
        reply: Answer<Result<Recording, String>>,
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
    secure: bool,
    runtime: Option<tokio::runtime::Runtime>,
}

impl Web {
    /// The address of the page, for people.
    pub fn url(&self) -> String {
        let scheme = if self.secure { "https" } else { "http" };
        let mut address = self.address;
        if address.ip().is_unspecified() {
            // Listens everywhere; from this machine it is reached here.
            address.set_ip(Ipv4Addr::LOCALHOST.into());
        }
        format!("{scheme}://{address}/")
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
    #[error("cannot listen on {place}: {source}; choose another address or port")]
    Listen {
        /// Address and TCP port.
        place: SocketAddr,
        /// What the operating system says.
        source: std::io::Error,
    },
    /// Whoever reaches the address could command the station.
    #[error(
        "the page would be open to everybody who reaches {0}: set a password (`dunlin password` \
         makes the line for the station plan), or serve it on 127.0.0.1 only"
    )]
    NoPassword(IpAddr),
    /// The hash of the password cannot be used.
    #[error(transparent)]
    Password(#[from] PasswordError),
    /// Certificate or key cannot be used.
    #[error("TLS cannot be used with {file}: {why}; give certificate and key as PEM files")]
    Tls {
        /// The file.
        file: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// No thread or no event queue could be had.
    #[error("cannot start the thread that serves the page: {0}")]
    Runtime(std::io::Error),
}

/// Starts to serve the page, on threads of its own.
///
/// # Errors
/// If the address cannot be bound or must not be without a password, or password hash or
/// certificate cannot be used; each error says what to do.
pub fn serve(config: WebConfig) -> Result<Web, WebError> {
    match &config.access {
        Some(access) => password::check_hash(&access.password_hash)?,
        None if config.address.is_loopback() => {}
        None => return Err(WebError::NoPassword(config.address)),
    }
    let tls = config.tls.as_ref().map(listen::tls).transpose()?;
    let secure = tls.is_some();
    if !secure && !config.address.is_loopback() {
        tracing::warn!(
            "the page is served without TLS: whoever listens on the network can read the password"
        );
    }
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .thread_name("dunlin-web")
        .enable_all()
        .build()
        .map_err(WebError::Runtime)?;
    let listener = listen::bind(&config)?;
    let address = listener.local_addr().map_err(WebError::Runtime)?;
    let run = format!("{:x}.{:x}", config.wall_at_zero.0, std::process::id());
    let hub = Arc::new(Hub::new(run));
    let (asking, asks) = mpsc::sync_channel(MOST_ASKS);
    let names = guard::Names::new(address, secure, config.hosts.clone());
    let state = api::Shared::new(config, hub.clone(), asking);
    runtime.spawn(listen::serve(listener, router(state, names), tls));
    Ok(Web {
        address,
        hub,
        asks,
        secure,
        runtime: Some(runtime),
    })
}

fn router(state: Arc<api::Shared>, names: guard::Names) -> Router {
    let routes = api::routes()
        .merge(assets::routes())
        .merge(log_in::routes())
        .merge(files::routes())
        .merge(journal::routes())
        .merge(mail::routes());
    guard::guarded(routes.with_state(state.clone()), state, names)
}
