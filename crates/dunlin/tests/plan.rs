//! `dunlin plan` from outside: exit codes, JSON, refusals.

use assert_cmd::Command;

fn dunlin(args: &[&str]) -> (Option<i32>, String, String) {
    let output = Command::cargo_bin("dunlin")
        .expect("built")
        .args(args)
        .output()
        .expect("runs");
    let text = |octets| String::from_utf8(octets).expect("UTF-8");
    (
        output.status.code(),
        text(output.stdout),
        text(output.stderr),
    )
}

#[test]
fn new_plans_are_written_once_and_pass_their_check() {
    let folder = tempfile::tempdir().expect("folder");
    for kind in ["two-radios", "kiss-controller", "receive-only"] {
        let file = folder.path().join(format!("{kind}.toml"));
        let file = file.to_str().expect("UTF-8");
        let args = [
            "plan", "new", "--kind", kind, "--call", "1x1abc", "--out", file,
        ];
        let (code, said, _) = dunlin(&args);
        assert_eq!(code, Some(0));
        assert!(said.contains("dummy load"), "{said}");
        let (code, _, said) = dunlin(&args);
        assert_eq!(code, Some(1), "an existing file is kept");
        assert!(said.contains("an existing file is kept"), "{said}");
        let (code, said, _) = dunlin(&["plan", "check", file]);
        assert_eq!(code, Some(0), "{said}");
    }
}

#[test]
fn the_exit_code_says_how_bad_it_is_and_json_says_what() {
    let folder = tempfile::tempdir().expect("folder");
    let file = folder.path().join("plan.toml");
    let plan = |lines: &str| {
        let text = format!(
            "[station]\nplan_version = 1\ncall = \"1X1ABC\"\n[[port]]\nname = \"VHF\"\n\
             mode = \"afsk1200\"\n[port.sound]\n{lines}\n"
        );
        std::fs::write(&file, text).expect("written");
        dunlin(&["plan", "check", "--json", file.to_str().expect("UTF-8")])
    };
    let cases = [
        ("", 0, None),
        ("[journal]\nmost_mb = 900000", 1, Some("journal-large")),
        ("[page]\naddress = \"0.0.0.0\"", 2, Some("page-open")),
    ];
    for (lines, expected, id) in cases {
        let (code, said, _) = plan(lines);
        let json: serde_json::Value = serde_json::from_str(&said).expect("JSON");
        let findings = json["findings"].as_array().expect("a list");
        assert_eq!(code, Some(expected), "{said}");
        if let Some(id) = id {
            assert!(findings.iter().any(|finding| finding["id"] == id), "{said}");
        }
    }
    let (code, said, _) = plan("rate = \"48 kHz\"");
    let json: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    assert_eq!(code, Some(2));
    assert_eq!(json["faults"][0]["line"], 8);
}

#[test]
fn a_setting_is_explained_and_a_slip_is_answered() {
    let (code, said, _) = dunlin(&["plan", "explain", "slot_time_ms"]);
    assert_eq!(code, Some(0));
    assert!(said.contains("300 up to 300 Bd (HF), 100 above"), "{said}");
    let (code, _, said) = dunlin(&["plan", "explain", "slot_tim"]);
    assert_eq!(code, Some(1));
    assert!(said.contains("'slot_time_ms' is one"), "{said}");
}
