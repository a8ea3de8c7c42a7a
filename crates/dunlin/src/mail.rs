//! What people at the page want of the mail, as asks to whoever keeps it: the same over the station's own file and in
//! a rehearsal.

use dunlin_clock::WallTime;
use dunlin_mail::post::{
    Answer, Ask, Counts, Head, Letter, MOST_LISTED, Routes, Standing, Which, route, standing_on,
};
use dunlin_mail::{Kind, MessageId, Precedence};
use dunlin_station::{CallSign, Concluded, Conclusion, Draft};
use dunlin_web::{MailRefusal, MailReply, MailWish};

/// What is said where the plan has no mail; the engine says the same of a draft.
pub(crate) const NO_MAIL: &str = "this station keeps no mail: its plan has no [mail]";

/// Whoever reads as this sees what is meant for everybody. It is nobody's call sign, as it has no digit.
const GUEST: &str = "GUEST";

/// What came of a wish.
#[derive(Debug)]
pub(crate) struct Fulfilled {
    /// For the one who asked.
    pub(crate) reply: Result<MailReply, MailRefusal>,
    /// A letter that has been let go: partners may be called for it.
    pub(crate) released: Option<Letter>,
    /// To be written to somebody because of it.
    pub(crate) report: Option<Draft>,
    /// Lists look different now.
    pub(crate) changed: bool,
}

/// Fulfils wishes, by asking whoever keeps the mail.
struct Clerk<'a> {
    routes: &'a Routes,
    now: WallTime,
    ask: &'a mut dyn FnMut(Ask) -> Answer,
    released: Option<Letter>,
    report: Option<Draft>,
    changed: bool,
}

/// Fulfils a wish; `ask` reaches whoever keeps the mail.
pub(crate) fn fulfil(
    wish: MailWish,
    routes: &Routes,
    now: WallTime,
    ask: &mut dyn FnMut(Ask) -> Answer,
) -> Fulfilled {
    let mut clerk = Clerk {
        routes,
        now,
        ask,
        released: None,
        report: None,
        changed: false,
    };
    let reply = clerk.fulfil(wish);
    Fulfilled {
        reply,
        released: clerk.released,
        report: clerk.report,
        changed: clerk.changed,
    }
}

/// A refusal to one who asked for something that was not kept or done.
pub(crate) fn not_kept(answer: Answer) -> MailRefusal {
    match answer {
        Answer::NotFound => MailRefusal::NotThere,
        Answer::NotAllowed { words } => MailRefusal::Refused(words),
        Answer::NotKept { words } | Answer::Full { words } | Answer::Failed { words } => {
            MailRefusal::Failed(words)
        }
        other => {
            // A bug of whoever keeps the mail; the letter itself stays out of the log.
            tracing::error!("an answer about mail does not fit what was asked");
            drop(other);
            MailRefusal::Failed("the mail gave an answer that does not fit; try again".into())
        }
    }
}

