//! Tests of texts that are deleted: by a name, and by their age.

use std::path::Path;

use dunlin_clock::{Duration, Instant, WallTime};
use dunlin_station::{
    Block, BlockKind, Direction, Event, HeardView, Note, PortId, TalkId, TalkLine, Urgency,
};

use crate::{Eraser, Export, Field, Forgotten, Kind, Limits, Name, Store, StoreError, Wanted};

const DAY_MS: i64 = 86_400_000;

fn octets(info: &str) -> Vec<u8> {
    let mut octets = vec![0x40; 14];
    octets[13] |= 1;
    octets.extend([0x03, 0xF0]);
    octets.extend(info.as_bytes());
    octets
}

fn frame(id: u64, info: &str) -> Event {
    Event::Block(Block {
        id,
        port: PortId(0),
        kind: BlockKind::Heard,
        start_ms: id * 1000,
        end_ms: None,
        from: "QM3BAR".into(),
        to: "QA1SKY".into(),
        via: Vec::new(),
        what: "to all".into(),
        text: format!("QM3BAR > QA1SKY : UI command : {info}"),
        octets: octets(info),
        level_dbfs: Some(-20.0),
        offset_hz: None,
        twist_db: None,
        snr_db: None,
        why: None,
        line: None,
        heard_on: None,
        guess: None,
    })
}

fn line(line: u64, text: &str) -> Event {
    Event::TalkLine(TalkLine {
        talk: TalkId(1),
        line,
        at_ms: line * 1000,
        direction: Direction::Received,
        text: text.into(),
        complete: true,
        lost: false,
        octets: text.into(),
    })
}

fn heard(said: &str) -> Event {
    Event::Heard(HeardView {
        port: PortId(0),
        call: "QM3BAR".into(),
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
        said: said.into(),
    })
}

fn note(text: &str) -> Event {
    Event::Note(Note {
        at_ms: 0,
        port: None,
        urgency: Urgency::Plain,
        text: text.into(),
    })
}

fn filled(path: &Path) -> Store {
    let mut store = Store::open(path, Limits::default()).expect("opens");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    for id in 0..40 {
        store.record(WallTime(1), &frame(id, "nothing of note"));
    }
    for event in [
        frame(50, "MARTA VOSS is ill"),
        frame(51, "tell Mar"),
        frame(52, "ta Voss to come"),
        frame(53, "Marta Vossen is somebody else"),
        line(1, "ask marta voss, please"),
        line(2, "nothing of note"),
        heard("here is Marta Voss"),
        note("Marta Voss has called"),
    ] {
        store.record(WallTime(1), &event);
    }
    store.flush().expect("written");
    // A line that grew, and rows that went, leave their earlier octets behind unless overwritten.
    store.record(WallTime(1), &line(3, "Marta Voss"));
    store.flush().expect("written");
    store.record(
        WallTime(1),
        &line(3, "Marta Voss and a great many others, by name"),
    );
    store.flush().expect("written");
    store
}

fn letters(folder: &Path, letters: &str) -> Vec<String> {
    let holds = |path: &Path| {
        let octets = std::fs::read(path).expect("a file").to_ascii_lowercase();
        let letters = letters.to_lowercase();
        octets
            .windows(letters.len())
            .any(|w| w == letters.as_bytes())
    };
    let files = std::fs::read_dir(folder).expect("a folder");
    let files = files.map(|file| file.expect("a file").path());
    let found = files.filter(|path| holds(path));
    found.map(|path| path.display().to_string()).collect()
}

#[test]
fn a_name_is_gone_from_the_octets_of_the_file_while_the_station_goes_on() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.journal");
    let mut station = filled(&path);
    assert!(!letters(folder.path(), "Marta Voss").is_empty());
    let name = Name::new("marta voss").expect("a name");
    let mut eraser = Eraser::open(&path).expect("opens beside the station");
    let expected = Forgotten {
        frames: 3,
        lines: 2,
        said: 1,
        sentences: 1,
        plans: 0,
    };
    assert_eq!(eraser.count(&name).expect("counted"), expected);
    assert_eq!(
        eraser.forget(&name, WallTime(9000)).expect("deleted"),
        expected
    );
    let left = letters(folder.path(), "Marta Voss is");
    assert_eq!(left, Vec::<String>::new());
    assert_eq!(letters(folder.path(), "ask marta"), Vec::<String>::new());
    assert_eq!(letters(folder.path(), "tell Mar"), Vec::<String>::new());
    assert_eq!(letters(folder.path(), "a great many"), Vec::<String>::new());
    // The one that stays is another name.
    assert_eq!(letters(folder.path(), "Marta Vossen").len(), 1);
    assert_eq!(
        eraser.remnants(&name).expect("read"),
        std::slice::from_ref(&path)
    );
    let again = eraser.forget(&name, WallTime(9001)).expect("nothing left");
    assert_eq!(again.total(), 0);

    // The station tells the same things again: nothing comes back.
    for event in [
        frame(50, "MARTA VOSS is ill"),
        line(1, "ask marta voss, please, now"),
    ] {
        station.record(WallTime(2), &event);
    }
    station.record(WallTime(2), &heard("here is Marta Voss"));
    station.flush().expect("written");
    assert_eq!(eraser.count(&name).expect("counted").total(), 0);
    station.record(WallTime(2), &heard("something else"));
    station.flush().expect("written");
    assert_eq!(
        station.heard(1).expect("read")[0].latest.said,
        "something else"
    );

    let notes = station.notes(None, 10).expect("read");
    let words = "7 texts were deleted from the journal because a name in them is to be forgotten";
    assert_eq!(
        (notes[0].value.text.as_str(), notes[0].value.at_ms),
        (words, 9000)
    );
    assert_eq!(notes[1].value.text, "(deleted)");
    let frames = station.frames(None, 3).expect("read");
    let kept = &frames[2].value;
    assert_eq!((kept.from.as_str(), kept.text.as_str()), ("QM3BAR", ""));
    assert_eq!((kept.octets.len(), kept.level_dbfs), (16, Some(-20.0)));
    station.check().expect("whole");
}

