//! What a visitor types before a station is named, or between two of them.

use dunlin_ax25::CallSign;

use dunlin_clock::Instant;

use super::asked::{Asked, MOST_AT_NODE, MOST_QUESTIONS};
use super::{Act, Crossing, LONGEST_ANSWER, LONGEST_LINE, MOST_WRONG, Stage, line};
use crate::event::PortId;
use crate::talk::LINE_END;

impl Crossing {
    /// The visitor may have typed one or more whole lines; the first good call sign among
    /// them is called, what follows it goes there.
    pub(super) fn answered(&mut self, now: Instant) -> Vec<Act> {
        let mut acts = Vec::new();
        while let Some((answer, rest)) = self.next_answer() {
            if self.mailbox.is_writing() {
                let led = self.mailbox.line(&answer);
                acts.extend(led.map(|led| self.led(led)));
                continue;
            }
            let answer = answer.trim();
            if answer.is_empty() {
                continue;
            }
            match Asked::read(answer) {
                Some(Asked::Question(question)) => {
                    acts.extend(self.answer_with(Act::Answer(question)));
                }
                Some(Asked::Help) => acts.extend(self.answer_with(line(self.help()))),
                Some(Asked::End) => {
                    acts.extend(self.refuse(format!("{}: goodbye.", self.station)));
                }
                Some(Asked::Emergency) => acts.extend(self.emergency(now)),
                Some(Asked::Go { to, by }) => match self.choose(to, by.as_deref()) {
                    Ok(by) => {
                        self.stage = Stage::Ending { to: None };
                        acts.extend(self.call(to, by, rest));
                    }
                    Err(text) => acts.extend(self.wrong(text)),
                },
                Some(mail) if self.terms.mail => acts.extend(self.mail(mail)),
                Some(_) => acts.extend(self.wrong("No mail is kept here.".into())),
                None if self.terms.is_node() => {
                    acts.extend(self.wrong(
                        "That is none of the words, and no call sign; HELP says them.".into(),
                    ));
                }
                None => acts.extend(self.wrong("That is not a call sign.".into())),
            }
        }
        acts
    }

    fn emergency(&mut self, now: Instant) -> Vec<Act> {
        let known = self.is_urgent(now);
        self.urgent = Some(now);
        let text = format!(
            "{}: taken as emergency traffic; it goes first. Which station?",
            self.station
        );
        let mut acts = self.answer_with(line(text));
        if !known && !self.is_ending() {
            acts.insert(0, Act::Alert);
        }
        acts
    }

    /// Takes one line from what was typed; also a copy of what stands behind it. A line feed
    /// right after a carriage return is part of the line end.
    fn next_answer(&mut self) -> Option<(String, Vec<u8>)> {
        let longest = match self.mailbox.is_writing() {
            true => LONGEST_LINE,
            false => LONGEST_ANSWER,
        };
        let Stage::Asking { typed } = &mut self.stage else {
            return None;
        };
        if typed.first() == Some(&b'\n') {
            typed.remove(0);
        }
        let ends = |o: &u8| *o == LINE_END || *o == b'\n';
        let (end, next) = match typed.iter().position(ends) {
            Some(end) => (end, end + 1),
            // A line without end is broken, between two characters if it is text.
            None if typed.len() > longest => {
                let inside = |o: &u8| o & 0xC0 == 0x80;
                let back = typed[..longest].iter().rev().take(3);
                let back = back.take_while(|o| inside(o)).count();
                let end = match inside(&typed[longest]) {
                    true => longest - back - 1,
                    false => longest,
                };
                (end, end)
            }
            None => return None,
        };
        let mut rest = typed.split_off(next);
        // What could steer a terminal is left out at once: parts of it are told again.
        let answer = String::from_utf8_lossy(&typed[..end]);
        let plain = |c: &char| !c.is_control() || *c == '\t';
        let answer: String = answer.chars().filter(plain).collect();
        if rest.first() == Some(&b'\n') {
            rest.remove(0);
        }
        typed.clone_from(&rest);
        Some((answer, rest))
    }

    /// The port for the station that was named, if the visitor chose one; or what is wrong.
    fn choose(&self, to: CallSign, by: Option<&str>) -> Result<Option<PortId>, String> {
        let reach = &self.terms.reach;
        if !reach.is_empty() && !reach.contains(&to) {
            let reach: Vec<String> = reach.iter().map(CallSign::to_string).collect();
            return Err(format!(
                "{to} is not reached from here, only {}.",
                reach.join(", ")
            ));
        }
        if self.terms.onward.is_empty() || !self.may_go_on() {
            return Err(format!("{} may not go on from here.", self.near.remote));
        }
        let Some(name) = by else {
            let only = match &self.terms.onward[..] {
                [(only, _)] => Some(*only),
                _ => None,
            };
            return Ok(only);
        };
        let mut ports = self.terms.onward.iter();
        let port = ports.find(|(_, n)| n.eq_ignore_ascii_case(name));
        port.map(|(port, _)| Some(*port)).ok_or_else(|| {
            let names: Vec<&str> = self.terms.onward.iter().map(|(_, n)| n.as_str()).collect();
            format!("No port {name} here, only {}.", names.join(", "))
        })
    }

    /// The visitor wants to know something. So many times only: an answer takes the channel's time.
    pub(super) fn answer_with(&mut self, answer: Act) -> Vec<Act> {
        if !matches!(self.stage, Stage::Asking { .. }) {
            return Vec::new();
        }
        self.wrong = 0;
        self.questions += 1;
        let most = match self.terms.is_node() {
            true => MOST_AT_NODE,
            false => MOST_QUESTIONS,
        };
        if self.questions > most {
            let text = format!("{}: that is enough for one call. Goodbye.", self.station);
            return self.refuse(text);
        }
        vec![answer]
    }

    fn wrong(&mut self, text: String) -> Vec<Act> {
        self.wrong += 1;
        self.questions += 1;
        let enough = self.wrong >= MOST_WRONG || self.questions > MOST_AT_NODE;
        match (enough, self.terms.is_node()) {
            (true, _) => self.refuse(text),
            (false, true) => vec![line(text)],
            (false, false) => vec![line(format!("{text} Which station?"))],
        }
    }
}
