//! The tables, as migrations. A migration that was released is never changed; a change is a
//! new one behind it.

use rusqlite_migration::{M, Migrations};

/// Marks a database as a journal of this program: "Dunl" in ASCII. SQLite keeps it in the
/// file's header (SQLite, "PRAGMA application_id").
pub(crate) const APPLICATION_ID: i64 = 0x4475_6E6C;

/// Newest schema; SQLite's `user_version` counts the migrations that were applied.
pub(crate) const NEWEST: i64 = 2;

/// All migrations in order.
pub(crate) fn migrations() -> Migrations<'static> {
    Migrations::new(vec![M::up(BEGINNING), M::up(PLANS).down(NO_PLANS)])
}

/// Times: `wall_ms` are milliseconds since 1970 (UTC), other `_ms` are milliseconds on the
/// engine's time line, which begins at `runs.began_wall_ms`. Numbers of the engine (block,
/// talk, line, crossing, port) begin anew in each run, so each key begins with the run.
/// `via` is a JSON array of texts. Levels are dB of full scale.
pub(crate) const BEGINNING: &str = "
PRAGMA application_id = 0x44756E6C;

CREATE TABLE runs (
    run           INTEGER PRIMARY KEY,
    call          TEXT    NOT NULL,
    began_wall_ms INTEGER NOT NULL,
    ended_wall_ms INTEGER             -- NULL: it goes on, or was cut off
) STRICT;

CREATE TABLE ports (
    run  INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
    port INTEGER NOT NULL,
    name TEXT    NOT NULL,
    mode TEXT    NOT NULL,
    call TEXT    NOT NULL,
    PRIMARY KEY (run, port)
) STRICT, WITHOUT ROWID;

CREATE TABLE frames (
    frame      INTEGER PRIMARY KEY,
    run        INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
    block      INTEGER NOT NULL,
    wall_ms    INTEGER NOT NULL,
    port       INTEGER NOT NULL,
    kind       TEXT    NOT NULL CHECK (kind IN ('heard', 'sent', 'unreadable')),
    start_ms   INTEGER NOT NULL,
    end_ms     INTEGER,
    sender     TEXT    NOT NULL,
    addressee  TEXT    NOT NULL,
    via        TEXT    NOT NULL,
    what       TEXT    NOT NULL,
    text       TEXT    NOT NULL,
    octets     BLOB    NOT NULL,
    level_dbfs REAL,
    offset_hz  REAL,
    twist_db   REAL,
    snr_db     REAL,
    why        TEXT,
    UNIQUE (run, block)
) STRICT;

CREATE TABLE stations_heard (
    run           INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
    port          INTEGER NOT NULL,
    call          TEXT    NOT NULL,
    first_wall_ms INTEGER NOT NULL,
    last_wall_ms  INTEGER NOT NULL,
    by_digipeater TEXT,
    first_ms      INTEGER NOT NULL,
    last_ms       INTEGER NOT NULL,
    count         INTEGER NOT NULL,
    level_dbfs    REAL,
    offset_hz     REAL,
    twist_db      REAL,
    snr_db        REAL,
    said          TEXT    NOT NULL,
    PRIMARY KEY (run, port, call)
) STRICT, WITHOUT ROWID;

CREATE TABLE talks (
    row            INTEGER PRIMARY KEY,
    run            INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
    talk           INTEGER NOT NULL,
    wall_ms        INTEGER NOT NULL,
    port           INTEGER NOT NULL,
    local          TEXT    NOT NULL,
    remote         TEXT    NOT NULL,
    via            TEXT    NOT NULL,
    incoming       INTEGER NOT NULL,
    state          TEXT    NOT NULL,
    words          TEXT    NOT NULL,
    since_ms       INTEGER NOT NULL,
    opened_ms      INTEGER NOT NULL,
    waiting_octets INTEGER NOT NULL,
    retries        INTEGER NOT NULL,
    last_heard_ms  INTEGER,
    put_away       INTEGER NOT NULL DEFAULT 0,
    UNIQUE (run, talk)
) STRICT;

CREATE TABLE talk_lines (
    row       INTEGER PRIMARY KEY,
    run       INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
    talk      INTEGER NOT NULL,
    line      INTEGER NOT NULL,
    wall_ms   INTEGER NOT NULL,
    at_ms     INTEGER NOT NULL,
    direction TEXT    NOT NULL,
    text      TEXT    NOT NULL,
    complete  INTEGER NOT NULL,
    lost      INTEGER NOT NULL,
    octets    BLOB    NOT NULL,
    UNIQUE (run, talk, line)
) STRICT;

CREATE TABLE crossings (
    row                 INTEGER PRIMARY KEY,
    run                 INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
    crossing            INTEGER NOT NULL,
    wall_ms             INTEGER NOT NULL,
    rule                TEXT    NOT NULL,
    near_port           INTEGER NOT NULL,
    near_local          TEXT    NOT NULL,
    near_remote         TEXT,
    near_words          TEXT    NOT NULL,
    near_received       INTEGER NOT NULL,
    near_waiting        INTEGER NOT NULL,
    far_port            INTEGER NOT NULL,
    far_local           TEXT    NOT NULL,
    far_remote          TEXT,
    far_words           TEXT    NOT NULL,
    far_received        INTEGER NOT NULL,
    far_waiting         INTEGER NOT NULL,
    words               TEXT    NOT NULL,
    opened_ms           INTEGER NOT NULL,
    ended               INTEGER NOT NULL,
    UNIQUE (run, crossing)
) STRICT;

CREATE TABLE notes (
    row     INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES runs ON DELETE CASCADE,
    wall_ms INTEGER NOT NULL,
    at_ms   INTEGER NOT NULL,
    port    INTEGER,
    urgency TEXT    NOT NULL,
    text    TEXT    NOT NULL
) STRICT;
";

/// Schema 2: the plans that the station ran with. A plan outlives its run, which goes by age:
/// the next start compares with it. So `run` is a number without a reference.
const PLANS: &str = "
CREATE TABLE plans (
    row     INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL,
    wall_ms INTEGER NOT NULL,
    text    TEXT    NOT NULL
) STRICT;
";

/// Back to schema 1.
const NO_PLANS: &str = "DROP TABLE plans;";

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
