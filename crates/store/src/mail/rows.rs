//! Rows into letters and back. What stands in a row is checked like anything that comes from outside.

use dunlin_ax25::CallSign;
use dunlin_clock::WallTime;
use dunlin_mail::post::{Head, Leg, LegState, Proof, Standing};
use dunlin_mail::{Address, Kind, MessageId, Precedence};
use rusqlite::types::Type;
use rusqlite::{Connection, OptionalExtension as _, Row, params};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// The columns of a head, in the order of [`head`].
pub(super) const HEAD: &str = "letters.place, letters.id, letters.kind, letters.to_call, letters.to_home,
    letters.topic, letters.area, letters.about, letters.precedence, letters.from_call, letters.from_home,
    letters.title, letters.octets, letters.written_ms, letters.arrived_ms, letters.proof, letters.standing,
    letters.why, letters.unread";

/// The precedences by their number.
const PRECEDENCES: [Precedence; 4] = [
    Precedence::Routine,
    Precedence::Welfare,
    Precedence::Priority,
    Precedence::Emergency,
];

fn wrong(column: usize, words: String) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, words.into())
}

/// A text column that is the written form of something.
pub(super) fn parsed<T>(row: &Row<'_>, column: usize) -> rusqlite::Result<T>
where
    T: std::str::FromStr,
    T::Err: std::fmt::Display,
{
    let text: String = row.get(column)?;
    let read = text.parse();
    read.map_err(|error: T::Err| wrong(column, error.to_string()))
}

fn maybe<T>(row: &Row<'_>, column: usize) -> rusqlite::Result<Option<T>>
where
    T: std::str::FromStr,
    T::Err: std::fmt::Display,
{
    match row.get_ref(column)? {
        rusqlite::types::ValueRef::Null => Ok(None),
        _ => parsed(row, column).map(Some),
    }
}

/// A value as JSON.
pub(super) fn json<T: Serialize>(value: &T) -> rusqlite::Result<String> {
    let fault = |error| rusqlite::Error::ToSqlConversionFailure(Box::new(error));
    serde_json::to_string(value).map_err(fault)
}

/// A column with JSON.
pub(super) fn from_json<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|error| wrong(column, error.to_string()))
}

/// A word of an enumeration, without quotes.
pub(super) fn word<T: Serialize>(value: &T) -> rusqlite::Result<String> {
    Ok(json(value)?.trim_matches('"').to_owned())
}

pub(super) fn precedence_number(precedence: Precedence) -> i64 {
    let place = PRECEDENCES.iter().position(|&p| p == precedence);
    place.map_or(0, |place| place as i64)
}

pub(super) fn size(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// A standing as a word and its reason.
pub(super) fn standing_words(standing: &Standing) -> (&'static str, Option<&str>) {
    match standing {
        Standing::Written => ("written", None),
        Standing::Queued => ("queued", None),
        Standing::Here => ("here", None),
        Standing::Held { why } => ("held", Some(why)),
        Standing::Passed => ("passed", None),
        Standing::Delivered => ("delivered", None),
        Standing::Undeliverable { why } => ("undeliverable", Some(why)),
        Standing::Deleted => ("deleted", None),
    }
}

fn standing(row: &Row<'_>, column: usize) -> rusqlite::Result<Standing> {
    let name: String = row.get(column)?;
    let why = row.get::<_, Option<String>>(column + 1)?;
    let why = why.unwrap_or_default();
    Ok(match name.as_str() {
        "written" => Standing::Written,
        "queued" => Standing::Queued,
        "here" => Standing::Here,
        "held" => Standing::Held { why },
        "passed" => Standing::Passed,
        "delivered" => Standing::Delivered,
        "undeliverable" => Standing::Undeliverable { why },
        "deleted" => Standing::Deleted,
        other => return Err(wrong(column, format!("{other:?} is no standing"))),
    })
}

fn kind(row: &Row<'_>) -> rusqlite::Result<Kind> {
    let to = || -> rusqlite::Result<Address> {
        let (call, home) = (parsed(row, 3)?, maybe(row, 4)?);
        Ok(Address { call, home })
    };
    let name: String = row.get(2)?;
    Ok(match name.as_str() {
        "personal" => Kind::Personal { to: to()? },
        "formal" => Kind::Formal { to: to()? },
        "service" => Kind::Service {
            to: to()?,
            about: parsed(row, 7)?,
        },
        "bulletin" => Kind::Bulletin {
            topic: row.get(5)?,
            area: row.get(6)?,
        },
        other => return Err(wrong(2, format!("{other:?} is no kind of message"))),
    })
}

/// A head without its legs from the columns [`HEAD`].
pub(super) fn head(row: &Row<'_>) -> rusqlite::Result<Head> {
    let number = |column| -> rusqlite::Result<u64> {
        let n: i64 = row.get(column)?;
        u64::try_from(n).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(column, n))
    };
    let precedence = usize::try_from(number(8)?).ok();
    let precedence = precedence.and_then(|n| PRECEDENCES.get(n).copied());
    let proof: String = row.get(15)?;
    let proof: Proof = serde_json::from_value(serde_json::Value::String(proof))
        .map_err(|error| wrong(15, error.to_string()))?;
    Ok(Head {
        place: number(0)?,
        id: parsed(row, 1)?,
        kind: kind(row)?,
        precedence: precedence.ok_or_else(|| wrong(8, "no precedence".into()))?,
        from: Address {
            call: parsed(row, 9)?,
            home: maybe(row, 10)?,
        },
        title: row.get(11)?,
        octets: usize::try_from(number(12)?).unwrap_or(usize::MAX),
        written: WallTime(row.get(13)?),
        arrived: WallTime(row.get(14)?),
        proof,
        standing: standing(row, 16)?,
        legs: Vec::new(),
        unread: row.get(18)?,
    })
}

