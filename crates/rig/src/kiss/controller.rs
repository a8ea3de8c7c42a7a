//! A hardware controller in KISS mode, as the driver sees it.

use std::collections::BTreeSet;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver, Sender};
use std::sync::{Arc, Mutex, PoisonError};

use dunlin_clock::Duration;
use dunlin_framing::kiss::DEFAULT_LONGEST;
use thiserror::Error;

use super::keeper;
use super::link;
use super::settings::{ControllerSettings, SettingsFault};
use super::wake::Bell;

/// Most frames that may wait to be handed over at once. A controller sends at the speed of
/// its radio; more than this would only grow old.
const MOST_WAITING: usize = 64;
/// Longest wait for the thread to end when a controller is closed. It may be inside a name
/// look-up; then it ends by itself later and tells nobody anything any more.
const LONGEST_CLOSING: std::time::Duration = std::time::Duration::from_secs(1);

/// Names one frame given to [`Controller::send`], so that its answer can be told apart.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticket(pub u64);

/// What a controller tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ControllerEvent {
    /// The link is open and the parameters of all ports were sent. `detail` says in a line
    /// what was opened and what was sent.
    Ready {
        /// For the log.
        detail: String,
    },
    /// The last octet of a frame has been handed over to the link. Whether the controller
    /// keyed its radio, and when, nobody but the controller knows.
    Handed {
        /// Which frame.
        ticket: Ticket,
    },
    /// A frame was not handed over, or not to its end.
    NotHanded {
        /// Which frame.
        ticket: Ticket,
        /// Why.
        reason: String,
    },
    /// The controller says that a frame has left its transmitter. Only with
    /// [`ControllerSettings::acknowledged`]; comes after [`ControllerEvent::Handed`].
    Transmitted {
        /// Which frame.
        ticket: Ticket,
    },
    /// The link is gone or could not be opened; it is tried again and again, with growing
    /// pauses, until it is [`ControllerEvent::Ready`] or closed. Told again only when the
    /// reason is another one.
    Lost {
        /// Why.
        reason: String,
        /// Time until the next try; later ones come at longer intervals, up to 30 s.
        retry_in: Duration,
    },
    /// What was seen is odd: what it was, what it probably means, what to do.
    Advice {
        /// The sentences.
        text: String,
    },
}

/// Where a controller's events go. Called from the controller's own thread.
pub trait ControllerSink: Send + Sync {
    /// Takes a frame heard on port `number` of the controller: octets from the addresses to
    /// the information, without FCS; `false` if there was no room and it is dropped. Never
    /// waits.
    fn heard(&self, number: u8, octets: Vec<u8>) -> bool;
    /// Takes anything else. Never waits.
    fn tell(&self, event: ControllerEvent);
}

/// What a controller did since it was opened.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ControllerCounts {
    /// Frames heard and given to the sink.
    pub heard: u64,
    /// Frames handed over to the link.
    pub handed: u64,
    /// Frames heard that the sink had no room for.
    pub no_room: u64,
    /// Frames heard that were dropped because too many came at once.
    pub flooded: u64,
    /// Frames of ports that the plan does not name; dropped.
    pub unknown_ports: u64,
    /// Frames of commands that a controller never sends; dropped.
    pub unknown_commands: u64,
    /// Frames longer than the limit; dropped.
    pub too_long: u64,
    /// Escapes that were none.
    pub bad_escapes: u64,
    /// Frames in which such an escape stood, and octets are missing; dropped.
    pub damaged: u64,
    /// Frames that were our own, returned to us; dropped.
    pub echoes: u64,
    /// Octets before the first frame of a link.
    pub stray_octets: u64,
    /// Links opened.
    pub links: u64,
}

/// Why a controller cannot be opened at all.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ControllerError {
    /// The settings are wrong.
    #[error(transparent)]
    Settings(#[from] SettingsFault),
    /// Something that only a person can mend.
    #[error("the KISS controller at {link}: {reason}")]
    Unusable {
        /// Where it is.
        link: String,
        /// What it is, and what to do.
        reason: String,
    },
}

/// Why a frame was not taken.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum SendError {
    /// The controller has no such port in its settings.
    #[error("the controller at {link} has no port {number} in the plan")]
    NoSuchPort {
        /// Where the controller is.
        link: String,
        /// The port asked for.
        number: u8,
    },
    /// It has no octets, or more than KISS controllers can be trusted to take.
    #[error("a frame of {0} octets; 1 to 2048 are allowed")]
    Length(usize),
    /// Too many frames wait already.
    #[error("{MOST_WAITING} frames wait for the controller at {0} already")]
    Full(String),
    /// The thread that serves the controller has ended, which is a bug.
    #[error("nobody serves the controller at {0} any more")]
    Ended(String),
}

/// What the owner of a controller asks its keeper.
#[derive(Debug)]
pub(crate) enum Order {
    Send {
        number: u8,
        octets: Vec<u8>,
        ticket: Ticket,
    },
    Hush,
    Close,
}

