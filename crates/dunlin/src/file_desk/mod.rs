//! `dunlin files`: files of the running station's talks from a command line, as the page has them.

mod seen;
#[cfg(test)]
mod tests;

use std::io::{BufRead, Read, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context, Result, bail};
use clap::{Args, Subcommand, ValueEnum};
use dunlin_clock::Duration;
use dunlin_mail::file::span;
use dunlin_station::{Command, Direction, FileDecision};
use serde::Deserialize;

use crate::control::{Request, Response, ask, ask_with};
use crate::switch::Which;
use seen::{Kept, Seen, Stands};

/// Octets of a file that is read, at most: no plan allows more.
const MOST_OCTETS: u64 = 10_000_000;

/// What `dunlin files` is told on the command line.
#[derive(Debug, Args)]
#[command(after_help = "\
A file goes over a talk that is open, beside what people type; talks are opened on the page. Nothing
is offered before its size and its time on the air were told, and nothing is taken by itself.")]
pub struct FilesArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// List the files of talks, and those that are kept here
    List(ListArgs),
    /// Offer a file to the other end of a talk; tells size and time on the air, and asks first
    Offer(OfferArgs),
    /// Take a file that the other end offers
    Accept(AcceptArgs),
    /// Refuse a file that the other end offers, also while it comes
    Refuse(RefuseArgs),
    /// Stop a file that is offered or goes; what has arrived is kept for a later talk
    Stop(StopArgs),
    /// Write a file that has come into a folder of yours
    Fetch(FetchArgs),
    /// Delete a file that is kept here
    Delete(DeleteArgs),
}

#[derive(Debug, Args)]
struct ListArgs {
    /// As JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    which: Which,
}

#[derive(Debug, Args)]
struct OfferArgs {
    /// The file
    file: PathBuf,
    /// The station at the other end of the talk [default: the one with whom a talk is open]
    #[arg(long, value_name = "CALL")]
    to: Option<String>,
    /// Its name over there [default: its own]
    #[arg(long)]
    name: Option<String>,
    /// Its kind of media, as image/png
    #[arg(long)]
    media: Option<String>,
    /// Do not ask
    #[arg(long)]
    yes: bool,
    #[command(flatten)]
    which: Which,
}

#[derive(Debug, Args)]
struct AcceptArgs {
    /// Its number in the list, or its name
    file: String,
    #[command(flatten)]
    which: Which,
}

/// Why a file is refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Because {
    /// It is not wanted
    NotWanted,
    /// It is larger than one wants to wait for
    TooLarge,
    /// Another time
    Later,
}

#[derive(Debug, Args)]
struct RefuseArgs {
    /// Its number in the list, or its name
    file: String,
    /// Why
    #[arg(long, value_enum, default_value = "not-wanted")]
    because: Because,
    /// Words for the other end, at most 120 octets
    #[arg(long, default_value = "")]
    words: String,
    #[command(flatten)]
    which: Which,
}

#[derive(Debug, Args)]
struct StopArgs {
    /// Its number in the list, or its name
    file: String,
    /// Words for the other end, at most 120 octets
    #[arg(long, default_value = "")]
    words: String,
    #[command(flatten)]
    which: Which,
}

#[derive(Debug, Args)]
struct FetchArgs {
    /// Its name, or the first digits of its hash
    file: String,
    /// Where to; nothing is overwritten [default: its name, in this folder]
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    #[command(flatten)]
    which: Which,
}

#[derive(Debug, Args)]
struct DeleteArgs {
    /// Its name, or the first digits of its hash
    file: String,
    /// One that was put here to be offered; where it goes it is withdrawn
    #[arg(long)]
    sent: bool,
    #[command(flatten)]
    which: Which,
}

