//! Every kind of bad recording through `dunlin decode --json`: it ends by itself and soon, does not
//! panic, and a finding says what is wrong, with evidence, consequence and remedy.

use std::path::{Path, PathBuf};
use std::time::Duration;

use assert_cmd::Command;
use serde_json::Value;
use tempfile::TempDir;

/// Samples per second of what is made here.
const HZ: u32 = 8000;

/// Longer than any of these may take, also on a machine with much else to do.
const LONGEST: Duration = Duration::from_secs(60);

/// A WAV file of one channel: format 1 is integers, 3 is floats.
fn wav(format: u16, bits: u16, rate: u32, promised: u32, sound: &[u8]) -> Vec<u8> {
    let row = u32::from(bits / 8);
    let mut out = Vec::new();
    out.extend(b"RIFF");
    out.extend(promised.saturating_add(36).to_le_bytes());
    out.extend(b"WAVEfmt ");
    out.extend(16_u32.to_le_bytes());
    out.extend(format.to_le_bytes());
    out.extend(1_u16.to_le_bytes());
    out.extend(rate.to_le_bytes());
    out.extend(rate.wrapping_mul(row).to_le_bytes());
    out.extend((row as u16).to_le_bytes());
    out.extend(bits.to_le_bytes());
    out.extend(b"data");
    out.extend(promised.to_le_bytes());
    out.extend(sound);
    out
}

fn integers(rate: u32, sound: &[f32]) -> Vec<u8> {
    let octets: Vec<u8> = sound
        .iter()
        .flat_map(|x| ((x.clamp(-1.0, 1.0) * 32767.0) as i16).to_le_bytes())
        .collect();
    wav(1, 16, rate, octets.len() as u32, &octets)
}

fn floats(sound: &[f32]) -> Vec<u8> {
    let octets: Vec<u8> = sound.iter().flat_map(|x| x.to_le_bytes()).collect();
    wav(3, 32, HZ, octets.len() as u32, &octets)
}

/// A second of a tone with a little noise, as a receiver has it.
fn tone(peak: f32) -> Vec<f32> {
    let mut state = 1_u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (state >> 8) as f32 / 16_777_216.0 - 0.5
    };
    let turn = |n: u32| std::f32::consts::TAU * (n as f32 * 1234.5 / HZ as f32).fract();
    (0..HZ)
        .map(|n| peak * turn(n).sin() + 0.01 * noise())
        .collect()
}

fn run(files: &[&Path], more: &[&str]) -> (Option<i32>, Vec<Value>, String) {
    let output = Command::cargo_bin("dunlin")
        .expect("the program is built")
        .args(["decode", "--json"])
        .args(more)
        .args(files)
        .timeout(LONGEST)
        .output()
        .expect("it runs and ends");
    let err = String::from_utf8(output.stderr).expect("UTF-8");
    assert!(!err.contains("panicked"), "{err}");
    let out = String::from_utf8(output.stdout).expect("UTF-8");
    let frames = out.lines().map(|line| {
        let line: Value = serde_json::from_str(line).expect("JSON");
        assert!(line["frame"].is_string(), "only frames: {line}");
        line
    });
    let findings = err.lines().filter(|line| line.starts_with('{'));
    let findings = findings.map(|line| serde_json::from_str(line).expect("JSON"));
    let lines = frames.chain(findings).collect();
    (output.status.code(), lines, err)
}

fn write(dir: &TempDir, name: &str, octets: &[u8]) -> PathBuf {
    let path = dir.path().join(name);
    std::fs::write(&path, octets).expect("room in the temporary directory");
    path
}

/// The findings of one file; each has its parts.
fn findings(lines: &[Value]) -> Vec<String> {
    lines
        .iter()
        .filter_map(|line| line.get("finding").map(|f| (line, f)))
        .map(|(line, finding)| {
            assert!(
                line.get("frame").is_none() && line["file"].is_string(),
                "{line}"
            );
            for part in ["what", "evidence", "consequence", "remedy"] {
                assert!(finding[part].is_string(), "{part}: {line}");
            }
            format!("{}: {}", finding["what"], finding["evidence"]).replace('"', "")
        })
        .collect()
}

#[test]
fn each_kind_of_bad_sound_has_its_finding() {
    let loud = tone(60.0);
    let square: Vec<f32> = tone(0.9).iter().map(|x| x.signum()).collect();
    let mut gap = tone(0.5);
    gap[3000..5000].fill(0.0);
    let mut nan = tone(0.5);
    nan[100..200].fill(f32::NAN);
    nan[300] = f32::NEG_INFINITY;
    let off_zero: Vec<f32> = tone(0.2).iter().map(|x| x + 0.5).collect();
    let cases = [
        (
            "silence",
            integers(HZ, &[0.0; HZ as usize]),
            0,
            "every sample is zero",
        ),
        ("clipped", integers(HZ, &loud), 0, "always clipped"),
        ("square", integers(HZ, &square), 0, "always clipped"),
        ("gap", integers(HZ, &gap), 0, "stands still once"),
        (
            "no numbers",
            floats(&nan),
            1,
            "101 of its 8000 samples are not numbers",
        ),
        (
            "only no numbers",
            floats(&[f32::NAN; HZ as usize]),
            1,
            "8000 of its 8000 samples",
        ),
        (
            "only infinite",
            floats(&[f32::INFINITY; HZ as usize]),
            1,
            "8000 of its 8000 samples",
        ),
        ("beyond", floats(&tone(1e30)), 0, "beyond full scale"),
        (
            "quiet",
            floats(&tone(0.0).iter().map(|x| x * 1e-3).collect::<Vec<_>>()),
            0,
            "very quiet",
        ),
        ("off zero", integers(HZ, &off_zero), 0, "swing around zero"),
    ];
    let dir = TempDir::new().expect("a temporary directory");
    for (name, octets, code, words) in cases {
        let path = write(&dir, &format!("{name}.wav"), &octets);
        let (ended, lines, err) = run(&[&path], &[]);
        let told = findings(&lines);
        assert!(told.iter().any(|t| t.contains(words)), "{name}: {told:?}");
        assert_eq!(ended, Some(code), "{name}: {err}");
        assert!(lines.iter().all(|l| l.get("frame").is_none()), "{name}");
    }
}

