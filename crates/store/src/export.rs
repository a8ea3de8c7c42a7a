//! The journal read from its beginning to its end, for exports: in pages, so that a journal of
//! any size needs the memory of a few pages, and without holding up a station that writes.
//!
//! Each page is a question of its own. What a running station adds meanwhile may be in the answer
//! or not; what it removes as too old may be missing.

use std::path::{Path, PathBuf};

use dunlin_clock::WallTime;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, Row, params_from_iter};

use crate::open::look_at;
use crate::schema::OUTWARD_SCHEMA;
use crate::{RunId, StoreError};

/// Rows that are read at once.
const PAGE: usize = 500;

/// The fields of a start.
const START: &[&str] = &["run", "station", "ended_at"];
/// The fields of a frame.
const FRAME: &[&str] = &[
    "run",
    "station",
    "port",
    "mode",
    "number",
    "direction",
    "from",
    "to",
    "via",
    "what",
    "text",
    "octets",
    "cut_octets",
    "ended_at",
    "level_dbfs",
    "offset_hz",
    "twist_db",
    "snr_db",
    "why",
    "port_number",
];
/// The fields of a talk.
const TALK: &[&str] = &[
    "run",
    "station",
    "port",
    "mode",
    "number",
    "from",
    "to",
    "via",
    "incoming",
    "state",
    "connected_at",
    "both_ways",
    "changed_at",
    "last_heard_at",
    "text",
    "waiting_octets",
];
/// The fields of a line.
const LINE: &[&str] = &[
    "run",
    "station",
    "port",
    "talk",
    "number",
    "direction",
    "from",
    "to",
    "text",
    "octets",
    "cut_octets",
    "complete",
    "lost",
];
/// The fields of a crossing.
const CROSSING: &[&str] = &[
    "run", "station", "port", "number", "rule", "from", "to", "far_port", "far_from", "far_to",
    "text", "ended",
];
/// The fields of a note.
const NOTE: &[&str] = &["run", "station", "port", "urgency", "text"];
/// The fields of a station heard.
const HEARD: &[&str] = &[
    "run",
    "station",
    "port",
    "from",
    "via",
    "last_heard_at",
    "count",
    "text",
    "level_dbfs",
    "offset_hz",
    "twist_db",
    "snr_db",
];

/// What is wanted of a journal.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Nothing before this.
    pub from: Option<WallTime>,
    /// Nothing at or after this.
    pub to: Option<WallTime>,
    /// Only what belongs to the port of this name.
    pub port: Option<String>,
}

/// A value of an entry.
#[derive(Clone, Debug, PartialEq)]
pub enum Field {
    /// Nothing is known.
    Nothing,
    /// A whole number. Times are ms since 1970-01-01 00:00 UTC.
    Number(i64),
    /// A measured value.
    Measured(f64),
    /// A text.
    Text(String),
    /// Octets.
    Octets(Vec<u8>),
}

/// A kind of entry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Kind {
    /// A start of the station.
    Start,
    /// A frame heard or sent, or something that could not be read.
    Frame,
    /// A talk in its last state.
    Talk,
    /// A line of a talk.
    Line,
    /// A crossing in its last state.
    Crossing,
    /// A sentence of the timeline.
    Note,
    /// A station heard in one run.
    Heard,
}

/// One entry of the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// What it is.
    pub kind: Kind,
    /// When it began.
    pub time: WallTime,
    /// Its fields, as [`Kind::columns`] names them, in that order.
    pub fields: Vec<Field>,
    /// Where to read on.
    key: Vec<Value>,
}

impl Kind {
    /// All, in the order in which entries of the same time come.
    pub const ALL: [Kind; 7] = [
        Kind::Start,
        Kind::Talk,
        Kind::Crossing,
        Kind::Frame,
        Kind::Line,
        Kind::Note,
        Kind::Heard,
    ];