/// Does what was told.
///
/// # Errors
/// No station runs, it does not answer, or it refuses; the sentence says why.
pub fn run(args: &FilesArgs) -> Result<ExitCode> {
    let which = match &args.what {
        What::List(args) => &args.which,
        What::Offer(args) => &args.which,
        What::Accept(args) => &args.which,
        What::Refuse(args) => &args.which,
        What::Stop(args) => &args.which,
        What::Fetch(args) => &args.which,
        What::Delete(args) => &args.which,
    };
    let desk = Desk {
        socket: which.running()?.control_socket(),
    };
    match &args.what {
        What::List(args) => desk.list(args.json)?,
        What::Offer(args) => return desk.offer(args),
        What::Accept(args) => desk.accept(&args.file)?,
        What::Refuse(args) => desk.refuse(&args.file, args.because, &args.words)?,
        What::Stop(args) => desk.stop(&args.file, &args.words)?,
        What::Fetch(args) => desk.fetch(&args.file, args.output.as_deref())?,
        What::Delete(args) => desk.delete(&args.file, args.sent)?,
    }
    Ok(ExitCode::SUCCESS)
}

/// A running station, behind its socket.
struct Desk {
    socket: PathBuf,
}

/// What is told of a file that was put there.
#[derive(Debug, Deserialize)]
struct Put {
    hash: String,
    name: String,
    media: Option<String>,
    size: u64,
    airtime_ms: Option<u64>,
}

impl Desk {
    fn ask(&self, request: &Request) -> Result<Response> {
        told(ask(&self.socket, request)?)
    }

    fn seen(&self) -> Result<Seen> {
        let detail = self.ask(&Request::Files)?.detail;
        serde_json::from_value(detail).context("the station's answer is not understood")
    }

    fn list(&self, json: bool) -> Result<()> {
        let response = self.ask(&Request::Files)?;
        match json {
            true => println!("{}", serde_json::to_string_pretty(&response.detail)?),
            false => {
                let seen: Seen = serde_json::from_value(response.detail)?;
                print!("{}", seen.words());
            }
        }
        Ok(())
    }

    fn offer(&self, args: &OfferArgs) -> Result<ExitCode> {
        let octets = read(&args.file)?;
        let name = match (&args.name, args.file.file_name()) {
            (Some(name), _) => name.clone(),
            (None, Some(name)) => name.to_string_lossy().into_owned(),
            (None, None) => bail!("{} is no file", args.file.display()),
        };
        let seen = self.seen()?;
        let talk = seen.talk_with(args.to.as_deref())?;
        let request = Request::PutFile {
            name,
            media: args.media.clone(),
            talk: talk.id,
            size: octets.len() as u64,
        };
        let response = told(ask_with(&self.socket, &request, &octets)?)?;
        let put: Put = serde_json::from_value(response.detail)?;
        println!(
            "{}, {} octets, about {} on the air to {}.",
            put.name,
            put.size,
            span(Duration::from_millis(put.airtime_ms.unwrap_or(0))),
            seen.whom(talk)
        );
        // What somebody else put there stays.
        let was_there = seen.keeps(&put.hash, Direction::Sent);
        let take_off = Request::DeleteFile {
            hash: put.hash.clone(),
            direction: Direction::Sent,
        };
        let take_off = || match was_there {
            true => Ok(()),
            false => self.ask(&take_off).map(drop),
        };
        if !args.yes && !agreed(&mut std::io::stdin().lock()).unwrap_or(false) {
            take_off()?;
            println!("Nothing was offered, and nothing has gone on the air.");
            return Ok(ExitCode::FAILURE);
        }
        let command = Command::OfferFile {
            talk: talk.id,
            name: put.name,
            media: put.media,
            size: put.size,
            hash: put.hash,
        };
        let response = match self.ask(&Request::File { command }) {
            Ok(response) => response,
            Err(refused) => {
                take_off().context("the file stays on the shelf, since it cannot be taken off")?;
                return Err(refused);
            }
        };
        let number = &response.detail["file"];
        println!(
            "Offered, as number {number}; the other end decides. `dunlin files list` tells what becomes of it."
        );
        Ok(ExitCode::SUCCESS)
    }

    fn accept(&self, file: &str) -> Result<()> {
        let seen = self.seen()?;
        let found = seen.of_talks(file)?;
        self.answer(found, FileDecision::Accept, "")?;
        println!(
            "{} is taken: {} octets, about {} on the air. `dunlin files list` tells how far it is.",
            found.name,
            found.size,
            span(Duration::from_millis(found.airtime_ms))
        );
        Ok(())
    }

