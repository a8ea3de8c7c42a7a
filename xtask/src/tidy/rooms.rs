//! Which crate may use which: ARCHITECTURE.md holds the table, each
//! Cargo.toml must keep to it.

use super::{Complaint, Tree};
use std::collections::{BTreeMap, BTreeSet};

const PAGE: &str = "ARCHITECTURE.md";
const FENCE: &str = "```rooms";

/// One line of the table.
#[derive(Debug)]
pub struct Room {
    /// Folder name under `crates/`, or `xtask`.
    pub name: String,
    /// Line of ARCHITECTURE.md, counted from 1.
    pub line: usize,
    /// What the room may touch of the outer world: `pure`, `files` or `shell`.
    pub kind: String,
    rooms: BTreeSet<String>,
    outside: BTreeSet<String>,
    in_tests: BTreeSet<String>,
}

impl Room {
    fn manifest(&self) -> String {
        if self.name == "xtask" {
            "xtask/Cargo.toml".to_owned()
        } else {
            format!("crates/{}/Cargo.toml", self.name)
        }
    }

    /// The room's clippy.toml, which carries its bans.
    pub fn bans(&self) -> String {
        self.manifest().replace("Cargo.toml", "clippy.toml")
    }
}

/// Reads the fenced table of ARCHITECTURE.md. The second part of the answer
/// are the lines that could not be read.
pub fn table(tree: &Tree) -> (Vec<Room>, Vec<Complaint>) {
    let (mut rooms, mut complaints) = (Vec::new(), Vec::new());
    let lines = tree.get(PAGE).map_or("", |page| &page.text).lines();
    let mut inside = false;
    for (index, line) in lines.enumerate() {
        if line.starts_with("```") {
            inside = line.trim() == FENCE;
        } else if inside && !line.trim().is_empty() && !line.starts_with('#') {
            match row(line, index + 1) {
                Some(room) => rooms.push(room),
                None => complaints.push(Complaint::new(
                    PAGE,
                    index + 1,
                    "this line of the rooms table cannot be read",
                    "write: room | pure, files or shell | rooms | outside crates | more in tests",
                )),
            }
        }
    }
    if rooms.is_empty() {
        complaints.push(Complaint::new(
            PAGE,
            1,
            format!("there is no block that starts with {FENCE} and holds the table of rooms"),
            "put the table back; it is the source of what may use what",
        ));
    }
    (rooms, complaints)
}

fn row(line: &str, number: usize) -> Option<Room> {
    let cells: Vec<&str> = line.split('|').map(str::trim).collect();
    let [name, kind, rooms, outside, in_tests] = cells[..] else {
        return None;
    };
    let list = |cell: &str| -> BTreeSet<String> {
        let words = cell.split_whitespace().filter(|word| *word != "-");
        words.map(str::to_owned).collect()
    };
    let known = ["pure", "files", "shell"].contains(&kind);
    known.then(|| Room {
        name: name.to_owned(),
        line: number,
        kind: kind.to_owned(),
        rooms: list(rooms),
        outside: list(outside),
        in_tests: list(in_tests),
    })
}

/// Compares the table with the manifests, both ways.
pub fn check(tree: &Tree) -> Vec<Complaint> {
    let (rooms, mut complaints) = table(tree);
    for file in tree.files() {
        let name = match file.path.split('/').collect::<Vec<_>>()[..] {
            ["crates", name, "Cargo.toml"] => name,
            ["xtask", "Cargo.toml"] => "xtask",
            _ => continue,
        };
        match rooms.iter().find(|room| room.name == name) {
            Some(room) => complaints.extend(check_manifest(room, &file.path, &file.text)),
            None => complaints.push(Complaint::new(
                &file.path,
                1,
                format!("the crate '{name}' is not in the table of rooms"),
                format!("add it to the table in {PAGE}, with its reason, or remove the crate"),
            )),
        }
    }
    for room in rooms.iter().filter(|room| !tree.has(&room.manifest())) {
        complaints.push(Complaint::new(
            PAGE,
            room.line,
            format!(
                "the table names the room '{}', which does not exist",
                room.name
            ),
            "remove the line or correct the name",
        ));
    }
    complaints.extend(circles(&rooms));
    complaints
}

