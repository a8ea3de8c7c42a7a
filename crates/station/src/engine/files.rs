//! Files over talks: between the machine of a talk, its link, people, and whoever keeps files.

use std::collections::BTreeMap;

use dunlin_clock::{Duration, Instant};
use dunlin_mail::file::{
    self, File, Files, Head, Limits, MOST_PORTION, Output as Out, Settings, Why,
};

use super::{Output, Station};
use crate::command::{Refusal, Reply};
use crate::event::{Direction, Event, TalkId, TalkState, Urgency, ms};
use crate::files::{
    FileAnswer, FileAsk, FileDecision, FileId, FileRule, FileState, FileView, Held,
};

/// Asks without an answer, at most. A keeper that answers nothing must not fill the memory.
const MOST_OPEN: usize = 4096;

/// What an answer is for.
#[derive(Clone, Copy, Debug)]
enum For {
    Read { from: u64 },
    Begin,
    Write,
    Store,
    Nothing,
}

/// What is asked of whoever keeps files, and not answered.
#[derive(Debug, Default)]
pub(crate) struct FileAsks {
    open: BTreeMap<u64, (TalkId, FileId, For)>,
    next_ticket: u64,
    next_file: u64,
}

impl Station {
    /// Offers a file in a talk.
    pub(super) fn offer_file(
        &mut self,
        now: Instant,
        id: TalkId,
        name: &str,
        media: Option<&str>,
        (size, hash): (u64, &str),
    ) -> Result<Reply, Refusal> {
        let talk = self.talks.get(&id).ok_or(Refusal::NoSuchTalk(id.0))?;
        if matches!(talk.state, TalkState::Ended | TalkState::Closing) {
            return Err(Refusal::TalkEnded(talk.key.remote));
        }
        let not_offered = |why: String| Refusal::NotOffered(why);
        let hash = file::read_hash(hash)
            .ok_or_else(|| not_offered("its hash is not the 64 digits of a SHA-256".into()))?;
        let head =
            Head::new(name, media, size, hash).map_err(|wrong| not_offered(wrong.to_string()))?;
        let airtime = self.airtime_of(id, size);
        self.begin_files(id);
        let machine = self
            .talks
            .get_mut(&id)
            .and_then(|t| t.files.machine.as_mut());
        let machine = machine.ok_or(Refusal::NoSuchTalk(id.0))?;
        let file = machine
            .offer(head.clone(), airtime)
            .map_err(|wrong| not_offered(wrong.to_string()))?;
        let file = self.add_file(now, id, file, head, "offered; the other side decides");
        self.serve_files(now, id);
        Ok(Reply::File(file))
    }

    /// How long a file of so many octets is reckoned to take in a talk, if nothing else goes.
    ///
    /// # Errors
    /// There is no such talk, or it takes no files any more.
    pub fn file_airtime(&self, id: TalkId, octets: u64) -> Result<Duration, Refusal> {
        let talk = self.talks.get(&id).ok_or(Refusal::NoSuchTalk(id.0))?;
        match talk.state {
            TalkState::Ended | TalkState::Closing => Err(Refusal::TalkEnded(talk.key.remote)),
            _ => Ok(self.airtime_of(id, octets)),
        }
    }

    /// What the plan says of files.
    pub fn file_rule(&self) -> &FileRule {
        &self.config.files
    }

    /// A person decides about a file of the other end.
    pub(super) fn answer_file(
        &mut self,
        now: Instant,
        (id, file): (TalkId, FileId),
        decision: FileDecision,
        words: String,
    ) -> Result<Reply, Refusal> {
        let held = self.open_file(id, file)?;
        if matches!(held.file, File::Ours(_)) {
            return Err(Refusal::NotAsked);
        }
        let (begun, number) = (held.begun, held.file);
        let why = match decision {
            FileDecision::Accept if begun => return Err(Refusal::NotAsked),
            FileDecision::Accept => {
                held.begun = true;
                self.ask_file(id, file, FileAsk::Begin, For::Begin);
                return Ok(Reply::Done);
            }
            FileDecision::NotWanted => Why::NotWanted,
            FileDecision::TooLarge => Why::TooLarge,
            FileDecision::Later => Why::Later,
        };
        self.refuse_file(now, (id, number), why, words);
        Ok(Reply::Done)
    }

