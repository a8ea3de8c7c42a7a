//! Letters come, are opened, and go.

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use dunlin_mail::post::{Answer, Letter, Much, Proof, Room, Standing, may_read};
use dunlin_mail::{Address, Kind, MessageId, Precedence};
use rusqlite::{Connection, OptionalExtension as _, params};

use super::rows::{
    find_kept, from_json, json, place, precedence_number, put_leg, put_standing, size,
    standing_words, word,
};
use super::{partials, room};

/// Keeps what a visitor leaves, unless the visitor has left too much. A letter that is asked for again costs nothing.
pub(super) fn leave(
    db: &Connection,
    letter: &Letter,
    room: &Room,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let message = &letter.message;
    let who = (message.from.call, message.id.origin);
    let what = (message.precedence, message.body.len() as u64);
    match room::may_leave(db, who, what, room, now)? {
        Answer::MayLeave { .. } => keep(db, letter, room.all),
        refused => Ok(refused),
    }
}

/// Keeps a letter, unless its identifier was ever here, or there is no room.
pub(super) fn keep(db: &Connection, letter: &Letter, most: Much) -> rusqlite::Result<Answer> {
    let message = &letter.message;
    if let Err(wrong) = message.check() {
        let words = wrong.to_string();
        return Ok(Answer::NotKept { words });
    }
    let id = message.id.to_string();
    let sql = "SELECT 1 FROM letters WHERE id = ?1";
    let known = db.prepare_cached(sql)?.exists([&id])?;
    if known {
        return Ok(Answer::AlreadyKnown);
    }
    let more = Much::one(message.body.len() as u64);
    // What this station has to report is told also when all is full: it is little, and people wait for it.
    let reports = letter.proof == Proof::Own && matches!(message.kind, Kind::Service { .. });
    let counts_as = match reports {
        true => Precedence::Emergency,
        false => message.precedence,
    };
    if let Some(full) = room::full(db, most, counts_as, more)? {
        return Ok(full);
    }
    let (kind, to, topic, about) = match &message.kind {
        Kind::Personal { to } => ("personal", Some(to), None, None),
        Kind::Formal { to } => ("formal", Some(to), None, None),
        Kind::Service { to, about } => ("service", Some(to), None, Some(about.to_string())),
        Kind::Bulletin { topic, area } => ("bulletin", None, Some((topic, area)), None),
    };
    let home = |address: &Address| address.home.map(|home| home.to_string());
    let (standing, why) = standing_words(&letter.standing);
    let sql = "INSERT INTO letters (id, kind, to_call, to_home, topic, area, about, precedence, from_call,
        from_home, title, octets, written_ms, arrived_ms, proof, standing, why, unread, note, since_ms)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?14)";
    db.prepare_cached(sql)?.execute(params![
        id,
        kind,
        to.map(|to| to.call.to_string()),
        to.and_then(home),
        topic.map(|(topic, _)| topic),
        topic.map(|(_, area)| area),
        about,
        precedence_number(message.precedence),
        message.from.call.to_string(),
        home(&message.from),
        message.title,
        size(message.body.len()),
        message.written.0,
        letter.arrived.0,
        word(&letter.proof)?,
        standing,
        why,
        letter.unread,
        letter.note,
    ])?;
    let place = db.last_insert_rowid();
    let sql = "INSERT INTO texts (place, body, chain) VALUES (?1, ?2, ?3)";
    let chain = json(&message.chain)?;
    db.prepare_cached(sql)?
        .execute(params![place, message.body, chain])?;
    let sql = "INSERT INTO words (rowid, title, body) VALUES (?1, ?2, ?3)";
    db.prepare_cached(sql)?
        .execute(params![place, message.title, message.body])?;
    for (turn, leg) in letter.legs.iter().enumerate() {
        put_leg(db, place, turn, leg)?;
    }
    partials::forget(db, message.id)?;
    Ok(Answer::Kept)
}

