//! Queues: what waits for whom, and what partners have said.

use dunlin_clock::WallTime;
use dunlin_mail::exchange::Why;
use dunlin_mail::post::{
    Answer, Head, LONGEST_PAUSE, Leg, LegState, Outcome, Standing, Way, put_back, settled,
    standing_on, tries_before_second,
};
use dunlin_mail::{Kind, Message, MessageId, Station};
use rusqlite::{Connection, OptionalExtension as _, params};

use super::partials;
use super::rows::{
    HEAD, find, find_kept, from_json, head, json, legs, place, put_leg, put_standing, size,
};

/// For so long refusals are counted, in milliseconds.
const COUNTED_MS: i64 = 24 * 3600 * 1000;

/// Whether a message was ever here. A partner who offers it has it, so it waits for that partner no more.
pub(super) fn known(
    db: &Connection,
    id: MessageId,
    partner: Station,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    if let Some(head) = find(db, id)? {
        if is_waiting(&head, partner) {
            has_it(db, &head, partner, now)?;
        }
        return Ok(Answer::Known {
            known: true,
            turned_away: 0,
        });
    }
    let sql = "SELECT count FROM turned_away WHERE id = ?1 AND partner = ?2 AND first_ms > ?3";
    let asked = params![id.to_string(), partner.to_string(), now.0 - COUNTED_MS];
    let count: Option<u32> = db
        .prepare_cached(sql)?
        .query_row(asked, |row| row.get(0))
        .optional()?;
    Ok(Answer::Known {
        known: false,
        turned_away: count.unwrap_or(0),
    })
}

pub(super) fn turned_away(
    db: &Connection,
    id: MessageId,
    partner: Station,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    db.prepare_cached("DELETE FROM turned_away WHERE first_ms <= ?1")?
        .execute([now.0 - COUNTED_MS])?;
    let sql = "INSERT INTO turned_away (id, partner, count, first_ms) VALUES (?1, ?2, 1, ?3)
        ON CONFLICT (id, partner) DO UPDATE SET count = count + 1";
    let values = params![id.to_string(), partner.to_string(), now.0];
    db.prepare_cached(sql)?.execute(values)?;
    Ok(Answer::Done)
}

/// What waits for a partner and may go now, with what was put back after a try in vain or without it, the most urgent first,
/// and the partials if they are wanted.
pub(super) fn outgoing(
    db: &Connection,
    partner: Station,
    (most, most_octets): (usize, usize),
    (with_partials, put_back): (bool, bool),
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let sql = format!(
        "SELECT {HEAD}, texts.body, texts.chain FROM legs JOIN letters USING (place) JOIN texts USING (place)
         WHERE legs.partner = ?1 AND legs.state = 'waiting'
         AND (legs.not_before_ms <= ?2 OR legs.not_before_ms > ?4 OR ?5 AND legs.tries > 0) AND letters.standing = 'queued'
         ORDER BY letters.precedence DESC, letters.kind = 'bulletin', letters.octets, letters.place LIMIT ?3"
    );
    let mut statement = db.prepare_cached(&sql)?;
    // What would be held back for longer than that got its pause from a wrong clock.
    let longest = now.after(LONGEST_PAUSE).0;
    let most_rows = size(most.saturating_add(1));
    let asked = params![partner.to_string(), now.0, most_rows, longest, put_back];
    let rows = statement.query_map(asked, |row| {
        let head = head(row)?;
        Ok(Message {
            id: head.id,
            kind: head.kind,
            precedence: head.precedence,
            from: head.from,
            written: head.written,
            title: head.title,
            body: row.get(19)?,
            chain: from_json(row, 20)?,
        })
    })?;
    let (mut messages, mut octets, mut more): (Vec<Message>, usize, bool) = (Vec::new(), 0, false);
    for message in rows {
        let message = message?;
        octets += message.body.len();
        more = messages.len() >= most || octets > most_octets && !messages.is_empty();
        if more {
            break;
        }
        messages.push(message);
    }
    let partials = match with_partials {
        true => {
            partials::expire(db, now)?;
            partials::all(db)?
        }
        false => Vec::new(),
    };
    Ok(Answer::Outgoing {
        messages,
        partials,
        more,
    })
}