    /// A person stops a file of either side.
    pub(super) fn stop_file(
        &mut self,
        now: Instant,
        (id, file): (TalkId, FileId),
        words: String,
    ) -> Result<Reply, Refusal> {
        let number = self.open_file(id, file)?.file;
        match number {
            File::Ours(_) => self.file_input(now, id, file::Input::Withdraw(number, words)),
            File::Theirs(_) => self.refuse_file(now, (id, number), Why::Later, words),
        }
        Ok(Reply::Done)
    }

    fn open_file(&mut self, id: TalkId, file: FileId) -> Result<&mut Held, Refusal> {
        let talk = self.talks.get_mut(&id).ok_or(Refusal::NoSuchTalk(id.0))?;
        let held = talk.files.get(file).ok_or(Refusal::NoSuchFile(file.0))?;
        match held.view.state.is_open() {
            true => Ok(held),
            false => Err(Refusal::FileSettled(held.view.words.clone())),
        }
    }

    /// Refuses a file of the other end, also while it comes.
    fn refuse_file(&mut self, now: Instant, (id, file): (TalkId, File), why: Why, words: String) {
        let state = match why {
            Why::HaveIt => FileState::Done,
            Why::NoRoom => FileState::Stopped,
            _ => FileState::Refused,
        };
        let said = match why {
            Why::HaveIt => "it was here already".to_owned(),
            why => format!("refused: {why}"),
        };
        self.leave_file(id, file);
        self.change_file(now, (id, file), |view| {
            view.state = state;
            view.words = said;
        });
        self.file_input(now, id, file::Input::Refuse(file, why, words));
    }

