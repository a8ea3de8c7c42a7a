//! What has waited, or was kept, for long enough.
//!
//! A letter's age counts from `since_ms`. What got its date from a clock that was found wrong has [`UNDATED`] there, and a
//! sweep of a later run dates it anew: it is never ended too early, only later.

use dunlin_clock::{Duration, WallTime};
use dunlin_mail::post::{Answer, Head, Keeping, LONGEST_PAUSE, Standing, settled};
use dunlin_mail::{Kind, MessageId};
use rusqlite::{Connection, params};

use super::rows::{find, find_kept, legs, parsed, place, put_standing, size};
use super::write;

/// Letters in one transaction: a station that wants the mail meanwhile waits for it.
const AT_ONCE: usize = 100;

/// The date of what got its own from a wrong clock: after all others, so that it is never old.
const UNDATED: i64 = i64::MAX;
/// No clock that is right now and then is behind by more than this, in milliseconds. What is dated further ahead was
/// dated wrongly; what is dated less far ahead just waits until then.
const FAR_AHEAD_MS: i64 = 366 * 86_400_000;
/// All standings whose age counts, so that an index is used.
const AGING: &str = "('queued', 'here', 'held', 'passed', 'delivered', 'undeliverable')";

/// What waits for partners since before ?1.
pub(super) const QUEUED: &str = "SELECT id FROM letters INDEXED BY letters_since
     WHERE standing = 'queued' AND since_ms < ?1 ORDER BY since_ms LIMIT ?2";
/// Bulletins that came, and for which no partner waits, since before ?1.
pub(super) const BULLETINS: &str = "SELECT id FROM letters INDEXED BY letters_bulletins
     WHERE kind = 'bulletin' AND standing = 'here' AND arrived_ms < ?1 AND since_ms < ?1
     ORDER BY arrived_ms LIMIT ?2";
/// What stands like ?3 since before ?1.
pub(super) const DONE: &str = "SELECT id FROM letters INDEXED BY letters_since
     WHERE standing = ?3 AND since_ms < ?1 ORDER BY since_ms LIMIT ?2";
/// How much is held since before ?1.
pub(super) const HELD: &str = "SELECT count(*) FROM letters INDEXED BY letters_since WHERE standing = 'held' AND since_ms < ?1";

/// Ends what has waited too long, and deletes what was kept long enough; some at a time.
pub(super) fn sweep(db: &Connection, keeping: &Keeping, now: WallTime) -> rusqlite::Result<Answer> {
    let before = |time: Duration| {
        let ms = i64::try_from(time.as_millis()).unwrap_or(i64::MAX);
        now.0.saturating_sub(ms)
    };
    date_anew(db, now)?;
    let mut most = AT_ONCE;
    let mut nowhere = Vec::new();
    let waited = ids(db, QUEUED, params![before(keeping.queued), size(most)])?;
    most -= waited.len();
    for id in waited {
        nowhere.extend(waited_too_long(db, id, keeping.queued, now)?);
    }
    let old = before(keeping.bulletins);
    let mut gone = ids(db, BULLETINS, params![old, size(most)])?;
    for standing in ["passed", "delivered", "undeliverable"] {
        let room = size(most - gone.len());
        let asked = params![before(keeping.done), room, standing];
        gone.extend(ids(db, DONE, asked)?);
    }
    for id in &gone {
        write::delete(db, *id, None, now)?;
    }
    let asked = [before(keeping.held)];
    let held: i64 = db
        .prepare_cached(HELD)?
        .query_row(asked, |row| row.get(0))?;
    Ok(Answer::Swept {
        nowhere,
        deleted: gone.len(),
        held: held.unsigned_abs(),
        more: gone.len() == most,
    })
}

