//! Tests of finding: against a plain look through everything, and that nothing that was deleted is found.

use std::collections::BTreeSet;

use dunlin_clock::{Chance, Duration, WallTime};
use dunlin_station::{
    Block, BlockKind, CallSign, Direction, Event, Note, PortId, TalkId, TalkLine, TalkState,
    TalkView, Urgency,
};

use crate::schema::migrations;
use crate::{Finder, Found, FoundKind, Item, Limits, Name, Place, Sought, Store};

const WORDS: [&str; 12] = [
    "ferry",
    "Harbour",
    "wind",
    "sea",
    "QM3BAR",
    "antenna",
    "sch\u{f6}n",
    "7",
    "not",
    "OR",
    "net",
    "hello",
];
const CALLS: [&str; 6] = ["QM3BAR", "QM3BAR-7", "QM3BA", "QX0RLF-1", "QD1GI", "QM2REE"];

fn pick<'a>(chance: &mut Chance, from: &[&'a str]) -> &'a str {
    from[chance.below(from.len() as u64) as usize]
}

fn sentence(chance: &mut Chance) -> String {
    let words = 1 + chance.below(5);
    (0..words)
        .map(|_| pick(chance, &WORDS))
        .collect::<Vec<_>>()
        .join(", ")
}

fn frame(chance: &mut Chance, id: u64) -> Block {
    let (from, to) = (pick(chance, &CALLS), pick(chance, &CALLS));
    let via: Vec<String> = (0..chance.below(3))
        .map(|_| format!("{}*", pick(chance, &CALLS)))
        .collect();
    Block {
        id,
        port: PortId(id as u8 % 2),
        kind: BlockKind::Heard,
        start_ms: id,
        end_ms: None,
        from: from.into(),
        to: to.into(),
        via,
        what: "text".into(),
        text: sentence(chance),
        octets: b"\x40\x41\x42".to_vec(),
        level_dbfs: None,
        offset_hz: None,
        twist_db: None,
        snr_db: None,
        why: None,
        line: None,
        heard_on: None,
        guess: None,
    }
}

fn talk(id: u64, remote: &str) -> TalkView {
    TalkView {
        id: TalkId(id),
        port: PortId(1),
        local: "QA1SKY".parse().expect("a call sign"),
        remote: remote.parse().expect("a call sign"),
        via: Vec::new(),
        incoming: false,
        state: TalkState::Open,
        words: "open".into(),
        since_ms: 0,
        opened_ms: 0,
        waiting_octets: 0,
        retries: 0,
        last_heard_ms: None,
        pace: None,
    }
}

fn line(talk: u64, line: u64, direction: Direction, text: String) -> TalkLine {
    TalkLine {
        talk: TalkId(talk),
        line,
        at_ms: line,
        direction,
        octets: text.clone().into_bytes(),
        text,
        complete: true,
        lost: false,
    }
}

fn note(text: String) -> Event {
    Event::Note(Note {
        at_ms: 0,
        port: None,
        urgency: Urgency::Plain,
        text,
    })
}

/// A journal with some of everything; a thing a minute.
fn journal(seed: u64, things: u64) -> Store {
    let mut chance = Chance::stream(seed, "journal");
    let mut store = Store::in_memory(Limits::default()).expect("memory");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    for (n, call) in CALLS.iter().enumerate() {
        store.record(WallTime(0), &Event::Talk(talk(n as u64, call)));
    }
    for n in 0..things {
        let event = match chance.below(3) {
            0 => Event::Block(frame(&mut chance, n)),
            1 => {
                let talk = chance.below(CALLS.len() as u64);
                let direction = [Direction::Sent, Direction::Received][chance.below(2) as usize];
                Event::TalkLine(line(talk, n, direction, sentence(&mut chance)))
            }
            _ => note(sentence(&mut chance)),
        };
        store.record(WallTime(n as i64 * 60_000), &event);
    }
    store.flush().expect("written");
    store
}

/// Everything, page by page.
fn all(store: &Store, sought: &Sought) -> Vec<Item> {
    let mut sought = sought.clone();
    let mut items = Vec::new();
    loop {
        let Found {
            items: page,
            more,
            behind,
        } = store.find(&sought).expect("readable");
        assert!(page.len() <= sought.most);
        items.extend(page);
        sought.behind = behind;
        if !more {
            return items;
        }
    }
}

/// The words of a text as they are looked for.
fn words(text: &str) -> Vec<String> {
    let plain = text.split(|c: char| !c.is_alphanumeric());
    plain
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
        .map(|word| word.replace('\u{f6}', "o"))
        .collect()
}

fn is_station(call: &str, station: CallSign) -> bool {
    let call = call.trim_end_matches('*');
    match station.ssid() {
        0 => call.split('-').next() == Some(station.to_string().as_str()),
        _ => call == station.to_string(),
    }
}

