//! Signals of the operating system: Ctrl-C, a terminal that closes and `kill` end the station
//! in good order; SIGUSR1 silences it.

use std::sync::mpsc::Sender;

use anyhow::{Context, Result};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM, SIGUSR1};
use signal_hook::iterator::Signals;

use super::driver::Message;

/// Listens on a thread of its own until the program ends.
pub(super) fn listen(sender: Sender<Message>) -> Result<()> {
    let mut signals = Signals::new([SIGHUP, SIGINT, SIGTERM, SIGUSR1])
        .context("cannot listen for Ctrl-C and other signals")?;
    let pass_on = move || {
        for signal in signals.forever() {
            let message = match signal {
                SIGUSR1 => Message::Silence {
                    by: "the signal SIGUSR1".into(),
                    why: String::new(),
                },
                _ => Message::End,
            };
            if sender.send(message).is_err() {
                return;
            }
        }
    };
    std::thread::Builder::new()
        .name("dunlin-signals".into())
        .spawn(pass_on)
        .context("no thread for signals")?;
    Ok(())
}
