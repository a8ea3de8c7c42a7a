//! Reading the people and the promises of a scenario file.

use std::ops::Range;

use dunlin_ax25::CallSign;
use dunlin_mail::Address;
use dunlin_mail::file::{Head, hash_of};
use dunlin_plan::{Faults, Placed, Section};

use super::read::{band_called, known, or_none};
use super::settings::{self as s, Does, That};
use super::{Answer, PersonPlan, Promise, Scenario, Step};

/// Reads `[[person]]`.
pub(super) fn people<'i>(
    section: &mut Section<'i>,
    scenario: &Scenario,
    faults: &mut Faults<'i>,
) -> Vec<PersonPlan> {
    let mut people: Vec<PersonPlan> = Vec::new();
    for table in section.tables("person", "[[person]]", s::MOST_PEOPLE, faults) {
        let (person, at) = person(table, scenario, faults);
        let Some(person) = person else { continue };
        if people.iter().any(|p| p.name == person.name) {
            let what = format!("name: another person is called '{}' too", person.name);
            faults.add(at, what, "a name that no other person has");
        }
        people.push(person);
    }
    people
}

fn person<'i>(
    mut table: Section<'i>,
    scenario: &Scenario,
    faults: &mut Faults<'i>,
) -> (Option<PersonPlan>, Range<usize>) {
    let name = table.take(&s::PERSON_NAME, faults);
    let call = table.take(&s::PERSON_AT, faults);
    let repeat = table.take(&s::REPEAT, faults);
    let tries = table.take(&s::TRIES, faults);
    let pause = table.take(&s::PAUSE, faults);
    let thinks = table.take(&s::THINKS, faults);
    let takes_files = table.take(&s::TAKES_FILES, faults);
    let station = call.and_then(|call| known(scenario, call, table.at("at"), faults));
    let mut does = Vec::new();
    for step in table.tables("does", "does = [{ … }]", s::MOST_STEPS, faults) {
        does.extend(read_step(step, scenario, station, faults));
    }
    let mut answers = Vec::new();
    for answer in table.tables("answers", "answers = [{ … }]", s::MOST_ANSWERS, faults) {
        answers.push(read_answer(answer, faults));
    }
    let at = table.at("name");
    table.finish(faults);
    let plan = name.zip(station).map(|(name, station)| PersonPlan {
        name,
        station,
        does,
        repeat,
        tries: tries.unwrap_or(1),
        pause: or_none(pause),
        thinks: or_none(thinks),
        takes_files: takes_files.unwrap_or_default(),
        answers,
    });
    (plan, at)
}

fn read_answer(mut table: Section<'_>, faults: &mut Faults<'_>) -> Answer {
    let answer = Answer {
        to: table.take(&s::ANSWER_TO, faults).unwrap_or_default(),
        say: table.take(&s::ANSWER_SAY, faults).unwrap_or_default(),
        close: table.take(&s::ANSWER_CLOSE, faults).unwrap_or_default(),
        times: table.take(&s::ANSWER_TIMES, faults).unwrap_or(1),
        file: read_file(&mut table, faults),
    };
    table.finish(faults);
    answer
}

