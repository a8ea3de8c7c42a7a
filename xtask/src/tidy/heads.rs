//! Every file of code begins by saying what it is, and no file is named as a
//! drawer for odds and ends.

use super::{Complaint, Tree};

const DRAWERS: [&str; 5] = ["common", "helper", "helpers", "misc", "utils"];

/// Checks the first lines and the names.
pub fn check(tree: &Tree) -> Vec<Complaint> {
    let mut complaints = Vec::new();
    let own = ["rs", "js", "mjs", "css", "py", "sh", ""];
    for file in tree.own(&own) {
        let name = file.path.rsplit('/').next().unwrap_or_default();
        let stem = name.split('.').next().unwrap_or_default();
        let folders = file.path.split('/');
        if DRAWERS.contains(&stem) || folders.clone().any(|part| DRAWERS.contains(&part)) {
            complaints.push(Complaint::new(
                &file.path,
                1,
                "this name says nothing about what is inside",
                "name it after the one thing it holds, or move its parts to where they belong",
            ));
        }
        if let Some(start) = wanted_start(file.extension(), &file.text) {
            complaints.push(Complaint::new(
                &file.path,
                1,
                "the file does not begin with a comment that says what it is",
                format!("begin it with {start} and one plain sentence"),
            ));
        }
    }
    complaints
}

/// What the file should begin with, if it does not.
fn wanted_start(extension: &str, text: &str) -> Option<&'static str> {
    let script = text.starts_with("#!") && !text.starts_with("#![");
    let body = match script {
        true => text.split_once('\n').map_or("", |(_, rest)| rest),
        false => text,
    };
    let body = body.trim_start();
    let (starts, name): (&[&str], _) = match extension {
        "rs" => (&["//! "], "//!"),
        "js" | "mjs" => (&["/**", "/*", "//"], "/** */ or //"),
        "css" => (&["/*"], "/* */"),
        "py" => (&["\"\"\""], "\"\"\""),
        "sh" => (&["# "], "#"),
        "" if script => (&["# "], "#"),
        _ => return None,
    };
    let good = starts.iter().any(|start| body.starts_with(start));
    (!good).then_some(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn count(path: &str, text: &str) -> usize {
        check(&Tree::of(&[(path, text)])).len()
    }

    #[test]
    fn files_that_say_what_they_are_pass() {
        assert_eq!(count("a.rs", "//! Tones.\nfn f() {}\n"), 0);
        assert_eq!(count("a.js", "// Tones.\n"), 0);
        assert_eq!(count("a.css", "/* Tones. */\n"), 0);
        assert_eq!(
            count("a.py", "#!/usr/bin/env python3\n\"\"\"Tones.\"\"\"\n"),
            0
        );
        assert_eq!(count("try", "#!/bin/sh\n# Tones.\n"), 0);
        assert_eq!(count("LICENSE-MIT", "MIT License\n"), 0);
        assert_eq!(count("vendor/a.js", "x=1"), 0);
    }

    #[test]
    fn files_that_do_not_are_found() {
        assert_eq!(count("a.rs", "use std::fmt;\n"), 1);
        assert_eq!(count("a.rs", "#![forbid(unsafe_code)]\n//! Late.\n"), 1);
        assert_eq!(count("a.rs", "//!\n"), 1);
        assert_eq!(count("a.js", "import x from 'y';\n"), 1);
        assert_eq!(count("a.css", "a { }\n"), 1);
        assert_eq!(count("a.py", "import os\n"), 1);
        assert_eq!(count("try", "#!/bin/sh\ncd x\n"), 1);
    }

    #[test]
    fn drawers_are_found_by_file_and_by_folder() {
        assert_eq!(count("crates/clock/src/utils.rs", "//! Things.\n"), 1);
        assert_eq!(count("crates/x/tests/common/mod.rs", "//! Things.\n"), 1);
        assert_eq!(count("crates/x/src/utilisation.rs", "//! Share.\n"), 0);
    }
}
