//! A crossing at work: a visitor on one port, carried to a station on another. Two links,
//! each acknowledged by itself; this file decides what goes from one to the other and what
//! both ends are told. It owns no link: it answers each happening with [`Act`]s.

mod asked;

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant, WallTime};

use crate::config::{CrossingRule, WhoMayCross};
use crate::event::{CrossingHalf, CrossingId, CrossingView, PortId, ms};
use crate::links::LinkKey;
use crate::talk::LINE_END;
pub(crate) use asked::Question;
use asked::{Asked, MOST_QUESTIONS};

/// What a visitor may type ahead before the far station has answered, octets; at half of it
/// the visitor is asked to wait.
const MOST_TYPED_AHEAD: usize = 4096;
/// How long a visitor may take to name a station.
const ANSWER_WITHIN: Duration = Duration::from_secs(120);
/// How long an open crossing may be silent. Common practice for idle links to a hub is 10 to
/// 15 minutes, no source.
const SILENT_AT_MOST: Duration = Duration::from_secs(900);
/// How long the release of both halves may take before they are cut.
const END_WITHIN: Duration = Duration::from_secs(300);
/// Longest answer to the question for a station, octets.
const LONGEST_ANSWER: usize = 80;
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
    /// Open the far half.
    CallFar(CallSign),
    /// Release a half once everything for it is acknowledged.
    CloseNear,
    CloseFar,
    /// Release both halves now.
    Cut,
}

/// How far a crossing has come.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Stage {
    /// The visitor is asked which station to reach.
    Asking {
        typed: Vec<u8>,
        wrong: u32,
        questions: u32,
    },
    /// The far station is called.
    Calling { to: CallSign, typed: Vec<u8> },
    /// Both halves are open: octets pass.
    Through { to: CallSign },
    /// One half has ended, the other is being released.
    Ending { to: Option<CallSign> },
}

