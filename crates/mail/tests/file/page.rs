//! docs/files.md shows the octets of whole transfers and what they cost; both are made here and compared.

use std::fmt::Write;
use std::time::Duration;

use dunlin_mail::file::{INTRODUCER, Input, on_the_link};

use crate::station::{Side, Trace, content, talk};

const PAGE: &str = include_str!("../../../../docs/files.md");
const NAMES: [&str; 8] = [
    "hello", "offer", "want", "refuse", "piece", "stored", "withdraw", "quit",
];
/// Octets in one line.
const LINE: usize = 24;
const TEXT: &[u8] = b"The ferry leaves Gannet Head at 14:00 UTC. It carries 40 cots, fuel and the post for Lee Cove; please be there.\n";

/// The talk as the page shows it: who, and then what is typed and the records, wherever the portions end.
fn shown(trace: &Trace) -> String {
    let mut turns: Vec<(bool, Vec<u8>)> = Vec::new();
    for (first, octets) in &trace.given {
        match turns.last_mut() {
            Some((same, before)) if same == first => before.extend(octets),
            _ => turns.push((*first, octets.clone())),
        }
    }
    let mut text = String::new();
    for (first, octets) in turns {
        let who = if first { "QA1SKY" } else { "QM2REE" };
        writeln!(text, "{who}").expect("a string takes all");
        let mut rest = &octets[..];
        while let Some(&octet) = rest.first() {
            let (name, length) = match octet {
                INTRODUCER => (NAMES[usize::from(rest[2]) - 1], 2 + usize::from(rest[1])),
                _ => {
                    let end = rest.iter().position(|&o| o == INTRODUCER);
                    ("text", end.unwrap_or(rest.len()))
                }
            };
            let (part, more) = rest.split_at(length);
            rest = more;
            for (index, line) in part.chunks(LINE).enumerate() {
                let name = if index == 0 { name } else { "" };
                let hex: Vec<String> = line.iter().map(|octet| format!("{octet:02x}")).collect();
                writeln!(text, "  {name:8} {}", hex.join(" ")).expect("a string takes all");
            }
            if octet != INTRODUCER {
                let words = String::from_utf8_lossy(part).replace('\r', "");
                writeln!(text, "           = {words}").expect("a string takes all");
            }
        }
    }
    text
}

fn pair(portion: usize) -> (Side, Side) {
    let mut sides = (Side::new("QA1SKY"), Side::new("QM2REE"));
    for side in [&mut sides.0, &mut sides.1] {
        side.portion = portion;
        side.begin();
    }
    sides
}

#[test]
fn the_page_shows_whole_transfers_as_they_are() {
    let (mut a, mut b) = pair(64);
    a.airtime = Duration::from_secs(9);
    a.offer("ferry.txt", TEXT);
    let (mut trace, mut pieces) = (Trace::default(), 0);
    // QA1SKY types once the first piece has gone; the link drops in the middle of the second.
    while pieces < 2 {
        for first in [true, false] {
            let (from, to) = match first {
                true => (&mut a, &mut b),
                false => (&mut b, &mut a),
            };
            let Some(given) = from.give(64) else { continue };
            let is_piece = given[..3] == [INTRODUCER, given[1], 5];
            pieces += usize::from(is_piece);
            if is_piece && pieces == 1 {
                from.types(b"Here it comes.\r");
            }
            let arrives = if pieces == 2 { 20 } else { given.len() };
            to.hear(&given[..arrives]);
            trace.given.push((first, given));
        }
    }
    b.handle(Input::Dropped);
    let kept = b.parts.values().next().expect("a partial").len();
    let cut = shown(&trace);
    a.begin();
    b.begin();
    a.offer("ferry.txt", TEXT);
    let resumed = shown(&talk(&mut a, &mut b, usize::MAX));
    println!("{cut}\n{kept} octets were there\n\n{resumed}");
    let page: String = PAGE
        .lines()
        .map(|line| format!("{}\n", line.strip_prefix("    ").unwrap_or(line)))
        .collect();
    assert!(page.contains(&cut) && page.contains(&resumed));
    assert!(page.contains(&format!("{kept} octets were there")));
}

/// One line of the table of costs.
fn cost(octets: usize, portion: usize) -> String {
    let (mut a, mut b) = pair(portion);
    a.offer("map.png", &content(1, octets));
    let first = talk(&mut a, &mut b, usize::MAX).octets - octets;
    a.offer("map.png", &content(2, octets));
    let second = talk(&mut a, &mut b, usize::MAX).octets - octets;
    assert_eq!(b.got.len(), 2);
    let pieces = on_the_link(octets as u64, portion) as usize - octets;
    assert!(pieces < second && second < pieces + 70);
    let percent = |more: usize| more as f64 / octets as f64 * 100.0;
    format!(
        "| {octets} | {portion} | {first} ({:.1} %) | {second} ({:.1} %) | {pieces} |",
        percent(first),
        percent(second)
    )
}

#[test]
fn files_cost_what_the_page_says() {
    let lines = [(1000, 128), (1000, 256), (10_000, 128), (10_000, 256)].map(|(n, p)| cost(n, p));
    for line in &lines {
        println!("{line}");
    }
    for line in &lines {
        assert!(PAGE.contains(line), "the page does not say: {line}");
    }
}
