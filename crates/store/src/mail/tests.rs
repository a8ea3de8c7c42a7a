//! Tests of the mail: what is kept, who sees it, what waits, and what happens without room.

use std::fs;

use dunlin_clock::{Duration, WallTime};
use dunlin_mail::exchange::{Partial, Why};
use dunlin_mail::post::{
    Answer, Ask, Counts, Head, LegState, Letter, Outcome, PARTIALS_LAST, Proof, Standing, Way,
    Which,
};
use dunlin_mail::{Kind, Message, MessageId, Precedence, Station, Step};

use super::{MailError, MailStore};

pub(super) const NOW: WallTime = WallTime(1_796_000_000_000);

/// No messages.
pub(super) const NONE: [u64; 0] = [];

pub(super) fn call(text: &str) -> Station {
    text.parse().expect("a call sign")
}

pub(super) fn id(number: u64) -> MessageId {
    let origin = call("QM3BAR");
    MessageId { origin, number }
}

pub(super) fn personal(number: u64, to: &str, body: &str) -> Message {
    Message {
        id: id(number),
        kind: Kind::Personal {
            to: to.parse().expect("an address"),
        },
        precedence: Precedence::Routine,
        from: "QM3BAR".parse().expect("an address"),
        written: WallTime(NOW.0 - 60_000),
        title: format!("Number {number}"),
        body: body.to_owned(),
        chain: Vec::new(),
    }
}

pub(super) fn bulletin(number: u64, topic: &str, body: &str) -> Message {
    let (topic, area) = (topic.to_owned(), "ISLES".to_owned());
    Message {
        kind: Kind::Bulletin { topic, area },
        ..personal(number, "QX0RLF", body)
    }
}

pub(super) fn to_one(partners: &[&str]) -> Way {
    let partners = partners.iter().map(|p| call(p)).collect();
    Way::One { partners }
}

pub(super) fn store() -> MailStore {
    MailStore::in_memory().expect("memory")
}

pub(super) fn keep(store: &mut MailStore, message: Message, way: &Way) {
    let letter = Letter::new(message, Proof::KnownPath, way, NOW);
    let answer = store.answer(Ask::Keep(Box::new(letter)), NOW);
    assert_eq!(answer, Answer::Kept);
}

pub(super) fn list(store: &mut MailStore, reader: Option<&str>, which: Which) -> Vec<u64> {
    let heads = heads(store, reader, which);
    heads.iter().map(|head| head.id.number).collect()
}

fn heads(store: &mut MailStore, reader: Option<&str>, which: Which) -> Vec<Head> {
    let ask = Ask::List {
        reader: reader.map(call),
        which,
        after: None,
        most: 100,
    };
    match store.answer(ask, NOW) {
        Answer::Heads(heads) => heads,
        other => panic!("{other:?}"),
    }
}

pub(super) fn open(store: &mut MailStore, number: u64, reader: Option<&str>) -> Option<Letter> {
    let (id, reader) = (id(number), reader.map(call));
    match store.answer(
        Ask::Open {
            id,
            reader,
            glance: false,
        },
        NOW,
    ) {
        Answer::Opened(letter) => Some(*letter),
        Answer::NotFound => None,
        other => panic!("{other:?}"),
    }
}

fn outgoing(store: &mut MailStore, partner: &str, now: WallTime) -> Vec<u64> {
    outgoing_of(store, partner, now, false)
}

fn outgoing_of(store: &mut MailStore, partner: &str, now: WallTime, put_back: bool) -> Vec<u64> {
    let ask = Ask::Outgoing {
        partner: call(partner),
        most: 100,
        most_octets: 1 << 20,
        partials: false,
        put_back,
    };
    match store.answer(ask, now) {
        Answer::Outgoing { messages, .. } => messages.iter().map(|m| m.id.number).collect(),
        other => panic!("{other:?}"),
    }
}

