//! Two stations, two processes, real sound through a PulseAudio server of the test's own: a
//! talk opened in one through its API, text delivered both ways, closed, both stopped.

#[path = "../../rig/tests/private_server/mod.rs"]
mod private_server;
mod running;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::time::{Duration, Instant};

use private_server::PrivateServer;
use running::{Running, dunlin};
use serde_json::{Value, json};

/// A frame that is lost on a busy machine is sent again; this is time for many.
const LIMIT: Duration = Duration::from_secs(120);

struct Loop {
    a: Running,
    b: Running,
    began: Instant,
}

impl Loop {
    /// Waits for `what`, and says how long it took.
    fn until(&self, what: &str, done: impl Fn(&Value, &Value) -> bool) {
        let asked = Instant::now();
        loop {
            let (a, b) = (self.a.snapshot(), self.b.snapshot());
            if done(&a, &b) {
                let took = asked.elapsed().as_secs_f64();
                return println!("{what}: after {took:.1} s");
            }
            assert!(
                self.began.elapsed() < LIMIT,
                "{what} has not happened in time\n--- a:\n{}\n--- b:\n{}",
                self.a.output(),
                self.b.output()
            );
            std::thread::sleep(Duration::from_millis(200));
        }
    }
}

fn talk_is(snapshot: &Value, state: &str) -> bool {
    snapshot["talks"][0]["state"] == state
}

fn has_line(snapshot: &Value, direction: &str, text: &str) -> bool {
    let lines = snapshot["lines"]
        .as_array()
        .map(Vec::as_slice)
        .unwrap_or_default();
    lines.iter().any(|l| {
        l["direction"] == direction && l["text"] == text && l["complete"] == Value::Bool(true)
    })
}

fn say(station: &Running, text: &str) {
    let talk = station.snapshot()["talks"][0]["id"].clone();
    let (status, answer) = station.command(&json!({"do": "say", "talk": talk, "text": text}));
    assert_eq!((status, answer), (200, json!("done")));
}

/// The last minute of its first port, as the file of this form.
fn recording(station: &Running, form: &str) -> Vec<u8> {
    let mut tcp = TcpStream::connect(&station.address).expect("the page is served");
    let limit = Some(Duration::from_secs(20));
    tcp.set_read_timeout(limit).expect("a time limit");
    // HTTP/1.0 ends a body with the connection (RFC 1945, 7.2.2).
    let address = &station.address;
    let asked = format!("GET /api/recording?port=0&as={form} HTTP/1.0\r\nHost: {address}\r\n\r\n");
    tcp.write_all(asked.as_bytes())
        .expect("the request goes out");
    let mut answer = Vec::new();
    tcp.read_to_end(&mut answer).expect("an answer");
    let mut parts = answer.windows(4).enumerate();
    let end = parts.find(|(_, octets)| octets == b"\r\n\r\n");
    let (end, _) = end.expect("a head");
    answer.split_off(end + 4)
}

/// `dunlin files` on the station of this plan; what it said.
fn files(name: &str, arguments: &[&str]) -> String {
    let plan = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../plans/{name}.toml"));
    let mut all = vec!["files"];
    all.extend(arguments);
    all.extend(["--plan", plan.to_str().expect("a plain path")]);
    let output = dunlin("no sound server", &all).output().expect("it runs");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    let wrong = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{arguments:?}: {said}{wrong}");
    said
}

/// A file goes from the one to the other, by their command lines.
fn a_file_goes(stations: &Loop, dir: &Path) {
    let (file, copy) = (dir.join("map.txt"), dir.join("copy.txt"));
    std::fs::write(&file, "The quay is behind the church.\n").expect("written");
    let [file, copy] = [&file, &copy].map(|path| path.to_str().expect("a plain path"));
    let said = files("loop-a", &["offer", file, "--yes"]);
    assert!(said.contains("map.txt, 31 octets, about "), "{said}");
    let state = |snapshot: &Value, state: &str| snapshot["files"][0]["state"] == state;
    stations.until("offered", |_, b| state(b, "offered"));
    let said = files("loop-b", &["list"]);
    assert!(said.contains("takes it"), "{said}");
    files("loop-b", &["accept", "map.txt"]);
    stations.until("stored", |a, b| state(a, "done") && state(b, "done"));
    files("loop-b", &["fetch", "map.txt", "--output", copy]);
    let octets = std::fs::read(copy).expect("fetched");
    assert_eq!(octets, b"The quay is behind the church.\n");
}

#[test]
fn a_talk_goes_through_two_processes_and_real_sound() {
    let server = PrivateServer::start(&["dunlin_air_a", "dunlin_air_b"]);
    let address = server.address();
    let dir = tempfile::tempdir().expect("a temporary directory");
    let plans = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../plans");
    let start = |name: &str| {
        let journal = dir.path().join(format!("{name}.journal"));
        Running::start(&address, &plans.join(format!("{name}.toml")), &journal)
    };
    let stations = Loop {
        a: start("loop-a"),
        b: start("loop-b"),
        began: Instant::now(),
    };
    let open = json!({"do": "open_talk", "port": 0, "to": "QM3BAR"});
    let (status, answer) = stations.a.command(&open);
    assert_eq!(status, 200, "{answer}");
    stations.until("connected", |a, b| talk_is(a, "open") && talk_is(b, "open"));
    let there = "Ferry at 0740, wind north-west 5";
    say(&stations.a, there);
    stations.until("text there", |_, b| has_line(b, "received", there));
    let back = "Two crates of bread, please";
    say(&stations.b, back);
    stations.until("text back", |a, _| has_line(a, "received", back));
    stations.until("acknowledged", |a, b| {
        has_line(a, "sent", there) && has_line(b, "sent", back)
    });
    a_file_goes(&stations, dir.path());
    let wav = dir.path().join("b.wav");
    std::fs::write(&wav, recording(&stations.b, "wav")).expect("written");
    let wav = wav.to_str().expect("a plain path");
    let decoded = dunlin(&address, &["decode", wav, "--mode", "afsk1200"]);
    let decoded = { decoded }.output().expect("it runs").stdout;
    let decoded = String::from_utf8_lossy(&decoded);
    assert!(
        decoded.contains(there),
        "what it heard is in its recording: {decoded}"
    );
    let talk = stations.a.snapshot()["talks"][0]["id"].clone();
    let (status, answer) = stations
        .a
        .command(&json!({"do": "close_talk", "talk": talk}));
    assert_eq!(status, 200, "{answer}");
    stations.until("closed", |a, b| talk_is(a, "ended") && talk_is(b, "ended"));
    println!("all within {:.1} s", stations.began.elapsed().as_secs_f64());
    for (name, station) in [("loop-a", stations.a), ("loop-b", stations.b)] {
        let (status, output) = station.stop();
        println!("--- {name}\n{output}");
        assert!(status.success(), "{status}");
        assert!(output.contains("the journal is complete"), "{output}");
        assert!(dir.path().join(format!("{name}.journal")).exists());
    }
}
