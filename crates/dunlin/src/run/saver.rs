//! Writes the state of the station on a thread of its own, because putting a file on a disk
//! can take longer than a keyer waits for its beat.

use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::thread::JoinHandle;

use anyhow::{Context, Result};
use dunlin_clock::Duration;
use dunlin_rig::Identities;

use super::driver::Message;
use crate::state::{KeptStop, Starts, StateDir, write_identities, write_stops};

/// How soon something that could not be kept is tried again.
const RETRY: Duration = Duration::from_secs(5);

/// Something to keep.
#[derive(Debug)]
pub(super) enum Keep {
    /// Who has stopped what.
    Stops(Vec<KeptStop>),
    /// What the devices of a port are.
    Identities(String, Box<Identities>),
    /// The run has lasted long enough to count as good.
    Proved,
    /// The run ends in good order.
    End,
}

/// The thread that keeps things.
pub(super) struct Saver {
    orders: Sender<Keep>,
    thread: JoinHandle<()>,
}

impl Saver {
    /// Starts the thread; trouble with the disk goes to `tell`.
    pub(super) fn start(state: StateDir, starts: Starts, tell: Sender<Message>) -> Result<Saver> {
        let (orders, inbox) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("dunlin-state".into())
            .spawn(move || keep(&state, starts, &inbox, &tell))
            .context("no thread for the state of the station")?;
        Ok(Saver { orders, thread })
    }

    /// Where things to keep go.
    pub(super) fn orders(&self) -> Sender<Keep> {
        self.orders.clone()
    }

    /// Notes that the run ends in good order, and waits until everything is kept.
    pub(super) fn end(self) {
        let _ = self.orders.send(Keep::End);
        let _ = self.thread.join();
    }
}

fn keep(state: &StateDir, mut starts: Starts, inbox: &Receiver<Keep>, tell: &Sender<Message>) {
    let mut unkept: Option<Vec<KeptStop>> = None;
    loop {
        let order = match inbox.recv_timeout(RETRY) {
            Ok(order) => Some(order),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => return,
        };
        let last = matches!(order, Some(Keep::End));
        let outcome = match order {
            Some(Keep::Stops(stops)) => {
                unkept = None;
                keep_stops(state, stops, &mut unkept, tell)
            }
            Some(Keep::Identities(port, found)) => write_identities(state, &port, &found),
            Some(Keep::Proved) => starts.proved(state),
            Some(Keep::End) => starts.end(state),
            None => match unkept.take() {
                Some(stops) => keep_stops(state, stops, &mut unkept, tell),
                None => Ok(()),
            },
        };
        if let Err(error) = outcome {
            tracing::error!("not kept over a restart: {error:#}");
        }
        if last {
            return;
        }
    }
}

/// Keeps who has stopped what. What cannot be kept is tried again, and people are told.
fn keep_stops(
    state: &StateDir,
    stops: Vec<KeptStop>,
    unkept: &mut Option<Vec<KeptStop>>,
    tell: &Sender<Message>,
) -> Result<()> {
    let kept = write_stops(state, &stops);
    let text = kept.as_ref().err().map(|error| {
        format!(
            "who has stopped the station is not kept: {error:#}. It will start stopped next time. \
             Make room on the disk; it is tried again every few seconds"
        )
    });
    if text.is_some() {
        *unkept = Some(stops);
    }
    let _ = tell.send(Message::StopsKept(text));
    kept
}