/// A good file with some octets of its header put in another way: where, which, what is said.
fn lying_headers() -> Vec<(&'static str, usize, Vec<u8>, &'static str)> {
    let four = |n: u32| n.to_le_bytes().to_vec();
    let two = |n: u16| n.to_le_bytes().to_vec();
    vec![
        ("0 Hz", 24, four(0), "0 samples per second"),
        ("1 Hz", 24, four(1), "1 samples per second"),
        ("10 MHz", 24, four(10_000_000), "10000000 samples per"),
        ("promises too much", 40, four(0x7FFF_0000), "s more"),
        ("promises too little", 40, four(800), "0.9 s more follow"),
        ("no channels", 22, two(0), "damaged header"),
        ("compressed", 20, two(0x55), "0x0055"),
        (
            "endless format",
            16,
            four(u32::MAX),
            "cut off in its header",
        ),
    ]
}

#[test]
fn each_kind_of_bad_header_has_its_finding() {
    let good = integers(HZ, &tone(0.5));
    let half = good.len() / 2;
    let no_wav = tone(0.5).iter().map(|x| (x * 99.0) as u8).collect();
    let mut cases = vec![
        ("no octets", Vec::new(), "empty (0 octets)"),
        ("cut in the header", good[..30].to_vec(), "cut off in its"),
        ("no sound", good[..44].to_vec(), "promises 1.0 s more"),
        ("cut", good[..half].to_vec(), "promises 0.5 s more"),
        ("not a WAV", no_wav, "not a WAV file"),
    ];
    for (name, place, octets, words) in lying_headers() {
        let mut bad = good.clone();
        bad[place..place + octets.len()].copy_from_slice(&octets);
        cases.push((name, bad, words));
    }
    let dir = TempDir::new().expect("a temporary directory");
    for (name, octets, words) in cases {
        let path = write(&dir, &format!("{name}.wav"), &octets);
        let (code, lines, err) = run(&[&path], &["--mode", "afsk1200"]);
        let told = findings(&lines);
        assert!(
            told.iter().any(|t| t.contains(words)),
            "{name}: {told:?} {err}"
        );
        let decoded_whole = name == "promises too little";
        assert_eq!(code, Some(i32::from(!decoded_whole)), "{name}: {err}");
    }
}

#[test]
fn a_rate_too_low_for_the_mode_is_told() {
    let dir = TempDir::new().expect("a temporary directory");
    let path = write(&dir, "slow.wav", &integers(HZ, &tone(0.5)));
    let (code, lines, err) = run(&[&path], &["--mode", "fsk9600"]);
    assert_eq!(code, Some(1));
    assert!(err.contains("cannot be decoded in that mode"), "{err}");
    assert_eq!(findings(&lines).len(), 1);
    // Who listens for all modes is told which of them could not be among what was heard.
    let (code, lines, _) = run(&[&path], &[]);
    assert_eq!(code, Some(0));
    let told = findings(&lines).join(" ");
    assert!(
        told.contains("too few for") && told.contains("fsk9600"),
        "{told}"
    );
}

#[test]
fn files_of_other_rates_on_one_command_line_are_each_heard_at_their_own() {
    let dir = TempDir::new().expect("a temporary directory");
    let mut files = Vec::new();
    for rate in ["8000", "44100", "11025"] {
        let path = dir.path().join(format!("{rate}.wav"));
        let code = Command::cargo_bin("dunlin")
            .expect("the program is built")
            .args([
                "encode", "--from", "QA1SKY", "--to", "QB2TOP", "--text", rate,
            ])
            .args(["--rate", rate, "-o"])
            .arg(&path)
            .output()
            .expect("it runs")
            .status;
        assert!(code.success());
        files.push(path);
    }
    let paths: Vec<&Path> = files.iter().map(PathBuf::as_path).collect();
    let (code, lines, err) = run(&paths, &["--mode", "afsk1200"]);
    assert_eq!(code, Some(0), "{err}");
    let texts: Vec<&str> = lines.iter().filter_map(|l| l["text"].as_str()).collect();
    assert_eq!(texts.len(), 3, "{texts:?}");
    for (text, rate) in texts.iter().zip(["8000", "44100", "11025"]) {
        assert!(text.contains(rate), "{text}");
    }
}
