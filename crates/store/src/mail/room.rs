//! How much is here, and whether more may come.

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use dunlin_mail::post::{Answer, Much, Room};
use dunlin_mail::{Precedence, Station};
use rusqlite::{Connection, params};

/// For so long back what a visitor left counts as left today, in milliseconds.
const A_DAY_MS: i64 = 86_400_000;
/// See [`has_some`].
const SOME: u64 = 50;

/// What one visitor left within a day. What was deleted meanwhile counts: it had been taken.
pub(super) const OF_A_DAY: &str =
    "SELECT count(*), coalesce(sum(octets), 0) FROM letters INDEXED BY letters_left
     WHERE from_call = ?1 AND arrived_ms > ?2 AND id >= ?3 AND id < ?4";

/// What of one visitor is here and waits for somebody.
pub(super) const WAITING: &str =
    "SELECT count(*), coalesce(sum(octets), 0) FROM letters INDEXED BY letters_waiting
     WHERE from_call = ?1 AND standing IN ('queued', 'here', 'held') AND id >= ?2 AND id < ?3";

fn much(row: &rusqlite::Row<'_>) -> rusqlite::Result<Much> {
    let number = |column| -> rusqlite::Result<u64> {
        let n: i64 = row.get(column)?;
        Ok(n.unsigned_abs())
    };
    Ok(Much {
        messages: number(0)?,
        octets: number(1)?,
    })
}

/// All mail together, without what was deleted. Triggers keep the sum, so that it costs nothing to ask.
pub(super) fn all(db: &Connection) -> rusqlite::Result<Much> {
    let sql = "SELECT messages, octets FROM room WHERE only = 1";
    db.prepare_cached(sql)?.query_row([], much)
}

/// That there is no room for so much more, if there is none.
pub(super) fn full(
    db: &Connection,
    most: Much,
    precedence: Precedence,
    more: Much,
) -> rusqlite::Result<Option<Answer>> {
    let there = all(db)?;
    let holds = most.open_to(precedence).holds(there, more);
    Ok((!holds).then(|| {
        let words = format!(
            "there is no room for {} more with {} octets: {} messages with {} octets are here, of at most {} \
             and {} (most_messages, most_mb in [mail]; a tenth is left for emergencies and reports). Delete \
             some, or allow more",
            more.messages, more.octets, there.messages, there.octets, most.messages, most.octets
        );
        Answer::Full { words }
    }))
}

/// Whether some of the room that is open to everything is free: a fiftieth of it, so that one letter more or less does
/// not change it.
pub(super) fn has_some(db: &Connection, most: Much) -> rusqlite::Result<bool> {
    let open = most.open_to(Precedence::Routine);
    let least = Much {
        messages: (open.messages / SOME).max(1),
        octets: (open.octets / SOME).max(1),
    };
    Ok(open.holds(all(db)?, least))
}

/// Whether a visitor may leave a message of so many octets, and of how many at most.
pub(super) fn may_leave(
    db: &Connection,
    (visitor, own): (CallSign, Station),
    (precedence, octets): (Precedence, u64),
    room: &Room,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let more = Much::one(octets);
    if let Some(full) = full(db, room.all, precedence, more)? {
        return Ok(full);
    }
    let (from, to) = (format!("{own}:"), format!("{own};"));
    let visitor = visitor.to_string();
    let since = now.0.saturating_sub(A_DAY_MS);
    let asked = params![visitor, since, from, to];
    let today = db.prepare_cached(OF_A_DAY)?.query_row(asked, much)?;
    let of_day = room.visitor_day.of_visitor(precedence);
    if !of_day.holds(today, more) {
        let words = format!(
            "You have left {} with {} octets within a day; at most {} and {} are taken. Try tomorrow.",
            messages(today.messages),
            today.octets,
            of_day.messages,
            of_day.octets
        );
        return Ok(Answer::NotAllowed { words });
    }
    let asked = params![visitor, from, to];
    let waiting = db.prepare_cached(WAITING)?.query_row(asked, much)?;
    let at_a_time = room.visitor.of_visitor(precedence);
    if !at_a_time.holds(waiting, more) {
        let words = format!(
            "Here of you: {} with {} octets; at most {} and {} may be. MAIL MINE lists them, and DELETE makes room.",
            messages(waiting.messages),
            waiting.octets,
            at_a_time.messages,
            at_a_time.octets
        );
        return Ok(Answer::NotAllowed { words });
    }
    let left = [
        room.all.open_to(precedence).without(all(db)?),
        of_day.without(today),
        at_a_time.without(waiting),
    ];
    let octets = left.iter().map(|left| left.octets).min();
    Ok(Answer::MayLeave {
        octets: octets.unwrap_or(0),
    })
}

