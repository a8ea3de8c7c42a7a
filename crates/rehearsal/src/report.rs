//! The summary as text for people, within 80 columns.

use crate::promises::{counted, times, way_words};
use crate::summary::{BandSummary, Summary};
use crate::timeline::{COLUMNS, INDENT, clock, fit, row};

/// The summary as text for people, with a line end after each line.
pub fn text(summary: &Summary) -> String {
    let mut text = vec![
        format!(
            "{}: {} with seed {}, {} on {}",
            summary.title,
            clock(summary.lasted_ms),
            summary.seed,
            counted(summary.stations as u64, "station"),
            counted(summary.bands.len() as u64, "band")
        ),
        String::new(),
    ];
    text.extend(frame_table(summary));
    text.push(String::new());
    text.extend(talk_table(summary));
    text.push(String::new());
    text.extend(text_across(summary));
    if !summary.people.is_empty() {
        text.push(String::new());
        text.push("People".into());
    }
    for p in &summary.people {
        let done = format!("done {}, given up {}", times(p.finished), times(p.gave_up));
        text.push(fit(&format!("  {:<12} at {:<9} {done}", p.name, p.station)));
    }
    if !summary.promises.is_empty() {
        text.push(String::new());
        text.extend(promise_list(summary));
    }
    text.push(String::new());
    text.join("\n")
}

fn frame_table(summary: &Summary) -> Vec<String> {
    let columns = |cells: Vec<String>| {
        let cells = cells.iter().map(|cell| format!("{cell:>9}"));
        cells.collect::<String>()
    };
    let names = summary
        .bands
        .iter()
        .map(|b| b.name.chars().take(8).collect())
        .collect();
    let mut table = vec![format!("{:<34}{}", "Frames", columns(names))];
    let mut add = |words: &str, figure: fn(&BandSummary) -> u64| {
        let cells = summary
            .bands
            .iter()
            .map(|b| figure(b).to_string())
            .collect();
        table.push(format!("  {words:<32}{}", columns(cells)));
    };
    add("sent", |b| b.frames.sent);
    add("sent, times stations in reach", |b| b.frames.in_reach);
    add("  read", |b| b.frames.read);
    add("    of these in spite of another", |b| {
        b.frames.read_in_spite
    });
    add("  lost to noise", |b| b.frames.noise);
    add("  lost to a collision", |b| b.frames.collision);
    add("  lost to own transmission", |b| b.frames.own_transmission);
    add("too late to be judged", |b| b.open);
    table.push(format!(
        "  read though nobody sent them: {}",
        summary.nobody_sent
    ));
    table
}

fn talk_table(summary: &Summary) -> Vec<String> {
    let mut table = vec!["Talks".to_owned()];
    for talk in &summary.talks {
        let via = if talk.via.is_empty() {
            String::new()
        } else {
            format!(" via {}", talk.via)
        };
        table.push(row(
            talk.opened_ms,
            &talk.band,
            &format!("{} > {}{via}", talk.from, talk.to),
        ));
        let lasted = clock(talk.lasted_ms);
        let text = format!("{lasted}, {} octets there, {} back", talk.there, talk.back);
        table.push(fit(&format!("{:INDENT$}{text}; {}", "", talk.words)));
    }
    if summary.talks.is_empty() {
        table.push("  none".into());
    }
    if summary.talks_forgotten > 0 {
        table.push(format!("  and {} more, forgotten", summary.talks_forgotten));
    }
    table
}

fn text_across(summary: &Summary) -> Vec<String> {
    let mut table = vec!["Text across the bands".to_owned()];
    for d in summary.deliveries.iter().filter(|d| d.through.is_some()) {
        let through = d.through.map_or(String::new(), |t| t.to_string());
        table.push(row(
            d.opened_ms,
            "",
            &format!("{} > {} through {through}", d.from, d.to),
        ));
        let ways = [way_words("there", &d.there), way_words("back", &d.back)].join(", ");
        table.push(fit(&format!("{:INDENT$}{ways}", "")));
    }
    if table.len() == 1 {
        table.push("  none".into());
    }
    table
}

fn promise_list(summary: &Summary) -> Vec<String> {
    let kept = summary.promises.iter().filter(|p| p.kept).count();
    let broken = summary.promises.len() - kept;
    let mut list = vec![format!("Promises: {kept} kept, {broken} broken")];
    for p in &summary.promises {
        let mark = if p.kept { "kept  " } else { "BROKEN" };
        list.extend(paragraph(&format!("  {mark}  "), &p.promise));
        if !p.kept {
            list.extend(p.evidence.iter().flat_map(|e| paragraph("          - ", e)));
        }
    }
    list
}

/// A text in lines within the columns, the first after `head`, the others under it.
pub(crate) fn paragraph(head: &str, text: &str) -> Vec<String> {
    let indent = " ".repeat(head.chars().count());
    let mut lines = vec![head.to_owned()];
    for word in text.split(' ') {
        let line = lines.last().map_or("", String::as_str);
        let begins = line.chars().count() <= indent.len();
        if !begins && line.chars().count() + 1 + word.chars().count() > COLUMNS {
            lines.push(indent.clone());
        }
        if let Some(line) = lines.last_mut() {
            if line.chars().count() > indent.len() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}