/// The file that goes with an answer.
fn read_file(table: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<(Head, String)> {
    let name = table.take(&s::ANSWER_FILE, faults);
    let holds = table.take(&s::ANSWER_HOLDS, faults);
    let (name, text) = match (name, holds) {
        (Some(name), Some(text)) => (name, text),
        (Some(_), None) => {
            let what = "file: it is empty".to_owned();
            faults.add(table.at("file"), what, "holds = \"the text in it\" too");
            return None;
        }
        (None, Some(_)) => {
            let what = "holds: there is no file that holds it".to_owned();
            faults.add(table.at("holds"), what, "file = \"its-name.txt\" too");
            return None;
        }
        (None, None) => return None,
    };
    let hash = hash_of(text.as_bytes());
    match Head::new(&name, Some("text/plain"), text.len() as u64, hash) {
        Ok(head) => Some((head, text)),
        Err(wrong) => {
            let what = format!("file: {wrong}");
            faults.add(table.at("file"), what, "a name such as times.txt");
            None
        }
    }
}

fn read_step(
    mut table: Section<'_>,
    scenario: &Scenario,
    station: Option<usize>,
    faults: &mut Faults<'_>,
) -> Option<Step> {
    let step = match table.take(&s::DO, faults)? {
        Does::Wait => Step::Wait {
            time: table.take(&s::STEP_TIME, faults)?,
            spread: or_none(table.take(&s::STEP_SPREAD, faults)),
        },
        Does::Call => Step::Call {
            to: table.take(&s::STEP_TO, faults)?,
            port: step_port(&mut table, scenario, station?, faults)?,
            via: calls(table.take(&s::STEP_VIA, faults)),
            patience: or_none(table.take(&s::PATIENCE, faults)),
        },
        Does::Say => Step::Say {
            text: table.take(&s::STEP_TEXT, faults)?,
        },
        Does::Await => Step::Await {
            text: table.take(&s::STEP_TEXT, faults)?,
            patience: or_none(table.take(&s::PATIENCE, faults)),
        },
        Does::Close => Step::Close,
        Does::Write => Step::Write {
            to: Address {
                call: table.take(&s::STEP_TO, faults)?,
                home: table.take(&s::STEP_HOME, faults),
            },
            title: table.take(&s::STEP_TITLE, faults)?,
            text: table.take(&s::STEP_TEXT, faults)?,
        },
        Does::SayToAll => {
            let station = station?;
            let port = step_port(&mut table, scenario, station, faults)?;
            let text = table.take(&s::STEP_TEXT, faults)?;
            let most = scenario.stations[station].config.ports[usize::from(port)].info_length;
            if text.len() > most {
                let what = format!(
                    "text: it has {} octets, a frame of this port carries {most}",
                    text.len()
                );
                faults.add(
                    table.at("text"),
                    what,
                    "a shorter text, or a larger info_length",
                );
            }
            Step::SayToAll {
                port,
                to: table.take(&s::STEP_ADDRESS, faults)?,
                via: calls(table.take(&s::STEP_VIA, faults)),
                text,
            }
        }
    };
    table.finish(faults);
    Some(step)
}

fn calls(placed: Option<Vec<Placed<CallSign>>>) -> Vec<CallSign> {
    placed
        .unwrap_or_default()
        .into_iter()
        .map(|call| call.value)
        .collect()
}

/// The number of the port that a step names.
fn step_port(
    table: &mut Section<'_>,
    scenario: &Scenario,
    station: usize,
    faults: &mut Faults<'_>,
) -> Option<u8> {
    let Some(name) = table.take(&s::STEP_PORT, faults) else {
        return (!table.was_written("port")).then_some(0);
    };
    let config = &scenario.stations[station].config;
    let found = config.ports.iter().position(|p| p.name == name);
    if found.is_none() {
        let names: Vec<&str> = config.ports.iter().map(|p| p.name.as_str()).collect();
        let what = format!("port: {} has no port called '{name}'", config.call);
        faults.add(
            table.at("port"),
            what,
            format!("one of {}", names.join(", ")),
        );
    }
    found.and_then(|number| u8::try_from(number).ok())
}

/// Reads `[[promise]]`.
pub(super) fn promises<'i>(
    section: &mut Section<'i>,
    scenario: &Scenario,
    faults: &mut Faults<'i>,
) -> Vec<Promise> {
    let tables = section.tables("promise", "[[promise]]", s::MOST_PROMISES, faults);
    tables
        .into_iter()
        .filter_map(|table| promise(table, scenario, faults))
        .collect()
}

fn promise(
    mut table: Section<'_>,
    scenario: &Scenario,
    faults: &mut Faults<'_>,
) -> Option<Promise> {
    let that = table.take(&s::THAT, faults)?;
    let promise = match that {
        That::Delivered | That::Talked => about_talks(that, &mut table, scenario, faults),
        That::Heard | That::NeverHeard => about_hearing(that, &mut table, scenario, faults),
        That::Decoded | That::ReadShare | That::Lost => {
            about_band(that, &mut table, scenario, faults)
        }
        That::Crossed => {
            station(&mut table, &s::PROMISE_BY, scenario, faults).map(|by| Promise::Crossed {
                by,
                at_least: at_least(&mut table, faults),
            })
        }
        That::Finished => about_person(&mut table, scenario, faults),
        That::WordsAtEveryEnd => Some(Promise::WordsAtEveryEnd),
    };
    table.finish(faults);
    promise
}

