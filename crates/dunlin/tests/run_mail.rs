//! A station that keeps mail, in a process of its own: written by its API, killed without warning, started again.

mod running;

use running::Running;
use serde_json::json;

/// Its controller is not there, so nothing can go on the air.
const PLAN: &str = r#"
[station]
call = "QA1SKY"
[node]
call = "QA1SKY-5"
[mail]
keep = true
[[partner]]
call = "QX0RLF-5"
port = "VHF"
carries_all = true
[[port]]
name = "VHF"
mode = "afsk1200"
[port.controller]
link = "tcp"
address = "127.0.0.1:9"
number = 0
"#;

#[test]
fn what_was_confirmed_is_there_after_a_kill() {
    let dir = tempfile::tempdir().expect("a directory");
    let plan = dir.path().join("sky.toml");
    std::fs::write(&plan, PLAN).expect("written");
    let journal = dir.path().join("sky.journal");
    let first = Running::start("no sound server", &plan, &journal);
    assert!(first.output().contains("The mail: "), "{}", first.output());
    let write = |station: &Running, title: &str| {
        let draft = json!({"kind": "personal", "to": "QX5BOB at QX0RLF", "title": title, "body": "Forty.\n"});
        let (status, answer) = station.request("POST", "/api/mail/write", &draft.to_string());
        assert_eq!(status, 200, "{answer}");
        assert_eq!(answer["words"], "queued for QX0RLF");
        answer["id"].clone()
    };
    let ids = [write(&first, "one"), write(&first, "two")];
    for (octets, expected, word) in [(150_000, 409, "150000 octets"), (1 << 20, 413, "refused")] {
        let draft =
            json!({"kind": "personal", "to": "QX5BOB", "title": "x", "body": "x".repeat(octets)});
        let (status, answer) = first.request("POST", "/api/mail/write", &draft.to_string());
        assert_eq!(status, expected, "{answer}");
        assert!(answer.to_string().contains(word), "{answer}");
    }
    let call = json!({"do": "call_partner", "partner": "QM2REE-5"});
    let (status, answer) = first.command(&call);
    assert_eq!(status, 409, "{answer}");
    drop(first); // SIGKILL
    let second = Running::start("no sound server", &plan, &journal);
    let third = write(&second, "three");
    assert!(!ids.contains(&third), "an identifier is given once");
    let (status, list) = second.request("GET", "/api/mail?which=queue", "");
    assert_eq!(status, 200, "{list}");
    let heads = list["heads"].as_array().expect("heads").iter();
    let found: Vec<_> = heads.map(|head| head["id"].clone()).collect();
    assert_eq!(found, [third, ids[1].clone(), ids[0].clone()]);
    assert_eq!(second.snapshot()["partners"][0]["call"], "QX0RLF-5");
    let (status, output) = second.stop();
    assert!(status.success(), "{output}");
}

/// A radiogram to be delivered by the station itself.
fn radiogram(text: &str) -> serde_json::Value {
    json!({"to": "QA1SKY", "radiogram": {
        "precedence": "welfare", "handling": "HXC", "place": "Great Marrow", "to": "Warden\nLee Cove",
        "phone": "555 0142", "text": text, "signature": "Harbour office"
    }})
}

