//! The pages for people: links lead somewhere, the glossary is in order.

use super::{Complaint, Tree};
use std::collections::BTreeSet;

/// Checks that each link of each page to a file or heading of the repository
/// finds it.
pub fn check_links(tree: &Tree) -> Vec<Complaint> {
    let mut complaints = Vec::new();
    for page in tree.own(&["md"]) {
        for (index, line) in prose(&page.text) {
            for target in targets(line) {
                if let Some(what) = broken(tree, &page.path, &target) {
                    complaints.push(Complaint::new(
                        &page.path,
                        index + 1,
                        what,
                        "correct the link or bring back what it leads to",
                    ));
                }
            }
        }
    }
    complaints
}

/// Lines outside fenced blocks, with their index.
fn prose(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut fenced = false;
    text.lines().enumerate().filter(move |(_, line)| {
        let fence = line.trim_start().starts_with("```");
        fenced ^= fence;
        !fenced && !fence
    })
}

fn targets(line: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut rest = line;
    while let Some(at) = rest.find("](") {
        rest = &rest[at + 2..];
        let Some(end) = rest.find(')') else { break };
        let target = rest[..end].split(' ').next().unwrap_or_default();
        found.push(target.to_owned());
    }
    found
}

fn broken(tree: &Tree, page: &str, target: &str) -> Option<String> {
    if target.contains("://") || target.starts_with("mailto:") {
        return None;
    }
    let (path, heading) = target.split_once('#').unwrap_or((target, ""));
    let full = match path {
        "" => page.to_owned(),
        _ => resolve(page, path),
    };
    if !tree.has(&full) {
        return Some(format!("the link leads to '{full}', which does not exist"));
    }
    let headings = headings(&tree.get(&full)?.text);
    let lost = !heading.is_empty() && !headings.contains(heading);
    lost.then(|| format!("'{full}' has no heading '#{heading}'"))
}

fn resolve(page: &str, path: &str) -> String {
    let mut parts: Vec<&str> = page.split('/').collect();
    parts.pop();
    for part in path.split('/') {
        match part {
            "." | "" => {}
            ".." => drop(parts.pop()),
            _ => parts.push(part),
        }
    }
    parts.join("/")
}

/// The names under which a page's headings can be linked: lower case, spaces
/// as hyphens, other marks dropped.
fn headings(text: &str) -> BTreeSet<String> {
    let titles = prose(text).filter_map(|(_, line)| line.strip_prefix('#'));
    let name = |title: &str| -> String {
        let title = title.trim_start_matches('#').trim().to_lowercase();
        let kept = title
            .chars()
            .filter(|c| c.is_alphanumeric() || " -_".contains(*c));
        kept.map(|c| if c == ' ' { '-' } else { c }).collect()
    };
    titles.map(name).collect()
}

/// Checks that the entries of GLOSSARY.md, `**term**: meaning`, stand in
/// the order of the alphabet and only once.
pub fn check_glossary(tree: &Tree) -> Vec<Complaint> {
    const PAGE: &str = "GLOSSARY.md";
    let Some(page) = tree.get(PAGE) else {
        let what = "the glossary is missing";
        return vec![Complaint::new(PAGE, 1, what, "put it back")];
    };
    let mut complaints = Vec::new();
    let mut previous = String::new();
    for (index, line) in page.text.lines().enumerate() {
        let term = line
            .strip_prefix("**")
            .and_then(|rest| rest.split_once("**"));
        let Some((term, _)) = term else { continue };
        let key = term.to_lowercase();
        if key <= previous {
            let what = format!("the entry '{term}' stands after '{previous}'");
            let remedy = "keep the glossary in the order of the alphabet, each term once";
            complaints.push(Complaint::new(PAGE, index + 1, what, remedy));
        }
        previous = key;
    }
    if previous.is_empty() {
        let what = "the glossary has no entries of the form **term**: meaning";
        complaints.push(Complaint::new(PAGE, 1, what, "write them so"));
    }
    complaints
}

#[cfg(test)]
mod tests {
    use super::*;

    fn broken_links(page: &str) -> Vec<String> {
        let tree = Tree::of(&[
            ("docs/page.md", page),
            ("README.md", "# The job\n## What works, and how\n"),
            ("crates/clock/src/lib.rs", "//! x"),
        ]);
        check_links(&tree).into_iter().map(|c| c.what).collect()
    }

    #[test]
    fn links_that_lead_somewhere_pass() {
        let page = "[a](../README.md) [b](../README.md#what-works-and-how) [c](#here)\n\
            [d](https://example.org/x) [e](../crates/clock)\n# Here\n```\n[f](nowhere)\n```\n";
        assert_eq!(broken_links(page), Vec::<String>::new());
    }

    #[test]
    fn links_that_lead_nowhere_are_found() {
        assert_eq!(broken_links("[a](README.md)").len(), 1);
        assert_eq!(broken_links("[a](../README.md#nothing)").len(), 1);
        assert_eq!(
            broken_links("ok [b](../README.md) but [a](#nothing)").len(),
            1
        );
        assert_eq!(broken_links("```\n```\n[a](../crates/modem)").len(), 1);
    }

    fn glossary(text: &str) -> usize {
        check_glossary(&Tree::of(&[("GLOSSARY.md", text)])).len()
    }

    #[test]
    fn the_glossary_is_in_order() {
        assert_eq!(
            glossary("# G\n**air**: a\n\n**AX.25**: b\n**bench**: c\n"),
            0
        );
        assert_eq!(glossary("**bench**: c\n**air**: a\n"), 1);
        assert_eq!(glossary("**air**: a\n**Air**: again\n"), 1);
        assert_eq!(glossary("air: a\n"), 1);
        assert_eq!(check_glossary(&Tree::of(&[])).len(), 1);
    }
}
