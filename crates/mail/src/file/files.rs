//! The files of one talk.

use std::collections::VecDeque;
use std::time::Duration;

use dunlin_ax25::CallSign;
use dunlin_clock::Instant;

use super::event::{File, Input, NotOffered, Output};
use super::head::{Head, HeadError};
use super::incoming::{Incoming, Limits, Next};
use super::line::{self, Heard, Lines, Token};
use super::outgoing::Outgoing;
use super::record::{HELLO, Hello, OFFER, PIECE, REFUSE, Record, STORED, WANT};
use super::splitter::{Found, GOES_ON, INTRODUCER, LITERAL, Splitter};
use super::why::Why;
use crate::exchange::octets::Read;

/// Octets below which nothing is given out.
pub const LEAST_ROOM: usize = 16;
/// Octets of one portion, at most: one record of the longest kind.
pub const MOST_PORTION: usize = 257;
/// Octets of a piece beside those of the file: introducer, length, type, number.
const BESIDE: usize = 4;
/// Records that may wait for the link. Each record of the partner brings at most one, so a partner that asks without
/// end and takes no answers ends the files.
const MOST_QUEUED: usize = 64;
/// Records of the partner that do not fit, at most, before the files of the talk are ended.
const MOST_FAULTS: u32 = 8;
/// Tags of own lines that an answer may name.
const MOST_TOKENS: usize = 8;

/// Who talks, and how much goes at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settings {
    /// This station, as the line of an offer names it.
    pub own: CallSign,
    /// Octets that go out before somebody who types gets a word in: at most one frame. Kept within [`LEAST_ROOM`] and
    /// [`MOST_PORTION`].
    pub portion: usize,
    /// What this side takes.
    pub limits: Limits,
}

/// A record that waits for the link.
#[derive(Debug)]
struct Queued {
    kind: u8,
    payload: Vec<u8>,
    /// Octets of the payload that are given out.
    given: usize,
}

/// The machine: [`handle`](Files::handle) one input, [`poll`](Files::poll) until nothing is left; and
/// [`give`](Files::give) whenever the link has room and nothing typed waits.
#[derive(Debug)]
pub struct Files {
    settings: Settings,
    splitter: Splitter,
    lines: Lines,
    outputs: VecDeque<Output>,
    records: VecDeque<Queued>,
    ours: Outgoing,
    theirs: Incoming,
    /// The tags of lines that were sent, and of the first that came.
    tokens: Vec<Token>,
    hello_queued: bool,
    /// From here on an introducer that is typed is marked as text.
    hello_given: bool,
    /// What the partner takes, once it has said its hello.
    partner: Option<u64>,
    faults: u32,
    flood_told: bool,
    over: bool,
}

impl Files {
    /// Begins with a talk. Nothing is sent before a file is offered, by either side.
    pub fn new(mut settings: Settings) -> Self {
        settings.portion = settings.portion.clamp(LEAST_ROOM, MOST_PORTION);
        Files {
            splitter: Splitter::default(),
            lines: Lines::default(),
            outputs: VecDeque::new(),
            records: VecDeque::new(),
            ours: Outgoing::default(),
            theirs: Incoming::new(settings.limits),
            tokens: Vec::new(),
            hello_queued: false,
            hello_given: false,
            partner: None,
            faults: 0,
            flood_told: false,
            over: false,
            settings,
        }
    }

    /// Offers a file. `airtime` is what it will take here, as the station reckons it from [`on_the_link`]; a
    /// partner that has not shown that it speaks the protocol is told in a line.
    pub fn offer(&mut self, head: Head, airtime: Duration) -> Result<File, NotOffered> {
        if self.over {
            return Err(NotOffered::Over);
        }
        if self.ours.is_open(&head) {
            return Err(NotOffered::Already);
        }
        let largest = self.partner.unwrap_or(u64::MAX);
        if head.size() > largest {
            return Err(NotOffered::TooLarge(head.size(), largest));
        }
        let number = self.ours.add(head.clone()).ok_or(NotOffered::TooMany)?;
        if self.partner.is_some() {
            self.offer_waiting();
        } else if !self.hello_queued {
            let line = line::offer(self.settings.own, &head, airtime);
            self.outputs.push_back(Output::Say(line));
            self.tokens.push(line::token(&head));
            let surplus = self.tokens.len().saturating_sub(MOST_TOKENS);
            self.tokens.drain(..surplus);
        }
        Ok(File::Ours(number))
    }

