//! Finding things in the journal: by words, by station, by time.

use std::collections::VecDeque;
use std::path::Path;

use dunlin_clock::WallTime;
use dunlin_station::{CallSign, Direction, TalkId, TalkLine, Urgency};
use rusqlite::types::Value;
use rusqlite::{Connection, Row, params_from_iter};
use serde::{Deserialize, Serialize};

use crate::open::look_at;
use crate::quoted::all_words;
use crate::read::{Kept, KeptTalk, list, most};
use crate::schema::NEWEST;
use crate::words::{Word, Worded};
use crate::{Limits, RunId, Store, StoreError};

/// How long to wait for a writer, in milliseconds. With the log beside the file readers hardly ever wait (SQLite,
/// "Write-Ahead Logging", 2.2).
const PATIENCE_MS: u64 = 2000;

/// What kind of thing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FoundKind {
    /// A frame heard, sent or not readable.
    Frame,
    /// A line of a talk.
    Line,
    /// A note of the timeline.
    Note,
}

/// What is looked for. What is left out does not matter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Sought {
    /// Whole words that must all be there, in any order and case.
    pub words: String,
    /// A station that sent, was called, passed it on, or is named in a note. Without SSID any of its SSIDs counts.
    pub station: Option<CallSign>,
    /// Not before this time.
    pub from: Option<WallTime>,
    /// Before this time.
    pub until: Option<WallTime>,
    /// Only such things; none = all.
    pub only: Option<FoundKind>,
    /// Behind what was found before, as [`Found::behind`] told.
    pub behind: Place,
    /// Things at most; never more than [`crate::MOST_ANSWERED`].
    pub most: usize,
}

/// How far each kind has been looked through, newest first: the row that was found last; `None` = nothing yet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    /// Of the frames.
    pub frame: Option<i64>,
    /// Of the lines.
    pub line: Option<i64>,
    /// Of the notes.
    pub note: Option<i64>,
}

/// What was found, newest first.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Found {
    /// The things.
    pub items: Vec<Item>,
    /// There is more behind them.
    pub more: bool,
    /// Where to look on.
    pub behind: Place,
}

/// Something that was found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Item {
    /// What it is.
    pub kind: FoundKind,
    /// When the journal first heard of it.
    pub wall: WallTime,
    /// The run in which it happened.
    pub run: RunId,
    /// Its row among those of its kind.
    pub row: i64,
    /// Name of the port; none if it is of no port, or the name is not kept.
    pub port: Option<String>,
    /// How it stands there, in one word: heard, sent, unreadable; received; plain, attention.
    pub mark: &'static str,
    /// Who sent it; empty in a note.
    pub from: String,
    /// To whom; empty in a note.
    pub to: String,
    /// Digipeaters on its way.
    pub via: Vec<String>,
    /// What it says.
    pub words: String,
    /// The talk of a line.
    pub talk: Option<TalkId>,
    /// Its number in the talk.
    pub line: Option<u64>,
}

/// Looks into a journal without changing it, also while a station writes to it.
#[derive(Debug)]
pub struct Finder {
    store: Store,
}

impl Finder {
    /// Opens the journal at `path` for looking.
    ///
    /// # Errors
    /// The file cannot be read, is no journal, one of a later version, or of an earlier one that had no words to look in.
    pub fn open(path: &Path) -> Result<Finder, StoreError> {
        let (connection, found) = look_at(path)?;
        if found < NEWEST {
            return Err(StoreError::TooOld {
                path: path.to_owned(),
                found,
                known: NEWEST,
            });
        }
        let patience = std::time::Duration::from_millis(PATIENCE_MS);
        let set = connection.busy_timeout(patience);
        set.map_err(|error| StoreError::from_sqlite(path, &error))?;
        let store = Store::new(path.to_owned(), connection, Limits::default());
        Ok(Finder { store })
    }

    /// As [`Store::find`].
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn find(&self, sought: &Sought) -> Result<Found, StoreError> {
        self.store.find(sought)
    }

    /// As [`Store::talk`].
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn talk(&self, run: RunId, id: TalkId) -> Result<Option<Kept<KeptTalk>>, StoreError> {
        self.store.talk(run, id)
    }

    /// As [`Store::talk_lines`].
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
        self.store.talk_lines(run, id, from, limit)
    }
}

impl Store {
    /// Finds things, the newest first, in the order in which the journal heard of them.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn find(&self, sought: &Sought) -> Result<Found, StoreError> {
        let found = find(self.connection(), sought);
        found.map_err(|error| StoreError::from_sqlite(self.path(), &error))
    }
}