/// Gives a whole letter, and notes that its reader has it.
pub(super) fn open(
    db: &Connection,
    id: MessageId,
    (reader, glance): (Option<CallSign>, bool),
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let Some(mut letter) = letter(db, id, reader)? else {
        return Ok(Answer::NotFound);
    };
    let Some(reader) = reader.filter(|_| !glance) else {
        return Ok(Answer::Opened(Box::new(letter)));
    };
    let sql = "SELECT place FROM letters WHERE id = ?1";
    let place: i64 = db
        .prepare_cached(sql)?
        .query_row([id.to_string()], |row| row.get(0))?;
    let addressee = letter.message.to().map(|to| to.call);
    match addressee {
        None => {
            let sql = "INSERT OR IGNORE INTO openings (place, reader) VALUES (?1, ?2)";
            let opened = db
                .prepare_cached(sql)?
                .execute(params![place, reader.to_string()])?;
            letter.unread = opened > 0;
        }
        Some(addressee) if addressee == reader && letter.unread => {
            let sql = "UPDATE letters SET unread = 0 WHERE place = ?1";
            db.prepare_cached(sql)?.execute([place])?;
            // What waits for a partner is at its addressee all the same, but another home may be meant. Who reads a
            // radiogram has it still to deliver.
            let formal = matches!(letter.message.kind, Kind::Formal { .. });
            if letter.standing == Standing::Here && !formal {
                letter.standing = Standing::Delivered;
                put_standing(db, place, &letter.standing, now)?;
            }
        }
        Some(_) => {}
    }
    Ok(Answer::Opened(Box::new(letter)))
}

/// The operator has looked at what is for somebody else. That matters of an emergency only.
pub(super) fn seen(db: &Connection, id: MessageId) -> rusqlite::Result<Answer> {
    let sql = "INSERT OR IGNORE INTO openings (place, reader)
         SELECT place, '' FROM letters WHERE id = ?1 AND precedence = 3 AND unread = 1";
    db.prepare_cached(sql)?.execute([id.to_string()])?;
    Ok(Answer::Done)
}

/// A whole letter that is not deleted and that the reader may see.
fn letter(
    db: &Connection,
    id: MessageId,
    reader: Option<CallSign>,
) -> rusqlite::Result<Option<Letter>> {
    let Some(head) = find_kept(db, id)? else {
        return Ok(None);
    };
    if !may_read(reader, &head.kind, head.from.call, &head.standing) {
        return Ok(None);
    }
    let sql = "SELECT body, chain, note FROM texts JOIN letters USING (place) WHERE place = ?1";
    let mut statement = db.prepare_cached(sql)?;
    let text = statement.query_row([place(&head)], |row| {
        Ok((row.get(0)?, from_json(row, 1)?, row.get(2)?))
    });
    let Some((body, chain, note)) = text.optional()? else {
        return Ok(None);
    };
    Ok(Some(Letter {
        message: dunlin_mail::Message {
            id: head.id,
            kind: head.kind,
            precedence: head.precedence,
            from: head.from,
            written: head.written,
            title: head.title,
            body,
            chain,
        },
        proof: head.proof,
        standing: head.standing,
        legs: head.legs,
        arrived: head.arrived,
        unread: head.unread,
        note,
    }))
}

/// Removes the text; the row stays, so that the identifier stays known.
pub(super) fn delete(
    db: &Connection,
    id: MessageId,
    by: Option<CallSign>,
    now: WallTime,
) -> rusqlite::Result<Answer> {
    let Some(head) = find_kept(db, id)? else {
        return Ok(Answer::NotFound);
    };
    if !may_read(by, &head.kind, head.from.call, &head.standing) {
        return Ok(Answer::NotFound);
    }
    let bulletin = matches!(head.kind, Kind::Bulletin { .. });
    if bulletin && by.is_some_and(|by| by != head.from.call) {
        let words = "only its author or the operator may delete a bulletin".to_owned();
        return Ok(Answer::NotAllowed { words });
    }
    let place = place(&head);
    for sql in [
        "DELETE FROM texts WHERE place = ?1",
        "DELETE FROM words WHERE rowid = ?1",
        "DELETE FROM openings WHERE place = ?1",
        "DELETE FROM legs WHERE place = ?1 AND state = 'waiting'",
        "UPDATE letters SET title = '', note = NULL, unread = 0 WHERE place = ?1",
    ] {
        db.prepare_cached(sql)?.execute([place])?;
    }
    put_standing(db, place, &Standing::Deleted, now)?;
    partials::forget(db, id)?;
    Ok(Answer::Done)
}
