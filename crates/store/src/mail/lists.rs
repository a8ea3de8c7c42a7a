//! Lists, searches and counts.

use dunlin_ax25::CallSign;
use dunlin_mail::Kind;
use dunlin_mail::post::{Answer, Counts, Head, MOST_LISTED, Standing, Which};
use rusqlite::types::Value;
use rusqlite::{Connection, params, params_from_iter};

use super::rows::{HEAD, head, legs, size};
use crate::quoted::all_words;

/// What a reader may see, as in `dunlin_mail::post::may_read`; ?1 is the reader. In SQL, because a list has a length.
const VISIBLE: &str = "(letters.from_call = ?1
    OR letters.kind = 'bulletin' AND letters.standing NOT IN ('held', 'written')
    OR letters.to_call = ?1 AND letters.standing <> 'written')";

/// Personal mail that its reader finds here and has not opened.
const UNREAD: &str =
    "letters.unread = 1 AND letters.to_call IS NOT NULL AND letters.standing = 'here'";

/// The reader as a parameter; the operator has no call sign here.
fn name(reader: Option<CallSign>) -> String {
    reader.map_or_else(String::new, |reader| reader.to_string())
}

/// Lists, the newest first.
pub(super) fn list(
    db: &Connection,
    reader: Option<CallSign>,
    which: &Which,
    after: Option<u64>,
    most: usize,
) -> rusqlite::Result<Answer> {
    let before = after.map_or(i64::MAX, |place| i64::try_from(place).unwrap_or(i64::MAX));
    let most = most.min(MOST_LISTED);
    let mut values = vec![
        Value::from(name(reader)),
        Value::from(before),
        Value::from(size(most)),
    ];
    let chosen = match which {
        Which::All if reader.is_some() => return all(db, name(reader), before, most),
        Which::All => "TRUE",
        Which::Unread if reader.is_some() => {
            "letters.unread = 1 AND letters.to_call IS NOT NULL AND letters.to_call = ?1
             AND +letters.standing = 'here'" // + keeps SQLite on the index of the unread.
        }
        Which::Unread => UNREAD,
        Which::Bulletins { topic: None } => "letters.kind = 'bulletin'",
        Which::Bulletins { topic: Some(topic) } => {
            values.push(Value::from(topic.clone()));
            "letters.kind = 'bulletin' AND letters.topic = ?4"
        }
        Which::Own if reader.is_some() => "letters.from_call = ?1",
        Which::Own => "letters.proof = 'own'",
        Which::Waiting if reader.is_some() => {
            "letters.from_call = ?1 AND letters.standing IN ('queued', 'here', 'held')"
        }
        Which::Waiting => "letters.standing IN ('queued', 'here', 'held')",
        Which::Queue => "letters.standing = 'queued'",
        Which::Held => "letters.standing = 'held'",
    };
    let visible = match reader {
        Some(_) => VISIBLE,
        None => "?1 = ''",
    };
    let sql = format!(
        "SELECT {HEAD} FROM letters WHERE {chosen} AND {visible} AND letters.standing <> 'deleted'
         AND letters.place < ?2 ORDER BY letters.place DESC LIMIT ?3"
    );
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map(params_from_iter(values), head)?;
    let heads = rows.collect::<rusqlite::Result<Vec<Head>>>()?;
    finished(db, heads, reader)
}

/// All that one reader may see. Each part has its index; together they would be read from end to end.
fn all(db: &Connection, reader: String, before: i64, most: usize) -> rusqlite::Result<Answer> {
    let part = |condition: &str| {
        format!(
            "SELECT * FROM (SELECT place FROM letters WHERE {condition} AND standing <> 'deleted'
             AND place < ?2 ORDER BY place DESC LIMIT ?3)"
        )
    };
    let sql = format!(
        "SELECT {HEAD} FROM letters WHERE place IN ({} UNION {} UNION {}) ORDER BY place DESC LIMIT ?3",
        part("from_call = ?1"),
        part("to_call = ?1 AND standing <> 'written'"),
        part("kind = 'bulletin' AND standing NOT IN ('held', 'written')"),
    );
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map(params![reader, before, size(most)], head)?;
    let heads = rows.collect::<rusqlite::Result<Vec<Head>>>()?;
    finished(db, heads, reader.parse().ok())
}

/// Heads with their legs, and with what is new to this reader.
fn finished(
    db: &Connection,
    mut heads: Vec<Head>,
    reader: Option<CallSign>,
) -> rusqlite::Result<Answer> {
    let sql = "SELECT 1 FROM openings WHERE place = ?1 AND reader = ?2";
    let mut opened = db.prepare_cached(sql)?;
    for head in &mut heads {
        head.legs = legs(db, head.place)?;
        if let (Kind::Bulletin { .. }, Some(reader)) = (&head.kind, reader) {
            let asked = params![head.place.cast_signed(), reader.to_string()];
            head.unread = !opened.exists(asked)?;
        }
    }
    Ok(Answer::Heads(heads))
}