/// What the owner and the keeper of a controller share.
pub(crate) struct Shared {
    pub(crate) sink: Arc<dyn ControllerSink>,
    pub(crate) bell: Bell,
    /// Frames taken and not yet answered.
    waiting: AtomicUsize,
    counts: Mutex<ControllerCounts>,
}

impl Shared {
    pub(crate) fn count(&self, what: impl FnOnce(&mut ControllerCounts)) {
        what(&mut self.counts.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// Answers a frame; each exactly once.
    pub(crate) fn answer(&self, ticket: Ticket, outcome: Result<(), String>) {
        self.waiting.fetch_sub(1, Ordering::Relaxed);
        match outcome {
            Ok(()) => {
                self.count(|c| c.handed += 1);
                self.sink.tell(ControllerEvent::Handed { ticket });
            }
            Err(reason) => self
                .sink
                .tell(ControllerEvent::NotHanded { ticket, reason }),
        }
    }
}

/// A hardware controller, kept open by a thread of its own until dropped.
pub struct Controller {
    link: String,
    numbers: BTreeSet<u8>,
    orders: Sender<Order>,
    shared: Arc<Shared>,
    ended: Receiver<()>,
    next: u64,
}

impl Controller {
    /// Starts to keep the controller of these settings open. `name` is for the thread.
    ///
    /// A device that is not there yet, or an address where nothing answers, is no error:
    /// after a power cut they may come later than this program. It is told as
    /// [`ControllerEvent::Lost`] and tried again.
    ///
    /// # Errors
    /// What a person must mend: wrong settings, a path that is no serial line, a missing
    /// permission.
    pub fn open(
        name: &str,
        settings: ControllerSettings,
        sink: Arc<dyn ControllerSink>,
    ) -> Result<Controller, ControllerError> {
        settings.check()?;
        let link = settings.link.to_string();
        let unusable = |reason| ControllerError::Unusable {
            link: link.clone(),
            reason,
        };
        link::check(&settings.link).map_err(unusable)?;
        let bell = Bell::new().map_err(|e| unusable(format!("no bell for it: {e}")))?;
        let shared = Arc::new(Shared {
            sink,
            bell,
            waiting: AtomicUsize::new(0),
            counts: Mutex::default(),
        });
        let (orders, inbox) = mpsc::channel();
        let (end, ended) = mpsc::channel();
        let numbers = settings.ports.iter().map(|p| p.number).collect();
        std::thread::Builder::new()
            .name(format!("KISS to {name}"))
            .spawn({
                let shared = shared.clone();
                move || {
                    keeper::keep(&settings, &shared, &inbox);
                    let _ = end.send(());
                }
            })
            .map_err(|e| unusable(format!("no thread for it: {e}")))?;
        Ok(Controller {
            link,
            numbers,
            orders,
            shared,
            ended,
            next: 0,
        })
    }

    /// Gives a frame (addresses to information, without FCS) to port `number` of the
    /// controller. Once taken, it is answered by exactly one [`ControllerEvent::Handed`] or
    /// [`ControllerEvent::NotHanded`].
    ///
    /// # Errors
    /// Why it was not taken.
    pub fn send(&mut self, number: u8, octets: &[u8]) -> Result<Ticket, SendError> {
        if !self.numbers.contains(&number) {
            return Err(SendError::NoSuchPort {
                link: self.link.clone(),
                number,
            });
        }
        if octets.is_empty() || octets.len() > DEFAULT_LONGEST {
            return Err(SendError::Length(octets.len()));
        }
        if self.shared.waiting.fetch_add(1, Ordering::Relaxed) >= MOST_WAITING {
            self.shared.waiting.fetch_sub(1, Ordering::Relaxed);
            return Err(SendError::Full(self.link.clone()));
        }
        let ticket = Ticket(self.next);
        self.next += 1;
        let order = Order::Send {
            number,
            octets: octets.to_vec(),
            ticket,
        };
        if self.orders.send(order).is_err() {
            self.shared.waiting.fetch_sub(1, Ordering::Relaxed);
            return Err(SendError::Ended(self.link.clone()));
        }
        self.shared.bell.ring();
        Ok(ticket)
    }

    /// Drops every frame of which no octet has been handed over; each is answered by
    /// [`ControllerEvent::NotHanded`]. What the controller has, it will send: KISS knows no
    /// way to call it back.
    pub fn hush(&mut self) {
        let _ = self.orders.send(Order::Hush);
        self.shared.bell.ring();
    }

    /// What it did so far.
    pub fn counts(&self) -> ControllerCounts {
        *self
            .shared
            .counts
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Controller {
    fn drop(&mut self) {
        let _ = self.orders.send(Order::Close);
        self.shared.bell.ring();
        let _ = self.ended.recv_timeout(LONGEST_CLOSING);
    }
}
