//! The tables of the mail, as migrations. A migration that was released is never changed; a change is a new
//! one behind it.

use rusqlite_migration::{M, Migrations};

/// Marks a database as mail of this program: "DunM" in ASCII (SQLite, "PRAGMA application_id").
pub(super) const APPLICATION_ID: i64 = 0x4475_6E4D;

/// Newest schema; SQLite's `user_version` counts the migrations that were applied.
pub(super) const NEWEST: i64 = 5;

/// All migrations in order.
pub(super) fn migrations() -> Migrations<'static> {
    Migrations::new(vec![
        M::up(BEGINNING),
        M::up(NUMBERS),
        M::up(AGES),
        M::up(YEARS),
        M::up(EMERGENCIES),
    ])
}

/// Times are milliseconds since 1970 (UTC). `about` is the identifier a service message is about. `chain` is JSON.
/// `letters` is narrow, so that lists read little; what is long is in `texts`. A letter that was deleted has
/// no row in `texts` and keeps its row here for ever, so that its identifier stays known.
const BEGINNING: &str = "
PRAGMA application_id = 0x44756E4D;

CREATE TABLE letters (
    place      INTEGER PRIMARY KEY AUTOINCREMENT,
    id         TEXT    NOT NULL UNIQUE,
    kind       TEXT    NOT NULL CHECK (kind IN ('personal', 'bulletin', 'formal', 'service')),
    to_call    TEXT,
    to_home    TEXT,
    topic      TEXT,
    area       TEXT,
    about      TEXT,
    precedence INTEGER NOT NULL CHECK (precedence BETWEEN 0 AND 3),
    from_call  TEXT    NOT NULL,
    from_home  TEXT,
    title      TEXT    NOT NULL,
    octets     INTEGER NOT NULL,
    written_ms INTEGER NOT NULL,
    arrived_ms INTEGER NOT NULL,
    proof      TEXT    NOT NULL,
    standing   TEXT    NOT NULL,
    why        TEXT,
    unread     INTEGER NOT NULL,
    note       TEXT
) STRICT;

CREATE INDEX letters_to ON letters (to_call, place) WHERE to_call IS NOT NULL;
CREATE INDEX letters_from ON letters (from_call, place);
CREATE INDEX letters_unread ON letters (to_call, place) WHERE unread = 1 AND to_call IS NOT NULL;
CREATE INDEX letters_topic ON letters (topic, place) WHERE kind = 'bulletin';
CREATE INDEX letters_kind ON letters (kind, place);
CREATE INDEX letters_standing ON letters (standing, place);

CREATE TABLE texts (
    place INTEGER PRIMARY KEY REFERENCES letters,
    body  TEXT NOT NULL,
    chain TEXT NOT NULL
) STRICT;

CREATE TABLE legs (
    place         INTEGER NOT NULL REFERENCES letters,
    turn          INTEGER NOT NULL,       -- the preferred partner first
    partner       TEXT    NOT NULL,
    state         TEXT    NOT NULL CHECK (state IN ('waiting', 'taken', 'refused')),
    tries         INTEGER NOT NULL DEFAULT 0,
    not_before_ms INTEGER,                -- while it waits
    at_ms         INTEGER,                -- taken or refused
    why           TEXT,                   -- refused: JSON
    PRIMARY KEY (place, partner)
) STRICT, WITHOUT ROWID;

CREATE INDEX legs_waiting ON legs (partner, place) WHERE state = 'waiting';

-- Who has opened which bulletin.
CREATE TABLE openings (
    place  INTEGER NOT NULL REFERENCES letters,
    reader TEXT    NOT NULL,
    PRIMARY KEY (place, reader)
) STRICT, WITHOUT ROWID;

CREATE TABLE partials (
    id      TEXT PRIMARY KEY,
    hash    BLOB    NOT NULL,
    octets  BLOB    NOT NULL,
    kept_ms INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE turned_away (
    id       TEXT    NOT NULL,
    partner  TEXT    NOT NULL,
    count    INTEGER NOT NULL,
    first_ms INTEGER NOT NULL,
    PRIMARY KEY (id, partner)
) STRICT, WITHOUT ROWID;

CREATE VIRTUAL TABLE words USING fts5 (title, body, content = '', contentless_delete = 1);
";

/// The last number of a radiogram that was given, and in which year: one row.
const NUMBERS: &str = "
CREATE TABLE numbers (
    only INTEGER PRIMARY KEY CHECK (only = 1),
    year INTEGER NOT NULL,
    last INTEGER NOT NULL
) STRICT;

INSERT INTO numbers (only, year, last) VALUES (1, 0, 0);
";

/// `since_ms` is since when a letter stands as it does. `room` is the sum over all letters that are not deleted. The
/// last four indices are for what is asked of one visitor at a time, and for what has grown old.
const AGES: &str = "
ALTER TABLE letters ADD COLUMN since_ms INTEGER NOT NULL DEFAULT 0;
UPDATE letters SET since_ms = arrived_ms;

CREATE TABLE room (
    only     INTEGER PRIMARY KEY CHECK (only = 1),
    messages INTEGER NOT NULL,
    octets   INTEGER NOT NULL
) STRICT;

INSERT INTO room (only, messages, octets)
    SELECT 1, count(*), coalesce(sum(octets), 0) FROM letters WHERE standing <> 'deleted';

CREATE TRIGGER letters_come AFTER INSERT ON letters WHEN new.standing <> 'deleted' BEGIN
    UPDATE room SET messages = messages + 1, octets = octets + new.octets;
END;

CREATE TRIGGER letters_go AFTER UPDATE OF standing ON letters
    WHEN new.standing = 'deleted' AND old.standing <> 'deleted' BEGIN
    UPDATE room SET messages = messages - 1, octets = octets - old.octets;
END;

CREATE INDEX letters_left ON letters (from_call, arrived_ms);
CREATE INDEX letters_waiting ON letters (from_call) WHERE standing IN ('queued', 'here', 'held');
CREATE INDEX letters_since ON letters (standing, since_ms);
CREATE INDEX letters_bulletins ON letters (arrived_ms) WHERE kind = 'bulletin' AND standing = 'here';
";

/// The count of radiograms before it last began anew.
const YEARS: &str = "
ALTER TABLE numbers ADD COLUMN year_before INTEGER NOT NULL DEFAULT 0;
ALTER TABLE numbers ADD COLUMN last_before INTEGER NOT NULL DEFAULT 0;
";

/// Emergencies that were not opened: few, and looked for all the time. An opening by '' is the operator's.
const EMERGENCIES: &str = "
CREATE INDEX letters_emergencies ON letters (place) WHERE precedence = 3 AND unread = 1;
";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn migrations_are_valid_and_counted() {
        migrations().validate().expect("every migration applies");
        let mut connection = rusqlite::Connection::open_in_memory().expect("memory");
        migrations().to_latest(&mut connection).expect("latest");
        let pragma = |name: &str| -> i64 {
            let read = |row: &rusqlite::Row<'_>| row.get(0);
            connection.pragma_query_value(None, name, read).expect(name)
        };
        assert_eq!(pragma("user_version"), NEWEST);
        assert_eq!(pragma("application_id"), APPLICATION_ID);
    }
}
