//! A station whose dial is off hears a port that follows nearer its middle, on a band with noise.

use dunlin_clock::Instant;
use dunlin_rehearsal::{Rehearsal, Scenario, Told};
use dunlin_station::{BlockKind, Event};

/// The operator is the one whose dial is off; what it hears is told.
fn scenario(follows: [u8; 2], dial_error: &str) -> Scenario {
    let [operator, other] = follows;
    let text = format!(
        r#"
title = "Off tune"
seed = 1
lasts = "12 min"
operator = "QX0RLF"

[[band]]
name = "HF"
kind = "ssb"
rate = 12000
paths = [{{ from = "QA1SKY", to = "QX0RLF", level = "17 dB", fading = "quiet" }}]

[[place]]
about = "The mainland, whose dial is off"
[place.station]
call = "QX0RLF"
[[place.port]]
name = "HF"
mode = "afsk300"
dial_error = "{dial_error}"
follow_most_hz = {operator}

[[place]]
about = "Sky Point"
[place.station]
call = "QA1SKY"
[[place.port]]
name = "HF"
mode = "afsk300"
follow_most_hz = {other}

[[person]]
name = "Una"
at = "QA1SKY"
repeat = "20 s"
does = [
    {{ do = "call", to = "QX0RLF", patience = "2 min" }},
    {{ do = "say", text = "Two boxes of eggs for the boat." }},
    {{ do = "await", text = "well", patience = "2 min" }},
    {{ do = "say", text = "And a calf." }},
    {{ do = "await", text = "well", patience = "2 min" }},
    {{ do = "close" }},
]

[[person]]
name = "The desk"
at = "QX0RLF"
answers = [{{ say = "We read you well.", times = 9 }}]

[[promise]]
that = "delivered"
from = "QA1SKY"
to = "QX0RLF"
at_least = 2
"#
    );
    Scenario::read("test.toml", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"))
}

/// How far off its middle the operator heard the other, Hz, and what it said of its own sending.
fn heard(scenario: Scenario) -> (Vec<f32>, Vec<String>) {
    let lasts = scenario.lasts;
    let mut rehearsal = Rehearsal::begin(scenario, 1, true).expect("it begins");
    let (mut offsets, mut whys) = (Vec::new(), Vec::new());
    while rehearsal.now() < Instant::ZERO + lasts {
        rehearsal.step();
        while let Some(told) = rehearsal.poll() {
            let Told::Operator(Event::Block(block)) = told else {
                continue;
            };
            match block.kind {
                BlockKind::Heard if block.from == "QA1SKY" => offsets.extend(block.offset_hz),
                BlockKind::Sent => whys.extend(block.why),
                _ => {}
            }
        }
    }
    assert!(offsets.len() > 12, "{offsets:?}");
    (offsets, whys)
}

/// The middle one of the last half.
fn settled(offsets: &[f32]) -> f32 {
    let mut last = offsets[offsets.len() / 2..].to_vec();
    last.sort_by(f32::total_cmp);
    last[last.len() / 2]
}

/// Where it says that it sent, Hz: "sent 30 Hz down, for ...".
fn sent_hz(why: &str) -> f32 {
    let words: Vec<&str> = why.split([' ', ',']).collect();
    match words[..] {
        ["sent", hz, "Hz", way, ..] => {
            let hz: f32 = hz.parse().expect("a number");
            if way == "down" { -hz } else { hz }
        }
        _ => 0.0,
    }
}

#[test]
fn a_station_that_is_off_hears_one_that_follows_in_its_middle() {
    let (without, _) = heard(scenario([0, 0], "60 Hz"));
    assert!((settled(&without) + 60.0).abs() < 4.0, "{without:?}");
    let (with, _) = heard(scenario([0, 100], "60 Hz"));
    assert!(
        (with[0] + 60.0).abs() < 4.0,
        "nothing was known at first: {with:?}"
    );
    assert!(settled(&with).abs() < 4.0, "{with:?}");
    let (bound, _) = heard(scenario([0, 25], "60 Hz"));
    assert!((settled(&bound) + 35.0).abs() < 4.0, "{bound:?}");
}

#[test]
fn two_that_follow_share_the_way_and_rest() {
    let (both, whys) = heard(scenario([100, 100], "60 Hz"));
    // Never farther off than without.
    assert!(both.iter().all(|hz| hz.abs() < 66.0), "{both:?}");
    // What the operator still hears is what it has moved itself: the way is made up once, by both.
    let own = whys.last().map_or(0.0, |why| sent_hz(why));
    assert!((settled(&both) - own).abs() < 14.0, "{own}: {both:?}");
    let last = &both[both.len() - 6..];
    let spread = last
        .iter()
        .fold(0.0_f32, |s, hz| s.max((hz - last[0]).abs()));
    assert!(spread < 12.0, "they rest: {both:?}");
    println!("heard at {both:.0?}\nsaid {:?}", whys.last());
}
