//! The tables, as migrations. A migration that was released is never changed; a change is a
//! new one behind it.

use rusqlite_migration::{M, Migrations};

/// Marks a database as a journal of this program: "Dunl" in ASCII. SQLite keeps it in the
/// file's header (SQLite, "PRAGMA application_id").
pub(crate) const APPLICATION_ID: i64 = 0x4475_6E6C;

/// Newest schema; SQLite's `user_version` counts the migrations that were applied.
pub(crate) const NEWEST: i64 = 4;

/// The schema that exports and the deletion of names need.
pub(crate) const OUTWARD_SCHEMA: i64 = 3;

/// All migrations in order.
pub(crate) fn migrations() -> Migrations<'static> {
    Migrations::new(vec![
        M::up(BEGINNING),
        M::up(PLANS).down(NO_PLANS),
        M::up(OUTWARD).down(NOT_OUTWARD),
        M::up(FINDING).down(NOT_FINDING),
    ])
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

/// Schema 3: what exports and the deletion of texts need. `connected_wall_ms` is when the link of
/// a talk stood first; of earlier talks it is known only of those with a line that was received,
/// and then it is the time of that line. `cut_octets` counts octets of text that were deleted;
/// `said_cut` likewise, of a station's latest words. `texts_gone` says up to which row texts were
/// deleted because of their age.
const OUTWARD: &str = "
ALTER TABLE talks ADD COLUMN connected_wall_ms INTEGER;
ALTER TABLE frames ADD COLUMN cut_octets INTEGER NOT NULL DEFAULT 0;
ALTER TABLE talk_lines ADD COLUMN cut_octets INTEGER NOT NULL DEFAULT 0;
ALTER TABLE stations_heard ADD COLUMN said_cut INTEGER NOT NULL DEFAULT 0;
CREATE TABLE texts_gone (
    name   TEXT    PRIMARY KEY,
    up_to  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
UPDATE talks SET connected_wall_ms = (
    SELECT min(wall_ms) FROM talk_lines AS line
    WHERE line.run = talks.run AND line.talk = talks.talk AND line.direction = 'received');
";

/// Back to schema 2.
const NOT_OUTWARD: &str = "
DROP TABLE texts_gone;
ALTER TABLE stations_heard DROP COLUMN said_cut;
ALTER TABLE talk_lines DROP COLUMN cut_octets;
ALTER TABLE frames DROP COLUMN cut_octets;
ALTER TABLE talks DROP COLUMN connected_wall_ms;
";

/// Schema 4: what finding by words, stations and times needs. Each index of words holds no text of its own ("external
/// content"), so triggers tell it what changes, with exactly what it was told before (SQLite, "FTS5 Extension", 4.4.3
/// and 4.4.4). `secure-delete`: a word that is deleted leaves no trace in it (6.13). A million frames took six
/// seconds, the copy before it included; on a flash card it will be more.
const FINDING: &str = "
CREATE INDEX frames_by_time ON frames (wall_ms);
CREATE INDEX talk_lines_by_time ON talk_lines (wall_ms);
CREATE INDEX notes_by_time ON notes (wall_ms);
CREATE INDEX talks_by_station ON talks (remote);

CREATE VIRTUAL TABLE frame_words USING fts5
    (sender, addressee, via, text, content = 'frames', content_rowid = 'frame', columnsize = 0);
INSERT INTO frame_words (frame_words, rank) VALUES ('secure-delete', 1);
INSERT INTO frame_words (rowid, sender, addressee, via, text) SELECT frame, sender, addressee, via, text FROM frames;
CREATE TRIGGER frame_words_come AFTER INSERT ON frames BEGIN
    INSERT INTO frame_words (rowid, sender, addressee, via, text)
    VALUES (new.frame, new.sender, new.addressee, new.via, new.text);
END;
CREATE TRIGGER frame_words_go AFTER DELETE ON frames BEGIN
    INSERT INTO frame_words (frame_words, rowid, sender, addressee, via, text)
    VALUES ('delete', old.frame, old.sender, old.addressee, old.via, old.text);
END;
CREATE TRIGGER frame_words_change AFTER UPDATE OF sender, addressee, via, text ON frames
WHEN (old.sender, old.addressee, old.via, old.text) IS NOT (new.sender, new.addressee, new.via, new.text) BEGIN
    INSERT INTO frame_words (frame_words, rowid, sender, addressee, via, text)
    VALUES ('delete', old.frame, old.sender, old.addressee, old.via, old.text);
    INSERT INTO frame_words (rowid, sender, addressee, via, text)
    VALUES (new.frame, new.sender, new.addressee, new.via, new.text);
END;

CREATE VIRTUAL TABLE line_words USING fts5 (text, content = 'talk_lines', content_rowid = 'row', columnsize = 0);
INSERT INTO line_words (line_words, rank) VALUES ('secure-delete', 1);
INSERT INTO line_words (rowid, text) SELECT row, text FROM talk_lines;
CREATE TRIGGER line_words_come AFTER INSERT ON talk_lines BEGIN
    INSERT INTO line_words (rowid, text) VALUES (new.row, new.text);
END;
CREATE TRIGGER line_words_go AFTER DELETE ON talk_lines BEGIN
    INSERT INTO line_words (line_words, rowid, text) VALUES ('delete', old.row, old.text);
END;
CREATE TRIGGER line_words_change AFTER UPDATE OF text ON talk_lines WHEN old.text IS NOT new.text BEGIN
    INSERT INTO line_words (line_words, rowid, text) VALUES ('delete', old.row, old.text);
    INSERT INTO line_words (rowid, text) VALUES (new.row, new.text);
END;

CREATE VIRTUAL TABLE note_words USING fts5 (text, content = 'notes', content_rowid = 'row', columnsize = 0);
INSERT INTO note_words (note_words, rank) VALUES ('secure-delete', 1);
INSERT INTO note_words (rowid, text) SELECT row, text FROM notes;
CREATE TRIGGER note_words_come AFTER INSERT ON notes BEGIN
    INSERT INTO note_words (rowid, text) VALUES (new.row, new.text);
END;
CREATE TRIGGER note_words_go AFTER DELETE ON notes BEGIN
    INSERT INTO note_words (note_words, rowid, text) VALUES ('delete', old.row, old.text);
END;
CREATE TRIGGER note_words_change AFTER UPDATE OF text ON notes WHEN old.text IS NOT new.text BEGIN
    INSERT INTO note_words (note_words, rowid, text) VALUES ('delete', old.row, old.text);
    INSERT INTO note_words (rowid, text) VALUES (new.row, new.text);
END;
";

/// Back to schema 3.
const NOT_FINDING: &str = "
DROP TRIGGER frame_words_come;
DROP TRIGGER frame_words_go;
DROP TRIGGER frame_words_change;
DROP TRIGGER line_words_come;
DROP TRIGGER line_words_go;
DROP TRIGGER line_words_change;
DROP TRIGGER note_words_come;
DROP TRIGGER note_words_go;
DROP TRIGGER note_words_change;
DROP TABLE frame_words;
DROP TABLE line_words;
DROP TABLE note_words;
DROP INDEX frames_by_time;
DROP INDEX talk_lines_by_time;
DROP INDEX notes_by_time;
DROP INDEX talks_by_station;
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
