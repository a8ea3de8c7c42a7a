//! Looking back into the journal through the API: what comes, who gets nothing, and what is said when there is none.

use std::path::Path;

use dunlin_clock::WallTime;
use dunlin_station::{Direction, Event, Note, TalkId, TalkLine, Urgency};
use dunlin_store::{Limits, Store};
use dunlin_web::{Access, WebConfig, hash_password};

use crate::client::get;
use crate::stand_in::StandIn;

/// A note and some lines of a talk.
fn write(path: &Path, lines: u64) {
    let mut store = Store::open(path, Limits::default()).expect("opens");
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let note = Note {
        at_ms: 0,
        port: None,
        urgency: Urgency::Attention,
        text: "the wind has torn <b>the ferry</b> loose".into(),
    };
    store.record(WallTime(1), &Event::Note(note));
    for n in 0..lines {
        let line = TalkLine {
            talk: TalkId(7),
            line: n,
            at_ms: n,
            direction: Direction::Received,
            text: format!("crate {n}"),
            complete: true,
            lost: false,
            octets: Vec::new(),
        };
        store.record(WallTime(10 + n as i64), &Event::TalkLine(line));
    }
    store.end_run(WallTime(1000)).expect("ends");
}

/// What is answered, as JSON.
fn asked(station: &StandIn, question: &str) -> serde_json::Value {
    let answer = get(station.port, &format!("/api/journal{question}"));
    assert_eq!(answer.status, 200, "{question}: {}", answer.body);
    serde_json::from_str(&answer.body).expect("JSON")
}

fn with(path: &Path) -> StandIn {
    StandIn::with(WebConfig {
        journal: Some(path.to_owned()),
        ..WebConfig::default()
    })
}

#[test]
fn things_are_found_page_by_page_and_a_talk_is_opened_line_by_line() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("sky.journal");
    write(&path, 250);
    let station = with(&path);
    let found = asked(&station, "?words=FERRY%20wind");
    assert_eq!(
        found["items"][0]["words"],
        "the wind has torn <b>the ferry</b> loose"
    );
    assert_eq!(
        (&found["items"][0]["kind"], &found["more"]),
        (&"note".into(), &false.into())
    );

    let first = asked(&station, "?words=crate&most=100");
    assert_eq!(
        (first["items"].as_array().map(Vec::len), &first["more"]),
        (Some(100), &true.into())
    );
    assert_eq!(first["items"][0]["words"], "crate 249");
    let on = format!("?words=crate&most=200&line={}", first["behind"]["line"]);
    let rest = asked(&station, &on);
    assert_eq!(
        (rest["items"].as_array().map(Vec::len), &rest["more"]),
        (Some(150), &false.into())
    );
    assert_eq!(rest["items"][0]["words"], "crate 149");
    let many = asked(&station, "?most=1000000");
    assert_eq!(
        many["items"].as_array().map(Vec::len),
        Some(200),
        "there is a limit"
    );

    let talk = asked(&station, "/talk?run=1&talk=7");
    assert_eq!(
        (talk["lines"].as_array().map(Vec::len), &talk["more"]),
        (Some(200), &true.into())
    );
    let rest = asked(&station, "/talk?run=1&talk=7&from=200");
    assert_eq!(
        (rest["lines"].as_array().map(Vec::len), &rest["more"]),
        (Some(50), &false.into())
    );
}

#[test]
fn questions_that_cannot_be_answered_are_refused_with_the_reason() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("sky.journal");
    write(&path, 1);
    let station = with(&path);
    for (question, status, reason) in [
        ("?station=QM3BAR-99", 400, "SSID"),
        ("?station=%3Cb%3E", 400, "only letters A-Z and digits"),
        ("?only=mail", 400, "expected one of"),
        ("?when=now", 400, "unknown field"),
        ("?from=yesterday", 400, "invalid digit"),
        ("/talk?run=1&talk=99", 404, "keeps no such talk"),
        ("/talk?run=1", 400, "missing field"),
    ] {
        let answer = get(station.port, &format!("/api/journal{question}"));
        assert_eq!(answer.status, status, "{question}");
        assert!(answer.body.contains(reason), "{question}: {}", answer.body);
    }

    let other = folder.path().join("letter.txt");
    std::fs::write(&other, "Dear QM3BAR, ".repeat(100)).expect("written");
    let answer = get(with(&other).port, "/api/journal?words=dear");
    assert!(
        answer.status == 500 && answer.body.contains("is no journal"),
        "{}",
        answer.body
    );
    let none = StandIn::with(WebConfig::default());
    let answer = get(none.port, "/api/journal");
    assert!(
        answer.status == 404 && answer.body.contains("keeps no journal"),
        "{}",
        answer.body
    );
}

#[test]
fn guests_do_not_look_into_the_journal() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("sky.journal");
    write(&path, 1);
    let station = StandIn::with(WebConfig {
        journal: Some(path),
        access: Some(Access {
            password_hash: hash_password("open sesame, please").expect("a hash"),
            guest: true,
        }),
        ..WebConfig::default()
    });
    for question in ["", "?words=ferry", "/talk?run=1&talk=7"] {
        let answer = get(station.port, &format!("/api/journal{question}"));
        assert_eq!(answer.status, 403, "{question}");
        assert!(
            !answer.body.contains("ferry") && !answer.body.contains("crate"),
            "{}",
            answer.body
        );
    }
}
