//! Long recordings: stretches side by side, going on after a kill, and what is written besides.

use std::path::{Path, PathBuf};
use std::process::{Command as Plain, Stdio};
use std::thread::sleep;
use std::time::Duration;

use assert_cmd::Command;
use serde_json::Value;
use tempfile::TempDir;

/// The program under test.
const PROGRAM: &str = env!("CARGO_BIN_EXE_dunlin");
const RATE: u32 = 11_025;
/// More than two stretches of five minutes.
const SECONDS: usize = 640;

fn dunlin(arguments: &[&str]) -> (Option<i32>, String, String) {
    let output = Command::cargo_bin("dunlin")
        .expect("the program is built")
        .args(arguments)
        .output()
        .expect("it runs");
    let text = |octets| String::from_utf8(octets).expect("UTF-8");
    let (out, err) = (text(output.stdout), text(output.stderr));
    assert!(!err.contains("panicked"), "{err}");
    (output.status.code(), out, err)
}

fn good(arguments: &[&str]) -> String {
    let (code, out, err) = dunlin(arguments);
    // What was written is said on standard error.
    assert_eq!(code, Some(0), "{arguments:?}: {err}");
    out
}

fn plain(path: &Path) -> &str {
    path.to_str().expect("a plain path")
}

/// The samples of one transmission of two stations.
fn burst(dir: &TempDir) -> Vec<i16> {
    let path = dir.path().join("burst.wav");
    let call = ["encode", "--from", "QA1SKY", "--to", "QM3BAR", "--text"];
    let how = ["--mode", "fsk4800", "--rate", "11025", "-o", plain(&path)];
    good(&[&call[..], &["fourteen sacks of meal for the ferry"], &how].concat());
    let mut wav = hound::WavReader::open(&path).expect("a WAV file");
    wav.samples().map(|s| s.expect("a sample")).collect()
}

