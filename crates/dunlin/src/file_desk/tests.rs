//! The commands against a socket that answers as a station does.

use std::sync::{Arc, Mutex};

use super::*;
use crate::control::listen;
use dunlin_station::{FileId, TalkId};
use serde_json::json;

const HASH: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

/// A station with two talks, and what it was asked besides what there is.
fn station() -> (tempfile::TempDir, Desk, Arc<Mutex<Vec<Request>>>) {
    let dir = tempfile::tempdir().expect("a directory");
    let socket = dir.path().join("control");
    let asked = Arc::new(Mutex::new(Vec::new()));
    let noted = asked.clone();
    let file = |id: u64, name: &str, direction: &str, state: &str| {
        json!({"id": id, "talk": 3, "name": name, "media": null, "size": 3, "hash": HASH, "direction": direction,
               "state": state, "words": state, "done": 0, "airtime_ms": 9000, "since_ms": 0})
    };
    let seen = json!({
        "talks": [
            {"id": 3, "port": 0, "remote": "QM3BAR-7", "state": "open"},
            {"id": 4, "port": 0, "remote": "QX0RLF", "state": "open"},
        ],
        "ports": ["VHF"],
        "files": [
            file(7, "map.png", "received", "offered"),
            file(8, "ferry.txt", "sent", "going"),
            file(9, "map.png", "received", "done"),
        ],
        "kept": [
            {"hash": HASH, "name": "map.png", "media": null, "size": 3, "direction": "received"},
            {"hash": HASH, "name": "ferry.txt", "media": null, "size": 3, "direction": "sent"},
        ],
    });
    listen(&socket, move |question| {
        let mut response = Response::with("", json!({"file": 12}));
        match &question.request {
            Request::Files => response.detail = seen.clone(),
            Request::FetchFile { .. } => response.octets = b"abc".to_vec(),
            _ => {}
        }
        if question.request != Request::Files {
            noted.lock().expect("not poisoned").push(question.request);
        }
        let _ = question.reply.send(response);
    })
    .expect("it listens");
    (dir, Desk { socket }, asked)
}

fn answer(file: u64, decision: FileDecision, words: &str) -> Request {
    Request::File {
        command: Command::AnswerFile {
            talk: TalkId(3),
            file: FileId(file),
            decision,
            words: words.into(),
        },
    }
}

#[test]
fn a_file_is_taken_refused_and_stopped_by_its_number_or_name() {
    let (_dir, desk, asked) = station();
    desk.accept("7").expect("by its number");
    desk.accept("map.png").expect("the other is done");
    desk.refuse("7", Because::Later, "at noon")
        .expect("refused");
    desk.stop("ferry.txt", "").expect("stopped");
    let stop = Command::StopFile {
        talk: TalkId(3),
        file: FileId(8),
        words: String::new(),
    };
    let expected = [
        answer(7, FileDecision::Accept, ""),
        answer(7, FileDecision::Accept, ""),
        answer(7, FileDecision::Later, "at noon"),
        Request::File { command: stop },
    ];
    assert_eq!(*asked.lock().expect("not poisoned"), expected);
    let error = desk.accept("chart.png").expect_err("there is none");
    assert!(error.to_string().contains("dunlin files list"), "{error}");
}

#[test]
fn a_talk_is_found_by_its_call_sign_and_named_if_it_is_not() {
    let (_dir, desk, _) = station();
    let seen = desk.seen().expect("it answers");
    let with = |to| seen.talk_with(to).map(|talk| talk.id.0);
    assert_eq!(with(Some("qm3bar-7")).ok(), Some(3));
    assert_eq!(with(Some("QM3BAR")).ok(), Some(3), "the only one of it");
    assert_eq!(with(Some("QX0RLF")).ok(), Some(4));
    for (to, words) in [
        (None, "say --to and one of QM3BAR-7, QX0RLF"),
        (Some("QM3BAR-2"), "no talk with QM3BAR-2 is open, but with"),
        (Some("harbour"), "is no call sign"),
    ] {
        let error = with(to).expect_err("none").to_string();
        assert!(error.contains(words), "{error}");
    }
}

#[test]
fn the_list_tells_what_may_be_done() {
    let (_dir, desk, _) = station();
    let words = desk.seen().expect("it answers").words();
    let lines: Vec<&str> = words.lines().collect();
    assert_eq!(
        lines,
        [
            "7  map.png from QM3BAR-7 on VHF, 3 octets: offered; 0 octets are there, about 9 s to go; `dunlin files \
             accept 7` takes it",
            "8  ferry.txt to QM3BAR-7 on VHF, 3 octets: going; 0 octets are there, about 9 s to go",
            "9  map.png from QM3BAR-7 on VHF, 3 octets: done",
            "map.png, 3 octets, has come (ba7816bf)",
            "ferry.txt, 3 octets, kept here to be offered (ba7816bf)",
        ]
    );
}

#[test]
fn what_has_come_is_written_and_nothing_is_overwritten() {
    let (dir, desk, _) = station();
    let to = dir.path().join("map.png");
    desk.fetch("map.png", Some(&to)).expect("fetched");
    assert_eq!(std::fs::read(&to).expect("written"), b"abc");
    let error = desk.fetch("ba78", Some(&to)).expect_err("it is there");
    assert!(error.to_string().contains("--output"), "{error}");
    let error = desk.fetch("ferry.txt", Some(&to)).expect_err("own");
    assert!(error.to_string().contains("has come"), "{error}");
}

#[test]
fn what_is_deleted_is_first_withdrawn_where_it_goes() {
    let (_dir, desk, asked) = station();
    desk.delete("ferry.txt", true).expect("deleted");
    desk.delete("ba78", false).expect("deleted");
    let asked = asked.lock().expect("not poisoned");
    assert!(
        matches!(&asked[0], Request::File { command: Command::StopFile { file, .. } } if file.0 == 8)
    );
    let of = |direction| Request::DeleteFile {
        hash: HASH.into(),
        direction,
    };
    assert_eq!(asked[1..], [of(Direction::Sent), of(Direction::Received)]);
}

#[test]
fn only_a_yes_agrees() {
    for (said, yes) in [
        ("y\n", true),
        ("Yes\n", true),
        ("", false),
        ("n\n", false),
        ("\n", false),
    ] {
        assert_eq!(agreed(&mut said.as_bytes()).expect("read"), yes, "{said:?}");
    }
}
