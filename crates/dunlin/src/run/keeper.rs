//! Keeps the mail on a thread of its own: each thing kept waits for the disk, which may take longer than a keyer
//! waits for its beat.

use std::path::Path;
use std::sync::mpsc::{self, Receiver, Sender};
use std::thread::JoinHandle;

use anyhow::{Context, Result};
use dunlin_clock::WallTime;
use dunlin_mail::post::{Answer, Ask, Letter, Much, Routes};
use dunlin_station::FormalDraft;
use dunlin_store::MailStore;
use dunlin_web::{Answer as Reply, MailRefusal, MailReply, MailWish, Written};

use super::driver::Message;
use crate::mail::{Fulfilled, fulfil};

/// Where an answer to the page goes.
type ToPage<T> = Reply<Result<T, MailRefusal>>;

/// Something to be done, at this civil time.
#[derive(Debug)]
pub(crate) struct Order {
    /// What.
    pub(crate) task: Task,
    /// When.
    pub(crate) wall: WallTime,
}

/// What is to be done.
#[derive(Debug)]
pub(crate) enum Task {
    /// The engine asks.
    Engine(u64, Box<Ask>),
    /// The page wishes.
    Page(Box<MailWish>, ToPage<MailReply>),
    /// The operator has written, or a report is due, to which nobody waits for an answer.
    Write(Box<Letter>, Option<ToPage<Written>>),
    /// The operator has written a radiogram, which needs a number.
    Number(Box<FormalDraft>, ToPage<Written>),
}

/// What was done.
#[derive(Debug)]
pub(crate) enum Done {
    /// The answer to the engine's ask of this ticket.
    Engine(u64, Box<Answer>),
    /// A wish of the page.
    Page(Box<Fulfilled>, ToPage<MailReply>),
    /// What became of a letter.
    Write(Box<Letter>, Answer, Option<ToPage<Written>>),
    /// A number for a radiogram.
    Number(Box<FormalDraft>, Answer, ToPage<Written>),
    /// The mail cannot be kept (why, and what to do), or can again.
    Trouble(Option<String>),
}

/// The thread that keeps the mail.
pub(super) struct Keeper {
    orders: Sender<Order>,
    thread: JoinHandle<()>,
}

impl Keeper {
    /// Opens the mail and starts the thread; what was done goes to `tell`.
    pub(super) fn start(
        file: &Path,
        routes: Routes,
        most: Much,
        tell: Sender<Message>,
    ) -> Result<Keeper> {
        let mut store = MailStore::open(file)?;
        store.limit(most);
        let (orders, inbox) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("dunlin-mail".into())
            .spawn(move || keep(store, &routes, &inbox, &tell))
            .context("no thread for the mail")?;
        Ok(Keeper { orders, thread })
    }

    /// Where orders go.
    pub(super) fn orders(&self) -> Sender<Order> {
        self.orders.clone()
    }

    /// Waits until all that was ordered is done. The driver, which gives orders too, must be gone.
    pub(super) fn end(self) {
        drop(self.orders);
        let _ = self.thread.join();
    }
}

fn keep(mut store: MailStore, routes: &Routes, inbox: &Receiver<Order>, tell: &Sender<Message>) {
    let mut trouble = Trouble::default();
    for Order { task, wall } in inbox {
        let mut ask = |ask: Ask| {
            let reads = ask.only_reads();
            let answer = store.answer(ask, wall);
            if trouble.is_new(&answer, reads, || store.has_room()) {
                let _ = tell.send(Message::Mail(Done::Trouble(trouble.words.clone())));
            }
            answer
        };
        let done = match task {
            Task::Engine(ticket, asked) => Done::Engine(ticket, Box::new(ask(*asked))),
            Task::Page(wish, reply) => {
                Done::Page(Box::new(fulfil(*wish, routes, wall, &mut ask)), reply)
            }
            Task::Write(letter, reply) => {
                let answer = ask(Ask::Keep(letter.clone()));
                Done::Write(letter, answer, reply)
            }
            Task::Number(draft, reply) => Done::Number(draft, ask(Ask::Number), reply),
        };
        // When the program ends nobody listens any more; what was asked is done all the same.
        let _ = tell.send(Message::Mail(done));
    }
}

