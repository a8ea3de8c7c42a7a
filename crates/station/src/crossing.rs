//! A crossing at work: a visitor on one port, carried to a station on another. Two links,
//! each acknowledged by itself; this file decides what goes from one to the other and what
//! both ends are told. It owns no link: it answers each happening with [`Act`]s.

mod asked;
mod asking;
mod mailbox;
mod terms;
mod words;

use std::collections::VecDeque;

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant, WallTime};
use dunlin_mail::MessageId;

use crate::config::WhoMayCross;
use crate::event::{CrossingId, CrossingView, PortId};
use crate::links::LinkKey;
use crate::paths::names;
use crate::talk::LINE_END;
pub(crate) use asked::Question;
use mailbox::Mailbox;
pub(crate) use mailbox::{LEAST_WRITTEN, MOST_LISTED, Wish};
pub(crate) use terms::Terms;

/// What a visitor may type ahead before the far station has answered, octets; at half of it
/// the visitor is asked to wait.
const MOST_TYPED_AHEAD: usize = 4096;
/// How long a visitor may take to name a station.
const ANSWER_WITHIN: Duration = Duration::from_secs(120);
/// More of an answer than this, octets, is not sent to a visitor who types while it waits.
const LONG_ANSWER: usize = 128;
/// How long an open crossing may be silent, and a visitor of the node. On a crowded channel a line can take minutes. Common practice for idle links to a hub is 10 to
/// 15 minutes, no source.
const SILENT_AT_MOST: Duration = Duration::from_secs(900);
/// Of two who share a crossing, one counts as busy for so long after anything passed.
const BUSY_FOR: Duration = Duration::from_secs(120);
/// Shares are those of about so long.
const FORGOTTEN_IN: Duration = Duration::from_secs(300);
/// Emergency traffic of a visitor goes first for so long; then the word has to be said again.
const URGENT_FOR: Duration = Duration::from_secs(1800);
/// How long the release of both halves may take before they are cut.
const END_WITHIN: Duration = Duration::from_secs(300);
/// Longest answer to the question for a station, octets.
const LONGEST_ANSWER: usize = 80;
/// Longest line of a message, octets.
const LONGEST_LINE: usize = 1024;
/// Wrong answers to the question for a station before the visitor is released.
const MOST_WRONG: u32 = 3;
/// Frames waiting for one end at which the other is held back, and at which it is let on
/// again.
pub(crate) const HOLD_BACK_AT: usize = 8;
pub(crate) const LET_ON_AT: usize = 2;

/// What a crossing wants done with its links.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Act {
    ToNear(Vec<u8>),
    /// Tell the visitor what the station knows.
    Answer(Question),
    ToFar(Vec<u8>),
    /// Open the far half: to this station, on the port of this name, or by the best way.
    CallFar(CallSign, Option<PortId>),
    /// The visitor wants something of the mail.
    Mail(Wish),
    /// The visitor says that lives are at stake: the operator has to know.
    Alert,
    /// Release a half once everything for it is acknowledged.
    CloseNear,
    CloseFar,
    /// Release both halves now.
    Cut,
}

/// An amount of which a part is forgotten all the time: after [`FORGOTTEN_IN`] about a third is left.
#[derive(Clone, Copy, Debug, Default)]
struct Lately {
    amount: f64,
    at: Instant,
}

impl Lately {
    fn at(&self, now: Instant) -> f64 {
        let ago = now.since(self.at).as_secs_f64() / FORGOTTEN_IN.as_secs_f64();
        self.amount * (-ago).exp()
    }

    fn add(&mut self, now: Instant, octets: usize) {
        (self.amount, self.at) = (self.at(now) + octets as f64, now);
    }
}

/// How far a crossing has come.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Stage {
    /// The visitor is asked which station to reach.
    Asking { typed: Vec<u8> },
    /// The far station is called.
    Calling { to: CallSign, typed: Vec<u8> },
    /// Both halves are open: octets pass.
    Through { to: CallSign },
    /// One half has ended, the other is being released.
    Ending { to: Option<CallSign> },
}

