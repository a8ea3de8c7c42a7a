//! What the exchange costs on the air, beside the raw text.
//!
//! docs/mail-exchange.md gives the formula and the table; the page is compared with what is counted here.

use dunlin_mail::Message;

use crate::station::{Keeper, Trace, exchange, message};

const PAGE: &str = include_str!("../../../../docs/mail-exchange.md");
/// Octets of a frame's field of information, and of a frame beside it.
const FRAME: usize = 64;
const BESIDE: usize = 20;
/// What bit stuffing adds.
const STUFFING: f64 = 1.03;
const BAUD: f64 = 300.0;
/// Seconds from the end of one side's transmission to the first octet of the other's.
const TURN: f64 = 0.6;

/// A letter from the Marrow Isles, by whoever chose the words of the dictionary.
const ENGLISH: &str = include_str!("english.txt");
/// English by others, who knew nothing of it.
const LICENCE: &str = include_str!("../../../../LICENSE-APACHE");

/// Seconds on the air of transmissions of so many octets each.
fn seconds(transmissions: &[usize]) -> f64 {
    let mut octets = 0;
    for &n in transmissions {
        octets += n + BESIDE * n.div_ceil(FRAME);
    }
    let turns = transmissions.len() as f64;
    octets as f64 * 8.0 * STUFFING / BAUD + turns * TURN
}

fn turns(messages: Vec<Message>) -> Vec<usize> {
    let mut a = Keeper::new("QA1SKY", messages);
    let mut b = Keeper::new("QM2REE", vec![]);
    let Trace { turns, .. } = exchange(&mut a, &mut b, usize::MAX, 256);
    assert!(a.last_words().0 && a.out.is_empty());
    turns.iter().map(|(_, octets)| octets.len()).collect()
}

/// One line of the table, and the overhead in percent.
fn line(name: &str, text: &str, octets: usize, count: usize) -> (String, f64) {
    let part = |n: usize| message(n as u64, &text[n * octets..(n + 1) * octets]);
    let turns = turns((0..count).map(part).collect());
    // All raw texts in one transmission.
    let raw = seconds(&vec![octets; count]) - (count - 1) as f64 * TURN;
    let ours = seconds(&turns);
    let more = (ours / raw - 1.0) * 100.0;
    let all: usize = turns.iter().sum();
    let count = turns.len();
    let line = format!("| {name} | {raw:.1} | {all} | {count} | {ours:.1} | {more:+.0} % |");
    (line, more)
}

#[test]
fn the_exchange_costs_what_the_page_says() {
    let lines = [
        line("100", ENGLISH, 100, 1),
        line("10 times 100", ENGLISH, 100, 10),
        line("1 000", ENGLISH, 1000, 1),
        line("10 000", ENGLISH, 10_000, 1),
        line("1 000 of the licence", LICENCE, 1000, 1),
        line("9 000 of the licence", LICENCE, 9000, 1),
    ];
    for (line, _) in &lines {
        println!("{line}");
    }
    for (line, _) in &lines {
        assert!(PAGE.contains(line), "the page does not say: {line}");
    }
    assert!(lines[2].1 < 12.0 && lines[4].1 < 12.0);
    assert!(lines[3].1 < 0.0 && lines[5].1 < 0.0);
}

#[test]
fn the_formula_is_that_of_the_page() {
    // 65 octets are two frames: 105 octets, 865.2 bits.
    assert!((seconds(&[65]) - (865.2 / 300.0 + 0.6)).abs() < 1e-9);
}
