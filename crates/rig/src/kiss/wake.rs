//! A bell that wakes a thread that waits for its links.

use std::os::fd::{AsFd, BorrowedFd, OwnedFd};

use rustix::event::{EventfdFlags, PollFd, PollFlags, Timespec, eventfd, poll};
use std::time::Duration;

/// Rung from any thread; heard by the one that waits in [`wait`].
#[derive(Debug)]
pub(crate) struct Bell(OwnedFd);

impl Bell {
    pub(crate) fn new() -> std::io::Result<Self> {
        Ok(Bell(eventfd(
            0,
            EventfdFlags::NONBLOCK | EventfdFlags::CLOEXEC,
        )?))
    }

    pub(crate) fn ring(&self) {
        // It can only fail when it has been rung without end and never heard: it rings then.
        let _ = rustix::io::write(&self.0, &1u64.to_ne_bytes());
    }

    pub(crate) fn quiet(&self) {
        let _ = rustix::io::read(&self.0, &mut [0u8; 8]);
    }
}

impl AsFd for Bell {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.0.as_fd()
    }
}

/// Waits until one of these is ready or the time is over. An interrupted wait just ends.
pub(crate) fn wait(fds: &mut [PollFd<'_>], longest: Duration) {
    let time = Timespec::try_from(longest).ok();
    if poll(fds, time.as_ref()).is_err() {
        fds.iter_mut().for_each(PollFd::clear_revents);
    }
}

/// Whether the other end has gone or the link is broken, as far as waiting can tell.
pub(crate) fn ended(ready: PollFlags) -> bool {
    ready.intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL)
}