    /// Its word in an export.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Start => "start",
            Kind::Frame => "frame",
            Kind::Talk => "talk",
            Kind::Line => "line",
            Kind::Crossing => "crossing",
            Kind::Note => "note",
            Kind::Heard => "heard",
        }
    }

    /// The names of its fields. Those that end in `_at` are times, `via` is a JSON array of texts.
    ///
    /// `both_ways` of a talk: its link stood, and if the other station called, a line of it was
    /// received or one to it acknowledged. That an answer to a call was heard is not known
    /// before.
    pub fn columns(self) -> &'static [&'static str] {
        match self {
            Kind::Start => START,
            Kind::Frame => FRAME,
            Kind::Talk => TALK,
            Kind::Line => LINE,
            Kind::Crossing => CROSSING,
            Kind::Note => NOTE,
            Kind::Heard => HEARD,
        }
    }

    /// The columns by which its rows are numbered.
    fn keys(self) -> &'static [&'static str] {
        match self {
            Kind::Start => &["run"],
            Kind::Frame => &["frame"],
            Kind::Heard => &["run", "port", "call"],
            _ => &["row"],
        }
    }

    /// From where its rows come, and what stands for `time` and for each of its columns.
    fn source(self) -> (&'static str, &'static str) {
        match self {
            Kind::Start => ("runs AS t", "t.began_wall_ms, t.run, t.call, t.ended_wall_ms"),
            Kind::Frame => (
                "frames AS t JOIN runs USING (run) LEFT JOIN ports AS p USING (run, port)",
                "runs.began_wall_ms + t.start_ms, t.run, runs.call, p.name, p.mode, t.block, t.kind,
                 t.sender, t.addressee, t.via, t.what, t.text, t.octets, t.cut_octets,
                 runs.began_wall_ms + t.end_ms, t.level_dbfs, t.offset_hz, t.twist_db, t.snr_db,
                 t.why, t.port",
            ),
            Kind::Talk => (
                "talks AS t JOIN runs USING (run) LEFT JOIN ports AS p USING (run, port)",
                "runs.began_wall_ms + t.opened_ms, t.run, runs.call, p.name, p.mode, t.talk,
                 iif(t.incoming, t.remote, t.local), iif(t.incoming, t.local, t.remote), t.via,
                 t.incoming, t.state, t.connected_wall_ms,
                 t.connected_wall_ms IS NOT NULL AND (NOT t.incoming OR EXISTS (
                    SELECT 1 FROM talk_lines AS line WHERE line.run = t.run AND line.talk = t.talk
                    AND (line.direction = 'received' OR line.complete))),
                 runs.began_wall_ms + t.since_ms, runs.began_wall_ms + t.last_heard_ms, t.words,
                 t.waiting_octets",
            ),
            Kind::Line => (
                "talk_lines AS t JOIN runs USING (run) LEFT JOIN talks USING (run, talk)
                 LEFT JOIN ports AS p ON p.run = t.run AND p.port = talks.port",
                "runs.began_wall_ms + t.at_ms, t.run, runs.call, p.name, t.talk, t.line, t.direction,
                 iif(t.direction = 'sent', talks.local, talks.remote),
                 iif(t.direction = 'sent', talks.remote, talks.local),
                 t.text, t.octets, t.cut_octets, t.complete, t.lost",
            ),
            Kind::Crossing => (
                "crossings AS t JOIN runs USING (run)
                 LEFT JOIN ports AS p ON p.run = t.run AND p.port = t.near_port
                 LEFT JOIN ports AS far ON far.run = t.run AND far.port = t.far_port",
                "runs.began_wall_ms + t.opened_ms, t.run, runs.call, p.name, t.crossing, t.rule,
                 t.near_remote, t.near_local, far.name, t.far_local, t.far_remote, t.words, t.ended",
            ),
            Kind::Note => (
                "notes AS t JOIN runs USING (run) LEFT JOIN ports AS p USING (run, port)",
                "t.wall_ms, t.run, runs.call, p.name, t.urgency, t.text",
            ),
            Kind::Heard => (
                "stations_heard AS t JOIN runs USING (run) LEFT JOIN ports AS p USING (run, port)",
                "t.first_wall_ms, t.run, runs.call, p.name, t.call, t.by_digipeater, t.last_wall_ms,
                 t.count, t.said, t.level_dbfs, t.offset_hz, t.twist_db, t.snr_db",
            ),
        }
    }

    /// Reads a page behind a key. Parameters: the key, from, to, port.
    fn question(self) -> String {
        let (tables, columns) = self.source();
        let keys: Vec<String> = self.keys().iter().map(|key| format!("t.{key}")).collect();
        let keys = keys.join(", ");
        let count = self.keys().len();
        let marks: Vec<String> = (1..=count).map(|n| format!("?{n}")).collect();
        let marks = marks.join(", ");
        let (from, to, port) = (count + 1, count + 2, count + 3);
        let time = columns.split(',').next().unwrap_or_default();
        let port = match self {
            Kind::Start => format!("?{port} IS NULL"),
            // A crossing belongs to both of its ports.
            Kind::Crossing => format!("(?{port} IS NULL OR ?{port} IN (p.name, far.name))"),
            _ => format!("(?{port} IS NULL OR p.name = ?{port})"),
        };
        format!(
            "SELECT {keys}, {columns} FROM {tables} WHERE ({keys}) > ({marks})
             AND {time} >= ?{from} AND {time} < ?{to} AND {port} ORDER BY {keys} LIMIT {PAGE}"
        )
    }
}