#[test]
fn radiograms_are_numbered_for_ever_and_their_delivery_is_reported() {
    let dir = tempfile::tempdir().expect("a directory");
    let plan = dir.path().join("sky.toml");
    std::fs::write(&plan, PLAN).expect("written");
    let journal = dir.path().join("sky.journal");
    let first = Running::start("no sound server", &plan, &journal);
    let originate = |station: &Running| {
        let draft = radiogram("all well x");
        let (status, written) = station.request("POST", "/api/mail/originate", &draft.to_string());
        assert_eq!(status, 200, "{written}");
        let named = json!({"id": written["id"]}).to_string();
        let (status, letter) = station.request("POST", "/api/mail/open", &named);
        assert_eq!(status, 200, "{letter}");
        letter
    };
    let body = |letter: &serde_json::Value| letter["message"]["body"].as_str().map(str::to_owned);
    let one = body(&originate(&first)).expect("a body");
    assert!(one.starts_with("1 W HXC QA1SKY 3 GREAT MARROW "), "{one}");
    let wrong = radiogram("all well.").to_string();
    let (status, refused) = first.request("POST", "/api/mail/originate", &wrong);
    assert_eq!(status, 409, "{refused}");
    assert!(refused.to_string().contains("write X to part"), "{refused}");
    let (status, counted) = first.request("POST", "/api/mail/radiogram", &wrong);
    assert_eq!(
        (status, &counted["amiss"][0]["field"]),
        (200, &"text".into())
    );
    drop(first); // SIGKILL
    let second = Running::start("no sound server", &plan, &journal);
    let letter = originate(&second);
    let two = body(&letter).expect("a body");
    assert!(
        two.starts_with("2 W "),
        "what was refused took no number: {two}"
    );
    let done = json!({"id": letter["message"]["id"], "outcome": "delivered"}).to_string();
    let (status, answer) = second.request("POST", "/api/mail/conclude", &done);
    assert_eq!(
        (status, &answer["reported_to"]),
        (200, &"QA1SKY at QA1SKY".into())
    );
    let (_, list) = second.request("GET", "/api/mail?which=all", "");
    assert_eq!(list["heads"][0]["kind"], "service");
    assert_eq!(list["heads"][0]["title"], "Delivered: LEE COVE 555");
    assert_eq!(list["heads"][1]["standing"], "delivered");
    let passed =
        json!({"kind": "formal", "to": "QX0RLF", "title": "x", "body": two.replace(" 3 ", " 4 ")});
    let (status, answer) = second.request("POST", "/api/mail/write", &passed.to_string());
    assert_eq!(status, 409, "{answer}");
    assert!(
        answer
            .to_string()
            .contains("the check says 4, but the text counts 3"),
        "{answer}"
    );
    let passed = json!({"kind": "formal", "to": "QX0RLF", "title": "x", "body": two.replace(" 3 ", " 4/3 ")});
    let (status, answer) = second.request("POST", "/api/mail/write", &passed.to_string());
    assert_eq!(
        (status, &answer["words"]),
        (200, &"queued for QX0RLF".into())
    );
    let (status, output) = second.stop();
    assert!(status.success(), "{output}");
}

#[test]
fn mail_of_a_call_sign_is_forgotten_while_the_station_runs_but_not_by_accident() {
    let dir = tempfile::tempdir().expect("a directory");
    let plan = dir.path().join("sky.toml");
    std::fs::write(&plan, PLAN).expect("written");
    let journal = dir.path().join("sky.journal");
    let station = Running::start("no sound server", &plan, &journal);
    for to in ["QX5BOB at QX0RLF", "QA1SKY", "QX6EVE"] {
        let body = format!("For {to}.\n");
        let draft = json!({"kind": "personal", "to": to, "title": "one", "body": body});
        let (status, answer) = station.request("POST", "/api/mail/write", &draft.to_string());
        assert_eq!(status, 200, "{answer}");
    }
    let forget = |more: &[&str]| {
        let program = env!("CARGO_BIN_EXE_dunlin");
        let mut command = std::process::Command::new(program);
        let command = command.args(["logs", "forget"]).arg(&journal);
        let output = command.args(more).output().expect("it runs");
        let said = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status.success(), said)
    };
    let counted =
        "addressed 1, naming it 0; of these wait for partners 1, are held 0, are drafts 0.";
    let (done, said) = forget(&["qx5bob"]);
    assert!(
        !done && said.contains("1 message in ") && said.contains(counted),
        "{said}"
    );
    let (done, said) = forget(&["QX5BOB", "--yes"]);
    assert!(
        !done && said.contains("1 message of the mail is not done with (wait for partners 1,"),
        "{said}"
    );
    let left = |which: &str| {
        let (status, list) = station.request("GET", &format!("/api/mail?which={which}"), "");
        assert_eq!(status, 200, "{list}");
        list["heads"].as_array().map(Vec::len)
    };
    assert_eq!(left("all"), Some(3), "nothing was deleted");
    let (done, _) = forget(&["QX5BOB", "--yes", "--waiting", "--compact"]);
    assert!(!done && left("all") == Some(3), "the station has it open");
    let (done, said) = forget(&["QX5BOB", "--yes", "--waiting"]);
    assert!(done && said.contains("1 message deleted from "), "{said}");
    assert_eq!((left("all"), left("queue")), (Some(2), Some(1)));
    let (done, said) = forget(&["QX5BOB"]);
    assert!(!done && said.contains("0 messages in "), "{said}");
    let (status, output) = station.stop();
    assert!(status.success(), "{output}");
}
