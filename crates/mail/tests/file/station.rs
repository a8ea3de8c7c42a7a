//! A station that types, offers and stores, as far as files over a talk need one; and the link between two.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use dunlin_clock::Instant;
use dunlin_mail::file::{File, Files, Head, Input, Limits, Output, Settings, Why};
use sha2::{Digest, Sha256};

/// When everything happens that does not say otherwise.
pub const NOW: Instant = Instant::from_secs(5000);
/// What a station of these tests says that a file takes.
pub const AIRTIME: Duration = Duration::from_secs(400);

type Hash = [u8; 32];

/// A file of so many octets that do not repeat.
pub fn content(seed: u64, octets: usize) -> Vec<u8> {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let draw = |_| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 33) as u8
    };
    (0..octets).map(draw).collect()
}

pub fn hash(content: &[u8]) -> Hash {
    Sha256::digest(content).into()
}

pub fn head(name: &str, content: &[u8]) -> Head {
    Head::new(name, None, content.len() as u64, hash(content)).expect("a head")
}

pub struct Side {
    pub name: &'static str,
    pub portion: usize,
    pub limits: Limits,
    pub files: Files,
    /// What is typed and has not been handed to the link.
    typed: VecDeque<Vec<u8>>,
    /// What it has to offer, by hash.
    pub has: BTreeMap<Hash, Vec<u8>>,
    /// What is there of files that are not whole.
    pub parts: BTreeMap<Hash, Vec<u8>>,
    /// What it has got, whole, and how often.
    pub got: BTreeMap<Hash, (Vec<u8>, u32)>,
    /// Heads of both sides in this talk.
    pub heads: BTreeMap<File, Head>,
    /// What the partner typed, and this side's own lines.
    pub heard: Vec<u8>,
    pub said: Vec<u8>,
    pub log: Vec<Output>,
    /// What a person says to an offer.
    pub decides: fn(&Head) -> Option<Why>,
    /// What it says that a file takes here.
    pub airtime: Duration,
    /// The person has not looked yet.
    pub away: bool,
}

impl Side {
    pub fn new(name: &'static str) -> Self {
        let limits = Limits::default();
        Side {
            name,
            portion: 128,
            limits,
            files: Files::new(settings(name, 128, limits)),
            typed: VecDeque::new(),
            has: BTreeMap::new(),
            parts: BTreeMap::new(),
            got: BTreeMap::new(),
            heads: BTreeMap::new(),
            heard: Vec::new(),
            said: Vec::new(),
            log: Vec::new(),
            decides: |_| None,
            airtime: AIRTIME,
            away: false,
        }
    }

    /// A new talk; what is stored stays.
    pub fn begin(&mut self) {
        self.files = Files::new(settings(self.name, self.portion, self.limits));
        self.typed.clear();
        self.heads.clear();
        self.heard.clear();
        self.said.clear();
        self.log.clear();
    }

    pub fn offer(&mut self, name: &str, content: &[u8]) -> File {
        let head = head(name, content);
        self.has.insert(*head.hash(), content.to_vec());
        let file = self
            .files
            .offer(head.clone(), self.airtime)
            .expect("it can be offered");
        self.heads.insert(file, head);
        self.serve();
        file
    }

    pub fn types(&mut self, line: &[u8]) {
        self.said.extend(line);
        let octets = self.files.typed(line);
        self.typed.push_back(octets);
    }

    pub fn handle(&mut self, input: Input) {
        self.files.handle(input);
        self.serve();
    }

    /// What goes to the link next, in at most so many octets: what is typed first.
    pub fn give(&mut self, room: usize) -> Option<Vec<u8>> {
        if let Some(mut line) = self.typed.pop_front() {
            if line.len() > room {
                self.typed.push_front(line.split_off(room));
            }
            return Some(line);
        }
        let portion = self.files.give(room);
        self.serve();
        portion
    }

    pub fn is_idle(&self) -> bool {
        self.typed.is_empty() && !self.files.has_more()
    }

    pub fn hear(&mut self, octets: &[u8]) {
        self.handle(Input::Received(NOW, octets.to_vec()));
    }