impl Entry {
    /// The field of this name; [`Field::Nothing`] if it has none.
    pub fn field(&self, name: &str) -> &Field {
        let place = self
            .kind
            .columns()
            .iter()
            .position(|column| *column == name);
        place
            .and_then(|n| self.fields.get(n))
            .unwrap_or(&Field::Nothing)
    }

    /// The text of this name; empty if it has none.
    pub fn text(&self, name: &str) -> &str {
        match self.field(name) {
            Field::Text(text) => text,
            _ => "",
        }
    }

    /// The number of this name.
    pub fn number(&self, name: &str) -> Option<i64> {
        match self.field(name) {
            Field::Number(number) => Some(*number),
            _ => None,
        }
    }
}

/// Rows of one kind in order.
#[derive(Debug)]
struct Pages {
    kind: Kind,
    question: String,
    /// The rest of the page, the next entry last.
    page: Vec<Entry>,
    behind: Vec<Value>,
    over: bool,
}

/// A journal that is read for an export.
#[derive(Debug)]
pub struct Export {
    path: PathBuf,
    connection: Connection,
    wanted: Wanted,
}

impl Export {
    /// Opens the journal at `path` without the means to change it; a station may be writing to it.
    ///
    /// # Errors
    /// The file cannot be read, is no journal, or one of another schema than the newest.
    pub fn open(path: &Path, wanted: Wanted) -> Result<Export, StoreError> {
        let (connection, found) = look_at(path)?;
        if found < OUTWARD_SCHEMA {
            return Err(StoreError::TooOld {
                path: path.to_owned(),
                found,
                known: OUTWARD_SCHEMA,
            });
        }
        let waited = connection.busy_timeout(std::time::Duration::from_secs(5));
        waited.map_err(|error| StoreError::from_sqlite(path, &error))?;
        Ok(Export {
            path: path.to_owned(),
            connection,
            wanted,
        })
    }

