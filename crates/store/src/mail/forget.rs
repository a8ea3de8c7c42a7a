//! Mail that is deleted because somebody is to be forgotten: what the person wrote, what is addressed to the person, and
//! what names the person. That there was a message, between whom and when, stays, and so does its identifier.

use std::path::{Path, PathBuf};
use std::time::Duration;

use dunlin_clock::WallTime;
use dunlin_mail::MessageId;
use rusqlite::{Connection, Row, params};

use super::rows::parsed;
use super::{MailError, MailStore, write};
use crate::Name;
use crate::forget::holds;

/// How long to wait for a station that writes.
const PATIENCE: Duration = Duration::from_secs(10);
/// Letters that are looked at in one go.
const PAGE: i64 = 500;
/// Letters deleted in one transaction; a station that wants the mail waits for it.
const AT_ONCE: usize = 100;
/// Pages of the index of words that are written in one transaction; a page has about 4 kB (SQLite, "FTS5 Extension", 6.11).
const INDEX_PAGES: i64 = 100;

/// How many messages are about somebody. Each is counted once, by the first that applies.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MailForgotten {
    /// Written by the call sign.
    pub written: u64,
    /// Addressed to it.
    pub addressed: u64,
    /// With the name in title, text or a remark on it.
    pub naming: u64,
    /// Of all these, those that still wait for partners.
    pub waiting: u64,
    /// Of all these, those that are held.
    pub held: u64,
    /// Of all these, those that are written but not sent.
    pub drafts: u64,
}

impl MailForgotten {
    /// All together.
    pub fn total(&self) -> u64 {
        self.written + self.addressed + self.naming
    }

    /// Those that somebody still means to send, or may.
    pub fn unfinished(&self) -> u64 {
        self.waiting + self.held + self.drafts
    }
}

impl MailStore {
    /// Opens mail that is there; a station may be writing to it.
    ///
    /// # Errors
    /// As [`MailStore::open`], and there is no such file.
    pub fn open_existing(path: &Path) -> Result<MailStore, MailError> {
        if !path.is_file() {
            return Err(MailError::CannotOpen {
                path: path.to_owned(),
                reason: "there is no such file".to_owned(),
            });
        }
        let store = MailStore::open(path)?;
        let patient = store.connection.busy_timeout(PATIENCE);
        patient.map_err(|error| MailError::from_sqlite(path, &error))?;
        Ok(store)
    }

