//! Rows back into the engine's own types, newest first, at most a given number at once.

use std::error::Error;
use std::str::FromStr;

use dunlin_clock::WallTime;
use dunlin_station::{
    Block, CrossingHalf, CrossingId, CrossingView, HeardView, Note, PortId, TalkId, TalkLine,
    TalkView,
};
use rusqlite::types::Type;
use rusqlite::{Row, ToSql};
use serde::{Deserialize, Serialize};

use crate::words::Word;
use crate::{RunId, Store, StoreError};

/// Most that one question is answered with.
pub const MOST_ANSWERED: usize = 1000;

/// Something from the journal.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Kept<T> {
    /// Its row, growing; give it as `before` to read on behind it.
    pub row: i64,
    /// The run in which it happened. Its own numbers and times belong to that run.
    pub run: RunId,
    /// When the journal first heard of it.
    pub wall: WallTime,
    /// The thing in its last state.
    pub value: T,
}

/// One start of the station.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Run {
    /// Which.
    pub run: RunId,
    /// Call sign of the station.
    pub call: String,
    /// Wall time of the engine's zero.
    pub began: WallTime,
    /// When it ended; `None` if it still goes on or was cut off.
    pub ended: Option<WallTime>,
}

/// A station heard, over all runs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HeardStation {
    /// Name of the port.
    pub port_name: String,
    /// First time in all runs that are kept.
    pub first: WallTime,
    /// Last time.
    pub last: WallTime,
    /// Frames in all runs that are kept.
    pub count: u64,
    /// The latest run in which it was heard.
    pub run: RunId,
    /// How it stood in that run.
    pub latest: HeardView,
}

/// A talk as it is kept.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct KeptTalk {
    /// The talk in its last state.
    pub view: TalkView,
    /// It was put away from the page.
    pub put_away: bool,
    /// It had not ended when the journal last heard of it, and its run is over.
    pub cut_off: bool,
}

fn number(n: i64) -> u64 {
    n.cast_unsigned()
}

fn u64_of(row: &Row<'_>, column: &str) -> rusqlite::Result<u64> {
    row.get(column).map(number)
}

fn maybe_u64(row: &Row<'_>, column: &str) -> rusqlite::Result<Option<u64>> {
    let value: Option<i64> = row.get(column)?;
    Ok(value.map(number))
}

fn size_of(row: &Row<'_>, column: &str) -> rusqlite::Result<usize> {
    let value: i64 = row.get(column)?;
    Ok(usize::try_from(value).unwrap_or(0))
}

fn fault(error: impl Error + Send + Sync + 'static) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(0, Type::Text, Box::new(error))
}

pub(crate) fn parsed<T: FromStr<Err: Error + Send + Sync + 'static>>(
    row: &Row<'_>,
    column: &str,
) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    text.parse().map_err(fault)
}

fn maybe_parsed<T: FromStr<Err: Error + Send + Sync + 'static>>(
    row: &Row<'_>,
    column: &str,
) -> rusqlite::Result<Option<T>> {
    let text: Option<String> = row.get(column)?;
    text.map(|text| text.parse()).transpose().map_err(fault)
}

pub(crate) fn list<T: for<'de> Deserialize<'de>>(
    row: &Row<'_>,
    column: &str,
) -> rusqlite::Result<Vec<T>> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(fault)
}

pub(crate) fn kept<T>(row: &Row<'_>, key: &str, value: T) -> rusqlite::Result<Kept<T>> {
    Ok(Kept {
        row: row.get(key)?,
        run: RunId(row.get("run")?),
        wall: WallTime(row.get("wall_ms")?),
        value,
    })
}

fn block(row: &Row<'_>) -> rusqlite::Result<Kept<Block>> {
    let Word(kind) = row.get("kind")?;
    let block = Block {
        id: u64_of(row, "block")?,
        port: PortId(row.get("port")?),
        kind,
        start_ms: u64_of(row, "start_ms")?,
        end_ms: maybe_u64(row, "end_ms")?,
        from: row.get("sender")?,
        to: row.get("addressee")?,
        via: list(row, "via")?,
        what: row.get("what")?,
        text: row.get("text")?,
        octets: row.get("octets")?,
        level_dbfs: row.get("level_dbfs")?,
        offset_hz: row.get("offset_hz")?,
        twist_db: row.get("twist_db")?,
        snr_db: row.get("snr_db")?,
        why: row.get("why")?,
        line: None,
        heard_on: None,
        // What was guessed stands in `why`; nothing else of it is kept.
        guess: None,
    };
    kept(row, "frame", block)
}

