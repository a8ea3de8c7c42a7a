//! Invented people who answer calls and write lines, and one crossing that comes and goes.

use dunlin_station::{
    CallSign, Command, CrossingHalf, CrossingId, CrossingView, Direction, Event, LegView, PortId,
    Proof, Refusal, Reply, TalkId, TalkLine, TalkState, TalkView, Urgency, WayView, WaysView,
};

use crate::picture::{Picture, call};

/// Something to happen later.
enum Later {
    Answer(TalkId),
    Write(TalkId, &'static str),
    Acknowledge(TalkId, u64),
    End(TalkId, &'static str),
    Cross,
    Uncross(CrossingId),
}

pub struct People {
    later: Vec<(u64, Later)>,
    next_talk: u64,
    next_crossing: u64,
}

impl People {
    pub fn new() -> People {
        People {
            later: vec![(880_000, Later::Cross)],
            next_talk: 1,
            next_crossing: 1,
        }
    }

    pub fn turn(&mut self, now: u64, picture: &mut Picture) {
        while let Some(at) = self.later.iter().position(|(at, _)| *at <= now) {
            let (_, later) = self.later.swap_remove(at);
            self.happen(now, later, picture);
        }
    }

    pub fn command(
        &mut self,
        now: u64,
        command: Command,
        picture: &mut Picture,
    ) -> Result<Reply, Refusal> {
        match command {
            Command::OpenTalk { port, to, via } => {
                let ports = picture.ports();
                let Some(at) = ports.get(usize::from(port.0)) else {
                    return Err(Refusal::NoSuchPort(port.0, ports.len()));
                };
                if to == at.call {
                    return Err(Refusal::OwnCall(to));
                }
                let view = TalkView {
                    id: TalkId(self.next_talk),
                    port,
                    local: at.call,
                    remote: to,
                    via,
                    incoming: false,
                    state: TalkState::Calling,
                    words: format!("calling {to}, try 1"),
                    since_ms: now,
                    opened_ms: now,
                    waiting_octets: 0,
                    retries: 1,
                    last_heard_ms: None,
                    pace: None,
                };
                self.next_talk += 1;
                self.after(now, 900, Later::Answer(view.id));
                picture.tell(Event::Talk(view.clone()));
                Ok(Reply::Talk(view.id))
            }
            Command::Say { talk, text } => self.say(now, talk, &text, picture),
            Command::CloseTalk { talk } => {
                let view = find(talk, picture)?;
                set(view, TalkState::Closing, "closing", now, picture);
                self.after(now, 600, Later::End(talk, "closed by you, confirmed"));
                Ok(Reply::Done)
            }
            Command::PutAway { talk } => {
                let view = find(talk, picture)?;
                if view.state != TalkState::Ended {
                    return Err(Refusal::TalkGoesOn(view.remote));
                }
                picture.tell(Event::TalkGone(talk));
                Ok(Reply::Done)
            }
            Command::CutCrossing { crossing } => self.cut(now, crossing, picture),
            Command::SayToAll { port, text, .. } => {
                picture.note(
                    now,
                    Some(port.0),
                    Urgency::Plain,
                    &format!("Said to all: {text}"),
                );
                Ok(Reply::Done)
            }
            _ => Ok(Reply::Done), // The gates have taken theirs.
        }
    }

    fn after(&mut self, now: u64, ms: u64, later: Later) {
        self.later.push((now + ms, later));
    }

    fn say(
        &mut self,
        now: u64,
        talk: TalkId,
        text: &str,
        picture: &mut Picture,
    ) -> Result<Reply, Refusal> {
        let view = find(talk, picture)?;
        if matches!(view.state, TalkState::Ended | TalkState::Closing) {
            return Err(Refusal::TalkEnded(view.remote));
        }
        for part in text.split('\n') {
            let line = new_line(talk, Direction::Sent, part, now, picture);
            self.after(now, 1200, Later::Acknowledge(talk, line));
        }
        self.after(now, 2600, Later::Write(talk, "Thank you, all read here"));
        Ok(Reply::Done)
    }

    fn happen(&mut self, now: u64, later: Later, picture: &mut Picture) {
        match later {
            Later::Answer(talk) => {
                if let Ok(view) = find(talk, picture) {
                    let words = format!("open, {} answered", view.remote);
                    set(view, TalkState::Open, &words, now, picture);
                    self.after(
                        now,
                        1100,
                        Later::Write(talk, "Hello, this is the Barra Holm hut"),
                    );
                }
            }
            Later::Write(talk, text) => {
                if find(talk, picture).is_ok_and(|view| view.state == TalkState::Open) {
                    new_line(talk, Direction::Received, text, now, picture);
                }
            }
            Later::Acknowledge(talk, number) => {
                let mut lines = picture.lines().iter();
                let found = lines.find(|l| l.talk == talk && l.line == number).cloned();
                if let Some(mut line) = found {
                    line.complete = true;
                    picture.tell(Event::TalkLine(line));
                }
            }
            Later::End(talk, words) => {
                if let Ok(view) = find(talk, picture) {
                    set(view, TalkState::Ended, words, now, picture);
                }
            }
            Later::Cross => {
                let id = self.cross(now, picture);
                self.after(now, 120_000, Later::Uncross(id));
            }
            Later::Uncross(id) => {
                let _ = self.cut(now, id, picture);
            }
        }
    }

    fn cross(&mut self, now: u64, picture: &mut Picture) -> CrossingId {
        let id = CrossingId(self.next_crossing);
        self.next_crossing += 1;
        let half = |port, local, remote, words: &str, received_octets| CrossingHalf {
            port: PortId(port),
            local: call(local),
            remote: Some(call(remote)),
            words: words.into(),
            received_octets,
            waiting_octets: 40,
        };
        picture.tell(Event::Crossing(CrossingView {
            id,
            rule: "To the mainland".into(),
            notes: Some("Power: 10 W, wire.".into()),
            near: half(0, "QA1SKY-7", "QM3BAR", "open", 212),
            far: half(1, "QA1SKY-7", "QX0RLF", "open, 40 octets on the way", 97),
            words: "QM3BAR talks with QX0RLF".into(),
            opened_ms: now,
            ended: false,
        }));
        let text = "QM3BAR crosses from VHF to HF by the rule To the mainland";
        picture.note(now, Some(0), Urgency::Plain, text);
        id
    }

    fn cut(&mut self, now: u64, id: CrossingId, picture: &mut Picture) -> Result<Reply, Refusal> {
        let found = picture.crossings().iter().find(|c| c.id == id && !c.ended);
        let Some(mut view) = found.cloned() else {
            return Err(Refusal::NoSuchCrossing(id.0));
        };
        view.ended = true;
        view.words = "cut by you; both ends were told".into();
        view.near.words = "ended".into();
        view.far.words = "ended".into();
        picture.tell(Event::Crossing(view));
        picture.note(now, None, Urgency::Attention, "A crossing was cut");
        self.after(now, 20_000, Later::Cross);
        Ok(Reply::Done)
    }
}

fn find(talk: TalkId, picture: &Picture) -> Result<TalkView, Refusal> {
    let mut talks = picture.talks().iter();
    let found = talks.find(|view| view.id == talk).cloned();
    found.ok_or(Refusal::NoSuchTalk(talk.0))
}

fn set(mut view: TalkView, state: TalkState, words: &str, now: u64, picture: &mut Picture) {
    (view.state, view.words, view.since_ms) = (state, words.into(), now);
    picture.tell(Event::Talk(view));
}

fn new_line(
    talk: TalkId,
    direction: Direction,
    text: &str,
    now: u64,
    picture: &mut Picture,
) -> u64 {
    let line = picture.lines().iter().filter(|l| l.talk == talk).count() as u64;
    picture.tell(Event::TalkLine(TalkLine {
        talk,
        line,
        at_ms: now,
        direction,
        text: text.into(),
        complete: direction == Direction::Received,
        lost: false,
        octets: text.bytes().collect(),
    }));
    line
}

/// Made-up ways to a station: direct, and by a digipeater.
pub fn ways(to: CallSign) -> WaysView {
    let leg = |from: &str, to: CallSign, proof| LegView {
        from: call(from),
        to,
        there: 0.9,
        back: 0.8,
        etx: 1.389,
        proof,
        age_ms: 180_000,
        words: format!("14 of 15 frames to {to} arrived, heard last 3 min ago"),
    };
    let hill = call("QD2HIL-1");
    let direct = WayView {
        port: PortId(0),
        via: Vec::new(),
        etx: Some(1.389),
        sendings: Some(1.389),
        proof: Some(Proof::TwoWay),
        age_ms: Some(180_000),
        worked_ms_ago: Some(7_200_000),
        words: format!(
            "direct on VHF: 14 of 15 frames to {to} arrived, heard last 3 min ago; this way worked \
             last 2 h 0 min ago"
        ),
        legs: vec![leg("QA1SKY-1", to, Proof::TwoWay)],
    };
    let relayed = WayView {
        via: vec![hill],
        etx: Some(2.778),
        sendings: Some(1.929),
        proof: Some(Proof::Hearsay),
        age_ms: Some(720_000),
        worked_ms_ago: None,
        words: format!(
            "by QD2HIL-1 on VHF: QD2HIL-1 answered 3 min ago; {to} was heard by QD2HIL-1 12 min ago"
        ),
        legs: vec![
            leg("QA1SKY-1", hill, Proof::TwoWay),
            leg("QD2HIL-1", to, Proof::Hearsay),
        ],
        ..direct.clone()
    };
    WaysView {
        to,
        words: format!("{to} can be reached"),
        ways: vec![direct, relayed],
    }
}
