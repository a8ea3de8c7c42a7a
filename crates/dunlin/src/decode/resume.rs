//! The state of a long decode, so that a second run goes on where the first one stopped.
//!
//! A file of JSON lines. The first says which recording and which settings it is about; each
//! further one is the outcome of a stretch. A line is written in one go, with its end of line as
//! its last octet; whatever follows the last end of line was cut off and is taken away.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::job::Outcome;

/// The form of the file.
const VERSION: u32 = 2;
/// Octets of the recording that go into its mark.
const HEAD: u64 = 1 << 20;
/// The longest state that is read: days of outcomes.
const LONGEST: u64 = 1 << 30;

/// What a state is about. Another recording, program or setting makes it useless.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct About {
    /// [`VERSION`].
    dunlin_decode_state: u32,
    /// Version of the program.
    program: String,
    /// Length of the recording.
    file_octets: u64,
    /// [`mark`] of its beginning.
    head: String,
    /// Which channel, from 0.
    channel: usize,
    /// Names of the modes.
    modes: Vec<String>,
    /// Asked length of a stretch.
    stretch_s: u32,
}

impl About {
    /// The recording at `path`, decoded in this way.
    pub fn new(
        path: &Path,
        channel: usize,
        modes: Vec<String>,
        stretch_s: u32,
    ) -> io::Result<Self> {
        let file = File::open(path)?;
        let file_octets = file.metadata()?.len();
        let mut head = Vec::new();
        file.take(HEAD).read_to_end(&mut head)?;
        Ok(About {
            dunlin_decode_state: VERSION,
            program: env!("CARGO_PKG_VERSION").to_owned(),
            file_octets,
            head: mark(&head),
            channel,
            modes,
            stretch_s,
        })
    }
}

/// FNV-1a of 64 bits, as hex: tells recordings apart, but would not stop a forger. (Offset basis
/// and prime: draft-eastlake-fnv, from memory.)
fn mark(octets: &[u8]) -> String {
    let hash = octets.iter().fold(0xCBF2_9CE4_8422_2325_u64, |hash, &o| {
        (hash ^ u64::from(o)).wrapping_mul(0x0000_0100_0000_01B3)
    });
    format!("{hash:016x}")
}

/// Why a state cannot be used. Each sentence follows the name of the recording.
#[derive(Debug, Error)]
pub enum StateError {
    /// The file system said so.
    #[error("has a state that cannot be read or written")]
    Io(#[from] io::Error),
    /// Another run uses it.
    #[error("has a state that another run is using; wait for it, or name another file")]
    InUse,
    /// For something else.
    #[error(
        "does not fit to the state: that one is about another recording or other settings; \
         use the same settings as before, or name another file"
    )]
    Other,
    /// Not ours.
    #[error(
        "cannot be resumed, because the file named is no state of an earlier decode; name another \
         one, it will be made"
    )]
    NoState,
    /// A line is nonsense.
    #[error("has a state that is damaged in line {0}; delete it to begin anew")]
    Damaged(usize),
}

/// A state file that is open.
#[derive(Debug)]
pub struct State {
    file: File,
}

impl State {
    /// Opens or makes the state in `path`; also gives the outcomes that are in it.
    ///
    /// # Errors
    /// See [`StateError`].
    pub fn open(path: &Path, about: &About) -> Result<(Self, Vec<Outcome>), StateError> {
        let mut options = OpenOptions::new();
        options.read(true).write(true).create(true).truncate(false);
        let mut file = options.open(path)?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(StateError::InUse),
            Err(TryLockError::Error(error)) => return Err(error.into()),
        }
        if file.metadata()?.len() > LONGEST {
            return Err(StateError::NoState);
        }
        let mut octets = Vec::new();
        file.read_to_end(&mut octets)?;
        let whole = octets
            .iter()
            .rposition(|&o| o == b'\n')
            .map_or(0, |n| n + 1);
        let mut header = serde_json::to_vec(about).map_err(io::Error::from)?;
        header.push(b'\n');
        // Never shorten what may be somebody's letter.
        if whole == 0 && !header.starts_with(&octets) {
            return Err(StateError::NoState);
        }
        let outcomes = read(&octets[..whole], about)?;
        file.set_len(whole as u64)?;
        file.seek(SeekFrom::End(0))?;
        let mut state = State { file };
        if whole == 0 {
            state.append(&header)?;
        }
        Ok((state, outcomes))
    }

    /// Adds an outcome and waits until it is on the disk.
    ///
    /// # Errors
    /// What the file system says.
    pub fn add(&mut self, outcome: &Outcome) -> io::Result<()> {
        let mut line = serde_json::to_vec(outcome)?;
        line.push(b'\n');
        self.append(&line)
    }

    fn append(&mut self, line: &[u8]) -> io::Result<()> {
        self.file.write_all(line)?;
        self.file.sync_data()
    }
}

