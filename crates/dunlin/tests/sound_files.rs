//! `dunlin encode` and `dunlin decode` with good files of every kind and bad ones of every kind.

use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde_json::Value;
use tempfile::TempDir;

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

fn plain(path: &Path) -> &str {
    path.to_str().expect("a plain path")
}

/// A UI frame from QA1SKY to QM3BAR, as AX.25 v2.2 section 3 lays it out, with `n` octets of
/// information.
fn frame(n: usize) -> String {
    let call = |text: &str| {
        text.bytes()
            .map(|b| format!("{:02x}", b << 1))
            .collect::<String>()
    };
    let info: String = (0..n).map(|i| format!("{:02x}", (i * 37) % 256)).collect();
    format!("{}e0{}6103f0{info}", call("QM3BAR"), call("QA1SKY"))
}

fn encode(dir: &TempDir, name: &str, more: &[&str]) -> PathBuf {
    let path = dir.path().join(name);
    let (code, _, err) = dunlin(&[&["encode", "-o", plain(&path)], more].concat());
    assert_eq!(code, Some(0), "{more:?}: {err}");
    path
}

/// The frames.
fn frames_of(out: &str) -> Vec<Value> {
    let lines = out.lines();
    lines
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect()
}

/// Decodes a file that must be all right.
fn decode(path: &Path, more: &[&str]) -> Vec<Value> {
    let (code, out, err) = dunlin(&[&["decode", "--json", plain(path)], more].concat());
    // Findings about the sound are lines of JSON there.
    let wrong = err.lines().find(|line| !line.starts_with("{\"file\""));
    assert_eq!((code, wrong), (Some(0), None), "{more:?}");
    frames_of(&out)
}

/// Decodes a file with which something must be wrong: what came out all the same, and what
/// was said.
fn decode_bad(path: &Path, more: &[&str]) -> (Vec<Value>, String) {
    let (code, out, err) = dunlin(&[&["decode", "--json", plain(path)], more].concat());
    assert_eq!(code, Some(1), "{err}");
    assert!(err.contains(plain(path)), "the file is named: {err}");
    (frames_of(&out), err)
}

#[test]
fn what_is_encoded_is_decoded_in_every_mode_at_many_rates_and_storages() {
    let dir = TempDir::new().expect("a folder");
    let (one, two) = (frame(3), frame(60));
    let cases = [
        ("afsk300", "8000", "u8"),
        ("afsk300", "44100", "i16"),
        ("afsk1200", "8000", "i24"),
        ("afsk1200", "11025", "u8"),
        ("afsk1200", "22050", "f32"),
        ("afsk1200", "192000", "i16"),
        ("fsk1200", "16000", "i32"),
        ("fsk4800", "11025", "i16"),
        ("fsk4800", "48000", "u8"),
        ("fsk9600", "22050", "i16"),
        ("fsk9600", "44100", "f32"),
        ("fsk9600", "96000", "i24"),
    ];
    for (mode, rate, storage) in cases {
        let settings = [
            "--hex",
            &one,
            "--hex",
            &two,
            "--mode",
            mode,
            "--rate",
            rate,
            "--storage",
            storage,
        ];
        let path = encode(&dir, "a.wav", &settings);
        for listen in [mode, "auto"] {
            let found = decode(&path, &["--mode", listen]);
            let frames: Vec<_> = found.iter().map(|f| f["frame"].as_str()).collect();
            assert_eq!(
                frames,
                [Some(one.as_str()), Some(two.as_str())],
                "{mode} {rate} {listen}"
            );
            assert!(
                found.iter().all(|f| f["mode"] == mode),
                "{mode} {rate} {listen}"
            );
        }
    }
}

#[test]
fn settings_show_in_what_is_measured() {
    let dir = TempDir::new().expect("a folder");
    let hex = frame(100);
    for (mode, offset) in [("afsk1200", 37.0), ("afsk300", -63.0)] {
        let (offset_text, level) = (format!("--offset={offset}"), "--level=-17.5");
        let path = encode(
            &dir,
            "a.wav",
            &["--hex", &hex, "--mode", mode, &offset_text, level],
        );
        let found = decode(&path, &["--mode", mode]);
        let figure = |name: &str| found[0][name].as_f64().expect("a number");
        assert!(
            (figure("offset_hz") - offset).abs() < 2.0,
            "{mode} {found:?}"
        );
        assert!(
            (figure("level_dbfs") + 17.5).abs() < 0.7,
            "{mode} {found:?}"
        );
        assert!(figure("twist_db").abs() < 0.5, "{mode} {found:?}");
        assert!(figure("snr_db") > 20.0, "{mode} {found:?}");
        // 100 ms of silence, then 300 ms of flags.
        assert!((figure("start_s") - 0.4).abs() < 0.04, "{mode} {found:?}");
    }
}

