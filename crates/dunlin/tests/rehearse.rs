//! `dunlin rehearse` as people use it: the program itself, its output and its exit codes.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Output, Stdio};
use std::time::Duration;

use serde_json::Value;

fn dunlin(arguments: &[&str]) -> Output {
    let program = env!("CARGO_BIN_EXE_dunlin");
    Command::new(program)
        .arg("rehearse")
        .args(arguments)
        .output()
        .expect("it runs")
}

fn text(octets: &[u8]) -> String {
    String::from_utf8(octets.to_vec()).expect("UTF-8")
}

/// A scenario file in a directory of its own.
fn file(content: &str) -> (tempfile::TempDir, String) {
    let directory = tempfile::tempdir().expect("a directory");
    let path = directory.path().join("my.toml");
    std::fs::write(&path, content).expect("written");
    let path = path.to_str().expect("UTF-8").to_owned();
    (directory, path)
}

fn hidden_pair() -> String {
    text(&dunlin(&["--show", "hidden-pair"]).stdout)
}

#[test]
fn a_shown_scenario_can_be_copied_changed_and_run() {
    let list = text(&dunlin(&["--list"]).stdout);
    assert!(
        list.starts_with("marrow-isles") && list.contains("hidden-pair"),
        "{list}"
    );
    let (_directory, path) = file(&hidden_pair().replace("A hidden pair", "My own pair"));
    let run = dunlin(&[&path, "--headless", "--for", "30s", "--seed", "3"]);
    let said = text(&run.stdout);
    assert!(
        said.contains("My own pair: 0:00:30 with seed 3, 3 stations on 1 band"),
        "{said}"
    );
}

#[test]
fn the_same_seed_gives_the_same_output_octet_for_octet() {
    for format in [&[][..], &["--json"][..]] {
        let run = |seed| {
            let arguments = ["hidden-pair", "--headless", "--for", "45s", "--seed", seed];
            dunlin(&[&arguments[..], format].concat()).stdout
        };
        let (one, again, other) = (run("5"), run("5"), run("6"));
        assert!(one.len() > 1000);
        assert_eq!(one, again);
        assert_ne!(one, other);
    }
}

#[test]
fn json_is_one_object_a_line_and_ends_with_the_summary() {
    let run = dunlin(&["hidden-pair", "--headless", "--for", "40s", "--json"]);
    let lines: Vec<Value> = text(&run.stdout)
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    let frames = lines.iter().filter(|l| l["happening"] == "frame");
    assert!(frames.clone().count() > 3);
    for frame in frames {
        let octets = frame["octets"].as_str().expect("hex");
        // Two addresses and a control octet are the least that a frame has (AX.25 2.2, 3.1).
        assert!(
            octets.len() >= 30 && octets.bytes().all(|b| b.is_ascii_hexdigit()),
            "{frame}"
        );
        assert!(frame["receptions"].is_array());
    }
    let summary = lines.last().expect("a line");
    assert_eq!(summary["happening"], "summary");
    assert_eq!(summary["seed"], 1);
}

#[test]
fn the_exit_code_tells_whether_promises_were_kept() {
    let without = hidden_pair();
    let without = without.split("[[promise]]").next().expect("a part");
    let promise = |least: u32| {
        format!("{without}[[promise]]\nthat = \"decoded\"\nband = \"VHF\"\nat_least = {least}\n")
    };
    for (least, code) in [(1, 0), (100_000, 1)] {
        let (_directory, path) = file(&promise(least));
        let run = dunlin(&[&path, "--headless", "--for", "20s"]);
        assert_eq!(run.status.code(), Some(code), "{}", text(&run.stdout));
        let word = if code == 0 {
            "1 kept, 0 broken"
        } else {
            "BROKEN"
        };
        assert!(text(&run.stdout).contains(word));
    }
}

#[test]
fn a_faulty_scenario_is_told_with_its_place() {
    let content = hidden_pair().replace("kind = \"fm\"", "kind = \"am\"");
    let line = content
        .lines()
        .position(|l| l == "kind = \"am\"")
        .expect("it is there")
        + 1;
    let (_directory, path) = file(&content);
    let run = dunlin(&[&path, "--headless"]);
    assert_eq!(run.status.code(), Some(2));
    let said = text(&run.stderr);
    assert!(said.starts_with(&format!("{path}:{line}:8: ")), "{said}");
    assert!(said.contains("allowed: \"fm\" or \"ssb\""), "{said}");
}

#[test]
fn bad_arguments_are_told_in_words() {
    let directory = tempfile::tempdir().expect("a directory");
    let directory = directory.path().to_str().expect("UTF-8");
    let cases: [(&[&str], &str); 7] = [
        (&["no-such-scenario"], "no file 'no-such-scenario'"),
        (&[directory], "is a directory"),
        (&["--show", "nothing"], "no scenario called 'nothing'"),
        (&["--for", "20"], "no unit of time"),
        (&["--for", "soon"], "no length of time"),
        (&["--speed", "warp"], "warp"),
        (&["--seed", "-1"], "-1"),
    ];
    for (arguments, says) in cases {
        let run = dunlin(arguments);
        assert!(!run.status.success(), "{arguments:?}");
        let said = text(&run.stderr);
        assert!(
            said.contains(says) && !said.contains("panicked"),
            "{arguments:?}: {said}"
        );
    }
}

