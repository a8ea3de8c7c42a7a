//! The mail of the API: what is asked of whoever keeps it, what comes back, and what guests get.

use dunlin_clock::WallTime;
use dunlin_mail::post::{Counts, Head, Letter, Proof, Way, Which};
use dunlin_mail::{Kind, Message, Precedence};
use dunlin_station::{
    Conclusion, Draft, FormalDraft, FormalReckoning, PortId, Reckoning, RouteCost,
};
use dunlin_web::{MailRefusal, MailReply, MailWish, Written};

use crate::client::{Response, get, host, send};
use crate::stand_in::StandIn;

const ID: &str = "QM3BAR:0000000000001";
/// A title as somebody might send it who wishes the page ill.
const TITLE: &str = "<img src=x onerror=alert(1)>";

const FORM: &str = "12 R HXC QM3BAR 3 BAR ISLAND 1830Z NOV 29\nWARDEN\nLEE COVE\nBT\n\
    FORTY COTS COME BY FERRY\nBT\nHARBOUR OFFICE\nAR\n";

fn letter() -> Letter {
    let message = Message {
        id: ID.parse().expect("an identifier"),
        kind: Kind::Personal {
            to: "QA1SKY".parse().expect("an address"),
        },
        precedence: Precedence::Welfare,
        from: "QM3BAR at QA1SKY".parse().expect("an address"),
        written: WallTime(1_795_960_920_000),
        title: TITLE.into(),
        body: "All well.\n".into(),
        chain: Vec::new(),
    };
    Letter::new(
        message,
        Proof::HeardAsClaimed,
        &Way::Here,
        WallTime(1_795_960_921_000),
    )
}

/// A radiogram whose check was wrong when it came.
fn radiogram() -> Letter {
    let mut letter = letter();
    let to = "QA1SKY".parse().expect("an address");
    letter.message.kind = Kind::Formal { to };
    letter.message.body = FORM.into();
    for (station, at) in [("QM3BAR", 0), ("QA1SKY", 60_000)] {
        let at = WallTime(1_795_960_920_000 + at);
        letter
            .message
            .taken_by(station.parse().expect("a call sign"), at);
    }
    letter
}

fn head(place: u64) -> Head {
    let letter = letter();
    let message = letter.message;
    Head {
        place,
        id: message.id,
        kind: message.kind,
        precedence: message.precedence,
        from: message.from,
        title: message.title,
        octets: message.body.len(),
        written: message.written,
        arrived: letter.arrived,
        proof: letter.proof,
        standing: letter.standing,
        legs: letter.legs,
        unread: true,
    }
}

/// Heads go down from 300; a search finds what it was asked for, as its refusal.
pub fn fulfil(wish: &MailWish) -> Result<MailReply, MailRefusal> {
    match wish {
        MailWish::List {
            which,
            after,
            most,
            guest,
        } => {
            let guests = matches!(which, Which::Bulletins { .. });
            assert!(!guest || guests, "guests get bulletins");
            let places = (1..after.unwrap_or(300)).rev().take(*most);
            Ok(MailReply::Heads(places.map(head).collect()))
        }
        MailWish::Search { words, .. } => Err(MailRefusal::Failed(format!("no {words} to find"))),
        MailWish::Counts => Ok(MailReply::Counts(Counts::default())),
        MailWish::Open(id) if id.number == 1 => Ok(MailReply::Letter(Box::new(letter()))),
        MailWish::Open(id) if id.number == 3 => Ok(MailReply::Letter(Box::new(radiogram()))),
        MailWish::Recall(_) => Ok(MailReply::Recalled {
            stopped: vec!["QX0RLF".parse().expect("a call sign")],
            have_it: Vec::new(),
        }),
        MailWish::Hold { why, .. } => Err(MailRefusal::Refused(format!("not held: {why}"))),
        MailWish::Open(_) | MailWish::Release(_) => Err(MailRefusal::NotThere),
        MailWish::Conclude { conclusion, .. } => match conclusion {
            Conclusion::NotDelivered { why } => Err(MailRefusal::Refused(why.words())),
            _ => Ok(MailReply::Concluded { reported_to: None }),
        },
        MailWish::Delete(_) => Ok(MailReply::Done),
    }
}

pub fn write(draft: &Draft) -> Result<Written, MailRefusal> {
    Ok(Written {
        id: ID.parse().expect("an identifier"),
        words: format!(
            "{} octets, kept back: {}",
            draft.body.len(),
            draft.keep_back
        ),
    })
}

pub fn originate(draft: &FormalDraft) -> Result<Written, MailRefusal> {
    let to = draft.to.ok_or(MailRefusal::NotThere)?;
    Ok(Written {
        id: ID.parse().expect("an identifier"),
        words: format!("{} for {to}", draft.radiogram.text),
    })
}

pub fn count(draft: FormalDraft) -> Result<FormalReckoning, MailRefusal> {
    let own = "QA1SKY".parse().expect("a call sign");
    Ok(FormalReckoning {
        tally: draft.radiogram.tally(own, WallTime(1_795_960_920_000)),
        cost: None,
    })
}