/// A number of messages in words.
fn messages(number: u64) -> String {
    match number {
        1 => "1 message".to_owned(),
        n => format!("{n} messages"),
    }
}

#[cfg(test)]
mod tests {
    use super::super::MailStore;
    use super::super::tests::{NOW, call, personal, store};
    use super::*;
    use dunlin_clock::Duration;
    use dunlin_mail::post::{Ask, Letter, Proof, Way};

    fn much(messages: u64, octets: u64) -> Much {
        Much { messages, octets }
    }

    fn room() -> Room {
        Room {
            visitor_day: much(3, 1000),
            visitor: much(2, 1000),
            all: much(10, 10_000),
        }
    }

    /// QM3BAR leaves a message at its own station, as the identifiers of these tests have it.
    fn leave(
        store: &mut MailStore,
        number: u64,
        octets: usize,
        precedence: Precedence,
        now: WallTime,
    ) -> Answer {
        let mut message = personal(number, "QX0RLF", &"x".repeat(octets));
        message.precedence = precedence;
        let letter = Box::new(Letter::new(message, Proof::HeardAsClaimed, &Way::Here, now));
        let room = room();
        store.answer(Ask::Leave { letter, room }, now)
    }

    fn refused(answer: Answer) -> String {
        match answer {
            Answer::NotAllowed { words } => words,
            other => panic!("{other:?}"),
        }
    }

    fn delete(store: &mut MailStore, number: u64) {
        let id = super::super::tests::id(number);
        let answer = store.answer(Ask::Delete { id, by: None }, NOW);
        assert_eq!(answer, Answer::Done);
    }

    fn may_leave(store: &mut MailStore, precedence: Precedence) -> Answer {
        let ask = Ask::MayLeave {
            visitor: call("QM3BAR"),
            own: call("QM3BAR"),
            precedence,
            octets: 1,
            room: room(),
        };
        store.answer(ask, NOW)
    }

    #[test]
    fn a_visitor_leaves_so_much_and_no_more_but_an_emergency_is_taken() {
        let mut store = store();
        let routine = Precedence::Routine;
        for number in 1..=2 {
            let octets = 1000 - 10 * (number - 1);
            let may = may_leave(&mut store, routine);
            assert_eq!(may, Answer::MayLeave { octets });
            assert_eq!(leave(&mut store, number, 10, routine, NOW), Answer::Kept);
        }
        let words = refused(may_leave(&mut store, routine));
        assert!(
            words.starts_with("Here of you: 2 messages with 20 octets; at most 2 and 1000"),
            "{words}"
        );
        let words = refused(leave(&mut store, 3, 10, routine, NOW));
        assert!(words.contains("MAIL MINE lists them"), "{words}");
        assert!(!words.to_uppercase().contains("EMERGENCY"), "{words}");
        let may = may_leave(&mut store, Precedence::Emergency);
        assert_eq!(may, Answer::MayLeave { octets: 9980 });
        let emergency = leave(&mut store, 3, 10, Precedence::Emergency, NOW);
        assert_eq!(emergency, Answer::Kept);
        // What is deleted makes room to wait, but was left today all the same.
        (1..=3).for_each(|number| delete(&mut store, number));
        let words = refused(leave(&mut store, 4, 10, routine, NOW));
        assert!(
            words.starts_with("You have left 3 messages with 30 octets within a day; at most 3"),
            "{words}"
        );
        assert!(!words.to_uppercase().contains("EMERGENCY"), "{words}");
        let tomorrow = NOW.after(Duration::from_secs(86_400));
        assert_eq!(leave(&mut store, 4, 10, routine, tomorrow), Answer::Kept);
        let words = refused(leave(&mut store, 5, 995, routine, tomorrow));
        assert!(
            words.contains("with 10 octets"),
            "octets count too: {words}"
        );
    }

    #[test]
    fn what_came_by_partners_counts_for_no_visitor() {
        let mut store = store();
        for number in 1..=5 {
            let mut message = personal(number, "QX0RLF", "x");
            message.id.origin = call("QX0RLF");
            super::super::tests::keep(&mut store, message, &Way::Here);
        }
        let may = may_leave(&mut store, Precedence::Routine);
        assert_eq!(may, Answer::MayLeave { octets: 1000 });
    }

