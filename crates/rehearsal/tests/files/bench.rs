//! Two stations on one band, with people who type and hand over files.

use dunlin_clock::{Duration, Instant};
use dunlin_mail::file::{Head, hash_of};
use dunlin_rehearsal::{Fidelity, Rehearsal, Scenario};
use dunlin_station::{
    Command, Direction, FileDecision, FileId, FileState, FileView, PortId, Reply, TalkId, TalkLine,
    TalkState,
};

pub const SKY: usize = 0;
pub const REE: usize = 1;
pub const BAR: usize = 2;

const PLAN: &str = r#"
title = "Files"
operator = "QA1SKY"
[[band]]
name = "Band"
KIND
paths = [
    { from = "QA1SKY", to = "QM2REE", level = "LEVEL" },
    { from = "QA1SKY", to = "QM3BAR", level = "22 dB" },
    { from = "QM2REE", to = "QM3BAR", level = "22 dB" },
]
[[place]]
[place.station]
call = "QA1SKY"
[[place.port]]
name = "Band"
mode = "MODE"
[[place]]
[place.station]
call = "QM2REE"
FILES
[[place.port]]
name = "Band"
mode = "MODE"
[[place]]
[place.station]
call = "QM3BAR"
[[place.port]]
name = "Band"
mode = "MODE"
"#;

/// The rehearsal, and who sits at it.
pub struct Bench {
    pub r: Rehearsal,
}

impl Bench {
    pub fn new(mode: &str) -> Bench {
        Bench::with(mode, "22 dB", "")
    }

    pub fn with(mode: &str, level: &str, files: &str) -> Bench {
        Bench::at(Fidelity::Frame, mode, level, files)
    }

    /// QA1SKY has these key-down limits.
    pub fn limited(limits: &str) -> Bench {
        let port = "mode = \"MODE\"\n";
        let plan = PLAN.replacen(port, &format!("{port}[place.port.limits]\n{limits}\n"), 1);
        Bench::of(&plan, Fidelity::Frame, "afsk1200", "22 dB", "")
    }

    /// With sound, or with whole frames.
    pub fn at(fidelity: Fidelity, mode: &str, level: &str, files: &str) -> Bench {
        Bench::of(PLAN, fidelity, mode, level, files)
    }

