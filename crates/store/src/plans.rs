//! The plans that the station ran with: a change of the plan is seen at the next start.

use std::collections::BTreeMap;

use dunlin_clock::WallTime;
use rusqlite::{OptionalExtension, params};

use crate::{Kept, RunId, Store, StoreError};

/// What stands in place of a secret.
const NOT_KEPT: &str = "\"(not kept)\"";

impl Store {
    /// Keeps the text of the plan of the run that has begun, if it differs from the one kept
    /// last; the answer is that one, if there was one and it differs. The hash of a password is
    /// never kept, so a new password alone is no difference.
    ///
    /// # Errors
    /// The file cannot be written.
    pub fn note_plan(&mut self, wall: WallTime, text: &str) -> Result<Option<String>, StoreError> {
        let text = masked(text);
        let run = self.run.unwrap_or(RunId(0));
        let noted = || -> rusqlite::Result<Option<String>> {
            let sql = "SELECT text FROM plans ORDER BY row DESC LIMIT 1";
            let last = self.connection.query_row(sql, [], |row| row.get(0));
            let last: Option<String> = last.optional()?;
            if last.as_ref() == Some(&text) {
                return Ok(None);
            }
            let sql = "INSERT INTO plans (run, wall_ms, text) VALUES (?1, ?2, ?3)";
            self.connection.execute(sql, params![run.0, wall.0, text])?;
            Ok(last)
        };
        noted().map_err(|error| StoreError::from_sqlite(&self.path, &error))
    }

    /// The plans that were kept.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn plans(&self, limit: usize) -> Result<Vec<Kept<String>>, StoreError> {
        self.list(
            "SELECT * FROM plans ORDER BY row DESC LIMIT ?1",
            &[&crate::read::most(limit)],
            |row| crate::read::kept(row, "row", row.get("text")?),
        )
    }
}

/// Lines of the one text that are not in the other, of that one which has more of them.
pub fn lines_that_differ(before: &str, now: &str) -> u64 {
    let mut count: BTreeMap<&str, i64> = BTreeMap::new();
    for line in now.lines() {
        *count.entry(line).or_default() += 1;
    }
    for line in before.lines() {
        *count.entry(line).or_default() -= 1;
    }
    let come: i64 = count.values().filter(|n| **n > 0).sum();
    let gone: i64 = count.values().filter(|n| **n < 0).sum();
    come.unsigned_abs().max(gone.unsigned_abs())
}

/// The text without the hash of a password. What stands behind the key goes to the end of its
/// line, or of its text of several lines; and what looks like a hash goes wherever it stands.
fn masked(text: &str) -> String {
    let mut kept = String::with_capacity(text.len());
    let mut until: Option<&str> = None;
    for line in text.lines() {
        if let Some(end) = until {
            if line.contains(end) {
                until = None;
            }
            continue;
        }
        let value = line
            .find("password_hash")
            .and_then(|key| Some(key + line[key..].find('=')? + 1));
        let Some(value) = value else {
            kept += &without_hashes(line);
            kept.push('\n');
            continue;
        };
        kept += &without_hashes(&line[..value]);
        kept.push(' ');
        kept += NOT_KEPT;
        kept.push('\n');
        until = ["\"\"\"", "'''"].into_iter().find(|quotes| {
            let rest = line[value..].trim_start();
            rest.strip_prefix(quotes)
                .is_some_and(|rest| !rest.contains(quotes))
        });
    }
    kept
}

/// A hash as the plan has it begins with "$argon2" and has no blank and no quote in it
/// (the PHC string format).
fn without_hashes(line: &str) -> String {
    let mut kept = String::new();
    let mut rest = line;
    while let Some(start) = rest.find("$argon2") {
        kept += &rest[..start];
        kept += "(not kept)";
        let hash = &rest[start..];
        let end = hash.find(|c: char| c.is_whitespace() || c == '"' || c == '\'');
        rest = &hash[end.unwrap_or(hash.len())..];
    }
    kept + rest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Limits;

    #[test]
    fn a_hash_is_never_kept_however_it_is_written() {
        let hash = "$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$SECRET";
        for text in [
            format!("[page]\npassword_hash = \"{hash}\"\nport = 1\n"),
            format!("page.password_hash='{hash}' # mine\nport = 1\n"),
            format!("page = {{ password_hash = \"{hash}\" }}\nport = 1\n"),
            format!("\"password_hash\" = \"\"\"\\\n  {hash}\"\"\"\nport = 1\n"),
            "password_hash = '''\n  SECRET'''\nport = 1\n".to_owned(),
            format!("# old: {hash}\nport = 1\n"),
        ] {
            let kept = masked(&text);
            assert!(!kept.contains("SECRET"), "{text} -> {kept}");
            assert!(kept.ends_with("port = 1\n"), "{text} -> {kept}");
            assert!(kept.contains("(not kept)"), "{text} -> {kept}");
        }
        let plain = "[station]\ncall = \"QA1SKY\"\n";
        assert_eq!(masked(plain), plain);
    }

    #[test]
    fn a_plan_is_kept_when_it_differs_and_outlives_its_run() {
        let mut store = Store::in_memory(Limits::default()).expect("memory");
        store.begin_run(WallTime(1), "QA1SKY").expect("begins");
        let note = |store: &mut Store, text: &str| {
            let noted = store.note_plan(WallTime(2), text);
            noted.expect("written")
        };
        assert_eq!(note(&mut store, "a = 1\nb = 2\n"), None, "the first");
        assert_eq!(note(&mut store, "a = 1\nb = 2\n"), None, "the same");
        store
            .connection
            .execute("DELETE FROM runs", [])
            .expect("goes");
        let before = note(&mut store, "a = 1\nb = 3\nc = 4\n").expect("another");
        assert_eq!(before, "a = 1\nb = 2\n");
        assert_eq!(lines_that_differ(&before, "a = 1\nb = 3\nc = 4\n"), 2);
        assert_eq!(lines_that_differ("a\nb\n", "b\na\n"), 0);
        let kept = store.plans(10).expect("readable");
        assert_eq!(kept.len(), 2);
        assert_eq!((kept[1].row, kept[1].run), (1, RunId(1)));
        assert_eq!(kept[0].value, "a = 1\nb = 3\nc = 4\n");
    }
}