#[test]
fn texts_go_by_age_while_who_and_when_stays() {
    let limits = Limits {
        keep_texts: Some(Duration::from_secs(30 * 86_400)),
        ..Limits::default()
    };
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.journal");
    let mut store = Store::open(&path, limits).expect("opens");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    for id in 0..1200 {
        store.record(WallTime(0), &frame(id, "an old secret"));
    }
    store.record(WallTime(0), &line(1, "an old secret"));
    store.record(WallTime(0), &heard("an old secret"));
    store.flush().expect("written");
    store.record(WallTime(40 * DAY_MS), &frame(2000, "a new one"));
    store.record(WallTime(40 * DAY_MS), &line(2, "a new one"));
    for second in 0..40 {
        store.record(WallTime(40 * DAY_MS), &note("now"));
        store.tick(Instant::from_secs(second + 1)).expect("written");
    }
    let frames = store.frames(None, 1000).expect("read");
    assert!(frames[0].value.text.contains("a new one"));
    assert!(
        frames[1..]
            .iter()
            .all(|f| f.value.text.is_empty() && f.value.octets.len() == 16)
    );
    let lines = store
        .talk_lines(crate::RunId(1), TalkId(1), 0, 9)
        .expect("read");
    let texts: Vec<&str> = lines.iter().map(|line| line.value.text.as_str()).collect();
    assert_eq!(texts, ["", "a new one"]);
    assert_eq!(store.heard(1).expect("read")[0].latest.said, "");
    let eraser = Eraser::open(&path).expect("opens");
    let name = Name::new("secret").expect("a name");
    eraser.compact().expect("room");
    assert_eq!(
        eraser.remnants(&name).expect("read"),
        Vec::<std::path::PathBuf>::new()
    );

    // An export says how much is missing.
    let export = Export::open(&path, Wanted::default()).expect("opens");
    let (mut count, mut cut) = (0, 0);
    export
        .each(&[Kind::Frame], |entry| {
            count += 1;
            cut += entry.number("cut_octets").unwrap_or(0);
            Ok::<(), StoreError>(())
        })
        .expect("read");
    assert_eq!((count, cut), (1201, 1200 * 13));
}

#[test]
fn an_export_goes_through_everything_in_order_and_holds_to_what_is_wanted() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("a.journal");
    let _station = filled(&path);
    let all = |wanted: Wanted| {
        let export = Export::open(&path, wanted).expect("opens");
        let mut entries = Vec::new();
        export
            .each(&Kind::ALL, |entry| {
                entries.push(entry.clone());
                Ok::<(), StoreError>(())
            })
            .expect("read");
        entries
    };
    let entries = all(Wanted::default());
    assert_eq!(entries.len(), 1 + 44 + 3 + 1 + 1);
    let timed = entries.len() - 1;
    assert!(entries[..timed].is_sorted_by_key(|entry| entry.time));
    assert_eq!(entries[timed].kind, Kind::Heard);
    assert_eq!(entries[timed].text("text"), "here is Marta Voss");
    assert_eq!(entries[0].kind, Kind::Start);
    assert_eq!(entries[0].field("nothing of the kind"), &Field::Nothing);
    let some = all(Wanted {
        from: Some(WallTime(50_000)),
        to: Some(WallTime(52_000)),
        port: None,
    });
    let texts: Vec<&str> = some.iter().map(|entry| entry.text("what")).collect();
    assert_eq!(texts, ["to all", "to all"]);
    let none = all(Wanted {
        port: Some("VHF".into()),
        ..Wanted::default()
    });
    assert_eq!(none, [], "no port has that name");
}