fn is_waiting(head: &Head, partner: Station) -> bool {
    let mut legs = head.legs.iter();
    legs.any(|leg| leg.partner == partner && leg.waits())
}

/// Writes down what a partner has said.
pub(super) fn settle(
    db: &Connection,
    id: MessageId,
    partner: Station,
    outcome: Outcome,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let Some(head) = find(db, id)? else {
        return Ok(Answer::Done);
    };
    if let Outcome::Taken(step) = outcome {
        add_step(db, &head, step)?;
    }
    if let Outcome::Taken(step) = outcome {
        taken(db, &head, partner, (step.at, now))?;
    } else if let Some(at) = outcome.has_it(now) {
        has_it(db, &head, partner, at)?;
    } else if let Outcome::Refused(why) = outcome
        && is_waiting(&head, partner)
    {
        match outcome.passes() {
            true => later(db, &head, (partner, Some(why)), now)?,
            false => {
                let state = LegState::Refused { why, at: now };
                put_leg(db, place(&head), head.legs.len(), &Leg { partner, state })?;
                if !matches!(head.kind, Kind::Bulletin { .. }) {
                    let sql = "UPDATE legs SET not_before_ms = min(not_before_ms, ?2)
                        WHERE place = ?1 AND state = 'waiting' AND tries = 0";
                    db.prepare_cached(sql)?
                        .execute(params![place(&head), now.0])?;
                }
                stand(db, &head, now)?;
                let after =
                    find(db, id)?.filter(|h| matches!(h.standing, Standing::Undeliverable { .. }));
                if let Some(after) = after {
                    return Ok(Answer::CameToNothing(Box::new(after)));
                }
            }
        }
    }
    Ok(Answer::Done)
}

/// Adds a partner's step to the chain of the own copy, once.
fn add_step(db: &Connection, head: &Head, step: dunlin_mail::Step) -> rusqlite::Result<()> {
    let sql = "SELECT chain FROM texts WHERE place = ?1";
    let chain = db
        .prepare_cached(sql)?
        .query_row([place(head)], |row| from_json(row, 0))
        .optional()?;
    let Some(chain) = chain else {
        return Ok(()); // It was deleted meanwhile.
    };
    // The message knows how long a chain may be.
    let mut message = Message {
        id: head.id,
        kind: head.kind.clone(),
        precedence: head.precedence,
        from: head.from,
        written: head.written,
        title: String::new(),
        body: String::new(),
        chain,
    };
    if message.has_been_at(step.station) {
        return Ok(());
    }
    message.taken_by(step.station, step.at);
    let sql = "UPDATE texts SET chain = ?2 WHERE place = ?1";
    let chain = json(&message.chain)?;
    db.prepare_cached(sql)?
        .execute(params![place(head), chain])?;
    Ok(())
}

/// A partner has it, from whomever. That it carries it on is not said: it may count on this station for that. So the
/// other ways stay open.
fn has_it(db: &Connection, head: &Head, partner: Station, at: WallTime) -> rusqlite::Result<()> {
    let state = LegState::Taken { at };
    put_leg(db, place(head), head.legs.len(), &Leg { partner, state })?;
    stand(db, head, at)
}

