//! Words that may not stand in the repository: unfinished work, places on
//! one machine, and talk about how the text came to be.
//!
//! The words are written here in two halves, or this file would be the first
//! to break its own rule.

use super::{Complaint, Tree};

/// A forbidden word and why.
struct Ban {
    word: String,
    /// Only where no letter, digit, `.`, `-`, `_` or `/` touches it in front.
    at_start: bool,
    what: &'static str,
    remedy: &'static str,
}

const UNFINISHED: [(&str, &str); 5] = [
    ("TO", "DO"),
    ("FIX", "ME"),
    ("XX", "X:"),
    ("to", "do!("),
    ("unimple", "mented!("),
];
const PLACES: [(&str, &str); 5] = [
    ("/wo", "rk/"),
    ("/ro", "ot/"),
    ("/ho", "me/"),
    ("/Us", "ers/"),
    ("C:", "\\Users"),
];
const HOSTS: [(&str, &str); 7] = [
    ("registry.np", "mjs.org"),
    ("index.cra", "tes.io"),
    ("static.cra", "tes.io"),
    ("py", "pi.org"),
    ("files.pytho", "nhosted.org"),
    ("deb.deb", "ian.org"),
    ("proxy.go", "lang.org"),
];
const MAKING: [(&str, &str); 8] = [
    ("this ses", "sion"),
    ("previous ses", "sion"),
    ("co-author", "ed-by"),
    ("generated wi", "th "),
    ("language mo", "del"),
    ("ai ass", "istant"),
    ("sub-a", "gent"),
    ("chat", "bot"),
];

fn bans() -> Vec<Ban> {
    let list = |halves: &[(&str, &str)], at_start, what, remedy| -> Vec<Ban> {
        let join = |(a, b): &(&str, &str)| Ban {
            word: format!("{a}{b}"),
            at_start,
            what,
            remedy,
        };
        halves.iter().map(join).collect()
    };
    let mut all = list(
        &UNFINISHED,
        true,
        "unfinished work",
        "finish it, or write it down as an issue and in the README's list of what does not work yet",
    );
    all.extend(list(
        &PLACES,
        true,
        "a place on somebody's machine",
        "use a path from the top of the repository, or ask the environment",
    ));
    all.extend(list(
        &HOSTS,
        false,
        "the name of a package host",
        "leave it to the package tool's own settings",
    ));
    all.extend(list(
        &MAKING,
        true,
        "talk about how the text was made",
        "say what is true of the program, not who wrote it when",
    ));
    all
}

/// Looks through every text file that was written here, and through lock
/// files for hosts.
pub fn check(tree: &Tree) -> Vec<Complaint> {
    let bans = bans();
    let mut complaints = Vec::new();
    for file in tree.files().filter(|file| !file.is_vendored()) {
        if file.path.ends_with(".lock") {
            continue; // cargo writes where each crate came from
        }
        for (index, line) in file.text.lines().enumerate() {
            for ban in bans.iter().filter(|ban| ban.stands_in(line)) {
                complaints.push(Complaint::new(
                    &file.path,
                    index + 1,
                    format!("'{}' is {}", ban.word, ban.what),
                    ban.remedy,
                ));
            }
        }
    }
    complaints
}

impl Ban {
    fn stands_in(&self, line: &str) -> bool {
        let line = match self.what.starts_with("talk") {
            true => line.to_lowercase(),
            false => line.to_owned(),
        };
        let mut places = line.match_indices(&self.word);
        places.any(|(at, _)| {
            let before = line[..at].chars().next_back();
            let touched = |c: char| c.is_alphanumeric() || "._-/".contains(c);
            let after = line[at + self.word.len()..].chars().next();
            let runs_on = self.word.ends_with(char::is_alphabetic)
                && after.is_some_and(|c| c.is_alphanumeric() || c == '_');
            let runs_in = self.at_start && before.is_some_and(touched);
            !runs_on && !runs_in
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn count(path: &str, text: &str) -> usize {
        check(&Tree::of(&[(path, text)])).len()
    }

    #[test]
    fn every_word_of_every_list_is_found() {
        for ban in bans() {
            let line = format!("see {} there\n", ban.word);
            assert_eq!(count("a.md", &line), 1, "{line}");
            assert_eq!(count("a.rs", &line), 1, "{line}");
            assert_eq!(count("vendor/a.js", &line), 0, "{line}");
        }
    }

    #[test]
    fn words_that_only_look_alike_pass() {
        for line in [
            "MASTODON",
            "TODOS_",
            "https://example.org/work/x",
            "net/root/",
        ] {
            assert_eq!(count("a.md", line), 0, "{line}");
        }
    }

    #[test]
    fn talk_is_found_in_capitals_too() {
        let line = format!("{}{}", "This Ses", "sion did it");
        assert_eq!(count("a.md", &line), 1);
    }

    #[test]
    fn the_complaint_names_the_line() {
        let text = format!("one\ntwo {}{}\n", "FIX", "ME");
        let found = check(&Tree::of(&[("a.py", &text)]));
        assert_eq!(found[0].line, 2);
        assert!(!found[0].remedy.is_empty());
    }
}