fn settle(store: &mut MailStore, number: u64, partner: &str, outcome: Outcome) {
    let (id, partner) = (id(number), call(partner));
    let ask = Ask::Settle {
        id,
        partner,
        outcome,
    };
    let answer = store.answer(ask, NOW);
    // Whoever asked is told when the message can go nowhere any more.
    let stands = open(store, number, None).map(|letter| letter.standing);
    let lost = matches!(stands, Some(Standing::Undeliverable { .. }));
    assert_eq!(
        lost,
        matches!(answer, Answer::CameToNothing(_)),
        "{answer:?}"
    );
}

fn taken(partner: &str) -> Outcome {
    let (station, at) = (call(partner), NOW);
    Outcome::Taken(Step { station, at })
}

#[test]
fn a_letter_is_read_as_it_was_kept() {
    let mut store = store();
    let mut formal = personal(1, "QX0RLF at QM2REE", "Ä\tform\n");
    formal.kind = Kind::Formal {
        to: "QX0RLF at QM2REE".parse().expect("an address"),
    };
    formal.taken_by(call("QA1SKY"), NOW);
    let mut service = personal(2, "QX0RLF", "");
    service.kind = Kind::Service {
        to: "QX0RLF".parse().expect("an address"),
        about: id(u64::MAX),
    };
    service.precedence = Precedence::Emergency;
    for message in [formal, service, bulletin(3, "FERRY", "At nine.")] {
        let mut letter = Letter::new(message, Proof::HeardAsClaimed, &Way::Here, NOW);
        letter.note = Some("as it came".into());
        let number = letter.message.id.number;
        let answer = store.answer(Ask::Keep(Box::new(letter.clone())), NOW);
        assert_eq!(answer, Answer::Kept);
        assert_eq!(open(&mut store, number, None), Some(letter.clone()));
        let answer = store.answer(Ask::Keep(Box::new(letter)), NOW);
        assert_eq!(answer, Answer::AlreadyKnown);
    }
    store.check().expect("whole");
}

