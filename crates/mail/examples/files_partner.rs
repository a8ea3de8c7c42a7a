//! One side of a talk with files over standard input and output, for a test that plays the other side.
//!
//! ```text
//! files_partner OWN PORTION LINES OFFERED TAKEN
//! ```
//!
//! It offers the files of the folder OFFERED, takes all that it is offered into the folder TAKEN (what is not whole as
//! the SHA-256 with `.part`), and types LINES numbered lines while it has something to send. What came of it, and what the
//! other side typed, is told as JSON lines on standard error. The end of standard input is the drop of the link.
#![allow(clippy::disallowed_methods, clippy::disallowed_types)] // This example is its own driver.

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write, stdin, stdout};
use std::path::PathBuf;
use std::time::Duration;

use dunlin_clock::Instant;
use dunlin_mail::file::{File, Files, Head, Input, Limits, Output, Settings, Why, on_the_link};
use serde_json::json;
use sha2::{Digest, Sha256};

struct Person {
    own: String,
    portion: usize,
    /// Numbered lines that are still to be typed, the last first.
    lines: Vec<usize>,
    typed: Vec<u8>,
    heads: BTreeMap<File, (Head, Vec<u8>)>,
    taken: PathBuf,
    heard: Vec<u8>,
}

fn tell(event: &serde_json::Value) {
    eprintln!("{event}");
}

impl Person {
    fn part(&self, head: &Head) -> PathBuf {
        let digits = dunlin_mail::file::hash_in_hex(head.hash());
        self.taken.join(format!("{digits}.part"))
    }

    fn decide(&self, file: File, head: &Head) -> Input {
        let there = fs::read(self.taken.join(head.name())).unwrap_or_default();
        if Sha256::digest(there).as_slice() == head.hash() {
            return Input::Refuse(file, Why::HaveIt, String::new());
        }
        Input::Accept(file, fs::read(self.part(head)).unwrap_or_default())
    }

    fn forget(&self, file: File) {
        let _ = fs::remove_file(self.part(&self.heads[&file].0));
    }

    fn types(&mut self, files: &Files, line: &str) {
        self.typed
            .extend(files.typed(format!("{line}\r").as_bytes()));
    }

    /// Does what the machine wants.
    fn serve(&mut self, files: &mut Files) {
        while let Some(output) = files.poll() {
            match output {
                Output::Text(text) => self.heard.extend(text),
                Output::Say(line) => self.types(files, &line),
                Output::Offered(file, head) => {
                    files.handle(self.decide(file, &head));
                    self.heads.insert(file, (head, Vec::new()));
                }
                Output::Need(file, from, count) => {
                    let content = &self.heads[&file].1;
                    let octets = content[from as usize..from as usize + count].to_vec();
                    files.handle(Input::Octets(file, from, octets));
                }
                Output::Write {
                    file, from, octets, ..
                } => {
                    let path = self.part(&self.heads[&file].0);
                    let mut all = fs::read(&path).unwrap_or_default();
                    all.truncate(from as usize);
                    all.extend(octets);
                    fs::write(path, all).expect("the partial");
                }
                Output::Store(file) => {
                    let head = &self.heads[&file].0;
                    let name = self.taken.join(head.name());
                    fs::rename(self.part(head), name).expect("the file");
                    files.handle(Input::Stored(file, Ok(())));
                }
                Output::Delivered(file) => tell(&json!({"delivered": self.heads[&file].0.name()})),
                Output::Refused(file, why, words) => {
                    let name = self.heads[&file].0.name();
                    tell(&json!({"refused": name, "why": why.to_string(), "words": words}));
                }
                Output::Wanted(file, from) => {
                    tell(&json!({"wanted": self.heads[&file].0.name(), "from": from}))
                }
                Output::Damaged(file) => {
                    self.forget(file);
                    tell(&json!({"damaged": true}));
                }
                Output::Stopped { file, keep, words } => {
                    if !keep {
                        self.forget(file);
                    }
                    tell(&json!({"stopped": words}));
                }
                Output::Over(words) => tell(&json!({"over": words})),
                Output::Speaks(_) | Output::Sent { .. } | Output::TurnedAway(_) => {}
            }
        }
    }

    /// All that can go now: what is typed first, then one portion.
    fn give_all(&mut self, files: &mut Files) {
        loop {
            let octets = match self.typed.is_empty() {
                true => files.give(self.portion).unwrap_or_default(),
                false => std::mem::take(&mut self.typed),
            };
            self.serve(files);
            if octets.is_empty() && self.typed.is_empty() {
                return;
            }
            // The other side may be gone; the end of input will tell.
            let _ = stdout().write_all(&octets).and_then(|()| stdout().flush());
            if let Some(number) = self.lines.pop() {
                let line = format!("Line {number} of {}, with \u{1c} in it", self.own);
                self.types(files, &line);
            }
        }
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [own, portion, lines, offered, taken] = &words[..] else {
        panic!("wanted: OWN PORTION LINES OFFERED TAKEN");
    };
    let portion = portion.parse().expect("a number");
    let lines: usize = lines.parse().expect("a number");
    let mut files = Files::new(Settings {
        own: own.parse().expect("a call sign"),
        portion,
        limits: Limits::default(),
    });
    let mut person = Person {
        own: own.clone(),
        portion,
        lines: (0..lines).rev().collect(),
        typed: Vec::new(),
        heads: BTreeMap::new(),
        taken: taken.into(),
        heard: Vec::new(),
    };
    for entry in fs::read_dir(offered).expect("a folder") {
        let path = entry.expect("an entry").path();
        let content = fs::read(&path).expect("a file");
        let name = path
            .file_name()
            .and_then(|name| name.to_str())
            .expect("a name");
        let hash = Sha256::digest(&content).into();
        let size = content.len() as u64;
        let head = Head::new(name, None, size, hash).expect("a head");
        // At 1200 baud.
        let airtime = Duration::from_millis(on_the_link(size, portion) * 8 * 1000 / 1200);
        let file = files
            .offer(head.clone(), airtime)
            .expect("it can be offered");
        person.heads.insert(file, (head, content));
    }
    person.serve(&mut files);
    person.give_all(&mut files);
    let mut octets = [0; 4096];
    loop {
        match stdin().read(&mut octets) {
            Ok(0) | Err(_) => break,
            Ok(count) => files.handle(Input::Received(Instant::ZERO, octets[..count].to_vec())),
        }
        person.serve(&mut files);
        person.give_all(&mut files);
    }
    files.handle(Input::Dropped);
    person.serve(&mut files);
    let heard: String = person.heard.iter().map(|o| format!("{o:02x}")).collect();
    tell(&json!({"heard": heard}));
}
