//! `dunlin decode --pair`: both channels of a recording as two receivers.

use std::path::Path;

use assert_cmd::Command;
use serde_json::Value;

fn dunlin() -> Command {
    Command::cargo_bin("dunlin").expect("the program is built")
}

/// A mono recording of 16 bits with one frame: its samples per second and its samples.
fn encoded(folder: &Path) -> (u32, Vec<i16>) {
    let file = folder.join("hello.wav");
    let made = dunlin()
        .args(["encode", "--from", "QA1SKY", "--to", "QM3BAR"])
        .args(["--text", "Hello", "-o"])
        .arg(&file)
        .output()
        .expect("it runs");
    assert!(made.status.success(), "{made:?}");
    let mut reader = hound::WavReader::open(&file).expect("a recording");
    let samples = reader.samples::<i16>().map(|s| s.expect("a sample"));
    let samples = samples.collect();
    (reader.spec().sample_rate, samples)
}

/// A stereo recording; the right channel hears `later` samples later, upside down.
fn stereo(file: &Path, (rate, sound): &(u32, Vec<i16>), later: usize) {
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: *rate,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(file, spec).expect("it can be written");
    let at = |i: Option<usize>| i.and_then(|i| sound.get(i)).copied().unwrap_or(0);
    for i in 0..sound.len() + later {
        writer.write_sample(at(Some(i))).expect("written");
        let right = at(i.checked_sub(later)).saturating_neg();
        writer.write_sample(right).expect("written");
    }
    writer.finalize().expect("written");
}

#[test]
fn a_frame_on_both_channels_comes_once_and_says_where_it_was_heard() {
    let folder = tempfile::tempdir().expect("a folder");
    let sound = encoded(folder.path());
    let file = folder.path().join("both.wav");
    stereo(&file, &sound, sound.0 as usize / 10);
    let heard = dunlin()
        .args(["decode", "--pair", "--json"])
        .arg(&file)
        .output()
        .expect("it runs");
    assert!(heard.status.success(), "{heard:?}");
    let text = String::from_utf8(heard.stdout).expect("UTF-8");
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).expect("a JSON object a line"))
        .collect();
    assert_eq!(lines.len(), 1, "{text}");
    assert_eq!(lines[0]["heard_on"]["first"], true);
    assert_eq!(lines[0]["heard_on"]["second"], true);
    let table = dunlin()
        .args(["decode", "--pair"])
        .arg(&file)
        .output()
        .expect("it runs");
    let text = String::from_utf8(table.stdout).expect("UTF-8");
    assert!(
        text.contains("1 by the left channel alone, 1 by the right"),
        "{text}"
    );
    assert!(text.contains(" ms behind the left."), "{text}");
}

#[test]
fn a_recording_of_one_channel_is_refused_in_words() {
    let folder = tempfile::tempdir().expect("a folder");
    encoded(folder.path());
    let refused = dunlin()
        .args(["decode", "--pair"])
        .arg(folder.path().join("hello.wav"))
        .output()
        .expect("it runs");
    assert!(!refused.status.success());
    let said = String::from_utf8(refused.stderr).expect("UTF-8");
    assert!(
        said.contains("has one channel; --pair needs a stereo recording"),
        "{said}"
    );
}