/// A recording with a transmission every twenty seconds, and one after the other from five
/// seconds before the first stretch's end to five after it. Returns how many.
fn long(dir: &TempDir) -> (PathBuf, usize) {
    let burst = burst(dir);
    let rate = RATE as usize;
    let mut samples = vec![0_i16; SECONDS * rate];
    let mut starts: Vec<usize> = (0..).map(|n| (n * 20 + 3) * rate).take(14).collect();
    starts.extend((295 * rate..305 * rate).step_by(burst.len()));
    starts.extend((16..31).map(|n| (n * 20 + 3) * rate));
    for start in &starts {
        samples[*start..start + burst.len()].copy_from_slice(&burst);
    }
    let path = dir.path().join("long.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut wav = hound::WavWriter::create(&path, spec).expect("a file");
    samples
        .iter()
        .for_each(|s| wav.write_sample(*s).expect("written"));
    wav.finalize().expect("written");
    (path, starts.len())
}

/// The frames.
fn lines(out: &str) -> Vec<Value> {
    let lines = out.lines();
    lines
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect()
}

#[test]
fn the_number_of_workers_makes_no_difference_and_nothing_is_lost_where_stretches_meet() {
    let dir = TempDir::new().expect("a folder");
    let (path, count) = long(&dir);
    let with = |workers| {
        let mode = ["--mode", "fsk4800", "--workers", workers];
        good(&[&["decode", "--json", plain(&path)], &mode[..]].concat())
    };
    let (one, four) = (with("1"), with("4"));
    assert_eq!(one, four);
    let found = lines(&one);
    assert_eq!(found.len(), count, "each once");
    let starts: Vec<f64> = found.iter().filter_map(|f| f["start_s"].as_f64()).collect();
    assert!(starts.windows(2).all(|w| w[0] < w[1]), "in order");

    // A pipe is heard in the same stretches, one after the other.
    let wav = std::fs::File::open(&path).expect("there");
    let output = Plain::new("sh")
        .args([
            "-c",
            "cat | \"$0\" decode --json --mode fsk4800 /dev/stdin",
            PROGRAM,
        ])
        .stdin(wav)
        .output()
        .expect("it runs");
    let piped = output.stdout;
    let piped = lines(&String::from_utf8(piped).expect("UTF-8"));
    let strip = |mut lines: Vec<Value>| {
        lines.iter_mut().for_each(|l| l["file"] = Value::Null);
        lines
    };
    assert_eq!(strip(piped), strip(found));
}

#[test]
fn a_killed_run_goes_on_where_it_was_with_the_same_output() {
    let dir = TempDir::new().expect("a folder");
    let (path, _) = long(&dir);
    let state = dir.path().join("state");
    let wanted = good(&["decode", "--json", "--mode", "fsk4800", plain(&path)]);
    let arguments = [
        "decode",
        "--json",
        "--mode",
        "fsk4800",
        "--workers",
        "1",
        "--resume",
    ];
    let all = [&arguments[..], &[plain(&state), plain(&path)]].concat();
    let mut child = Plain::new(PROGRAM)
        .args(&all)
        .stdout(Stdio::null())
        .spawn()
        .expect("it starts");
    let whole_lines = || {
        let text = std::fs::read(&state).unwrap_or_default();
        text.iter().filter(|&&o| o == b'\n').count()
    };
    // The first line is the header; then three looks at the sound and three at the frames.
    while whole_lines() < 3 && child.try_wait().expect("known").is_none() {
        sleep(Duration::from_millis(5));
    }
    child.kill().expect("killed"); // SIGKILL
    child.wait().expect("gone");
    let before = whole_lines();
    assert!((3..7).contains(&before), "killed on the way: {before}");
    assert_eq!(good(&all), wanted);
    assert_eq!(whole_lines(), 7);
    let text = std::fs::read_to_string(&state).expect("there");
    assert_eq!(good(&all), wanted, "and once more, from the state alone");
    assert_eq!(std::fs::read_to_string(&state).expect("there"), text);
    let other = [&all[..3], &["afsk1200"], &all[4..]].concat();
    let (code, _, err) = dunlin(&other);
    assert_eq!(code, Some(1));
    assert!(err.contains("another recording or other settings"), "{err}");
}

#[test]
fn capture_report_and_picture_are_written_beside_the_table() {
    let dir = TempDir::new().expect("a folder");
    let wav = dir.path().join("a.wav");
    good(&[
        "encode",
        "--from",
        "QA1SKY",
        "--to",
        "QM3BAR",
        "--text",
        "fair",
        "--mode",
        "afsk1200",
        "-o",
        plain(&wav),
    ]);
    let name = |n: &str| dir.path().join(n).to_str().expect("plain").to_owned();
    let (pcap, report, svg, png) = (name("a.pcap"), name("a.json"), name("a.svg"), name("a.png"));
    let report_to = format!("--report={report}");
    let more = [
        "--pcap",
        &pcap,
        &report_to,
        "--picture",
        &svg,
        "--frame",
        "1",
    ];
    good(&[&["decode", plain(&wav)], &more[..]].concat());
    let octets = std::fs::read(&pcap).expect("written");
    // One record: its length stands at octet 32, behind the file's header and two times.
    let length = u32::from_le_bytes([octets[32], octets[33], octets[34], octets[35]]) as usize;
    assert_eq!(octets.len(), 24 + 16 + length);
    let text = std::fs::read_to_string(&report).expect("written");
    let report: Value = serde_json::from_str(&text).expect("JSON");
    let station = &report["recordings"][0]["stations"][0];
    assert_eq!(
        (&station["station"], &station["frames"]),
        (&"QA1SKY".into(), &1.into())
    );
    let drawn = std::fs::read_to_string(&svg).expect("written");
    for words in [
        "QA1SKY",
        "waterfall",
        "one 1200 Hz",
        "zero 2200 Hz",
        "soft bits",
        "eye",
        "data:image/png;base64,",
    ] {
        assert!(drawn.contains(words), "{words}");
    }
    good(&["decode", plain(&wav), "--picture", &png, "--frame", "1"]);
    assert!(
        std::fs::read(&png)
            .expect("written")
            .starts_with(b"\x89PNG")
    );
    let text = good(&["decode", plain(&wav), "--report"]);
    let report = text.split("Report of").nth(1).expect("a report");
    assert!(
        report.lines().skip(1).all(|l| l.chars().count() <= 80),
        "{report}"
    );
    assert!(report.contains("QA1SKY"), "{report}");
    let (code, _, err) = dunlin(&["decode", plain(&wav), "--picture", &png, "--frame", "9"]);
    assert_eq!(code, Some(1));
    assert!(err.contains("has no frame 9 to draw; it has 1"), "{err}");
}

#[test]
fn nothing_that_is_read_is_written_over() {
    let dir = TempDir::new().expect("a folder");
    let wav = dir.path().join("a.wav");
    std::fs::write(&wav, b"precious").expect("written");
    for option in ["--pcap", "--resume"] {
        let (code, _, err) = dunlin(&["decode", plain(&wav), option, plain(&wav)]);
        assert_eq!(code, Some(1));
        assert!(err.contains("named twice"), "{err}");
        assert_eq!(std::fs::read(&wav).expect("there"), b"precious");
    }
}