fn talk(row: &Row<'_>) -> rusqlite::Result<Kept<KeptTalk>> {
    let Word(state) = row.get("state")?;
    let view = TalkView {
        id: TalkId(u64_of(row, "talk")?),
        port: PortId(row.get("port")?),
        local: parsed(row, "local")?,
        remote: parsed(row, "remote")?,
        via: list(row, "via")?,
        incoming: row.get("incoming")?,
        state,
        words: row.get("words")?,
        since_ms: u64_of(row, "since_ms")?,
        opened_ms: u64_of(row, "opened_ms")?,
        waiting_octets: size_of(row, "waiting_octets")?,
        retries: row.get("retries")?,
        last_heard_ms: maybe_u64(row, "last_heard_ms")?,
        pace: None,
    };
    let put_away = row.get("put_away")?;
    let cut_off = row.get("cut_off")?;
    kept(
        row,
        "row",
        KeptTalk {
            view,
            put_away,
            cut_off,
        },
    )
}

fn line(row: &Row<'_>) -> rusqlite::Result<Kept<TalkLine>> {
    let Word(direction) = row.get("direction")?;
    let line = TalkLine {
        talk: TalkId(u64_of(row, "talk")?),
        line: u64_of(row, "line")?,
        at_ms: u64_of(row, "at_ms")?,
        direction,
        text: row.get("text")?,
        complete: row.get("complete")?,
        lost: row.get("lost")?,
        octets: row.get("octets")?,
    };
    kept(row, "row", line)
}

fn half(row: &Row<'_>, end: &str) -> rusqlite::Result<CrossingHalf> {
    let column = |name: &str| format!("{end}_{name}");
    Ok(CrossingHalf {
        port: PortId(row.get(column("port").as_str())?),
        local: parsed(row, &column("local"))?,
        remote: maybe_parsed(row, &column("remote"))?,
        words: row.get(column("words").as_str())?,
        received_octets: u64_of(row, &column("received"))?,
        waiting_octets: size_of(row, &column("waiting"))?,
    })
}

fn crossing(row: &Row<'_>) -> rusqlite::Result<Kept<CrossingView>> {
    let view = CrossingView {
        id: CrossingId(u64_of(row, "crossing")?),
        rule: row.get("rule")?,
        // They stand in the plan, as it was at the time.
        notes: None,
        near: half(row, "near")?,
        far: half(row, "far")?,
        words: row.get("words")?,
        opened_ms: u64_of(row, "opened_ms")?,
        ended: row.get("ended")?,
    };
    kept(row, "row", view)
}

fn note(row: &Row<'_>) -> rusqlite::Result<Kept<Note>> {
    let Word(urgency) = row.get("urgency")?;
    let port: Option<u8> = row.get("port")?;
    let note = Note {
        at_ms: u64_of(row, "at_ms")?,
        port: port.map(PortId),
        urgency,
        text: row.get("text")?,
    };
    kept(row, "row", note)
}

fn heard(row: &Row<'_>) -> rusqlite::Result<HeardStation> {
    let latest = HeardView {
        port: PortId(row.get("port")?),
        call: row.get("call")?,
        by: row.get("by_digipeater")?,
        first_ms: u64_of(row, "first_ms")?,
        last_ms: u64_of(row, "last_ms")?,
        count: u64_of(row, "count")?,
        level_dbfs: row.get("level_dbfs")?,
        offset_hz: row.get("offset_hz")?,
        twist_db: row.get("twist_db")?,
        snr_db: row.get("snr_db")?,
        said: row.get("said")?,
        line: None,
        advice: None,
    };
    Ok(HeardStation {
        port_name: row.get("port_name")?,
        first: WallTime(row.get("first_wall")?),
        last: WallTime(row.get("last_wall_ms")?),
        count: row.get::<_, f64>("all_count")? as u64,
        run: RunId(row.get("run")?),
        latest,
    })
}

fn run(row: &Row<'_>) -> rusqlite::Result<Run> {
    let ended: Option<i64> = row.get("ended_wall_ms")?;
    Ok(Run {
        run: RunId(row.get("run")?),
        call: row.get("call")?,
        began: WallTime(row.get("began_wall_ms")?),
        ended: ended.map(WallTime),
    })
}

const TALKS: &str = "SELECT talks.*,
    state <> 'ended' AND (ended_wall_ms IS NOT NULL OR run < (SELECT max(run) FROM runs)) AS cut_off
    FROM talks JOIN runs USING (run)";