/// Takes their date from all letters that a wrong clock dated, from when its run began until now.
pub(super) fn undate(db: &Connection, began: WallTime, now: WallTime) -> rusqlite::Result<()> {
    let sql = format!(
        "UPDATE letters SET since_ms = ?1 WHERE standing IN {AGING} AND since_ms BETWEEN ?2 AND ?3"
    );
    // Messages are dated in whole seconds, so the first may have a date before the run.
    let began = began.0.saturating_sub(1000);
    db.prepare_cached(&sql)?
        .execute(params![UNDATED, began, now.0])?;
    Ok(())
}

/// The age of what has no date, or one that cannot be right, begins now.
fn date_anew(db: &Connection, now: WallTime) -> rusqlite::Result<()> {
    let sql = format!(
        "UPDATE letters SET since_ms = ?1, arrived_ms = min(arrived_ms, ?1)
         WHERE standing IN {AGING} AND since_ms > ?2"
    );
    db.prepare_cached(&sql)?
        .execute(params![now.0, now.0.saturating_add(FAR_AHEAD_MS)])?;
    // Nor can a pause be right that is longer than any.
    let sql = "UPDATE legs SET not_before_ms = ?1 WHERE state = 'waiting' AND not_before_ms > ?2";
    db.prepare_cached(sql)?
        .execute(params![now.0, now.after(LONGEST_PAUSE).0])?;
    Ok(())
}

fn ids(
    db: &Connection,
    sql: &str,
    asked: impl rusqlite::Params,
) -> rusqlite::Result<Vec<MessageId>> {
    let mut statement = db.prepare_cached(sql)?;
    let rows = statement.query_map(asked, |row| parsed(row, 0))?;
    rows.collect()
}

/// It waits for nobody any more. What its writer has to be told comes back; a bulletin just stays here.
fn waited_too_long(
    db: &Connection,
    id: MessageId,
    time: Duration,
    now: WallTime,
) -> rusqlite::Result<Option<Head>> {
    let Some(head) = find_kept(db, id)? else {
        return Ok(None);
    };
    let waited_for: Vec<String> = head
        .legs
        .iter()
        .filter(|leg| leg.waits())
        .map(|leg| leg.partner.to_string())
        .collect();
    let sql = "DELETE FROM legs WHERE place = ?1 AND state = 'waiting'";
    db.prepare_cached(sql)?.execute([place(&head)])?;
    let standing = match settled(&head.kind, &legs(db, head.place)?) {
        Some(Standing::Undeliverable { .. }) => Standing::Undeliverable {
            why: format!(
                "{} did not take it within {} days",
                waited_for.join(" and "),
                time.as_millis() / 86_400_000
            ),
        },
        Some(other) => other,
        None => return Ok(None),
    };
    put_standing(db, place(&head), &standing, now)?;
    let told = !matches!(head.kind, Kind::Bulletin { .. });
    let after = find(db, id)?.filter(|after| after.standing.is_nowhere());
    Ok(after.filter(|_| told))
}

#[cfg(test)]
mod tests {
    use super::super::MailStore;
    use super::super::tests::{NOW, bulletin, call, id, keep, personal, store, to_one};
    use super::*;
    use dunlin_mail::exchange::Why;
    use dunlin_mail::post::{Ask, Outcome, Way};
    use dunlin_mail::{Message, Precedence};

    fn days(days: u64) -> WallTime {
        NOW.after(Duration::from_secs(days * 86_400))
    }

    /// The numbers of what can go nowhere; how many were deleted, and are held.
    fn swept(store: &mut MailStore, now: WallTime) -> (Vec<u64>, usize, u64) {
        match store.answer(Ask::Sweep(Keeping::default()), now) {
            Answer::Swept {
                nowhere,
                deleted,
                held,
                ..
            } => {
                let nowhere = nowhere.iter().map(|head| head.id.number).collect();
                (nowhere, deleted, held)
            }
            other => panic!("{other:?}"),
        }
    }

    fn stands(store: &mut MailStore, number: u64) -> Option<String> {
        let ask = Ask::Open {
            id: id(number),
            reader: None,
            glance: true,
        };
        match store.answer(ask, NOW) {
            Answer::Opened(letter) => Some(letter.words()),
            _ => None,
        }
    }

