//! A station that keeps files, in a process of its own: files are put onto its shelf, fetched and deleted by its API, and
//! by the command line.

mod running;

use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use std::thread;

use running::{Running, dunlin};
use serde_json::json;

/// Its controller is not there, so nothing can go on the air.
const PLAN: &str = r#"
[station]
call = "QA1SKY"
[files]
largest_octets = 1000
[[port]]
name = "VHF"
mode = "afsk1200"
[port.controller]
link = "tcp"
address = "127.0.0.1:9"
number = 0
"#;

/// Its sound goes to nobody, so it may call; there is no sound server either.
const LOOP: &str = r#"
[station]
call = "QA1SKY"
[files]
largest_octets = 1000
[[port]]
name = "VHF"
mode = "afsk1200"
[port.sound]
input = "alsa:null"
output = "alsa:null"
loop = true
"#;

fn start(dir: &tempfile::TempDir, plan: &str) -> Running {
    let file = dir.path().join("sky.toml");
    std::fs::write(&file, plan).expect("written");
    Running::start("no sound server", &file, &dir.path().join("sky.journal"))
}

/// What a talk of an earlier run has brought.
fn received(dir: &Path, name: &str, hash: &str, octets: &str) {
    let files = dir.join("sky.state/files");
    for (folder, name, octets) in [
        ("received", name, octets),
        ("known", &*format!("{hash}-{}", octets.len()), name),
    ] {
        std::fs::create_dir_all(files.join(folder)).expect("made");
        std::fs::write(files.join(folder).join(name), octets).expect("written");
    }
}

/// The SHA-256 of "abc": FIPS 180-4, example in the Cryptographic Standards and Guidelines of NIST.
const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

#[test]
fn a_file_is_put_there_not_offered_in_a_talk_that_is_not_and_gone_at_the_next_start() {
    let dir = tempfile::tempdir().expect("a directory");
    let station = start(&dir, PLAN);
    let (status, file) = station.request("POST", "/api/files?name=map.txt", "abc");
    assert_eq!(status, 200, "{file}");
    let expected = json!({"hash": ABC, "name": "map.txt", "media": "application/json", "size": 3, "direction": "sent", "airtime_ms": null});
    assert_eq!(file, expected);
    let (status, answer) = station.request("POST", "/api/files?name=a&talk=99", "abcd");
    assert_eq!(status, 409, "{answer}");
    let offer = json!({"do": "offer_file", "talk": 99, "name": "map.txt", "media": null, "size": 3, "hash": ABC});
    let (status, answer) = station.command(&offer);
    assert_eq!(status, 409, "{answer}");
    assert_eq!(station.snapshot()["files"], json!([]));
    let (_, list) = station.request("GET", "/api/files", "");
    assert_eq!(list["files"].as_array().map(Vec::len), Some(1), "{list}");
    drop(station); // SIGKILL
    let station = start(&dir, PLAN);
    let (_, list) = station.request("GET", "/api/files", "");
    assert_eq!(list, json!({"files": []}));
    let (status, output) = station.stop();
    assert!(status.success(), "{output}");
}

#[test]
fn what_cannot_be_offered_is_refused_and_two_at_once_are_both_there() {
    let dir = tempfile::tempdir().expect("a directory");
    let station = start(&dir, PLAN);
    let put = |name: &str, octets: &str| {
        let path = format!("/api/files?name={name}");
        station.request("POST", &path, octets)
    };
    for (name, octets, status, words) in [
        ("a", "", 400, "empty"),
        ("..", "x", 400, "dot"),
        ("a%2Fb", "x", 400, "U+002F"),
        ("a%07", "x", 400, "U+0007"),
        (&*"a".repeat(300), "x", 400, "1 to 64 octets"),
        ("a", &*"x".repeat(1001), 413, "largest_octets"),
    ] {
        let (got, answer) = put(name, octets);
        assert_eq!(got, status, "{answer}");
        let sentence = answer["refused"].as_str().expect("a sentence");
        assert!(sentence.contains(words), "{sentence}");
    }
    let full = "x".repeat(1000);
    thread::scope(|scope| {
        for name in ["one", "two", "one"] {
            scope.spawn(move || {
                let octets = full_of(name);
                let (status, answer) = put(name, &octets);
                assert_eq!(status, 200, "{answer}");
            });
        }
        // The same name holds something else here, and both are kept.
        assert_eq!(put("one", &full).0, 200);
    });
    let (_, list) = station.request("GET", "/api/files", "");
    let mut names: Vec<&str> = list["files"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|file| file["name"].as_str().expect("a name"))
        .collect();
    names.sort_unstable();
    assert_eq!(names, ["one", "one", "two"]);
}

