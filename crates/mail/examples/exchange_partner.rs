//! One side of an exchange over standard input and output, for a test that plays the other side.
//!
//! ```text
//! exchange_partner OWN PARTNER calls|called OFFER STORED KEPT [ROOM]
//! ```
//!
//! OFFER holds the messages to offer, one JSON object a line. STORED gets those that are stored, in the
//! same form, and says what is there already. KEPT holds the partials between two runs. What became
//! of the messages offered, and how it ended, is told as JSON lines on standard error. The end of standard
//! input is the drop of the link. With ROOM only so many octets of texts are taken in one session.
#![allow(clippy::disallowed_methods, clippy::disallowed_types)] // This example is its own driver.

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read, Write, stdin, stdout};

use dunlin_clock::WallTime;
use dunlin_mail::exchange::{Input, Limits, Offerable, Output, Partial, Session, Settings, Why};
use dunlin_mail::{Message, MessageId, Station};
use serde_json::{Value, json};

/// When it is: the test compares whole files.
const NOW: WallTime = WallTime(1_796_000_000_000);

struct Keeper {
    own: Station,
    has: Vec<MessageId>,
    stored: String,
    kept: BTreeMap<MessageId, Partial>,
    /// Octets of texts for which there still is room.
    room: usize,
}

fn lines(path: &str) -> Vec<Value> {
    let text = fs::read_to_string(path).unwrap_or_default();
    let values = text.lines().map(serde_json::from_str);
    values.collect::<Result<_, _>>().expect("JSON lines")
}

fn hex(octets: &[u8]) -> String {
    octets.iter().map(|octet| format!("{octet:02x}")).collect()
}

fn from_hex(text: &Value) -> Vec<u8> {
    let text = text.as_str().expect("hexadecimal digits");
    let pairs = (0..text.len()).step_by(2);
    let octet = |at| u8::from_str_radix(&text[at..at + 2], 16).expect("hexadecimal digits");
    pairs.map(octet).collect()
}

fn kept(path: &str) -> BTreeMap<MessageId, Partial> {
    let mut kept = BTreeMap::new();
    for line in lines(path) {
        let id: MessageId = serde_json::from_value(line["id"].clone()).expect("an identifier");
        let hash = from_hex(&line["hash"]).try_into().expect("a hash");
        let octets = from_hex(&line["octets"]);
        kept.insert(id, Partial { id, hash, octets });
    }
    kept
}

impl Keeper {
    /// Does what the session wants. True = it has ended.
    fn serve(&mut self, session: &mut Session) -> bool {
        while let Some(output) = session.poll() {
            match output {
                Output::Send(octets) => {
                    // The other side may be gone; the end of input will tell.
                    let _ = stdout().write_all(&octets).and_then(|()| stdout().flush());
                }
                Output::Offered(offer) if self.has.contains(&offer.id) => {
                    session.handle(Input::Refuse(offer.id, Why::HaveIt));
                }
                Output::Offered(offer) if offer.most_text() > self.room => {
                    session.handle(Input::Refuse(offer.id, Why::NoRoom));
                }
                Output::Offered(offer) => {
                    self.room -= offer.most_text();
                    session.handle(Input::Accept(offer.id));
                }
                Output::Store(mut message) => {
                    message.taken_by(self.own, NOW);
                    let line = serde_json::to_string(&message).expect("JSON");
                    self.stored += &format!("{line}\n");
                    self.has.push(message.id);
                    session.handle(Input::Stored(message.id, NOW));
                }
                Output::More => session.handle(Input::NoMore),
                Output::KeepPartial(partial) => {
                    self.kept.insert(partial.id, partial);
                }
                Output::DropPartial(id) => {
                    self.kept.remove(&id);
                }
                Output::Taken { id, step } => eprintln!("{}", json!({"taken": id, "step": step})),
                Output::Refused { id, why } => eprintln!("{}", json!({"refused": id, "why": why})),
                Output::Ended { well, words } => {
                    eprintln!("{}", json!({"ended": words, "well": well}));
                    return true;
                }
            }
        }
        false
    }
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let (words, room) = words.split_at(words.len().min(6));
    let [own, partner, calls, offer, stored, kept_path] = words else {
        panic!("wanted: OWN PARTNER calls|called OFFER STORED KEPT [ROOM]");
    };
    let room = room.first().map(|n| n.parse().expect("a number"));
    let message = |line| serde_json::from_value::<Message>(line).expect("a message");
    let offer: Vec<Message> = lines(offer).into_iter().map(message).collect();
    let before: Vec<Message> = lines(stored).into_iter().map(message).collect();
    let settings = Settings {
        own: own.parse().expect("a call sign"),
        partner: partner.parse().expect("a call sign"),
        calls: calls == "calls",
        limits: Limits {
            packed: 100_000,
            turn: 1024,
        },
    };
    let mut keeper = Keeper {
        own: settings.own,
        has: before.iter().chain(&offer).map(|m| m.id).collect(),
        stored: fs::read_to_string(stored).unwrap_or_default(),
        kept: kept(kept_path),
        room: room.unwrap_or(usize::MAX),
    };
    let ready = |message| Offerable::new(message).expect("a message that can be offered");
    let outgoing = offer.iter().map(ready).collect();
    let mut session = Session::new(settings, outgoing, keeper.kept.values().cloned().collect());
    let mut octets = [0; 4096];
    let mut ended = keeper.serve(&mut session);
    while !ended {
        session.handle(match stdin().read(&mut octets) {
            Ok(0) | Err(_) => Input::Dropped,
            Ok(count) => Input::Received(octets[..count].to_vec()),
        });
        ended = keeper.serve(&mut session);
    }
    fs::write(stored, &keeper.stored).expect("the file of stored messages");
    let line = |kept: &Partial| {
        let (hash, octets) = (hex(&kept.hash), hex(&kept.octets));
        format!(
            "{}\n",
            json!({"id": kept.id, "hash": hash, "octets": octets})
        )
    };
    let all: String = keeper.kept.values().map(line).collect();
    fs::write(kept_path, all).expect("the file of partials");
}
