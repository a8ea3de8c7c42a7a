//! Figures: how much of the raw text's rate a file has, and how long a typed line waits meanwhile. Printed with
//! `--no-capture`; docs/files.md says them.

use dunlin_station::{Direction, FileState};

use crate::bench::{BAR, Bench, REE, SKY};

const SIZE: usize = 10_000;

/// Seconds from the yes of the person until the sender knows that the file is stored.
fn file_takes(mode: &str) -> f64 {
    let mut b = Bench::new(mode);
    b.call();
    let ours = b.offer(SKY, "map.png", SIZE, 1);
    let asked = b.offered(REE, 300).expect("it is offered");
    let reckoned = b.view(REE, asked).airtime_ms as f64 / 1000.0;
    b.accept(REE, asked);
    let began = b.seconds();
    assert!(b.until(3600, |b| b.state(SKY, ours) == FileState::Done));
    b.assert_arrived(REE, "map.png", SIZE, 1);
    let took = b.seconds() - began;
    println!("{mode}: reckoned {reckoned:.0} s when it was offered");
    took
}

/// Seconds for as many octets of text.
fn text_takes(mode: &str) -> f64 {
    let mut b = Bench::new(mode);
    b.call();
    b.pass(30_000);
    let began = b.seconds();
    let line = "x".repeat(99);
    for _ in 0..SIZE / 100 {
        b.say(SKY, &line);
    }
    let all = |b: &mut Bench| {
        let lines = b.lines(SKY, Direction::Sent);
        lines.iter().all(|l| l.complete)
    };
    assert!(b.until(3600, all));
    b.seconds() - began
}

/// The longest and the mean time from typing a line until it is there, and how long the file took meanwhile.
fn lines_wait(mode: &str, with_file: bool) -> (f64, f64, f64) {
    let mut b = Bench::new(mode);
    b.call();
    let ours = with_file.then(|| {
        let ours = b.offer(SKY, "map.png", SIZE, 1);
        let asked = b.offered(REE, 300).expect("it is offered");
        b.accept(REE, asked);
        ours
    });
    let began = b.seconds();
    let mut waits = Vec::new();
    while waits.len() < 12 && b.seconds() < began + 900.0 {
        b.pass(17_300);
        if ours.is_some_and(|file| b.state(SKY, file) == FileState::Done) {
            break;
        }
        let line = format!("Line {} of somebody at the keyboard.", waits.len());
        let typed = b.seconds();
        b.say(SKY, &line);
        let there = |b: &mut Bench| {
            let lines = b.lines(REE, Direction::Received);
            lines.iter().any(|l| l.complete && l.text == line)
        };
        assert!(b.until(600, there));
        waits.push(b.seconds() - typed);
    }
    let done = |b: &mut Bench| ours.is_none_or(|file| b.state(SKY, file) == FileState::Done);
    assert!(b.until(3600, done));
    let took = b.seconds() - began;
    let longest = waits.iter().copied().fold(0.0, f64::max);
    (
        longest,
        waits.iter().sum::<f64>() / waits.len() as f64,
        took,
    )
}

#[test]
fn a_file_has_most_of_what_text_has_and_a_typed_line_waits_for_little() {
    for (mode, most_wait) in [("afsk1200", 8.0), ("afsk300", 25.0)] {
        let (text, file) = (text_takes(mode), file_takes(mode));
        println!(
            "{mode}: {SIZE} octets: text {text:.1} s, {:.1} octets/s; file {file:.1} s, {:.1} octets/s; {:.0} %",
            SIZE as f64 / text,
            SIZE as f64 / file,
            text / file * 100.0
        );
        let (alone, alone_mean, _) = lines_wait(mode, false);
        let (longest, mean, took) = lines_wait(mode, true);
        println!(
            "{mode}: a line waits {mean:.1} s, at most {longest:.1} s, beside a file, which takes {took:.0} s; \
             without one {alone_mean:.1} s, at most {alone:.1} s"
        );
        assert!(text / file > 0.85, "{mode}");
        assert!(longest < most_wait, "{mode}");
    }
}

/// What QA1SKY sends to QM2REE meanwhile.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Load {
    Nothing,
    Text,
    File,
}

/// The mean and longest time that lines of QA1SKY to QM3BAR wait, and lines back, in s.
fn third_waits(mode: &str, load: Load) -> [(f64, f64); 2] {
    let mut b = Bench::new(mode);
    b.call();
    let busy_talk = b.talk(SKY);
    let other = b.call_from(BAR);
    if load == Load::File {
        b.offer_in(busy_talk, SKY, "map.png", 4 * SIZE, 1);
        let asked = b.offered(REE, 300).expect("it is offered");
        b.accept(REE, asked);
    }
    let mut waits = [Vec::new(), Vec::new()];
    for n in 0..10 {
        if load == Load::Text {
            for _ in 0..if n == 0 { 300 } else { 15 } {
                b.say_in(busy_talk, SKY, &"x".repeat(99));
            }
        }
        for (way, from, talk, to) in [(0, SKY, other.1, BAR), (1, BAR, other.0, SKY)] {
            b.pass(9_700);
            let line = format!("Line {n} of {from}.");
            let typed = b.seconds();
            b.say_in(talk, from, &line);
            let came = b.until(900, |b| b.has_line(to, &line));
            assert!(came, "{mode} {load:?}: line {n} of {from}");
            waits[way].push(b.seconds() - typed);
        }
    }
    waits.map(|waits| {
        let longest = waits.iter().copied().fold(0.0, f64::max);
        (waits.iter().sum::<f64>() / waits.len() as f64, longest)
    })
}

#[test]
fn a_talk_with_a_third_station_goes_on_beside_a_file_as_beside_text() {
    for mode in ["afsk1200", "afsk300"] {
        let [nothing, text, file] =
            [Load::Nothing, Load::Text, Load::File].map(|load| third_waits(mode, load));
        println!("{mode}: mean and longest wait to a third station and back, s");
        println!(
            "  nothing else: {nothing:.1?}; beside text: {text:.1?}; beside a file: {file:.1?}"
        );
        assert!(file.iter().all(|(mean, _)| *mean < 40.0), "{mode} {file:?}");
    }
}