/// Finds what has all the words, the newest first.
pub(super) fn search(
    db: &Connection,
    reader: Option<CallSign>,
    words: &str,
    most: usize,
) -> rusqlite::Result<Answer> {
    let Some(wanted) = all_words(words) else {
        return Ok(Answer::Heads(Vec::new()));
    };
    let visible = match reader {
        Some(_) => VISIBLE,
        None => "?1 = ''",
    };
    let sql = format!(
        "SELECT {HEAD} FROM words CROSS JOIN letters ON letters.place = words.rowid
         WHERE words MATCH ?2 AND {visible} ORDER BY words.rowid DESC LIMIT ?3"
    );
    let mut statement = db.prepare_cached(&sql)?;
    let asked = params![name(reader), wanted, size(most.min(MOST_LISTED))];
    let rows = statement.query_map(asked, head)?;
    let heads = rows.collect::<rusqlite::Result<Vec<Head>>>()?;
    finished(db, heads, reader)
}

/// Emergencies, the highest of the precedences by their number, that neither reader nor operator has opened. A report on one
/// is none.
const EMERGENCIES: &str = "SELECT count(*) FROM letters INDEXED BY letters_emergencies
     WHERE precedence = 3 AND unread = 1 AND to_call IS NOT NULL AND standing = 'here' AND kind <> 'service'
     AND NOT EXISTS (SELECT 1 FROM openings WHERE openings.place = letters.place AND reader = '')";

/// How many emergencies wait here to be read.
pub(super) fn emergencies(db: &Connection) -> rusqlite::Result<Answer> {
    let read = |row: &rusqlite::Row<'_>| row.get(0);
    let waiting: i64 = db.prepare_cached(EMERGENCIES)?.query_row([], read)?;
    Ok(Answer::Emergencies(waiting.unsigned_abs()))
}

/// How much there is.
pub(super) fn counts(db: &Connection) -> rusqlite::Result<Answer> {
    let count = |sql: &str| -> rusqlite::Result<u64> {
        let n: i64 = db.prepare_cached(sql)?.query_row([], |row| row.get(0))?;
        Ok(n.unsigned_abs())
    };
    let standing = |standing: &Standing| -> rusqlite::Result<u64> {
        let (name, _) = super::rows::standing_words(standing);
        count(&format!(
            "SELECT count(*) FROM letters WHERE standing = '{name}'"
        ))
    };
    let deleted = standing(&Standing::Deleted)?;
    Ok(Answer::Counts(Counts {
        letters: count("SELECT count(*) FROM letters")? - deleted,
        unread: count(&format!("SELECT count(*) FROM letters WHERE {UNREAD}"))?,
        queued: standing(&Standing::Queued)?,
        held: standing(&Standing::Held { why: String::new() })?,
        deleted,
        partials: count("SELECT count(*) FROM partials")?,
    }))
}

#[cfg(test)]
mod tests {
    use dunlin_mail::post::{Ask, Letter, Proof, Way};
    use dunlin_mail::{Kind, Message, Precedence};

    use super::super::MailStore;
    use super::super::tests::{NOW, id, personal, store, to_one};
    use super::*;

    #[test]
    fn emergencies_are_counted_while_they_wait_for_a_person() {
        let mut store = store();
        let waiting = |store: &mut MailStore| match store.answer(Ask::Emergencies, NOW) {
            Answer::Emergencies(waiting) => waiting,
            other => panic!("{other:?}"),
        };
        let urgent = |number, way: &Way| {
            let precedence = Precedence::Emergency;
            let message = personal(number, "QM2REE", "Come.\n");
            let message = Message {
                precedence,
                ..message
            };
            Letter::new(message, Proof::KnownPath, way, NOW)
        };
        let keep = |letter: Letter, store: &mut MailStore| {
            assert_eq!(store.answer(Ask::Keep(Box::new(letter)), NOW), Answer::Kept);
        };
        let routine = Letter::new(
            personal(1, "QM2REE", "Hm.\n"),
            Proof::KnownPath,
            &Way::Here,
            NOW,
        );
        keep(routine, &mut store);
        keep(urgent(2, &to_one(&["QX0RLF"])), &mut store);
        assert_eq!(
            waiting(&mut store),
            0,
            "one that is passed on waits for nobody here"
        );
        keep(urgent(3, &Way::Here), &mut store);
        let mut report = urgent(4, &Way::Here);
        report.message.kind = Kind::Service {
            to: "QM2REE".parse().expect("an address"),
            about: id(2),
        };
        keep(report, &mut store);
        assert_eq!(waiting(&mut store), 1, "a report is none");
        keep(urgent(5, &Way::Here), &mut store);
        keep(urgent(6, &Way::Here), &mut store);
        assert_eq!(waiting(&mut store), 3);
        let seen = Ask::Seen { id: id(5) };
        assert_eq!(store.answer(seen, NOW), Answer::Done);
        assert_eq!(waiting(&mut store), 2, "the operator has looked");
        let why = "by the operator".into();
        store.answer(Ask::Hold { id: id(6), why }, NOW);
        assert_eq!(waiting(&mut store), 1, "the operator holds it");
        let reader = Some("QM2REE".parse().expect("a call sign"));
        let (id, glance) = (id(3), false);
        store.answer(Ask::Open { id, reader, glance }, NOW);
        assert_eq!(waiting(&mut store), 0, "it was read");
    }
}