/// The oracle: a thing seen by itself.
fn fits(item: &Item, sought: &Sought) -> bool {
    let has: BTreeSet<String> = words(&item.words).into_iter().collect();
    let named = |station: CallSign| match item.kind {
        FoundKind::Note => {
            let phrase = words(&station.to_string());
            words(&item.words)
                .windows(phrase.len())
                .any(|some| some == phrase)
        }
        _ => {
            let ends = [&item.from, &item.to].into_iter().chain(&item.via);
            ends.into_iter().any(|call| is_station(call, station))
        }
    };
    words(&sought.words).iter().all(|word| has.contains(word))
        && sought.station.is_none_or(named)
        && sought.from.is_none_or(|from| item.wall >= from)
        && sought.until.is_none_or(|until| item.wall < until)
        && sought.only.is_none_or(|only| only == item.kind)
}

#[test]
fn what_is_found_is_what_a_look_through_everything_finds() {
    let mut found = 0;
    for seed in 0..8 {
        let store = journal(seed, 300);
        let everything = Sought {
            most: 1000,
            ..Sought::default()
        };
        let everything = all(&store, &everything);
        assert_eq!(everything.len(), 300);
        let mut chance = Chance::stream(seed, "sought");
        for _ in 0..40 {
            let mut maybe = |of: u64| chance.below(of) == 0;
            let (with_words, with_station, with_from, with_until, with_only) =
                (!maybe(3), maybe(2), maybe(3), maybe(3), maybe(3));
            let minute = |chance: &mut Chance| WallTime(chance.below(300) as i64 * 60_000);
            let kinds = [FoundKind::Frame, FoundKind::Line, FoundKind::Note];
            let sought = Sought {
                words: if with_words {
                    sentence(&mut chance)
                } else {
                    String::new()
                },
                station: with_station
                    .then(|| pick(&mut chance, &CALLS).parse().expect("a call sign")),
                from: with_from.then(|| minute(&mut chance)),
                until: with_until.then(|| minute(&mut chance)),
                only: with_only.then(|| kinds[chance.below(3) as usize]),
                behind: Place::default(),
                most: 1 + chance.below(50) as usize,
            };
            let expected: Vec<&Item> = everything
                .iter()
                .filter(|item| fits(item, &sought))
                .collect();
            let items = all(&store, &sought);
            // In one list those of a kind have the order of their rows, whatever stands between them.
            let rows = |items: &[&Item], kind| -> Vec<i64> {
                let items = items.iter().filter(|item| item.kind == kind);
                items.map(|item| item.row).collect()
            };
            let items: Vec<&Item> = items.iter().collect();
            for kind in kinds {
                let rows = (rows(&items, kind), rows(&expected, kind));
                assert!(
                    rows.0 == rows.1 && rows.0.is_sorted_by(|a, b| a > b),
                    "{sought:?} {rows:?}"
                );
            }
            found += items.len();
        }
    }
    assert!(found > 2000, "{found}");
}

#[test]
fn a_line_says_who_sent_it_and_of_which_talk_and_port_it_is() {
    let mut store = Store::in_memory(Limits::default()).expect("memory");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    store.record(WallTime(5), &Event::Talk(talk(3, "QM3BAR-7")));
    let said = |direction| Event::TalkLine(line(3, 9, direction, "the ferry is late".into()));
    store.record(WallTime(6), &said(Direction::Received));
    store.flush().expect("written");
    let sought = Sought {
        words: "FERRY".into(),
        most: 10,
        ..Sought::default()
    };
    let items = all(&store, &sought);
    let [item] = &items[..] else {
        panic!("{items:?}")
    };
    assert_eq!(
        (item.from.as_str(), item.to.as_str()),
        ("QM3BAR-7", "QA1SKY")
    );
    assert_eq!(
        (item.talk, item.mark, item.wall),
        (Some(TalkId(3)), "received", WallTime(6))
    );
    assert_eq!(
        store
            .talk_lines(item.run, TalkId(3), 0, 10)
            .expect("readable")
            .len(),
        1
    );
}

/// Whether the letters of a word stand anywhere in the indexes of words.
fn stands_in_an_index(store: &Store, word: &str) -> bool {
    ["frame_words", "line_words", "note_words"]
        .iter()
        .any(|index| {
            let sql = format!("SELECT block FROM {index}_data");
            let mut blocks = store.connection.prepare(&sql).expect("the index");
            let mut blocks = blocks.query([]).expect("the index");
            let mut found = false;
            while let Some(row) = blocks.next().expect("a block") {
                let octets: Vec<u8> = row.get(0).expect("octets");
                found |= octets
                    .windows(word.len())
                    .any(|some| some.eq_ignore_ascii_case(word.as_bytes()));
            }
            found
        })
}