    /// Gives every entry of these kinds to `take`, ordered by time as far as the journal itself is;
    /// stations heard come last. It ends early when `take` fails.
    ///
    /// # Errors
    /// The file cannot be read, or what `take` says.
    pub fn each<E: From<StoreError>>(
        &self,
        kinds: &[Kind],
        mut take: impl FnMut(&Entry) -> Result<(), E>,
    ) -> Result<(), E> {
        // Stations heard are kept by their call signs, not by time.
        let timed = Kind::ALL.into_iter().filter(|kind| *kind != Kind::Heard);
        let mut all: Vec<Pages> = timed
            .filter(|kind| kinds.contains(kind))
            .map(Pages::new)
            .collect();
        loop {
            let mut first: Option<(usize, WallTime)> = None;
            for (n, pages) in all.iter_mut().enumerate() {
                let Some(entry) = pages.peek(self)? else {
                    continue;
                };
                if first.is_none_or(|(_, time)| entry.time < time) {
                    first = Some((n, entry.time));
                }
            }
            let Some((n, _)) = first else { break };
            if let Some(entry) = all[n].page.pop() {
                take(&entry)?;
            }
        }
        if kinds.contains(&Kind::Heard) {
            let mut heard = Pages::new(Kind::Heard);
            while heard.peek(self)?.is_some() {
                if let Some(entry) = heard.page.pop() {
                    take(&entry)?;
                }
            }
        }
        Ok(())
    }

    /// The text of the plan with which a run began, without the hash of its password; `None` if it
    /// is not kept.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn plan_of(&self, run: RunId) -> Result<Option<String>, StoreError> {
        let sql = "SELECT text FROM plans WHERE run <= ?1 ORDER BY row DESC LIMIT 1";
        let text = self.connection.query_row(sql, [run.0], |row| row.get(0));
        text.optional()
            .map_err(|error| StoreError::from_sqlite(&self.path, &error))
    }

    fn page(&self, pages: &Pages) -> Result<Vec<Entry>, StoreError> {
        let end = |time: Option<WallTime>, open: i64| Value::Integer(time.map_or(open, |t| t.0));
        let mut values = pages.behind.clone();
        values.push(end(self.wanted.from, i64::MIN));
        values.push(end(self.wanted.to, i64::MAX));
        values.push(self.wanted.port.clone().map_or(Value::Null, Value::Text));
        let read = || -> rusqlite::Result<Vec<Entry>> {
            let mut statement = self.connection.prepare_cached(&pages.question)?;
            let rows =
                statement.query_map(params_from_iter(values), |row| entry(pages.kind, row))?;
            rows.collect()
        };
        read().map_err(|error| StoreError::from_sqlite(&self.path, &error))
    }
}

impl Pages {
    fn new(kind: Kind) -> Pages {
        // Before every number, and before every text.
        let behind = kind
            .keys()
            .iter()
            .map(|_| Value::Integer(i64::MIN))
            .collect();
        Pages {
            kind,
            question: kind.question(),
            page: Vec::new(),
            behind,
            over: false,
        }
    }

    fn peek(&mut self, export: &Export) -> Result<Option<&Entry>, StoreError> {
        if self.page.is_empty() && !self.over {
            self.page = export.page(self)?;
            self.over = self.page.len() < PAGE;
            if let Some(last) = self.page.last() {
                self.behind.clone_from(&last.key);
            }
            self.page.reverse();
        }
        Ok(self.page.last())
    }
}

fn entry(kind: Kind, row: &Row<'_>) -> rusqlite::Result<Entry> {
    let keys = kind.keys().len();
    let key = (0..keys)
        .map(|n| row.get(n))
        .collect::<rusqlite::Result<Vec<Value>>>()?;
    let field = |n: usize| -> rusqlite::Result<Field> {
        Ok(match row.get(n)? {
            Value::Null => Field::Nothing,
            Value::Integer(number) => Field::Number(number),
            Value::Real(measured) => Field::Measured(measured),
            Value::Text(text) => Field::Text(text),
            Value::Blob(octets) => Field::Octets(octets),
        })
    };
    let count = kind.columns().len();
    let fields = (keys + 1..=keys + count)
        .map(field)
        .collect::<rusqlite::Result<Vec<Field>>>()?;
    Ok(Entry {
        kind,
        time: WallTime(row.get::<_, Option<i64>>(keys)?.unwrap_or(0)),
        fields,
        key,
    })
}
