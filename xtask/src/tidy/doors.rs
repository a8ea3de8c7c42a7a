//! Every room carries the clippy bans of its kind.
//!
//! Clippy takes the nearest `clippy.toml` and does not merge it with others,
//! so a room without one would silently have no bans.

use super::{Complaint, Tree, rooms};

/// Compares each room's clippy.toml with the one file for its kind.
pub fn check(tree: &Tree) -> Vec<Complaint> {
    let (rooms, _) = rooms::table(tree);
    let mut complaints = Vec::new();
    for room in rooms.iter().filter(|room| room.name != "xtask") {
        let source = format!("xtask/bans/{}.toml", room.kind);
        let Some(wanted) = tree.get(&source) else {
            let what = "the bans for a kind of room are missing";
            complaints.push(Complaint::new(&source, 1, what, "put the file back"));
            continue;
        };
        let found = tree.get(&room.bans()).map(|file| file.text.as_str());
        if found != Some(wanted.text.as_str()) {
            complaints.push(Complaint::new(
                &room.bans(),
                1,
                format!(
                    "the room '{}' does not carry the bans of {source}",
                    room.name
                ),
                format!("ln -sf ../../{source} {}", room.bans()),
            ));
        }
    }
    complaints
}

#[cfg(test)]
mod tests {
    use super::*;

    fn whats(bans: &[(&str, &str)]) -> Vec<String> {
        let mut files = vec![(
            "ARCHITECTURE.md",
            "```rooms\nclock | pure | - | - | -\n```\n",
        )];
        files.extend(bans);
        check(&Tree::of(&files))
            .into_iter()
            .map(|c| c.what)
            .collect()
    }

    #[test]
    fn the_same_bans_pass() {
        let bans = [
            ("xtask/bans/pure.toml", "a = 1"),
            ("crates/clock/clippy.toml", "a = 1"),
        ];
        assert!(whats(&bans).is_empty());
    }

    #[test]
    fn missing_and_weakened_bans_are_found() {
        let missing = [("xtask/bans/pure.toml", "a = 1")];
        let weaker = [
            ("xtask/bans/pure.toml", "a = 1"),
            ("crates/clock/clippy.toml", ""),
        ];
        for bans in [&missing[..], &weaker[..]] {
            assert_eq!(
                whats(bans),
                ["the room 'clock' does not carry the bans of xtask/bans/pure.toml"]
            );
        }
        assert_eq!(whats(&[]), ["the bans for a kind of room are missing"]);
    }
}
