//! The gate of a port as text for a terminal of 80 columns: one sentence first, then every
//! condition in order.

use std::fmt::Write;

use dunlin_clock::{Duration, Instant};
use dunlin_station::WaysView;
use dunlin_station::gate::{AlarmView, Condition, GateView};

use super::driver::Delays;
use crate::span;

const WIDTH: usize = 78;

/// One alarm.
pub(super) fn alarm(now: Instant, alarm: &AlarmView) -> String {
    let age = age(now, alarm.since_ms);
    paragraph(&format!("ALARM for {age}: {}", alarm.text), "")
}

/// One gate.
pub(super) fn gate(now: Instant, name: &str, gate: &GateView) -> String {
    let mut text = paragraph(&gate.sentence, "");
    for condition in &gate.conditions {
        let mark = if condition.open { "open" } else { "SHUT" };
        let age = age(now, condition.since_ms);
        let title = words(condition.condition);
        let _ = writeln!(text, "  {mark}  {title:<28} for {age}"); // A string cannot fail.
        text.push_str(&paragraph(&condition.evidence, "        "));
        if !condition.open && !condition.remedy.is_empty() {
            let remedy = format!("-> {}", condition.remedy);
            text.push_str(&paragraph(&remedy, "        "));
        }
    }
    for waiting in &gate.waiting {
        let age = age(now, waiting.since_ms);
        let line = format!(
            "{} to {}, for {age}: {}",
            waiting.what, waiting.to, waiting.reason
        );
        text.push_str(&paragraph(&format!("{name} holds {line}"), "  "));
    }
    let surplus = gate.queued.saturating_sub(gate.waiting.len());
    if surplus > 0 {
        let _ = writeln!(text, "  and {surplus} more");
    }
    let down = &gate.key_down;
    let seconds = |ms: u64| format!("{}.{}", ms / 1000, ms / 100 % 10);
    let _ = writeln!(
        text,
        "  key down: {} of {} s in ten minutes, {} of {} s in an hour",
        seconds(down.ten_minutes_ms),
        down.ten_minutes_limit_ms / 1000,
        seconds(down.hour_ms),
        down.hour_limit_ms / 1000,
    );
    text
}

/// The ways to a station, the best first.
pub(super) fn ways(ways: &WaysView) -> String {
    let mut text = paragraph(&format!("{}.", ways.words), "");
    for way in &ways.ways {
        let cost = match way.etx {
            Some(etx) => format!("expected transmissions {etx:.1}: "),
            None => String::new(),
        };
        text.push_str(&paragraph(&format!("{cost}{}.", way.words), "  "));
    }
    text
}

/// What was measured of keying, and an empty line.
pub(super) fn delays(delays: &Delays) -> String {
    let Delays {
        to_first_tone: tone,
        to_release: release,
    } = delays;
    if tone.count == 0 && release.count == 0 {
        return "\n".into();
    }
    let words = format!(
        "measured: key to first tone {} ms (longest {}), last tone to release {} ms (longest {})",
        tone.latest.as_millis(),
        tone.longest.as_millis(),
        release.latest.as_millis(),
        release.longest.as_millis()
    );
    paragraph(&words, "  ") + "\n"
}

fn words(condition: Condition) -> &'static str {
    match condition {
        Condition::Plan => "the plan allows it",
        Condition::CallSign => "a call sign that is yours",
        Condition::Stop => "nobody has stopped it",
        Condition::Listened => "listened after the start",
        Condition::Device => "the device is healthy",
        Condition::KeyLine => "the key is proved released",
        Condition::Identification => "identification in time",
        Condition::KeyDown => "key-down limits",
        Condition::Interlock => "the other port allows it",
        Condition::Channel => "the channel is clear",
        Condition::Slot => "a slot is drawn",
    }
}

fn age(now: Instant, since_ms: u64) -> String {
    let age = now.as_millis().saturating_sub(since_ms);
    span::short(Duration::from_millis(age))
}

/// `words` broken into lines that begin with `indent`.
fn paragraph(words: &str, indent: &str) -> String {
    let mut text = String::new();
    let mut line = String::from(indent);
    for word in words.split_whitespace() {
        let full = line.chars().count() + 1 + word.chars().count() > WIDTH;
        if full && line.len() > indent.len() {
            text.push_str(&line);
            text.push('\n');
            line = String::from(indent);
        }
        if line.len() > indent.len() {
            line.push(' ');
        }
        line.push_str(word);
    }
    text.push_str(&line);
    text.push('\n');
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use dunlin_station::WayView;

    #[test]
    fn ways_are_told_with_what_they_cost_and_on_what_evidence() {
        let to = "QM3BAR".parse().expect("a call sign");
        let way = |etx, words: &str| WayView {
            port: PortId(0),
            via: Vec::new(),
            etx,
            sendings: etx,
            proof: None,
            age_ms: None,
            worked_ms_ago: None,
            words: words.into(),
            legs: Vec::new(),
        };
        let text = ways(&WaysView {
            to,
            words: "QM3BAR can be reached".into(),
            ways: vec![
                way(Some(1.389), "direct: heard"),
                way(None, "by QD2HIL: old"),
            ],
        });
        assert_eq!(
            text,
            "QM3BAR can be reached.\n  expected transmissions 1.4: direct: heard.\n  by QD2HIL: old.\n"
        );
    }
    use dunlin_station::PortId;
    use dunlin_station::gate::{ConditionView, KeyDownView};

    #[test]
    fn the_sentence_comes_first_and_no_line_is_wider_than_a_terminal() {
        let view = GateView {
            port: PortId(0),
            sentence: "VHF has waited 14 s: steady noise at -18 dBFS holds the energy detector, \
                       no data tones in it: the squelch is open."
                .into(),
            conditions: vec![ConditionView {
                condition: Condition::Channel,
                open: false,
                since_ms: 1000,
                evidence: "noise ".repeat(40),
                remedy: "close the squelch".into(),
            }],
            waiting: Vec::new(),
            queued: 2,
            key_down: KeyDownView::default(),
            test: None,
            identified_ms: None,
        };
        let text = gate(Instant::from_secs(15), "VHF", &view);
        assert!(text.starts_with("VHF has waited 14 s"));
        assert!(text.contains("SHUT  the channel is clear"), "{text}");
        assert!(text.contains("for 14 s"), "{text}");
        assert!(text.contains("-> close the squelch"), "{text}");
        assert!(
            text.lines().all(|line| line.chars().count() <= 79),
            "{text}"
        );
    }
}
