//! What has arrived of unfinished items.

use dunlin_clock::WallTime;
use dunlin_mail::MessageId;
use dunlin_mail::exchange::{HASH_OCTETS, Partial};
use dunlin_mail::post::{Answer, MOST_PARTIALS, PARTIALS_LAST};
use rusqlite::{Connection, params};

use super::rows::{parsed, size};

/// Keeps one in the place of an earlier one, unless its message is known by now.
pub(super) fn keep(db: &Connection, partial: &Partial, now: WallTime) -> rusqlite::Result<Answer> {
    expire(db, now)?;
    let id = partial.id.to_string();
    let known = db
        .prepare_cached("SELECT 1 FROM letters WHERE id = ?1")?
        .exists([&id])?;
    if known || partial.octets.len() > MOST_PARTIALS {
        return Ok(Answer::Done);
    }
    let sql = "INSERT OR REPLACE INTO partials (id, hash, octets, kept_ms) VALUES (?1, ?2, ?3, ?4)";
    let values = params![id, partial.hash.as_slice(), partial.octets, now.0];
    db.prepare_cached(sql)?.execute(values)?;
    make_room(db)?;
    Ok(Answer::Done)
}

pub(super) fn forget(db: &Connection, id: MessageId) -> rusqlite::Result<Answer> {
    db.prepare_cached("DELETE FROM partials WHERE id = ?1")?
        .execute([id.to_string()])?;
    Ok(Answer::Done)
}

/// Forgets what is too old.
pub(super) fn expire(db: &Connection, now: WallTime) -> rusqlite::Result<()> {
    let last = i64::try_from(PARTIALS_LAST.as_millis()).unwrap_or(i64::MAX);
    let cutoff = now.0.saturating_sub(last);
    db.prepare_cached("DELETE FROM partials WHERE kept_ms < ?1")?
        .execute([cutoff])?;
    Ok(())
}

/// Forgets the oldest until all fit.
fn make_room(db: &Connection) -> rusqlite::Result<()> {
    let sql = "DELETE FROM partials WHERE id IN (SELECT id FROM
        (SELECT id, sum(length(octets)) OVER (ORDER BY kept_ms DESC, id) AS together FROM partials)
        WHERE together > ?1)";
    db.prepare_cached(sql)?.execute([size(MOST_PARTIALS)])?;
    Ok(())
}

/// All of them.
pub(super) fn all(db: &Connection) -> rusqlite::Result<Vec<Partial>> {
    let sql = "SELECT id, hash, octets FROM partials ORDER BY id";
    let mut statement = db.prepare_cached(sql)?;
    let rows = statement.query_map([], |row| {
        Ok(Partial {
            id: parsed(row, 0)?,
            hash: row.get::<_, [u8; HASH_OCTETS]>(1)?,
            octets: row.get(2)?,
        })
    })?;
    rows.collect()
}
