//! The people of a scenario: each sits at a station, sees what it shows, and asks it for things
//! as a person at the page would. A person is a machine without input or output of its own, like
//! the station: [`Person::notice`], [`Person::wake`], [`Person::poll`], [`Person::next_wakeup`].

mod files;

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use dunlin_clock::{Chance, Duration, Instant};
use dunlin_mail::{Address, Kind, MessageId, Precedence};
use dunlin_station::{
    Command, Direction, Draft, Event, FileId, LineId, PortId, Refusal, Reply, TalkId, TalkLine,
    TalkState,
};

use crate::scenario::{PersonPlan, Step};

/// How long a person waits for a talk to end before it goes on.
const PATIENCE_AT_END: Duration = Duration::from_secs(120);
/// Lines that may wait to be read; of more, the oldest are passed over.
const MOST_UNREAD: usize = 200;
/// Things that a person may be about to say.
const MOST_AGENDA: usize = 100;

/// Something that a person wants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Act {
    /// Ask the station for this; the answer goes to [`Person::answered`].
    Ask(Command),
    /// Write this message; the answer goes to [`Person::has_written`].
    Write(Draft),
    /// Put this into the timeline.
    Remark(String),
}

/// What a person is at.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Stage {
    /// Does the next step at this time.
    Next(Instant),
    /// Waits for a called station until this time.
    Calling(Instant),
    /// Waits for a line until this time.
    Awaiting(Instant),
    /// Waits for the end of the talk until this time.
    Closing(Instant),
    /// Has done everything.
    Done,
}

/// One person.
#[derive(Debug)]
pub struct Person {
    plan: PersonPlan,
    dice: Chance,
    stage: Stage,
    /// The step that is being done or comes next.
    step: usize,
    /// Where the present call began, to which a failure leads back.
    call: Option<usize>,
    tries: u32,
    /// The talk that the person opened itself.
    talk: Option<TalkId>,
    /// The command just asked for was to open that talk.
    opening: bool,
    unread: VecDeque<(LineId, String)>,
    read_before: LineId,
    /// Talks that others opened and that go on: in these the person answers.
    incoming: BTreeSet<TalkId>,
    /// How often each answer was given in each talk.
    given: BTreeMap<(TalkId, usize), u32>,
    agenda: BTreeMap<(Instant, u64), Command>,
    sequence: u64,
    /// The last file about which the person has decided: files are numbered upwards.
    decided: Option<FileId>,
    acts: VecDeque<Act>,
    finished: u64,
    gave_up: u64,
}

impl Person {
    /// A person who begins at the start of the time line.
    pub fn new(plan: PersonPlan, seed: u64) -> Person {
        let dice = Chance::stream(seed, &format!("person/{}", plan.name));
        let stage = if plan.does.is_empty() {
            Stage::Done
        } else {
            Stage::Next(Instant::ZERO)
        };
        Person {
            dice,
            stage,
            step: 0,
            call: None,
            tries: plan.tries,
            talk: None,
            opening: false,
            unread: VecDeque::new(),
            read_before: 0,
            incoming: BTreeSet::new(),
            given: BTreeMap::new(),
            agenda: BTreeMap::new(),
            sequence: 0,
            decided: None,
            acts: VecDeque::new(),
            finished: 0,
            gave_up: 0,
            plan,
        }
    }

    /// What the scenario says of it.
    pub fn plan(&self) -> &PersonPlan {
        &self.plan
    }

    /// How often it came to the end of what it does.
    pub fn finished(&self) -> u64 {
        self.finished
    }

    /// How often it gave up on the way.
    pub fn gave_up(&self) -> u64 {
        self.gave_up
    }

    /// When it wants to be woken; a time that has passed means now.
    pub fn next_wakeup(&self) -> Option<Instant> {
        let stage = match self.stage {
            Stage::Next(at) | Stage::Calling(at) | Stage::Awaiting(at) | Stage::Closing(at) => {
                Some(at)
            }
            Stage::Done => None,
        };
        let agenda = self.agenda.keys().next().map(|(at, _)| *at);
        stage.into_iter().chain(agenda).min()
    }

    /// The next thing that it wants.
    pub fn poll(&mut self) -> Option<Act> {
        self.acts.pop_front()
    }

