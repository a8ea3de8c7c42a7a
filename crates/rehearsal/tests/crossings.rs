//! Visitors of a crossing between ports who want a station that is reached by a digipeater only, over simulated bands of
//! whole frames.

use dunlin_clock::Duration;
use dunlin_rehearsal::{Fidelity, Rehearsal, Scenario};
use dunlin_station::{Command, Event, PortId, Reply, TalkId, TalkState};

/// QM3BAR hears QA1SKY on VHF. On UHF QX0RLF hears the digipeater QD2HIL, as does QA1SKY, and nobody else. A second path
/// makes QX0RLF heard direct.
const HILL: &str = r#"
title = "Behind the hill"
operator = "QA1SKY"
[[band]]
name = "VHF"
kind = "fm"
rate = 24000
paths = [{ from = "QA1SKY", to = "QM3BAR", level = "22 dB" }]
[[band]]
name = "UHF"
kind = "fm"
rate = 24000
paths = [
    { from = "QA1SKY", to = "QD2HIL", level = "22 dB" },
    { from = "QD2HIL", to = "QX0RLF", level = "22 dB" },
    DIRECT
]

[[place]]
[place.station]
call = "QA1SKY"
[[place.port]]
name = "VHF"
mode = "afsk1200"
[[place.port]]
name = "UHF"
mode = "afsk1200"
[[place.crossing]]
name = "over the hill"
from = "VHF"
to = "UHF"
call = "QA1SKY-7"
allow = "all"
RULE

[[place]]
[place.station]
call = "QM3BAR"
[[place.port]]
name = "VHF"
mode = "afsk1200"

[[place]]
[place.station]
call = "QD2HIL"
[[place.port]]
name = "UHF"
mode = "afsk1200"
digipeat = ["QD2HIL"]

[[place]]
[place.station]
call = "QX0RLF"
[[place.port]]
name = "UHF"
mode = "afsk1200"

[[person]]
name = "Brae"
at = "QM3BAR"
does = [
    { do = "wait", time = "4 min" },
    { do = "call", to = "QA1SKY-7" },
    { do = "await", text = "Which station" },
    { do = "say", text = "QX0RLF" },
    { do = "await", text = "EXPECTED", patience = "10 min" },
    { do = "say", text = "The ferry is late." },
    { do = "await", text = "ENDING", patience = "10 min" },
    { do = "close" },
]
"#;

/// What the visitor was told, what the operator saw of the crossing, and what the timeline says.
struct Seen {
    finished: bool,
    views: Vec<String>,
    notes: Vec<String>,
    /// The best way to QX0RLF, and whether it was heard direct, when the visitor came.
    best: Vec<String>,
    direct: bool,
}

/// The operator talks to QX0RLF by these digipeaters first, and ends that; then the visitor comes.
fn visit(rule: &str, direct: &str, via: &[&str], expected: &str, ending: &str) -> Seen {
    let text = HILL
        .replace("RULE", rule)
        .replace("DIRECT", direct)
        .replace("EXPECTED", expected)
        .replace("ENDING", ending);
    let scenario = Scenario::read("hill", text.as_bytes()).unwrap_or_else(|f| panic!("{f}"));
    let mut r = Rehearsal::begin_at(scenario, 3, true, Fidelity::Frame).expect("it begins");
    let call = |text: &str| text.parse().expect("a call sign");
    r.advance(r.now() + Duration::from_secs(5));
    let open = Command::OpenTalk {
        port: PortId(1),
        to: call("QX0RLF"),
        via: via.iter().map(|v| call(v)).collect(),
    };
    let Ok(Reply::Talk(talk)) = r.command(open) else {
        panic!("no talk");
    };
    let mut seen = Seen {
        finished: false,
        views: Vec::new(),
        notes: Vec::new(),
        best: Vec::new(),
        direct: false,
    };
    let mut closed = false;
    while r.now().as_secs_f64() < 1800.0 && r.people()[0].finished() == 0 {
        r.advance(r.now() + Duration::from_secs(5));
        while let Some(told) = r.poll() {
            match told {
                dunlin_rehearsal::Told::Operator(Event::Crossing(view)) => {
                    if seen.views.is_empty() {
                        let ways = r.ways_to(call("QX0RLF")).ways;
                        let best = ways.first().map(|way| &way.via[..]).unwrap_or_default();
                        seen.best = best.iter().map(ToString::to_string).collect();
                        let heard = r.snapshot().heard;
                        seen.direct = heard.iter().any(|h| h.call == "QX0RLF" && h.by.is_none());
                    }
                    seen.views
                        .push(format!("{} / {}", view.words, view.far.words));
                }
                dunlin_rehearsal::Told::Operator(Event::Note(note)) => seen.notes.push(note.text),
                _ => {}
            }
        }
        if !closed && state(&r, talk) == Some(TalkState::Open) {
            closed = r.command(Command::CloseTalk { talk }).is_ok();
        }
    }
    assert!(closed, "the operator's own talk");
    seen.finished = r.people()[0].finished() == 1;
    seen
}

fn state(r: &Rehearsal, talk: TalkId) -> Option<TalkState> {
    let talks = r.snapshot().talks;
    talks.iter().find(|t| t.id == talk).map(|t| t.state)
}

const DIRECT: &str = "{ from = \"QA1SKY\", to = \"QX0RLF\", level = \"22 dB\" },";
const ANSWERS: &str = "QX0RLF answers";
const CALLING: &str = "calling QX0RLF on UHF";

#[test]
fn a_station_behind_a_hill_is_called_by_the_digipeater_that_is_known_to_reach_it() {
    let by = format!("{CALLING} by QD2HIL.");
    let seen = visit("most_digipeaters = 1", "", &["QD2HIL"], &by, ANSWERS);
    assert!(seen.finished, "{:?}", seen.views);
    let has = |words: &str| seen.views.iter().any(|view| view.contains(words));
    assert!(has("calling QX0RLF by QD2HIL"), "{:?}", seen.views);
    assert!(
        has("QM3BAR and QX0RLF are talking by QD2HIL / connected by QD2HIL"),
        "{:?}",
        seen.views
    );
    let note = "QM3BAR is carried on to QX0RLF by QD2HIL";
    assert!(seen.notes.iter().any(|n| n == note), "{:?}", seen.notes);
}

#[test]
fn without_the_word_of_the_plan_no_digipeater_is_used() {
    let direct = format!("{CALLING}.");
    let seen = visit("", "", &["QD2HIL"], &direct, "QX0RLF did not answer");
    assert!(
        !seen.views.iter().any(|v| v.contains("QD2HIL")),
        "{:?}",
        seen.views
    );
    assert!(!seen.views.iter().any(|v| v.contains("are talking")));
}

#[test]
fn a_station_that_is_heard_direct_is_called_direct_although_a_digipeater_has_proved_better() {
    let expected = format!("{CALLING}.");
    let rule = "most_digipeaters = 2";
    let seen = visit(rule, DIRECT, &["QD2HIL"], &expected, ANSWERS);
    assert_eq!(
        seen.best,
        ["QD2HIL"],
        "by which the operator has talked to it"
    );
    assert!(seen.direct, "and heard it");
    assert!(seen.finished, "{:?}", seen.views);
}