    #[test]
    fn all_together_has_a_limit_and_a_tenth_is_left_for_emergencies() {
        let mut store = store();
        store.limit(room().all);
        let keep = |store: &mut MailStore, number, precedence| {
            let mut message = personal(number, "QX0RLF", "x");
            message.precedence = precedence;
            let letter = Letter::new(message, Proof::KnownPath, &Way::Here, NOW);
            store.answer(Ask::Keep(Box::new(letter)), NOW)
        };
        for number in 1..=9 {
            assert_eq!(keep(&mut store, number, Precedence::Priority), Answer::Kept);
        }
        let Answer::Full { words } = keep(&mut store, 10, Precedence::Priority) else {
            panic!("the tenth is for an emergency");
        };
        assert!(
            words.contains("9 messages with 9 octets are here"),
            "{words}"
        );
        let may = may_leave(&mut store, Precedence::Routine);
        assert!(matches!(may, Answer::Full { .. }), "{may:?}");
        assert!(!store.has_room());
        let known = keep(&mut store, 9, Precedence::Routine);
        assert_eq!(known, Answer::AlreadyKnown, "which needs no room");
        assert_eq!(keep(&mut store, 10, Precedence::Emergency), Answer::Kept);
        assert_eq!(all(&store.connection), Ok(much(10, 10)));
        delete(&mut store, 1);
        delete(&mut store, 2);
        assert_eq!(all(&store.connection), Ok(much(8, 8)));
        assert!(store.has_room());
        assert_eq!(keep(&mut store, 11, Precedence::Routine), Answer::Kept);
    }

    #[test]
    fn a_partner_is_told_whether_there_is_room_before_it_sends_anything() {
        let mut store = store();
        store.limit(room().all);
        for number in 1..=7 {
            super::super::tests::keep(&mut store, personal(number, "QX0RLF", "x"), &Way::Here);
        }
        let mut ask = |precedence, messages, octets| {
            let more = much(messages, octets);
            store.answer(Ask::Room { precedence, more }, NOW)
        };
        let (routine, urgent) = (Precedence::Priority, Precedence::Emergency);
        assert_eq!(ask(routine, 2, 8993), Answer::Done);
        for (messages, octets) in [(3, 10), (1, 8994)] {
            let answer = ask(routine, messages, octets);
            assert!(matches!(answer, Answer::Full { .. }), "{answer:?}");
            assert_eq!(ask(urgent, messages, octets), Answer::Done);
        }
        let beyond = ask(urgent, 4, 10);
        assert!(matches!(beyond, Answer::Full { .. }), "{beyond:?}");
    }

    #[test]
    fn a_letter_says_that_the_partner_has_no_room_until_it_is_tried_again() {
        use dunlin_mail::exchange::Why;
        use dunlin_mail::post::Outcome;
        let mut store = store();
        let partner = call("QM2REE");
        let partners = vec![partner];
        let message = personal(1, "QX0RLF", "x");
        super::super::tests::keep(&mut store, message, &Way::One { partners });
        let id = super::super::tests::id(1);
        let words = |store: &mut MailStore| match store.answer(
            Ask::Open {
                id,
                reader: None,
                glance: true,
            },
            NOW,
        ) {
            Answer::Opened(letter) => letter.words(),
            other => panic!("{other:?}"),
        };
        let outcome = Outcome::Refused(Why::NoRoom);
        let settle = Ask::Settle {
            id,
            partner,
            outcome,
        };
        assert_eq!(store.answer(settle, NOW), Answer::Done);
        assert_eq!(
            words(&mut store),
            "queued for QM2REE, tried once in vain because the station has no room for it, not before 2026-11-30 \
             00:54 UTC"
        );
        let ids = vec![id];
        assert_eq!(store.answer(Ask::Tried { partner, ids }, NOW), Answer::Done);
        assert_eq!(
            words(&mut store),
            "queued for QM2REE, tried 2 times in vain, not before 2026-11-30 00:55 UTC"
        );
    }