    /// The time of [`Person::next_wakeup`] has come.
    pub fn wake(&mut self, now: Instant) {
        while let Some((&key, _)) = self.agenda.first_key_value() {
            if key.0 > now {
                break;
            }
            if let Some((_, command)) = self.agenda.pop_first() {
                self.acts.push_back(Act::Ask(command));
            }
        }
        match self.stage {
            Stage::Next(at) if at <= now => self.begin(now),
            Stage::Calling(at) if at <= now => self.fail(now, "nobody answered in time"),
            Stage::Awaiting(at) if at <= now => {
                let missing = match self.plan.does.get(self.step) {
                    Some(Step::Await { text, .. }) => {
                        format!("no line with \"{text}\" came in time")
                    }
                    _ => "nothing came in time".to_owned(),
                };
                self.fail(now, &missing);
            }
            Stage::Closing(at) if at <= now => self.closed(now),
            _ => {}
        }
    }

    /// The station shows something.
    pub fn notice(&mut self, now: Instant, event: &Event) {
        match event {
            Event::Talk(talk) if Some(talk.id) == self.talk => match (&self.stage, talk.state) {
                (Stage::Calling(_), TalkState::Open) => self.advance(now),
                (Stage::Closing(_), TalkState::Ended) => self.closed(now),
                (Stage::Done, _) => {}
                (_, TalkState::Ended) => {
                    self.talk = None;
                    self.fail(now, &talk.words);
                }
                _ => {}
            },
            Event::Talk(talk) if talk.state == TalkState::Ended => {
                self.incoming.remove(&talk.id);
                self.given.retain(|(id, _), _| *id != talk.id);
            }
            Event::Talk(talk) if talk.incoming => {
                self.incoming.insert(talk.id);
            }
            Event::TalkLine(line) if line.direction == Direction::Received => {
                self.read(now, line);
                self.answer(now, line);
            }
            Event::File(file) => self.see_file(now, file),
            _ => {}
        }
    }

    /// What the station said to the command of [`Act::Ask`].
    pub fn answered(&mut self, now: Instant, answer: &Result<Reply, Refusal>) {
        let opening = std::mem::take(&mut self.opening);
        match answer {
            Ok(Reply::Talk(id)) if opening => self.talk = Some(*id),
            Ok(_) => {}
            Err(refusal) if opening => {
                let refusal = refusal.to_string();
                self.fail(now, &refusal);
            }
            Err(refusal) => self
                .acts
                .push_back(Act::Remark(format!("was refused: {refusal}"))),
        }
    }

    /// What became of the message of [`Act::Write`].
    pub fn has_written(&mut self, now: Instant, written: &Result<MessageId, String>) {
        if let Err(why) = written {
            self.fail(now, &format!("could not write: {why}"));
        }
    }

    /// Does the step that has come.
    fn begin(&mut self, now: Instant) {
        let Some(step) = self.plan.does.get(self.step).cloned() else {
            return self.finish(now);
        };
        match step {
            Step::Wait { time, spread } => {
                let until = now + time + spread.mul_f64(self.dice.unit());
                self.step += 1;
                self.stage = Stage::Next(until);
            }
            Step::Call {
                to,
                port,
                via,
                patience,
            } => {
                self.call = Some(self.step);
                self.forget_talk();
                self.opening = true;
                self.stage = Stage::Calling(now + patience);
                let command = Command::OpenTalk {
                    port: PortId(port),
                    to,
                    via,
                };
                self.acts.push_back(Act::Ask(command));
            }
            Step::Say { text } => match self.talk {
                Some(talk) => {
                    self.acts.push_back(Act::Ask(Command::Say { talk, text }));
                    self.advance(now);
                }
                None => self.fail(now, "there is no talk to speak in"),
            },
            Step::Await { patience, .. } => {
                self.stage = Stage::Awaiting(now + patience);
                self.look(now);
            }
            Step::Close => match self.talk {
                Some(talk) => {
                    self.stage = Stage::Closing(now + PATIENCE_AT_END);
                    self.acts.push_back(Act::Ask(Command::CloseTalk { talk }));
                }
                None => self.advance(now),
            },
            Step::Write { to, title, text } => self.write(now, to, title, &text),
            Step::SayToAll {
                port,
                to,
                via,
                text,
            } => {
                let command = Command::SayToAll {
                    port: PortId(port),
                    to,
                    via,
                    text,
                };
                self.acts.push_back(Act::Ask(command));
                self.advance(now);
            }
        }
    }

    /// Writes a message at the station.
    fn write(&mut self, now: Instant, to: Address, title: String, text: &str) {
        self.acts.push_back(Act::Write(Draft {
            kind: Kind::Personal { to },
            precedence: Precedence::Routine,
            title,
            body: format!("{text}\n"),
            keep_back: false,
        }));
        self.advance(now);
    }

