//! Compares what was confirmed with what the stations hold.

use std::collections::BTreeMap;

use dunlin_mail::Message;

use super::station::{LINE, kind_of, text_of};
use super::trial::Trial;

/// What one station holds, by identifier: copies, and how many partners each waits for.
type Held = BTreeMap<String, Vec<(usize, Message)>>;

/// Everything that is wrong after a trial, in words.
pub fn faults(trial: &mut Trial) -> Vec<String> {
    let held: Vec<Held> = (0..LINE.len())
        .map(|station| held(trial, station))
        .collect();
    let mut faults = std::mem::take(&mut trial.record.faults);
    altered(trial, &held, &mut faults);
    lost(trial, &held, &mut faults);
    deleted(trial, &held, &mut faults);
    faults
}

fn held(trial: &mut Trial, station: usize) -> Held {
    let said = trial.command(station, "tell", u64::MAX, "telling");
    let mut held = Held::new();
    assert!(!said.gone, "nobody is killed any more");
    for words in said.words {
        let Some(rest) = words.strip_prefix("has ") else {
            continue;
        };
        let (waits, text) = rest.split_once(' ').expect("two parts");
        let message: Message = serde_json::from_str(text).expect("a message");
        let waits = waits.parse().expect("a number");
        let copies = held.entry(message.id.to_string()).or_default();
        copies.push((waits, message));
    }
    held
}

/// What is there is what was written, once, and nobody waits for anything.
fn altered(trial: &Trial, held: &[Held], faults: &mut Vec<String>) {
    let record = &trial.record;
    for (station, held) in held.iter().enumerate() {
        let at = LINE[station];
        let mut numbers = BTreeMap::new();
        for (id, copies) in held {
            if copies.len() > 1 {
                faults.push(format!("{id} is doubled at {at}"));
            }
            let (waits, message) = &copies[0];
            if *waits > 0 {
                faults.push(format!("{id} still waits at {at}"));
            }
            let n = message
                .title
                .strip_prefix("Title ")
                .and_then(|n| n.parse().ok());
            let asked = n.and_then(|n: u64| record.asked.get(&n).map(|asked| (n, asked)));
            let Some((n, &(from, to))) = asked else {
                faults.push(format!("{id} at {at} was never written"));
                continue;
            };
            if numbers.insert(n, id).is_some() {
                faults.push(format!("message {n} is doubled at {at} under another name"));
            }
            let whole = message.body == text_of(n)
                && message.kind == kind_of(to)
                && message.id.origin.to_string() == LINE[from]
                && record.kept.get(&n).is_none_or(|kept| kept == id);
            if !whole {
                faults.push(format!("{id} is altered at {at}"));
            }
        }
    }
}

/// What was confirmed is where it was written and where it was to go, unless it was deleted there.
fn lost(trial: &Trial, held: &[Held], faults: &mut Vec<String>) {
    let record = &trial.record;
    for (n, id) in &record.kept {
        let (from, to) = record.asked[n];
        let wanted: Vec<usize> = match to < LINE.len() {
            true => vec![from, to],
            false => (0..LINE.len()).collect(),
        };
        for station in wanted {
            let deleted = record.to_delete.contains(&(station, id.clone()));
            if !held[station].contains_key(id) && !deleted {
                faults.push(format!("{id} (message {n}) is lost at {}", LINE[station]));
            }
        }
    }
    for (station, id) in &record.received {
        let deleted = record.to_delete.contains(&(*station, id.clone()));
        if !held[*station].contains_key(id) && !deleted {
            faults.push(format!(
                "{id} had arrived and is lost at {}",
                LINE[*station]
            ));
        }
    }
}

/// What was deleted is gone and still known.
fn deleted(trial: &mut Trial, held: &[Held], faults: &mut Vec<String>) {
    let all: Vec<(usize, String)> = trial.record.deleted.iter().cloned().collect();
    for (station, id) in all {
        if held[station].contains_key(&id) {
            faults.push(format!("{id} is back at {}", LINE[station]));
        }
        let said = trial.command(station, &format!("known {id}"), u64::MAX, "telling");
        if said.words != ["known true"] {
            faults.push(format!(
                "{id} was deleted and is not known at {}",
                LINE[station]
            ));
        }
    }
}