#[test]
fn a_frame_made_from_words_reads_as_those_words() {
    let dir = TempDir::new().expect("a folder");
    let words = [
        "--from",
        "QA1SKY-2",
        "--to",
        "qm3bar",
        "--via",
        "QD2HIL-1,QD4FAR",
        "--text",
        "Hi",
    ];
    let path = encode(&dir, "a.wav", &words);
    let found = decode(&path, &[]);
    assert_eq!(found.len(), 1);
    let text = found[0]["text"].as_str().expect("text");
    assert!(
        text.contains("QA1SKY-2 > QM3BAR via QD2HIL-1, QD4FAR"),
        "{text}"
    );
    assert!(text.contains("Hi"), "{text}");
    let (code, out, _) = dunlin(&["decode", plain(&path)]);
    assert_eq!(code, Some(0));
    assert!(
        out.contains("QA1SKY-2 > QM3BAR via") && out.contains("1 frame in"),
        "{out}"
    );
}

#[test]
fn frames_from_a_list_go_in_one_transmission_or_in_several() {
    let dir = TempDir::new().expect("a folder");
    let list = dir.path().join("list.txt");
    std::fs::write(
        &list,
        format!("{}\n\n{}\n", frame(1), frame(2).to_uppercase()),
    )
    .expect("list");
    let joined = encode(&dir, "a.wav", &["--hex-file", plain(&list)]);
    let apart = encode(&dir, "b.wav", &["--hex-file", plain(&list), "--gap", "2s"]);
    let starts = |path: &Path| -> Vec<f64> {
        decode(path, &[])
            .iter()
            .filter_map(|f| f["start_s"].as_f64())
            .collect()
    };
    let (joined, apart) = (starts(&joined), starts(&apart));
    assert_eq!((joined.len(), apart.len()), (2, 2));
    assert!(joined[1] - joined[0] < 0.3 && apart[1] - apart[0] > 2.3);
}

#[test]
fn one_channel_of_several_is_decoded_when_it_is_chosen() {
    let dir = TempDir::new().expect("a folder");
    let mono = encode(&dir, "mono.wav", &["--hex", &frame(9)]);
    let samples: Vec<i16> = hound::WavReader::open(&mono)
        .expect("mono")
        .into_samples()
        .collect::<Result<_, _>>()
        .expect("samples");
    let path = dir.path().join("stereo.wav");
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut stereo = hound::WavWriter::create(&path, spec).expect("stereo");
    for sample in samples {
        stereo.write_sample(0_i16).expect("left");
        stereo.write_sample(sample).expect("right");
    }
    stereo.finalize().expect("stereo");
    for (choice, frames) in [("right", 1), ("2", 1), ("left", 0), ("1", 0)] {
        assert_eq!(
            decode(&path, &["--channel", choice]).len(),
            frames,
            "{choice}"
        );
    }
    let (_, said) = decode_bad(&path, &[]);
    assert!(said.contains("--channel left or --channel right"), "{said}");
    let (_, said) = decode_bad(&path, &["--channel", "3"]);
    assert!(said.contains("no channel 3"), "{said}");
    let (code, _, said) = dunlin(&["decode", plain(&path), "--channel", "0"]);
    assert_eq!(code, Some(2), "{said}");
}

#[test]
fn a_cut_file_is_decoded_as_far_as_it_goes() {
    let dir = TempDir::new().expect("a folder");
    let path = encode(&dir, "a.wav", &["--hex", &frame(9), "--hex", &frame(200)]);
    let whole = std::fs::read(&path).expect("it is there");
    // Cut inside the second frame, in the middle of a sample.
    std::fs::write(&path, &whole[..whole.len() / 2 + 1]).expect("cut");
    let (found, said) = decode_bad(&path, &[]);
    assert_eq!(found.len(), 1);
    assert!(said.contains("is cut off after"), "{said}");
    std::fs::write(&path, &whole[..30]).expect("cut");
    let (found, said) = decode_bad(&path, &[]);
    assert!(
        found.is_empty() && said.contains("cut off in its header"),
        "{said}"
    );
    std::fs::write(&path, &whole[..44]).expect("cut");
    let (_, said) = decode_bad(&path, &[]);
    assert!(said.contains("is cut off after 0.0 s"), "{said}");
}

#[test]
fn a_recording_without_a_stated_length_is_read_to_its_end() {
    let dir = TempDir::new().expect("a folder");
    let path = encode(&dir, "a.wav", &["--hex", &frame(9)]);
    let whole = std::fs::read(&path).expect("it is there");
    for length in [0_u32, u32::MAX] {
        let mut open = whole.clone();
        open[40..44].copy_from_slice(&length.to_le_bytes());
        std::fs::write(&path, open).expect("written");
        assert_eq!(decode(&path, &[]).len(), 1);
    }
}

