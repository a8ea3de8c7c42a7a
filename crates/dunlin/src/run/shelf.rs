//! Keeps the files that go over talks, on a thread of its own: a file that is stored waits for the disk, which may
//! take longer than a keyer waits for its beat.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{self, Receiver, Sender};
use std::thread::JoinHandle;

use anyhow::{Context, Result};
use dunlin_clock::Duration;
use dunlin_mail::file::{Head, hash_in_hex};
use dunlin_station::{Direction, FileAsk};
use dunlin_store::Shelf;
use dunlin_web::{Answer as Reply, FileRefusal, FileReply, FileWish};

use serde_json::{Value, json};

use super::driver::Message;
use crate::control::Response;
use crate::files::{NO_FILES, fulfil};

/// Things of the page that the keeper has not done, at most: each may hold a whole file.
const MOST_WAITING: usize = 8;

/// Something that the engine asks about a file, under this ticket.
#[derive(Debug)]
pub(crate) struct Order {
    /// Joins the answer to it.
    pub(crate) ticket: u64,
    /// About which file.
    pub(crate) head: Head,
    /// What.
    pub(crate) ask: FileAsk,
}

/// Where an answer about the shelf goes.
#[derive(Debug)]
pub(crate) enum ToWhom {
    /// To the page.
    Page(Reply<Result<FileReply, FileRefusal>>),
    /// To the command line.
    CommandLine {
        /// Where to.
        reply: Sender<Response>,
        /// What is told with a list.
        beside: Value,
    },
}

impl ToWhom {
    /// Answers. It is lost, harmlessly, if the asker has gone.
    pub(crate) fn send(self, answer: Result<FileReply, FileRefusal>) {
        match self {
            ToWhom::Page(reply) => reply.send(answer),
            ToWhom::CommandLine { reply, beside } => {
                let _ = reply.send(in_words(answer, beside));
            }
        }
    }
}

/// An answer for the command line.
fn in_words(answer: Result<FileReply, FileRefusal>, mut beside: Value) -> Response {
    let file = |head: &Head, direction| {
        json!({
            "hash": hash_in_hex(head.hash()),
            "name": head.name(),
            "media": head.media(),
            "size": head.size(),
            "direction": direction,
        })
    };
    match answer {
        Ok(FileReply::List(list)) => {
            let kept: Vec<Value> = list.iter().map(|(head, d)| file(head, *d)).collect();
            beside["kept"] = json!(kept);
            Response::with("", beside)
        }
        Ok(FileReply::Put { head, airtime }) => {
            let mut put = file(&head, Direction::Sent);
            put["airtime_ms"] = json!(airtime.map(whole_ms));
            Response::with("", put)
        }
        Ok(FileReply::Octets(head, octets)) => {
            let mut response = Response::with("", file(&head, Direction::Received));
            response.octets = octets;
            response
        }
        Ok(FileReply::Done) => Response::done(""),
        Err(refusal) => Response::refused(refusal.to_string()),
    }
}

fn whole_ms(time: Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}

/// What is to be done.
#[derive(Debug)]
enum Task {
    /// The engine asks.
    Engine(Order),
    /// The page wishes; the file that it wants to put there takes so long on the air.
    Page(Box<FileWish>, Option<Duration>, ToWhom),
}

/// Where orders go.
#[derive(Clone, Debug)]
pub(crate) struct Orders {
    tasks: Sender<Task>,
    /// Wishes of the page that are not fulfilled.
    waiting: Arc<AtomicUsize>,
}

impl Orders {
    /// The engine asks; whether anybody listens.
    pub(crate) fn ask(&self, order: Order) -> bool {
        self.tasks.send(Task::Engine(order)).is_ok()
    }

    /// The page or the command line wishes. It is answered in any case.
    pub(crate) fn wish(&self, wish: Box<FileWish>, airtime: Option<Duration>, reply: ToWhom) {
        if self.waiting.fetch_add(1, Ordering::Relaxed) >= MOST_WAITING {
            self.waiting.fetch_sub(1, Ordering::Relaxed);
            let words = "the disk is slow, and much waits for it already; try again";
            return reply.send(Err(FileRefusal::Failed(words.into())));
        }
        if let Err(unsent) = self.tasks.send(Task::Page(wish, airtime, reply))
            && let Task::Page(_, _, reply) = unsent.0
        {
            self.waiting.fetch_sub(1, Ordering::Relaxed);
            reply.send(Err(FileRefusal::Refused(NO_FILES.into())));
        }
    }
}

/// The thread that keeps the files.
pub(super) struct ShelfKeeper {
    orders: Orders,
    thread: JoinHandle<()>,
}

impl ShelfKeeper {
    /// Opens the folder of files, which hold so many octets at most, and starts the thread; answers to the engine go to
    /// `tell`.
    pub(super) fn start(place: &Path, room: u64, tell: Sender<Message>) -> Result<ShelfKeeper> {
        let unusable = || format!("the folder of files {} cannot be used", place.display());
        let shelf = Shelf::open(place, room).with_context(unusable)?;
        let (tasks, inbox) = mpsc::channel();
        let waiting = Arc::new(AtomicUsize::new(0));
        let orders = Orders {
            tasks,
            waiting: waiting.clone(),
        };
        let thread = std::thread::Builder::new()
            .name("dunlin-files".into())
            .spawn(move || keep(shelf, &inbox, &waiting, &tell))
            .context("no thread for the files")?;
        Ok(ShelfKeeper { orders, thread })
    }

    /// Where orders go.
    pub(super) fn orders(&self) -> Orders {
        self.orders.clone()
    }

    /// Waits until all that was ordered is done. The driver, which gives orders too, must be gone.
    pub(super) fn end(self) {
        drop(self.orders);
        let _ = self.thread.join();
    }
}

fn keep(mut shelf: Shelf, inbox: &Receiver<Task>, waiting: &AtomicUsize, tell: &Sender<Message>) {
    for task in inbox {
        match task {
            Task::Engine(Order { ticket, head, ask }) => {
                let answer = shelf.answer(&head, ask);
                // When the program ends nobody listens any more; what was asked is done all the same.
                let _ = tell.send(Message::File { ticket, answer });
            }
            Task::Page(wish, airtime, reply) => {
                let fulfilled = fulfil(&mut shelf, *wish, airtime);
                waiting.fetch_sub(1, Ordering::Relaxed);
                reply.send(fulfilled);
            }
        }
    }
}
