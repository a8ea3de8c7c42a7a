//! The bans of `xtask/bans/` fire: a crate that breaks them does not pass
//! clippy. Without this a misspelt path would be a ban that bans nothing.

use std::path::Path;
use std::process::Command;

/// Code that a pure room may not hold, and the words of clippy's complaint.
const FORBIDDEN: [(&str, &str, &str); 9] = [
    (
        "pure",
        "std::time::Instant::now();",
        "`std::time::Instant::now`",
    ),
    (
        "pure",
        "std::time::SystemTime::now();",
        "`std::time::SystemTime::now`",
    ),
    ("pure", "std::thread::spawn(|| ());", "`std::thread::spawn`"),
    ("pure", "std::fs::read(\"x\");", "`std::fs::read`"),
    (
        "pure",
        "std::net::TcpStream::connect(\"x\");",
        "`std::net::TcpStream`",
    ),
    ("pure", "std::env::var(\"X\");", "`std::env::var`"),
    (
        "pure",
        "std::collections::HashMap::<u8, u8>::new();",
        "`std::collections::HashMap`",
    ),
    (
        "files",
        "std::time::Instant::now();",
        "`std::time::Instant::now`",
    ),
    (
        "shell",
        "std::time::SystemTime::now();",
        "`std::time::SystemTime::now`",
    ),
];

#[test]
fn each_kind_of_room_has_bans_that_fire() {
    for kind in ["pure", "files", "shell"] {
        let rows: Vec<_> = FORBIDDEN.iter().filter(|row| row.0 == kind).collect();
        let code: String = rows
            .iter()
            .map(|row| format!("let _ = {}\n", row.1))
            .collect();
        let said = clippy(kind, &code);
        for (_, line, complaint) in rows {
            assert!(said.contains(complaint), "{kind}: {line} passed:\n{said}");
        }
        assert!(
            !said.contains("does not refer to"),
            "{kind}: a ban names nothing:\n{said}"
        );
    }
}

#[test]
fn what_a_kind_may_do_passes() {
    assert_eq!(
        clippy(
            "pure",
            "let _ = std::collections::BTreeMap::<u8, u8>::new();"
        ),
        ""
    );
    assert_eq!(clippy("files", "let _ = std::fs::read(\"x\");"), "");
    assert_eq!(clippy("shell", "let _ = std::env::var(\"X\");"), "");
}

/// Puts `code` into a crate under the bans of `kind` and returns what clippy
/// complains about.
fn clippy(kind: &str, code: &str) -> String {
    let number = code.len(); // one folder per piece of code, tests run side by side
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("bans-{kind}-{number}"));
    let bans = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("bans/{kind}.toml"));
    let manifest = "[package]\nname = \"probe\"\nversion = \"0.0.0\"\n\
        edition = \"2024\"\n[workspace]\n";
    std::fs::create_dir_all(folder.join("src")).unwrap();
    std::fs::copy(bans, folder.join("clippy.toml")).unwrap();
    std::fs::write(folder.join("Cargo.toml"), manifest).unwrap();
    std::fs::write(
        folder.join("src/lib.rs"),
        format!("pub fn probe() {{\n{code}\n}}\n"),
    )
    .unwrap();
    let output = Command::new(env!("CARGO"))
        .args(["clippy", "--quiet", "--offline", "--", "-D", "warnings"])
        .env("CARGO_TARGET_DIR", folder.join("target"))
        .env_remove("RUSTFLAGS")
        .current_dir(&folder)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.success(), said.is_empty(), "{said}");
    said
}