    /// What goes to the link for typed text. Everything typed before the next [`give`](Files::give) must be handed to the
    /// link before that.
    pub fn typed(&self, text: &[u8]) -> Vec<u8> {
        if !self.hello_given || !text.contains(&INTRODUCER) {
            return text.to_vec();
        }
        let mut octets = Vec::with_capacity(text.len() + 1);
        for &octet in text {
            match octet {
                INTRODUCER => octets.extend(LITERAL),
                _ => octets.push(octet),
            }
        }
        octets
    }

    /// Whether [`give`](Files::give) has something.
    pub fn has_more(&self) -> bool {
        !self.records.is_empty() || self.ours.is_ready()
    }

    /// Whether the next portion has more than answers and other short records: parts of files.
    pub fn has_only_pieces(&self) -> bool {
        self.records.is_empty() && self.ours.is_ready()
    }

    /// The next portion, of at most `room` octets; to be asked for only when nothing typed waits. It consists of whole
    /// records, so what is typed may go between any two. There may be outputs after it.
    pub fn give(&mut self, room: usize) -> Option<Vec<u8>> {
        self.portion(room, true)
    }

    /// The same without parts of files, while those have to wait.
    pub fn give_short(&mut self, room: usize) -> Option<Vec<u8>> {
        self.portion(room, false)
    }

    fn portion(&mut self, room: usize, pieces: bool) -> Option<Vec<u8>> {
        let room = room.min(self.settings.portion);
        let mut portion = Vec::new();
        loop {
            let left = room - portion.len();
            if left < LEAST_ROOM
                || !(self.give_record(&mut portion, left)
                    || pieces && self.give_piece(&mut portion, left))
            {
                break;
            }
        }
        (!portion.is_empty()).then_some(portion)
    }

    fn give_record(&mut self, portion: &mut Vec<u8>, left: usize) -> bool {
        let Some(record) = self.records.front_mut() else {
            return false;
        };
        let rest = &record.payload[record.given..];
        let count = rest.len().min(left - 3).min(254);
        let goes_on = if count < rest.len() { GOES_ON } else { 0 };
        portion.extend([INTRODUCER, count as u8 + 1, record.kind | goes_on]);
        portion.extend(&rest[..count]);
        record.given += count;
        if goes_on == 0 {
            self.hello_given |= record.kind == HELLO;
            self.records.pop_front();
        }
        true
    }

    fn give_piece(&mut self, portion: &mut Vec<u8>, left: usize) -> bool {
        let Some((number, octets, done, total)) = self.ours.piece(left - BESIDE) else {
            return false;
        };
        let (kind, payload) = Record::Piece(number, octets).write();
        portion.extend([INTRODUCER, payload.len() as u8 + 1, kind]);
        portion.extend(payload);
        let file = File::Ours(number);
        self.outputs.push_back(Output::Sent { file, done, total });
        self.ask();
        true
    }

    /// What follows, one at a time.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// Takes in one thing.
    pub fn handle(&mut self, input: Input) {
        match input {
            Input::Received(now, octets) => self.receive(now, &octets),
            Input::Accept(File::Theirs(number), kept) => {
                if let Some(next) = self.theirs.accept(number, &kept) {
                    self.follow(number, next);
                }
            }
            Input::Refuse(File::Theirs(number), why, words) => self.refuse(number, why, words),
            Input::Stored(File::Theirs(number), done) => self.stored(number, done),
            Input::Octets(File::Ours(number), from, octets) => self.read(number, from, &octets),
            Input::Withdraw(File::Ours(number), words) => {
                let head = self.ours.head(number).cloned();
                if self.withdraw(number, &words) && !self.hello_queued {
                    let line = head.map(|head| line::no_longer(self.settings.own, &head));
                    self.outputs.extend(line.map(Output::Say));
                }
            }
            Input::Quit(words) => self.end(&words, true),
            Input::Dropped => {
                let rest = self.splitter.rest();
                self.text(rest);
                self.end("the link has dropped", false);
            }
            // A file of the other side than the input is about.
            _ => {}
        }
        self.ask();
    }

    fn refuse(&mut self, number: u8, why: Why, words: String) {
        if self.theirs.settle(number) {
            self.put(&Record::Refuse(number, why, words));
        }
    }

    fn stored(&mut self, number: u8, done: Result<(), Why>) {
        if self.theirs.stored(number) {
            self.put(&match done {
                Ok(()) => Record::Stored(number),
                Err(why) => Record::Refuse(number, why, String::new()),
            });
        }
    }

