//! Lines for people. While the station runs they are printed by a thread of their own: a
//! terminal that is halted (Ctrl-S), a pager that does not read or a log on a slow disk must
//! never make the driver miss a beat.

use std::io::Write;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{self, SyncSender};

/// Lines that may wait; more are dropped, and how many is told when there is room again.
const MOST_WAITING: usize = 1000;

static THREAD: OnceLock<SyncSender<String>> = OnceLock::new();
static DROPPED: AtomicU64 = AtomicU64::new(0);

/// From now on lines are printed by the thread.
pub(super) fn start() {
    let (sender, inbox) = mpsc::sync_channel::<String>(MOST_WAITING);
    let print = move || {
        while let Ok(line) = inbox.recv() {
            let dropped = DROPPED.swap(0, Ordering::Relaxed);
            if dropped > 0 {
                at_once(&format!("({dropped} lines could not be printed in time)"));
            }
            at_once(&line);
        }
    };
    let named = std::thread::Builder::new().name("dunlin-printer".into());
    if named.spawn(print).is_ok() {
        let _ = THREAD.set(sender); // Started once.
    }
}

/// Prints a line.
pub(super) fn say(text: &str) {
    match THREAD.get() {
        Some(thread) => {
            if thread.try_send(text.to_owned()).is_err() {
                DROPPED.fetch_add(1, Ordering::Relaxed);
            }
        }
        None => at_once(text),
    }
}

/// A terminal that is gone must not stop the station.
fn at_once(text: &str) {
    let _ = writeln!(std::io::stdout(), "{text}");
}
