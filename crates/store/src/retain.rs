//! How much is kept, so that a station can run for years.

use rusqlite::{Connection, params};

/// How much the journal keeps; beyond that, the oldest goes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Frames, the bulk of the journal. Default: a million, some 300 MB.
    pub frames: u64,
    /// Lines of talks. Default: a million.
    pub lines: u64,
    /// Talks, crossings, and stations heard in one run, each. Default: a hundred thousand.
    pub talks: u64,
    /// Notes of the timeline. Default: two hundred thousand.
    pub notes: u64,
    /// Octets of the file that are in use. Default: 1 GiB. When more are, frames go first,
    /// then notes, then lines of talks.
    pub octets: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            frames: 1_000_000,
            lines: 1_000_000,
            talks: 100_000,
            notes: 200_000,
            octets: 1 << 30,
        }
    }
}

/// Rows of one table that go at once, so that the station never waits long.
const MOST_AT_ONCE: i64 = 2000;

/// Removes some of what is too much; true if anything was.
pub(crate) fn retain(db: &Connection, limits: &Limits) -> rusqlite::Result<bool> {
    let mut removed = 0;
    removed += oldest(db, "frames", "frame", limits.frames)?;
    removed += oldest(db, "talk_lines", "row", limits.lines)?;
    removed += oldest(db, "talks", "row", limits.talks)?;
    removed += oldest(db, "crossings", "row", limits.talks)?;
    removed += oldest(db, "notes", "row", limits.notes)?;
    removed += oldest_heard(db, limits.talks)?;
    if octets(db)? > limits.octets {
        for (table, key) in [("frames", "frame"), ("notes", "row"), ("talk_lines", "row")] {
            let gone = first_rows(db, table, key)?;
            removed += gone;
            if gone > 0 {
                break;
            }
        }
    }
    Ok(removed > 0)
}

/// Octets of the file that hold something. Rows that were removed leave free pages, which
/// are filled again before the file grows.
fn octets(db: &Connection) -> rusqlite::Result<u64> {
    let number = |name: &str| -> rusqlite::Result<i64> {
        db.pragma_query_value(None, name, |row| row.get(0))
    };
    let pages = number("page_count")? - number("freelist_count")?;
    Ok((pages * number("page_size")?).unsigned_abs())
}

/// Removes the oldest rows of a table that has more than `most`. Rows are numbered in
/// order with few gaps, so the numbers tell well enough how many there are, without counting.
fn oldest(db: &Connection, table: &str, key: &str, most: u64) -> rusqlite::Result<usize> {
    let sql = format!(
        "DELETE FROM {table} WHERE {key} IN (SELECT {key} FROM {table}
         WHERE {key} <= (SELECT max({key}) FROM {table}) - ?1 ORDER BY {key} LIMIT ?2)"
    );
    let most = i64::try_from(most).unwrap_or(i64::MAX);
    db.prepare_cached(&sql)?
        .execute(params![most, MOST_AT_ONCE])
}

fn first_rows(db: &Connection, table: &str, key: &str) -> rusqlite::Result<usize> {
    let sql = format!(
        "DELETE FROM {table} WHERE {key} IN (SELECT {key} FROM {table} ORDER BY {key} LIMIT ?1)"
    );
    db.prepare_cached(&sql)?.execute([MOST_AT_ONCE])
}

/// Stations heard have no growing number; those of the oldest runs go first.
fn oldest_heard(db: &Connection, most: u64) -> rusqlite::Result<usize> {
    let count = "SELECT count(*) FROM stations_heard";
    let count: i64 = db.prepare_cached(count)?.query_row([], |row| row.get(0))?;
    let surplus = count.saturating_sub(i64::try_from(most).unwrap_or(i64::MAX));
    if surplus <= 0 {
        return Ok(0);
    }
    let sql = "DELETE FROM stations_heard WHERE (run, port, call) IN (
        SELECT run, port, call FROM stations_heard ORDER BY run, last_wall_ms LIMIT ?1)";
    db.prepare_cached(sql)?.execute([surplus.min(MOST_AT_ONCE)])
}