/// A partner has taken it from here, and carries it on. If it was to go to one of several, it waits for none of the others any more.
/// When, the partner says by its own clock; how old that is counts by the own one.
fn taken(
    db: &Connection,
    head: &Head,
    partner: Station,
    (at, now): (WallTime, WallTime),
) -> rusqlite::Result<()> {
    let state = LegState::Taken { at };
    put_leg(db, place(head), head.legs.len(), &Leg { partner, state })?;
    if !matches!(head.kind, Kind::Bulletin { .. }) {
        let sql = "DELETE FROM legs WHERE place = ?1 AND state = 'waiting'";
        db.prepare_cached(sql)?.execute([place(head)])?;
    }
    // It had been given up while it was under way.
    let given_up = head.standing.is_nowhere();
    match settled(&head.kind, &legs(db, head.place)?).filter(|_| given_up) {
        Some(standing) => put_standing(db, place(head), &standing, now),
        None => stand(db, head, now),
    }
}

/// If nothing waits any more, the letter stands somewhere else.
fn stand(db: &Connection, head: &Head, now: WallTime) -> rusqlite::Result<()> {
    if head.standing != Standing::Queued {
        return Ok(());
    }
    match settled(&head.kind, &legs(db, head.place)?) {
        Some(standing) => put_standing(db, place(head), &standing, now),
        None => Ok(()),
    }
}

/// Puts a message back for a partner, for longer each time, with what it said if it did. After a few times the second
/// route may have it.
fn later(
    db: &Connection,
    head: &Head,
    (partner, why): (Station, Option<Why>),
    now: WallTime,
) -> rusqlite::Result<()> {
    let tries = head.legs.iter().find_map(|leg| match leg.state {
        LegState::Waiting { tries, .. } if leg.partner == partner => Some(tries),
        _ => None,
    });
    let Some(tries) = tries.map(|tries| tries.saturating_add(1)) else {
        return Ok(());
    };
    let not_before = now.after(put_back(tries, head.precedence));
    let state = LegState::Waiting {
        tries,
        not_before,
        why,
    };
    put_leg(db, place(head), head.legs.len(), &Leg { partner, state })?;
    if tries >= tries_before_second(head.precedence) {
        let sql = "UPDATE legs SET not_before_ms = min(not_before_ms, ?2)
            WHERE place = ?1 AND state = 'waiting' AND tries = 0";
        db.prepare_cached(sql)?
            .execute(params![place(head), now.0])?;
    }
    Ok(())
}

pub(super) fn tried(
    db: &Connection,
    partner: Station,
    ids: &[MessageId],
    now: WallTime,
) -> rusqlite::Result<Answer> {
    for &id in ids {
        if let Some(head) = find_kept(db, id)? {
            later(db, &head, (partner, None), now)?;
        }
    }
    Ok(Answer::Done)
}

/// Takes a message out of all queues of this station.
pub(super) fn recall(db: &Connection, id: MessageId, now: WallTime) -> rusqlite::Result<Answer> {
    let Some(head) = find_kept(db, id)? else {
        return Ok(Answer::NotFound);
    };
    let partners = |wanted: fn(&&Leg) -> bool| -> Vec<Station> {
        let legs = head.legs.iter().filter(wanted);
        legs.map(|leg| leg.partner).collect()
    };
    let stopped = partners(|leg| leg.waits());
    let have_it = partners(|leg| matches!(leg.state, LegState::Taken { .. }));
    let sql = "DELETE FROM legs WHERE place = ?1 AND state = 'waiting'";
    db.prepare_cached(sql)?.execute([place(&head)])?;
    if head.standing == Standing::Queued {
        let why = "it was recalled".to_owned();
        put_standing(db, place(&head), &Standing::Held { why }, now)?;
    }
    Ok(Answer::Recalled { stopped, have_it })
}

