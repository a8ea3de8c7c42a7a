//! One station of the trial, as a process. It does what its standard input says, line by line, and tells on its
//! standard output what it did. Each line of it begins with `:`; a lone `:.` says that it is through.

use std::io::{BufRead as _, Write as _};
use std::path::Path;

use dunlin_clock::{Chance, WallTime};
use dunlin_mail::carriage::{Carriage, Input, Output, Settings, Ticket};
use dunlin_mail::exchange::{self, Limits};
use dunlin_mail::post::{
    Answer, Ask, Head, HoldRules, Letter, PartnerRule, Proof, Routes, Which, route,
};
use dunlin_mail::{Kind, Message, MessageId, Precedence, Station};
use dunlin_store::MailStore;

/// How the station learns who it is, where its file is, its seed, and what it confirms too early.
pub const CALL: &str = "DUNLIN_TEST_CALL";
pub const PLACE: &str = "DUNLIN_TEST_MAIL";
pub const SEED: &str = "DUNLIN_TEST_SEED";
pub const TOO_EARLY: &str = "DUNLIN_TEST_TOO_EARLY";

/// The stations, along the line.
pub const LINE: [&str; 3] = ["QA1SKY", "QM2REE", "QX0RLF"];
/// Numbers that are drawn for identifiers: so few that many are drawn a second time.
const NUMBERS: u64 = 3000;

/// Every so many messages one is long.
pub const LONG: u64 = 19;

pub fn call(text: &str) -> Station {
    text.parse().expect("a call sign")
}

/// The text of the message that the trial numbers `n`, and nobody else's.
pub fn text_of(n: u64) -> String {
    let words = ["quay", "cots", "ferry", "gale", "water", "boat", "diesel"];
    let mut chance = Chance::stream(n, "text");
    let mut text = format!("Message {n}.\n");
    // Some are of many turns, and do not pack well.
    if n.is_multiple_of(LONG) {
        let letter = |_| char::from(b'a' + chance.below(26) as u8);
        text.extend((0..9000).map(letter));
        return text;
    }
    for _ in 0..chance.below(if n.is_multiple_of(7) { 1200 } else { 60 }) {
        text.push_str(words[chance.below(7) as usize]);
        text.push_str(if chance.below(9) == 0 { ".\n" } else { " " });
    }
    text
}

/// How the message is addressed; `to` is a place on the line, or 3 for a bulletin.
pub fn kind_of(to: usize) -> Kind {
    match LINE.get(to) {
        Some(call) => Kind::Personal {
            to: format!("{call} at {call}").parse().expect("an address"),
        },
        None => Kind::Bulletin {
            topic: "FERRY".into(),
            area: "ISLES".into(),
        },
    }
}

struct Child {
    own: Station,
    place: usize,
    store: MailStore,
    chance: Chance,
    too_early: String,
    now: WallTime,
    carriage: Option<Carriage>,
}

#[expect(
    clippy::disallowed_methods,
    reason = "the trial hears what a station says"
)]
fn say(words: std::fmt::Arguments<'_>) {
    let mut out = std::io::stdout().lock();
    writeln!(out, ":{words}").expect("the trial listens");
    out.flush().expect("the trial listens");
}

/// Not a check of its own: one station, which a trial runs and kills.
#[test]
#[ignore = "run by the others, in a process of its own"]
#[expect(
    clippy::disallowed_methods,
    reason = "a process of its own has to be told its task"
)]
fn station() {
    println!(); // What the test harness says before stands in a line of its own.
    let variable = |name| std::env::var(name).expect("run by a trial");
    let own = variable(CALL);
    let seed = variable(SEED).parse().expect("a number");
    let mut child = Child {
        place: LINE.iter().position(|call| *call == own).expect("a place"),
        own: call(&own),
        store: MailStore::open(Path::new(&variable(PLACE))).expect("opens"),
        chance: Chance::stream(seed, &own),
        too_early: variable(TOO_EARLY),
        now: WallTime(0),
        carriage: None,
    };
    say(format_args!("."));
    for line in std::io::stdin().lock().lines() {
        child.command(&line.expect("words"));
        say(format_args!("."));
    }
}

impl Child {
    /// The time in milliseconds, a word, and what belongs to it.
    fn command(&mut self, line: &str) {
        let words: Vec<&str> = line.split(' ').collect();
        let number = |n: usize| words[n].parse::<u64>().expect("a number");
        self.now = WallTime(words[0].parse().expect("a time"));
        match words[1] {
            "write" => self.write(number(2), number(3) as usize),
            "delete" => self.delete(words[2].parse().expect("an identifier")),
            "link" => self.link(number(2) as usize, words[3] == "calls"),
            "octets" => self.input(Input::Received(from_hex(words[2]))),
            "dropped" => self.input(Input::Dropped),
            "tell" => self.tell(),
            "known" => self.known(words[2].parse().expect("an identifier")),
            other => panic!("{other:?} is no command"),
        }
    }

    fn routes(&self) -> Routes {
        let near = [self.place.checked_sub(1), Some(self.place + 1)];
        let near = near.into_iter().flatten().filter(|&n| n < LINE.len());
        // A partner carries mail for whoever is on that side of this station.
        let beyond = |n: usize, m: usize| m != self.place && (m < self.place) == (n < self.place);
        let homes = |n: usize| {
            let there = (0..LINE.len()).filter(move |&m| beyond(n, m));
            there.map(|m| call(LINE[m])).collect()
        };
        let rule = |n: usize| PartnerRule {
            partner: call(LINE[n]),
            homes: homes(n),
            areas: vec!["ISLES".into()],
            carries_all: false,
            trusted: true,
        };
        Routes {
            own: self.own,
            keeps_for: Vec::new(),
            partners: near.map(rule).collect(),
        }
    }

