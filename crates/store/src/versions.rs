//! Tests of the way from one schema to another, and back.

use std::fs;
use std::path::{Path, PathBuf};

use dunlin_clock::WallTime;
use rusqlite::Connection;
use tempfile::TempDir;

use crate::schema::BEGINNING;
use crate::{Limits, Store, StoreError, glance};

/// A journal as the first version wrote it: its own tables, and what it put into them.
fn first_version(folder: &TempDir) -> PathBuf {
    let path = folder.path().join("station.journal");
    let db = Connection::open(&path).expect("opens");
    db.execute_batch("PRAGMA journal_mode = WAL;").expect("wal");
    db.execute_batch(BEGINNING).expect("its tables");
    db.execute_batch(
        "PRAGMA user_version = 1;
        INSERT INTO runs VALUES (1, 'QA1SKY', 1000, 9000), (2, 'QA1SKY', 10000, NULL);
        INSERT INTO ports VALUES (1, 0, 'VHF', 'afsk1200', 'QA1SKY');
        INSERT INTO frames VALUES (1, 1, 7, 1500, 0, 'heard', 500, 900, 'QM3BAR', 'QA1SKY',
            '[\"QD1GI*\"]', 'text 0', 'hello', x'00FF41', -20.5, 3.0, NULL, NULL, NULL);
        INSERT INTO notes VALUES (1, 2, 11000, 1000, NULL, 'attention', 'the disk is slow');",
    )
    .expect("its content");
    path
}

/// Everything in the tables of the first version, as text.
fn content(path: &Path) -> String {
    let db = Connection::open(path).expect("opens");
    let mut all = String::new();
    for table in [
        "runs",
        "ports",
        "frames",
        "talks",
        "talk_lines",
        "crossings",
        "notes",
        "stations_heard",
    ] {
        let mut rows = db.prepare(&format!("SELECT * FROM {table}")).expect(table);
        let names = rows.column_names().into_iter().map(str::to_owned);
        let names: Vec<String> = names.collect();
        let mut rows = rows.query([]).expect(table);
        while let Some(row) = rows.next().expect(table) {
            all += table;
            for (n, name) in names.iter().enumerate() {
                if ["connected_wall_ms", "cut_octets", "said_cut"].contains(&name.as_str()) {
                    continue; // Later versions have added them.
                }
                let value: rusqlite::types::Value = row.get(n).expect("a value");
                all += &format!(" {value:?}");
            }
            all.push('\n');
        }
    }
    all
}

fn open(path: &Path) -> Store {
    Store::open(path, Limits::default()).expect("opens")
}

#[test]
fn up_back_and_up_again_keeps_what_the_first_version_wrote() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = first_version(&folder);
    let before = content(&path);
    assert!(before.contains("QD1GI*") && before.lines().count() == 5);

    assert_eq!(Store::upgrade_due(&path), Some((1, 4)));
    let mut store = open(&path);
    assert_eq!(Store::upgrade_due(&path), None);
    let change = store.upgrade().expect("changed").clone();
    let copy = folder.path().join("station.journal.schema1");
    assert_eq!((change.from, change.to), (1, 4));
    assert_eq!(change.copy.as_ref(), Ok(&copy));
    assert!(
        change.to_string().ends_with(".journal.schema1."),
        "{change}"
    );
    assert_eq!(content(&copy), before);
    let seen = glance(&copy).expect("a journal");
    assert_eq!((seen.schema, seen.damage), (1, None));
    store.note_plan(WallTime(1), "a = 1\n").expect("kept");
    assert_eq!(
        store.frames(None, 10).expect("readable")[0].value.octets,
        [0, 255, 65]
    );
    drop(store);
    assert_eq!(content(&path), before, "nothing else is changed");
    assert_eq!(open(&path).upgrade(), None, "only once");

    let change = Store::change_schema(&path, 1)
        .expect("back")
        .expect("it was 4");
    assert_eq!((change.from, change.to, change.plans_lost), (4, 1, 1));
    assert!(
        change
            .to_string()
            .contains("no place for the kept plans (1)"),
        "{change}"
    );
    assert_eq!(content(&path), before);
    let tables = glance(&path).expect("a journal");
    assert_eq!((tables.schema, tables.rows.len()), (1, 8));
    assert_eq!(Store::change_schema(&path, 1).expect("is so"), None);

    let change = Store::change_schema(&path, 4)
        .expect("up")
        .expect("it was 1");
    assert_eq!((change.from, change.to, change.plans_lost), (1, 4, 0));
    let store = open(&path);
    assert_eq!(store.upgrade(), None);
    assert_eq!(store.plans(10).expect("readable"), []);
    store.check().expect("whole");
    drop(store);
    assert_eq!(content(&path), before);
}

