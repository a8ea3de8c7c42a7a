//! How much is kept, so that a station can run for years.

use dunlin_clock::{Duration, WallTime};
use rusqlite::{Connection, OptionalExtension, params};

use crate::cut;

/// How much the journal keeps; beyond that, the oldest goes first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Frames, the bulk of the journal. Default: a million, some 450 MB.
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
    /// Age beyond which everything goes, whatever it is. Default: none.
    pub keep: Option<Duration>,
    /// Age beyond which the text of talks and frames goes, while who, when and how stays.
    /// Default: none.
    pub keep_texts: Option<Duration>,
}

impl Limits {
    /// The wall time before which things are too old, in milliseconds since 1970.
    pub(crate) fn cutoff(&self, now: WallTime) -> Option<i64> {
        Some(before(now, self.keep?))
    }

    /// The wall time before which texts are too old, in milliseconds since 1970.
    pub(crate) fn texts_cutoff(&self, now: WallTime) -> Option<i64> {
        Some(before(now, self.keep_texts?))
    }

    /// Whether a run that begins `now` would find everything before it, of which the newest is
    /// of `last`, or all texts before it, too old: then the clock is more likely wrong than the journal. The next run
    /// finds this one before it.
    pub(crate) fn leapt(&self, last: Option<i64>, now: WallTime) -> bool {
        let cutoffs = [self.cutoff(now), self.texts_cutoff(now)];
        let leapt = |last| cutoffs.iter().flatten().any(|cutoff| last < *cutoff);
        last.is_some_and(leapt)
    }
}

fn before(now: WallTime, age: Duration) -> i64 {
    let age = i64::try_from(age.as_millis()).unwrap_or(i64::MAX);
    now.0.saturating_sub(age)
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            frames: 1_000_000,
            lines: 1_000_000,
            talks: 100_000,
            notes: 200_000,
            octets: 1 << 30,
            keep: None,
            keep_texts: None,
        }
    }
}

/// Rows of one table that go at once, so that the station never waits long.
const MOST_AT_ONCE: i64 = 2000;

/// Rows of one table that go at once because of their age.
const MOST_AGED: i64 = 500;

/// Plans that are kept.
const MOST_PLANS: u64 = 50;

/// Tables whose rows are numbered as they come, and the name of that number.
const GROWING: [(&str, &str); 5] = [
    ("frames", "frame"),
    ("talk_lines", "row"),
    ("talks", "row"),
    ("crossings", "row"),
    ("notes", "row"),
];

/// Whether the file holds more octets than it may.
pub(crate) fn is_over(db: &Connection, limits: &Limits) -> rusqlite::Result<bool> {
    Ok(octets(db)? > limits.octets)
}

/// The newest wall time in the file, in milliseconds since 1970.
pub(crate) fn last_time(db: &Connection) -> rusqlite::Result<Option<i64>> {
    let mut last: Option<i64> =
        db.query_row("SELECT max(began_wall_ms) FROM runs", [], |row| row.get(0))?;
    for (table, key) in GROWING {
        let sql = format!("SELECT wall_ms FROM {table} ORDER BY {key} DESC LIMIT 1");
        let newest: Option<i64> = db.query_row(&sql, [], |row| row.get(0)).optional()?;
        last = last.max(newest);
    }
    Ok(last)
}

