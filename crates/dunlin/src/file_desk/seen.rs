//! What the station has told of talks and files.

use anyhow::{Result, bail};
use dunlin_clock::Duration;
use dunlin_mail::file::span;
use dunlin_station::{CallSign, Direction, FileId, PortId, TalkId};
use serde::Deserialize;

/// Digits of a hash that name a file, at least.
const LEAST_DIGITS: usize = 4;

/// All that it has told.
#[derive(Debug, Deserialize)]
pub(super) struct Seen {
    talks: Vec<Talk>,
    /// Files of talks.
    pub(super) files: Vec<Stands>,
    kept: Vec<Kept>,
    /// Names, by number.
    ports: Vec<String>,
}

/// A talk that goes on.
#[derive(Debug, Deserialize)]
pub(super) struct Talk {
    pub(super) id: TalkId,
    port: PortId,
    remote: CallSign,
}

/// How it stands with a file of a talk.
#[derive(Debug, Deserialize)]
pub(super) struct Stands {
    pub(super) id: FileId,
    pub(super) talk: TalkId,
    pub(super) name: String,
    pub(super) size: u64,
    pub(super) hash: String,
    pub(super) direction: Direction,
    state: String,
    words: String,
    done: u64,
    pub(super) airtime_ms: u64,
}

/// A file that is kept.
#[derive(Debug, Deserialize)]
pub(super) struct Kept {
    pub(super) hash: String,
    pub(super) name: String,
    size: u64,
    direction: Direction,
}

impl Stands {
    /// Something may still come of it.
    pub(super) fn is_open(&self) -> bool {
        matches!(self.state.as_str(), "offered" | "going" | "storing")
    }
}

impl Seen {
    /// The talk with a station, whatever its SSID if there is but one; without a call sign the only talk.
    pub(super) fn talk_with(&self, to: Option<&str>) -> Result<&Talk> {
        let Some(to) = to else {
            return match &self.talks[..] {
                [] => bail!("no talk is open; open one on the page"),
                [talk] => Ok(talk),
                _ => bail!(
                    "several talks are open; say --to and one of {}",
                    self.remotes()
                ),
            };
        };
        let call: CallSign = match to.trim().to_uppercase().parse() {
            Ok(call) => call,
            Err(error) => bail!("{to} is no call sign: {error}"),
        };
        let exactly: Vec<&Talk> = self.talks.iter().filter(|t| t.remote == call).collect();
        let same = |t: &&Talk| t.remote.with_ssid(0) == call.with_ssid(0);
        let nearly: Vec<&Talk> = self.talks.iter().filter(same).collect();
        match (&exactly[..], &nearly[..]) {
            ([talk], _) => Ok(talk),
            ([], [talk]) if call.ssid() == 0 => Ok(talk),
            ([], []) if self.talks.is_empty() => {
                bail!("no talk with {call} is open; open one on the page")
            }
            ([], _) => bail!("no talk with {call} is open, but with {}", self.remotes()),
            _ => bail!("several talks with {call} are open; end all but one, or use the page"),
        }
    }

    fn remotes(&self) -> String {
        let all: Vec<String> = self.talks.iter().map(|t| t.remote.to_string()).collect();
        all.join(", ")
    }

    /// The other end of a talk, and its port.
    pub(super) fn whom(&self, talk: &Talk) -> String {
        let port = self.ports.get(usize::from(talk.port.0));
        let port = port.map_or(String::new(), |port| format!(" on {port}"));
        format!("{}{port}", talk.remote)
    }

    /// An open file of a talk, by its number or its name.
    pub(super) fn of_talks(&self, wanted: &str) -> Result<&Stands> {
        let number = wanted.parse().ok();
        if let Some(file) = self.files.iter().find(|f| Some(f.id.0) == number) {
            return Ok(file);
        }
        let named = |f: &&Stands| f.name == wanted && f.is_open();
        let named: Vec<&Stands> = self.files.iter().filter(named).collect();
        match named[..] {
            [file] => Ok(file),
            [] => bail!("no file {wanted} is offered or goes; `dunlin files list` tells which do"),
            _ => bail!(
                "several files are called {wanted}; say the number of one, from `dunlin files list`"
            ),
        }
    }

    /// A file that is kept, by its name or the first digits of its hash.
    pub(super) fn kept(&self, wanted: &str, direction: Direction) -> Result<&Kept> {
        let kept = self.kept.iter().filter(|k| k.direction == direction);
        let begins = |k: &&Kept| wanted.len() >= LEAST_DIGITS && k.hash.starts_with(wanted);
        let fits: Vec<&Kept> = kept.filter(|k| k.name == wanted || begins(k)).collect();
        match fits[..] {
            [file] => Ok(file),
            [] if direction == Direction::Received => {
                bail!("no file {wanted} has come; `dunlin files list` tells which are here")
            }
            [] => bail!(
                "no file {wanted} was put here to be offered; `dunlin files list` tells which were"
            ),
            _ => bail!(
                "several files fit {wanted}; say the first digits of one's hash, from `dunlin files list`"
            ),
        }
    }

    /// Whether a file is kept.
    pub(super) fn keeps(&self, hash: &str, direction: Direction) -> bool {
        let is_it = |k: &Kept| k.hash == hash && k.direction == direction;
        self.kept.iter().any(is_it)
    }

    /// The list for people.
    pub(super) fn words(&self) -> String {
        let mut text = String::new();
        for file in &self.files {
            text += &self.file(file);
        }
        for kept in &self.kept {
            let (what, hash) = (kept.direction, &kept.hash[..kept.hash.len().min(8)]);
            let what = match what {
                Direction::Received => "has come",
                Direction::Sent => "kept here to be offered",
            };
            text += &format!("{}, {} octets, {what} ({hash})\n", kept.name, kept.size);
        }
        match text.is_empty() {
            true => "No files.\n".to_owned(),
            false => text,
        }
    }

    fn file(&self, file: &Stands) -> String {
        let talk = self.talks.iter().find(|t| t.id == file.talk);
        let whom = talk.map_or("a talk that has ended".to_owned(), |t| self.whom(t));
        let way = match file.direction {
            Direction::Sent => "to",
            Direction::Received => "from",
        };
        let mut text = format!(
            "{}  {} {way} {whom}, {} octets: {}",
            file.id.0, file.name, file.size, file.words
        );
        if file.is_open() {
            let time = span(Duration::from_millis(file.airtime_ms));
            text += &format!("; {} octets are there, about {time} to go", file.done);
        }
        if file.direction == Direction::Received && file.state == "offered" {
            text += &format!("; `dunlin files accept {}` takes it", file.id.0);
        }
        text + "\n"
    }
}