    fn write(&mut self, n: u64, to: usize) {
        loop {
            let origin = self.own;
            let number = self.chance.below(NUMBERS);
            let id = MessageId { origin, number };
            let mut message = Message {
                id,
                kind: kind_of(to),
                precedence: Precedence::Routine,
                from: LINE[self.place].parse().expect("an address"),
                written: self.now,
                title: format!("Title {n}"),
                body: text_of(n),
                chain: Vec::new(),
            };
            message.taken_by(origin, self.now);
            let way = route(&message, &self.routes());
            let letter = Letter::new(message, Proof::Own, &way, self.now);
            let early = self.too_early == "written";
            if early {
                say(format_args!("kept {n} {id}"));
                slow_disk();
            }
            match self.store.answer(Ask::Keep(Box::new(letter)), self.now) {
                Answer::Kept if early => return,
                Answer::Kept => return say(format_args!("kept {n} {id}")),
                Answer::AlreadyKnown => say(format_args!("again {id}")),
                Answer::NotKept { words } => return say(format_args!("not kept {n}: {words}")),
                other => panic!("{other:?}"),
            }
        }
    }

    fn delete(&mut self, id: MessageId) {
        match self.store.answer(Ask::Delete { id, by: None }, self.now) {
            Answer::Done => say(format_args!("deleted {id}")),
            Answer::NotFound => say(format_args!("not there {id}")),
            other => say(format_args!("failed {other:?}")),
        }
    }

    fn link(&mut self, to: usize, calls: bool) {
        let settings = Settings {
            exchange: exchange::Settings {
                own: self.own,
                partner: call(LINE[to]),
                calls,
                limits: Limits {
                    packed: 60_000,
                    turn: 1024,
                },
            },
            proof: Proof::VouchedFor,
            routes: self.routes(),
            holds: HoldRules::default(),
            areas: None,
            asked: false,
        };
        self.carriage = Some(Carriage::new(settings, self.now));
        self.serve();
    }

    fn input(&mut self, input: Input) {
        if let Some(carriage) = &mut self.carriage {
            carriage.handle(input, self.now);
        }
        self.serve();
    }

    fn serve(&mut self) {
        while let Some(output) = self.carriage.as_mut().and_then(Carriage::poll) {
            match output {
                Output::Send(octets) => say(format_args!("send {}", hex(&octets))),
                Output::Note(words) => say(format_args!("note {words}")),
                Output::Ended { well, .. } => say(format_args!("ended {well}")),
                Output::Ask(ticket, ask) => self.asked(ticket, ask),
                Output::CameToNothing(_) => {}
            }
        }
        if self.carriage.as_ref().is_some_and(Carriage::is_through) {
            self.carriage = None;
        }
    }

    fn asked(&mut self, ticket: Ticket, ask: Ask) {
        let kept = match &ask {
            Ask::Keep(letter) => Some(letter.message.id),
            _ => None,
        };
        let early = kept.is_some() && self.too_early == "received";
        if early {
            self.answered(ticket, Answer::Kept);
            self.serve();
            slow_disk();
        }
        let answer = self.store.answer(ask, self.now);
        if let (Some(id), Answer::Kept) = (kept, &answer) {
            say(format_args!("received {id}"));
        }
        if !early {
            self.answered(ticket, answer);
        }
    }

    fn answered(&mut self, ticket: Ticket, answer: Answer) {
        if let Some(carriage) = &mut self.carriage {
            carriage.handle(Input::Answer(ticket, Box::new(answer)), self.now);
        }
    }

    /// Everything that is here, with its text.
    fn tell(&mut self) {
        self.store.check().expect("the file is whole");
        let mut after = None;
        loop {
            let ask = Ask::List {
                reader: None,
                which: Which::All,
                after,
                most: 500,
            };
            let Answer::Heads(heads) = self.store.answer(ask, self.now) else {
                panic!("no list");
            };
            let Some(last) = heads.last() else { return };
            after = Some(last.place);
            heads.iter().for_each(|head| self.tell_one(head));
        }
    }

    fn tell_one(&mut self, head: &Head) {
        let (id, reader) = (head.id, None);
        let Answer::Opened(letter) = self.store.answer(
            Ask::Open {
                id,
                reader,
                glance: false,
            },
            self.now,
        ) else {
            panic!("{id} is in the list and cannot be opened");
        };
        let waits = letter.legs.iter().filter(|leg| leg.waits()).count();
        let text = serde_json::to_string(&letter.message).expect("JSON");
        say(format_args!("has {waits} {text}"));
    }

    fn known(&mut self, id: MessageId) {
        let partner = self.own;
        match self.store.answer(Ask::Known { id, partner }, self.now) {
            Answer::Known { known, .. } => say(format_args!("known {known}")),
            other => panic!("{other:?}"),
        }
    }
}

/// What was confirmed too early is committed a little later, so that a kill meets it on a fast machine as well.
#[expect(
    clippy::disallowed_methods,
    reason = "a kill comes at a time of the outer world"
)]
fn slow_disk() {
    std::thread::sleep(std::time::Duration::from_millis(3));
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|octet| format!("{octet:02x}")).collect()
}

fn from_hex(text: &str) -> Vec<u8> {
    let pairs = text.as_bytes().chunks(2);
    let octet = |pair: &[u8]| {
        let pair = std::str::from_utf8(pair).expect("figures");
        u8::from_str_radix(pair, 16).expect("an octet")
    };
    pairs.map(octet).collect()
}
