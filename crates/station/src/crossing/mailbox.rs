//! The mail of a visitor of the node: list, read, write, delete, by plain words.

mod form;
mod visit;

use dunlin_ax25::CallSign;
use dunlin_mail::post::{Answer, Head, Letter, moment};
use dunlin_mail::{Address, Kind, MessageId, Precedence};

use crate::engine::{Conclusion, Draft, cut};

/// Messages that one list names; more would take the channel for long.
pub(crate) const MOST_LISTED: usize = 8;
/// Octets of a text that a visitor may write.
const MOST_WRITTEN: usize = 4096;
/// With fewer octets left, a visitor is told that there is no room: no text is so short.
pub(crate) const LEAST_WRITTEN: u64 = 100;
/// Lines that mean nothing after a refusal, until the text is dropped.
const MOST_ASTRAY: u32 = 3;
/// Commands for a text that was refused, until it is dropped: each has an answer, which takes the channel's time.
const MOST_TRIES: u32 = 40;
/// What is left to do with a text that was not taken.
const AGAIN: &str = "SEND tries it again, CUT leaves out its last line, STOP drops it.";
/// Octets of a title.
const MOST_TITLE: usize = 80;

/// What a visitor wants of the mail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Wish {
    /// How much there is for the visitor.
    Count,
    /// Mail for the visitor that was not read.
    Mail,
    /// All mail for the visitor.
    AllMail,
    /// What the visitor wrote, and what is still here of it.
    OwnMail,
    /// Bulletins, of one topic or all.
    Bulletins(Option<String>),
    Read(MessageId),
    /// The text has arrived at the visitor.
    HasRead(MessageId),
    Delete(MessageId),
    /// Whether there is room for what the visitor is about to write.
    MayWrite(Precedence),
    Write(Draft),
    /// A radiogram of which the visitor has something to say; it is not read by that.
    Look(MessageId, Conclusion),
    /// What became of it.
    Conclude(Box<Letter>, Conclusion),
}

/// What the visitor writes.
#[derive(Clone, Debug)]
struct Writing {
    /// Which one of this visit.
    serial: u32,
    stage: Writes,
    kind: Kind,
    precedence: Precedence,
    title: Option<String>,
    body: String,
    /// Octets of the text, at most.
    most: usize,
    /// It holds no more, and the visitor was told.
    full: bool,
    /// Commands since it was first refused.
    tries: u32,
    /// It is a radiogram.
    form: Option<form::Form>,
}

/// What a line means for the message that is being written.
#[derive(Clone, Copy, Debug)]
enum Writes {
    /// It is part of it.
    On,
    /// It was typed before the visitor heard that there is no room: it is no command, and leads to nothing.
    InVain,
    /// The whole text was refused, and stays here; so many lines meant nothing since.
    Again(u32),
}

/// How far a visitor is with the mail.
#[derive(Debug, Default)]
pub(super) struct Mailbox {
    /// What the last list named, the first as number 1.
    listed: Vec<MessageId>,
    writing: Option<Writing>,
    /// What was sent last, until it is kept.
    sent: Option<Writing>,
    /// Serial of what is being sent.
    sending: Option<u32>,
    written: u32,
    /// What is asked of the keeper, in order.
    asked: std::collections::VecDeque<Asked>,
}

/// What an answer is about.
#[derive(Clone, Debug)]
enum Asked {
    Count,
    List,
    Read(MessageId),
    HasRead,
    Delete,
    Look(Conclusion),
    /// Who is told of it.
    Conclude(String),
    MayWrite(u32),
    /// How it will stand; which one it was, if it has a text of several lines.
    Write(String, Option<u32>),
}

/// What a line of a visitor leads to.
pub(super) enum Led {
    Say(String),
    Wish(Wish),
}

/// What an answer means for the visitor.
#[derive(Debug, PartialEq, Eq)]
enum Told {
    Say(String),
    /// The text of this message.
    Reads(String, MessageId),
    /// One more thing is to be asked.
    Wish(Wish),
}

impl Writing {
    /// A line more; or that there is no room for it, said once: an answer to each would take the channel.
    fn add(&mut self, line: &str) -> Option<String> {
        if self.full {
            return None; // It is to have no hole.
        }
        if self.body.len() + line.len() >= self.most {
            self.full = true;
            let most = self.most;
            let end = match self.form {
                Some(_) => "STOP drops it.",
                None => "SEND it, or STOP.",
            };
            return Some(format!(
                "A message holds {most} octets here; the rest is left out. {end}"
            ));
        }
        self.body.push_str(&plain(line));
        self.body.push('\n');
        None
    }