    #[test]
    fn there_is_room_again_when_more_than_one_letter_has_gone() {
        let mut store = store();
        store.limit(much(167, 100_000));
        for number in 1..=150 {
            super::super::tests::keep(&mut store, personal(number, "QX0RLF", "x"), &Way::Here);
        }
        let has_room = |store: &mut MailStore, number| {
            delete(store, number);
            store.has_room()
        };
        let rooms = [1, 2, 3].map(|number| has_room(&mut store, number));
        assert_eq!(rooms, [false, false, true], "3 are a fiftieth");
    }

    #[test]
    fn an_emergency_of_a_visitor_has_a_limit_too() {
        let mut store = store();
        let emergency = Precedence::Emergency;
        let room = Room {
            all: much(1000, 100_000),
            ..room()
        };
        let leave = |store: &mut MailStore, number| {
            let mut message = personal(number, "QX0RLF", "x");
            message.precedence = emergency;
            let letter = Letter::new(message, Proof::HeardAsClaimed, &Way::Here, NOW);
            let letter = Box::new(letter);
            store.answer(Ask::Leave { letter, room }, NOW)
        };
        for number in 1..=20 {
            assert_eq!(leave(&mut store, number), Answer::Kept);
        }
        let words = refused(leave(&mut store, 21));
        assert!(words.contains("at most 20"), "ten times 2: {words}");
    }

    #[test]
    fn one_message_is_one_message() {
        assert_eq!(
            [0, 1, 2].map(messages),
            ["0 messages", "1 message", "2 messages"]
        );
    }

    #[test]
    fn what_the_station_reports_is_kept_when_all_is_full() {
        let mut store = store();
        store.limit(much(10, 10_000));
        for number in 1..=9 {
            super::super::tests::keep(&mut store, personal(number, "QX0RLF", "x"), &Way::Here);
        }
        let mut service = |number, proof| {
            let mut message = personal(number, "QX0RLF", "x");
            message.kind = dunlin_mail::Kind::Service {
                to: "QX0RLF".parse().expect("an address"),
                about: super::super::tests::id(1),
            };
            let letter = Letter::new(message, proof, &Way::Here, NOW);
            store.answer(Ask::Keep(Box::new(letter)), NOW)
        };
        let of_others = service(20, Proof::KnownPath);
        assert!(matches!(of_others, Answer::Full { .. }), "{of_others:?}");
        assert_eq!(service(21, Proof::Own), Answer::Kept);
        let beyond = service(22, Proof::Own);
        assert!(matches!(beyond, Answer::Full { .. }), "{beyond:?}");
    }

    #[test]
    fn a_visitor_finds_what_waits_of_its_own() {
        let mut store = store();
        for number in 1..=3 {
            let message = personal(number, "QX0RLF", "x");
            super::super::tests::keep(&mut store, message, &Way::Here);
        }
        let read = Ask::Open {
            id: super::super::tests::id(2),
            reader: Some(call("QX0RLF")),
            glance: false,
        };
        store.answer(read, NOW);
        let list = |store: &mut MailStore, reader| {
            let ask = Ask::List {
                reader,
                which: dunlin_mail::post::Which::Waiting,
                after: None,
                most: 9,
            };
            match store.answer(ask, NOW) {
                Answer::Heads(heads) => heads.iter().map(|h| h.id.number).collect::<Vec<_>>(),
                other => panic!("{other:?}"),
            }
        };
        assert_eq!(list(&mut store, Some(call("QM3BAR"))), [3, 1]);
        assert_eq!(list(&mut store, Some(call("QX0RLF"))), [0; 0]);
        assert_eq!(list(&mut store, None), [3, 1]);
    }

    #[test]
    fn nothing_is_read_from_end_to_end_to_know_it() {
        let store = store();
        let plan = |sql: &str| -> String {
            let sql = format!("EXPLAIN QUERY PLAN {sql}");
            let mut statement = store.connection.prepare(&sql).expect("SQL");
            for at in 1..=statement.parameter_count() {
                statement.raw_bind_parameter(at, "x").expect("bound");
            }
            let mut rows = statement.raw_query();
            let mut all = String::new();
            while let Some(row) = rows.next().expect("a row") {
                all += &row.get::<_, String>(3).expect("words");
            }
            all
        };
        use super::super::sweep::{BULLETINS, DONE, HELD, QUEUED};
        for sql in [OF_A_DAY, WAITING, QUEUED, BULLETINS, DONE, HELD] {
            let plan = plan(sql);
            assert!(plan.contains("SEARCH letters USING"), "{sql}: {plan}");
            assert!(!plan.contains("TEMP B-TREE"), "{sql}: {plan}");
        }
    }
}
