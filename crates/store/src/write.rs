//! Events into rows. What has not changed is not written again.

use dunlin_clock::WallTime;
use dunlin_station::{
    Block, CrossingView, Event, HeardView, Note, PortView, TalkId, TalkLine, TalkView,
};
use rusqlite::{Connection, params};
use serde::Serialize;

use crate::RunId;
use crate::pending::{Waiting, is_busy};
use crate::words::Word;

/// Writes the newest state of one thing.
pub(crate) fn write(db: &Connection, run: RunId, waiting: &Waiting) -> rusqlite::Result<()> {
    let Waiting {
        first,
        last,
        event,
        connected,
    } = waiting;
    match event {
        Event::Block(block) if is_busy(event) => forget_block(db, run, block),
        Event::Block(view) => block(db, run, *first, view),
        Event::Port(view) => port(db, run, view),
        Event::Heard(view) => heard(db, run, (*first, *last), view),
        Event::Talk(view) => talk(db, run, *first, *connected, view),
        Event::TalkLine(view) => line(db, run, *first, view),
        Event::TalkGone(id) => talk_gone(db, run, *id),
        Event::Crossing(view) => crossing(db, run, *first, view),
        Event::Note(view) => note(db, run, *first, view),
        // What matters of these comes as a note too.
        Event::Gate(_) | Event::Stops(_) | Event::Alarm(_) | Event::Reject(_) => Ok(()),
        Event::File(_) | Event::Partner(_) | Event::MailChanged => Ok(()),
    }
}

/// SQLite's integers are signed; the bits stay the same both ways.
fn number(n: u64) -> i64 {
    n.cast_signed()
}

fn size(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn list<T: Serialize>(items: &[T]) -> rusqlite::Result<String> {
    let fault = |error| rusqlite::Error::ToSqlConversionFailure(Box::new(error));
    serde_json::to_string(items).map_err(fault)
}

fn block(db: &Connection, run: RunId, wall: WallTime, view: &Block) -> rusqlite::Result<()> {
    let sql = "INSERT INTO frames
        (run, block, wall_ms, port, kind, start_ms, end_ms, sender, addressee, via, what, text,
         octets, level_dbfs, offset_hz, twist_db, snr_db, why)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)
        ON CONFLICT (run, block) DO UPDATE SET
        port = excluded.port, kind = excluded.kind, start_ms = excluded.start_ms,
        end_ms = excluded.end_ms, sender = excluded.sender, addressee = excluded.addressee,
        via = excluded.via, what = excluded.what, text = excluded.text,
        octets = excluded.octets, level_dbfs = excluded.level_dbfs,
        offset_hz = excluded.offset_hz, twist_db = excluded.twist_db,
        snr_db = excluded.snr_db, why = excluded.why
        WHERE frames.cut_octets = 0"; // What was cut out does not come back.
    db.prepare_cached(sql)?.execute(params![
        run.0,
        number(view.id),
        wall.0,
        view.port.0,
        Word(view.kind),
        number(view.start_ms),
        view.end_ms.map(number),
        view.from,
        view.to,
        list(&view.via)?,
        view.what,
        view.text,
        view.octets,
        view.level_dbfs,
        view.offset_hz,
        view.twist_db,
        view.snr_db,
        view.why,
    ])?;
    Ok(())
}

fn forget_block(db: &Connection, run: RunId, view: &Block) -> rusqlite::Result<()> {
    let sql = "DELETE FROM frames WHERE run = ?1 AND block = ?2";
    db.prepare_cached(sql)?
        .execute(params![run.0, number(view.id)])?;
    Ok(())
}

fn port(db: &Connection, run: RunId, view: &PortView) -> rusqlite::Result<()> {
    let sql = "INSERT INTO ports (run, port, name, mode, call) VALUES (?1, ?2, ?3, ?4, ?5)
        ON CONFLICT (run, port) DO UPDATE SET
        name = excluded.name, mode = excluded.mode, call = excluded.call
        WHERE (name, mode, call) IS NOT (excluded.name, excluded.mode, excluded.call)";
    let call = view.call.to_string();
    db.prepare_cached(sql)?
        .execute(params![run.0, view.port.0, view.name, view.mode, call])?;
    Ok(())
}

fn heard(
    db: &Connection,
    run: RunId,
    (first, last): (WallTime, WallTime),
    view: &HeardView,
) -> rusqlite::Result<()> {
    let sql = "INSERT INTO stations_heard
        (run, port, call, first_wall_ms, last_wall_ms, by_digipeater, first_ms, last_ms, count,
         level_dbfs, offset_hz, twist_db, snr_db, said)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14)
        ON CONFLICT (run, port, call) DO UPDATE SET
        last_wall_ms = excluded.last_wall_ms, by_digipeater = excluded.by_digipeater,
        first_ms = excluded.first_ms, last_ms = excluded.last_ms, count = excluded.count,
        level_dbfs = excluded.level_dbfs, offset_hz = excluded.offset_hz,
        twist_db = excluded.twist_db, snr_db = excluded.snr_db,
        said = iif(said_cut > 0 AND length(CAST(excluded.said AS BLOB)) = said_cut, '',
                   excluded.said),
        said_cut = iif(length(CAST(excluded.said AS BLOB)) = said_cut, said_cut, 0)";
    // The engine goes on telling what a station said last. If that was cut out, it must not come
    // back; by its length it is known well enough.
    db.prepare_cached(sql)?.execute(params![
        run.0,
        view.port.0,
        view.call,
        first.0,
        last.0,
        view.by,
        number(view.first_ms),
        number(view.last_ms),
        number(view.count),
        view.level_dbfs,
        view.offset_hz,
        view.twist_db,
        view.snr_db,
        view.said,
    ])?;
    Ok(())
}