    fn serve(&mut self) {
        while let Some(output) = self.files.poll() {
            self.log.push(output.clone());
            match output {
                Output::Text(text) => self.heard.extend(text),
                Output::Say(line) => self.types(format!("{line}\r").as_bytes()),
                Output::Offered(file, head) => {
                    self.heads.insert(file, head);
                    if !self.away {
                        self.decide(file);
                    }
                }
                Output::Need(file, from, count) => {
                    let all = &self.has[self.heads[&file].hash()];
                    let from_here = &all[(from as usize).min(all.len())..];
                    let octets = from_here[..count.min(from_here.len())].to_vec();
                    self.files.handle(Input::Octets(file, from, octets));
                }
                Output::Write {
                    file,
                    from,
                    octets,
                    total,
                } => {
                    let head = &self.heads[&file];
                    let part = self.parts.entry(*head.hash()).or_default();
                    assert_eq!((part.len() as u64, head.size()), (from, total));
                    part.extend(octets);
                }
                Output::Damaged(file) => {
                    self.parts.remove(self.heads[&file].hash());
                }
                Output::Stopped {
                    file, keep: false, ..
                } => {
                    self.parts.remove(self.heads[&file].hash());
                }
                Output::Store(file) => {
                    let hash = *self.heads[&file].hash();
                    let part = self.parts.remove(&hash).expect("what was written");
                    let (_, count) = self.got.remove(&hash).unwrap_or_default();
                    self.got.insert(hash, (part, count + 1));
                    self.files.handle(Input::Stored(file, Ok(())));
                }
                Output::Delivered(file) | Output::Refused(file, Why::HaveIt, _) => {
                    self.has.remove(self.heads[&file].hash());
                }
                _ => {}
            }
        }
    }

    pub fn decide(&mut self, file: File) {
        let head = &self.heads[&file];
        let known = self.got.contains_key(head.hash()).then_some(Why::HaveIt);
        self.files
            .handle(match known.or_else(|| (self.decides)(head)) {
                Some(why) => Input::Refuse(file, why, String::new()),
                None => {
                    let kept = self.parts.get(head.hash()).cloned().unwrap_or_default();
                    // The machine drops what cannot be the beginning; so does this station.
                    let fits = kept.len() as u64 <= head.size();
                    let wrong = kept.len() as u64 == head.size() && hash(&kept) != *head.hash();
                    if !fits || wrong {
                        self.parts.remove(head.hash());
                    }
                    Input::Accept(file, kept)
                }
            });
    }

    /// Whether this came out.
    pub fn saw(&self, wanted: impl Fn(&Output) -> bool) -> bool {
        self.log.iter().any(wanted)
    }
}

fn settings(name: &str, portion: usize, limits: Limits) -> Settings {
    Settings {
        own: name.parse().expect("a call sign"),
        portion,
        limits,
    }
}

/// What went over a link.
#[derive(Debug, Default)]
pub struct Trace {
    /// What each side gave, one after the other: whether it was the first side, and the octets.
    pub given: Vec<(bool, Vec<u8>)>,
    /// Octets that arrived, of both.
    pub octets: usize,
}

/// Lets two sides talk until neither has anything, over a link that drops after so many octets of both ways together. The
/// sides take turns of one portion each.
pub fn talk(a: &mut Side, b: &mut Side, drops: usize) -> Trace {
    let mut trace = Trace::default();
    loop {
        let mut quiet = true;
        for first in [true, false] {
            let (from, to) = if first {
                (&mut *a, &mut *b)
            } else {
                (&mut *b, &mut *a)
            };
            let Some(given) = from.give(from.portion) else {
                continue;
            };
            quiet = false;
            let arrives = given.len().min(drops - trace.octets);
            trace.octets += arrives;
            to.hear(&given[..arrives]);
            trace.given.push((first, given));
            if trace.octets == drops {
                a.handle(Input::Dropped);
                b.handle(Input::Dropped);
                return trace;
            }
        }
        if quiet {
            assert!(a.is_idle() && b.is_idle(), "has_more says otherwise");
            return trace;
        }
    }
}
