//! Why there is no sound server for this user.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// Where the sessions of users have their sockets (freedesktop.org, XDG Base Directory
/// Specification, `XDG_RUNTIME_DIR`; systemd's `pam_systemd` makes `/run/user/UID`).
const SESSIONS: &str = "/run/user";

/// What to do when the server is somebody else's.
const OTHERS: &str = "a sound server serves only the user whose session it belongs to. Run \
    Dunlin as that user, or name a device of the kernel (`alsa:`)";

/// Why no socket of a server was found.
pub(super) fn no_socket() -> String {
    for (variable, path) in wanted() {
        match std::fs::metadata(&path) {
            Err(error) if error.kind() == ErrorKind::PermissionDenied => {
                return format!("{variable} leads to {}, and {}", path.display(), denied());
            }
            Err(_) if variable == "PULSE_SERVER" => {
                return format!(
                    "no sound server runs for this login: PULSE_SERVER says {}, which does not \
                     exist",
                    path.display()
                );
            }
            _ => {}
        }
    }
    let server = std::env::var("PULSE_SERVER").unwrap_or_default();
    if !server.is_empty() && !server.starts_with("unix:") {
        return "PULSE_SERVER names a server that is not on this machine, and Dunlin uses only the \
                sound devices of its own: unset it"
            .into();
    }
    let mut text = String::from("no sound server runs for this login");
    let users = other_users(Path::new(SESSIONS), std::env::var("XDG_RUNTIME_DIR").ok());
    if !users.is_empty() {
        text.push_str(&format!(
            "; the user(s) with the number {} are logged in, and {OTHERS}",
            users.join(", ")
        ));
    }
    text
}

/// What to say when the server or the system refuses.
pub(super) fn denied() -> String {
    format!("this user may not use it: {OTHERS}")
}

/// Where a server was looked for.
fn wanted() -> Vec<(&'static str, PathBuf)> {
    let variable = |name: &'static str| std::env::var(name).ok().map(|value| (name, value));
    let server = variable("PULSE_SERVER")
        .and_then(|(name, value)| Some((name, PathBuf::from(value.strip_prefix("unix:")?))));
    let inside =
        |found: (&'static str, String)| (found.0, Path::new(&found.1).join("pulse/native"));
    let others = ["PULSE_RUNTIME_PATH", "XDG_RUNTIME_DIR"].into_iter();
    server
        .into_iter()
        .chain(others.filter_map(variable).map(inside))
        .collect()
}

/// Numbers of the users with a session, but for the one whose directory is `own`.
fn other_users(sessions: &Path, own: Option<String>) -> Vec<String> {
    let Ok(entries) = std::fs::read_dir(sessions) else {
        return Vec::new();
    };
    let mut users: Vec<String> = entries
        .flatten()
        .take(100)
        .filter(|entry| {
            own.as_deref()
                .is_none_or(|own| entry.path() != Path::new(own))
        })
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| !name.is_empty() && name.bytes().all(|b| b.is_ascii_digit()))
        .collect();
    users.sort();
    users.truncate(5);
    users
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sessions_of_others_are_seen() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        for user in ["1000", "1001", "lost+found"] {
            std::fs::create_dir(dir.path().join(user)).expect("a directory");
        }
        let own = dir.path().join("1001").display().to_string();
        assert_eq!(other_users(dir.path(), Some(own)), ["1000"]);
        assert_eq!(other_users(dir.path(), None), ["1000", "1001"]);
        assert!(other_users(Path::new("/nonexistent"), None).is_empty());
    }
}
