//! Tests of the journal when things go wrong: no room, held by others, damaged, too much.

use std::fs;

use dunlin_clock::{Instant, WallTime};
use dunlin_station::{Block, BlockKind, Event, Note, PortId, Urgency};
use rusqlite::Connection;
use tempfile::TempDir;

use crate::retain::retain;
use crate::{Limits, Store, StoreError};

fn note(n: u64) -> Event {
    let text = format!("note {n} {}", "x".repeat(500));
    Event::Note(Note {
        at_ms: n,
        port: None,
        urgency: Urgency::Plain,
        text,
    })
}

fn frame(id: u64) -> Event {
    Event::Block(Block {
        id,
        port: PortId(0),
        kind: BlockKind::Heard,
        start_ms: id,
        end_ms: None,
        from: "QM3BAR".into(),
        to: "QA1SKY".into(),
        via: Vec::new(),
        what: "text".into(),
        text: String::new(),
        octets: vec![0x55; 400],
        level_dbfs: None,
        offset_hz: None,
        twist_db: None,
        snr_db: None,
        why: None,
        line: None,
        heard_on: None,
        guess: None,
    })
}

fn journal(folder: &TempDir) -> Store {
    let store = Store::open(&folder.path().join("journal.db"), Limits::default());
    store.expect("a new journal")
}

fn folder() -> TempDir {
    tempfile::tempdir().expect("a folder")
}

#[test]
fn without_room_nothing_is_lost_and_writing_goes_on_when_there_is_room() {
    let folder = folder();
    let mut store = journal(&folder);
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let pages: i64 = store
        .connection
        .pragma_query_value(None, "page_count", |row| row.get(0))
        .expect("pages");
    let limit = |store: &Store, most: i64| {
        let set =
            store
                .connection
                .pragma_update_and_check(None, "max_page_count", most, |_| Ok(()));
        set.expect("a limit");
    };
    limit(&store, pages + 2);
    for n in 0..100 {
        store.record(WallTime(0), &note(n));
    }
    let error = store.tick(Instant::from_secs(1)).expect_err("no room");
    assert!(matches!(error, StoreError::Full(_)), "{error}");
    assert!(
        error
            .to_string()
            .starts_with("there is no room left for the journal ")
    );
    assert_eq!((store.waiting(), store.lost()), (100, 0));
    assert_eq!(
        store.notes(None, 1000).expect("readable"),
        [],
        "all or nothing"
    );
    limit(&store, 1 << 20);
    assert!(store.tick(Instant::from_secs(2)).expect("room"));
    assert_eq!(store.notes(None, 1000).expect("readable").len(), 100);
    store.check().expect("whole");
}