fn talk(
    db: &Connection,
    run: RunId,
    wall: WallTime,
    connected: Option<WallTime>,
    view: &TalkView,
) -> rusqlite::Result<()> {
    let sql = "INSERT INTO talks
        (run, talk, wall_ms, port, local, remote, via, incoming, state, words, since_ms,
         opened_ms, waiting_octets, retries, last_heard_ms, connected_wall_ms)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16)
        ON CONFLICT (run, talk) DO UPDATE SET
        port = excluded.port, local = excluded.local, remote = excluded.remote,
        via = excluded.via, incoming = excluded.incoming, state = excluded.state,
        words = excluded.words, since_ms = excluded.since_ms, opened_ms = excluded.opened_ms,
        waiting_octets = excluded.waiting_octets, retries = excluded.retries,
        last_heard_ms = excluded.last_heard_ms,
        connected_wall_ms = coalesce(talks.connected_wall_ms, excluded.connected_wall_ms)
        WHERE (port, local, remote, via, incoming, state, words, since_ms, opened_ms,
               waiting_octets, retries, last_heard_ms) IS NOT
              (excluded.port, excluded.local, excluded.remote, excluded.via, excluded.incoming,
               excluded.state, excluded.words, excluded.since_ms, excluded.opened_ms,
               excluded.waiting_octets, excluded.retries, excluded.last_heard_ms)";
    db.prepare_cached(sql)?.execute(params![
        run.0,
        number(view.id.0),
        wall.0,
        view.port.0,
        view.local.to_string(),
        view.remote.to_string(),
        list(&view.via)?,
        view.incoming,
        Word(view.state),
        view.words,
        number(view.since_ms),
        number(view.opened_ms),
        size(view.waiting_octets),
        view.retries,
        view.last_heard_ms.map(number),
        connected.map(|wall| wall.0),
    ])?;
    Ok(())
}

fn talk_gone(db: &Connection, run: RunId, id: TalkId) -> rusqlite::Result<()> {
    let sql = "UPDATE talks SET put_away = 1 WHERE run = ?1 AND talk = ?2";
    db.prepare_cached(sql)?
        .execute(params![run.0, number(id.0)])?;
    Ok(())
}

fn line(db: &Connection, run: RunId, wall: WallTime, view: &TalkLine) -> rusqlite::Result<()> {
    let sql = "INSERT INTO talk_lines
        (run, talk, line, wall_ms, at_ms, direction, text, complete, lost, octets)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
        ON CONFLICT (run, talk, line) DO UPDATE SET
        at_ms = excluded.at_ms, direction = excluded.direction, text = excluded.text,
        complete = excluded.complete, lost = excluded.lost, octets = excluded.octets
        WHERE talk_lines.cut_octets = 0 AND
              (at_ms, direction, text, complete, lost, octets) IS NOT
              (excluded.at_ms, excluded.direction, excluded.text, excluded.complete,
               excluded.lost, excluded.octets)";
    db.prepare_cached(sql)?.execute(params![
        run.0,
        number(view.talk.0),
        number(view.line),
        wall.0,
        number(view.at_ms),
        Word(view.direction),
        view.text,
        view.complete,
        view.lost,
        view.octets,
    ])?;
    Ok(())
}

fn crossing(
    db: &Connection,
    run: RunId,
    wall: WallTime,
    view: &CrossingView,
) -> rusqlite::Result<()> {
    let sql = "INSERT INTO crossings
        (run, crossing, wall_ms, rule, near_port, near_local, near_remote, near_words,
         near_received, near_waiting, far_port, far_local, far_remote, far_words, far_received,
         far_waiting, words, opened_ms, ended)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18,
                ?19)
        ON CONFLICT (run, crossing) DO UPDATE SET
        rule = excluded.rule, near_port = excluded.near_port, near_local = excluded.near_local,
        near_remote = excluded.near_remote, near_words = excluded.near_words,
        near_received = excluded.near_received, near_waiting = excluded.near_waiting,
        far_port = excluded.far_port, far_local = excluded.far_local,
        far_remote = excluded.far_remote, far_words = excluded.far_words,
        far_received = excluded.far_received, far_waiting = excluded.far_waiting,
        words = excluded.words, opened_ms = excluded.opened_ms, ended = excluded.ended";
    let (near, far) = (&view.near, &view.far);
    db.prepare_cached(sql)?.execute(params![
        run.0,
        number(view.id.0),
        wall.0,
        view.rule,
        near.port.0,
        near.local.to_string(),
        near.remote.map(|call| call.to_string()),
        near.words,
        number(near.received_octets),
        size(near.waiting_octets),
        far.port.0,
        far.local.to_string(),
        far.remote.map(|call| call.to_string()),
        far.words,
        number(far.received_octets),
        size(far.waiting_octets),
        view.words,
        number(view.opened_ms),
        view.ended,
    ])?;
    Ok(())
}

fn note(db: &Connection, run: RunId, wall: WallTime, view: &Note) -> rusqlite::Result<()> {
    let sql = "INSERT INTO notes (run, wall_ms, at_ms, port, urgency, text)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    db.prepare_cached(sql)?.execute(params![
        run.0,
        wall.0,
        number(view.at_ms),
        view.port.map(|port| port.0),
        Word(view.urgency),
        view.text,
    ])?;
    Ok(())
}
