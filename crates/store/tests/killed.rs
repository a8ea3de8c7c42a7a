//! A writer that is killed without warning: all that was flushed is there, and whole.
#![expect(
    clippy::disallowed_types,
    reason = "only a process of its own can be killed"
)]

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Command, Stdio};

use dunlin_clock::{Chance, Instant, WallTime};
use dunlin_station::{
    Block, BlockKind, Direction, Event, Note, PortId, TalkId, TalkLine, TalkState, TalkView,
    Urgency,
};
use dunlin_store::{Limits, Store};

/// How the writer learns where to write.
const PLACE: &str = "DUNLIN_TEST_JOURNAL";
/// Events of each kind that the writer records in a second.
const A_SECOND: u64 = 7;

fn block(id: u64) -> Event {
    Event::Block(Block {
        id,
        port: PortId(0),
        kind: BlockKind::Heard,
        start_ms: id,
        end_ms: Some(id + 1),
        from: "QM3BAR".into(),
        to: "QA1SKY".into(),
        via: vec!["QD1GI*".into()],
        what: "text 0".into(),
        text: format!("frame {id}"),
        octets: id.to_le_bytes().repeat(20),
        level_dbfs: Some(-20.0),
        offset_hz: None,
        twist_db: Some(1.5),
        snr_db: None,
        why: None,
        line: None,
        heard_on: None,
        guess: None,
    })
}

fn note(at_ms: u64) -> Event {
    let text = format!("note {at_ms}");
    Event::Note(Note {
        at_ms,
        port: None,
        urgency: Urgency::Plain,
        text,
    })
}

fn talk() -> Event {
    Event::Talk(TalkView {
        id: TalkId(1),
        port: PortId(0),
        local: "QA1SKY".parse().expect("a call sign"),
        remote: "QM3BAR".parse().expect("a call sign"),
        via: Vec::new(),
        incoming: true,
        state: TalkState::Open,
        words: "open".into(),
        since_ms: 0,
        opened_ms: 0,
        waiting_octets: 0,
        retries: 0,
        last_heard_ms: None,
        pace: None,
    })
}

/// One line that grows with everything that arrives.
fn line(octets: u64) -> Event {
    let octets: Vec<u8> = (0..octets).map(|n| b'a' + (n % 26) as u8).collect();
    Event::TalkLine(TalkLine {
        talk: TalkId(1),
        line: 0,
        at_ms: 0,
        direction: Direction::Received,
        text: String::from_utf8_lossy(&octets).into_owned(),
        complete: false,
        lost: false,
        octets,
    })
}

/// Not a check of its own: the writer that the test below runs and kills.
#[test]
#[ignore = "run by the other test, in a process of its own"]
#[expect(
    clippy::disallowed_methods,
    reason = "a process of its own has to be told its task"
)]
fn writer() {
    let place = std::env::var_os(PLACE).expect("run by the other test");
    let mut store = Store::open(Path::new(&place), Limits::default()).expect("opens");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    store.record(WallTime(0), &talk());
    for second in 1.. {
        for n in (second - 1) * A_SECOND..second * A_SECOND {
            store.record(WallTime(n as i64), &block(n));
            store.record(WallTime(n as i64), &note(n));
            store.record(WallTime(n as i64), &line(n + 1));
        }
        assert!(store.tick(Instant::from_secs(second)).expect("written"));
        println!("flushed {second}");
    }
}

/// Runs the writer until it has said that it flushed `seconds`, then kills it. The writer
/// goes on writing until the signal hits it somewhere. Gives what it last said.
fn write_and_kill(path: &Path, seconds: u64) -> u64 {
    let program = std::env::current_exe().expect("this test");
    let mut child = Command::new(program)
        .args(["--ignored", "--exact", "writer", "--nocapture"])
        .env(PLACE, path)
        .stdout(Stdio::piped())
        .spawn()
        .expect("the writer starts");
    let mut lines = BufReader::new(child.stdout.take().expect("its words")).lines();
    let number = |line: &str| {
        line.strip_prefix("flushed ")
            .and_then(|n| n.parse::<u64>().ok())
    };
    let mut flushed = 0;
    while flushed < seconds {
        let line = lines.next().expect("the writer goes on").expect("words");
        flushed = number(&line).unwrap_or(flushed);
    }
    child.kill().expect("SIGKILL");
    child.wait().expect("gone");
    let rest = lines.map_while(Result::ok).filter_map(|line| number(&line));
    rest.last().unwrap_or(flushed)
}

#[test]
fn all_that_was_flushed_outlives_a_killed_writer() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("journal.db");
    let mut chance = Chance::stream(1, "killed");
    let mut earlier = 0; // Frames of the runs before.
    for generation in 1..=6 {
        let flushed = write_and_kill(&path, 1 + chance.below(40));
        let store = Store::open(&path, Limits::default()).expect("opens again");
        store.check().expect("whole");
        let runs = store.runs(10).expect("readable");
        assert_eq!((runs.len(), runs[0].ended), (generation, None));
        let run = runs[0].run;
        let blocks = page_through(|before| {
            let page = store.frames(before, 1000).expect("readable");
            page.into_iter()
                .map(|kept| (kept.row, (kept.run, Event::Block(kept.value))))
                .collect()
        });
        let newest: Vec<Event> = blocks
            .iter()
            .filter(|(of, _)| *of == run)
            .map(|(_, block)| block.clone())
            .collect();
        assert_eq!(
            blocks.len() - newest.len(),
            earlier,
            "what was there before stays"
        );
        // Each second is there whole or not at all, and none that was told is missing.
        let seconds = newest.len() as u64 / A_SECOND;
        assert_eq!(newest.len() as u64 % A_SECOND, 0);
        assert!(
            seconds >= flushed,
            "{seconds} seconds kept, {flushed} were flushed"
        );
        let expected: Vec<Event> = (0..seconds * A_SECOND).rev().map(block).collect();
        assert!(newest == expected, "every frame, octet for octet");
        let line_kept = store.talk_lines(run, TalkId(1), 0, 10).expect("readable");
        assert_eq!(
            Event::TalkLine(line_kept[0].value.clone()),
            line(seconds * A_SECOND)
        );
        let notes = page_through(|before| {
            let page = store.notes(before, 1000).expect("readable");
            page.into_iter().map(|kept| (kept.row, kept.run)).collect()
        });
        let notes = notes.iter().filter(|of| **of == run).count() as u64;
        assert_eq!(notes, seconds * A_SECOND);
        earlier = blocks.len();
    }
}

/// All items of a list that comes page by page, each with its row.
fn page_through<T>(page: impl Fn(Option<i64>) -> Vec<(i64, T)>) -> Vec<T> {
    let (mut all, mut before) = (Vec::new(), None);
    loop {
        let items = page(before);
        let Some((last, _)) = items.last() else {
            return all;
        };
        before = Some(*last);
        all.extend(items.into_iter().map(|(_, item)| item));
    }
}