    #[test]
    fn what_no_partner_takes_comes_to_nothing_and_its_writer_is_to_be_told() {
        let mut store = store();
        let way = to_one(&["QM2REE"]);
        keep(&mut store, personal(1, "QX0RLF", "x"), &way);
        let all = Way::All {
            partners: vec![call("QM2REE")],
        };
        keep(&mut store, bulletin(2, "FERRY", "x"), &all);
        assert_eq!(swept(&mut store, days(14)), (vec![], 0, 0));
        let late = days(14).after(Duration::from_secs(1));
        assert_eq!(swept(&mut store, late), (vec![1], 0, 0));
        let words = "cannot be delivered: QM2REE did not take it within 14 days";
        assert_eq!(stands(&mut store, 1).as_deref(), Some(words));
        assert_eq!(stands(&mut store, 2).as_deref(), Some("here"));
        assert_eq!(swept(&mut store, late), (vec![], 0, 0), "told once");
        let ask = Ask::Outgoing {
            partner: call("QM2REE"),
            most: 9,
            most_octets: 99,
            partials: false,
            put_back: false,
        };
        match store.answer(ask, late) {
            Answer::Outgoing { messages, .. } => assert_eq!(messages, []),
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn what_a_partner_takes_after_it_was_given_up_is_passed_on() {
        let mut store = store();
        keep(&mut store, personal(1, "QX0RLF", "x"), &to_one(&["QM2REE"]));
        assert_eq!(swept(&mut store, days(15)), (vec![1], 0, 0));
        let station = call("QM2REE");
        // The partner's clock was never set.
        let at = WallTime(60_000);
        let settle = Ask::Settle {
            id: id(1),
            partner: station,
            outcome: Outcome::Taken(dunlin_mail::Step { station, at }),
        };
        store.answer(settle, days(15));
        let words = "taken by QM2REE at 1970-01-01 00:01 UTC";
        assert_eq!(stands(&mut store, 1).as_deref(), Some(words));
        assert_eq!(swept(&mut store, days(370)).1, 0, "old since the own clock");
        assert_eq!(swept(&mut store, days(381)).1, 1);
    }

    /// A letter for QX0RLF that QX0RLF has read.
    fn read(store: &mut MailStore, number: u64, at: WallTime) {
        let ask = Ask::Open {
            id: id(number),
            reader: Some(call("QX0RLF")),
            glance: false,
        };
        assert!(matches!(store.answer(ask, at), Answer::Opened(_)));
    }

    #[test]
    fn what_is_done_goes_after_its_time_and_stays_known_for_ever() {
        let mut store = store();
        keep(&mut store, personal(1, "QX0RLF", "x"), &Way::Here);
        keep(&mut store, personal(2, "QX0RLF", "x"), &Way::Here);
        keep(&mut store, bulletin(3, "FERRY", "x"), &Way::Here);
        read(&mut store, 1, days(300));
        assert_eq!(swept(&mut store, days(31)), (vec![], 1, 0), "the bulletin");
        assert_eq!(stands(&mut store, 3), None);
        // A year after it was read, and not after it came.
        assert_eq!(swept(&mut store, days(400)), (vec![], 0, 0));
        assert_eq!(swept(&mut store, days(666)), (vec![], 1, 0));
        assert_eq!(stands(&mut store, 1), None);
        assert_eq!(stands(&mut store, 2).as_deref(), Some("here"), "never read");
        let partner = call("QM2REE");
        for number in [1, 3] {
            let id = id(number);
            let known = store.answer(Ask::Known { id, partner }, days(700));
            assert!(matches!(known, Answer::Known { known: true, .. }));
        }
    }

    #[test]
    fn what_is_held_and_what_is_not_sent_yet_stays_and_is_told() {
        let mut store = store();
        let held = |store: &mut MailStore, message: Message| {
            let id = message.id;
            keep(store, message, &Way::Here);
            let why = "a look".to_owned();
            assert_eq!(store.answer(Ask::Hold { id, why }, NOW), Answer::Done);
        };
        held(&mut store, personal(1, "QX0RLF", "x"));
        held(&mut store, bulletin(2, "FERRY", "x"));
        let draft = dunlin_mail::post::Letter::draft(personal(3, "QX0RLF", "x"), NOW);
        store.answer(Ask::Keep(Box::new(draft)), NOW);
        assert_eq!(swept(&mut store, days(6)), (vec![], 0, 0));
        assert_eq!(swept(&mut store, days(5000)), (vec![], 0, 2));
        assert!(stands(&mut store, 1).is_some_and(|words| words.starts_with("held")));
        assert!(stands(&mut store, 3).is_some());
    }

    /// A file in which a run with a wrong clock has left a bulletin, and a message that waits; told of it in between.
    fn dated_by(clock: WallTime) -> MailStore {
        let mut store = store();
        let at = |message, way: &Way| {
            let known = dunlin_mail::post::Proof::KnownPath;
            let letter = dunlin_mail::post::Letter::new(message, known, way, clock);
            Ask::Keep(Box::new(letter))
        };
        let waits = to_one(&["QM2REE"]);
        store.answer(at(bulletin(1, "FERRY", "x"), &Way::Here), clock);
        store.answer(at(personal(2, "QX0RLF", "x"), &waits), clock);
        let told = store.answer(Ask::ClockWrong { began: clock }, clock);
        assert_eq!(told, Answer::Done);
        store.answer(at(bulletin(3, "FERRY", "x"), &Way::Here), clock);
        store.answer(at(personal(4, "QX0RLF", "x"), &waits), clock);
        store.wrong_since = None; // The next run.
        store
    }

    #[test]
    fn what_a_wrong_clock_dated_grows_old_from_the_next_run_on() {
        for clock in [WallTime(60_000), days(5000)] {
            let mut store = dated_by(clock);
            assert_eq!(swept(&mut store, NOW), (vec![], 0, 0), "{clock:?}");
            assert_eq!(swept(&mut store, days(13)), (vec![], 0, 0), "{clock:?}");
            assert_eq!(swept(&mut store, days(15)), (vec![2, 4], 0, 0), "{clock:?}");
        }
        for clock in [WallTime(60_000), days(5000)] {
            let mut store = dated_by(clock);
            swept(&mut store, NOW);
            assert_eq!(swept(&mut store, days(29)).1, 0);
            assert_eq!(swept(&mut store, days(31)).1, 2, "the bulletins");
        }
    }

    #[test]
    fn what_is_dated_in_a_far_future_grows_old_from_now_on() {
        let mut store = store();
        keep(&mut store, personal(1, "QX0RLF", "x"), &Way::Here);
        read(&mut store, 1, days(5000));
        assert_eq!(swept(&mut store, days(1)).1, 0);
        assert_eq!(swept(&mut store, days(365)).1, 0);
        assert_eq!(swept(&mut store, days(367)).1, 1);
    }

    #[test]
    fn a_lot_is_swept_in_parts() {
        let mut store = store();
        for number in 1..=250 {
            let mut message = bulletin(number, "FERRY", "x");
            message.precedence = Precedence::Emergency;
            keep(&mut store, message, &Way::Here);
        }
        let lots: Vec<usize> = (0..4).map(|_| swept(&mut store, days(31)).1).collect();
        assert_eq!(lots, [100, 100, 50, 0]);
    }

    #[test]
    fn what_was_refused_lately_is_kept_from_then_on() {
        let mut store = store();
        keep(&mut store, personal(1, "QX0RLF", "x"), &to_one(&["QM2REE"]));
        let settle = Ask::Settle {
            id: id(1),
            partner: call("QM2REE"),
            outcome: Outcome::Refused(Why::TooLarge),
        };
        store.answer(settle, days(10));
        assert_eq!(swept(&mut store, days(370)), (vec![], 0, 0));
        assert_eq!(swept(&mut store, days(376)), (vec![], 1, 0));
    }
}