/// Removes some of what is too much or, of a wall time before `cutoff`, too old; true if
/// anything was.
pub(crate) fn retain(
    db: &Connection,
    limits: &Limits,
    cutoff: Option<i64>,
) -> rusqlite::Result<bool> {
    let mut removed = 0;
    if let Some(cutoff) = cutoff {
        removed += aged(db, cutoff)?;
    }
    removed += oldest(db, "plans", "row", MOST_PLANS)?;
    removed += oldest(db, "frames", "frame", limits.frames)?;
    removed += oldest(db, "talk_lines", "row", limits.lines)?;
    removed += oldest(db, "talks", "row", limits.talks)?;
    removed += oldest(db, "crossings", "row", limits.talks)?;
    removed += oldest(db, "notes", "row", limits.notes)?;
    removed += oldest_heard(db, limits.talks)?;
    if is_over(db, limits)? {
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

/// Deletes some of the texts of a wall time before `cutoff`; true if any was deleted, or looked at
/// for the first time. Texts of the timeline are not among them: the station wrote them itself.
pub(crate) fn delete_texts(db: &Connection, cutoff: i64) -> rusqlite::Result<bool> {
    let frames = old_texts(db, "frames", "frame", cutoff, |key, octets| {
        cut::frame(db, key, octets)
    })?;
    let lines = old_texts(db, "talk_lines", "row", cutoff, |key, _| cut::line(db, key))?;
    let sql = "SELECT run, port, call FROM stations_heard
        WHERE last_wall_ms < ?1 AND said <> '' LIMIT ?2";
    let mut statement = db.prepare_cached(sql)?;
    let said: Vec<(i64, i64, String)> = statement
        .query_map(params![cutoff, MOST_AGED], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })?
        .collect::<rusqlite::Result<_>>()?;
    for (run, port, call) in &said {
        cut::said(db, *run, *port, call)?;
    }
    Ok(frames || lines || !said.is_empty())
}

/// Goes on from the row up to which all texts are deleted. Rows lie there in order of time, but
/// for leaps of the clock; so the first row that is young enough ends it until the next look.
fn old_texts(
    db: &Connection,
    table: &str,
    key: &str,
    cutoff: i64,
    cut: impl Fn(i64, &[u8]) -> rusqlite::Result<()>,
) -> rusqlite::Result<bool> {
    let sql = "SELECT up_to FROM texts_gone WHERE name = ?1";
    let up_to: Option<i64> = db
        .prepare_cached(sql)?
        .query_row([table], |row| row.get(0))
        .optional()?;
    let sql = format!(
        "SELECT {key}, wall_ms, octets, cut_octets FROM {table} WHERE {key} > ?1
         ORDER BY {key} LIMIT ?2"
    );
    let mut statement = db.prepare_cached(&sql)?;
    let rows = statement.query_map(params![up_to.unwrap_or(0), MOST_AGED], |row| {
        Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
    })?;
    let rows: Vec<(i64, i64, Vec<u8>, i64)> = rows.collect::<rusqlite::Result<_>>()?;
    let (mut reached, mut young) = (None, false);
    for (row, wall, octets, already) in rows {
        young |= wall >= cutoff;
        if wall < cutoff && already == 0 {
            cut(row, &octets)?;
        }
        if !young {
            reached = Some(row);
        }
    }
    if let Some(row) = reached {
        let sql = "INSERT INTO texts_gone (name, up_to) VALUES (?1, ?2)
            ON CONFLICT (name) DO UPDATE SET up_to = excluded.up_to";
        db.prepare_cached(sql)?.execute(params![table, row])?;
    }
    Ok(reached.is_some())
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

/// Removes what is too old. Only the first rows of each table are looked at: there the old
/// ones are, and no table is read whole. Runs go when nothing of them is left.
fn aged(db: &Connection, cutoff: i64) -> rusqlite::Result<usize> {
    let mut removed = 0;
    let mut first_run = "SELECT max(run) AS run FROM runs".to_owned();
    for (table, key) in GROWING {
        let sql = format!(
            "DELETE FROM {table} WHERE {key} IN (SELECT {key} FROM
             (SELECT {key}, wall_ms FROM {table} ORDER BY {key} LIMIT ?2) WHERE wall_ms < ?1)"
        );
        removed += db
            .prepare_cached(&sql)?
            .execute(params![cutoff, MOST_AGED])?;
        first_run +=
            &format!(" UNION ALL SELECT * FROM (SELECT run FROM {table} ORDER BY {key} LIMIT 1)");
    }
    let sql = "DELETE FROM stations_heard WHERE (run, port, call) IN (SELECT run, port, call
        FROM stations_heard WHERE last_wall_ms < ?1 ORDER BY run LIMIT ?2)";
    removed += db
        .prepare_cached(sql)?
        .execute(params![cutoff, MOST_AGED])?;
    let sql = format!(
        "DELETE FROM runs WHERE run IN (SELECT run FROM runs WHERE began_wall_ms < ?1
         AND run < (SELECT min(run) FROM ({first_run}
                    UNION ALL SELECT min(run) AS run FROM stations_heard)) ORDER BY run LIMIT ?2)"
    );
    // Each costs a look through the notes, which have no index by run.
    removed += db.prepare_cached(&sql)?.execute(params![cutoff, 5])?;
    Ok(removed)
}
