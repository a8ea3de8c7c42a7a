//! docs/mail-exchange.md shows the octets of whole exchanges; they are made here and compared.

use std::fmt::Write;

use dunlin_clock::WallTime;
use dunlin_mail::exchange::MOST_HELD;
use dunlin_mail::{Kind, Message, Precedence, Step};

use crate::station::{Keeper, Trace, call, exchange, message};

const PAGE: &str = include_str!("../../../../docs/mail-exchange.md");
const WORDS: &str = include_str!("../../src/exchange/dictionary.txt");
/// Octets in one line.
const LINE: usize = 24;

fn number(octets: &[u8]) -> (usize, usize) {
    let last = octets.iter().position(|&octet| octet < 0x80);
    let last = last.expect("a whole number");
    let number = octets[..=last]
        .iter()
        .rev()
        .fold(0, |n, &octet| n << 7 | usize::from(octet & 0x7f));
    (number, last + 1)
}

/// The turns as the page shows them: who, which record, its octets.
fn shown(trace: &Trace) -> String {
    let mut text = String::new();
    for (caller, octets) in &trace.turns {
        let who = if *caller { "QA1SKY" } else { "QM2REE" };
        writeln!(text, "{who}").expect("a string takes all");
        let mut rest = &octets[..];
        while !rest.is_empty() {
            let name = match rest[0] {
                0xd1 => "hello",
                2 => "offer",
                3 => "answers",
                4 => "chain",
                5 => "piece",
                6 => "over",
                _ => "end",
            };
            let (length, digits) = number(&rest[1..]);
            let (record, more) = rest.split_at(1 + digits + length);
            rest = more;
            for (index, line) in record.chunks(LINE).enumerate() {
                let name = if index == 0 { name } else { "" };
                let hex: Vec<String> = line.iter().map(|octet| format!("{octet:02x}")).collect();
                writeln!(text, "  {name:8} {}", hex.join(" ")).expect("a string takes all");
            }
        }
    }
    text
}

fn first() -> Message {
    let mut first = message(
        0x0123_4567_89ab_cdef,
        "Please send 40 cots to Lee Cove with the next ferry. Ada\n",
    );
    first.title = "Cots for Lee Cove".into();
    first.written = WallTime(1_795_999_400_000);
    first.chain[0].at = first.written;
    first
}

fn second() -> Message {
    let mut second = message(7, "The ferry leaves Gannet Head at 14:00 UTC.\n");
    second.id.origin = call("QX0RLF");
    second.from = "QX0RLF".parse().expect("an address");
    second.title = "Ferry on Thursday".into();
    second.precedence = Precedence::Priority;
    second.kind = Kind::Bulletin {
        topic: "FERRY".into(),
        area: "ISLES".into(),
    };
    second.chain = vec![
        Step {
            station: call("QX0RLF"),
            at: WallTime(1_795_999_500_000),
        },
        Step {
            station: call("QM2REE"),
            at: WallTime(1_795_999_800_000),
        },
    ];
    second
}

#[test]
fn the_page_shows_whole_exchanges_as_they_are() {
    let mut a = Keeper::new("QA1SKY", vec![first()]);
    let mut b = Keeper::new("QM2REE", vec![second()]);
    let whole = shown(&exchange(&mut a, &mut b, usize::MAX, 64));
    // The same again; the link drops after 100 octets of both, in the middle of a piece.
    let mut a = Keeper::new("QA1SKY", vec![first()]);
    let mut b = Keeper::new("QM2REE", vec![]);
    exchange(&mut a, &mut b, 100, 64);
    let kept = b.kept.values().next().expect("a partial").octets.len();
    let resumed = shown(&exchange(&mut a, &mut b, usize::MAX, 64));
    println!("{whole}\n{kept} octets were there\n\n{resumed}");
    let page: String = PAGE
        .lines()
        .map(|line| format!("{}\n", line.strip_prefix("    ").unwrap_or(line)))
        .collect();
    assert!(page.contains(&whole), "the page does not show:\n{whole}");
    assert!(
        page.contains(&resumed),
        "the page does not show:\n{resumed}"
    );
    assert!(page.contains(&format!("{kept} octets were there")));
}

#[test]
fn the_page_says_how_this_side_counts_and_what_it_lets_pass() {
    let page = PAGE.split_whitespace().collect::<Vec<_>>().join(" ");
    let held = format!("at most {} in a session", spaced(MOST_HELD));
    for words in [
        "those of items in pieces (without the two numbers before them)",
        "A record of another type is skipped, also out of turn.",
        "out of turn anything but an end or a record of another type",
        "after 16 turns of the other in a row",
        "fewer than 2048 octets of chains and pieces",
        &held,
    ] {
        assert!(page.contains(words), "{words}");
    }
}

/// A number with a space before each three digits.
fn spaced(number: usize) -> String {
    match number {
        0..1000 => number.to_string(),
        _ => format!("{} {:03}", spaced(number / 1000), number % 1000),
    }
}

#[test]
fn the_page_has_the_dictionary() {
    let block = format!("```dictionary\n{WORDS}```\n");
    assert!(PAGE.contains(&block));
}