/// A live rehearsal, ended when dropped.
struct Live {
    child: Child,
    lines: BufReader<std::process::ChildStdout>,
}

impl Live {
    fn start(arguments: &[&str]) -> Live {
        let mut child = Command::new(env!("CARGO_BIN_EXE_dunlin"))
            .arg("rehearse")
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it runs");
        let lines = BufReader::new(child.stdout.take().expect("a pipe"));
        Live { child, lines }
    }

    /// Reads lines until one has `text` in it.
    fn until(&mut self, text: &str) -> String {
        loop {
            let mut line = String::new();
            assert!(
                self.lines.read_line(&mut line).expect("a line") > 0,
                "no line with {text:?}"
            );
            if line.contains(text) {
                return line;
            }
        }
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        let _ = self.child.kill(); // It may have ended already.
        let _ = self.child.wait();
    }
}

fn ask(address: &str, request: &str) -> String {
    let mut tcp = TcpStream::connect(address).expect("the page answers");
    tcp.set_read_timeout(Some(Duration::from_secs(20)))
        .expect("set");
    tcp.write_all(request.as_bytes()).expect("sent");
    let mut answer = String::new();
    tcp.read_to_string(&mut answer).expect("an answer");
    answer
}

#[test]
fn a_live_rehearsal_serves_the_page_and_carries_out_what_it_asks() {
    let mut live = Live::start(&["--port", "0", "--for", "10m"]);
    let address = live.until("Page:").trim().to_owned();
    let address = address
        .trim_start_matches("Page:  http://")
        .trim_end_matches('/');
    live.until("QF1BOT > FERRY");
    let get = format!("GET /api/snapshot HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    assert!(ask(address, &get).contains("\"world\":\"rehearsal\""));
    let body = "{\"do\":\"open_talk\",\"port\":1,\"to\":\"QM3BAR\"}";
    let post = format!(
        "POST /api/command HTTP/1.1\r\nHost: {address}\r\nContent-Type: application/json\r\n\
         Content-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    );
    assert!(ask(address, &post).contains("{\"talk\":"));
    live.until("says: Harbour office");
}

/// A live rehearsal of so long, with this journal.
fn rehearse_into(journal: &str, time: &str) {
    let asked = [
        "--port",
        "0",
        "--for",
        time,
        "--speed",
        "max",
        "--journal",
        journal,
    ];
    let run = dunlin(&asked);
    assert_eq!(run.status.code(), Some(0), "{}", text(&run.stderr));
}

#[test]
fn a_live_rehearsal_keeps_a_journal_if_asked() {
    let directory = tempfile::tempdir().expect("a directory");
    let path = directory.path().join("rehearsal.journal");
    let path = path.to_str().expect("UTF-8");
    rehearse_into(path, "12s");
    let store = dunlin_store::Store::open(path.as_ref(), dunlin_store::Limits::default());
    let store = store.expect("a journal");
    let runs = store.runs(10).expect("runs");
    assert_eq!(runs.len(), 1);
    assert!(runs[0].ended.is_some());
    assert!(!store.frames(None, 10).expect("frames").is_empty());
}

#[test]
fn what_a_rehearsal_has_heard_is_found_by_words_station_and_kind() {
    let directory = tempfile::tempdir().expect("a directory");
    let path = directory.path().join("rehearsal.journal");
    let path = path.to_str().expect("UTF-8");
    rehearse_into(path, "60s");
    let find = |args: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_dunlin"));
        let done = command.arg("find").arg(path).args(args).output();
        let done = done.expect("it runs");
        (done.status.code(), text(&done.stdout), text(&done.stderr))
    };
    let (code, out, told) = find(&["MARROW", "lass"]);
    assert_eq!(code, Some(0), "{told}");
    assert!(
        out.lines()
            .all(|line| line.contains("heard: QF1BOT > FERRY"))
            && !out.is_empty(),
        "{out}"
    );
    let (_, by_station, _) = find(&["--station", "qf1bot", "--only", "frames"]);
    assert!(
        by_station.contains(out.lines().next().expect("a line")),
        "{by_station}"
    );
    let (_, out, told) = find(&["--only", "frames", "--most", "1", "--json"]);
    assert!(
        out.starts_with("{\"kind\":\"frame\"") && out.lines().count() == 1,
        "{out}"
    );
    assert!(told.contains("there are more"), "{told}");
    let (code, out, told) = find(&["zebulon"]);
    assert_eq!((code, out.as_str()), (Some(0), ""));
    assert!(told.contains("Only whole words are found"), "{told}");
    let (code, _, told) = find(&["--from", "2027-01-02", "--to", "2027-01-01"]);
    assert!(
        code == Some(1) && told.contains("give a later --to"),
        "{told}"
    );
    let (code, _, told) = find(&["--station", "QF1BOT-99"]);
    assert!(code == Some(2) && told.contains("0 to 15"), "{told}");
}

#[test]
fn a_port_in_use_is_told_with_the_way_out() {
    let taken = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = taken.local_addr().expect("an address").port().to_string();
    let run = dunlin(&["--port", &port, "--for", "1s"]);
    assert_eq!(run.status.code(), Some(1));
    let said = text(&run.stderr);
    assert!(
        said.contains("already in use") && said.contains("--port"),
        "{said}"
    );
}
