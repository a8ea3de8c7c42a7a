//! Our ports as KISS over TCP, for other programs of the shack.
//!
//! A client's frames are requests, no more: they go to the sink, and from there through the
//! same gate as our own. When and how a port sends is the station plan's affair; parameters
//! that a client sends are noted and not followed.

mod client;
mod turn;

use std::collections::{BTreeMap, VecDeque};
use std::net::{SocketAddr, TcpListener};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use dunlin_framing::kiss::{Command, DEFAULT_LONGEST, KissPort, encode};
use dunlin_station::PortId;
use thiserror::Error;

use super::wake::Bell;

/// Most frames that wait for the server's thread to take them to its clients.
const MOST_HEARD_WAITING: usize = 1024;

/// How much clients may do.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ServerLimits {
    /// Clients at once, 1 to 64.
    pub clients: usize,
    /// Octets of a client's frame, 64 to 65 536. A longer one is dropped.
    pub frame_octets: usize,
    /// Frames that a client may send per second, on the average of five seconds; above 0. One
    /// that sends more is cut.
    pub frames_per_second: f64,
    /// Frames heard that wait for one slow client, 1 to 4096. When there are more, the oldest
    /// is dropped for that client.
    pub waiting: usize,
}

impl Default for ServerLimits {
    /// 8 clients, frames of 2048 octets, 20 frames a second, 256 frames waiting.
    fn default() -> Self {
        ServerLimits {
            clients: 8,
            frame_octets: DEFAULT_LONGEST,
            frames_per_second: 20.0,
            waiting: 256,
        }
    }
}

/// What a server needs to know.
#[derive(Clone, Debug, PartialEq)]
pub struct ServerSettings {
    /// Where to listen; port 0 takes any that is free.
    pub address: SocketAddr,
    /// Allows an address that others on the network reach. There is no password in KISS:
    /// whoever reaches it can ask our ports to transmit.
    pub beyond_loopback: bool,
    /// Port of KISS (0 to 15) to port of the station, at least one.
    pub ports: BTreeMap<u8, PortId>,
    /// How much clients may do.
    pub limits: ServerLimits,
}

/// What a server tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ServerEvent {
    /// A program has connected.
    ClientCame {
        /// Its number; never used twice in one run.
        client: u64,
        /// Where it is.
        address: SocketAddr,
    },
    /// A client is gone.
    ClientWent {
        /// Which.
        client: u64,
        /// Why; a sentence if we have cut it.
        why: String,
    },
    /// A program wanted to connect and was sent away.
    Refused {
        /// Where it is.
        address: SocketAddr,
        /// Why.
        why: String,
    },
    /// A client did something that has no effect, or is slow. Told once for each kind and
    /// client, about slowness at most once a minute.
    Note {
        /// Which.
        client: u64,
        /// What, and what follows.
        text: String,
    },
}

/// Where a server's events go. Called from the server's own thread.
pub trait ServerSink: Send + Sync {
    /// Takes a frame that a client wants sent: octets from the addresses to the information,
    /// without FCS, unchecked; `false` if there was no room and it is dropped. Never waits.
    fn client_frame(&self, client: u64, port: PortId, octets: Vec<u8>) -> bool;
    /// Takes anything else. Never waits.
    fn tell(&self, event: ServerEvent);
}

/// What a server did since it was started.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ServerCounts {
    /// Clients at this moment.
    pub clients: u64,
    /// Clients that came.
    pub came: u64,
    /// Frames from clients, given to the sink.
    pub from_clients: u64,
    /// Frames from clients for which the sink had no room.
    pub no_room: u64,
    /// Frames from clients that were dropped: other commands, ports that are not offered, too
    /// long, damaged.
    pub ignored: u64,
    /// Frames heard, taken by the link to a client; one for each client.
    pub to_clients: u64,
    /// Frames heard that a slow client lost.
    pub lost_by_slow: u64,
}

/// Why a server cannot be started.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ServerError {
    /// A setting is wrong.
    #[error("the KISS server: {0}")]
    Settings(String),
    /// The address is not to be had.
    #[error("the KISS server cannot listen at {address}: {reason}")]
    Listen {
        /// Where.
        address: SocketAddr,
        /// Why, and what to do.
        reason: String,
    },
}

impl ServerSettings {
    /// A server for programs of this machine only, with the default limits.
    pub fn loopback(port: u16, ports: BTreeMap<u8, PortId>) -> Self {
        ServerSettings {
            address: SocketAddr::from(([127, 0, 0, 1], port)),
            beyond_loopback: false,
            ports,
            limits: ServerLimits::default(),
        }
    }

