//! Tools that watch over the source of Dunlin: `cargo xtask tidy`.
//!
//! They read the repository and report; they never change a file.

mod tidy;

use std::process::ExitCode;

const HELP: &str = "\
usage: cargo xtask tidy | cells

tidy   check the rules of the house that neither compiler nor clippy knows:
       rooms, lengths, words, first lines, glossary, links, state tables
cells  print docs/ax25-cells.md: the state tables and their dialogues
";

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match words.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["tidy"] => run_tidy(),
        ["cells"] => match tidy::Tree::of_this_repository() {
            Ok(tree) => {
                print!("{}", tidy::cells::page(&tree));
                ExitCode::SUCCESS
            }
            Err(error) => unreadable(&error),
        },
        ["help" | "--help" | "-h"] => {
            print!("{HELP}");
            ExitCode::SUCCESS
        }
        _ => {
            eprint!("{HELP}");
            ExitCode::from(2)
        }
    }
}

fn run_tidy() -> ExitCode {
    let tree = match tidy::Tree::of_this_repository() {
        Ok(tree) => tree,
        Err(error) => return unreadable(&error),
    };
    let complaints = tidy::check(&tree);
    for complaint in &complaints {
        println!("{complaint}");
    }
    println!(
        "tidy: {} files read, {} complaints",
        tree.len(),
        complaints.len()
    );
    if complaints.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn unreadable(error: &impl std::fmt::Display) -> ExitCode {
    eprintln!("the repository could not be read: {error:#}");
    ExitCode::from(2)
}