    fn refuse(&self, file: &str, because: Because, words: &str) -> Result<()> {
        let seen = self.seen()?;
        let found = seen.of_talks(file)?;
        let decision = match because {
            Because::NotWanted => FileDecision::NotWanted,
            Because::TooLarge => FileDecision::TooLarge,
            Because::Later => FileDecision::Later,
        };
        self.answer(found, decision, words)?;
        println!("{} is refused.", found.name);
        Ok(())
    }

    fn answer(&self, file: &Stands, decision: FileDecision, words: &str) -> Result<()> {
        let command = Command::AnswerFile {
            talk: file.talk,
            file: file.id,
            decision,
            words: words.to_owned(),
        };
        self.ask(&Request::File { command }).map(drop)
    }

    fn stop(&self, file: &str, words: &str) -> Result<()> {
        let seen = self.seen()?;
        let found = seen.of_talks(file)?;
        self.withdraw(found, words)?;
        println!("{} goes no further.", found.name);
        Ok(())
    }

    fn withdraw(&self, file: &Stands, words: &str) -> Result<()> {
        let command = Command::StopFile {
            talk: file.talk,
            file: file.id,
            words: words.to_owned(),
        };
        self.ask(&Request::File { command }).map(drop)
    }

    fn fetch(&self, file: &str, output: Option<&Path>) -> Result<()> {
        let seen = self.seen()?;
        let Kept { hash, name, .. } = seen.kept(file, Direction::Received)?;
        let output = output.unwrap_or(Path::new(name));
        let hash = hash.clone();
        let response = self.ask(&Request::FetchFile { hash })?;
        write_new(output, &response.octets)?;
        println!("{}, {} octets.", output.display(), response.octets.len());
        Ok(())
    }

    fn delete(&self, file: &str, sent: bool) -> Result<()> {
        let direction = match sent {
            true => Direction::Sent,
            false => Direction::Received,
        };
        let seen = self.seen()?;
        let found = seen.kept(file, direction)?;
        // Without the file an offer comes to nothing, so nobody over there is left to wait for it.
        let open =
            |f: &&Stands| sent && f.hash == found.hash && f.direction == direction && f.is_open();
        for file in seen.files.iter().filter(open) {
            self.withdraw(file, "")?;
        }
        let hash = found.hash.clone();
        self.ask(&Request::DeleteFile { hash, direction })?;
        println!("{} is deleted.", found.name);
        Ok(())
    }
}

/// A refusal becomes an error.
fn told(response: Response) -> Result<Response> {
    match response.done {
        true => Ok(response),
        false => bail!("{}", response.text),
    }
}

/// Whether a person agrees; no answer is none.
fn agreed(input: &mut impl BufRead) -> Result<bool> {
    print!("Offer it? [y/N] ");
    std::io::stdout().flush()?;
    let mut line = String::new();
    input.take(1000).read_line(&mut line)?;
    if !line.ends_with('\n') {
        println!();
    }
    let said = line.trim().to_lowercase();
    Ok(said == "y" || said == "yes")
}

fn read(file: &Path) -> Result<Vec<u8>> {
    let cannot = || format!("{} cannot be read", file.display());
    let opened = std::fs::File::open(file).with_context(cannot)?;
    let mut octets = Vec::new();
    opened
        .take(MOST_OCTETS + 1)
        .read_to_end(&mut octets)
        .with_context(cannot)?;
    if octets.len() as u64 > MOST_OCTETS {
        bail!(
            "{} has more than {MOST_OCTETS} octets, which no plan allows",
            file.display()
        );
    }
    Ok(octets)
}

/// Writes a file that is not there yet.
fn write_new(file: &Path, octets: &[u8]) -> Result<()> {
    let cannot = || {
        format!(
            "{} cannot be written; name another with --output",
            file.display()
        )
    };
    let mut options = std::fs::OpenOptions::new();
    let mut opened = options
        .write(true)
        .create_new(true)
        .open(file)
        .with_context(cannot)?;
    opened.write_all(octets).with_context(cannot)?;
    opened.sync_all().with_context(cannot)
}
