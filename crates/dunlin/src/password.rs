//! `dunlin password`: makes the line with the hash of the page's password. The password
//! itself is kept nowhere.

use std::io::{BufRead, IsTerminal, Read};
use std::process::ExitCode;

use anyhow::{Context, Result, bail};

/// Longest input that is read from a pipe, octets.
const MOST_OCTETS: u64 = 4096;

/// Reads the password twice from the terminal, unseen, or once from a pipe, and prints the
/// hash for the station plan.
pub fn run() -> Result<ExitCode> {
    let password = match std::io::stdin().is_terminal() {
        true => from_terminal()?,
        false => from_pipe()?,
    };
    println!("{}", dunlin_web::hash_password(&password)?);
    eprintln!(
        "This line is the hash of the password, not the password. Put it, in quotation marks,\n\
         into the station plan where the password hash of the page belongs."
    );
    Ok(ExitCode::SUCCESS)
}

fn from_terminal() -> Result<String> {
    let ask = |words| rpassword::prompt_password(words).context("the terminal cannot be read");
    let first = ask("Password for the page (it is not shown): ")?;
    if first != ask("The same once more: ")? {
        bail!("the two are not the same; nothing was made, start again");
    }
    Ok(first)
}

fn from_pipe() -> Result<String> {
    let mut line = String::new();
    let mut input = std::io::stdin().lock().take(MOST_OCTETS);
    let read = input.read_line(&mut line);
    read.context("the password cannot be read from standard input")?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