#[test]
fn what_is_forgotten_changed_or_too_old_is_not_found_and_leaves_no_trace_in_the_index() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("journal.db");
    let limits = Limits {
        keep: Some(Duration::from_secs(7 * 86_400)),
        ..Limits::default()
    };
    let mut store = Store::open(&path, limits).expect("opens");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let mut block = frame(&mut Chance::stream(1, "frame"), 1);
    "QM3BAR > QA1SKY : I \"zebulon was here\"".clone_into(&mut block.text);
    store.record(WallTime(1), &Event::Talk(talk(3, "QM3BAR")));
    store.record(WallTime(1), &Event::Block(block));
    store.record(WallTime(1), &note("aged words".into()));
    let said = |text: &str| Event::TalkLine(line(3, 9, Direction::Received, text.into()));
    store.record(WallTime(1), &said("grow"));
    store.flush().expect("written");
    store.record(WallTime(1), &said("growing, said Zebulon"));
    store.flush().expect("written");
    let count = |store: &Store, words: &str| {
        all(
            store,
            &Sought {
                words: words.into(),
                most: 10,
                ..Sought::default()
            },
        )
        .len()
    };
    assert_eq!((count(&store, "grow"), count(&store, "growing")), (0, 1));
    assert_eq!((count(&store, "zebulon"), count(&store, "aged")), (2, 1));
    assert!(stands_in_an_index(&store, "zebulon"));

    let name = Name::new("Zebulon").expect("a name");
    let mut eraser = crate::Eraser::open(&path).expect("opens");
    eraser.forget(&name, WallTime(2)).expect("forgotten");
    assert_eq!((count(&store, "zebulon"), count(&store, "aged")), (0, 1));
    assert!(!stands_in_an_index(&store, "zebulon"));
    store.check().expect("whole");

    store.end_run(WallTime(3)).expect("ends");
    store
        .begin_run(WallTime(6 * 86_400_000), "QA1SKY")
        .expect("begins");
    store.record(WallTime(6 * 86_400_000), &note("young words".into()));
    for day in 7..10 {
        store.end_run(WallTime(day * 86_400_000)).expect("ends");
        store
            .begin_run(WallTime(day * 86_400_000 + 1000), "QA1SKY")
            .expect("begins");
    }
    assert_eq!((count(&store, "aged"), count(&store, "young")), (0, 1));
    assert!(!stands_in_an_index(&store, "aged"));
    store.check().expect("whole");
}

#[test]
fn words_that_look_like_operators_are_words() {
    let store = journal(3, 100);
    for words in [
        "\" OR ) NEAR(",
        "*",
        "text : ferry",
        "-ferry",
        "sender^",
        "a' ; DROP TABLE notes",
        "{sender} : x",
        "\u{0}",
    ] {
        let sought = Sought {
            words: words.into(),
            most: 10,
            ..Sought::default()
        };
        let found = store.find(&sought).expect(words);
        let has = |text: &str| self::words(text).into_iter().collect::<BTreeSet<_>>();
        let fits = |item: &Item| has(words).is_subset(&has(&item.words));
        assert!(found.items.iter().all(fits), "{words}");
        assert_eq!(
            found.items.is_empty(),
            !words.contains("ferry") || words.contains("text"),
            "{words}"
        );
    }
    let long = "ferry ".repeat(10_000);
    let sought = Sought {
        words: long,
        most: usize::MAX,
        ..Sought::default()
    };
    assert!(!store.find(&sought).expect("long").items.is_empty());
}

#[test]
fn the_indexes_fit_the_tables_also_after_the_way_up_from_an_earlier_schema() {
    let mut store = journal(7, 200);
    let expected = all(
        &store,
        &Sought {
            words: "ferry".into(),
            most: 50,
            ..Sought::default()
        },
    );
    assert!(!expected.is_empty());
    migrations()
        .to_version(&mut store.connection, 3)
        .expect("back");
    migrations().to_latest(&mut store.connection).expect("up");
    let found = all(
        &store,
        &Sought {
            words: "ferry".into(),
            most: 50,
            ..Sought::default()
        },
    );
    assert_eq!(found, expected);
    for index in ["frame_words", "line_words", "note_words"] {
        // Compares the index with the table (SQLite, "FTS5 Extension", 6.6).
        let sql = format!("INSERT INTO {index} ({index}, rank) VALUES ('integrity-check', 1)");
        store.connection.execute_batch(&sql).expect(index);
    }
}

#[test]
fn what_is_no_journal_is_told_as_what_it_is() {
    let folder = tempfile::tempdir().expect("a folder");
    let refused = |path: &std::path::Path| {
        let error = Finder::open(path).expect_err("no journal");
        error.to_string()
    };
    assert!(refused(folder.path()).contains("it is a folder"));
    let letter = folder.path().join("letter.txt");
    assert!(refused(&letter).contains("cannot be opened"));
    std::fs::write(&letter, "Dear QM3BAR, ".repeat(100)).expect("written");
    assert!(refused(&letter).contains("is no journal"));
    let path = folder.path().join("sky.journal");
    let mut store = Store::open(&path, Limits::default()).expect("opens");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    drop(store);
    Store::change_schema(&path, 3)
        .expect("back")
        .expect("changed");
    assert!(refused(&path).contains("--schema 4"));
}