/// Why a crossing has to wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Hold {
    /// Its rule, or the visitor, has had its share of the channel.
    Share,
    /// Little of the key-down time of a port is left, and much has passed.
    Key,
}

/// One crossing.
#[derive(Debug)]
pub(crate) struct Crossing {
    pub(crate) id: CrossingId,
    pub(crate) terms: Terms,
    pub(crate) near: LinkKey,
    station: CallSign,
    /// The far half, from the moment at which it is called.
    far: Option<LinkKey>,
    /// By which digipeaters, to follow "calling"; empty = direct.
    by: String,
    /// The visitor has said that lives are at stake.
    urgent: Option<Instant>,
    /// The visitor has been told the notes.
    noted: bool,
    /// Questions answered in this visit, and wrong answers in a row.
    questions: u32,
    wrong: u32,
    /// Octets at the front of the outbox that came from beyond.
    carried_on: usize,
    /// What the visitor is reading: it is read once all of it has arrived.
    reading: Option<MessageId>,
    mailbox: Mailbox,
    /// Octets carried lately, either way.
    carried: Lately,
    /// Why it waits, if it does.
    hold: Option<Hold>,
    /// What is still to be handed to the visitor's link.
    outbox: VecDeque<u8>,
    stage: Stage,
    near_words: String,
    far_words: String,
    from_near: u64,
    from_far: u64,
    opened: Instant,
    near_open: bool,
    far_open: bool,
    /// Somebody here ended it: what the links say afterwards is no news.
    cut: bool,
    /// Octets that never reached the end they were for.
    lost: usize,
    /// When anything last happened on it.
    last: Instant,
    /// The view last told.
    pub(crate) told: Option<CrossingView>,
}

impl Crossing {
    pub(crate) fn new(
        id: CrossingId,
        terms: Terms,
        near: LinkKey,
        station: CallSign,
        now: Instant,
    ) -> Self {
        Crossing {
            id,
            terms,
            near,
            station,
            far: None,
            by: String::new(),
            urgent: None,
            noted: false,
            questions: 0,
            wrong: 0,
            carried_on: 0,
            reading: None,
            mailbox: Mailbox::default(),
            carried: Lately::default(),
            hold: None,
            outbox: VecDeque::new(),
            stage: Stage::Ending { to: None },
            near_words: "connected".into(),
            far_words: "not called yet".into(),
            from_near: 0,
            from_far: 0,
            opened: now,
            near_open: true,
            far_open: false,
            cut: false,
            lost: 0,
            last: now,
            told: None,
        }
    }

    /// When [`Crossing::overdue`] is to be asked.
    pub(crate) fn deadline(&self) -> Option<Instant> {
        match self.stage {
            _ if self.has_ended() => None,
            Stage::Asking { .. } if self.terms.is_node() => Some(self.last + SILENT_AT_MOST),
            Stage::Asking { .. } => Some(self.last + ANSWER_WITHIN),
            // The link gives up by itself.
            Stage::Calling { .. } => None,
            Stage::Through { .. } => Some(self.last + SILENT_AT_MOST),
            Stage::Ending { .. } => Some(self.last + END_WITHIN),
        }
    }

    /// Ends what has lasted too long.
    pub(crate) fn overdue(&mut self, now: Instant) -> Vec<Act> {
        if self.deadline().is_none_or(|at| at > now) {
            return Vec::new();
        }
        let ending = Stage::Ending { to: self.to() };
        let stage = std::mem::replace(&mut self.stage, ending);
        self.last = now;
        let time_is_up = format!("{}: no text for too long. Goodbye.", self.station);
        match stage {
            Stage::Asking { .. } => self.refuse(time_is_up),
            Stage::Through { .. } => {
                self.near_words = "being released: no text for too long".into();
                self.far_words.clone_from(&self.near_words);
                vec![line(time_is_up), Act::CloseNear, Act::CloseFar]
            }
            _ => {
                self.cut("the release took too long");
                vec![Act::Cut]
            }
        }
    }

