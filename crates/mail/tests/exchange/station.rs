//! A station that keeps messages, as far as an exchange needs one; and the link between two.

use std::collections::{BTreeMap, VecDeque};

use dunlin_clock::WallTime;
use dunlin_mail::exchange::{
    Input, Limits, Offer, Offerable, Output, Partial, Session, Settings, Why,
};
use dunlin_mail::{Kind, Message, MessageId, Precedence, Station, Step};

/// When it is, in all these tests.
pub const NOW: WallTime = WallTime(1_796_000_000_000);

pub fn call(text: &str) -> Station {
    text.parse().expect("a call sign")
}

/// A personal message of QM3BAR with this number and text.
pub fn message(number: u64, body: &str) -> Message {
    Message {
        id: MessageId {
            origin: call("QM3BAR"),
            number,
        },
        kind: Kind::Personal {
            to: "QX0RLF".parse().expect("an address"),
        },
        precedence: Precedence::Routine,
        from: "QM3BAR".parse().expect("an address"),
        written: WallTime(NOW.0 - 600_000),
        title: format!("Number {number}"),
        body: body.to_owned(),
        chain: vec![Step {
            station: call("QM3BAR"),
            at: WallTime(NOW.0 - 600_000),
        }],
    }
}

/// Text that hardly packs: what a generator draws, as letters.
pub fn noise(seed: u64, octets: usize) -> String {
    let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut letters = String::new();
    for _ in 0..octets {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        letters.push(char::from(33 + (state >> 33) as u8 % 90));
    }
    letters
}

pub struct Keeper {
    pub call: Station,
    pub limits: Limits,
    /// All that it has.
    pub has: BTreeMap<MessageId, Message>,
    /// What waits for the partner.
    pub out: Vec<MessageId>,
    pub kept: BTreeMap<MessageId, Partial>,
    pub log: Vec<Output>,
    /// How often each message was stored.
    pub stored: BTreeMap<MessageId, u32>,
    /// Stores that fail before one succeeds.
    pub fails: u32,
    /// What it says to an offer of what it does not have.
    pub decides: fn(&Offer) -> Option<Why>,
}

impl Keeper {
    pub fn new(name: &str, messages: Vec<Message>) -> Self {
        Keeper {
            call: call(name),
            limits: Limits {
                packed: 100_000,
                turn: 2048,
            },
            out: messages.iter().map(|message| message.id).collect(),
            has: messages.into_iter().map(|m| (m.id, m)).collect(),
            kept: BTreeMap::new(),
            log: Vec::new(),
            stored: BTreeMap::new(),
            fails: 0,
            decides: |_| None,
        }
    }

    pub fn session(&self, partner: Station, calls: bool) -> Session {
        let settings = Settings {
            own: self.call,
            partner,
            calls,
            limits: self.limits,
        };
        let ready = |id| Offerable::new(&self.has[id]).expect("a message that can be offered");
        let out = self.out.iter().map(ready).collect();
        Session::new(settings, out, self.kept.values().cloned().collect())
    }

    /// Does what the session wants; gives back what it sends, and whether it has ended.
    pub fn serve(&mut self, session: &mut Session) -> (Vec<u8>, bool) {
        let (mut sent, mut ended) = (Vec::new(), false);
        while let Some(output) = session.poll() {
            self.log.push(output.clone());
            match output {
                Output::Send(octets) => sent.extend(octets),
                Output::Offered(offer) => {
                    let known = self.has.contains_key(&offer.id).then_some(Why::HaveIt);
                    session.handle(match known.or_else(|| (self.decides)(&offer)) {
                        None => Input::Accept(offer.id),
                        Some(why) => Input::Refuse(offer.id, why),
                    });
                }
                Output::Store(message) if self.fails > 0 => {
                    self.fails -= 1;
                    session.handle(Input::NotStored(message.id, Why::NoRoom));
                }
                Output::Store(mut message) => {
                    let id = message.id;
                    message.taken_by(self.call, NOW);
                    *self.stored.entry(id).or_default() += 1;
                    self.has.insert(id, *message);
                    session.handle(Input::Stored(id, NOW));
                }
                Output::More => session.handle(Input::NoMore),
                Output::KeepPartial(partial) => {
                    self.kept.insert(partial.id, partial);
                }
                Output::DropPartial(id) => {
                    self.kept.remove(&id);
                }
                Output::Taken { id, step } => {
                    self.settle(id);
                    let message = self.has.get_mut(&id).expect("what it offered");
                    message.chain.push(step);
                }
                Output::Refused { id, why } => {
                    if why != Why::TryLater && why != Why::NoRoom {
                        self.settle(id);
                    }
                }
                Output::Ended { .. } => ended = true,
            }
        }
        (sent, ended)
    }

    fn settle(&mut self, id: MessageId) {
        self.out.retain(|&other| other != id);
    }

    /// The words with which the last session ended, and whether it ended well.
    pub fn last_words(&self) -> (bool, String) {
        match self.log.last() {
            Some(Output::Ended { well, words }) => (*well, words.clone()),
            other => panic!("the last output is {other:?}"),
        }
    }
}

/// What one session brought over.
#[derive(Debug, Default)]
pub struct Trace {
    /// Turns as they were sent: whether by the caller, and the octets.
    pub turns: Vec<(bool, Vec<u8>)>,
    /// Octets that arrived: from the caller, from the called.
    pub arrived: [Vec<u8>; 2],
}

/// Lets two stations exchange over a link that drops after so many octets of both ways together, and hands over `chunk`
/// octets at a time.
pub fn exchange(caller: &mut Keeper, called: &mut Keeper, drops: usize, chunk: usize) -> Trace {
    let mut trace = Trace::default();
    let mut sessions = [
        caller.session(called.call, true),
        called.session(caller.call, false),
    ];
    let keepers = [caller, called];
    let mut lines: [VecDeque<u8>; 2] = Default::default();
    let mut ended = [false; 2];
    let mut left = drops;
    loop {
        for side in 0..2 {
            let (sent, end) = keepers[side].serve(&mut sessions[side]);
            if !sent.is_empty() {
                trace.turns.push((side == 0, sent.clone()));
            }
            lines[side].extend(sent);
            ended[side] |= end;
        }
        if ended == [true; 2] {
            return trace;
        }
        let moving = (0..2).find(|&side| !lines[side].is_empty());
        match moving.filter(|_| left > 0) {
            Some(side) => {
                let count = chunk.min(left).min(lines[side].len());
                let octets: Vec<u8> = lines[side].drain(..count).collect();
                left -= count;
                trace.arrived[side].extend(&octets);
                sessions[1 - side].handle(Input::Received(octets));
            }
            None => {
                assert!(left == 0, "the exchange stands still");
                lines = Default::default();
                for session in &mut sessions {
                    session.handle(Input::Dropped);
                }
            }
        }
    }
}