    /// Looks whether a server can be started with these.
    ///
    /// # Errors
    /// The first thing that is wrong.
    pub fn check(&self) -> Result<(), ServerError> {
        let fault = |what: String| Err(ServerError::Settings(what));
        if !self.beyond_loopback && !self.address.ip().is_loopback() {
            return fault(format!(
                "{} can be reached by others, who could then transmit through this station. \
                 Listen at 127.0.0.1, or allow it in the plan on purpose",
                self.address
            ));
        }
        if self.ports.is_empty() {
            return fault("it offers no port; name at least one".into());
        }
        if let Some(fault_) = self.ports.keys().find_map(|n| KissPort::new(*n).err()) {
            return fault(fault_.to_string());
        }
        let limits = &self.limits;
        let ranges = [
            ("most clients", limits.clients, 1, 64),
            ("most octets of a frame", limits.frame_octets, 64, 65_536),
            ("most frames waiting", limits.waiting, 1, 4096),
        ];
        for (name, value, least, most) in ranges {
            if !(least..=most).contains(&value) {
                return fault(format!("{name}: {value} is not within {least} and {most}"));
            }
        }
        let rate = limits.frames_per_second;
        if !(rate > 0.0 && rate <= 10_000.0) {
            return fault(format!(
                "{rate} frames per second is not within 0 and 10000"
            ));
        }
        Ok(())
    }
}

/// What the owner of a server and its thread share.
pub(crate) struct Shared {
    pub(crate) sink: Arc<dyn ServerSink>,
    pub(crate) settings: ServerSettings,
    pub(crate) bell: Bell,
    pub(crate) closing: AtomicBool,
    /// Encoded frames heard, for all clients.
    heard: Mutex<VecDeque<Arc<[u8]>>>,
    counts: Mutex<ServerCounts>,
}

impl Shared {
    pub(crate) fn count(&self, what: impl FnOnce(&mut ServerCounts)) {
        what(&mut self.counts.lock().unwrap_or_else(PoisonError::into_inner));
    }

    pub(crate) fn take_heard(&self) -> VecDeque<Arc<[u8]>> {
        std::mem::take(&mut self.heard.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// A server, which runs in a thread of its own until dropped.
pub struct KissServer {
    address: SocketAddr,
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl KissServer {
    /// Starts to listen.
    ///
    /// # Errors
    /// Wrong settings, or an address that is not to be had.
    pub fn start(
        settings: ServerSettings,
        sink: Arc<dyn ServerSink>,
    ) -> Result<KissServer, ServerError> {
        settings.check()?;
        let address = settings.address;
        let listen = |reason: String| ServerError::Listen { address, reason };
        let listener = TcpListener::bind(address).map_err(|e| {
            listen(match e.kind() {
                std::io::ErrorKind::AddrInUse => {
                    "another program listens there; end it, or choose another port".into()
                }
                std::io::ErrorKind::PermissionDenied => {
                    "this user may not; choose a port above 1023".into()
                }
                std::io::ErrorKind::AddrNotAvailable => "this machine has no such address".into(),
                _ => e.to_string(),
            })
        })?;
        listener
            .set_nonblocking(true)
            .map_err(|e| listen(e.to_string()))?;
        let address = listener.local_addr().map_err(|e| listen(e.to_string()))?;
        let bell = Bell::new().map_err(|e| listen(e.to_string()))?;
        let shared = Arc::new(Shared {
            sink,
            settings,
            bell,
            closing: AtomicBool::new(false),
            heard: Mutex::default(),
            counts: Mutex::default(),
        });
        let thread = std::thread::Builder::new()
            .name("KISS server".into())
            .spawn({
                let shared = shared.clone();
                move || turn::serve(&listener, &shared)
            })
            .map_err(|e| listen(format!("no thread for it: {e}")))?;
        Ok(KissServer {
            address,
            shared,
            thread: Some(thread),
        })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Gives a frame heard on a port (octets from the addresses to the information, without
    /// FCS) to all clients, under each number by which the port is offered. Never waits.
    pub fn heard(&self, port: PortId, octets: &[u8]) {
        let offered = self.shared.settings.ports.iter();
        let numbers = offered.filter(|(_, id)| **id == port);
        for number in numbers.filter_map(|(number, _)| KissPort::new(*number).ok()) {
            let line: Arc<[u8]> = encode(number, Command::Data, octets).into();
            let mut heard = self
                .shared
                .heard
                .lock()
                .unwrap_or_else(PoisonError::into_inner);
            if heard.len() >= MOST_HEARD_WAITING {
                heard.pop_front();
            }
            heard.push_back(line);
        }
        self.shared.bell.ring();
    }

    /// What it did so far.
    pub fn counts(&self) -> ServerCounts {
        *self
            .shared
            .counts
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for KissServer {
    fn drop(&mut self) {
        self.shared.closing.store(true, Ordering::Release);
        self.shared.bell.ring();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests;