#[test]
fn personal_mail_is_for_its_reader_and_is_marked_when_read() {
    let mut store = store();
    keep(&mut store, personal(1, "QX0RLF", "for you"), &Way::Here);
    keep(
        &mut store,
        bulletin(2, "FERRY", "for all, and you"),
        &Way::Here,
    );
    assert_eq!(list(&mut store, Some("QX0RLF"), Which::All), [2, 1]);
    assert_eq!(list(&mut store, Some("QX0RLF"), Which::Unread), [1]);
    assert_eq!(list(&mut store, Some("QA1SKY"), Which::All), [2]);
    assert_eq!(open(&mut store, 1, Some("QA1SKY")), None);
    let search = |store: &mut MailStore, reader: Option<&str>, words: &str| {
        let ask = Ask::Search {
            reader: reader.map(call),
            words: words.to_owned(),
            most: 10,
        };
        match store.answer(ask, NOW) {
            Answer::Heads(heads) => heads.len(),
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(search(&mut store, Some("QX0RLF"), "you"), 2);
    assert_eq!(search(&mut store, Some("QA1SKY"), "you"), 1);
    assert_eq!(search(&mut store, None, "you FOR"), 2);
    assert_eq!(
        search(&mut store, None, "\" OR ) NEAR( *"),
        0,
        "plain words"
    );
    assert!(open(&mut store, 1, None).expect("the operator").unread);
    assert!(open(&mut store, 1, Some("QX0RLF")).is_some());
    assert_eq!(list(&mut store, Some("QX0RLF"), Which::Unread), NONE);
    let letter = open(&mut store, 1, None).expect("kept");
    assert_eq!(
        (letter.unread, letter.standing),
        (false, Standing::Delivered)
    );
    let unread = |store: &mut MailStore| {
        let bulletins = Which::Bulletins {
            topic: Some("FERRY".into()),
        };
        heads(store, Some("QX0RLF"), bulletins)[0].unread
    };
    assert!(unread(&mut store));
    assert!(open(&mut store, 2, Some("QX0RLF")).is_some());
    assert!(!unread(&mut store));
    let pages = Ask::List {
        reader: None,
        which: Which::All,
        after: Some(2),
        most: 10,
    };
    match store.answer(pages, NOW) {
        Answer::Heads(heads) => assert_eq!(heads.len(), 1, "the second page"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn the_urgent_waits_first_and_a_stuck_one_stops_no_other() {
    let mut store = store();
    let way = to_one(&["QM2REE", "QA1SKY"]);
    keep(&mut store, personal(1, "QX0RLF", &"x".repeat(5000)), &way);
    keep(&mut store, personal(2, "QX0RLF", "small"), &way);
    let all = Way::All {
        partners: vec![call("QM2REE"), call("QA1SKY")],
    };
    keep(&mut store, bulletin(3, "FERRY", "s"), &all);
    let mut urgent = personal(4, "QX0RLF", &"u".repeat(9000));
    urgent.precedence = Precedence::Emergency;
    keep(&mut store, urgent, &way);
    assert_eq!(outgoing(&mut store, "QM2REE", NOW), [4, 2, 1, 3]);
    // The second route waits for the first, also if a person asks: it was not put back.
    assert_eq!(outgoing_of(&mut store, "QA1SKY", NOW, true), [3]);
    let partner = call("QM2REE");
    let mut now = NOW;
    for minutes in [1, 2, 4] {
        let ids = vec![id(1)];
        let answer = store.answer(Ask::Tried { partner, ids }, now);
        assert_eq!(answer, Answer::Done);
        assert_eq!(outgoing(&mut store, "QM2REE", now), [4, 2, 3]);
        assert_eq!(outgoing_of(&mut store, "QM2REE", now, true), [4, 2, 1, 3]);
        now = now.after(Duration::from_secs(minutes * 60));
        assert_eq!(outgoing(&mut store, "QM2REE", now), [4, 2, 1, 3]);
    }
    // After three the second route may have it.
    assert_eq!(outgoing(&mut store, "QA1SKY", now), [1, 3]);
    settle(&mut store, 1, "QA1SKY", taken("QA1SKY"));
    assert_eq!(outgoing(&mut store, "QM2REE", now), [4, 2, 3]);
    let letter = open(&mut store, 1, None).expect("kept");
    assert_eq!(letter.standing, Standing::Passed);
    assert_eq!(letter.message.chain.len(), 1);
    assert_eq!(letter.words(), "taken by QA1SKY at 2026-11-30 00:53 UTC");
}

#[test]
fn what_partners_say_moves_a_letter_on() {
    let mut store = store();
    keep(
        &mut store,
        personal(1, "QX0RLF", "x"),
        &to_one(&["QM2REE", "QA1SKY"]),
    );
    settle(&mut store, 1, "QM2REE", Outcome::Refused(Why::NoRoom));
    assert_eq!(outgoing(&mut store, "QM2REE", NOW), NONE, "later");
    settle(&mut store, 1, "QM2REE", Outcome::Refused(Why::TooLarge));
    assert_eq!(outgoing(&mut store, "QA1SKY", NOW), [1], "at once");
    settle(&mut store, 1, "QA1SKY", Outcome::Refused(Why::NotThisArea));
    let letter = open(&mut store, 1, None).expect("kept");
    let words = letter.words();
    assert!(
        words.starts_with("cannot be delivered: refused by QM2REE"),
        "{words}"
    );
    assert_eq!(list(&mut store, None, Which::Queue), NONE);
    // A bulletin waits for each partner; who offers it has it.
    let partners = vec![call("QM2REE"), call("QA1SKY")];
    keep(
        &mut store,
        bulletin(2, "FERRY", "x"),
        &Way::All { partners },
    );
    settle(&mut store, 2, "QM2REE", Outcome::Refused(Why::HaveIt));
    assert_eq!(list(&mut store, None, Which::Queue), [2]);
    let (id, partner) = (id(2), call("QA1SKY"));
    match store.answer(Ask::Known { id, partner }, NOW) {
        Answer::Known { known: true, .. } => {}
        other => panic!("{other:?}"),
    }
    let letter = open(&mut store, 2, None).expect("kept");
    assert_eq!(letter.standing, Standing::Here);
    let taken = |leg: &dunlin_mail::post::Leg| matches!(leg.state, LegState::Taken { .. });
    assert!(letter.legs.iter().all(taken));
}

#[test]
fn what_was_deleted_stays_known_and_never_comes_back() {
    let mut store = store();
    keep(
        &mut store,
        personal(1, "QX0RLF", "secret words"),
        &Way::Here,
    );
    keep(&mut store, bulletin(2, "FERRY", "x"), &Way::Here);
    let delete = |store: &mut MailStore, number, by: Option<&str>| {
        let (id, by) = (id(number), by.map(call));
        store.answer(Ask::Delete { id, by }, NOW)
    };
    assert_eq!(delete(&mut store, 1, Some("QA1SKY")), Answer::NotFound);
    assert!(matches!(
        delete(&mut store, 2, Some("QX0RLF")),
        Answer::NotAllowed { .. }
    ));
    assert_eq!(delete(&mut store, 1, Some("QX0RLF")), Answer::Done);
    assert_eq!(delete(&mut store, 1, None), Answer::NotFound);
    assert_eq!(open(&mut store, 1, None), None);
    assert_eq!(list(&mut store, None, Which::All), [2]);
    let again = Letter::new(personal(1, "QX0RLF", "x"), Proof::Own, &Way::Here, NOW);
    let answer = store.answer(Ask::Keep(Box::new(again)), NOW);
    assert_eq!(answer, Answer::AlreadyKnown);
    let (id, partner) = (id(1), call("QM2REE"));
    assert_eq!(
        store.answer(Ask::Known { id, partner }, NOW),
        Answer::Known {
            known: true,
            turned_away: 0
        }
    );
    let counts = Counts {
        letters: 1,
        deleted: 1,
        ..Counts::default()
    };
    assert_eq!(store.answer(Ask::Counts, NOW), Answer::Counts(counts));
}

#[test]
fn a_message_is_stopped_held_and_let_go_again() {
    let mut store = store();
    let way = to_one(&["QM2REE"]);
    let partners = vec![call("QM2REE"), call("QA1SKY")];
    let all = Way::All { partners };
    keep(&mut store, bulletin(1, "FERRY", "x"), &all);
    settle(&mut store, 1, "QM2REE", taken("QM2REE"));
    assert_eq!(
        store.answer(Ask::Recall { id: id(1) }, NOW),
        Answer::Recalled {
            stopped: vec![call("QA1SKY")],
            have_it: vec![call("QM2REE")]
        }
    );
    assert_eq!(outgoing(&mut store, "QA1SKY", NOW), NONE);
    assert_eq!(list(&mut store, None, Which::Held), [1]);
    assert_eq!(list(&mut store, Some("QA1SKY"), Which::All), NONE);
    let release = Ask::Release {
        id: id(1),
        way: all,
    };
    assert_eq!(store.answer(release, NOW), Answer::Done);
    assert_eq!(outgoing(&mut store, "QA1SKY", NOW), [1]);
    assert_eq!(outgoing(&mut store, "QM2REE", NOW), NONE, "has it");
    let draft = Letter::draft(personal(2, "QX0RLF", "x"), NOW);
    assert_eq!(store.answer(Ask::Keep(Box::new(draft)), NOW), Answer::Kept);
    assert_eq!(outgoing(&mut store, "QM2REE", NOW), NONE);
    let release = Ask::Release { id: id(2), way };
    assert_eq!(store.answer(release, NOW), Answer::Done);
    assert_eq!(outgoing(&mut store, "QM2REE", NOW), [2]);
    let (id, why) = (id(2), "looks odd".to_owned());
    assert_eq!(store.answer(Ask::Hold { id, why }, NOW), Answer::Done);
    assert_eq!(outgoing(&mut store, "QM2REE", NOW), NONE);
    let letter = open(&mut store, 2, None).expect("kept");
    assert_eq!(letter.words(), "held: looks odd");
}

#[test]
fn partials_are_kept_for_a_while_and_within_bounds() {
    let mut store = store();
    let partial = |number, octets| Partial {
        id: id(number),
        hash: [7; 6],
        octets: vec![1; octets],
    };
    let asked = |store: &mut MailStore, partials, now| {
        let ask = Ask::Outgoing {
            partner: call("QM2REE"),
            most: 1,
            most_octets: 1,
            partials,
            put_back: false,
        };
        match store.answer(ask, now) {
            Answer::Outgoing { partials, .. } => partials,
            other => panic!("{other:?}"),
        }
    };
    let partials = |store: &mut MailStore, now| asked(store, true, now);
    store.answer(Ask::KeepPartial(partial(1, 10)), NOW);
    store.answer(Ask::KeepPartial(partial(1, 20)), NOW);
    assert_eq!(partials(&mut store, NOW), [partial(1, 20)]);
    assert_eq!(asked(&mut store, false, NOW), [], "not asked for");
    keep(&mut store, personal(1, "QX0RLF", "x"), &Way::Here);
    assert_eq!(partials(&mut store, NOW), [], "it is whole");
    store.answer(Ask::KeepPartial(partial(1, 10)), NOW);
    assert_eq!(partials(&mut store, NOW), [], "it is known");
    for number in 10..60 {
        let now = WallTime(NOW.0 + number as i64);
        store.answer(Ask::KeepPartial(partial(number, 100_000)), now);
    }
    let kept = partials(&mut store, NOW);
    assert_eq!(kept.len(), 41, "4 MiB, and the newest");
    assert_eq!(kept[0].id.number, 19);
    let late = NOW.after(PARTIALS_LAST).after(Duration::from_secs(1));
    assert_eq!(partials(&mut store, late), []);
}

#[test]
fn without_room_nothing_is_kept_in_part_and_all_that_was_there_stays() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut store = MailStore::open(&folder.path().join("mail.db")).expect("opens");
    keep(&mut store, personal(1, "QX0RLF", "x"), &Way::Here);
    let limit = |store: &MailStore, most: i64| {
        let set =
            store
                .connection
                .pragma_update_and_check(None, "max_page_count", most, |_| Ok(()));
        set.expect("a limit");
    };
    limit(&store, 1); // SQLite makes it the size that the file has.
    let large = Letter::new(
        personal(2, "QX0RLF", &"word ".repeat(10_000)),
        Proof::Own,
        &Way::Here,
        NOW,
    );
    match store.answer(Ask::Keep(Box::new(large.clone())), NOW) {
        Answer::NotKept { words } => assert!(words.starts_with("there is no room"), "{words}"),
        other => panic!("{other:?}"),
    }
    let (id, octets) = (id(3), vec![1; 50_000]);
    let partial = Partial {
        id,
        hash: [0; 6],
        octets,
    };
    let answer = store.answer(Ask::KeepPartial(partial), NOW);
    assert!(matches!(answer, Answer::Failed { .. }), "{answer:?}");
    assert_eq!(list(&mut store, None, Which::All), [1]);
    limit(&store, 1 << 30);
    let answer = store.answer(Ask::Keep(Box::new(large)), NOW);
    assert_eq!(answer, Answer::Kept);
    store.check().expect("whole");
}

#[test]
fn a_file_of_somebody_else_is_left_alone() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mail.db");
    fs::write(&path, "Dear all").expect("a letter");
    let error = MailStore::open(&path).expect_err("no database");
    assert!(matches!(error, MailError::Foreign(_)), "{error}");
    assert_eq!(fs::read(&path).expect("there"), b"Dear all");
    fs::remove_file(&path).expect("gone");
    drop(crate::Store::open(&path, crate::Limits::default()).expect("a journal"));
    let error = MailStore::open(&path).expect_err("a journal");
    assert!(matches!(error, MailError::Foreign(_)), "{error}");
    fs::remove_file(&path).expect("gone");
    let store = MailStore::open(&path).expect("new");
    store
        .connection
        .pragma_update(None, "user_version", 99)
        .expect("later");
    drop(store);
    let error = MailStore::open(&path).expect_err("later");
    assert!(
        matches!(error, MailError::TooNew { found: 99, .. }),
        "{error}"
    );
}

#[test]
fn rows_that_cannot_be_right_are_told_as_damage() {
    for (column, value) in [
        ("standing", "lost"),
        ("proof", "certain"),
        ("from_call", "no call"),
        ("to_call", "???"),
    ] {
        let mut store = store();
        keep(&mut store, personal(1, "QX0RLF", "x"), &Way::Here);
        let sql = format!("UPDATE letters SET {column} = ?1");
        store.connection.execute(&sql, [value]).expect("spoiled");
        let (id, reader) = (id(1), None);
        match store.answer(
            Ask::Open {
                id,
                reader,
                glance: false,
            },
            NOW,
        ) {
            Answer::Failed { words } => assert!(words.contains("damaged"), "{words}"),
            other => panic!("{column}: {other:?}"),
        }
    }
}

#[test]
fn numbers_of_radiograms_are_given_once_also_after_a_restart() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("mail.db");
    let number = |store: &mut MailStore, now| match store.answer(Ask::Number, now) {
        Answer::Number(number) => number,
        other => panic!("{other:?}"),
    };
    let mut store = MailStore::open(&path).expect("opens");
    assert_eq!([number(&mut store, NOW), number(&mut store, NOW)], [1, 2]);
    drop(store);
    let mut store = MailStore::open(&path).expect("opens");
    assert_eq!(number(&mut store, NOW), 3);
    let next_year = NOW.after(Duration::from_secs(366 * 86_400));
    assert_eq!(number(&mut store, next_year), 1);
    assert_eq!(number(&mut store, NOW), 4, "a clock that was set back");
    drop(store);
    let mut store = MailStore::open(&path).expect("opens");
    assert_eq!(
        number(&mut store, NOW),
        5,
        "all of the count is in the file"
    );
}

#[test]
fn what_is_offered_for_ever_is_counted_for_a_day_by_partner_and_then_anew() {
    let mut store = store();
    let ask = |store: &mut MailStore, partner: &str, hours: i64| {
        let (id, partner) = (id(1), call(partner));
        let at = WallTime(NOW.0 + hours * 3_600_000);
        match store.answer(Ask::Known { id, partner }, at) {
            Answer::Known {
                known: false,
                turned_away,
            } => turned_away,
            other => panic!("{other:?}"),
        }
    };
    let refuse = |store: &mut MailStore, partner: &str, hours: i64| {
        let (id, partner) = (id(1), call(partner));
        let at = WallTime(NOW.0 + hours * 3_600_000);
        let answer = store.answer(Ask::TurnedAway { id, partner }, at);
        assert_eq!(answer, Answer::Done);
    };
    for count in 0..1000 {
        assert_eq!(ask(&mut store, "QM2REE", 0), count);
        refuse(&mut store, "QM2REE", 0);
    }
    refuse(&mut store, "QX0RLF", 20);
    assert_eq!(ask(&mut store, "QM2REE", 23), 1000, "the day goes on");
    assert_eq!(ask(&mut store, "QM2REE", 24), 0, "since the first refusal");
    refuse(&mut store, "QM2REE", 25);
    assert_eq!(ask(&mut store, "QM2REE", 26), 1, "anew");
    assert_eq!(ask(&mut store, "QX0RLF", 26), 1, "each partner by itself");
    refuse(&mut store, "QX5BOB", 100);
    let count = "SELECT count(*) FROM turned_away";
    let rows = store
        .connection
        .query_row(count, [], |row| row.get::<_, i64>(0));
    assert_eq!(rows, Ok(1), "what is older goes");
}