type CallSetting = dunlin_plan::Setting<dunlin_plan::Call>;

/// The call sign of a station of the scenario.
fn station(
    table: &mut Section<'_>,
    setting: &'static CallSetting,
    scenario: &Scenario,
    faults: &mut Faults<'_>,
) -> Option<CallSign> {
    let call = table.take(setting, faults)?;
    known(scenario, call, table.at(setting.name), faults).map(|_| call)
}

fn at_least(table: &mut Section<'_>, faults: &mut Faults<'_>) -> u64 {
    table.take(&s::AT_LEAST, faults).map_or(1, u64::from)
}

fn about_talks(
    that: That,
    table: &mut Section<'_>,
    scenario: &Scenario,
    faults: &mut Faults<'_>,
) -> Option<Promise> {
    let from = station(table, &s::PROMISE_FROM, scenario, faults);
    let at_least = at_least(table, faults);
    if that == That::Talked {
        let to = table.take(&s::TALKED_TO, faults);
        return Some(Promise::Talked {
            from: from?,
            to: to?,
            at_least,
        });
    }
    let to = station(table, &s::PROMISE_TO, scenario, faults);
    let through = table.take(&s::THROUGH, faults);
    if let Some(through) = through {
        known(scenario, through, table.at("through"), faults)?;
    }
    let both_ways = table.take(&s::BOTH_WAYS, faults).unwrap_or(true);
    Some(Promise::Delivered {
        from: from?,
        to: to?,
        through,
        both_ways,
        at_least,
    })
}

fn about_hearing(
    that: That,
    table: &mut Section<'_>,
    scenario: &Scenario,
    faults: &mut Faults<'_>,
) -> Option<Promise> {
    let sender = table.take(&s::PROMISE_STATION, faults);
    let by = station(table, &s::PROMISE_BY, scenario, faults);
    if that == That::NeverHeard {
        return Some(Promise::NeverHeard {
            station: sender?,
            by: by?,
        });
    }
    let at_least = at_least(table, faults);
    Some(Promise::Heard {
        station: sender?,
        by: by?,
        at_least,
    })
}

fn about_band(
    that: That,
    table: &mut Section<'_>,
    scenario: &Scenario,
    faults: &mut Faults<'_>,
) -> Option<Promise> {
    let name = table.take(&s::PROMISE_BAND, faults);
    let band = name.and_then(|n| band_called(&scenario.bands, &n, table.at("band"), faults));
    let at_least = at_least(table, faults);
    match that {
        That::Decoded => Some(Promise::Decoded {
            band: band?,
            at_least,
        }),
        That::ReadShare => {
            if at_least > 100 {
                let what = format!("at_least: {at_least} per cent are too many");
                faults.add(table.at("at_least"), what, "a whole number from 0 to 100");
            }
            Some(Promise::ReadShare {
                band: band?,
                at_least,
            })
        }
        _ => {
            let why = table.take(&s::WHY, faults);
            Some(Promise::Lost {
                band: band?,
                why: why?,
                at_least,
            })
        }
    }
}

fn about_person(
    table: &mut Section<'_>,
    scenario: &Scenario,
    faults: &mut Faults<'_>,
) -> Option<Promise> {
    let person = table.take(&s::PERSON, faults);
    let at_least = at_least(table, faults);
    let person = person?;
    if !scenario.people.iter().any(|p| p.name == person) {
        let names: Vec<&str> = scenario.people.iter().map(|p| p.name.as_str()).collect();
        let what = format!("person: there is no [[person]] called '{person}'");
        faults.add(
            table.at("person"),
            what,
            format!("one of {}", names.join(", ")),
        );
    }
    Some(Promise::Finished { person, at_least })
}