    /// One half is being released: the other end need not send any more.
    pub(crate) fn is_ending(&self) -> bool {
        matches!(self.stage, Stage::Ending { .. })
    }

    /// So much is typed ahead that the visitor should wait.
    pub(crate) fn has_enough_typed(&self) -> bool {
        let half = MOST_TYPED_AHEAD / 2;
        matches!(&self.stage, Stage::Calling { typed, .. } if typed.len() >= half)
    }

    /// It has to wait, or may go on. Silence is no fault of whoever is asked to wait.
    pub(crate) fn holds(&mut self, now: Instant, hold: Option<Hold>) {
        let may_type = matches!(self.stage, Stage::Through { .. } | Stage::Asking { .. });
        if may_type && (hold.is_some() || self.hold.is_some()) {
            self.last = now;
        }
        self.hold = hold;
    }

    /// The visitor is connected.
    pub(crate) fn near_connected(&mut self, wall: WallTime) -> Vec<Act> {
        if !self.terms.hours.open_at_wall(wall) {
            let text = format!(
                "{}: this {} is closed now. It is open {} UTC.",
                self.station,
                self.terms.what(),
                self.terms.hours
            );
            return self.refuse(text);
        }
        if !self.terms.is_node() && !self.may_go_on() {
            let text = format!(
                "{}: this crossing is not open to {}.",
                self.station, self.near.remote
            );
            return self.refuse(text);
        }
        if let [only] = self.terms.reach[..]
            && !self.terms.is_node()
        {
            return self.call(only, Some(self.terms.first_port()), Vec::new());
        }
        self.ask(Vec::new());
        let text = match &self.terms.onward[..] {
            [(_, far_port)] if !self.terms.is_node() => format!(
                "{}: this crosses to {far_port}. Which station? Type its call sign, or help.",
                self.station
            ),
            _ => format!("{}: a call sign, or help.", self.station),
        };
        let mut acts = vec![line(text)];
        if self.terms.mail {
            acts.push(self.wish(Wish::Count));
        }
        acts
    }

    /// The visitor has connected again in the midst of a visit, and nothing was lost. Whoever lost the link without
    /// noticing the end of it expects to be greeted.
    pub(crate) fn near_again(&mut self, now: Instant) -> Vec<Act> {
        self.last = now;
        match &self.stage {
            Stage::Through { to } => vec![line(format!(
                "{}: you are through to {to} still. What you type goes there.",
                self.station
            ))],
            Stage::Asking { .. } => vec![line(format!("{}: you are here still.", self.station))],
            Stage::Calling { .. } | Stage::Ending { .. } => Vec::new(),
        }
    }

    /// Waits for what the visitor wants.
    fn ask(&mut self, typed: Vec<u8>) {
        self.stage = Stage::Asking { typed };
        self.wrong = 0;
    }

    fn may_go_on(&self) -> bool {
        may_cross(&self.terms.who, self.near.remote)
    }

    /// Octets from the visitor.
    pub(crate) fn near_data(&mut self, now: Instant, octets: &[u8]) -> Vec<Act> {
        self.last = now;
        self.from_near += octets.len() as u64;
        self.carried.add(now, octets.len());
        match &mut self.stage {
            Stage::Through { .. } => vec![Act::ToFar(octets.to_vec())],
            Stage::Calling { typed, .. } => {
                let room = MOST_TYPED_AHEAD.saturating_sub(typed.len());
                typed.extend_from_slice(&octets[..octets.len().min(room)]);
                self.lost += octets.len().saturating_sub(room);
                Vec::new()
            }
            Stage::Asking { typed, .. } => {
                typed.extend_from_slice(octets);
                self.hush();
                self.answered(now)
            }
            Stage::Ending { .. } => {
                self.lost += octets.len();
                Vec::new()
            }
        }
    }

