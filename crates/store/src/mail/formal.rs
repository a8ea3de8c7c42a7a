//! Radiograms: the numbers that are given to them, and what became of them.

use dunlin_clock::WallTime;
use dunlin_mail::MessageId;
use dunlin_mail::post::{Answer, Standing};
use dunlin_mail::radiogram::{MOST_NUMBER, Numbers};
use rusqlite::{Connection, params};

use super::rows::{find_kept, place, put_standing};

/// Gives the next number. It is on the disk before anybody has it, so that a loss of power gives none twice.
pub(super) fn number(db: &Connection, now: WallTime) -> rusqlite::Result<Answer> {
    let sql = "SELECT year, last, year_before, last_before FROM numbers WHERE only = 1";
    let read = |row: &rusqlite::Row<'_>| {
        Ok(Numbers {
            year: row.get(0)?,
            last: row.get(1)?,
            year_before: row.get(2)?,
            last_before: row.get(3)?,
        })
    };
    let mut numbers = db.prepare_cached(sql)?.query_row([], read)?;
    let Some(number) = numbers.give_at(now) else {
        let words =
            format!("all {MOST_NUMBER} numbers of this year are given; the next begins with 1");
        return Ok(Answer::NotAllowed { words });
    };
    let sql = "UPDATE numbers SET year = ?1, last = ?2, year_before = ?3, last_before = ?4 WHERE only = 1";
    db.prepare_cached(sql)?.execute(params![
        numbers.year,
        numbers.last,
        numbers.year_before,
        numbers.last_before
    ])?;
    Ok(Answer::Number(number))
}

/// Notes what became of a message, and words besides. It waits for nobody any more, and is read. If it does not stand as it
/// `stood` when that was said, nothing is done.
pub(super) fn conclude(
    db: &Connection,
    id: MessageId,
    (stood, standing): (&Standing, &Standing),
    note: Option<&str>,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let Some(head) = find_kept(db, id)? else {
        return Ok(Answer::NotFound);
    };
    if head.standing != *stood {
        let words = format!("It stands otherwise by now: {}.", head.words());
        return Ok(Answer::NotAllowed { words });
    }
    let place = place(&head);
    let sql = "DELETE FROM legs WHERE place = ?1 AND state = 'waiting'";
    db.prepare_cached(sql)?.execute([place])?;
    db.prepare_cached("UPDATE letters SET unread = 0 WHERE place = ?1")?
        .execute([place])?;
    if let Some(note) = note {
        let sql = "UPDATE letters SET note = coalesce(note || '; ', '') || ?2 WHERE place = ?1";
        db.prepare_cached(sql)?.execute(params![place, note])?;
    }
    put_standing(db, place, standing, now)?;
    Ok(Answer::Done)
}

#[cfg(test)]
mod tests {
    use dunlin_mail::Kind;
    use dunlin_mail::post::{Ask, Way, Which};

    use super::super::tests::{NONE, NOW, id, keep, list, open, personal, store};
    use super::*;

    #[test]
    fn a_radiogram_is_delivered_by_a_person_and_not_by_reading_it() {
        let mut store = store();
        let mut formal = personal(1, "QX0RLF", "form");
        let to = "QX0RLF".parse().expect("an address");
        formal.kind = Kind::Formal { to };
        keep(&mut store, formal, &Way::Here);
        let read = open(&mut store, 1, Some("QX0RLF")).expect("for this reader");
        assert_eq!(read.standing, Standing::Here);
        assert_eq!(list(&mut store, Some("QX0RLF"), Which::Unread), NONE);
        let conclude = |number| Ask::Conclude {
            id: id(number),
            stood: Standing::Here,
            standing: Standing::Delivered,
            note: None,
        };
        assert_eq!(store.answer(conclude(1), NOW), Answer::Done);
        let words = "It stands otherwise by now: delivered.".into();
        assert_eq!(
            store.answer(conclude(1), NOW),
            Answer::NotAllowed { words },
            "said once"
        );
        assert_eq!(store.answer(conclude(2), NOW), Answer::NotFound);
        let done = open(&mut store, 1, None).expect("kept");
        assert_eq!(done.standing, Standing::Delivered);
    }
}