fn find(db: &Connection, sought: &Sought) -> rusqlite::Result<Found> {
    let most = usize::try_from(most(sought.most)).unwrap_or(0);
    let mut found = Found {
        behind: sought.behind,
        ..Found::default()
    };
    // No text has a word without letters and digits in it.
    let words = all_words(&sought.words).map(|words| format!("text : ({words})"));
    if !sought.words.trim().is_empty() && words.is_none() {
        return Ok(found);
    }
    let mut lists: Vec<VecDeque<Item>> = Vec::new();
    for kind in &KINDS {
        if sought.only.is_none_or(|only| only == kind.kind) {
            lists.push(kind.find(db, sought, words.as_deref(), most + 1)?.into());
        }
    }
    // Within one kind the rows keep their order, also where the clock was set back: so the last row of each tells where
    // to look on.
    while found.items.len() < most {
        let newest = |list: &&mut VecDeque<Item>| list.front().map(|item| item.wall);
        let newest = lists.iter_mut().max_by_key(newest);
        let Some(item) = newest.and_then(VecDeque::pop_front) else {
            break;
        };
        *found.behind.of_mut(item.kind) = Some(item.row);
        found.items.push(item);
    }
    found.more = lists.iter().any(|list| !list.is_empty());
    Ok(found)
}

impl Place {
    fn of(&self, kind: FoundKind) -> Option<i64> {
        let mut place = *self;
        *place.of_mut(kind)
    }

    fn of_mut(&mut self, kind: FoundKind) -> &mut Option<i64> {
        match kind {
            FoundKind::Frame => &mut self.frame,
            FoundKind::Line => &mut self.line,
            FoundKind::Note => &mut self.note,
        }
    }
}

/// Where things of one kind stand, and how they are read.
struct Kind {
    kind: FoundKind,
    table: &'static str,
    key: &'static str,
    /// The index of its words.
    words: &'static str,
    /// What is read of it and where from, behind the table itself.
    columns: &'static str,
    joined: &'static str,
    /// Columns of the index in which a station is named; none = in none of them.
    stations: Option<&'static str>,
    read: fn(&Row<'_>) -> rusqlite::Result<Item>,
}

const KINDS: [Kind; 3] = [
    Kind {
        kind: FoundKind::Frame,
        table: "frames",
        key: "frame",
        words: "frame_words",
        columns: "ports.name AS port_name",
        joined: "LEFT JOIN ports ON ports.run = it.run AND ports.port = it.port",
        stations: Some("{sender addressee via}"),
        read: frame,
    },
    Kind {
        kind: FoundKind::Line,
        table: "talk_lines",
        key: "row",
        words: "line_words",
        columns: "ports.name AS port_name, talks.local, talks.remote, talks.via",
        joined: "LEFT JOIN talks ON talks.run = it.run AND talks.talk = it.talk
            LEFT JOIN ports ON ports.run = it.run AND ports.port = talks.port",
        stations: None,
        read: line,
    },
    Kind {
        kind: FoundKind::Note,
        table: "notes",
        key: "row",
        words: "note_words",
        columns: "ports.name AS port_name",
        joined: "LEFT JOIN ports ON ports.run = it.run AND ports.port = it.port",
        stations: Some("text"),
        read: note,
    },
];

/// Talks with a station: with any SSID, or with one.
const TALKS_WITH: &str = "(it.run, it.talk) IN (SELECT run, talk FROM talks WHERE remote = ?
    UNION ALL SELECT run, talk FROM talks WHERE remote >= ? AND remote < ?)";

impl Kind {
    fn find(
        &self,
        db: &Connection,
        sought: &Sought,
        asked: Option<&str>,
        most: usize,
    ) -> rusqlite::Result<Vec<Item>> {
        let Kind {
            table, key, words, ..
        } = self;
        let mut values: Vec<Value> = Vec::new();
        let mut wanted = String::new();
        let matched = self.matched(sought, asked);
        let from = match &matched {
            // The index leads: of few words there are few rows.
            Some(_) => format!("{words} CROSS JOIN {table} AS it ON it.{key} = {words}.rowid"),
            None => format!("{table} AS it"),
        };
        let row = match &matched {
            Some(_) => format!("{words}.rowid"),
            None => format!("it.{key}"),
        };
        let mut and = |condition: &str, all: Vec<Value>| {
            wanted += if wanted.is_empty() { "WHERE " } else { " AND " };
            wanted += condition;
            values.extend(all);
        };
        if let Some(matched) = matched {
            and(&format!("{words} MATCH ?"), vec![matched.into()]);
        }
        if let Some(row_before) = sought.behind.of(self.kind) {
            and(&format!("{row} < ?"), vec![row_before.into()]);
        }
        if let Some((first, last)) = self.rows_of_time(db, sought)? {
            and(
                &format!("{row} BETWEEN ? AND ?"),
                vec![first.into(), last.into()],
            );
            let (from, until) = times(sought);
            and(
                "it.wall_ms >= ? AND it.wall_ms < ?",
                vec![from.into(), until.into()],
            );
        }
        if let Some(station) = sought.station.filter(|_| self.stations.is_none()) {
            let name = station.to_string();
            // Of the signs that stand behind the hyphen in ASCII, the dot is the next.
            let [first, last] = match station.ssid() {
                0 => ['-', '.'].map(|end| format!("{name}{end}")),
                _ => Default::default(),
            };
            and(TALKS_WITH, vec![name.into(), first.into(), last.into()]);
        }
        values.push((most as i64).into()); // At most a thousand and one.
        let sql = format!(
            "SELECT it.*, {} FROM {from} {} {wanted} ORDER BY {row} DESC LIMIT ?",
            self.columns, self.joined
        );
        let mut statement = db.prepare_cached(&sql)?;
        statement
            .query_map(params_from_iter(values), self.read)?
            .collect()
    }