/// Lets a message go the given way, besides what was taken or refused already.
pub(super) fn release(
    db: &Connection,
    id: MessageId,
    way: &Way,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let Some(head) = find_kept(db, id)? else {
        return Ok(Answer::NotFound);
    };
    let place = place(&head);
    let sql = "DELETE FROM legs WHERE place = ?1 AND state = 'waiting'";
    db.prepare_cached(sql)?.execute([place])?;
    let (standing, new) = standing_on(way, now);
    let had: Vec<Leg> = head
        .legs
        .iter()
        .filter(|leg| !leg.waits())
        .copied()
        .collect();
    let fresh = |leg: &&Leg| !had.iter().any(|other| other.partner == leg.partner);
    let fresh: Vec<&Leg> = new.iter().filter(fresh).collect();
    for (turn, leg) in fresh.iter().enumerate() {
        put_leg(db, place, had.len() + turn, leg)?;
    }
    let all_had = standing == Standing::Queued && fresh.is_empty();
    let standing = match all_had.then(|| settled(&head.kind, &had)).flatten() {
        Some(settled) => settled,
        None => standing,
    };
    put_standing(db, place, &standing, now)?;
    Ok(Answer::Done)
}

pub(super) fn hold(
    db: &Connection,
    id: MessageId,
    why: &str,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let Some(head) = find_kept(db, id)? else {
        return Ok(Answer::NotFound);
    };
    let why = why.chars().filter(|c| !c.is_control()).take(200).collect();
    put_standing(db, place(&head), &Standing::Held { why }, now)?;
    Ok(Answer::Done)
}

#[cfg(test)]
mod tests {
    use dunlin_clock::Duration;
    use dunlin_mail::post::{Ask, Keeping};

    use super::super::MailStore;
    use super::super::tests::{NOW, call, id, keep, personal, store};
    use super::*;

    const YEAR: Duration = Duration::from_secs(366 * 86_400);

    fn waits(store: &mut MailStore, partner: &str, now: WallTime) -> usize {
        let ask = Ask::Outgoing {
            partner: call(partner),
            most: 10,
            most_octets: 1000,
            partials: false,
            put_back: false,
        };
        match store.answer(ask, now) {
            Answer::Outgoing { messages, .. } => messages.len(),
            other => panic!("{other:?}"),
        }
    }

    fn words(store: &mut MailStore) -> String {
        let head = find(&store.connection, id(1)).expect("read");
        head.expect("it is here").words()
    }

    #[test]
    fn a_pause_that_a_wrong_clock_has_given_is_over_once_the_clock_is_right() {
        let mut store = store();
        let partners = vec![call("QM2REE"), call("QA1SKY")];
        keep(
            &mut store,
            personal(1, "QX0RLF", "x"),
            &Way::One { partners },
        );
        // While the clock is a year ahead, a call comes to nothing.
        let wrong = NOW.after(YEAR);
        let (partner, ids) = (call("QM2REE"), vec![id(1)]);
        store.answer(Ask::Tried { partner, ids }, wrong);
        assert_eq!(waits(&mut store, "QM2REE", wrong), 0, "a minute");
        assert_eq!(waits(&mut store, "QM2REE", NOW), 1, "the clock is right");
        assert_eq!(waits(&mut store, "QA1SKY", NOW), 0, "six hours, rightly");
        assert!(words(&mut store).contains("2027-12-01"));
        store.answer(Ask::Sweep(Keeping::default()), NOW);
        let told = words(&mut store);
        assert!(told.contains("not before 2026-11-30"), "{told}");
        assert_eq!(waits(&mut store, "QM2REE", NOW), 1);
    }

    #[test]
    fn the_longest_pause_holds_to_its_end() {
        let mut store = store();
        let partners = vec![call("QM2REE")];
        keep(
            &mut store,
            personal(1, "QX0RLF", "x"),
            &Way::One { partners },
        );
        for _ in 0..20 {
            let (partner, ids) = (call("QM2REE"), vec![id(1)]);
            store.answer(Ask::Tried { partner, ids }, NOW);
        }
        store.answer(Ask::Sweep(Keeping::default()), NOW);
        let end = NOW.after(LONGEST_PAUSE);
        assert_eq!(waits(&mut store, "QM2REE", NOW), 0);
        assert_eq!(waits(&mut store, "QM2REE", WallTime(end.0 - 1)), 0);
        assert_eq!(waits(&mut store, "QM2REE", end), 1);
    }
}