    /// Counts the messages that are about somebody, by name or call sign.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn count_about(&self, name: &Name) -> Result<MailForgotten, MailError> {
        let found = about(&self.connection, name);
        let (counted, _) = found.map_err(|error| MailError::from_sqlite(&self.path, &error))?;
        Ok(counted)
    }

    /// How long a station should get between two steps of [`MailStore::forget`]. It looks for the file every 50 ms at
    /// least as long as it waits at all (250 ms; SQLite, the busy handler of `sqlite3_busy_timeout`), so it finds it free.
    pub const BREATH: Duration = Duration::from_millis(60);

    /// Deletes the messages that are about somebody, also those that wait for partners, and the octets of them in
    /// the file and in the log beside it; and all that has arrived of unfinished items, for what stands in them
    /// cannot be told. `breathe` is called after each step, while the file is free: it should wait for
    /// [`MailStore::BREATH`] if a station may be using it.
    ///
    /// # Errors
    /// The file cannot be written; what was deleted until then is deleted.
    pub fn forget(
        &mut self,
        name: &Name,
        now: WallTime,
        mut breathe: impl FnMut(),
    ) -> Result<MailForgotten, MailError> {
        let path = self.path.clone();
        let fault = |error: rusqlite::Error| MailError::from_sqlite(&path, &error);
        let (counted, hits) = about(&self.connection, name).map_err(fault)?;
        for some in hits.chunks(AT_ONCE) {
            let transaction = self.connection.transaction().map_err(fault)?;
            for &id in some {
                write::delete(&transaction, id, None, now).map_err(fault)?;
            }
            transaction.commit().map_err(fault)?;
            breathe();
        }
        forget_reader(&self.connection, name).map_err(fault)?;
        while merge_words(&self.connection).map_err(fault)? {
            breathe();
        }
        self.empty_log()?;
        Ok(counted)
    }

    /// Whether nobody else has the file open.
    ///
    /// # Errors
    /// The file cannot be used.
    pub fn is_alone(&self) -> Result<bool, MailError> {
        // Only who is alone may leave the mode in which there is a log (SQLite, "Write-Ahead Logging", 3).
        let mode = |mode: &str| {
            let set = self
                .connection
                .pragma_update_and_check(None, "journal_mode", mode, |_| Ok(()));
            set.map_err(|error| MailError::from_sqlite(&self.path, &error))
        };
        match mode("DELETE") {
            Ok(()) => mode("WAL").map(|()| true),
            Err(MailError::Locked(_)) => Ok(false),
            Err(other) => Err(other),
        }
    }

    /// Writes the whole file anew, against traces of what was deleted by other means. While that lasts nobody else
    /// can write, so nobody else may have the file open.
    ///
    /// # Errors
    /// There is no room for a second copy, or a station has the file open.
    pub fn compact(&self) -> Result<(), MailError> {
        if !self.is_alone()? {
            return Err(MailError::InUse(self.path.clone()));
        }
        let done = self.connection.execute_batch("VACUUM");
        done.map_err(|error| MailError::from_sqlite(&self.path, &error))?;
        self.empty_log()
    }

    /// The file and its log, if the letters of the name still stand in them.
    ///
    /// # Errors
    /// One of them cannot be read.
    pub fn remnants(&self, name: &Name) -> Result<Vec<PathBuf>, MailError> {
        let mut log = self.path.clone().into_os_string();
        log.push("-wal");
        let mut found = Vec::new();
        for file in [self.path.clone(), log.into()] {
            let held = !file.is_file() || {
                let held = holds(&file, name);
                !held.map_err(|error| MailError::Other {
                    path: file.clone(),
                    reason: error.to_string(),
                })?
            };
            found.extend((!held).then_some(file));
        }
        Ok(found)
    }

    /// Nearly all of it goes into the file while others may write, and only the rest while they may not.
    fn empty_log(&self) -> Result<(), MailError> {
        let step = |how: &str| {
            let sql = format!("PRAGMA wal_checkpoint({how})");
            let held = self.connection.query_row(&sql, [], |row| row.get(0));
            held.map_err(|error| MailError::from_sqlite(&self.path, &error))
        };
        let _: bool = step("PASSIVE")?;
        match step("TRUNCATE")? {
            false => Ok(()),
            true => Err(MailError::Locked(self.path.clone())),
        }
    }
}

/// All letters that are about somebody. The whole file is read: there is no index of what stands within a text that would
/// find every way to write a name.
fn about(db: &Connection, name: &Name) -> rusqlite::Result<(MailForgotten, Vec<MessageId>)> {
    let sql = "SELECT place, id, from_call, to_call, standing, title, note, why, body
        FROM letters LEFT JOIN texts USING (place)
        WHERE place > ?1 AND standing <> 'deleted' ORDER BY place LIMIT ?2";
    let call = name.call_sign();
    let (mut counted, mut hits) = (MailForgotten::default(), Vec::new());
    let mut behind = i64::MIN;
    loop {
        let mut count = 0;
        let mut statement = db.prepare_cached(sql)?;
        let mut rows = statement.query(params![behind, PAGE])?;
        while let Some(row) = rows.next()? {
            count += 1;
            behind = row.get(0)?;
            hits.extend(look(row, name, call.as_deref(), &mut counted)?);
        }
        if count < PAGE {
            return Ok((counted, hits));
        }
    }
}

fn look(
    row: &Row<'_>,
    name: &Name,
    call: Option<&str>,
    counted: &mut MailForgotten,
) -> rusqlite::Result<Option<MessageId>> {
    let text = |column| row.get::<_, Option<String>>(column);
    let is_it = |column| -> rusqlite::Result<bool> {
        Ok(call.is_some() && text(column)?.as_deref() == call)
    };
    let mut names = false;
    for column in 5..=8 {
        names |= text(column)?.is_some_and(|text| name.is_in(&text));
    }
    match (is_it(2)?, is_it(3)?, names) {
        (true, ..) => counted.written += 1,
        (_, true, _) => counted.addressed += 1,
        (.., true) => counted.naming += 1,
        _ => return Ok(None),
    }
    match text(4)?.as_deref() {
        Some("queued") => counted.waiting += 1,
        Some("held") => counted.held += 1,
        Some("written") => counted.drafts += 1,
        _ => {}
    }
    parsed(row, 1).map(Some)
}