fn full_of(name: &str) -> String {
    name.repeat(300)
}

#[test]
fn what_has_come_is_listed_fetched_and_deleted_for_good() {
    let dir = tempfile::tempdir().expect("a directory");
    received(dir.path(), "map-2.txt", ABC, "abc");
    let station = start(&dir, PLAN);
    let (_, list) = station.request("GET", "/api/files", "");
    let file = json!({"hash": ABC, "name": "map-2.txt", "media": null, "size": 3, "direction": "received"});
    assert_eq!(list, json!({ "files": [file] }));
    let path = format!("/api/files/{ABC}");
    let (head, octets) = station.exchange("GET", &path, "");
    assert!(head.starts_with("HTTP/1.1 200"), "{head}");
    assert!(
        head.contains("attachment; filename=\"map-2.txt\""),
        "{head}"
    );
    assert_eq!(octets, "abc");
    let unknown = "0".repeat(64);
    let (status, answer) = station.request("GET", &format!("/api/files/{unknown}"), "");
    assert_eq!(status, 404, "{answer}");
    let doomed = json!({"hash": ABC, "direction": "received"}).to_string();
    let (status, answer) = station.request("POST", "/api/files/delete", &doomed);
    assert_eq!(status, 200, "{answer}");
    let (status, _) = station.request("POST", "/api/files/delete", &doomed);
    assert_eq!(status, 404);
    let place = dir.path().join("sky.state/files/received/map-2.txt");
    assert!(!place.exists());
}

#[test]
fn where_the_plan_takes_no_files_none_is_put_there() {
    let dir = tempfile::tempdir().expect("a directory");
    let station = start(&dir, &PLAN.replace("1000", "0"));
    let (status, answer) = station.request("POST", "/api/files?name=a", "abc");
    assert_eq!(status, 409, "{answer}");
    let words = answer["refused"].as_str().expect("a sentence");
    assert!(words.contains("no files"), "{words}");
}

/// Opens a talk that stays as it is: the station is stopped, and its call waits.
fn calls(station: &Running) {
    let stop = json!({"do": "stop", "port": null, "by": "a test", "why": "nobody is there"});
    let open = json!({"do": "open_talk", "port": 0, "to": "QM3BAR"});
    for command in [stop, open] {
        let (status, answer) = station.command(&command);
        assert_eq!(status, 200, "{answer}");
    }
}

