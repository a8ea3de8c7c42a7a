//! The operator's own command for alarms: it may send a message, sound a bell, switch a lamp.
//! It gets its words as they stand in the plan, without a shell, and what is wrong in its
//! environment.

use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{self, Receiver, SyncSender};

use anyhow::{Context, Result};
use dunlin_clock::Duration;
use dunlin_station::gate::AlarmView;

/// Alarms that may wait for the command.
const MOST_WAITING: usize = 32;
/// Longest run of the command, in looks of half a second.
const LONGEST_LOOKS: u32 = 60;
const LOOK: Duration = Duration::from_millis(500);

/// Runs the command for each alarm, one after another.
#[derive(Debug)]
pub(super) struct Hook(SyncSender<AlarmView>);

impl Hook {
    /// Starts the thread that runs `words`; empty words are refused by the plan.
    pub(super) fn start(words: Vec<String>, names: Vec<String>) -> Result<Hook> {
        let (sender, inbox) = mpsc::sync_channel(MOST_WAITING);
        std::thread::Builder::new()
            .name("dunlin-alarm".into())
            .spawn(move || run(&words, &names, &inbox))
            .context("no thread for the alarm command")?;
        Ok(Hook(sender))
    }

    /// Hands over an alarm. One that finds no room is in the log and on the page all the same.
    pub(super) fn tell(&self, alarm: &AlarmView) {
        if self.0.try_send(alarm.clone()).is_err() {
            tracing::warn!("the alarm command is too slow; an alarm did not reach it");
        }
    }
}

fn run(words: &[String], names: &[String], inbox: &Receiver<AlarmView>) {
    while let Ok(alarm) = inbox.recv() {
        match start(words, names, &alarm) {
            Ok(child) => wait(child),
            Err(error) => tracing::error!("the alarm command cannot be run: {error}"),
        }
    }
}

fn start(words: &[String], names: &[String], alarm: &AlarmView) -> std::io::Result<Child> {
    let Some((program, arguments)) = words.split_first() else {
        return Err(std::io::Error::other("it is empty"));
    };
    let kind = serde_json::to_string(&alarm.kind).unwrap_or_default();
    let port = alarm
        .port
        .and_then(|port| names.get(usize::from(port.0)))
        .map_or("", String::as_str);
    Command::new(program)
        .args(arguments)
        .env("DUNLIN_ALARM_KIND", kind.trim_matches('"'))
        .env("DUNLIN_ALARM_PORT", port)
        .env(
            "DUNLIN_ALARM_STATE",
            if alarm.active { "begins" } else { "ends" },
        )
        .env("DUNLIN_ALARM_TEXT", &alarm.text)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
}

/// Waits for the command, and ends it when it takes too long.
fn wait(mut child: Child) {
    for _ in 0..LONGEST_LOOKS {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return,
            Ok(Some(status)) => return tracing::warn!("the alarm command ended with {status}"),
            Err(error) => return tracing::error!("the alarm command is lost: {error}"),
            Ok(None) => std::thread::sleep(LOOK),
        }
    }
    tracing::warn!("the alarm command took more than 30 s and was ended");
    let _ = child.kill();
    let _ = child.wait();
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_station::PortId;
    use dunlin_station::gate::AlarmKind;

    #[test]
    fn the_command_learns_what_is_wrong() {
        let dir = tempfile::tempdir().expect("a directory");
        let out = dir.path().join("out");
        let script = format!(
            "echo \"$DUNLIN_ALARM_KIND $DUNLIN_ALARM_PORT $DUNLIN_ALARM_STATE $DUNLIN_ALARM_TEXT\" \
             > {}.new && mv {0}.new {0}",
            out.display()
        );
        let words = vec!["sh".into(), "-c".into(), script];
        let hook = Hook::start(words, vec!["VHF".into()]).expect("a thread");
        hook.tell(&AlarmView {
            kind: AlarmKind::KeyLine,
            port: Some(PortId(0)),
            active: true,
            since_ms: 0,
            text: "the keyer has died".into(),
        });
        let written = (0..500).find_map(|_| {
            std::thread::sleep(Duration::from_millis(20));
            std::fs::read_to_string(&out).ok()
        });
        assert_eq!(
            written.as_deref(),
            Some("key_line VHF begins the keyer has died\n")
        );
    }
}