fn check_manifest(room: &Room, path: &str, text: &str) -> Vec<Complaint> {
    let manifest: toml::Table = match text.parse() {
        Ok(manifest) => manifest,
        Err(error) => {
            let what = format!("not valid TOML: {}", error.message());
            return vec![Complaint::new(path, 1, what, "correct it")];
        }
    };
    let mut complaints = Vec::new();
    for section in ["dependencies", "build-dependencies", "dev-dependencies"] {
        let Some(names) = manifest.get(section).and_then(toml::Value::as_table) else {
            continue;
        };
        for name in names.keys() {
            let allowed = match name.strip_prefix("dunlin-") {
                Some(other) => room.rooms.contains(other),
                None => room.outside.contains(name),
            };
            if allowed || (section == "dev-dependencies" && room.in_tests.contains(name)) {
                continue;
            }
            complaints.push(Complaint::new(
                path,
                line_of(text, name),
                format!(
                    "'{}' may not use '{name}' in [{section}], says {PAGE}:{}",
                    room.name, room.line
                ),
                "move the code to a room that may, or change the table and say why there",
            ));
        }
    }
    complaints
}

fn line_of(text: &str, dependency: &str) -> usize {
    let position = text.lines().position(|line| {
        line.strip_prefix(dependency)
            .is_some_and(|rest| rest.starts_with([' ', '.', '=']))
    });
    position.map_or(1, |index| index + 1)
}

/// Rooms that reach themselves through the rooms they may use.
fn circles(rooms: &[Room]) -> Vec<Complaint> {
    let uses: BTreeMap<&str, &BTreeSet<String>> = rooms
        .iter()
        .map(|room| (room.name.as_str(), &room.rooms))
        .collect();
    let reaches_itself = |start: &str| {
        let (mut seen, mut open) = (BTreeSet::new(), vec![start]);
        while let Some(next) = open.pop() {
            for other in uses.get(next).into_iter().copied().flatten() {
                if other == start {
                    return true;
                }
                if seen.insert(other.as_str()) {
                    open.push(other);
                }
            }
        }
        false
    };
    let in_circle = rooms.iter().filter(|room| reaches_itself(&room.name));
    let complain = |room: &Room| {
        let what = format!("the room '{}' may use itself in a circle", room.name);
        Complaint::new(PAGE, room.line, what, "break the circle in the table")
    };
    in_circle.map(complain).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: &str = "# Map\n```rooms\n# room | kind | rooms | outside | in tests\n\
        clock | pure | - | serde | -\nmodem | pure | clock | serde | proptest dunlin-air\n```\n";

    fn complaints(page: &str, clock: &str, modem: &str) -> Vec<String> {
        let tree = Tree::of(&[
            (PAGE, page),
            ("crates/clock/Cargo.toml", clock),
            ("crates/modem/Cargo.toml", modem),
        ]);
        check(&tree)
            .iter()
            .map(|c| format!("{}:{} {}", c.file, c.line, c.what))
            .collect()
    }

    #[test]
    fn what_the_table_allows_passes() {
        let modem = "[dependencies]\ndunlin-clock.workspace = true\nserde = \"1\"\n\
            [dev-dependencies]\nproptest = \"1\"\ndunlin-air.workspace = true\n";
        assert_eq!(
            complaints(TABLE, "[dependencies]\n", modem),
            Vec::<String>::new()
        );
    }

    #[test]
    fn a_forbidden_room_is_found_with_its_line() {
        let clock = "[package]\nname = \"x\"\n[dependencies]\ndunlin-modem.workspace = true\n";
        assert_eq!(
            complaints(TABLE, clock, ""),
            [
                "crates/clock/Cargo.toml:4 'clock' may not use 'dunlin-modem' \
              in [dependencies], says ARCHITECTURE.md:4"
            ]
        );
    }

    #[test]
    fn a_crate_for_tests_may_not_move_into_the_program() {
        let found = complaints(TABLE, "", "[dependencies]\nproptest = \"1\"\n");
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].contains("'modem' may not use 'proptest'"));
    }

    #[test]
    fn an_unlisted_crate_and_a_vanished_room_are_found() {
        let tree = Tree::of(&[
            (PAGE, "```rooms\nclock | pure | - | - | -\n```\n"),
            ("crates/store/Cargo.toml", ""),
        ]);
        let found: Vec<_> = check(&tree).into_iter().map(|c| c.what).collect();
        assert_eq!(
            found,
            [
                "the crate 'store' is not in the table of rooms",
                "the table names the room 'clock', which does not exist"
            ]
        );
    }

    #[test]
    fn circles_missing_tables_and_odd_lines_are_found() {
        let circle = "```rooms\nclock | pure | modem | - | -\nmodem | pure | clock | - | -\n```\n";
        assert_eq!(complaints(circle, "", "").len(), 2);
        assert!(complaints("", "", "")[0].contains("no block"));
        let odd = TABLE.replace("clock | pure |", "clock | tidy |");
        assert!(
            complaints(&odd, "", "")
                .iter()
                .any(|c| c.contains("cannot be read"))
        );
    }

    #[test]
    fn broken_manifests_are_reported_not_skipped() {
        let found = complaints(TABLE, "[dependencies\n", "");
        assert!(found[0].contains("not valid TOML"), "{found:?}");
    }
}
