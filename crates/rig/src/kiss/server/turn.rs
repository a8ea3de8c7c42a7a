//! The server's thread: it waits for all its sockets at once.

use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags};

use super::client::{Client, LONGEST_HOLD};
use super::{ServerEvent, Shared};
use crate::kiss::allowance::Allowance;
use crate::kiss::link::keep_alive;
use crate::kiss::wake::{ended, wait};

/// How often a quiet server looks around.
const LOOK: Duration = Duration::from_secs(5);
/// Pause after a connection that could not be taken, as when no more files may be open.
const ACCEPT_PAUSE: Duration = Duration::from_secs(1);

/// Serves until told to close.
pub(super) fn serve(listener: &TcpListener, shared: &Shared) {
    let mut hall = Hall {
        shared,
        clients: Vec::new(),
        next: 1,
        refusals: Allowance::new(1.0, 5.0, Instant::now()),
        accept_again: None,
    };
    while !shared.closing.load(Ordering::Acquire) {
        hall.turn(listener);
    }
    for client in hall.clients {
        hall.shared.sink.tell(ServerEvent::ClientWent {
            client: client.number,
            why: "the server was closed".into(),
        });
    }
    shared.count(|c| c.clients = 0);
}

/// All clients.
struct Hall<'a> {
    shared: &'a Shared,
    clients: Vec<Client>,
    next: u64,
    /// How often a refusal is told.
    refusals: Allowance,
    /// No connection is taken before then.
    accept_again: Option<Instant>,
}

impl Hall<'_> {
    fn turn(&mut self, listener: &TcpListener) {
        let now = Instant::now();
        self.accept_again = self.accept_again.filter(|until| *until > now);
        let ready = self.wait(listener, now);
        self.shared.bell.quiet();
        let now = Instant::now();
        let (shared, clients) = (self.shared, &mut self.clients);
        for line in shared.take_heard() {
            clients
                .iter_mut()
                .for_each(|client| client.enqueue(&line, shared, now));
        }
        // `ready` is older than what follows: first the clients that it speaks of, then new
        // ones.
        let mut flags = ready.clients.into_iter();
        self.clients.retain_mut(|client| {
            let ready = flags.next().unwrap_or(PollFlags::empty());
            let Err(why) = serve_one(client, ready, shared, now) else {
                return true;
            };
            let client = client.number;
            shared.sink.tell(ServerEvent::ClientWent { client, why });
            false
        });
        if ready.listener {
            self.accept(listener, now);
        }
        let count = self.clients.len() as u64;
        self.shared.count(|c| c.clients = count);
    }

    fn wait(&self, listener: &TcpListener, now: Instant) -> Ready {
        let mut longest = LOOK;
        let mut fds = vec![PollFd::new(&self.shared.bell, PollFlags::IN)];
        match self.accept_again {
            None => fds.push(PollFd::new(listener, PollFlags::IN)),
            Some(until) => {
                longest = longest.min(until - now);
                fds.push(PollFd::new(&self.shared.bell, PollFlags::IN));
            }
        }
        for client in &self.clients {
            let (wanted, pause) = client.wants(now);
            longest = longest.min(pause.unwrap_or(longest));
            fds.push(PollFd::new(&client.stream, wanted));
        }
        wait(&mut fds, longest);
        Ready {
            listener: self.accept_again.is_none() && fds[1].revents().contains(PollFlags::IN),
            clients: fds[2..].iter().map(PollFd::revents).collect(),
        }
    }

    fn accept(&mut self, listener: &TcpListener, now: Instant) {
        // A few at a time, so that those who knock cannot keep the others waiting.
        for _ in 0..8 {
            match listener.accept() {
                Ok((stream, address)) => self.admit(stream, address, now),
                Err(error) if error.kind() == std::io::ErrorKind::WouldBlock => return,
                Err(error) if error.kind() == std::io::ErrorKind::ConnectionAborted => {}
                Err(error) => {
                    tracing::warn!("a KISS client could not be taken: {error}");
                    self.accept_again = Some(now + ACCEPT_PAUSE);
                    return;
                }
            }
        }
    }

    fn admit(&mut self, stream: TcpStream, address: SocketAddr, now: Instant) {
        let most = self.shared.settings.limits.clients;
        let refusal = if self.clients.len() >= most {
            Some(format!("{most} clients are connected, which is the limit"))
        } else if let Err(error) = prepare(&stream) {
            Some(format!("its connection cannot be set up: {error}"))
        } else {
            None
        };
        if let Some(why) = refusal {
            if self.refusals.take(1.0, now) {
                self.shared.sink.tell(ServerEvent::Refused { address, why });
            }
            return; // Dropped, and so closed.
        }
        let client = self.next;
        self.next += 1;
        self.shared.count(|c| c.came += 1);
        self.shared
            .sink
            .tell(ServerEvent::ClientCame { client, address });
        let limits = &self.shared.settings.limits;
        self.clients.push(Client::new(client, stream, limits, now));
    }
}

/// Who has something to do.
struct Ready {
    listener: bool,
    clients: Vec<PollFlags>,
}

fn prepare(stream: &TcpStream) -> std::io::Result<()> {
    stream.set_nonblocking(true)?;
    stream.set_nodelay(true)?;
    Ok(keep_alive(stream, LONGEST_HOLD)?)
}

/// What there is to do for one client; an error is why it goes.
fn serve_one(
    client: &mut Client,
    ready: PollFlags,
    shared: &Shared,
    now: Instant,
) -> Result<(), String> {
    if ready.contains(PollFlags::IN) || ended(ready) {
        client.read(shared, now)?;
    }
    client.write(shared, now)
}