pub fn reckon(draft: &Draft) -> Result<Reckoning, MailRefusal> {
    Ok(Reckoning {
        octets: draft.body.len(),
        packed: 60,
        words: "queued for QX0RLF".into(),
        routes: vec![RouteCost {
            partner: "QX0RLF-5".parse().expect("a call sign"),
            port: PortId(1),
            baud: 300,
            seconds: 9.5,
            later: false,
            digipeaters: 0,
        }],
    })
}

fn post(port: u16, path: &str, json: &str) -> Response {
    let lines = [&*host(port), "Content-Type: application/json"];
    send(port, "POST", path, &lines, json)
}

fn json(response: &Response) -> serde_json::Value {
    assert_eq!(response.status, 200, "{}", response.body);
    serde_json::from_str(&response.body).expect("JSON")
}

#[test]
fn lists_have_an_end_and_go_on_after_a_place() {
    let station = StandIn::start();
    let first = json(&get(station.port, "/api/mail?most=3"));
    let places = |list: &serde_json::Value| -> Vec<u64> {
        let heads = list["heads"].as_array().expect("heads").iter();
        heads
            .map(|h| h["place"].as_u64().expect("a place"))
            .collect()
    };
    assert_eq!(places(&first), [299, 298, 297]);
    assert_eq!(first["more"], true);
    let head = &first["heads"][0];
    assert_eq!(
        (&head["title"], &head["words"]),
        (&TITLE.into(), &"here".into())
    );
    assert_eq!(
        (&head["kind"], &head["to"]),
        (&"personal".into(), &"QA1SKY".into())
    );
    let last = json(&get(station.port, "/api/mail?which=held&after=3"));
    assert_eq!(places(&last), [2, 1]);
    assert_eq!(last["more"], false);
    let most = json(&get(station.port, "/api/mail?most=100000"));
    assert_eq!(places(&most).len(), 200);
    for path in [
        "/api/mail?which=everything",
        "/api/mail?after=x",
        "/api/mail?most=-1",
    ] {
        let answer = get(station.port, path);
        assert_eq!(answer.status, 400, "{path}");
        assert!(
            answer.body.starts_with(r#"{"refused":""#),
            "{}",
            answer.body
        );
    }
}

#[test]
fn a_letter_comes_with_words_and_with_whom_to_answer() {
    let station = StandIn::start();
    let named = format!(r#"{{"id":"{ID}"}}"#);
    let letter = json(&post(station.port, "/api/mail/open", &named));
    assert_eq!(letter["message"]["title"], TITLE);
    assert_eq!(letter["reply_to"], "QM3BAR at QA1SKY");
    assert_eq!(letter["reply_title"], format!("Re: {TITLE}"));
    assert_eq!(
        letter["proof_words"],
        "was connected directly by this call sign"
    );
    let other = named.replace("1\"", "2\"");
    assert_eq!(post(station.port, "/api/mail/open", &other).status, 404);
    for bad in ["", "{}", r#"{"id":"nonsense"}"#, r#"{"id":7}"#] {
        let answer = post(station.port, "/api/mail/open", bad);
        assert!(
            (400..500).contains(&answer.status),
            "{bad}: {}",
            answer.status
        );
    }
}

#[test]
fn what_is_written_may_be_long_and_is_reckoned_first() {
    let station = StandIn::start();
    let draft = |octets: usize| {
        let body = "\\n".repeat(octets);
        format!(
            r#"{{"kind":"bulletin","topic":"FERRY","area":"ISLES","title":"Ferry","body":"{body}","keep_back":true}}"#
        )
    };
    let written = json(&post(station.port, "/api/mail/write", &draft(100_000)));
    assert_eq!(written["id"], ID);
    assert_eq!(written["words"], "100000 octets, kept back: true");
    let reckoned = json(&post(station.port, "/api/mail/reckon", &draft(10)));
    assert_eq!(reckoned["routes"][0]["partner"], "QX0RLF-5");
    assert_eq!(reckoned["octets"], 10);
    let plain = |octets: usize| draft(1).replace("\\n", &"x".repeat(octets));
    for (path, long) in [
        ("write", draft(150_000)),
        ("write", plain(1 << 20)),
        ("reckon", plain(1 << 20)),
        ("originate", plain(1 << 20)),
        ("radiogram", plain(1 << 20)),
    ] {
        let refused = post(station.port, &format!("/api/mail/{path}"), &long);
        assert_eq!(refused.status, 413, "{path}");
        let sentence: serde_json::Value = serde_json::from_str(&refused.body).expect("JSON");
        assert!(
            sentence["refused"].as_str().is_some_and(|s| s.len() > 20),
            "{sentence}"
        );
    }
    let wrong = post(
        station.port,
        "/api/mail/write",
        r#"{"kind":"personal","to":"?"}"#,
    );
    assert!((400..500).contains(&wrong.status), "{}", wrong.status);
    let lines = [&*host(station.port), "Content-Type: text/plain"];
    let form = send(station.port, "POST", "/api/mail/write", &lines, &draft(1));
    assert_eq!(form.status, 415);
}

#[test]
fn what_is_asked_of_a_letter_is_done_or_refused_with_a_sentence() {
    let station = StandIn::start();
    let port = station.port;
    let named = format!(r#"{{"id":"{ID}"}}"#);
    assert_eq!(json(&post(port, "/api/mail/delete", &named)), "done");
    let recalled = json(&post(port, "/api/mail/recall", &named));
    assert_eq!(recalled["stopped"][0], "QX0RLF");
    let held = format!(r#"{{"id":"{ID}","why":"a look"}}"#);
    let refused = post(port, "/api/mail/hold", &held);
    let expected = r#"{"refused":"not held: a look"}"#;
    assert_eq!((refused.status, &*refused.body), (409, expected));
    assert_eq!(post(port, "/api/mail/release", &named).status, 404);
    let searched = get(port, "/api/mail/search?words=ferry%20on%20time");
    assert_eq!(searched.status, 503);
    assert!(
        searched.body.contains("no ferry on time"),
        "{}",
        searched.body
    );
    let counts = json(&get(port, "/api/mail/counts"));
    assert_eq!(counts["held"], 0);
}

#[test]
fn a_radiogram_is_counted_while_it_is_written() {
    let station = StandIn::start();
    let port = station.port;
    let begun = r#"{"radiogram":{"text":"ARL FIFTY ONE TO ALL","phone":"CALL ME"}}"#;
    let tally = json(&post(port, "/api/mail/radiogram", begun));
    assert_eq!(tally["check"], "ARL 5");
    let amiss = tally["amiss"].as_array().expect("a list").iter();
    let fields: Vec<&str> = amiss.filter_map(|amiss| amiss["field"].as_str()).collect();
    assert_eq!(fields, ["place", "to", "phone", "signature"]);
    let to = begun.replace("{\"radio", "{\"to\":\"QM3BAR\",\"radio");
    let written = json(&post(port, "/api/mail/originate", &to));
    assert_eq!(written["words"], "ARL FIFTY ONE TO ALL for QM3BAR");
    let extra = begun.replace("phone", "telephone");
    let status = post(port, "/api/mail/radiogram", &extra).status;
    assert_eq!(status, 422, "a field that no form has");
}

#[test]
fn a_radiogram_is_shown_on_paper_aloud_and_with_what_disagrees() {
    let station = StandIn::start();
    let named = format!(r#"{{"id":"{}"}}"#, ID.replace('1', "3"));
    let letter = json(&post(station.port, "/api/mail/open", &named));
    let shown = &letter["radiogram"];
    assert_eq!(letter["message"]["body"], FORM, "as it came");
    let text = |field: &str| shown[field].as_str().unwrap_or_default().to_owned();
    assert!(
        text("printed").contains("Check             3\n"),
        "as it came"
    );
    assert_eq!(shown["miscounted"], true);
    let remark = shown["remarks"][0].as_str().expect("a remark");
    assert!(remark.contains("goes on as 3/5"), "{remark}");
    assert!(text("onward").starts_with("12 R HXC QM3BAR 3/5 BAR ISLAND"));
    assert_eq!(
        shown["spoken"][0].as_str().map(|line| &line[..14]),
        Some("NUMBER ONE TWO")
    );
    let log = text("log");
    assert!(
        log.contains("2026-11-29 1403Z  QM3BAR    QA1SKY        12 ROUTINE   by mail"),
        "{log}"
    );
    assert_eq!(shown["reported"], true);
    let plain = json(&post(
        station.port,
        "/api/mail/open",
        &format!(r#"{{"id":"{ID}"}}"#),
    ));
    assert_eq!(plain.get("radiogram"), None);
}

#[test]
fn what_became_of_a_radiogram_is_told_in_one_word_and_a_reason() {
    let station = StandIn::start();
    let port = station.port;
    let conclude = |rest: &str| {
        let body = format!(r#"{{"id":"{ID}",{rest}}}"#);
        post(port, "/api/mail/conclude", &body)
    };
    let done = json(&conclude(r#""outcome":"delivered""#));
    assert_eq!(done["reported_to"], serde_json::Value::Null);
    let refused = conclude(r#""outcome":"not_delivered","why":"no_answer""#);
    assert!(
        refused.body.contains("PHONE NOT ANSWERED"),
        "{}",
        refused.body
    );
    let other = conclude(r#""outcome":"not_delivered","why":{"other":"gone to the hall"}"#);
    assert!(other.body.contains("GONE TO THE HALL"), "{}", other.body);
    for wrong in [r#""outcome":"lost""#, r#""outcome":"not_delivered""#] {
        assert_eq!(conclude(wrong).status, 422, "{wrong}");
    }
}