    /// Makes the machine of a talk, if it has none: it begins with the link.
    fn begin_files(&mut self, id: TalkId) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        if talk.files.machine.is_some() {
            return;
        }
        let settings = Settings {
            own: talk.key.local,
            // What fits into a frame is said with each portion.
            portion: MOST_PORTION,
            limits: Limits {
                largest: self.config.files.largest_from(talk.key.remote),
                ..Limits::default()
            },
        };
        talk.files.machine = Some(Box::new(Files::new(settings)));
    }

    /// The link of a talk has brought something.
    pub(super) fn talk_data(&mut self, now: Instant, id: TalkId, octets: Vec<u8>) {
        self.begin_files(id);
        self.file_input(now, id, file::Input::Received(now, octets));
    }

    fn file_input(&mut self, now: Instant, id: TalkId, input: file::Input) {
        let talk = self.talks.get_mut(&id);
        if let Some(machine) = talk.and_then(|t| t.files.machine.as_mut()) {
            machine.handle(input);
        }
        self.serve_files(now, id);
    }

    /// The link of a talk is gone or has begun anew: so do the files.
    pub(super) fn drop_files(&mut self, now: Instant, id: TalkId) {
        self.file_input(now, id, file::Input::Dropped);
        if let Some(talk) = self.talks.get_mut(&id) {
            talk.files.machine = None;
        }
    }

    /// The talk is to end: no more files go in it, and the other end is told.
    pub(super) fn end_files(&mut self, now: Instant, id: TalkId) {
        if self.talks.get(&id).is_some_and(|t| t.files.any_open()) {
            self.file_input(now, id, file::Input::Quit("the talk ends".into()));
        }
    }

    /// Shows what has arrived of own files.
    pub(super) fn files_arrived(&mut self, now: Instant, id: TalkId) {
        let Some(talk) = self.talks.get_mut(&id) else {
            return;
        };
        for (file, done) in talk.files.take_arrived() {
            let held = self.talks.get_mut(&id).and_then(|t| t.files.get(file));
            let open = held.filter(|held| held.view.state.is_open());
            if let Some(number) = open.map(|held| held.file) {
                self.change_file(now, (id, number), |view| view.done = view.done.max(done));
            }
        }
    }

    /// Does what the files of a talk want.
    pub(super) fn serve_files(&mut self, now: Instant, id: TalkId) {
        while let Some(output) = self.talks.get_mut(&id).and_then(|t| t.files.poll()) {
            self.file_output(now, id, output);
        }
    }

    fn file_output(&mut self, now: Instant, id: TalkId, output: Out) {
        match output {
            Out::Text(text) => self.talk_text(now, id, &text),
            Out::Say(line) => self.say(now, id, &line),
            // What is given to the link is shown once it has arrived.
            Out::Speaks(_) | Out::Sent { .. } => {}
            Out::Offered(file, head) => {
                self.add_file(now, id, file, head, "offered; take it, or refuse it");
            }
            Out::TurnedAway(why) => {
                let text = format!("a file was refused without asking: {why}");
                self.note_of_files(now, id, Urgency::Plain, &text);
            }
            Out::Need(file, from, count) => {
                let ask = FileAsk::Read { from, count };
                self.ask_of(id, file, ask, For::Read { from });
            }
            Out::Write {
                file, from, octets, ..
            } => {
                let done = from + octets.len() as u64;
                self.ask_of(id, file, FileAsk::Write { from, octets }, For::Write);
                self.change_file(now, (id, file), |view| view.done = done);
            }
            Out::Damaged(file) => {
                self.ask_of(id, file, FileAsk::Drop, For::Nothing);
                self.change_file(now, (id, file), |view| {
                    view.done = 0;
                    view.words = "it arrived damaged and comes again".into();
                });
            }
            Out::Store(file) => {
                self.ask_of(id, file, FileAsk::Store, For::Store);
                self.change_file(now, (id, file), |view| {
                    view.state = FileState::Storing;
                    view.words = "all is there; it is being stored".into();
                });
            }
            other => self.file_standing(now, id, other),
        }
    }

    /// What the other end says about a file, and how files end.
    fn file_standing(&mut self, now: Instant, id: TalkId, output: Out) {
        match output {
            Out::Wanted(file, from) => self.change_file(now, (id, file), |view| {
                view.state = FileState::Going;
                view.done = from;
                view.words = match from {
                    0 => "it is wanted and goes".into(),
                    from => format!("it goes on from octet {from}"),
                };
            }),
            Out::Delivered(file) => self.change_file(now, (id, file), |view| {
                (view.state, view.done) = (FileState::Done, view.size);
                view.words = "the other side has stored it".into();
            }),
            Out::Refused(file, why, words) => self.change_file(now, (id, file), |view| {
                (view.state, view.words) = match why {
                    Why::HaveIt => (FileState::Done, "the other side had it already".into()),
                    why => (FileState::Refused, refused(why, &words)),
                };
            }),
            Out::Stopped { file, keep, words } => {
                match keep {
                    true => self.leave_file(id, file),
                    false if matches!(file, File::Theirs(_)) => {
                        self.ask_of(id, file, FileAsk::Drop, For::Nothing);
                        self.leave_file(id, file);
                    }
                    false => {}
                }
                self.change_file(now, (id, file), |view| {
                    (view.state, view.words) = (FileState::Stopped, stopped(&words));
                });
            }
            Out::Over(words) if self.is_open_talk(id) => {
                let text = format!("no more files go in this talk: {words}");
                self.note_of_files(now, id, Urgency::Plain, &text);
            }
            _ => {}
        }
    }

    fn is_open_talk(&self, id: TalkId) -> bool {
        let talk = self.talks.get(&id);
        talk.is_some_and(|talk| talk.state == TalkState::Open && talk.files.any_known())
    }

    fn note_of_files(&mut self, now: Instant, id: TalkId, urgency: Urgency, text: &str) {
        if let Some(key) = self.talks.get(&id).map(|talk| talk.key) {
            let text = format!("talk with {}: {text}", key.remote);
            self.note(now, Some(key.port), urgency, text);
        }
    }

    /// Notes a new file of a talk, and shows it.
    fn add_file(
        &mut self,
        now: Instant,
        id: TalkId,
        file: File,
        head: Head,
        words: &str,
    ) -> FileId {
        let number = FileId(self.files.next_file);
        self.files.next_file += 1;
        let airtime = self.airtime_of(id, head.size());
        let view = FileView {
            id: number,
            talk: id,
            name: head.name().to_owned(),
            media: head.media().map(str::to_owned),
            size: head.size(),
            hash: file::hash_in_hex(head.hash()),
            direction: match file {
                File::Ours(_) => Direction::Sent,
                File::Theirs(_) => Direction::Received,
            },
            state: FileState::Offered,
            words: words.to_owned(),
            done: 0,
            airtime_ms: whole_ms(airtime),
            since_ms: ms(now),
        };
        if let Some(talk) = self.talks.get_mut(&id) {
            talk.files.add(Held {
                view: view.clone(),
                file,
                head,
                begun: false,
            });
            self.tell(Event::File(view));
        }
        number
    }

    /// Changes what is shown of an open file.
    fn change_file(
        &mut self,
        now: Instant,
        (id, file): (TalkId, File),
        change: impl FnOnce(&mut FileView),
    ) {
        let Some(held) = self.talks.get_mut(&id).and_then(|t| t.files.of(file)) else {
            return;
        };
        let before = held.view.state;
        change(&mut held.view);
        if held.view.state != before {
            held.view.since_ms = ms(now);
        }
        let mut view = held.view.clone();
        view.airtime_ms = match view.state.is_open() {
            true => whole_ms(self.airtime_of(id, view.size - view.done.min(view.size))),
            false => 0,
        };
        let held = self.talks.get_mut(&id).and_then(|t| t.files.get(view.id));
        if let Some(held) = held {
            held.view.airtime_ms = view.airtime_ms;
        }
        self.tell(Event::File(view));
    }

    /// How long so many octets take over the link of a talk, with what belongs to them, if nothing else goes.
    fn airtime_of(&self, id: TalkId, octets: u64) -> Duration {
        let link = self.talks.get(&id).and_then(|t| self.links.get(&t.key));
        let Some(entry) = link.filter(|_| octets > 0) else {
            return Duration::ZERO;
        };
        let octets = file::on_the_link(octets, entry.pace.length());
        // A file may be too large for anything that goes on, but not for a figure.
        let seconds = (octets as f64 / entry.pace.goodput()).min(1e9);
        Duration::from_secs_f64(seconds)
    }

    /// Nothing more comes of a file in this talk: what is there of it waits for another.
    fn leave_file(&mut self, id: TalkId, file: File) {
        let held = self.talks.get_mut(&id).and_then(|t| t.files.of(file));
        if held.is_some_and(|held| held.begun) {
            self.ask_of(id, file, FileAsk::Leave, For::Nothing);
        }
    }

    fn ask_of(&mut self, id: TalkId, file: File, ask: FileAsk, purpose: For) {
        let held = self.talks.get_mut(&id).and_then(|t| t.files.of(file));
        if let Some(file) = held.map(|held| held.view.id) {
            self.ask_file(id, file, ask, purpose);
        }
    }

    /// Asks whoever keeps files.
    fn ask_file(&mut self, id: TalkId, file: FileId, ask: FileAsk, purpose: For) {
        let held = self.talks.get_mut(&id).and_then(|t| t.files.get(file));
        let Some(head) = held.map(|held| held.head.clone()) else {
            return;
        };
        if self.files.open.len() >= MOST_OPEN {
            self.files.open.pop_first();
        }
        let ticket = self.files.next_ticket;
        self.files.next_ticket += 1;
        self.files.open.insert(ticket, (id, file, purpose));
        self.outputs.push_back(Output::File { ticket, head, ask });
    }

    /// Whoever keeps files has answered.
    pub(super) fn file_answered(&mut self, now: Instant, ticket: u64, answer: &FileAnswer) {
        let Some((id, file, purpose)) = self.files.open.remove(&ticket) else {
            return;
        };
        let held = self.talks.get_mut(&id).and_then(|t| t.files.get(file));
        let stored = matches!(purpose, For::Store) && *answer == FileAnswer::Done;
        if let Some(held) = held.filter(|held| stored && held.view.state == FileState::Stopped) {
            held.view.state = FileState::Done;
            held.view.words = "stored; the other side may not know it yet".into();
            let view = held.view.clone();
            return self.tell(Event::File(view));
        }
        let held = self.talks.get_mut(&id).and_then(|t| t.files.get(file));
        // What was settled meanwhile, or begun anew, waits for no other answer.
        let Some(held) = held.filter(|held| held.view.state.is_open()) else {
            return;
        };
        let number = held.file;
        // Nothing of it is in the hands of whoever keeps files, unless it begins.
        held.begun &= !matches!(purpose, For::Begin) || matches!(answer, FileAnswer::Kept(_));
        match (purpose, answer) {
            (For::Read { from }, FileAnswer::Octets(octets)) => {
                let input = file::Input::Octets(number, from, octets.clone());
                self.file_input(now, id, input);
            }
            (For::Read { from }, _) => {
                self.file_input(now, id, file::Input::Octets(number, from, Vec::new()));
            }
            (For::Begin, FileAnswer::Kept(octets)) => self.file_begins(now, (id, number), octets),
            (For::Begin, FileAnswer::Have) => {
                self.refuse_file(now, (id, number), Why::HaveIt, String::new());
            }
            (For::Write | For::Nothing, FileAnswer::Done) => {}
            (For::Store, FileAnswer::Done | FileAnswer::Have) => {
                self.change_file(now, (id, number), |view| {
                    (view.state, view.words) = (FileState::Done, "stored".into());
                });
                self.file_input(now, id, file::Input::Stored(number, Ok(())));
            }
            (_, answer) => self.file_failed(now, (id, number), answer),
        }
    }

    /// A person takes a file, of which these octets are there.
    fn file_begins(&mut self, now: Instant, (id, file): (TalkId, File), octets: &[u8]) {
        let done = octets.len() as u64;
        self.change_file(now, (id, file), |view| {
            view.state = FileState::Going;
            view.done = done;
            view.words = match done {
                0 => "taken; it comes".into(),
                done => format!("taken; it comes from octet {done} on"),
            };
        });
        self.file_input(now, id, file::Input::Accept(file, octets.to_vec()));
    }

    /// What comes cannot be kept.
    fn file_failed(&mut self, now: Instant, (id, file): (TalkId, File), answer: &FileAnswer) {
        let (why, words) = match answer {
            FileAnswer::Failed(words) => (Why::Later, format!("it cannot be kept: {words}")),
            _ => (Why::NoRoom, "there is no room for it".to_owned()),
        };
        self.note_of_files(
            now,
            id,
            Urgency::Attention,
            &format!("a file stops: {words}"),
        );
        self.refuse_file(now, (id, file), why, String::new());
    }

    /// The files of all talks.
    pub(super) fn file_views(&self) -> Vec<FileView> {
        let files = self.talks.values().flat_map(|talk| talk.files.views());
        files.cloned().collect()
    }
}

fn refused(why: Why, words: &str) -> String {
    match words.is_empty() {
        true => format!("the other side does not take it: {why}"),
        false => format!("the other side does not take it: {why} ({words})"),
    }
}

fn stopped(words: &str) -> String {
    match words.is_empty() {
        true => "stopped".to_owned(),
        false => format!("stopped: {words}"),
    }
}

fn whole_ms(time: Duration) -> u64 {
    u64::try_from(time.as_millis()).unwrap_or(u64::MAX)
}