impl Clerk<'_> {
    fn fulfil(&mut self, wish: MailWish) -> Result<MailReply, MailRefusal> {
        match wish {
            MailWish::List {
                which,
                after,
                most,
                guest,
            } => self.list(which, after, most, guest),
            MailWish::Search { words, most } => {
                let reader = None;
                let mut heads = self.heads(Ask::Search {
                    reader,
                    words,
                    most,
                })?;
                // A search does not know who has opened bulletins.
                for head in &mut heads {
                    head.unread &= is_to(head, self.routes.own);
                }
                Ok(MailReply::Heads(heads))
            }
            MailWish::Counts => self.counts().map(MailReply::Counts),
            MailWish::Open(id) => self.open(id),
            MailWish::Release(id) => self.release(id),
            MailWish::Hold { id, why } => self.hold(id, why),
            MailWish::Delete(id) => self.done(Ask::Delete { id, by: None }),
            MailWish::Conclude { id, conclusion } => self.conclude(id, &conclusion),
            MailWish::Recall(id) => match (self.ask)(Ask::Recall { id }) {
                Answer::Recalled { stopped, have_it } => {
                    self.changed = true;
                    Ok(MailReply::Recalled { stopped, have_it })
                }
                other => Err(not_kept(other)),
            },
        }
    }

    fn list(
        &mut self,
        which: Which,
        after: Option<u64>,
        most: usize,
        guest: bool,
    ) -> Result<MailReply, MailRefusal> {
        let own = self.routes.own;
        let reader = match &which {
            _ if guest => Some(GUEST.parse().map_err(|_| MailRefusal::NotThere)?),
            // What the operator has read is noted under the station's own call sign.
            Which::Unread | Which::Bulletins { .. } => Some(own),
            _ => None,
        };
        let all = which == Which::All;
        let mut heads = self.heads(Ask::List {
            reader,
            which,
            after,
            most,
        })?;
        if reader.is_none() {
            let new = match all {
                true => self.new_bulletins(&heads)?,
                false => Vec::new(),
            };
            for head in &mut heads {
                head.unread &= is_to(head, own) || new.contains(&head.place);
            }
        }
        if guest {
            heads.iter_mut().for_each(read);
        }
        Ok(MailReply::Heads(heads))
    }

    /// Places of the bulletins among these, the newest first, that the operator has not opened.
    fn new_bulletins(&mut self, heads: &[Head]) -> Result<Vec<u64>, MailRefusal> {
        let Some(first) = heads.first() else {
            return Ok(Vec::new());
        };
        let bulletins = self.heads(Ask::List {
            reader: Some(self.routes.own),
            which: Which::Bulletins { topic: None },
            after: Some(first.place + 1),
            most: heads.len(),
        })?;
        let new = bulletins.iter().filter(|head| head.unread);
        Ok(new.map(|head| head.place).collect())
    }

    /// As they stand in the file, but unread is what the operator has not read.
    fn counts(&mut self) -> Result<Counts, MailRefusal> {
        let mut counts = match (self.ask)(Ask::Counts) {
            Answer::Counts(counts) => counts,
            other => return Err(not_kept(other)),
        };
        let unread = self.heads(Ask::List {
            reader: Some(self.routes.own),
            which: Which::Unread,
            after: None,
            most: MOST_LISTED,
        })?;
        counts.unread = unread.len() as u64;
        Ok(counts)
    }

    /// What is meant for the operator is noted as read; other mail is only looked at.
    fn open(&mut self, id: MessageId) -> Result<MailReply, MailRefusal> {
        let reader = Some(self.routes.own);
        let letter = match (self.ask)(Ask::Open {
            id,
            reader,
            glance: false,
        }) {
            Answer::Opened(letter) => letter,
            Answer::NotFound => Box::new(self.letter(id)?),
            other => return Err(not_kept(other)),
        };
        if letter.message.precedence == Precedence::Emergency {
            self.done(Ask::Seen { id })?;
        }
        Ok(MailReply::Letter(letter))
    }

    /// A draft, what is held, and what had no way, goes the way that the plan gives now.
    fn release(&mut self, id: MessageId) -> Result<MailReply, MailRefusal> {
        let mut letter = self.letter(id)?;
        let stands = matches!(
            letter.standing,
            Standing::Written | Standing::Held { .. } | Standing::Undeliverable { .. }
        );
        if !stands {
            let words = letter.words();
            let sentence =
                format!("it is no draft and not held, so there is nothing to let go: {words}");
            return Err(MailRefusal::Refused(sentence));
        }
        let way = route(&letter.message, self.routes);
        (letter.standing, letter.legs) = standing_on(&way, self.now);
        let reply = self.done(Ask::Release { id, way })?;
        self.released = Some(letter);
        Ok(reply)
    }

    fn hold(&mut self, id: MessageId, why: String) -> Result<MailReply, MailRefusal> {
        let letter = self.letter(id)?;
        let moves = matches!(
            letter.standing,
            Standing::Queued | Standing::Here | Standing::Undeliverable { .. }
        );
        if !moves {
            let sentence = format!("there is nothing left to hold: {}", letter.words());
            return Err(MailRefusal::Refused(sentence));
        }
        let why = match why.trim() {
            "" => "by the operator".to_owned(),
            why => why.to_owned(),
        };
        self.done(Ask::Hold { id, why })
    }

    /// What became of a radiogram is noted, and its station of origin told if it must know or wants to.
    fn conclude(
        &mut self,
        id: MessageId,
        conclusion: &Conclusion,
    ) -> Result<MailReply, MailRefusal> {
        let letter = self.letter(id)?;
        let Concluded {
            standing,
            note,
            report,
        } = conclusion
            .of(&letter, self.now)
            .map_err(MailRefusal::Refused)?;
        self.done(Ask::Conclude {
            id,
            stood: letter.standing,
            standing,
            note,
        })?;
        let reported_to = report.as_ref().and_then(|report| report.kind.to());
        self.report = report;
        Ok(MailReply::Concluded { reported_to })
    }

    fn done(&mut self, ask: Ask) -> Result<MailReply, MailRefusal> {
        match (self.ask)(ask) {
            Answer::Done | Answer::CameToNothing(_) => {
                self.changed = true;
                Ok(MailReply::Done)
            }
            other => Err(not_kept(other)),
        }
    }

    fn heads(&mut self, ask: Ask) -> Result<Vec<Head>, MailRefusal> {
        match (self.ask)(ask) {
            Answer::Heads(heads) => Ok(heads),
            other => Err(not_kept(other)),
        }
    }

    /// A letter as it stands, without a note that it was read.
    fn letter(&mut self, id: MessageId) -> Result<Letter, MailRefusal> {
        match (self.ask)(Ask::Open {
            id,
            reader: None,
            glance: false,
        }) {
            Answer::Opened(letter) => Ok(*letter),
            other => Err(not_kept(other)),
        }
    }
}

