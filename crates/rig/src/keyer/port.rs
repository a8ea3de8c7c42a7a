//! The keying line of one port as the driver of the engine sees it.

use std::path::Path;

use dunlin_clock::{Duration, Instant};

use super::child::Processes;
use super::handle::Handle;
use super::settings::{KeyLine, KeyerSettings};

/// What a port's keying line tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum KeyerEvent {
    /// The line is released, known by `evidence`; the port may be keyed from now on.
    Proved {
        /// How it is known.
        evidence: String,
    },
    /// The line is keyed.
    Down {
        /// How long ago; an estimate.
        ago: Duration,
    },
    /// The line is released after having been keyed, or a press has not keyed at all.
    Released {
        /// Why.
        why: String,
        /// How long ago; an estimate.
        ago: Duration,
    },
    /// A press was not carried out. No [`KeyerEvent::Released`] follows.
    Refused {
        /// Why.
        why: String,
    },
    /// The line is not under control: not proved released until [`KeyerEvent::Proved`].
    /// The port tries again by itself.
    Failed {
        /// Why.
        reason: String,
    },
    /// A keyer works again after [`KeyerEvent::Failed`]. [`KeyerEvent::Proved`] comes with it.
    Alive,
    /// The radio's busy line.
    External {
        /// The channel is busy.
        busy: bool,
    },
}

/// The keying line of one port. Nothing in it waits.
///
/// The driver calls [`turn`](KeyPort::turn) from its own thread, at least every 20 ms, and
/// from nowhere else: these calls are the heartbeat, and a driver that hangs must stop it.
pub trait KeyPort {
    /// Keys, in all at most for `most`. Answered by one of [`KeyerEvent::Down`],
    /// [`KeyerEvent::Refused`], [`KeyerEvent::Failed`].
    fn press(&mut self, now: Instant, most: Duration);

    /// Releases. Answered by [`KeyerEvent::Released`] if it was keyed.
    fn release(&mut self, now: Instant, why: &str);

    /// The heartbeat and whatever is due.
    fn turn(&mut self, now: Instant);

    /// The next event, until nothing is left.
    fn poll(&mut self) -> Option<KeyerEvent>;

    /// The line is proved released since the start, or was and is keyed by us now.
    fn is_proved(&self) -> bool;
}

/// Opens the keying line that `settings` name. `program` is this very program: it is started
/// again as the keyer, with the one argument `keyer`. Ports without a line to hold or to watch
/// need none.
///
/// # Errors
/// A setting that cannot be. What is wrong with a device comes as [`KeyerEvent::Failed`].
pub fn open(
    settings: KeyerSettings,
    program: &Path,
    now: Instant,
) -> Result<Box<dyn KeyPort>, String> {
    settings.check()?;
    if settings.needs_process() {
        let processes = Processes::new(&settings, program)?;
        return Ok(Box::new(Handle::new(&settings.port, processes, now)));
    }
    Ok(Box::new(NoLine::new(&settings.line)))
}

/// A port that has no line to hold.
#[derive(Debug)]
pub struct NoLine {
    down: Option<Instant>,
    events: Vec<KeyerEvent>,
}

impl NoLine {
    /// For [`KeyLine::None`], [`KeyLine::Vox`] and [`KeyLine::Controller`].
    pub fn new(line: &KeyLine) -> Self {
        let evidence = match line {
            KeyLine::Vox => "nothing to prove: the radio keys itself on sound, and whether it \
                             has let go cannot be seen from here"
                .into(),
            KeyLine::Controller => "nothing to prove: the controller keys its radio itself, and \
                                    whether it has let go cannot be seen from here"
                .into(),
            _ => String::from("nothing to prove: this port has no keying line"),
        };
        NoLine {
            down: None,
            events: vec![KeyerEvent::Proved { evidence }],
        }
    }
}

impl KeyPort for NoLine {
    fn press(&mut self, now: Instant, most: Duration) {
        self.down = Some(now + most);
        let ago = Duration::ZERO;
        self.events.push(KeyerEvent::Down { ago });
    }

    fn release(&mut self, _now: Instant, why: &str) {
        if self.down.take().is_some() {
            self.events.push(KeyerEvent::Released {
                why: why.into(),
                ago: Duration::ZERO,
            });
        }
    }

    fn turn(&mut self, now: Instant) {
        if self.down.is_some_and(|until| now >= until) {
            self.release(now, "the limit that came with the press");
        }
    }

    fn poll(&mut self) -> Option<KeyerEvent> {
        (!self.events.is_empty()).then(|| self.events.remove(0))
    }

    fn is_proved(&self) -> bool {
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_without_a_line_says_that_there_is_nothing_to_prove() {
        let mut port = NoLine::new(&KeyLine::Vox);
        let Some(KeyerEvent::Proved { evidence }) = port.poll() else {
            panic!("proved at once");
        };
        assert!(evidence.starts_with("nothing to prove: the radio keys itself on sound"));
        port.press(Instant::ZERO, Duration::from_secs(2));
        let ago = Duration::ZERO;
        assert_eq!(port.poll(), Some(KeyerEvent::Down { ago }));
        port.turn(Instant::from_secs(1));
        assert_eq!(port.poll(), None);
        port.turn(Instant::from_secs(2));
        assert!(matches!(port.poll(), Some(KeyerEvent::Released { .. })));
        port.release(Instant::from_secs(3), "again");
        assert_eq!(port.poll(), None);
    }
}