    /// What is left of a long answer is not wanted any more. What came from beyond stays.
    fn hush(&mut self) {
        if self.outbox.len() > self.carried_on + LONG_ANSWER {
            self.outbox.truncate(self.carried_on);
            self.outbox.push_back(LINE_END);
            self.reading = None;
        }
    }

    /// Emergency traffic of this visitor goes first now.
    pub(crate) fn is_urgent(&self, now: Instant) -> bool {
        self.urgent
            .is_some_and(|since| now.since(since) < URGENT_FOR)
    }

    fn refuse(&mut self, text: String) -> Vec<Act> {
        self.stage = Stage::Ending { to: None };
        self.near_words = "being released".into();
        vec![line(text), Act::CloseNear]
    }

    fn call(&mut self, to: CallSign, by: Option<PortId>, typed: Vec<u8>) -> Vec<Act> {
        self.stage = Stage::Calling { to, typed };
        self.far_words = "calling".into();
        vec![Act::CallFar(to, by)]
    }

    /// The station beyond is called now, on the port of this name, by these digipeaters.
    pub(crate) fn calling(&mut self, far: LinkKey, on: &str, via: &[CallSign]) -> Vec<Act> {
        self.far = Some(far);
        self.far_open = true;
        self.by = match via {
            [] => String::new(),
            via => format!(" by {}", names(via)),
        };
        self.far_words = format!("calling{}", self.by);
        let (to, by) = (far.remote, &self.by);
        let mut text = format!("{}: calling {to} on {on}{by}.", self.station);
        // Once in a visit, for airtime is dear.
        if !std::mem::replace(&mut self.noted, true)
            && let Some(notes) = &self.terms.notes
        {
            text = format!("{text} {notes}");
        }
        vec![line(text)]
    }

    /// The far station has answered.
    pub(crate) fn far_connected(&mut self) -> Vec<Act> {
        let Stage::Calling { to, typed } = &mut self.stage else {
            return vec![Act::CloseFar];
        };
        let (to, typed) = (*to, std::mem::take(typed));
        self.stage = Stage::Through { to };
        self.far_words = format!("connected{}", self.by);
        let visitor = self.near.remote;
        let mut hello = format!("{visitor} is here by way of {}.", self.station).into_bytes();
        hello.push(LINE_END);
        let mut acts = vec![
            line(format!(
                "{}: {to} answers. What you type goes there.",
                self.station
            )),
            Act::ToFar(hello),
        ];
        if !typed.is_empty() {
            acts.push(Act::ToFar(typed));
        }
        acts
    }

    /// Octets from the far station.
    pub(crate) fn far_data(&mut self, now: Instant, octets: &[u8]) -> Vec<Act> {
        self.last = now;
        self.from_far += octets.len() as u64;
        self.carried.add(now, octets.len());
        if self.near_open && !self.is_ending() {
            self.carried_on = self.outbox.len() + octets.len();
            vec![Act::ToNear(octets.to_vec())]
        } else {
            self.lost += octets.len();
            Vec::new()
        }
    }

    /// The far half has ended; `words` says how, `unsent` how many octets for it were never
    /// acknowledged.
    pub(crate) fn far_ended(&mut self, words: &str, unsent: usize) -> Vec<Act> {
        self.far_open = false;
        if let Stage::Calling { typed, .. } = &self.stage {
            self.lost += typed.len();
        }
        self.lost += unsent;
        let to = self.to();
        let was_ending = self.is_ending();
        self.stage = Stage::Ending { to };
        if self.cut {
            return Vec::new();
        }
        self.far_words = words.to_owned();
        if !self.near_open {
            return Vec::new();
        }
        let who = to.map_or("the far station".into(), |c| c.to_string());
        let rest = match unsent {
            0 => String::new(),
            n => format!(" The last {n} octets for it were not acknowledged."),
        };
        if self.terms.is_node() && !was_ending {
            self.ask(Vec::new());
            let text = format!("{}: {who}: {words}.{rest} You are back here.", self.station);
            return vec![line(text)];
        }
        self.near_words = "being released".into();
        vec![
            line(format!("{}: {who}: {words}.{rest}", self.station)),
            Act::CloseNear,
        ]
    }

