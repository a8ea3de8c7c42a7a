//! Every cell of the state tables, as dialogues: `cells.txt` has them, `states.csv` the tables as
//! drawn (AX.25 2.2, Figs C4.1 to C4.6b; abbreviations there are those of Figs C4.7a and C4.7b).

use std::collections::BTreeSet;

use dunlin_ax25::data_link::{Input, LinkConfig, Request, State, Timer, Version};
use dunlin_ax25::wire::Fault;

use crate::session::{Session, data};
use crate::tables::{self, Row};

const CELLS: &str = include_str!("cells.txt");
const TABLES: &str = include_str!("states.csv");

/// One line of `cells.txt`.
struct Cell<'a> {
    name: &'a str,
    before: &'a str,
    happens: &'a str,
    comes: &'a str,
    after: &'a str,
    mark: Option<&'a str>,
}

fn cells() -> Vec<Cell<'static>> {
    let cell = |parts: Vec<&'static str>| match parts[..] {
        [name, before, happens, comes, after, ref mark @ ..] => Cell {
            name,
            before,
            happens,
            comes,
            after,
            mark: mark.first().copied(),
        },
        _ => panic!("a part is missing: {parts:?}"),
    };
    tables::dialogues(CELLS).map(cell).collect()
}

/// The settings from which the dialogues start.
fn session(before: &str) -> Session {
    let words: Vec<&str> = before.split(' ').collect();
    let has = |word| words.contains(&word);
    let (place, newer) = words[0]
        .trim_end_matches('*')
        .strip_suffix("22")
        .map_or((words[0].trim_end_matches('*'), false), |place| {
            (place, true)
        });
    let sent = words[0].len() - words[0].trim_end_matches('*').len();
    let mut s = Session::with(|config: &mut LinkConfig| {
        config.accepts_connections = place != "deaf";
        config.version = if newer { Version::V22 } else { Version::V20 };
        if has("last") {
            config.n2 = 1;
        }
        if has("full") {
            config.k_extended = 1;
        }
    });
    let call = if newer { "SABME poll" } else { "SABM poll" };
    match place {
        "down" | "deaf" => {}
        "calling" => s.ask(0, Request::Connect),
        "releasing" => {
            s.hear(0, call);
            s.ask(0, Request::Disconnect);
            if has("last") {
                s.wake_next();
            }
        }
        "up" | "resetting" | "asking" => {
            s.hear(0, call);
            let texts = if place == "asking" && !has("idle") {
                1
            } else {
                sent
            };
            for text in ["one", "two"]
                .into_iter()
                .take(texts.max(usize::from(has("full"))))
            {
                s.ask(0, data(text));
            }
            if place == "resetting" {
                s.hear(0, "UA final");
            }
            if place == "asking" {
                s.wake_next();
            }
            // T3 began to ask with no try counted.
            if has("idle") && has("last") {
                s.wake_next();
            }
            if has("busy") && place == "up" {
                s.ask(0, Request::FlowOff);
            } else if has("busy") {
                s.hear(70_000, "RNR response nr 0");
            }
        }
        other => panic!("no setting is called {other}"),
    }
    s.take();
    s
}

fn happen(s: &mut Session, ms: u64, step: &str) {
    let timer = |s: &mut Session, timer| {
        assert_eq!(s.link.next_wakeup().map(|(_, t)| t), Some(timer));
        s.wake_next();
    };
    let (word, rest) = step.split_once(' ').unwrap_or((step, ""));
    match (word, rest) {
        ("<", frame) => match frame.strip_prefix("long ") {
            Some(frame) => {
                let mut frame = s.peer_frame(frame);
                frame.info = vec![b'x'; 257];
                s.handle(ms, Input::Frame(frame));
            }
            None => s.hear(ms, frame),
        },
        ("!", "connect") => s.ask(ms, Request::Connect),
        ("!", "disconnect") => s.ask(ms, Request::Disconnect),
        ("!", "off") => s.ask(ms, Request::FlowOff),
        ("!", "on") => s.ask(ms, Request::FlowOn),
        ("!", request) => {
            let (kind, text) = request.split_once(' ').expect("a kind and a text");
            let (pid, info) = (0xF0, text.into());
            s.ask(
                ms,
                match kind {
                    "data" => Request::Data { pid, info },
                    "unit" => Request::UnitData { pid, info },
                    other => panic!("no request is called {other}"),
                },
            );
        }
        ("fault", "control") => s.handle(ms, Input::Faulty(Fault::ControlField)),
        ("fault", "info") => s.handle(ms, Input::Faulty(Fault::InfoNotPermitted)),
        ("fault", "length") => s.handle(ms, Input::Faulty(Fault::Length)),
        ("seize", "") => s.handle(ms, Input::SeizeConfirm),
        ("wake", "") => s.handle(ms, Input::Wakeup),
        ("T1", "") => timer(s, Timer::T1),
        ("T3", "") => timer(s, Timer::T3),
        _ => panic!("nothing is called {step}"),
    }
}

/// The standard's number of a state.
fn number(state: State) -> &'static str {
    match state {
        State::Disconnected => "0",
        State::AwaitingConnection => "1",
        State::AwaitingRelease => "2",
        State::Connected => "3",
        State::TimerRecovery => "4",
        State::AwaitingExtendedConnection => "5",
    }
}

#[test]
fn every_dialogue_goes_as_written() {
    let mut wrong = Vec::new();
    for cell in cells() {
        let mut s = session(cell.before);
        let own = cell.name.split('.').next();
        assert_eq!(
            own,
            Some(number(s.link.state())),
            "{}: {}",
            cell.name,
            cell.before
        );
        for (n, step) in cell.happens.split("; ").enumerate() {
            happen(&mut s, 100 * (n as u64 + 1), step);
        }
        let mut came = s.take();
        came.retain(|line| !line.starts_with("=> "));
        let (came, after) = (came.join("; "), number(s.link.state()));
        if (came.as_str(), after) != (cell.comes, cell.after) {
            wrong.push(format!(
                "{} {} | {} : {came} | {after}, not {} | {}",
                cell.name, cell.before, cell.happens, cell.comes, cell.after
            ));
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

#[test]
fn every_cell_has_a_dialogue_and_each_dialogue_a_cell() {
    let drawn: BTreeSet<_> = tables::rows(TABLES).map(|row| row.cell).collect();
    let here: BTreeSet<_> = cells().iter().map(|cell| cell.name).collect();
    assert_eq!(drawn, here);
    assert_eq!(drawn.len(), 156);
}

/// Where a dialogue ends in another state than is drawn, it says by which reading.
#[test]
fn the_next_state_is_the_drawn_one_or_a_reading_says_otherwise() {
    for cell in cells() {
        let drawn = tables::rows(TABLES).find(|row| row.cell == cell.name);
        let Row { next, marks, .. } = drawn.expect("a cell of the tables");
        let agrees = match next {
            "V?" => ["1", "5"].contains(&cell.after),
            "3 or 4" => ["3", "4"].contains(&cell.after),
            next => next.starts_with(cell.after),
        };
        // A dialogue may go on: into the state that the event has only prepared.
        let goes_on = cell.happens.contains("; <");
        assert!(
            agrees || goes_on || cell.mark.is_some() || !marks.is_empty(),
            "{} ends in {}, drawn is {next}",
            cell.name,
            cell.after
        );
    }
}
