//! Tests of how much is kept: the ceiling of the file, and age.

use std::path::Path;

use dunlin_clock::{Duration, Instant, WallTime};
use dunlin_station::{Block, BlockKind, Event, HeardView, Note, PortId, Urgency};

use crate::{Limits, Store};

const DAY_MS: i64 = 86_400_000;

fn note(n: u64) -> Event {
    Event::Note(Note {
        at_ms: n,
        port: None,
        urgency: Urgency::Plain,
        text: format!("note {n}"),
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
        octets: vec![0x55; 330], // A whole frame of 256 octets of text with eight relays.
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

fn heard(call: &str) -> Event {
    Event::Heard(HeardView {
        port: PortId(0),
        call: call.into(),
        by: None,
        first_ms: 0,
        last_ms: 0,
        count: 1,
        level_dbfs: None,
        offset_hz: None,
        twist_db: None,
        snr_db: None,
        line: None,
        advice: None,
        said: String::new(),
    })
}

/// Octets of the file and of the log beside it.
fn size(path: &Path) -> u64 {
    let of = |name: &Path| std::fs::metadata(name).map_or(0, |file| file.len());
    of(path) + of(&path.with_extension("db-wal"))
}

#[test]
fn the_file_and_its_log_stay_under_the_ceiling_while_events_pour_in() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("journal.db");
    let limits = Limits {
        octets: 6 << 20,
        ..Limits::default()
    };
    let mut store = Store::open(&path, limits).expect("opens");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let (mut largest, mut n) = (0, 0);
    // Eight virtual minutes of 100 frames and 20 notes in a second, which is more than ten
    // times what two channels can carry; and once in a while a thousand seconds' worth at once.
    for second in 1..=480_u64 {
        let burst = if second.is_multiple_of(160) { 100 } else { 1 };
        for _ in 0..100 * burst {
            store.record(WallTime(n as i64), &frame(n));
            if n.is_multiple_of(5) {
                store.record(WallTime(n as i64), &note(n));
            }
            n += 1;
        }
        store.tick(Instant::from_secs(second)).expect("written");
        largest = largest.max(size(&path));
    }
    println!("{n} frames; file and log together at most {largest} octets");
    assert!(largest < limits.octets + (8 << 20), "{largest}");
    assert!(
        largest > limits.octets,
        "the ceiling was reached: {largest}"
    );
    let newest = store.frames(None, 1000).expect("readable");
    assert_eq!((newest.len(), newest[0].value.id), (1000, n - 1));
    assert_eq!(newest[999].value.id, n - 1000, "the newest, without a gap");
    assert_eq!(
        store.notes(None, 1).expect("readable")[0].value.at_ms,
        n - 5
    );
    store.check().expect("whole");
}

fn keep_a_week() -> Limits {
    Limits {
        keep: Some(Duration::from_secs(7 * 86_400)),
        ..Limits::default()
    }
}

/// A run of some hours that begins on this day and hears a few things.
fn a_day(store: &mut Store, day: i64) {
    let began = WallTime(day * DAY_MS);
    store.begin_run(began, "QA1SKY").expect("begins");
    for n in 0..20 {
        store.record(began, &frame(n));
        store.record(began, &note(n));
    }
    store.record(began, &heard(&format!("Q{day}")));
    store.end_run(WallTime(began.0 + 3_600_000)).expect("ends");
}

#[test]
fn what_is_older_than_the_plan_says_goes_with_its_runs() {
    let mut store = Store::in_memory(keep_a_week()).expect("memory");
    for day in 100..130 {
        a_day(&mut store, day);
    }
    let now = WallTime(130 * DAY_MS);
    for _ in 0..10 {
        store.begin_run(now, "QA1SKY").expect("begins and looks");
    }
    let oldest = |walls: Vec<WallTime>| walls.into_iter().min();
    let frames = store.frames(None, 1000).expect("readable");
    let notes = store.notes(None, 1000).expect("readable");
    assert_eq!((frames.len(), notes.len()), (140, 140), "seven days");
    let limit = Some(WallTime(123 * DAY_MS));
    assert_eq!(oldest(frames.iter().map(|f| f.wall).collect()), limit);
    assert_eq!(oldest(notes.iter().map(|f| f.wall).collect()), limit);
    assert_eq!(store.heard(100).expect("readable").len(), 7);
    let runs = store.runs(100).expect("readable");
    assert_eq!(oldest(runs.iter().map(|r| r.began).collect()), limit);
}

#[test]
fn one_start_with_a_clock_far_ahead_empties_nothing() {
    let mut store = Store::in_memory(keep_a_week()).expect("memory");
    a_day(&mut store, 100);
    a_day(&mut store, 9000);
    assert_eq!(store.frames(None, 1000).expect("readable").len(), 40);
    a_day(&mut store, 101);
    assert_eq!(store.frames(None, 1000).expect("readable").len(), 60);
}

#[test]
fn far_too_much_that_is_old_goes_in_pieces_while_writing_goes_on() {
    let mut store = Store::in_memory(keep_a_week()).expect("memory");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    for n in 0..15_000 {
        store.record(WallTime(0), &note(n));
    }
    store.flush().expect("written");
    let count = |store: &Store| -> i64 {
        let count = "SELECT count(*) FROM notes";
        let count = store.connection.query_row(count, [], |row| row.get(0));
        count.expect("readable")
    };
    let mut looks = Vec::new();
    for minute in 0..120 {
        let wall = WallTime(8 * DAY_MS + minute);
        store.record(wall, &note(20_000));
        store.flush().expect("written");
        looks.push(count(&store));
    }
    assert_eq!(looks[0], 15_001, "not looked at each time");
    assert!(looks.contains(&(15_000 + 29 - 10_000)), "{looks:?}");
    assert_eq!(looks[119], 120);
}