/// Whether this is mail to the operator.
fn is_to(head: &Head, own: CallSign) -> bool {
    match &head.kind {
        Kind::Personal { to } | Kind::Formal { to } | Kind::Service { to, .. } => to.call == own,
        Kind::Bulletin { .. } => false,
    }
}

fn read(head: &mut Head) {
    head.unread = false;
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_mail::post::{PartnerRule, Proof};
    use dunlin_mail::radiogram::Failure;
    use dunlin_mail::{Message, Precedence};
    use dunlin_store::MailStore;

    const NOW: WallTime = WallTime(1_795_960_920_000);

    fn call(text: &str) -> CallSign {
        text.parse().expect("a call sign")
    }

    fn routes() -> Routes {
        Routes {
            own: call("QA1SKY"),
            keeps_for: vec![call("QM3BAR")],
            partners: vec![PartnerRule {
                partner: call("QX0RLF"),
                homes: Vec::new(),
                areas: vec!["ISLES".into()],
                carries_all: true,
                trusted: false,
            }],
        }
    }

    fn id(number: u64) -> MessageId {
        let origin = call("QE7SKE");
        MessageId { origin, number }
    }

    /// A store with one letter: number, and to whom; of `ISLES` it is a bulletin.
    fn put(store: &mut MailStore, number: u64, to: &str, standing: Standing) {
        let kind = match to {
            "ISLES" => Kind::Bulletin {
                topic: "FERRY".into(),
                area: "ISLES".into(),
            },
            to => Kind::Personal {
                to: to.parse().expect("an address"),
            },
        };
        let message = Message {
            id: id(number),
            kind,
            precedence: Precedence::Routine,
            from: "QE7SKE".parse().expect("an address"),
            written: NOW,
            title: "Cots".into(),
            body: "Forty.\n".into(),
            chain: Vec::new(),
        };
        let way = dunlin_mail::post::Way::Here;
        let mut letter = Letter::new(message, Proof::KnownPath, &way, NOW);
        letter.standing = standing;
        assert_eq!(store.answer(Ask::Keep(Box::new(letter)), NOW), Answer::Kept);
    }

    fn wish(store: &mut MailStore, wish: MailWish) -> Fulfilled {
        fulfil(wish, &routes(), NOW, &mut |ask| store.answer(ask, NOW))
    }

    fn unread(store: &mut MailStore, which: Which, guest: bool) -> Vec<(u64, bool)> {
        let list = MailWish::List {
            which,
            after: None,
            most: 10,
            guest,
        };
        match wish(store, list).reply {
            Ok(MailReply::Heads(heads)) => heads.iter().map(|h| (h.id.number, h.unread)).collect(),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn what_the_operator_reads_is_read_and_other_peoples_mail_is_not() {
        let mut store = MailStore::in_memory().expect("memory");
        put(&mut store, 1, "QA1SKY", Standing::Here);
        put(&mut store, 2, "QM3BAR", Standing::Here);
        put(&mut store, 3, "ISLES", Standing::Here);
        let before = [(3, true), (2, false), (1, true)];
        assert_eq!(unread(&mut store, Which::All, false), before);
        assert_eq!(unread(&mut store, Which::Unread, false), [(1, true)]);
        for number in 1..=3 {
            let opened = wish(&mut store, MailWish::Open(id(number)));
            assert!(
                matches!(opened.reply, Ok(MailReply::Letter(_))),
                "{opened:?}"
            );
        }
        let after = [(3, false), (2, false), (1, false)];
        assert_eq!(unread(&mut store, Which::All, false), after);
        assert_eq!(unread(&mut store, Which::Unread, false), []);
    }

    #[test]
    fn a_guest_sees_bulletins_that_are_not_held_and_no_drafts() {
        let mut store = MailStore::in_memory().expect("memory");
        put(&mut store, 1, "ISLES", Standing::Here);
        let why = "a look".to_owned();
        put(&mut store, 2, "ISLES", Standing::Held { why });
        put(&mut store, 3, "ISLES", Standing::Written);
        let bulletins = Which::Bulletins { topic: None };
        assert_eq!(unread(&mut store, bulletins, true), [(1, false)]);
    }

    #[test]
    fn what_is_let_go_goes_the_way_of_the_plan_and_only_once() {
        let mut store = MailStore::in_memory().expect("memory");
        let why = "a look".to_owned();
        put(&mut store, 1, "QM2REE at QM2REE", Standing::Held { why });
        let released = wish(&mut store, MailWish::Release(id(1)));
        assert_eq!(released.reply, Ok(MailReply::Done));
        let letter = released.released.expect("a letter");
        assert_eq!(letter.words(), "queued for QX0RLF");
        assert!(released.changed);
        let again = wish(&mut store, MailWish::Release(id(1)));
        assert!(
            matches!(again.reply, Err(MailRefusal::Refused(_))),
            "{again:?}"
        );
        let why = String::new();
        let held = wish(&mut store, MailWish::Hold { id: id(1), why });
        assert_eq!(held.reply, Ok(MailReply::Done));
        let recalled = wish(&mut store, MailWish::Recall(id(1)));
        let stopped = vec![call("QX0RLF")];
        let have_it = Vec::new();
        assert_eq!(recalled.reply, Ok(MailReply::Recalled { stopped, have_it }));
        let deleted = wish(&mut store, MailWish::Delete(id(1)));
        assert_eq!(deleted.reply, Ok(MailReply::Done));
        let gone = wish(&mut store, MailWish::Open(id(1)));
        assert_eq!(gone.reply, Err(MailRefusal::NotThere));
    }

    const FORM: &str = "12 R HANDLING QE7SKE 5 BAR ISLAND 1830Z NOV 29\nWARDEN\nLEE COVE\nBT\n\
        FORTY COTS COME BY FERRY\nBT\nHARBOUR OFFICE\nAR\n";

    /// A radiogram that is to be delivered here; `handling` goes into its preamble.
    fn put_formal(store: &mut MailStore, number: u64, handling: &str) {
        let message = Message {
            id: id(number),
            kind: Kind::Formal {
                to: "QA1SKY".parse().expect("an address"),
            },
            precedence: Precedence::Welfare,
            from: "QE7SKE at QE7SKE".parse().expect("an address"),
            written: NOW,
            title: "LEE COVE".into(),
            body: FORM.replace("HANDLING", handling),
            chain: Vec::new(),
        };
        let way = dunlin_mail::post::Way::Here;
        let letter = Letter::new(message, Proof::KnownPath, &way, NOW);
        assert_eq!(store.answer(Ask::Keep(Box::new(letter)), NOW), Answer::Kept);
    }

    fn conclude(store: &mut MailStore, number: u64, conclusion: Conclusion) -> Fulfilled {
        let id = id(number);
        wish(store, MailWish::Conclude { id, conclusion })
    }

    fn stands(store: &mut MailStore, number: u64) -> Standing {
        match wish(store, MailWish::Open(id(number))).reply {
            Ok(MailReply::Letter(letter)) => letter.standing,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_radiogram_is_delivered_by_a_person_and_reported_if_that_is_wanted() {
        let mut store = MailStore::in_memory().expect("memory");
        put_formal(&mut store, 1, "HXG");
        put_formal(&mut store, 2, "HXC");
        assert_eq!(
            stands(&mut store, 1),
            Standing::Here,
            "reading it is not enough"
        );
        let done = conclude(&mut store, 1, Conclusion::Delivered);
        assert_eq!(done.reply, Ok(MailReply::Concluded { reported_to: None }));
        assert_eq!(done.report, None);
        assert_eq!(stands(&mut store, 1), Standing::Delivered);
        let done = conclude(&mut store, 2, Conclusion::Delivered);
        let report = done.report.expect("HXC");
        assert_eq!(report.title, "Delivered: LEE COVE");
        let body = "YOUR 12 OF NOV 29 TO WARDEN LEE COVE DELIVERED\nNOV 29 1402Z\n";
        assert_eq!(report.body, body);
        let again = conclude(&mut store, 2, Conclusion::Delivered);
        assert!(matches!(again.reply, Err(MailRefusal::Refused(_))));
    }

    #[test]
    fn to_whom_a_radiogram_was_passed_on_is_noted() {
        let mut store = MailStore::in_memory().expect("memory");
        put_formal(&mut store, 1, "HXG");
        let to = "QM2REE".parse().expect("an address");
        let done = conclude(&mut store, 1, Conclusion::Passed { to });
        assert_eq!(done.reply, Ok(MailReply::Concluded { reported_to: None }));
        let opened = wish(&mut store, MailWish::Open(id(1)));
        let Ok(MailReply::Letter(letter)) = opened.reply else {
            panic!("{opened:?}");
        };
        assert_eq!(letter.standing, Standing::Passed);
        assert_eq!(letter.note.as_deref(), Some("passed on to QM2REE"));
    }

    #[test]
    fn whose_radiogram_cannot_be_delivered_is_told_why() {
        let mut store = MailStore::in_memory().expect("memory");
        put_formal(&mut store, 1, "HXG");
        put(&mut store, 2, "QA1SKY", Standing::Here);
        let why = Failure::NoAnswer;
        let done = conclude(&mut store, 1, Conclusion::NotDelivered { why: why.clone() });
        let to = "QE7SKE at QE7SKE".parse().ok();
        assert_eq!(done.reply, Ok(MailReply::Concluded { reported_to: to }));
        let report = done.report.expect("a report");
        assert_eq!(report.kind.to(), to);
        assert_eq!(report.precedence, Precedence::Routine, "that of the form");
        assert!(
            report.body.contains("X PHONE NOT ANSWERED X"),
            "{}",
            report.body
        );
        let standing = Standing::Undeliverable {
            why: "phone not answered".into(),
        };
        assert_eq!(stands(&mut store, 1), standing);
        let again = conclude(&mut store, 1, Conclusion::NotDelivered { why: why.clone() });
        assert!(matches!(again.reply, Err(MailRefusal::Refused(_))));
        assert_eq!(again.report, None, "told once");
        let way = dunlin_mail::post::Way::One {
            partners: vec![call("QX0RLF")],
        };
        put_formal(&mut store, 3, "HXG");
        let id = id(3);
        assert_eq!(store.answer(Ask::Release { id, way }, NOW), Answer::Done);
        let queued = conclude(&mut store, 3, Conclusion::NotDelivered { why: why.clone() });
        let words = "recall it first: queued for QX0RLF".to_owned();
        assert_eq!(queued.reply, Err(MailRefusal::Refused(words)));
        assert_eq!(queued.report, None);
        let other = conclude(&mut store, 2, Conclusion::NotDelivered { why });
        assert!(
            matches!(other.reply, Err(MailRefusal::Refused(_))),
            "no radiogram"
        );
    }
}