#[test]
fn what_was_lost_for_want_of_room_is_counted_and_the_rest_comes_when_room_is_back() {
    let folder = folder();
    let mut store = journal(&folder);
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let limit = |store: &Store, most: i64| {
        let set =
            store
                .connection
                .pragma_update_and_check(None, "max_page_count", most, |_| Ok(()));
        set.expect("a limit");
    };
    limit(&store, 1); // SQLite makes it the size that the file has.
    let most = crate::pending::MOST_PENDING as u64;
    let mut refused = 0;
    for n in 0..most + 3000 {
        store.record(WallTime(n as i64), &frame(n));
        if n % 1000 == 999 {
            refused += u64::from(store.tick(Instant::from_secs(n)).is_err());
        }
    }
    assert_eq!(refused, (most + 3000) / 1000, "each try is told");
    assert_eq!((store.waiting() as u64, store.lost()), (most, 3000));
    limit(&store, 1 << 20);
    assert!(store.tick(Instant::from_secs(most * 2)).expect("room"));
    assert_eq!((store.waiting(), store.lost()), (0, 3000));
    let count = "SELECT count(*), min(block), max(block) FROM frames";
    let count: (i64, i64, i64) = store
        .connection
        .query_row(count, [], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .expect("readable");
    let most = most as i64;
    assert_eq!(count, (most, 3000, most + 2999), "the oldest were given up");
}

#[test]
fn much_that_waited_is_written_in_several_transactions_in_order() {
    let mut store = Store::in_memory(Limits::default()).expect("memory");
    for n in 0..2500 {
        store.record(WallTime(0), &note(n));
    }
    store.flush().expect("written");
    assert_eq!(store.waiting(), 0);
    let newest = store.notes(None, 1).expect("readable");
    assert_eq!((newest[0].row, newest[0].value.at_ms), (2500, 2499));
    assert_eq!(store.runs(10).expect("readable").len(), 1);
}

#[test]
fn a_file_held_by_another_program_is_tried_again() {
    let folder = folder();
    let mut store = journal(&folder);
    let run = store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let other = Connection::open(store.path()).expect("another program");
    other.execute_batch("BEGIN IMMEDIATE").expect("holds it");
    store.record(WallTime(0), &note(1));
    let error = store.tick(Instant::from_secs(1)).expect_err("held");
    assert!(matches!(error, StoreError::Locked(_)), "{error}");
    assert!(
        !store
            .tick(Instant::from_millis(1500))
            .expect("not yet tried again")
    );
    other.execute_batch("ROLLBACK").expect("lets go");
    assert!(store.tick(Instant::from_secs(2)).expect("free"));
    assert_eq!(store.notes(None, 10).expect("readable")[0].run, run);
}

#[test]
fn another_program_may_read_while_this_one_writes() {
    let folder = folder();
    let mut store = journal(&folder);
    store.record(WallTime(7), &note(1));
    store.flush().expect("written");
    let reader = Store::open(store.path(), Limits::default()).expect("a second one");
    let reading = reader.connection.unchecked_transaction().expect("reads");
    assert_eq!(reader.notes(None, 10).expect("readable").len(), 1);
    store.record(WallTime(8), &note(2));
    store.flush().expect("a reader does not hinder");
    assert_eq!(
        reader.notes(None, 10).expect("readable").len(),
        1,
        "sees one moment"
    );
    drop(reading);
    assert_eq!(reader.notes(None, 10).expect("readable").len(), 2);
}

#[test]
fn a_damaged_file_is_told_and_not_taken_for_something_else() {
    let folder = folder();
    let mut store = journal(&folder);
    let path = store.path().to_owned();
    for n in 0..400 {
        store.record(WallTime(0), &note(n));
    }
    store.end_run(WallTime(1)).expect("ends");
    drop(store);
    let mut octets = fs::read(&path).expect("the file");
    assert!(octets.len() > 100_000);
    let middle = octets.len() / 2;
    octets[middle..middle + 20_000].fill(0xAA);
    fs::write(&path, &octets).expect("spoiled");
    let store = Store::open(&path, Limits::default()).expect("its beginning is whole");
    let error = store.check().expect_err("damaged");
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
    assert!(error.to_string().contains("move it aside"), "{error}");
    let error = store.notes(None, 1000).expect_err("damaged");
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
}

#[test]
fn words_and_call_signs_that_cannot_be_right_are_told_as_damage() {
    let mut store = Store::in_memory(Limits::default()).expect("memory");
    store.record(WallTime(0), &note(1));
    store.flush().expect("written");
    store
        .connection
        .execute("UPDATE notes SET urgency = 'shrill'", [])
        .expect("spoiled");
    let error = store.notes(None, 10).expect_err("unknown word");
    assert!(matches!(error, StoreError::Damaged { .. }), "{error}");
}

#[test]
fn what_is_too_much_goes_oldest_first() {
    let limits = Limits {
        frames: 50,
        notes: 20,
        ..Limits::default()
    };
    let mut store = Store::in_memory(limits).expect("memory");
    for n in 0..300 {
        store.record(WallTime(0), &note(n));
        store.record(WallTime(0), &frame(n));
        store.flush().expect("written");
    }
    // Looked at each 30 flushes, so at most 30 more than the limit ever stay.
    let frames = store.frames(None, 1000).expect("readable");
    assert!((50..=80).contains(&frames.len()), "{}", frames.len());
    assert_eq!(frames[0].value.id, 299, "newest first");
    assert_eq!(
        frames.last().map(|f| f.value.id),
        Some(300 - frames.len() as u64)
    );
    let notes = store.notes(None, 1000).expect("readable");
    assert!((20..=50).contains(&notes.len()), "{}", notes.len());
}

#[test]
fn a_file_that_grows_too_large_loses_its_oldest_frames_and_keeps_the_talk() {
    let limits = Limits {
        octets: 1 << 20,
        ..Limits::default()
    };
    let mut store = Store::in_memory(limits).expect("memory");
    for n in 0..6000 {
        store.record(WallTime(0), &frame(n));
    }
    store.record(WallTime(0), &note(1));
    store.flush().expect("written");
    let mut passes = 0;
    while retain(&store.connection, &limits, None).expect("removes") {
        passes += 1;
    }
    assert!(passes <= 1, "written and kept small at once: {passes}");
    let newest = store.frames(None, 1).expect("readable");
    assert_eq!(newest[0].value.id, 5999);
    assert_eq!(store.notes(None, 10).expect("readable").len(), 1);
}

#[test]
fn far_too_many_stations_heard_lose_those_of_the_oldest_runs() {
    let limits = Limits {
        talks: 10,
        ..Limits::default()
    };
    let mut store = Store::in_memory(limits).expect("memory");
    let insert = "INSERT INTO stations_heard (run, port, call, first_wall_ms, last_wall_ms,
        first_ms, last_ms, count, said) VALUES (?1, 0, ?2, ?1, ?1, 0, 0, 1, '')";
    for n in 0..30 {
        let run = store.begin_run(WallTime(n), "QA1SKY").expect("begins");
        store
            .connection
            .execute(insert, (run.0, format!("Q{n}")))
            .expect("written");
    }
    retain(&store.connection, &limits, None).expect("removes");
    let calls: Vec<String> = store
        .heard(100)
        .expect("readable")
        .into_iter()
        .map(|h| h.latest.call)
        .collect();
    let newest: Vec<String> = (20..30).rev().map(|n| format!("Q{n}")).collect();
    assert_eq!(calls, newest);
}