    /// The visitor's half has ended; `words` says how, `unsent` as for the far half.
    pub(crate) fn near_ended(&mut self, words: &str, unsent: usize) -> Vec<Act> {
        self.near_open = false;
        if let Stage::Calling { typed, .. } = &self.stage {
            self.lost += typed.len();
        }
        self.lost += unsent;
        self.stage = Stage::Ending { to: self.to() };
        if self.cut {
            return Vec::new();
        }
        self.near_words = words.to_owned();
        if !self.far_open {
            return Vec::new();
        }
        self.far_words = "being released".into();
        vec![Act::CloseFar]
    }

    /// Takes text for the visitor.
    pub(crate) fn take_for_near(&mut self, octets: &[u8]) {
        self.outbox.extend(octets);
    }

    /// The next piece for the visitor's link.
    pub(crate) fn next_piece(&mut self, now: Instant, length: usize) -> Vec<u8> {
        let length = length.min(self.outbox.len());
        self.carried_on = self.carried_on.saturating_sub(length);
        self.last = now; // A slow reader is not a silent one.
        self.outbox.drain(..length).collect()
    }

    /// What the visitor was reading, and has now read: all of it has arrived.
    pub(crate) fn has_read(&mut self) -> Option<Act> {
        let read = self.reading.take_if(|_| self.outbox.is_empty())?;
        Some(self.wish(Wish::HasRead(read)))
    }

    /// Octets for the visitor that its link has not been given.
    pub(crate) fn waiting_here(&self) -> usize {
        self.outbox.len()
    }

    /// The operator writes to the visitor.
    pub(crate) fn operator_says(&mut self, text: &str) -> Vec<Act> {
        let lines = crate::talk::text_lines(text);
        lines
            .map(|said| line(format!("{} operator: {said}", self.station)))
            .collect()
    }

    /// Octets carried lately, if both ends are talking and anything passed of late.
    pub(crate) fn carried(&self, now: Instant) -> Option<f64> {
        let busy = now.since(self.last) < BUSY_FOR && matches!(self.stage, Stage::Through { .. });
        busy.then(|| self.carried.at(now))
    }

    /// Whether the visitor can be written to.
    pub(crate) fn is_near_open(&self) -> bool {
        self.near_open && !self.is_ending()
    }

    /// It is cut here; `words` says by whom or why.
    pub(crate) fn cut(&mut self, words: &str) {
        self.stage = Stage::Ending { to: self.to() };
        self.cut = true;
        if self.near_open {
            self.near_words = words.into();
        }
        if self.far_open {
            self.far_words = words.into();
        }
    }

    /// The call sign that the station beyond sees.
    pub(crate) fn far_call(&self) -> CallSign {
        self.terms.far_call.unwrap_or(self.near.local)
    }

    /// Both halves are closed.
    pub(crate) fn has_ended(&self) -> bool {
        !self.near_open && !self.far_open
    }

    /// The key of the far half, while there is one.
    pub(crate) fn far(&self) -> Option<LinkKey> {
        self.far.filter(|_| self.far_open)
    }

    fn to(&self) -> Option<CallSign> {
        match self.stage {
            Stage::Asking { .. } => None,
            Stage::Calling { to, .. } | Stage::Through { to } => Some(to),
            Stage::Ending { to } => to,
        }
    }
}

fn may_cross(who: &WhoMayCross, visitor: CallSign) -> bool {
    match who {
        WhoMayCross::All => true,
        WhoMayCross::These(calls) => calls.iter().any(|c| c.characters() == visitor.characters()),
    }
}

fn line(text: String) -> Act {
    let mut octets = text.into_bytes();
    octets.push(LINE_END);
    Act::ToNear(octets)
}

#[cfg(test)]
mod tests;