    /// What the index of words is asked for, if anything.
    fn matched(&self, sought: &Sought, words: Option<&str>) -> Option<String> {
        // A call sign has letters, digits and a hyphen, at which words end: as a phrase it stands for itself, and without
        // an SSID for all of them.
        let station = sought.station.zip(self.stations);
        let station = station.map(|(station, columns)| format!("{columns} : \"{station}\""));
        let both: Vec<String> = words
            .map(str::to_owned)
            .into_iter()
            .chain(station)
            .collect();
        (!both.is_empty()).then(|| both.join(" AND "))
    }

    /// The rows between which everything of the time lies that is looked for. Not all of them need be of that time: a clock
    /// may have been set.
    fn rows_of_time(
        &self,
        db: &Connection,
        sought: &Sought,
    ) -> rusqlite::Result<Option<(i64, i64)>> {
        if sought.from.is_none() && sought.until.is_none() {
            return Ok(None);
        }
        let Kind { table, key, .. } = self;
        let sql = format!(
            "SELECT min({key}), max({key}) FROM {table} WHERE wall_ms >= ? AND wall_ms < ?"
        );
        let ends = db
            .prepare_cached(&sql)?
            .query_row(<[i64; 2]>::from(times(sought)), |row| {
                Ok((row.get(0)?, row.get(1)?))
            })?;
        let (first, last): (Option<i64>, Option<i64>) = ends;
        Ok(Some(first.zip(last).unwrap_or((0, -1))))
    }
}

/// From when on, and until when, in milliseconds since 1970.
fn times(sought: &Sought) -> (i64, i64) {
    let from = sought.from.map_or(i64::MIN, |from| from.0);
    (from, sought.until.map_or(i64::MAX, |until| until.0))
}

fn item(row: &Row<'_>, kind: FoundKind, key: &str) -> rusqlite::Result<Item> {
    Ok(Item {
        kind,
        wall: WallTime(row.get("wall_ms")?),
        run: RunId(row.get("run")?),
        row: row.get(key)?,
        port: row.get("port_name")?,
        mark: "",
        from: String::new(),
        to: String::new(),
        via: Vec::new(),
        words: row.get("text")?,
        talk: None,
        line: None,
    })
}

fn frame(row: &Row<'_>) -> rusqlite::Result<Item> {
    let Word::<dunlin_station::BlockKind>(kind) = row.get("kind")?;
    Ok(Item {
        mark: kind.word(),
        from: row.get("sender")?,
        to: row.get("addressee")?,
        via: list(row, "via")?,
        ..item(row, FoundKind::Frame, "frame")?
    })
}

fn line(row: &Row<'_>) -> rusqlite::Result<Item> {
    let Word::<Direction>(direction) = row.get("direction")?;
    let talk: i64 = row.get("talk")?;
    // A line may outlive the row of its talk.
    let end = |name: &str| {
        row.get::<_, Option<String>>(name)
            .map(Option::unwrap_or_default)
    };
    let (local, remote) = (end("local")?, end("remote")?);
    let (from, to) = match direction {
        Direction::Sent => (local, remote),
        Direction::Received => (remote, local),
    };
    let via = match row.get::<_, Option<String>>("via")? {
        Some(_) => list(row, "via")?,
        None => Vec::new(),
    };
    Ok(Item {
        mark: direction.word(),
        from,
        to,
        via,
        talk: Some(TalkId(talk.cast_unsigned())),
        line: Some(row.get::<_, i64>("line")?.cast_unsigned()),
        ..item(row, FoundKind::Line, "row")?
    })
}

fn note(row: &Row<'_>) -> rusqlite::Result<Item> {
    let Word::<Urgency>(urgency) = row.get("urgency")?;
    Ok(Item {
        mark: urgency.word(),
        ..item(row, FoundKind::Note, "row")?
    })
}