    fn of(plan: &str, fidelity: Fidelity, mode: &str, level: &str, files: &str) -> Bench {
        let kind = match mode {
            "afsk300" => "kind = \"ssb\"\nrate = 12000",
            _ => "kind = \"fm\"\nrate = 24000",
        };
        let text = plan.replace("KIND", kind).replace("MODE", mode);
        let text = text.replace("LEVEL", level).replace("FILES", files);
        let scenario =
            Scenario::read("files", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"));
        let r = Rehearsal::begin_at(scenario, 5, true, fidelity).expect("it begins");
        Bench { r }
    }

    /// Lets QA1SKY call QM2REE, and waits until both are connected.
    pub fn call(&mut self) {
        let open = Command::OpenTalk {
            port: PortId(0),
            to: "QM2REE".parse().expect("a call sign"),
            via: Vec::new(),
        };
        self.r.command_at(SKY, open).expect("it calls");
        let both = |b: &mut Bench| {
            let open = |s: usize| {
                b.talk_of(s)
                    .is_some_and(|(_, state)| state == TalkState::Open)
            };
            open(SKY) && open(REE)
        };
        assert!(self.until(120, both), "they are connected");
    }

    /// Lets a station call QA1SKY: its talk, and that of QA1SKY with it.
    pub fn call_from(&mut self, station: usize) -> (TalkId, TalkId) {
        let open = Command::OpenTalk {
            port: PortId(0),
            to: "QA1SKY".parse().expect("a call sign"),
            via: Vec::new(),
        };
        let before = self.r.snapshot_of(SKY).talks.len();
        self.r.command_at(station, open).expect("it calls");
        let is_open = |b: &Bench, s: usize| b.talk_of(s).is_some_and(|t| t.1 == TalkState::Open);
        assert!(self.until(120, |b| {
            is_open(b, station) && b.r.snapshot_of(SKY).talks.len() > before && is_open(b, SKY)
        }));
        (self.talk(station), self.talk(SKY))
    }

    /// The latest talk of a station.
    pub fn talk_of(&self, station: usize) -> Option<(TalkId, TalkState)> {
        let talks = self.r.snapshot_of(station).talks;
        talks.last().map(|talk| (talk.id, talk.state))
    }

    pub fn talk(&self, station: usize) -> TalkId {
        self.talk_of(station).expect("a talk").0
    }

    pub fn say(&mut self, station: usize, text: &str) {
        self.say_in(self.talk(station), station, text);
    }

    pub fn say_in(&mut self, talk: TalkId, station: usize, text: &str) {
        let text = text.to_owned();
        let said = self.r.command_at(station, Command::Say { talk, text });
        said.expect("it is said");
    }

    /// Whether a line with this text has come.
    pub fn has_line(&self, station: usize, text: &str) -> bool {
        let mut lines = self.r.snapshot_of(station).lines.into_iter();
        lines.any(|l| l.direction == Direction::Received && l.complete && l.text == text)
    }

    /// Puts a file of so many octets, made from a seed, onto the shelf, and offers it.
    pub fn offer(&mut self, station: usize, name: &str, size: usize, seed: u32) -> FileId {
        self.offer_in(self.talk(station), station, name, size, seed)
    }

    pub fn offer_in(
        &mut self,
        talk: TalkId,
        station: usize,
        name: &str,
        size: usize,
        seed: u32,
    ) -> FileId {
        let octets = file(size, seed);
        let about = (size as u64, hash_of(&octets));
        self.offer_about(talk, station, name, octets, about)
            .expect("it is offered")
    }

    /// Offers octets with a size and hash that need not be theirs.
    pub fn offer_as(
        &mut self,
        station: usize,
        name: &str,
        octets: Vec<u8>,
        about: (u64, [u8; 32]),
    ) -> Result<FileId, String> {
        self.offer_about(self.talk(station), station, name, octets, about)
    }

    fn offer_about(
        &mut self,
        talk: TalkId,
        station: usize,
        name: &str,
        octets: Vec<u8>,
        (size, hash): (u64, [u8; 32]),
    ) -> Result<FileId, String> {
        let head = Head::new(name, None, size, hash).map_err(|e| e.to_string())?;
        self.r.put_file(station, &head, octets);
        let command = Command::OfferFile {
            talk,
            name: name.into(),
            media: None,
            size,
            hash: dunlin_mail::file::hash_in_hex(&hash),
        };
        match self.r.command_at(station, command) {
            Ok(Reply::File(file)) => Ok(file),
            Ok(other) => panic!("{other:?}"),
            Err(refusal) => Err(refusal.to_string()),
        }
    }

    /// Waits until the other end offers a file.
    pub fn offered(&mut self, station: usize, seconds: u64) -> Option<FileId> {
        let find = |b: &Bench| {
            let files = b.files(station).into_iter();
            let mut waits = files
                .filter(|f| f.direction == Direction::Received && f.state == FileState::Offered);
            waits.next().map(|f| f.id)
        };
        self.until(seconds, |b| find(b).is_some());
        find(self)
    }

    pub fn accept(&mut self, station: usize, file: FileId) {
        self.decide(station, file, FileDecision::Accept, "");
    }

    pub fn decide(&mut self, station: usize, file: FileId, decision: FileDecision, words: &str) {
        let talk = self.talk(station);
        let words = words.to_owned();
        let command = Command::AnswerFile {
            talk,
            file,
            decision,
            words,
        };
        self.r.command_at(station, command).expect("it is answered");
    }

    pub fn files(&self, station: usize) -> Vec<FileView> {
        self.r.snapshot_of(station).files
    }

    pub fn view(&self, station: usize, file: FileId) -> FileView {
        let files = self.files(station).into_iter();
        files.rev().find(|f| f.id == file).expect("it is shown")
    }

    pub fn state(&self, station: usize, file: FileId) -> FileState {
        self.view(station, file).state
    }

    /// Lines of the latest talk that went in this direction.
    pub fn lines(&self, station: usize, direction: Direction) -> Vec<TalkLine> {
        let talk = self.talk(station);
        let lines = self.r.snapshot_of(station).lines.into_iter();
        lines
            .filter(|l| l.talk == talk && l.direction == direction)
            .collect()
    }

    /// Lets time pass until `done`, at most so many seconds. True if it came.
    pub fn until(&mut self, seconds: u64, mut done: impl FnMut(&mut Bench) -> bool) -> bool {
        let end = self.r.now() + Duration::from_secs(seconds);
        while self.r.now() < end {
            if done(self) {
                return true;
            }
            self.pass(100);
        }
        done(self)
    }

    pub fn pass(&mut self, ms: u64) {
        self.r.advance(self.r.now() + Duration::from_millis(ms));
        while self.r.poll().is_some() {}
    }

    pub fn seconds(&self) -> f64 {
        self.r.now().since(Instant::ZERO).as_secs_f64()
    }

    pub fn assert_arrived(&mut self, station: usize, name: &str, size: usize, seed: u32) {
        let there = self
            .r
            .files_of(station)
            .iter()
            .find(|(head, _)| head.name() == name);
        let (_, octets) = there.expect("it is there");
        assert_eq!(octets, &file(size, seed));
    }
}

/// The octets of a file, which look like those of a packed one.
pub fn file(size: usize, seed: u32) -> Vec<u8> {
    let mut state = seed.wrapping_mul(2_654_435_761) | 1;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state as u8
    };
    (0..size).map(|_| next()).collect()
}