    /// What is left to do with it after it was refused.
    fn what_is_left(&self) -> &'static str {
        match self.form {
            Some(_) => form::AGAIN,
            None => AGAIN,
        }
    }
}

impl Mailbox {
    /// Whether the next line is part of a message.
    pub(super) fn is_writing(&self) -> bool {
        self.writing.is_some()
    }

    /// Begins a message, and asks whether there is room for it: nobody is to type for nothing.
    pub(super) fn write(&mut self, kind: Kind, precedence: Precedence) -> Led {
        self.begin(kind, precedence, None)
    }

    fn begin(&mut self, kind: Kind, precedence: Precedence, form: Option<form::Form>) -> Led {
        self.written += 1;
        self.writing = Some(Writing {
            serial: self.written,
            stage: Writes::On,
            kind,
            precedence,
            title: None,
            body: String::new(),
            most: MOST_WRITTEN,
            full: false,
            tries: 0,
            form,
        });
        Led::Wish(Wish::MayWrite(precedence))
    }

    /// A line of the message that is being written; `None` = nothing to say to it.
    pub(super) fn line(&mut self, line: &str) -> Option<Led> {
        let writing = self.writing.as_mut()?;
        let word = line.trim();
        if word.eq_ignore_ascii_case("stop") {
            self.writing = None;
            return Some(Led::Say("Dropped.".into()));
        }
        let form = writing.form.is_some();
        // What ends a radiogram may stand at the end of one that was mended, too.
        let ends = word.eq_ignore_ascii_case("send") || form && form::is_end(word);
        match writing.stage {
            Writes::On if form => return self.line_of_form(line, ends),
            Writes::On => {}
            Writes::InVain => return self.line_in_vain(ends),
            Writes::Again(_) if ends => return self.send_again(),
            Writes::Again(astray) => return self.line_again(word, astray),
        }
        if writing.title.is_none() {
            let title = plain(word);
            let title = cut(&title, MOST_TITLE);
            let none = title.is_empty();
            writing.title = Some(if none { "(no title)" } else { title }.to_owned());
            let say = "Now the text. SEND alone on a line ends it, STOP drops it.";
            return Some(Led::Say(say.into()));
        }
        if ends {
            return self.send();
        }
        writing.add(line).map(Led::Say)
    }

    /// What is written goes.
    fn send(&mut self) -> Option<Led> {
        let writing = self.writing.as_ref()?;
        let draft = Draft {
            kind: writing.kind.clone(),
            precedence: writing.precedence,
            title: writing.title.clone().unwrap_or_default(),
            body: writing.body.clone(),
            keep_back: false,
        };
        self.give_in(draft)
    }

    /// What is written goes as this, and a copy stays until it is kept.
    fn give_in(&mut self, draft: Draft) -> Option<Led> {
        let done = self.writing.take()?;
        self.sending = Some(done.serial);
        self.sent = Some(done);
        Some(Led::Wish(Wish::Write(draft)))
    }

    /// A line of a text for which there was no room before it was typed.
    fn line_in_vain(&mut self, ends: bool) -> Option<Led> {
        ends.then(|| {
            self.writing = None;
            Led::Say("It was not taken.".into())
        })
    }

    /// What was refused is to be sent as it is now.
    fn send_again(&mut self) -> Option<Led> {
        if let Some(enough) = self.one_more_try() {
            return Some(enough);
        }
        match self.writing.as_ref()?.form {
            Some(_) => self.send_form(),
            None => self.send(),
        }
    }

    /// Another line after the text was refused.
    fn line_again(&mut self, word: &str, astray: u32) -> Option<Led> {
        if let Some(enough) = self.one_more_try() {
            return Some(enough);
        }
        let writing = self.writing.as_mut()?;
        let form = writing.form.is_some();
        if word.eq_ignore_ascii_case("cut") && !form {
            let kept = writing.body.trim_end_matches('\n').rfind('\n');
            writing.body.truncate(kept.map_or(0, |at| at + 1));
            let say = format!("{} octets are left of it. {AGAIN}", writing.body.len());
            return Some(Led::Say(say));
        }
        if form && let Some(say) = writing.change(word) {
            return Some(Led::Say(say));
        }
        if astray >= MOST_ASTRAY {
            self.writing = None;
            return Some(Led::Say("Dropped.".into()));
        }
        writing.stage = Writes::Again(astray + 1);
        Some(Led::Say(writing.what_is_left().into()))
    }

