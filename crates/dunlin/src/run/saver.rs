//! Writes the state of the station on a thread of its own, because putting a file on a disk
//! can take longer than a keyer waits for its beat.

use std::sync::mpsc::{self, Receiver, Sender};
use std::thread::JoinHandle;

use anyhow::{Context, Result};
use dunlin_rig::Identities;
use dunlin_station::gate::{AlarmKind, Stop};

use super::driver::Message;
use crate::state::{Starts, StateDir, write_identities, write_stops};

/// Something to keep.
#[derive(Debug)]
pub(super) enum Keep {
    /// Who has stopped what.
    Stops(Vec<Stop>),
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
    let mut failing = false;
    while let Ok(order) = inbox.recv() {
        let last = matches!(order, Keep::End);
        let kept = match order {
            Keep::Stops(stops) => write_stops(state, &stops),
            Keep::Identities(port, found) => write_identities(state, &port, &found),
            Keep::Proved => starts.proved(state),
            Keep::End => starts.end(state),
        };
        let text = match kept {
            Err(error) => Some(format!(
                "what must survive a restart is not kept: {error:#}. If the station was stopped, \
                 it may start unstopped; make room on the disk and press Stop again"
            )),
            Ok(()) if failing => None,
            Ok(()) => {
                if last {
                    return;
                }
                continue;
            }
        };
        failing = text.is_some();
        let kind = AlarmKind::Disk;
        let _ = tell.send(Message::Trouble { kind, text });
        if last {
            return;
        }
    }
}
