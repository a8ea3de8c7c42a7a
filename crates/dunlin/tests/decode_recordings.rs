//! Frames from real satellites, off the air, byte for byte.
//!
//! Source of recordings and of the frames in them: `conformance/recordings/README.md`.

use std::collections::BTreeMap;
use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../conformance/recordings");

/// A file's mode and its frames, as time and hex.
type Listed = (Option<String>, Vec<(f64, String)>);

/// What the list says of each file.
fn listed() -> BTreeMap<String, Listed> {
    let text = std::fs::read_to_string(Path::new(FOLDER).join("frames.json")).expect("the list");
    let list: BTreeMap<String, Value> = serde_json::from_str(&text).expect("the list is JSON");
    let frame = |f: &Value| {
        let hex = f["hex"].as_str().expect("hex").to_owned();
        (f["time"].as_f64().expect("a time"), hex)
    };
    let mode = |v: &Value| {
        v["mode"]
            .as_str()
            .map(|kind| format!("{kind}{}", v["baud"]))
    };
    let frames = |v: &Value| {
        v["frames"]
            .as_array()
            .into_iter()
            .flatten()
            .map(frame)
            .collect()
    };
    list.into_iter()
        .map(|(name, v)| (name, (mode(&v), frames(&v))))
        .collect()
}

fn decoded(file: &Path) -> Vec<Value> {
    let output = Command::cargo_bin("dunlin")
        .expect("the program is built")
        .args(["decode", "--json"])
        .arg(file)
        .output()
        .expect("it runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8(output.stdout).expect("UTF-8");
    text.lines()
        .map(|line| serde_json::from_str(line).expect("a JSON object a line"))
        // Findings about the sound stand on lines of their own.
        .filter(|line: &Value| line.get("frame").is_some())
        .collect()
}

#[test]
fn every_frame_in_the_recordings_comes_out_and_nothing_else() {
    let listed = listed();
    let all: usize = listed.values().map(|(_, frames)| frames.len()).sum();
    assert_eq!((listed.len(), all), (10, 15), "the list is whole");
    for (name, (mode, frames)) in listed {
        let path = Path::new(FOLDER).join(&name);
        let found = decoded(&path);
        let hexes: Vec<&str> = found
            .iter()
            .filter_map(|line| line["frame"].as_str())
            .collect();
        let wanted: Vec<&str> = frames.iter().map(|(_, hex)| hex.as_str()).collect();
        assert_eq!(hexes, wanted, "{name}");
        for (line, (time, _)) in found.iter().zip(&frames) {
            assert_eq!(line["mode"].as_str(), mode.as_deref(), "{name}");
            assert_eq!(line["file"].as_str(), path.to_str(), "{name}");
            let start = line["start_s"].as_f64().expect("a time");
            assert!(
                (start - time).abs() < 0.02,
                "{name}: {start}, listed {time}"
            );
            let tones = mode.as_deref().is_some_and(|m| m.starts_with("afsk"));
            assert_eq!(line["offset_hz"].is_number(), tones, "{name}");
            assert_eq!(line["twist_db"].is_number(), tones, "{name}");
            assert!(
                line["snr_db"].is_number() && line["level_dbfs"].is_number(),
                "{name}"
            );
        }
    }
}