/// One crossing.
#[derive(Debug)]
pub(crate) struct Crossing {
    pub(crate) id: CrossingId,
    pub(crate) rule: CrossingRule,
    pub(crate) near: LinkKey,
    station: CallSign,
    far_port: String,
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
        rule: CrossingRule,
        near: LinkKey,
        station: CallSign,
        far_port: String,
        now: Instant,
    ) -> Self {
        Crossing {
            id,
            rule,
            near,
            station,
            far_port,
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

    /// The visitor is connected.
    pub(crate) fn near_connected(&mut self, wall: WallTime) -> Vec<Act> {
        if !self.rule.hours.open_at_wall(wall) {
            let text = format!(
                "{}: this crossing is closed now. It is open {} UTC.",
                self.station, self.rule.hours
            );
            return self.refuse(text);
        }
        if !may_cross(&self.rule.who, self.near.remote) {
            let text = format!(
                "{}: this crossing is not open to {}.",
                self.station, self.near.remote
            );
            return self.refuse(text);
        }
        if let [only] = self.rule.reach[..] {
            return self.call(only, Vec::new());
        }
        self.stage = Stage::Asking {
            typed: Vec::new(),
            wrong: 0,
            questions: 0,
        };
        let text = format!(
            "{}: this crosses to {}. Which station? Type its call sign, or help.",
            self.station, self.far_port
        );
        vec![line(text)]
    }

    /// Octets from the visitor.
    pub(crate) fn near_data(&mut self, now: Instant, octets: &[u8]) -> Vec<Act> {
        self.last = now;
        self.from_near += octets.len() as u64;
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
                self.answered()
            }
            Stage::Ending { .. } => {
                self.lost += octets.len();
                Vec::new()
            }
        }
    }

    /// The visitor may have typed one or more whole lines; the first good call sign among
    /// them is called, what follows it goes there.
    fn answered(&mut self) -> Vec<Act> {
        let mut acts = Vec::new();
        while let Some((answer, rest)) = self.next_answer() {
            let answer = answer.trim().to_uppercase();
            if answer.is_empty() {
                continue;
            }
            match Asked::read(&answer) {
                Some(Asked::Question(question)) => {
                    acts.extend(self.answer_with(Act::Answer(question)));
                    continue;
                }
                Some(Asked::Help) => {
                    acts.extend(self.answer_with(line(self.help())));
                    continue;
                }
                Some(Asked::End) => {
                    acts.extend(self.refuse(format!("{}: goodbye.", self.station)));
                    continue;
                }
                None => {}
            }
            match self.choose(&answer) {
                Ok(to) => {
                    self.stage = Stage::Ending { to: None };
                    acts.extend(self.call(to, rest));
                }
                Err(text) => acts.extend(self.wrong(text)),
            }
        }
        acts
    }

    /// Takes one line from what was typed; also a copy of what stands behind it. A line feed
    /// right after a carriage return is part of the line end.
    fn next_answer(&mut self) -> Option<(String, Vec<u8>)> {
        let Stage::Asking { typed, .. } = &mut self.stage else {
            return None;
        };
        if typed.first() == Some(&b'\n') {
            typed.remove(0);
        }
        let ends = |o: &u8| *o == LINE_END || *o == b'\n';
        let end = match typed.iter().position(ends) {
            Some(end) => end,
            None if typed.len() > LONGEST_ANSWER => typed.len() - 1,
            None => return None,
        };
        let mut rest = typed.split_off(end + 1);
        let answer = String::from_utf8_lossy(&typed[..end]).into_owned();
        if rest.first() == Some(&b'\n') {
            rest.remove(0);
        }
        typed.clone_from(&rest);
        Some((answer, rest))
    }

    /// The station that an answer names, or what is wrong with it.
    fn choose(&self, answer: &str) -> Result<CallSign, String> {
        let reach = &self.rule.reach;
        match answer.parse::<CallSign>() {
            Err(_) => Err("That is not a call sign.".into()),
            Ok(to) if !reach.is_empty() && !reach.contains(&to) => {
                let reach: Vec<String> = reach.iter().map(CallSign::to_string).collect();
                Err(format!(
                    "{to} is not reached from here, only {}.",
                    reach.join(", ")
                ))
            }
            Ok(to) => Ok(to),
        }
    }

    /// The visitor wants to know something. So many times only: an answer takes the channel's time.
    fn answer_with(&mut self, answer: Act) -> Vec<Act> {
        let Stage::Asking { questions, .. } = &mut self.stage else {
            return Vec::new();
        };
        *questions += 1;
        if *questions > MOST_QUESTIONS {
            let text = format!("{}: that is enough for one call. Goodbye.", self.station);
            return self.refuse(text);
        }
        vec![answer]
    }

    fn help(&self) -> String {
        format!(
            "{}: a call sign is called on {}. HEARD: who is heard. WAY and a call sign: how to reach it. \
             END: that was all.",
            self.station, self.far_port
        )
    }

    fn wrong(&mut self, text: String) -> Vec<Act> {
        let Stage::Asking { wrong, .. } = &mut self.stage else {
            return Vec::new();
        };
        *wrong += 1;
        if *wrong < MOST_WRONG {
            return vec![line(format!("{text} Which station?"))];
        }
        self.refuse(text)
    }

    fn refuse(&mut self, text: String) -> Vec<Act> {
        self.stage = Stage::Ending { to: None };
        self.near_words = "being released".into();
        vec![line(text), Act::CloseNear]
    }

    fn call(&mut self, to: CallSign, typed: Vec<u8>) -> Vec<Act> {
        self.stage = Stage::Calling { to, typed };
        self.far_words = "calling".into();
        self.far_open = true;
        let text = format!("{}: calling {to} on {}.", self.station, self.far_port);
        vec![line(text), Act::CallFar(to)]
    }

    /// The far station has answered.
    pub(crate) fn far_connected(&mut self) -> Vec<Act> {
        let Stage::Calling { to, typed } = &mut self.stage else {
            return vec![Act::CloseFar];
        };
        let (to, typed) = (*to, std::mem::take(typed));
        self.stage = Stage::Through { to };
        self.far_words = "connected".into();
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
        if self.near_open && !self.is_ending() {
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
        self.stage = Stage::Ending { to };
        if self.cut {
            return Vec::new();
        }
        self.far_words = words.to_owned();
        if !self.near_open {
            return Vec::new();
        }
        self.near_words = "being released".into();
        let who = to.map_or("the far station".into(), |c| c.to_string());
        let rest = match unsent {
            0 => String::new(),
            n => format!(" The last {n} octets for it were not acknowledged."),
        };
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

    /// How it ended, for the timeline.
    pub(crate) fn epilogue(&self) -> String {
        let to = self.to().map_or("nobody".into(), |c| c.to_string());
        let lost = match self.lost {
            0 => String::new(),
            n => format!("; {n} octets did not reach the end they were for"),
        };
        format!(
            "crossing of {} to {to} is over: visitor {}; far side {}; {} octets went out, {} came back{lost}",
            self.near.remote, self.near_words, self.far_words, self.from_near, self.from_far
        )
    }

    /// Both halves are closed.
    pub(crate) fn has_ended(&self) -> bool {
        !self.near_open && !self.far_open
    }

    /// The key of the far half, while there is one.
    pub(crate) fn far(&self) -> Option<LinkKey> {
        let key = LinkKey {
            port: self.rule.to,
            local: self.rule.far_call,
            remote: self.to()?,
        };
        self.far_open.then_some(key)
    }

    fn to(&self) -> Option<CallSign> {
        match self.stage {
            Stage::Asking { .. } => None,
            Stage::Calling { to, .. } | Stage::Through { to } => Some(to),
            Stage::Ending { to } => to,
        }
    }

    /// The view now; what waits for each end is told by its link.
    pub(crate) fn view(&self, near_waiting: usize, far_waiting: usize) -> CrossingView {
        let words = match &self.stage {
            _ if self.has_ended() => "ended".into(),
            Stage::Asking { .. } => "the visitor is asked which station to reach".into(),
            Stage::Calling { to, .. } => format!("calling {to}"),
            Stage::Through { to } => format!("{} and {to} are talking", self.near.remote),
            Stage::Ending { .. } => "ending".into(),
        };
        let half = |port: PortId, local, remote, words: &str, received, waiting| CrossingHalf {
            port,
            local,
            remote,
            words: words.to_owned(),
            received_octets: received,
            waiting_octets: waiting,
        };
        CrossingView {
            id: self.id,
            rule: self.rule.name.clone(),
            near: half(
                self.near.port,
                self.near.local,
                Some(self.near.remote),
                &self.near_words,
                self.from_near,
                near_waiting,
            ),
            far: half(
                self.rule.to,
                self.rule.far_call,
                self.to(),
                &self.far_words,
                self.from_far,
                far_waiting,
            ),
            words,
            opened_ms: ms(self.opened),
            ended: self.has_ended(),
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