    fn read(&mut self, number: u8, from: u64, octets: &[u8]) {
        if !self.ours.octets(number, from, octets) {
            self.withdraw(number, "it cannot be read");
        }
    }

    fn withdraw(&mut self, number: u8, words: &str) -> bool {
        let was_open = self.ours.settle(number);
        if was_open {
            self.stopped(File::Ours(number), false, words);
            if self.partner.is_some() {
                self.put(&Record::Withdraw(number, words.to_owned()));
            }
        }
        was_open
    }

    fn stopped(&mut self, file: File, keep: bool, words: &str) {
        let words = words.to_owned();
        self.outputs
            .push_back(Output::Stopped { file, keep, words });
    }

    /// Asks the station for the octets that go next.
    fn ask(&mut self) {
        if let Some((number, from, count)) = self.ours.need() {
            self.outputs
                .push_back(Output::Need(File::Ours(number), from, count));
        }
    }

    fn put(&mut self, record: &Record) {
        if self.over && !matches!(record, Record::Quit(_)) {
            return;
        }
        if self.records.len() >= MOST_QUEUED {
            self.end("more answers wait than can be sent", true);
            return;
        }
        let (kind, payload) = record.write();
        self.records.push_back(Queued {
            kind,
            payload,
            given: 0,
        });
    }

    /// Ends the files of this talk.
    fn end(&mut self, words: &str, tell: bool) {
        if self.over {
            return;
        }
        self.over = true;
        for number in self.ours.open() {
            self.ours.settle(number);
            self.stopped(File::Ours(number), false, words);
        }
        for number in self.theirs.stop() {
            self.stopped(File::Theirs(number), true, words);
        }
        // A record of which a part is out must come to its end, and a hello comes before all else.
        let begun = |queued: &Queued| queued.given > 0 || queued.kind == HELLO;
        self.records.retain(begun);
        if tell && self.partner.is_some() {
            self.put(&Record::Quit(words.to_owned()));
        }
        self.outputs.push_back(Output::Over(words.to_owned()));
    }

    fn text(&mut self, text: Vec<u8>) {
        match self.outputs.back_mut() {
            _ if text.is_empty() => {}
            Some(Output::Text(before)) => before.extend(text),
            _ => self.outputs.push_back(Output::Text(text)),
        }
    }

    fn receive(&mut self, now: Instant, octets: &[u8]) {
        self.splitter.feed(octets);
        while let Some(found) = self.splitter.next(&self.tokens) {
            match found {
                Found::Text(text) => {
                    let heard = match self.partner {
                        None => self.lines.feed(&text),
                        Some(_) => None,
                    };
                    self.text(text);
                    self.heard(heard);
                }
                Found::Hello(hello) => self.hello(hello),
                // After a quit of either side its records are still read as such, so that they are not taken for text.
                _ if self.over => {}
                Found::Wrong(wrong) => self.fault(&wrong),
                Found::Record { kind, payload } => {
                    let read = Record::read(kind, &payload);
                    let done = match read {
                        Ok(Some(record)) => self.record(now, record),
                        Ok(None) => Ok(()),
                        Err(wrong) => Err(wrong),
                    };
                    if let Err(wrong) = done {
                        self.fault(&wrong);
                        self.give_up(kind, payload.first().copied(), &wrong);
                    }
                }
            }
        }
    }

    /// A line of somebody who has not said a hello.
    fn heard(&mut self, heard: Option<Heard>) {
        match heard {
            // An own line that comes back is an echo and shows nothing.
            Some(Heard::Tag(token)) if !self.over && !self.tokens.contains(&token) => {
                self.say_hello(token);
            }
            Some(Heard::No) => {
                for number in self.ours.open() {
                    self.ours.settle(number);
                    let refused = Output::Refused(File::Ours(number), Why::NotWanted, "no".into());
                    self.outputs.push_back(refused);
                }
            }
            _ => {}
        }
    }

    fn say_hello(&mut self, token: Token) {
        if self.hello_queued {
            return;
        }
        self.hello_queued = true;
        self.tokens.push(token);
        self.put(&Record::Hello(Hello::new(
            token,
            self.settings.limits.largest,
        )));
    }

    fn hello(&mut self, hello: Hello) {
        self.partner = Some(hello.largest);
        self.outputs.push_back(Output::Speaks(hello.largest));
        if !self.over {
            self.say_hello(hello.token);
            self.offer_waiting();
        } else if self.hello_queued {
            self.put(&Record::Quit("no more files go in this talk".to_owned()));
        }
    }