/// `dunlin files` on the station of `dir`, with this on standard input: whether it went well, and what it said.
fn files(dir: &tempfile::TempDir, arguments: &[&str], input: &str) -> (bool, String) {
    let state = dir.path().join("sky.state");
    let mut all = vec!["files"];
    all.extend(arguments);
    all.extend(["--state", state.to_str().expect("a plain path")]);
    let mut child = dunlin("no sound server", &all)
        .current_dir(dir.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("it starts");
    let mut stdin = child.stdin.take().expect("piped");
    // Who asks nothing does not read it.
    let _ = stdin.write_all(input.as_bytes());
    drop(stdin);
    let done = child.wait_with_output().expect("it ends");
    let said = [done.stdout, done.stderr].concat();
    let said = String::from_utf8(said).expect("text");
    (done.status.success(), said)
}

#[test]
fn the_command_line_offers_after_it_has_told_size_and_airtime() {
    let dir = tempfile::tempdir().expect("a directory");
    std::fs::write(dir.path().join("map.txt"), "abc").expect("written");
    let (well, said) = files(&dir, &["list"], "");
    assert!(!well && !said.contains("panic"), "no station yet: {said}");
    let station = start(&dir, LOOP);
    let (well, said) = files(&dir, &["list"], "");
    assert_eq!((well, said.as_str()), (true, "No files.\n"));
    let (well, said) = files(&dir, &["offer", "map.txt"], "");
    assert!(!well && said.contains("no talk is open"), "{said}");
    calls(&station);
    let told = "map.txt, 3 octets, about ";
    for no in ["", "n\n"] {
        let (well, said) = files(&dir, &["offer", "map.txt", "--to", "QM3BAR"], no);
        assert!(!well && said.starts_with(told), "{said}");
        assert!(said.contains(" on the air to QM3BAR on VHF."), "{said}");
        assert!(said.contains("Nothing was offered"), "{said}");
    }
    assert_eq!(station.snapshot()["files"], json!([]));
    let (_, list) = station.request("GET", "/api/files", "");
    assert_eq!(list, json!({"files": []}), "it is taken off again");
    let (well, said) = files(&dir, &["offer", "map.txt", "--to", "qm3bar"], "y\n");
    assert!(well && said.contains("Offered, as number "), "{said}");
    let offered = &station.snapshot()["files"][0];
    assert_eq!(
        (&offered["name"], &offered["hash"]),
        (&json!("map.txt"), &json!(ABC))
    );
    let (well, said) = files(&dir, &["list"], "");
    assert!(well && said.contains("map.txt to QM3BAR on VHF"), "{said}");
    let (well, said) = files(&dir, &["accept", "map.txt"], "");
    assert!(!well && said.contains("waits for no answer"), "{said}");
    let (well, said) = files(&dir, &["delete", "map.txt", "--sent"], "");
    assert!(well && said.contains("is deleted"), "{said}");
    assert_eq!(station.snapshot()["files"][0]["state"], "stopped");
}

#[test]
fn the_command_line_says_why_not() {
    let dir = tempfile::tempdir().expect("a directory");
    std::fs::write(dir.path().join("empty"), "").expect("written");
    std::fs::write(dir.path().join("large"), "x".repeat(1001)).expect("written");
    std::fs::write(dir.path().join("map.txt"), "abc").expect("written");
    received(dir.path(), "chart.txt", ABC, "abc");
    let station = start(&dir, LOOP);
    calls(&station);
    for (arguments, words) in [
        (&["offer", "empty", "--yes"][..], "empty"),
        (&["offer", "large", "--yes"], "largest_octets"),
        (&["offer", "nowhere", "--yes"], "cannot be read"),
        (&["offer", "map.txt", "--yes", "--name", "a/b"], "U+002F"),
        (
            &["offer", "map.txt", "--to", "QX0RLF"],
            "no talk with QX0RLF is open, but with QM3BAR",
        ),
        (&["accept", "7"], "no file 7 is offered or goes"),
        (&["fetch", "map.txt"], "no file map.txt has come"),
        (
            &["delete", "map.txt", "--sent"],
            "was put here to be offered",
        ),
    ] {
        let (well, said) = files(&dir, arguments, "");
        assert!(!well && said.contains(words), "{arguments:?}: {said}");
    }
    let (well, said) = files(&dir, &["list"], "");
    assert!(
        well && said == "chart.txt, 3 octets, has come (ba7816bf)\n",
        "{said}"
    );
    let (well, said) = files(&dir, &["fetch", "chart.txt"], "");
    assert!(well && said == "chart.txt, 3 octets.\n", "{said}");
    assert_eq!(
        std::fs::read(dir.path().join("chart.txt")).expect("there"),
        b"abc"
    );
    let (well, said) = files(&dir, &["fetch", "ba78"], "");
    assert!(
        !well && said.contains("cannot be written"),
        "never over another: {said}"
    );
    let (well, said) = files(&dir, &["delete", "chart.txt"], "");
    assert!(well, "{said}");
    assert!(
        !dir.path()
            .join("sky.state/files/received/chart.txt")
            .exists()
    );
}
