//! Every cell of the state tables of AX.25 has a dialogue, and the page that shows which is true.

use std::fmt::Write;

use super::{Complaint, Tree};
use tables::Row;

#[path = "../../../crates/ax25/tests/data_link/tables.rs"]
mod tables;

/// The tables as drawn.
const TABLES: &str = "crates/ax25/tests/data_link/states.csv";
/// The dialogues.
const DIALOGUES: &str = "crates/ax25/tests/data_link/cells.txt";
/// The page.
const PAGE: &str = "docs/ax25-cells.md";

/// Looks for cells without a dialogue, and at the page.
pub fn check(tree: &Tree) -> Vec<Complaint> {
    let Some(tables) = tree.get(TABLES) else {
        return Vec::new();
    };
    let dialogues = tree.get(DIALOGUES).map_or("", |file| file.text.as_str());
    let mut complaints = Vec::new();
    for (line, Row { cell, .. }) in (2..).zip(tables::rows(&tables.text)) {
        if of(dialogues, cell).next().is_none() {
            let what = format!("the cell {cell} has no dialogue");
            let remedy = format!("add a line to {DIALOGUES}");
            complaints.push(Complaint::new(TABLES, line, what, remedy));
        }
    }
    let page = tree.get(PAGE).map(|file| file.text.as_str());
    if page != Some(write(&tables.text, dialogues).as_str()) {
        let remedy = format!("cargo run -p xtask -- cells > {PAGE}");
        let what = "the page is not what the tables and dialogues give";
        complaints.push(Complaint::new(PAGE, 1, what, remedy));
    }
    complaints
}

/// The page, made from the tables and the dialogues.
pub fn page(tree: &Tree) -> String {
    let text = |path: &str| tree.get(path).map_or("", |file| file.text.as_str());
    write(text(TABLES), text(DIALOGUES))
}

/// The dialogues of a cell.
fn of<'a>(dialogues: &'a str, cell: &'a str) -> impl Iterator<Item = Vec<&'a str>> {
    tables::dialogues(dialogues).filter(move |parts| parts.first() == Some(&cell))
}

fn write(tables: &str, dialogues: &str) -> String {
    let mut out = format!(
        "# Every cell of the state tables, and its dialogues\n\n\
         Made by `cargo run -p xtask -- cells` from [the tables](../{TABLES}) (AX.25 2.2, Figs C4.1 to \
         C4.6b) and [the dialogues](../{DIALOGUES}), which are run as a test; what a mark means: \
         [ax25-reading.md](ax25-reading.md).\n\n\
         | Cell | As drawn | Dialogues: before, what happens, state after |\n|---|---|---|\n"
    );
    for Row { cell, next, marks } in tables::rows(tables) {
        let shown: Vec<String> = of(dialogues, cell)
            .map(|parts| match parts[..] {
                [_, before, happens, _, after, ..] => format!("{before}: `{happens}` to {after}"),
                _ => String::new(),
            })
            .collect();
        let _ = writeln!(out, "| {cell} | to {next} {marks} | {} |", shown.join("; "));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    const DRAWN: &str = "cell,event,condition,actions,next,marks\n0.01,UA,,none,0,S1\n";

    fn whats(dialogues: &str, page: &str) -> Vec<String> {
        let files = [(TABLES, DRAWN), (DIALOGUES, dialogues), (PAGE, page)];
        let complaints = check(&Tree::of(&files)).into_iter();
        complaints.map(|c| c.what).collect()
    }

    #[test]
    fn a_cell_without_a_dialogue_is_named_and_an_old_page_too() {
        let dialogue = "# a\n0.01 | down | < UA | | 0\n";
        let page = write(DRAWN, dialogue);
        assert!(
            page.contains("| 0.01 | to 0 S1 | down: `< UA` to 0 |"),
            "{page}"
        );
        assert!(whats(dialogue, &page).is_empty());
        assert_eq!(
            whats("", &write(DRAWN, "")),
            ["the cell 0.01 has no dialogue"]
        );
        assert_eq!(whats(dialogue, "old").len(), 1);
    }
}
