//! Opening: new files, files of others, files of a later version, and no files at all.

use std::fs;
use std::path::Path;

use dunlin_clock::WallTime;
use dunlin_station::{Event, Note, Urgency};
use dunlin_store::{Limits, RunId, Store, StoreError};
use rusqlite::Connection;

fn open(path: &Path) -> Result<Store, StoreError> {
    Store::open(path, Limits::default())
}

fn note(text: &str) -> Event {
    let text = text.to_owned();
    Event::Note(Note {
        at_ms: 0,
        port: None,
        urgency: Urgency::Plain,
        text,
    })
}

/// Opens `path`, which must be refused and left as it was, octet for octet.
fn refused(path: &Path) -> StoreError {
    let before = fs::read(path).expect("the file");
    let error = open(path).expect_err("refused");
    assert_eq!(fs::read(path).expect("the file"), before, "it was touched");
    error
}

#[test]
fn a_new_journal_is_made_and_opened_again_with_everything_in_it() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("journal.db");
    for start in 1..=3 {
        let mut store = open(&path).expect("opens");
        assert_eq!(store.runs(10).expect("readable").len(), start - 1);
        let run = store
            .begin_run(WallTime(start as i64), "QA1SKY")
            .expect("begins");
        assert_eq!(run, RunId(start as i64));
        store.record(WallTime(5), &note("here"));
        store.end_run(WallTime(9)).expect("ends");
        assert_eq!(store.notes(None, 10).expect("readable").len(), start);
        store.check().expect("whole");
    }
    let mode: String = Connection::open(&path)
        .expect("opens")
        .pragma_query_value(None, "journal_mode", |row| row.get(0))
        .expect("mode");
    assert_eq!(mode, "wal");
}

#[test]
fn files_that_are_no_database_are_refused_and_left_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("letter.txt");
    for length in [1, 12, 100, 511, 512, 513, 4096, 30_000] {
        let content = "Dear QM3BAR, ".repeat(3000)[..length].to_owned();
        fs::write(&path, content).expect("written");
        let error = refused(&path);
        assert!(matches!(error, StoreError::NotADatabase(_)), "{error}");
        assert!(
            error.to_string().ends_with("give another file name"),
            "{error}"
        );
    }
}

#[test]
fn a_database_of_another_program_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, setup) in [
        ("plain.db", "CREATE TABLE recipes (name TEXT);"),
        (
            "wal.db",
            "PRAGMA journal_mode = WAL; CREATE TABLE recipes (name TEXT);",
        ),
        ("marked.db", "PRAGMA application_id = 77;"),
        ("counted.db", "PRAGMA user_version = 1;"),
    ] {
        let path = folder.path().join(name);
        Connection::open(&path)
            .expect("opens")
            .execute_batch(setup)
            .expect("made");
        let error = refused(&path);
        assert!(matches!(error, StoreError::Foreign(_)), "{name}: {error}");
    }
}

#[test]
fn an_empty_file_becomes_a_journal() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("journal.db");
    fs::write(&path, "").expect("written");
    let mut store = open(&path).expect("taken");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
}

#[test]
fn a_journal_of_a_later_version_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("journal.db");
    drop(open(&path).expect("made"));
    let later = Connection::open(&path).expect("opens");
    later
        .execute_batch("PRAGMA user_version = 99; PRAGMA journal_mode = DELETE;")
        .expect("set");
    drop(later);
    let error = refused(&path);
    assert!(
        matches!(
            error,
            StoreError::TooNew {
                found: 99,
                known: 4,
                ..
            }
        ),
        "{error}"
    );
    let words = error.to_string();
    assert!(words.contains("a later version of Dunlin (schema 99, this version knows up to 4)"));
}

#[test]
fn places_where_no_file_can_be_are_told() {
    let folder = tempfile::tempdir().expect("a folder");
    let error = open(folder.path()).expect_err("a folder");
    assert!(
        error
            .to_string()
            .contains("cannot be opened (it is a folder)"),
        "{error}"
    );
    let error = open(&folder.path().join("no/such/folder/journal.db")).expect_err("no folder");
    assert!(matches!(error, StoreError::CannotOpen { .. }), "{error}");
    assert!(
        error
            .to_string()
            .ends_with("check that its folder exists and may be written")
    );
}