/// One letter by its identifier, with its legs; also a deleted one.
pub(super) fn find(db: &Connection, id: MessageId) -> rusqlite::Result<Option<Head>> {
    let sql = format!("SELECT {HEAD} FROM letters WHERE id = ?1");
    let mut statement = db.prepare_cached(&sql)?;
    let found = statement.query_row([id.to_string()], head).optional()?;
    let Some(mut head) = found else {
        return Ok(None);
    };
    head.legs = legs(db, head.place)?;
    Ok(Some(head))
}

/// One that is not deleted.
pub(super) fn find_kept(db: &Connection, id: MessageId) -> rusqlite::Result<Option<Head>> {
    Ok(find(db, id)?.filter(|head| head.standing != Standing::Deleted))
}

/// The place as SQLite wants it.
pub(super) fn place(head: &Head) -> i64 {
    head.place.cast_signed()
}

/// The legs of a letter, the preferred partner first.
pub(super) fn legs(db: &Connection, place: u64) -> rusqlite::Result<Vec<Leg>> {
    let sql = "SELECT partner, state, tries, not_before_ms, at_ms, why FROM legs
        WHERE place = ?1 ORDER BY turn, partner";
    let mut statement = db.prepare_cached(sql)?;
    let rows = statement.query_map([place.cast_signed()], leg)?;
    rows.collect()
}

fn leg(row: &Row<'_>) -> rusqlite::Result<Leg> {
    let partner: CallSign = parsed(row, 0)?;
    let name: String = row.get(1)?;
    let state = match name.as_str() {
        "waiting" => LegState::Waiting {
            tries: row.get(2)?,
            not_before: WallTime(row.get(3)?),
            why: match row.get_ref(5)? {
                rusqlite::types::ValueRef::Null => None,
                _ => Some(from_json(row, 5)?),
            },
        },
        "taken" => LegState::Taken {
            at: WallTime(row.get(4)?),
        },
        "refused" => LegState::Refused {
            why: from_json(row, 5)?,
            at: WallTime(row.get(4)?),
        },
        other => return Err(wrong(1, format!("{other:?} is no state of a leg"))),
    };
    Ok(Leg { partner, state })
}

/// Writes a leg in the place of what was there of it.
pub(super) fn put_leg(db: &Connection, place: i64, turn: usize, leg: &Leg) -> rusqlite::Result<()> {
    let (state, tries, not_before, at, why) = match leg.state {
        LegState::Waiting {
            tries,
            not_before,
            why,
        } => ("waiting", tries, Some(not_before.0), None, why),
        LegState::Taken { at } => ("taken", 0, None, Some(at.0), None),
        LegState::Refused { why, at } => ("refused", 0, None, Some(at.0), Some(why)),
    };
    let why = why.as_ref().map(json).transpose()?;
    let sql = "INSERT INTO legs (place, turn, partner, state, tries, not_before_ms, at_ms, why)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
        ON CONFLICT (place, partner) DO UPDATE SET state = excluded.state, tries = excluded.tries,
        not_before_ms = excluded.not_before_ms, at_ms = excluded.at_ms, why = excluded.why";
    let partner = leg.partner.to_string();
    let values = params![
        place,
        size(turn),
        partner,
        state,
        tries,
        not_before,
        at,
        why
    ];
    db.prepare_cached(sql)?.execute(values)?;
    Ok(())
}

/// Writes where a letter stands from now on.
pub(super) fn put_standing(
    db: &Connection,
    place: i64,
    standing: &Standing,
    now: WallTime,
) -> rusqlite::Result<()> {
    let (name, why) = standing_words(standing);
    let sql = "UPDATE letters SET standing = ?2, why = ?3, since_ms = ?4 WHERE place = ?1";
    db.prepare_cached(sql)?
        .execute(params![place, name, why, now.0])?;
    Ok(())
}