    /// Offers by records what waited for the partner's hello.
    fn offer_waiting(&mut self) {
        let largest = self.partner.unwrap_or(0);
        for (number, head) in self.ours.waiting() {
            if head.size() <= largest {
                self.put(&Record::Offer(number, Ok(head)));
            } else if self.ours.settle(number) {
                let refused = Output::Refused(File::Ours(number), Why::TooLarge, String::new());
                self.outputs.push_back(refused);
            }
        }
    }

    fn record(&mut self, now: Instant, record: Record) -> Read<()> {
        match record {
            Record::Hello(_) => return Err("a second hello".to_owned()),
            Record::Offer(number, head) => self.offered(now, number, head)?,
            Record::Want(number, from) => {
                if self.ours.want(number, from)?.is_some() {
                    self.outputs
                        .push_back(Output::Wanted(File::Ours(number), from));
                }
            }
            Record::Refuse(number, why, words) => {
                if self.ours.refused(number)? {
                    self.outputs
                        .push_back(Output::Refused(File::Ours(number), why, words));
                }
            }
            Record::Stored(number) => {
                if self.ours.stored(number)? {
                    self.outputs
                        .push_back(Output::Delivered(File::Ours(number)));
                }
            }
            Record::Piece(number, octets) => {
                if let Some((from, total, next)) = self.theirs.piece(number, &octets)? {
                    let file = File::Theirs(number);
                    self.outputs.push_back(Output::Write {
                        file,
                        from,
                        octets,
                        total,
                    });
                    self.follow(number, next);
                }
            }
            Record::Withdraw(number, words) => {
                if !self.theirs.knows(number) {
                    return Err(format!(
                        "a withdrawal of file {number}, which was not offered"
                    ));
                }
                if self.theirs.settle(number) {
                    self.stopped(File::Theirs(number), true, &words);
                }
            }
            Record::Quit(words) => self.end(&words, false),
        }
        Ok(())
    }

    fn offered(&mut self, now: Instant, number: u8, head: Result<Head, HeadError>) -> Read<()> {
        let head = head.ok();
        let Some(why) = self.theirs.offer(now, number, head.clone())? else {
            let offered = head.map(|head| Output::Offered(File::Theirs(number), head));
            self.outputs.extend(offered);
            return Ok(());
        };
        self.put(&Record::Refuse(number, why, String::new()));
        if why != Why::TooMany || !self.flood_told {
            self.outputs.push_back(Output::TurnedAway(why));
        }
        self.flood_told |= why == Why::TooMany;
        Ok(())
    }

    /// Goes on with one of the partner's files.
    fn follow(&mut self, number: u8, next: Next) {
        let file = File::Theirs(number);
        match next {
            Next::More => {}
            Next::Want(from) => self.put(&Record::Want(number, from)),
            Next::Store => self.outputs.push_back(Output::Store(file)),
            Next::Again => {
                self.outputs.push_back(Output::Damaged(file));
                self.put(&Record::Want(number, 0));
            }
            Next::Refuse(why) => {
                self.stopped(file, false, &why.to_string());
                self.put(&Record::Refuse(number, why, String::new()));
            }
        }
    }

    fn fault(&mut self, wrong: &str) {
        self.faults += 1;
        if self.faults > MOST_FAULTS {
            self.end(&format!("too much did not fit, at last {wrong}"), true);
        }
    }

    /// The file that a record is about ends, as the record does not fit.
    fn give_up(&mut self, kind: u8, number: Option<u8>, wrong: &str) {
        let Some(number) = number else { return };
        match kind {
            PIECE | OFFER => {
                let was_open = self.theirs.settle(number);
                if was_open {
                    self.stopped(File::Theirs(number), true, wrong);
                }
                // Whoever offers waits for an answer, also to what could not be read.
                if was_open || kind == OFFER {
                    self.put(&Record::Refuse(number, Why::DoesNotFit, wrong.to_owned()));
                }
            }
            WANT | STORED | REFUSE => {
                self.withdraw(number, wrong);
            }
            _ => {}
        }
    }
}

/// Octets that go over the link for so many octets of a file in portions of so many, without what both sides say
/// about it. For the airtime of an offer.
pub fn on_the_link(octets: u64, portion: usize) -> u64 {
    let portion = portion.clamp(LEAST_ROOM, MOST_PORTION);
    let pieces = octets.div_ceil((portion - BESIDE) as u64);
    octets + pieces * BESIDE as u64
}
