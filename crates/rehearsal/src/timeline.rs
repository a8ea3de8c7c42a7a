//! The timeline for people: one line for each happening, within 80 columns.
//!
//! ```text
//! 0:01:23.4 VHF  QM3BAR > QA1SKY-8 via QD2HIL*: text 2 "Ferry at 0740"
//!                not read by QB4COV (collision), QE7SKE (noise)
//! ```

use std::collections::{BTreeMap, BTreeSet};

use dunlin_station::{
    Block, BlockKind, CrossingId, Direction, Event, PortId, TalkId, TalkState, TalkView, Urgency,
};

use crate::happening::{Happening, SentFrame, What};

/// Columns of a line, at most.
pub const COLUMNS: usize = 80;
/// Columns before the text of a happening.
pub(crate) const INDENT: usize = 15;
/// Blocks remembered, so that none is shown twice.
const MOST_BLOCKS: usize = 1000;

/// A time of the rehearsal, `h:mm:ss`.
pub fn clock(ms: u64) -> String {
    let s = ms / 1000;
    format!("{}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60)
}

/// The lines for a happening, without line ends.
pub fn lines(happening: &Happening) -> Vec<String> {
    let row = |band: &str, text: String| vec![row(happening.at_ms, band, &text)];
    match &happening.what {
        What::Frame(frame) => frame_lines(happening.at_ms, frame),
        What::Talk {
            station,
            band,
            talk,
        } => row(band, talk_text(station, talk)),
        What::Said {
            band,
            from,
            to,
            text,
        } => row(band, format!("+ {to} has from {from}: {text}")),
        What::Crossing { station, crossing } => row("", format!("= {station}: {}", crossing.words)),
        What::Note {
            station,
            band,
            note,
        } => row(band, format!("! {station}: {}", note.text)),
        What::Deed {
            person,
            station,
            text,
        } => row("", format!("* {person} at {station} {text}")),
        What::NobodySent {
            band,
            station,
            text,
        } => row(band, format!("! {station} read what nobody sent: {text}")),
    }
}

/// One line: time, band, text.
pub(crate) fn row(at_ms: u64, band: &str, text: &str) -> String {
    fit(&format!(
        "{}.{} {band:<4} {text}",
        clock(at_ms),
        at_ms / 100 % 10
    ))
}

/// Cuts a line to the width of the timeline.
pub(crate) fn fit(line: &str) -> String {
    if line.chars().count() <= COLUMNS {
        return line.trim_end().to_owned();
    }
    let mut cut: String = line.chars().take(COLUMNS - 1).collect();
    cut.push('…');
    cut
}

fn frame_lines(at_ms: u64, frame: &SentFrame) -> Vec<String> {
    let SentFrame {
        from,
        to,
        via,
        kind,
        text,
        ..
    } = frame;
    let mut lines = vec![row(
        at_ms,
        &frame.band,
        &frame_text((from, to, via), kind, text),
    )];
    let lost: Vec<String> = frame
        .receptions
        .iter()
        .filter_map(|r| Some(format!("{} ({})", r.station, r.lost?.words())))
        .collect();
    lines.extend(wrap("not read by ", &lost));
    lines
}

/// Who, to whom and what, with the text in quotation marks if the frame carries some.
fn frame_text((from, to, via): (&str, &str, &[String]), kind: &str, whole: &str) -> String {
    let path = if via.is_empty() {
        String::new()
    } else {
        format!(" via {}", via.join(" "))
    };
    let quoted = whole.find('"').map_or("", |at| &whole[at..]);
    format!("{from} > {to}{path}: {kind} {quoted}")
}

/// `words` and the items with commas, indented, in as many lines as needed.
fn wrap(words: &str, items: &[String]) -> Vec<String> {
    let indent = " ".repeat(INDENT);
    let mut lines: Vec<String> = Vec::new();
    for (i, item) in items.iter().enumerate() {
        let comma = if i + 1 < items.len() { "," } else { "" };
        match lines.last_mut() {
            Some(line) if line.chars().count() + item.len() + 2 <= COLUMNS => {
                line.push_str(&format!(" {item}{comma}"));
            }
            Some(_) => lines.push(format!("{indent}  {item}{comma}")),
            None => lines.push(format!("{indent}{words}{item}{comma}")),
        }
    }
    lines
}

fn talk_text(station: &str, talk: &TalkView) -> String {
    let arrow = if talk.incoming { "<" } else { ">" };
    let local = talk.local.to_string();
    let local = if local == station {
        local
    } else {
        format!("{station} as {local}")
    };
    format!("- {local} {arrow} {}: {}", talk.remote, talk.words)
}

/// The timeline of one station as it lives: what it hears, sends and says, at once.
#[derive(Debug, Default)]
pub struct Live {
    ports: Vec<String>,
    shown: BTreeSet<u64>,
    talks: BTreeMap<TalkId, (String, TalkState)>,
    crossings: BTreeMap<CrossingId, String>,
}

impl Live {
    /// For a station with ports of these names.
    pub fn new(ports: Vec<String>) -> Live {
        Live {
            ports,
            ..Live::default()
        }
    }

    /// The lines for an event of the station at `now_ms`; mostly one, often none.
    pub fn lines(&mut self, now_ms: u64, event: &Event) -> Vec<String> {
        match event {
            Event::Block(block) => self.block(block),
            Event::Talk(talk) => self.talk(now_ms, talk),
            Event::TalkLine(line) if line.complete && line.direction == Direction::Received => {
                let Some((who, _)) = self.talks.get(&line.talk) else {
                    return Vec::new();
                };
                vec![row(line.at_ms, "", &format!("+ {who} says: {}", line.text))]
            }
            Event::TalkGone(talk) => {
                self.talks.remove(talk);
                Vec::new()
            }
            Event::Crossing(crossing) => {
                let before = self.crossings.insert(crossing.id, crossing.words.clone());
                if before.as_ref() == Some(&crossing.words) {
                    return Vec::new();
                }
                let text = format!("= crossing {}: {}", crossing.rule, crossing.words);
                vec![row(now_ms, "", &text)]
            }
            Event::Note(note) => {
                let mark = if note.urgency == Urgency::Attention {
                    "!"
                } else {
                    "."
                };
                let port = note.port.map_or("", |port| self.port(port));
                vec![row(note.at_ms, port, &format!("{mark} {}", note.text))]
            }
            Event::Port(_) | Event::Heard(_) | Event::TalkLine(_) => Vec::new(),
            // What matters of these comes as a note too.
            Event::Gate(_) | Event::Stops(_) | Event::Alarm(_) | Event::Reject(_) => Vec::new(),
            Event::File(_) | Event::Partner(_) | Event::MailChanged => Vec::new(),
        }
    }

    fn port(&self, port: PortId) -> &str {
        self.ports
            .get(usize::from(port.0))
            .map_or("", String::as_str)
    }

    fn block(&mut self, block: &Block) -> Vec<String> {
        let text = match block.kind {
            BlockKind::Heard | BlockKind::Sent => {
                let who = (block.from.as_str(), block.to.as_str(), &block.via[..]);
                let mark = if block.kind == BlockKind::Sent {
                    "»"
                } else {
                    "«"
                };
                format!("{mark} {}", frame_text(who, &block.what, &block.text))
            }
            BlockKind::Unreadable => {
                format!(
                    "x unreadable: {}",
                    block.why.as_deref().unwrap_or("no reason known")
                )
            }
            BlockKind::Busy => return Vec::new(),
        };
        if !self.shown.insert(block.id) {
            return Vec::new();
        }
        if self.shown.len() > MOST_BLOCKS {
            self.shown.pop_first();
        }
        vec![row(block.start_ms, self.port(block.port), &text)]
    }

    fn talk(&mut self, now_ms: u64, talk: &TalkView) -> Vec<String> {
        let known = (talk.remote.to_string(), talk.state);
        let before = self.talks.insert(talk.id, known);
        if before.is_some_and(|(_, state)| state == talk.state) {
            return Vec::new();
        }
        let text = talk_text(&talk.local.to_string(), talk);
        vec![row(now_ms, self.port(talk.port), &text)]
    }
}