/// What keeps the mail from being kept.
#[derive(Default)]
struct Trouble {
    words: Option<String>,
    kind: Option<Kind>,
}

/// What sort of trouble it is.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// Something cannot be read or written.
    Disk,
    /// New letters cannot be kept: that something else was written does not end it.
    Keeping,
    /// There is as much as there may be. Over once there is room again, and not because an emergency was kept.
    Full,
}

impl Trouble {
    /// Whether it is another one after this answer, or is over. `has_room` says whether some room is free again.
    fn is_new(&mut self, answer: &Answer, reads: bool, has_room: impl FnOnce() -> bool) -> bool {
        let (words, kind) = match answer {
            // How much is here changes, and is no other trouble.
            Answer::Full { .. } if self.kind == Some(Kind::Full) => return false,
            Answer::Full { words } => (Some(words), Some(Kind::Full)),
            Answer::NotKept { words } => (Some(words), Some(Kind::Keeping)),
            Answer::Failed { words } => (Some(words), Some(Kind::Disk)),
            _ if self.kind == Some(Kind::Full) && !has_room() => return false,
            _ if self.kind == Some(Kind::Full) => (None, None),
            Answer::Kept => (None, None),
            // What can be read may not be writable all the same.
            _ if reads || self.kind == Some(Kind::Keeping) => return false,
            _ => (None, None),
        };
        let new = words != self.words.as_ref();
        self.kind = kind;
        if new {
            self.words = words.cloned();
        }
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_mail::post::{Proof, Room, Way};
    use dunlin_mail::{Kind as Sort, Message as Mail, MessageId, Precedence};

    const NOW: WallTime = WallTime(1_795_960_920_000);

    fn letter(number: u64) -> Box<Letter> {
        let message = Mail {
            id: MessageId {
                origin: "QA1SKY".parse().expect("a call sign"),
                number,
            },
            kind: Sort::Personal {
                to: "QM3BAR".parse().expect("an address"),
            },
            precedence: Precedence::Routine,
            from: "QA1SKY".parse().expect("an address"),
            written: NOW,
            title: "Cots".into(),
            body: "Forty.\n".into(),
            chain: Vec::new(),
        };
        Box::new(Letter::new(message, Proof::Own, &Way::Here, NOW))
    }

    fn engine(ticket: u64, ask: Ask) -> Order {
        let task = Task::Engine(ticket, Box::new(ask));
        Order { task, wall: NOW }
    }

    #[test]
    fn all_that_was_ordered_is_answered_in_order_and_is_there_after_the_end() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("mail.db");
        let (tell, told) = mpsc::channel();
        let routes = Routes {
            own: "QA1SKY".parse().expect("a call sign"),
            keeps_for: Vec::new(),
            partners: Vec::new(),
        };
        let keeper = Keeper::start(&file, routes, Room::default().all, tell).expect("it starts");
        for ticket in 0..5 {
            let order = engine(ticket, Ask::Keep(letter(ticket / 2)));
            keeper.orders().send(order).expect("it listens");
        }
        keeper.end();
        let answers: Vec<_> = told
            .try_iter()
            .map(|message| match message {
                Message::Mail(Done::Engine(ticket, answer)) => (ticket, *answer),
                other => panic!("{other:?}"),
            })
            .collect();
        let (kept, known) = (Answer::Kept, Answer::AlreadyKnown);
        let expected = [&kept, &known, &kept, &known, &kept];
        let expected = expected.into_iter().cloned().enumerate();
        let expected: Vec<_> = expected.map(|(n, answer)| (n as u64, answer)).collect();
        assert_eq!(answers, expected);
        let mut again = MailStore::open(&file).expect("it opens");
        match again.answer(Ask::Counts, NOW) {
            Answer::Counts(counts) => assert_eq!(counts.letters, 3),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn trouble_is_told_until_something_is_kept() {
        let words = || "no room".to_owned();
        let mut trouble = Trouble::default();
        let mut is_new = |answer, reads| trouble.is_new(&answer, reads, || false);
        assert!(is_new(Answer::NotKept { words: words() }, false));
        assert!(!is_new(Answer::NotKept { words: words() }, false));
        assert!(!is_new(Answer::Done, false), "read, settled");
        assert!(is_new(Answer::Kept, false));
        assert!(is_new(Answer::Failed { words: words() }, false));
        assert!(!is_new(Answer::Done, true), "only looked up");
        assert!(is_new(Answer::Done, false));
    }

    #[test]
    fn that_all_is_full_is_told_until_there_is_room_and_not_with_each_emergency() {
        let full = |n: u32| Answer::Full {
            words: format!("{n} messages are here"),
        };
        let mut trouble = Trouble::default();
        assert!(trouble.is_new(&full(90), true, || false), "to a visitor");
        assert!(!trouble.is_new(&full(90), false, || false));
        assert!(!trouble.is_new(&Answer::Kept, false, || false), "urgent");
        assert!(!trouble.is_new(&full(91), false, || false), "the same");
        assert!(!trouble.is_new(&Answer::Done, false, || false), "deleted");
        assert!(trouble.is_new(&Answer::Done, false, || true), "much");
        assert_eq!(trouble.words, None);
    }

    /// What is told of the mail when this is asked of one that is full.
    fn trouble_when_full(ask: impl FnOnce(Room) -> Ask) -> Option<String> {
        let dir = tempfile::tempdir().expect("a directory");
        let (tell, told) = mpsc::channel();
        let routes = Routes {
            own: "QA1SKY".parse().expect("a call sign"),
            keeps_for: Vec::new(),
            partners: Vec::new(),
        };
        let mut room = Room::default();
        room.all.messages = 2;
        let file = dir.path().join("mail.db");
        let keeper = Keeper::start(&file, routes, room.all, tell).expect("it starts");
        let ask = ask(room);
        for (ticket, ask) in [Ask::Keep(letter(1)), ask].into_iter().enumerate() {
            keeper
                .orders()
                .send(engine(ticket as u64, ask))
                .expect("it listens");
        }
        keeper.end();
        let mut told = told.try_iter();
        told.find_map(|message| match message {
            Message::Mail(Done::Trouble(words)) => words,
            _ => None,
        })
    }

    #[test]
    fn a_visitor_or_a_partner_who_finds_no_room_makes_the_alarm() {
        let precedence = Precedence::Routine;
        let visitor = |room| Ask::MayLeave {
            visitor: "QM3BAR".parse().expect("a call sign"),
            own: "QA1SKY".parse().expect("a call sign"),
            precedence,
            octets: 1,
            room,
        };
        let partner = |_| Ask::Room {
            precedence,
            more: Much {
                messages: 1,
                octets: 1,
            },
        };
        let asks: [&dyn Fn(Room) -> Ask; 2] = [&visitor, &partner];
        for ask in asks {
            let trouble = trouble_when_full(ask);
            assert!(trouble.is_some_and(|words| words.contains("no room for 1 more")));
        }
    }

    #[test]
    fn a_file_that_is_no_mail_is_named_and_left_as_it_was() {
        let dir = tempfile::tempdir().expect("a directory");
        let file = dir.path().join("mail.db");
        std::fs::write(&file, "a letter to my aunt").expect("written");
        let (tell, _told) = mpsc::channel();
        let routes = Routes {
            own: "QA1SKY".parse().expect("a call sign"),
            keeps_for: Vec::new(),
            partners: Vec::new(),
        };
        let all = Room::default().all;
        let error = Keeper::start(&file, routes, all, tell)
            .err()
            .expect("refused");
        assert!(error.to_string().contains("does not hold mail"), "{error}");
        assert_eq!(std::fs::read(&file).expect("there"), b"a letter to my aunt");
    }
}
