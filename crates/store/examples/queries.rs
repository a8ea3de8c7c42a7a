//! How long the journal's own questions take on a journal that is there, and the start of a station
//! with it. It adds a run to the journal.
//!
//!     cargo run --release -p dunlin-store --example queries -- /tmp/big/big.journal

use std::path::Path;
#[allow(clippy::disallowed_types)]
use std::time::Instant;

use dunlin_clock::WallTime;
use dunlin_station::TalkId;
use dunlin_store::{FoundKind, Limits, RunId, Sought, Store};

const TRIES: i64 = 101;
const PAGE: usize = 100;

#[allow(clippy::disallowed_methods, clippy::disallowed_types)] // It measures, so it reads a clock.
fn main() {
    let path = std::env::args().nth(1).expect("the journal");
    let began = Instant::now();
    // As the plan's default has it, but nothing goes by age: the journal is of another time.
    let mut store = Store::open(Path::new(&path), Limits::default()).expect("opens");
    let opened = began.elapsed();
    store
        .begin_run(WallTime(1_803_100_000_000), "QA1SKY")
        .expect("begins");
    store.ways(1000).expect("read");
    println!("open {opened:?}, station ready {:?}", began.elapsed());
    lists(&store);
    looks_back(&store);
    store.end_run(WallTime(1_803_100_000_001)).expect("ends");
}

/// Lists as the page and the start ask for them.
fn lists(store: &Store) {
    measure("frames, a page", |n| {
        let before = Some(1_000_000 + n * 9_000);
        drop(store.frames(before, PAGE).expect("read"));
    });
    measure("talks, a page", |n| {
        drop(store.talks(Some(n * 90), PAGE).expect("read"));
    });
    measure("a talk with its lines", |n| {
        let (run, id) = (RunId(1000 + n * 10 / TRIES), TalkId(n.unsigned_abs() * 99));
        store.talk(run, id).expect("read");
        store.talk_lines(run, id, 0, PAGE).expect("read");
    });
    measure("notes, a page", |n| {
        drop(store.notes(Some(n * 900), PAGE).expect("read"));
    });
    measure("stations heard", |_| drop(store.heard(PAGE).expect("read")));
    measure("runs", |_| drop(store.runs(PAGE).expect("read")));
    measure("ways that worked", |_| {
        drop(store.ways(1000).expect("read"))
    });
}

/// Things found, with words and call signs as conformance/speed/journal.py has them.
fn looks_back(store: &Store) {
    let find = |sought: Sought| {
        let sought = Sought {
            most: PAGE,
            ..sought
        };
        drop(store.find(&sought).expect("read"));
    };
    let words = |words: &str| Sought {
        words: words.into(),
        ..Sought::default()
    };
    let station = |n: i64| {
        let call = format!("Q{}0AAA", char::from(b'A' + (n % 26) as u8));
        Sought {
            station: call.parse().ok(),
            ..Sought::default()
        }
    };
    let between = |from: i64, lasts: i64| Sought {
        from: Some(WallTime(1_800_000_000_000 + from)),
        until: Some(WallTime(1_800_000_000_000 + from + lasts)),
        ..Sought::default()
    };
    measure("find one by its words", |n| {
        find(words(&format!("number {}", n * 9_001)))
    });
    measure("find words in all", |_| find(words("ferry Island wind")));
    measure("find a station", |n| find(station(n)));
    measure("find an hour", |n| find(between(n * 29_000_000, 3_600_000)));
    measure("find words in a week", |n| {
        find(Sought {
            words: "ferry wind".into(),
            ..between(n * 20_000_000, 7 * 86_400_000)
        });
    });
    measure("find words to a station", |n| {
        find(Sought {
            words: "ferry".into(),
            only: Some(FoundKind::Line),
            ..station(n)
        });
    });
}

#[allow(clippy::disallowed_methods, clippy::disallowed_types)] // It measures, so it reads a clock.
fn measure(name: &str, question: impl Fn(i64)) {
    let mut times: Vec<_> = (1..=TRIES)
        .map(|n| {
            let began = Instant::now();
            question(n);
            began.elapsed()
        })
        .collect();
    times.sort_unstable();
    let (median, worst) = (times[times.len() / 2], times[times.len() - 1]);
    println!("{name:24} median {median:?}, worst {worst:?}");
}
