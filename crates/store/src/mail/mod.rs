//! The mail: an SQLite file of its own that keeps letters, queues and unfinished items.
//!
//! One [`Ask`] is one transaction, and what is answered is safe from loss of power first. Nothing is decided
//! here: who gets a message is said by whoever asks (`dunlin_mail::post`).
//!
//! ```
//! use dunlin_clock::WallTime;
//! use dunlin_mail::post::{Answer, Ask};
//! use dunlin_store::MailStore;
//!
//! let mut mail = MailStore::in_memory()?;
//! let answer = mail.answer(Ask::Counts, WallTime(1_800_000_000_000));
//! assert_eq!(answer, Answer::Counts(Default::default()));
//! # Ok::<(), dunlin_store::MailError>(())
//! ```

mod error;
mod forget;
mod formal;
mod legs;
mod lists;
mod open;
mod partials;
mod room;
mod rows;
mod schema;
mod sweep;
#[cfg(test)]
mod tests;
mod write;

use std::path::{Path, PathBuf};

use dunlin_clock::WallTime;
use dunlin_mail::post::{Answer, Ask, Much};
use rusqlite::{Connection, Transaction, TransactionBehavior};

pub use error::MailError;
pub use forget::MailForgotten;

/// The letters of one station.
#[derive(Debug)]
pub struct MailStore {
    path: PathBuf,
    connection: Connection,
    most: Much,
    /// The clock of this run is wrong since this date.
    wrong_since: Option<WallTime>,
}

impl MailStore {
    /// From now on so much is kept, all together. What comes beyond that is not kept ([`Answer::Full`]).
    pub fn limit(&mut self, most: Much) {
        self.most = most;
    }

    /// The file, or a stand-in for mail in memory.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Does one thing, whole or not at all. When this returns, it is on the disk. What cannot be done is
    /// told in words, and has changed nothing.
    pub fn answer(&mut self, ask: Ask, now: WallTime) -> Answer {
        let keeps = matches!(ask, Ask::Keep(_) | Ask::Leave { .. });
        match self.done(ask, now) {
            Ok(answer) => answer,
            Err(error) => {
                let words = MailError::from_sqlite(&self.path, &error).to_string();
                match keeps {
                    true => Answer::NotKept { words },
                    false => Answer::Failed { words },
                }
            }
        }
    }

    fn done(&mut self, ask: Ask, now: WallTime) -> rusqlite::Result<Answer> {
        // Who reads needs no lock; who writes takes it at once, so as not to fail half-way for want of it.
        let reads = ask.only_reads();
        let behavior = match reads {
            true => TransactionBehavior::Deferred,
            false => TransactionBehavior::Immediate,
        };
        if let Ask::ClockWrong { began } = ask {
            self.wrong_since = Some(began);
        }
        let transaction = self.connection.transaction_with_behavior(behavior)?;
        let answer = carry_out(&transaction, ask, self.most, now)?;
        if let Some(began) = self.wrong_since.filter(|_| !reads) {
            sweep::undate(&transaction, began, now)?;
        }
        transaction.commit()?;
        Ok(answer)
    }

    /// Whether there is some room again for mail of every sort, after [`Answer::Full`].
    pub fn has_room(&self) -> bool {
        // What cannot be read is told by whoever asks next.
        room::has_some(&self.connection, self.most).unwrap_or(false)
    }

    /// Reads the whole file and checks that everything in it fits together. Takes seconds for a large one.
    ///
    /// # Errors
    /// The file is damaged or cannot be read.
    pub fn check(&self) -> Result<(), MailError> {
        let ask = "PRAGMA integrity_check(1)";
        let read = |row: &rusqlite::Row<'_>| row.get::<_, String>(0);
        let path = self.path.clone();
        match self.connection.query_row(ask, [], read) {
            Ok(answer) if answer == "ok" => Ok(()),
            Ok(reason) => Err(MailError::Damaged { path, reason }),
            Err(error) => Err(MailError::from_sqlite(&path, &error)),
        }
    }
}

fn carry_out(
    db: &Transaction<'_>,
    ask: Ask,
    most: Much,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    match ask {
        Ask::Keep(letter) => write::keep(db, &letter, most),
        Ask::MayLeave {
            visitor,
            own,
            precedence,
            octets,
            room,
        } => room::may_leave(db, (visitor, own), (precedence, octets), &room, now),
        Ask::Leave { letter, room } => write::leave(db, &letter, &room, now),
        Ask::ClockWrong { .. } => Ok(Answer::Done), // What follows from it follows for each ask from now on.
        Ask::Sweep(keeping) => sweep::sweep(db, &keeping, now),
        Ask::Known { id, partner } => legs::known(db, id, partner, now),
        Ask::Room { precedence, more } => {
            let full = room::full(db, most, precedence, more)?;
            Ok(full.unwrap_or(Answer::Done))
        }
        Ask::TurnedAway { id, partner } => legs::turned_away(db, id, partner, now),
        Ask::Outgoing {
            partner,
            most,
            most_octets,
            partials,
            put_back,
        } => legs::outgoing(db, partner, (most, most_octets), (partials, put_back), now),
        Ask::Settle {
            id,
            partner,
            outcome,
        } => legs::settle(db, id, partner, outcome, now),
        Ask::Tried { partner, ids } => legs::tried(db, partner, &ids, now),
        Ask::KeepPartial(partial) => partials::keep(db, &partial, now),
        Ask::DropPartial(id) => partials::forget(db, id),
        Ask::List {
            reader,
            which,
            after,
            most,
        } => lists::list(db, reader, &which, after, most),
        Ask::Open { id, reader, glance } => write::open(db, id, (reader, glance), now),
        Ask::Search {
            reader,
            words,
            most,
        } => lists::search(db, reader, &words, most),
        Ask::Delete { id, by } => write::delete(db, id, by, now),
        Ask::Recall { id } => legs::recall(db, id, now),
        Ask::Release { id, way } => legs::release(db, id, &way, now),
        Ask::Hold { id, why } => legs::hold(db, id, &why, now),
        Ask::Counts => lists::counts(db),
        Ask::Emergencies => lists::emergencies(db),
        Ask::Number => formal::number(db, now),
        Ask::Seen { id } => write::seen(db, id),
        Ask::Conclude {
            id,
            stood,
            standing,
            note,
        } => formal::conclude(db, id, (&stood, &standing), note.as_deref(), now),
    }
}