    /// Goes on to the next step after some thought.
    fn advance(&mut self, now: Instant) {
        self.step += 1;
        self.stage = Stage::Next(now + self.thought());
    }

    fn thought(&mut self) -> Duration {
        self.plan.thinks + self.plan.thinks.mul_f64(self.dice.unit())
    }

    fn closed(&mut self, now: Instant) {
        self.forget_talk();
        self.call = None;
        self.tries = self.plan.tries;
        self.advance(now);
    }

    fn forget_talk(&mut self) {
        self.talk = None;
        self.unread.clear();
        self.read_before = 0;
    }

    fn finish(&mut self, now: Instant) {
        self.finished += 1;
        self.begin_again(now);
    }

    fn begin_again(&mut self, now: Instant) {
        self.forget_talk();
        self.step = 0;
        self.call = None;
        self.tries = self.plan.tries;
        self.stage = match self.plan.repeat {
            Some(pause) => Stage::Next(now + pause),
            None => Stage::Done,
        };
    }

    /// Something did not work: tries the call again, or gives up.
    fn fail(&mut self, now: Instant, why: &str) {
        if let Some(talk) = self.talk.take() {
            self.acts.push_back(Act::Ask(Command::CloseTalk { talk }));
        }
        self.forget_talk();
        self.tries = self.tries.saturating_sub(1);
        match self.call {
            Some(call) if self.tries > 0 => {
                let pause = self.plan.pause + self.plan.pause.mul_f64(0.5 * self.dice.unit());
                self.acts
                    .push_back(Act::Remark(format!("will try again: {why}")));
                self.step = call;
                self.stage = Stage::Next(now + pause);
            }
            _ => {
                self.acts.push_back(Act::Remark(format!("gives up: {why}")));
                self.gave_up += 1;
                self.begin_again(now);
            }
        }
    }

    /// A line has come or grown; keeps it if it is of the person's own talk.
    fn read(&mut self, now: Instant, line: &TalkLine) {
        if Some(line.talk) != self.talk || line.line < self.read_before {
            return;
        }
        match self.unread.iter_mut().find(|(id, _)| *id == line.line) {
            Some((_, text)) => text.clone_from(&line.text),
            None => self.unread.push_back((line.line, line.text.clone())),
        }
        if self.unread.len() > MOST_UNREAD {
            self.unread.pop_front();
        }
        if matches!(self.stage, Stage::Awaiting(_)) {
            self.look(now);
        }
    }

    /// Looks through the unread lines for the one awaited.
    fn look(&mut self, now: Instant) {
        let Some(Step::Await { text, .. }) = self.plan.does.get(self.step) else {
            return;
        };
        let found = self
            .unread
            .iter()
            .position(|(_, line)| contains(line, text));
        if let Some(found) = found {
            self.read_before = self.unread[found].0 + 1;
            self.unread.drain(..=found);
            self.advance(now);
        }
    }

    /// Says what the plan has to say to a line that is complete.
    fn answer(&mut self, now: Instant, line: &TalkLine) {
        let passes = self.plan.takes_files && files::is_offer(&line.text);
        let full = self.agenda.len() >= MOST_AGENDA;
        if !line.complete || !self.incoming.contains(&line.talk) || full || passes {
            return;
        }
        let given = |i| self.given.get(&(line.talk, i)).copied().unwrap_or(0);
        let mut rules = self.plan.answers.iter().enumerate();
        let Some((i, rule)) =
            rules.find(|(i, r)| contains(&line.text, &r.to) && given(*i) < r.times)
        else {
            return;
        };
        let rule = rule.clone();
        *self.given.entry((line.talk, i)).or_insert(0) += 1;
        let at = now + self.thought();
        if !rule.say.is_empty() {
            self.plan_act(
                at,
                Command::Say {
                    talk: line.talk,
                    text: rule.say,
                },
            );
        }
        if let Some((head, _)) = &rule.file {
            self.plan_act(at, files::offer(line.talk, head));
        }
        if rule.close {
            self.plan_act(at, Command::CloseTalk { talk: line.talk });
        }
    }

    fn plan_act(&mut self, at: Instant, command: Command) {
        self.agenda.insert((at, self.sequence), command);
        self.sequence += 1;
    }
}

/// Whether `line` contains `text`, whatever the case.
fn contains(line: &str, text: &str) -> bool {
    line.to_lowercase().contains(&text.to_lowercase())
}

#[cfg(test)]
mod tests;
