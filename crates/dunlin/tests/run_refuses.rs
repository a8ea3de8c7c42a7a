//! What `dunlin run` refuses, and whether it says why and what to do.

#[path = "../../rig/tests/private_server/mod.rs"]
mod private_server;
mod running;

use std::net::TcpListener;
use std::path::{Path, PathBuf};

use private_server::PrivateServer;
use running::{Running, dunlin};
use serde_json::json;
use tempfile::TempDir;

/// A sound server that does not exist.
const NOWHERE: &str = "unix:/nonexistent/native";

fn plan(dir: &TempDir, call: &str, sound: &str) -> PathBuf {
    let file = dir.path().join("plan.toml");
    let text = format!(
        "[station]\ncall = \"{call}\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n\
         [port.sound]\n{sound}\n"
    );
    std::fs::write(&file, text).expect("a temporary file");
    file
}

/// Runs it to its end; exit code and everything that it printed.
fn refused(server: &str, arguments: &[&str]) -> (Option<i32>, String) {
    let output = dunlin(server, arguments)
        .output()
        .expect("the program starts");
    let text = String::from_utf8_lossy(&output.stdout).into_owned()
        + &String::from_utf8_lossy(&output.stderr);
    assert!(!text.contains("panicked"), "{text}");
    (output.status.code(), text)
}

fn run(server: &str, plan: &Path) -> (Option<i32>, String) {
    refused(
        server,
        &["run", plan.to_str().expect("a plain path"), "--port", "0"],
    )
}

fn temporary() -> TempDir {
    tempfile::tempdir().expect("a temporary directory")
}

#[test]
fn a_missing_device_is_answered_with_those_that_exist() {
    let server = PrivateServer::start(&["codec"]);
    let dir = temporary();
    let file = plan(&dir, "QA1SKY", "input = \"pulse:radio\"");
    let (code, text) = run(&server.address(), &file);
    assert_eq!(code, Some(1), "{text}");
    assert!(text.contains("no sound input `pulse:radio`"), "{text}");
    assert!(text.contains("pulse:codec.monitor"), "{text}");
    let (code, text) = refused(&server.address(), &["run", "--list-devices"]);
    assert_eq!(code, Some(0), "{text}");
    assert!(
        text.contains("pulse:codec.monitor") && text.contains("pulse:codec "),
        "{text}"
    );
}

#[test]
fn without_a_sound_server_the_message_says_so() {
    let dir = temporary();
    let file = plan(&dir, "QA1SKY", "input = \"pulse:radio\"");
    let (code, text) = run(NOWHERE, &file);
    assert_eq!(code, Some(1), "{text}");
    assert!(text.contains("no sound server runs"), "{text}");
}

#[test]
fn an_invented_call_sign_opens_no_transmit_device() {
    let server = PrivateServer::start(&["radio"]);
    let dir = temporary();
    let sound =
        "input = \"pulse:radio.monitor\"\noutput = \"pulse:radio\"\n[port.key]\nmethod = \"vox\"";
    let file = plan(&dir, "QA1SKY", sound);
    let station = Running::start(&server.address(), &file, &dir.path().join("journal"));
    let (status, answer) = station.command(&json!({"do": "open_talk", "port": 0, "to": "QM3BAR"}));
    assert_eq!(status, 409, "{answer}");
    assert!(
        answer["refused"]
            .as_str()
            .is_some_and(|s| s.contains("receive-only")),
        "{answer}"
    );
    assert_eq!(station.snapshot()["ports"][0]["may_transmit"], false);
    let inputs = server
        .control(&["list", "short", "sink-inputs"])
        .expect("pactl works");
    assert_eq!(inputs.trim(), "", "no stream to any output exists");
    let outputs = server
        .control(&["list", "short", "source-outputs"])
        .expect("pactl works");
    assert_eq!(outputs.lines().count(), 1, "it hears: {outputs}");
    let (status, output) = station.stop();
    assert!(status.success(), "{status}");
    assert!(output.contains("QA1SKY begins with Q"), "{output}");
    assert!(output.contains("loop = true"), "{output}");
}

#[test]
fn a_port_in_use_is_told_before_any_device_is_touched() {
    let taken = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let number = taken.local_addr().expect("bound").port().to_string();
    let dir = temporary();
    let file = plan(&dir, "QA1SKY", "input = \"pulse:radio\"");
    let file = file.to_str().expect("a plain path");
    let (code, text) = refused(NOWHERE, &["run", file, "--port", &number]);
    assert_eq!(code, Some(1), "{text}");
    assert!(
        text.contains("already in use") && text.contains("--port"),
        "{text}"
    );
    assert!(!text.contains("sound server"), "{text}");
}

#[test]
fn plans_that_cannot_be_read_are_told_with_their_name() {
    let dir = temporary();
    let (code, text) = run(NOWHERE, dir.path());
    assert_eq!(code, Some(1), "{text}");
    assert!(text.contains("is a directory"), "{text}");
    let missing = dir.path().join("missing.toml");
    let (code, text) = run(NOWHERE, &missing);
    assert_eq!(code, Some(1), "{text}");
    assert!(
        text.contains("missing.toml") && text.contains("cannot be read"),
        "{text}"
    );
}

#[test]
fn a_faulty_plan_is_told_with_line_and_column() {
    let dir = temporary();
    let file = plan(&dir, "QA1SKY", "inptu = \"pulse:radio\"");
    let (code, text) = run(NOWHERE, &file);
    assert_eq!(code, Some(2), "{text}");
    assert!(
        text.contains("plan.toml:7:1") && text.contains("inptu"),
        "{text}"
    );
}

#[test]
fn a_journal_that_is_no_journal_is_left_as_it_is() {
    let dir = temporary();
    let file = plan(&dir, "QA1SKY", "input = \"pulse:radio\"");
    let other = dir.path().join("letter.txt");
    std::fs::write(
        &other,
        "Dear dunlin, this is no database at all. ".repeat(20),
    )
    .expect("written");
    let before = std::fs::read(&other).expect("readable");
    let arguments = [
        "run",
        file.to_str().expect("plain"),
        "--port",
        "0",
        "--journal",
    ];
    let arguments = [&arguments[..], &[other.to_str().expect("plain")]].concat();
    let (code, text) = refused(NOWHERE, &arguments);
    assert_eq!(code, Some(1), "{text}");
    assert!(text.contains("is no journal"), "{text}");
    assert_eq!(std::fs::read(&other).expect("readable"), before);
}