#[test]
fn a_file_that_a_station_holds_keeps_its_schema() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("station.journal");
    let mut station = open(&path);
    station.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let error = Store::change_schema(&path, 1).expect_err("held");
    assert!(matches!(error, StoreError::Held(_)), "{error}");
    assert!(
        error.to_string().contains("end the station first"),
        "{error}"
    );
    station.note_plan(WallTime(1), "a = 1\n").expect("goes on");
    let seen = glance(&path).expect("may be looked at meanwhile");
    assert_eq!((seen.schema, seen.known), (4, 4));
    assert!(seen.rows.contains(&("plans".into(), 1)), "{seen:?}");
    station.end_run(WallTime(2)).expect("ends");
    drop(station);
    Store::change_schema(&path, 1)
        .expect("free")
        .expect("changed");
}

#[test]
fn schemas_and_files_that_do_not_exist_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("station.journal");
    for asked in [-1, 0, 5, i64::MAX] {
        let error = Store::change_schema(&path, asked).expect_err("no such schema");
        assert!(error.to_string().ends_with("knows 1 to 4"), "{error}");
    }
    let error = Store::change_schema(&path, 1).expect_err("no file");
    assert!(matches!(error, StoreError::CannotOpen { .. }), "{error}");
    glance(&path).expect_err("no file");
    assert!(!path.exists(), "and none is made");
}

#[test]
fn without_a_place_for_the_copy_the_upgrade_goes_on_and_says_so() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = first_version(&folder);
    fs::create_dir(folder.path().join("station.journal.schema1.unfinished")).expect("in the way");
    let store = open(&path);
    let change = store.upgrade().expect("changed");
    assert!(change.copy.is_err());
    assert!(
        change
            .to_string()
            .contains("There is no copy from before ("),
        "{change}"
    );
}

#[test]
fn a_newer_file_is_refused_with_the_way_back() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = first_version(&folder);
    drop(open(&path));
    let db = Connection::open(&path).expect("opens");
    db.execute_batch("PRAGMA user_version = 5;").expect("newer");
    drop(db);
    let error = Store::open(&path, Limits::default()).expect_err("newer");
    let words = error.to_string();
    for part in [
        "schema 5, this version knows up to 4",
        "station.journal --schema 4`",
        "the copy from before the change, ",
        "station.journal.schema1, or give",
    ] {
        assert!(words.contains(part), "{words}");
    }
}

#[test]
fn of_earlier_talks_those_with_a_line_received_count_as_connected() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = first_version(&folder);
    let db = Connection::open(&path).expect("opens");
    for talk in [1, 2] {
        db.execute_batch(&format!(
            "INSERT INTO talks VALUES ({talk}, 1, {talk}, 2000, 0, 'QA1SKY', 'QM3BAR', '[]', 0,
                'ended', '', 5000, 1000, 0, 0, 4000, 0);"
        ))
        .expect("a talk");
    }
    db.execute_batch(
        "INSERT INTO talk_lines VALUES (1, 1, 1, 1, 2500, 1500, 'received', 'hi', 1, 0, x'6869'),
            (2, 1, 2, 1, 2600, 1600, 'sent', 'hi', 0, 1, x'6869');",
    )
    .expect("lines");
    drop((db, open(&path)));
    let db = Connection::open(&path).expect("opens");
    let sql = "SELECT group_concat(coalesce(connected_wall_ms, 'never')) FROM talks";
    let connected: String = db.query_row(sql, [], |row| row.get(0)).expect("talks");
    assert_eq!(connected, "2500,never");
}