/// Which bulletins somebody has opened, and all that has arrived of unfinished items: they are packed, so who is named in
/// them is not known, and what is lost is airtime.
fn forget_reader(db: &Connection, name: &Name) -> rusqlite::Result<()> {
    db.execute("DELETE FROM partials", [])?;
    if let Some(call) = name.call_sign() {
        db.execute("DELETE FROM openings WHERE reader = ?1", [call])?;
    }
    Ok(())
}

/// Puts a part of the index of words together anew: it marks what was deleted, and drops it only then (SQLite, "FTS5
/// Extension", 6.7 to 6.9). Whether there was something to do: if not, at most one row was changed.
fn merge_words(db: &Connection) -> rusqlite::Result<bool> {
    let before = db.total_changes();
    // Less than nothing means: all of it, not only where there is much to join.
    db.prepare_cached("INSERT INTO words (words, rank) VALUES ('merge', ?1)")?
        .execute([-INDEX_PAGES])?;
    Ok(db.total_changes() - before >= 2)
}

#[cfg(test)]
mod tests {
    use super::super::tests::{NOW, call, id, keep, personal, to_one};
    use super::*;
    use dunlin_mail::Station;
    use dunlin_mail::post::{Answer, Ask, Letter, Proof, Standing, Way};

    /// A word that stands nowhere else in a file.
    const SECRET: &str = "xylophonewright";

    fn name(text: &str) -> Name {
        Name::new(text).expect("a name")
    }

    fn filled(path: &Path) -> MailStore {
        let mut store = MailStore::open(path).expect("opens");
        keep(&mut store, personal(1, "QX0RLF", SECRET), &Way::Here);
        let from = |number, from: &str, to: &str, body: &str| {
            let mut message = personal(number, to, body);
            message.from = from.parse().expect("an address");
            message
        };
        keep(
            &mut store,
            from(2, "QX0RLF", "QM3BAR", "to Marta"),
            &Way::Here,
        );
        keep(
            &mut store,
            from(3, "QX0RLF", "QM2REE", "ask QM3BAR"),
            &Way::Here,
        );
        keep(&mut store, from(4, "QX0RLF", "QM2REE", "other"), &Way::Here);
        let way = to_one(&["QM2REE"]);
        keep(&mut store, personal(5, "QM2REE", "it waits"), &way);
        store
    }

    fn raw(path: &Path) -> Vec<u8> {
        let mut all = std::fs::read(path).expect("there");
        let log = path.with_extension("db-wal");
        all.extend(std::fs::read(log).unwrap_or_default());
        all
    }

    fn stands_in(octets: &[u8], word: &str) -> bool {
        octets.windows(word.len()).any(|w| w == word.as_bytes())
    }