/// The outcomes in the whole lines of a state.
fn read(octets: &[u8], about: &About) -> Result<Vec<Outcome>, StateError> {
    let mut lines = octets
        .split(|&o| o == b'\n')
        .filter(|line| !line.is_empty());
    let Some(first) = lines.next() else {
        return Ok(Vec::new());
    };
    let header: About = serde_json::from_slice(first).map_err(|_| StateError::NoState)?;
    if header != *about {
        return Err(StateError::Other);
    }
    let outcome = |(n, line)| serde_json::from_slice(line).map_err(|_| StateError::Damaged(n));
    (2..).zip(lines).map(outcome).collect()
}

#[cfg(test)]
mod tests {
    use super::super::job::Task;
    use super::*;

    fn outcome(number: u64) -> Outcome {
        Outcome {
            task: Task::Survey,
            number,
            found: Vec::new(),
            unreadable: 0,
            survey: None,
            tones: Vec::new(),
            guesses: Vec::new(),
        }
    }

    #[test]
    fn a_state_cut_anywhere_keeps_its_whole_lines() {
        let dir = tempfile::TempDir::new().expect("a folder");
        let (wav, path) = (dir.path().join("a.wav"), dir.path().join("state"));
        std::fs::write(&wav, b"sound").expect("written");
        let about = About::new(&wav, 0, vec!["afsk300".into()], 300).expect("there");
        let (mut state, none) = State::open(&path, &about).expect("made");
        assert_eq!(none, []);
        (0..3).for_each(|n| state.add(&outcome(n)).expect("written"));
        drop(state);
        let all = std::fs::read(&path).expect("there");
        for length in 0..=all.len() {
            std::fs::write(&path, &all[..length]).expect("written");
            let lines = all[..length].iter().filter(|&&o| o == b'\n').count();
            let (mut state, known) = State::open(&path, &about).expect("opens");
            assert_eq!(known.len(), lines.saturating_sub(1), "cut at {length}");
            state.add(&outcome(9)).expect("written");
            drop(state);
            let (_, known) = State::open(&path, &about).expect("opens again");
            assert_eq!(known.last(), Some(&outcome(9)), "cut at {length}");
        }
    }

    #[test]
    fn a_state_of_something_else_is_refused_and_left_alone() {
        let dir = tempfile::TempDir::new().expect("a folder");
        let (wav, path) = (dir.path().join("a.wav"), dir.path().join("state"));
        std::fs::write(&wav, b"sound").expect("written");
        let about = |channel| About::new(&wav, channel, vec![], 300).expect("there");
        for text in ["Dear Ada,", "Dear Ada,\nhello\n", "{}\n"] {
            std::fs::write(&path, text).expect("written");
            let refused = State::open(&path, &about(0)).map(|_| ());
            assert!(matches!(refused, Err(StateError::NoState)), "{text}");
            assert_eq!(std::fs::read_to_string(&path).expect("there"), text);
        }
        std::fs::remove_file(&path).expect("gone");
        let open = State::open(&path, &about(0)).expect("made");
        let second = State::open(&path, &about(0)).map(|_| ());
        assert!(matches!(second, Err(StateError::InUse)));
        drop(open);
        let other = State::open(&path, &about(1)).map(|_| ());
        assert!(matches!(other, Err(StateError::Other)));
        let text = std::fs::read_to_string(&path).expect("there") + "nonsense\n";
        std::fs::write(&path, text).expect("written");
        let damaged = State::open(&path, &about(0)).map(|_| ());
        assert!(matches!(damaged, Err(StateError::Damaged(2))));
    }
}