/// What was flushed can be read back. Lists come newest first, `limit` items at most (never
/// more than [`MOST_ANSWERED`]); `before` is the row of the last item of the page before.
impl Store {
    /// Starts of the station.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn runs(&self, limit: usize) -> Result<Vec<Run>, StoreError> {
        self.list(
            "SELECT * FROM runs ORDER BY run DESC LIMIT ?1",
            &[&most(limit)],
            run,
        )
    }

    /// Frames heard, sent and not readable.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn frames(
        &self,
        before: Option<i64>,
        limit: usize,
    ) -> Result<Vec<Kept<Block>>, StoreError> {
        let sql = "SELECT * FROM frames WHERE frame < ?1 ORDER BY frame DESC LIMIT ?2";
        self.list(sql, &[&behind(before), &most(limit)], block)
    }

    /// Talks.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn talks(
        &self,
        before: Option<i64>,
        limit: usize,
    ) -> Result<Vec<Kept<KeptTalk>>, StoreError> {
        let sql = format!("{TALKS} WHERE row < ?1 ORDER BY row DESC LIMIT ?2");
        self.list(&sql, &[&behind(before), &most(limit)], talk)
    }

    /// One talk, if it is kept.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn talk(&self, run: RunId, id: TalkId) -> Result<Option<Kept<KeptTalk>>, StoreError> {
        let sql = format!("{TALKS} WHERE run = ?1 AND talk = ?2");
        let found = self.list(&sql, &[&run.0, &id.0.cast_signed()], talk)?;
        Ok(found.into_iter().next())
    }

    /// The lines of one talk in their own order, from line `from` on.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn talk_lines(
        &self,
        run: RunId,
        id: TalkId,
        from: u64,
        limit: usize,
    ) -> Result<Vec<Kept<TalkLine>>, StoreError> {
        let sql = "SELECT * FROM talk_lines WHERE run = ?1 AND talk = ?2 AND line >= ?3
            ORDER BY line LIMIT ?4";
        let id = id.0.cast_signed();
        self.list(sql, &[&run.0, &id, &from.cast_signed(), &most(limit)], line)
    }

    /// Crossings.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn crossings(
        &self,
        before: Option<i64>,
        limit: usize,
    ) -> Result<Vec<Kept<CrossingView>>, StoreError> {
        let sql = "SELECT * FROM crossings WHERE row < ?1 ORDER BY row DESC LIMIT ?2";
        self.list(sql, &[&behind(before), &most(limit)], crossing)
    }

    /// Notes of the timeline.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn notes(&self, before: Option<i64>, limit: usize) -> Result<Vec<Kept<Note>>, StoreError> {
        let sql = "SELECT * FROM notes WHERE row < ?1 ORDER BY row DESC LIMIT ?2";
        self.list(sql, &[&behind(before), &most(limit)], note)
    }

    /// Stations heard, each once for each port name, over all runs that are kept; the one
    /// heard last comes first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn heard(&self, limit: usize) -> Result<Vec<HeardStation>, StoreError> {
        let sql = "WITH named AS (
                SELECT heard.*, coalesce(ports.name, 'port ' || heard.port) AS port_name
                FROM stations_heard AS heard LEFT JOIN ports USING (run, port)),
            placed AS (
                SELECT named.*, min(first_wall_ms) OVER same AS first_wall,
                    total(count) OVER same AS all_count,
                    row_number() OVER (same ORDER BY last_wall_ms DESC, run DESC) AS place
                FROM named WINDOW same AS (PARTITION BY port_name, call))
            SELECT * FROM placed WHERE place = 1 ORDER BY last_wall_ms DESC, call LIMIT ?1";
        self.list(sql, &[&most(limit)], heard)
    }

    pub(crate) fn list<T>(
        &self,
        sql: &str,
        values: &[&dyn ToSql],
        read: fn(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let answer = || -> rusqlite::Result<Vec<T>> {
            let mut statement = self.connection().prepare_cached(sql)?;
            statement.query_map(values, read)?.collect()
        };
        answer().map_err(|error| StoreError::from_sqlite(self.path(), &error))
    }
}

pub(crate) fn most(limit: usize) -> i64 {
    limit.min(MOST_ANSWERED) as i64 // At most a thousand.
}

fn behind(before: Option<i64>) -> i64 {
    before.unwrap_or(i64::MAX)
}