    #[test]
    fn what_is_about_a_call_sign_is_counted_and_goes_with_every_octet() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("mail.db");
        let mut store = filled(&path);
        let expected = MailForgotten {
            written: 2,
            addressed: 1,
            naming: 1,
            waiting: 1,
            ..MailForgotten::default()
        };
        let counted = store.count_about(&name("qm3bar")).expect("read");
        assert_eq!(counted, expected);
        assert!(stands_in(&raw(&path), SECRET), "the test can see it");
        let gone = store.forget(&name("qm3bar"), NOW, || ()).expect("written");
        assert_eq!(gone, expected);
        let left = store.count_about(&name("QM3BAR")).expect("read");
        assert_eq!(left.total(), 0);
        assert!(!stands_in(&raw(&path), SECRET), "neither text nor index");
        let partner: Station = call("QM2REE");
        for number in [1, 2, 3, 5] {
            let id = id(number);
            let known = store.answer(Ask::Known { id, partner }, NOW);
            assert!(matches!(known, Answer::Known { known: true, .. }));
        }
        match store.answer(Ask::Counts, NOW) {
            Answer::Counts(counts) => assert_eq!((counts.letters, counts.deleted), (1, 4)),
            other => panic!("{other:?}"),
        }
        store.check().expect("whole");
    }

    #[test]
    fn a_name_is_found_in_texts_and_is_no_call_sign() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("mail.db");
        let mut store = filled(&path);
        let marta = name("Marta");
        let before = store.remnants(&marta).expect("read");
        assert!(!before.is_empty(), "the test can see it");
        let gone = store.forget(&marta, NOW, || ()).expect("written");
        assert_eq!((gone.naming, gone.total()), (1, 1));
        let after = store.remnants(&marta).expect("read");
        assert_eq!(after, Vec::<PathBuf>::new());
        store.compact().expect("written anew");
        let missing = MailStore::open_existing(&folder.path().join("none.db"));
        assert!(missing.is_err(), "nothing is made");
        assert!(!folder.path().join("none.db").exists());
    }

    fn partial(origin: &str, octets: &[u8]) -> Ask {
        let id = format!("{origin}:0000000000001");
        Ask::KeepPartial(dunlin_mail::exchange::Partial {
            id: id.parse().expect("an identifier"),
            hash: [7; 6],
            octets: octets.to_vec(),
        })
    }

    #[test]
    fn what_has_begun_to_arrive_goes_whoever_sent_it() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("mail.db");
        let mut store = filled(&path);
        for (origin, octets) in [("QM2REE", &b"for QM3BAR"[..]), ("QM3BAR", b"by QM3BAR")] {
            assert_eq!(store.answer(partial(origin, octets), NOW), Answer::Done);
        }
        store.forget(&name("QM3BAR"), NOW, || ()).expect("written");
        match store.answer(Ask::Counts, NOW) {
            Answer::Counts(counts) => assert_eq!(counts.partials, 0),
            other => panic!("{other:?}"),
        }
        assert!(!stands_in(&raw(&path), "for QM3BAR"));
    }

    #[test]
    fn what_is_held_and_what_is_not_yet_sent_is_counted_as_unfinished() {
        let mut store = super::super::tests::store();
        let way = to_one(&["QM2REE"]);
        keep(&mut store, personal(1, "QM2REE", "it waits"), &way);
        keep(&mut store, personal(2, "QM2REE", "to be held"), &way);
        let (id, why) = (id(2), "ask first".to_owned());
        store.answer(Ask::Hold { id, why }, NOW);
        let mut draft = Letter::new(personal(3, "QM2REE", "more"), Proof::Own, &way, NOW);
        (draft.standing, draft.legs) = (Standing::Written, Vec::new());
        assert_eq!(store.answer(Ask::Keep(Box::new(draft)), NOW), Answer::Kept);
        let found = store.count_about(&name("QM3BAR")).expect("read");
        assert_eq!((found.waiting, found.held, found.drafts), (1, 1, 1));
        assert_eq!(found.unfinished(), 3);
    }

    #[test]
    fn a_station_writes_between_the_steps_and_nothing_of_the_words_is_left() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("mail.db");
        let mut store = filled(&path);
        // Some thousand words of their own each, so that the index has many pages.
        for number in 100..130 {
            let words =
                |n: u64| format!("w{:x}x ", (number * 4000 + n).wrapping_mul(2_654_435_761));
            let body: String = (0..4000).map(words).collect();
            keep(&mut store, personal(number, "QX0RLF", &body), &Way::Here);
        }
        let mut station = MailStore::open(&path).expect("opens");
        let (mut steps, mut number) = (0, 1000);
        let gone = store.forget(&name("QM3BAR"), NOW, || {
            let mut message = personal(number, "QX0RLF", "meanwhile");
            message.from = "QX0RLF".parse().expect("an address");
            (steps, number) = (steps + 1, number + 1);
            if steps < 10 {
                keep(&mut station, message, &Way::Here);
            }
        });
        assert_eq!(gone.expect("written").written, 32);
        assert!(steps > 3, "{steps} steps");
        assert!(!stands_in(&raw(&path), SECRET), "neither text nor index");
        let segments = "SELECT count(DISTINCT segid) FROM words_idx";
        let read = |row: &Row<'_>| row.get::<_, i64>(0);
        let left = store.connection.query_row(segments, [], read);
        assert_eq!(left, Ok(1), "all put together");
    }

    #[test]
    fn the_file_is_not_written_anew_under_a_station() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("mail.db");
        let store = filled(&path);
        let station = MailStore::open(&path).expect("opens");
        assert!(matches!(store.is_alone(), Ok(false)));
        assert!(matches!(store.compact(), Err(MailError::InUse(_))));
        drop(station);
        store.compact().expect("alone now");
        let mut again = MailStore::open(&path).expect("opens");
        keep(&mut again, personal(9, "QM2REE", "works"), &Way::Here);
    }
}
