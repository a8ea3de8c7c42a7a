//! A look at a journal without changing it, also while a station writes to it.

use std::path::Path;

use dunlin_clock::WallTime;
use rusqlite::Connection;

use crate::StoreError;
use crate::open::look_at;
use crate::schema::NEWEST;

/// What a journal holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Glance {
    /// Its schema; 0 is an empty file.
    pub schema: i64,
    /// Newest schema that is known here.
    pub known: i64,
    /// Tables and their rows, by name.
    pub rows: Vec<(String, u64)>,
    /// Wall time of the oldest and of the newest frame or note.
    pub span: Option<(WallTime, WallTime)>,
    /// What is damaged, in the database's words; `None` if everything fits together.
    pub damage: Option<String>,
}

/// Looks at the journal at `path` and reads the whole of it.
///
/// # Errors
/// The file cannot be read, is no journal, or one of a later version.
pub fn glance(path: &Path) -> Result<Glance, StoreError> {
    let (connection, schema) = look_at(path)?;
    let mut glance = Glance {
        schema,
        known: NEWEST,
        rows: Vec::new(),
        span: None,
        damage: None,
    };
    let checked = connection.query_row("PRAGMA integrity_check(1)", [], |row| {
        row.get::<_, String>(0)
    });
    match checked {
        Ok(answer) if answer == "ok" => {}
        Ok(reason) => glance.damage = Some(reason),
        Err(error) => glance.damage = Some(error.to_string()),
    }
    if glance.damage.is_none() {
        let counted = count(&connection, &mut glance);
        counted.map_err(|error| StoreError::from_sqlite(path, &error))?;
    }
    Ok(glance)
}

fn count(db: &Connection, glance: &mut Glance) -> rusqlite::Result<()> {
    // Not the tables that only the database itself knows what to do with: "shadow" and "virtual" ones.
    let sql = "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table'
        AND name NOT LIKE 'sqlite_%' ORDER BY name";
    let mut statement = db.prepare(sql)?;
    let names = statement.query_map([], |row| row.get::<_, String>(0))?;
    for name in names.collect::<rusqlite::Result<Vec<String>>>()? {
        let sql = format!("SELECT count(*) FROM \"{}\"", name.replace('"', "\"\""));
        let rows: i64 = db.query_row(&sql, [], |row| row.get(0))?;
        glance.rows.push((name, rows.unsigned_abs()));
    }
    if glance.schema > 0 {
        let sql = "SELECT min(wall_ms), max(wall_ms) FROM
            (SELECT wall_ms FROM frames UNION ALL SELECT wall_ms FROM notes)";
        let ends: (Option<i64>, Option<i64>) =
            db.query_row(sql, [], |row| Ok((row.get(0)?, row.get(1)?)))?;
        glance.span = ends.0.zip(ends.1).map(|(a, b)| (WallTime(a), WallTime(b)));
    }
    Ok(())
}