    /// Counts a command for a text that was refused; there are so many and no more.
    fn one_more_try(&mut self) -> Option<Led> {
        let writing = self.writing.as_mut()?;
        writing.tries += 1;
        if writing.tries <= MOST_TRIES {
            return None;
        }
        self.writing = None;
        let say = format!("{MOST_TRIES} times is enough. Dropped.");
        Some(Led::Say(say))
    }

    /// A short message on one line.
    pub(super) fn word(to: Address, from: CallSign, text: &str, precedence: Precedence) -> Wish {
        Wish::Write(Draft {
            kind: Kind::Personal { to },
            precedence,
            title: format!("word of {from}"),
            body: format!("{}\n", plain(text)),
            keep_back: false,
        })
    }

    /// A wish about the message of this number in the last list.
    fn about(&self, number: usize, wish: impl FnOnce(MessageId) -> Wish) -> Led {
        match self.number(number) {
            Ok(id) => Led::Wish(wish(id)),
            Err(text) => Led::Say(text),
        }
    }

    /// The message of this number in the last list.
    pub(super) fn number(&self, number: usize) -> Result<MessageId, String> {
        let found = number.checked_sub(1).and_then(|n| self.listed.get(n));
        found.copied().ok_or_else(|| match self.listed.len() {
            0 => "First MAIL or BULLETINS, for the numbers.".into(),
            n => format!("The last list had the numbers 1 to {n}."),
        })
    }

    /// The keeper is asked this.
    pub(super) fn asks(&mut self, wish: &Wish) {
        self.asked.push_back(match wish {
            Wish::Count => Asked::Count,
            Wish::Mail | Wish::AllMail | Wish::OwnMail | Wish::Bulletins(_) => Asked::List,
            Wish::Read(id) => Asked::Read(*id),
            Wish::HasRead(_) => Asked::HasRead,
            Wish::Delete(_) => Asked::Delete,
            Wish::Look(_, conclusion) => Asked::Look(conclusion.clone()),
            Wish::Conclude(..) => Asked::Conclude(String::new()),
            Wish::MayWrite(_) => Asked::MayWrite(self.written),
            Wish::Write(_) => Asked::Write(String::new(), self.sending.take()),
        });
    }

    /// How the letter stands whose keeping was asked for last, or who is told of a radiogram.
    pub(super) fn will_stand(&mut self, words: String) {
        let at = self.under_way().and_then(|at| self.asked.get_mut(at));
        if let Some(Asked::Write(stands, _) | Asked::Conclude(stands)) = at {
            *stands = words;
        }
    }

    /// The place of the first letter, or of the first word on a radiogram, that the keeper was not asked for yet: of these
    /// it is not known how it will stand.
    fn under_way(&self) -> Option<usize> {
        let is_it = |asked: &Asked| match asked {
            Asked::Write(stands, _) | Asked::Conclude(stands) => stands.is_empty(),
            _ => false,
        };
        self.asked.iter().position(is_it)
    }

    /// What the keeper's answer means for the visitor; `None` = nothing to say.
    fn answered(&mut self, answer: &Answer) -> Option<Told> {
        let asked = self.asked.pop_front()?;
        let text = match (asked, answer) {
            (Asked::Count, Answer::Heads(heads)) => count(heads.len())?,
            (Asked::Count | Asked::HasRead, _) => return None,
            (Asked::List, Answer::Heads(heads)) => self.list(heads),
            (Asked::Read(id), Answer::Opened(letter)) => {
                return Some(Told::Reads(text_of(letter), id));
            }
            (Asked::Look(conclusion), Answer::Opened(letter)) => {
                return Some(Told::Wish(Wish::Conclude(letter.clone(), conclusion)));
            }
            (Asked::Conclude(told), Answer::Done) => format!("Noted; {told}."),
            (Asked::MayWrite(serial), answer) => self.may_write(serial, answer)?,
            (Asked::Delete, Answer::Done) => "Deleted.".into(),
            (Asked::Write(stands, serial), Answer::Kept) => {
                self.take_sent(serial);
                format!("Kept: {stands}.")
            }
            (Asked::Write(_, serial), answer) => self.not_kept(serial, answer),
            (_, answer) => refusal(answer),
        };
        Some(Told::Say(text))
    }