#[test]
fn files_that_cannot_be_decoded_are_refused_with_a_reason_and_others_still_decoded() {
    let dir = TempDir::new().expect("a folder");
    let good = encode(&dir, "good.wav", &["--hex", &frame(9)]);
    let file = |name: &str, octets: &[u8]| {
        let path = dir.path().join(name);
        std::fs::write(&path, octets).expect("written");
        path
    };
    let whole = std::fs::read(&good).expect("it is there");
    let changed = |place: usize, octets: &[u8]| {
        let mut file = whole.clone();
        file[place..place + octets.len()].copy_from_slice(octets);
        file
    };
    // Octets 20 to 35 of a plain header: tag, channels, rate, octets a second, row, bits.
    let cases = [
        (dir.path().to_owned(), "is a directory"),
        (dir.path().join("nowhere.wav"), "cannot be read"),
        (file("empty.wav", b""), "is empty"),
        (
            file("text.wav", b"Good morning, this is no sound"),
            "is not a WAV file",
        ),
        (
            file("slow.wav", &changed(24, &4000_u32.to_le_bytes())),
            "4000 samples per second",
        ),
        (
            file("fast.wav", &changed(24, &400_000_u32.to_le_bytes())),
            "400000 samples per second",
        ),
        (
            file("zero.wav", &changed(24, &0_u32.to_le_bytes())),
            "0 samples per second",
        ),
        (
            file("none.wav", &changed(22, &0_u16.to_le_bytes())),
            "number of channels",
        ),
        (
            file("coded.wav", &changed(20, &0x55_u16.to_le_bytes())),
            "of a kind that is not read",
        ),
        (
            file("odd.wav", &changed(34, &99_u16.to_le_bytes())),
            "damaged header",
        ),
    ];
    for (path, reason) in &cases {
        let (found, said) = decode_bad(path, &[]);
        assert!(found.is_empty() && said.contains(reason), "{said}");
        let (code, out, _) = dunlin(&["decode", "--json", plain(path), plain(&good)]);
        assert_eq!((code, frames_of(&out).len()), (Some(1), 1), "{reason}");
    }
    let slow = encode(&dir, "slow.wav", &["--hex", &frame(9), "--rate", "8000"]);
    let (_, said) = decode_bad(&slow, &["--mode", "fsk9600"]);
    assert!(
        said.contains("fsk9600 needs at least 22050 samples per second"),
        "{said}"
    );
}

#[test]
fn samples_that_are_not_numbers_are_told_and_survived() {
    let dir = TempDir::new().expect("a folder");
    let path = encode(&dir, "a.wav", &["--hex", &frame(9), "--storage", "f32"]);
    let mut octets = std::fs::read(&path).expect("it is there");
    let nan = f32::NAN.to_le_bytes();
    let start = octets.len() - 400;
    octets[start..start + 40].copy_from_slice(&nan.repeat(10));
    std::fs::write(&path, octets).expect("written");
    let (found, said) = decode_bad(&path, &[]);
    assert_eq!(found.len(), 1);
    assert!(
        said.contains("10 of its") && said.contains("not numbers"),
        "{said}"
    );
}

#[test]
fn frames_and_settings_that_cannot_be_encoded_are_refused_with_a_reason() {
    let dir = TempDir::new().expect("a folder");
    let path = dir.path().join("a.wav");
    let good = frame(5);
    let cases: [(&[&str], &str); 12] = [
        (&[], "there is no frame to encode"),
        (&["--hex", "00"], "1 octets"),
        (&["--hex", "xyz"], "'x' is not a hex digit"),
        (&["--hex", &good[1..]], "odd number of hex digits"),
        (&["--hex-file", "/nonexistent/list"], "cannot be read"),
        (
            &["--from", "QA1SKY", "--to", "TOOLONGCALL"],
            "--to TOOLONGCALL",
        ),
        (
            &["--from", "QA1SKY-16", "--to", "QM3BAR"],
            "--from QA1SKY-16",
        ),
        (&["--hex", &good, "--level", "3"], "outside -60 to 0 dBFS"),
        (&["--hex", &good, "--offset=-900"], "outside -500 to 500 Hz"),
        (
            &["--hex", &good, "--mode", "fsk9600", "--offset", "5"],
            "no tones",
        ),
        (
            &["--hex", &good, "--mode", "fsk9600", "--rate", "8000"],
            "at least 22050",
        ),
        (
            &["--hex", &good, "--key-up-delay", "soon"],
            "length of time",
        ),
    ];
    for (more, reason) in cases {
        let (code, _, err) = dunlin(&[&["encode", "-o", plain(&path)], more].concat());
        assert!(matches!(code, Some(1 | 2)), "{more:?}");
        assert!(err.contains(reason), "{more:?}: {err}");
        assert!(!path.exists(), "{more:?}");
    }
    let folder = plain(dir.path());
    let (code, _, err) = dunlin(&["encode", "-o", folder, "--hex", &good]);
    assert!(code == Some(1) && err.contains("directory"), "{err}");
}