    /// Whether there is room. Who has typed ahead is asked no more; and who has sent all already hears it then.
    fn may_write(&mut self, serial: u32, answer: &Answer) -> Option<String> {
        let writing = self.writing.as_mut().filter(|w| w.serial == serial)?;
        let begun = writing.title.is_some() || !writing.body.is_empty();
        let left = match answer {
            Answer::MayLeave { octets } => usize::try_from(*octets).unwrap_or(usize::MAX),
            Answer::NotAllowed { .. } | Answer::Full { .. } => {
                let text = refusal(answer);
                if !begun {
                    self.writing = None;
                    return Some(text);
                }
                // A text that is here whole says so itself when it is sent.
                if matches!(writing.stage, Writes::Again(_)) {
                    return None;
                }
                writing.stage = Writes::InVain;
                let end = writing.form.as_ref().map_or("SEND", |_| form::END);
                return Some(format!("{text} What comes up to {end} is left out."));
            }
            // Whether there is room is seen again when it is kept.
            _ => MOST_WRITTEN,
        };
        writing.most = left.min(MOST_WRITTEN);
        let left = (left < MOST_WRITTEN).then(|| format!("About {left} octets are left."));
        let asks = match writing.form {
            Some(_) => form::ASKS,
            None => "What is it about, in a few words?",
        };
        match (begun, left) {
            (true, left) => left,
            (false, Some(left)) => Some(format!("{asks} {left}")),
            (false, None) => Some(asks.into()),
        }
    }

    /// What was sent as this one, if it is still at hand.
    fn take_sent(&mut self, serial: Option<u32>) -> Option<Writing> {
        let is_it = serial.is_some() && self.sent.as_ref().map(|sent| sent.serial) == serial;
        is_it.then(|| self.sent.take()).flatten()
    }

    /// A text was not kept. It is not lost, unless the visitor writes another one by now.
    fn not_kept(&mut self, serial: Option<u32>, answer: &Answer) -> String {
        let text = refusal(answer);
        match self.take_sent(serial) {
            Some(sent) if self.writing.is_none() => {
                let stage = Writes::Again(0);
                let left = sent.what_is_left();
                self.writing = Some(Writing { stage, ..sent });
                format!("{text} Your text is still here: {left}")
            }
            _ => text,
        }
    }

    /// What was to be asked cannot be: the keeper was not asked.
    pub(super) fn refused(&mut self) {
        let asked = self.under_way().and_then(|at| self.asked.remove(at));
        if let Some(Asked::Write(_, serial)) = asked {
            self.take_sent(serial);
        }
    }

    fn list(&mut self, heads: &[Head]) -> String {
        self.listed = heads.iter().take(MOST_LISTED).map(|head| head.id).collect();
        if self.listed.is_empty() {
            return "Nothing.".into();
        }
        let lines = heads.iter().take(MOST_LISTED).zip(1..);
        let lines = lines.map(|(head, number)| {
            let what = match &head.kind {
                Kind::Bulletin { topic, .. } => format!(" {topic}"),
                Kind::Formal { .. } => " radiogram".into(),
                Kind::Service { .. } => " report".into(),
                Kind::Personal { .. } => String::new(),
            };
            let written = moment(head.written);
            let day = written.get(5..10).unwrap_or_default();
            format!(
                "{number}: {}{what} on {day} about {:?}, {} octets",
                head.from.call, head.title, head.octets
            )
        });
        lines.collect::<Vec<_>>().join("\r")
    }
}

/// What a visitor hears of an answer that is no yes.
fn refusal(answer: &Answer) -> String {
    match answer {
        Answer::NotFound => "That message is not here any more.".into(),
        Answer::NotAllowed { words } => words.clone(),
        Answer::Full { .. } => {
            "There is no room for more mail here; please try another day.".into()
        }
        Answer::NotKept { .. } | Answer::Failed { .. } => {
            "That could not be done now; please try later.".into()
        }
        _ => "That could not be done.".into(),
    }
}

fn count(messages: usize) -> Option<String> {
    match messages {
        0 => None,
        1 => Some("Something waits for you; say MAIL.".into()),
        n if n > MOST_LISTED => Some(format!(
            "More than {MOST_LISTED} things wait for you; say MAIL."
        )),
        n => Some(format!("{n} things wait for you; say MAIL.")),
    }
}

fn text_of(letter: &Letter) -> String {
    let message = &letter.message;
    let head = format!(
        "{}, {}: {}",
        message.from,
        moment(message.written),
        message.title
    );
    format!("{head}\r{}", message.body.trim_end().replace('\n', "\r"))
}

/// Text without what could steer a terminal.
fn plain(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_control() || *c == '\t')
        .collect()
}

#[cfg(test)]
mod tests;
