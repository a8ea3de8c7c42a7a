//! All text between two call signs in one direction, over all their talks of a day, what one end wrote
//! against what came out at the other.
//!
//! A line that its writer was told is acknowledged must have come out whole, once and in order. Of a
//! line told as lost, or still under way, the first octets may have come out, or none.

use std::collections::{BTreeMap, BTreeSet};

use dunlin_ax25::CallSign;
use dunlin_rehearsal::Rehearsal;
use dunlin_rehearsal::ledger::{LineRecord, TalkRecord};
use dunlin_station::{CrossingId, Direction};

/// What one end wrote and what the other got.
#[derive(Debug, Default)]
struct Thread {
    /// The octets of each line, and whether it was acknowledged.
    written: Vec<(Vec<u8>, bool)>,
    received: Vec<u8>,
}

/// What is wrong with the threads of a rehearsal, a sentence each.
pub fn broken(rehearsal: &Rehearsal) -> Vec<String> {
    let mut threads: BTreeMap<(CallSign, CallSign), Thread> = BTreeMap::new();
    for (_, talk) in rehearsal.talks().talks() {
        let (here, there) = (talk.view.local, talk.view.remote);
        let writing = threads.entry((here, there)).or_default();
        for line in talk.lines.values() {
            if line.direction == Direction::Sent {
                writing.written.push((line.octets.clone(), line.complete));
            }
        }
        let reading = threads.entry((there, here)).or_default();
        for line in talk.lines.values() {
            if line.direction == Direction::Received {
                reading.received.extend(&line.octets);
            }
        }
    }
    let both_known = |calls: &(CallSign, CallSign)| {
        let scenario = rehearsal.scenario();
        let owned = |call| scenario.stations.iter().any(|m| m.config.call == call);
        owned(calls.0) && owned(calls.1)
    };
    let wrong = threads.into_iter().filter(|(calls, _)| both_known(calls));
    wrong
        .filter_map(|((from, to), thread)| {
            let why = thread.fault()?;
            Some(format!("{from} to {to}: {why}"))
        })
        .collect()
}

/// What visitors wrote, by when they named the station and the crossing.
type Texts = BTreeMap<(u64, CrossingId), Vec<u8>>;

/// The same for what crossings carried to the stations beyond. There text may be lost, which the visitor is
/// told, and one talk of the far station may have served several visitors, one after the other; but nothing comes
/// out that is not the beginning of what one of them was announced with and wrote.
pub fn broken_across(rehearsal: &Rehearsal) -> Vec<String> {
    let scenario = rehearsal.scenario();
    // By the far call sign and the station beyond: the crossings in the order in which the station was named.
    let mut threads: BTreeMap<(CallSign, CallSign), Texts> = BTreeMap::new();
    for (_, talk) in rehearsal.talks().talks() {
        let Some(by) = scenario
            .owner(talk.view.remote)
            .filter(|_| !talk.view.incoming)
        else {
            continue;
        };
        let Some(crossing) = rehearsal.talks().crossing_of(talk, by) else {
            continue;
        };
        let Some(to) = crossing.view.far.remote else {
            continue;
        };
        let hello = format!(
            "{} is here by way of {}.\r",
            talk.view.local, scenario.stations[by].config.call
        );
        let mut text = hello.into_bytes();
        let sent = talk
            .lines
            .values()
            .filter(|l| l.direction == Direction::Sent);
        let named = |line: &&LineRecord| line.octets == format!("{to}\r").into_bytes();
        let Some(at_ms) = sent.clone().find(named).map(|line| line.at_ms) else {
            continue;
        };
        text.extend(
            sent.skip_while(|l| !named(l))
                .skip(1)
                .flat_map(|l| l.octets.iter()),
        );
        let thread = threads.entry((crossing.view.far.local, to)).or_default();
        thread.insert((at_ms, crossing.view.id), text);
    }
    let mut wrong = Vec::new();
    for ((from, to), texts) in threads {
        let of_far =
            |t: &TalkRecord| t.view.local == to && t.view.remote == from && t.view.incoming;
        let talks = rehearsal.talks().talks().filter(|(_, t)| of_far(t));
        let lines = talks.flat_map(|(_, talk)| talk.lines.values());
        let received = lines.filter(|l| l.direction == Direction::Received);
        let thread = Thread {
            written: texts.into_values().map(|text| (text, false)).collect(),
            received: received.flat_map(|l| l.octets.iter().copied()).collect(),
        };
        wrong.extend(
            thread
                .fault()
                .map(|why| format!("{from} to {to} across: {why}")),
        );
    }
    wrong
}

impl Thread {
    fn fault(&self) -> Option<String> {
        // Where in what came out each line may begin: several places, because of lines of which only
        // a part came out.
        let mut places = BTreeSet::from([0]);
        for (number, (line, acknowledged)) in self.written.iter().enumerate() {
            let mut next = BTreeSet::new();
            for &at in &places {
                let rest = &self.received[at..];
                let same = line.iter().zip(rest).take_while(|(a, b)| a == b).count();
                if !acknowledged {
                    next.extend(at..=at + same);
                } else if same == line.len() {
                    next.insert(at + same);
                }
            }
            if next.is_empty() {
                let furthest = places.last().copied().unwrap_or_default();
                let rest = &self.received[furthest..];
                return Some(format!(
                    "line {number} was acknowledged ({}), but at octet {furthest} came {}",
                    words(line),
                    words(rest)
                ));
            }
            places = next;
        }
        let furthest = places.last().copied().unwrap_or_default();
        let more = &self.received[furthest..];
        (!more.is_empty()).then(|| {
            format!(
                "at octet {furthest} came what nobody wrote: {}",
                words(more)
            )
        })
    }
}

fn words(octets: &[u8]) -> String {
    let start = &octets[..octets.len().min(60)];
    format!("{:?}", String::from_utf8_lossy(start))
}

#[test]
fn a_thread_tells_what_is_missing_changed_doubled_or_made_up() {
    let fault = |received: &[u8]| {
        let written = vec![
            (b"one\r".to_vec(), true),
            (b"two\r".to_vec(), false),
            (b"three\r".to_vec(), true),
        ];
        let received = received.to_vec();
        Thread { written, received }.fault()
    };
    for good in [
        &b"one\rtwo\rthree\r"[..],
        b"one\rtwthree\r",
        b"one\rthree\r",
    ] {
        assert_eq!(fault(good), None);
    }
    for bad in [
        &b"one\rtwo\r"[..],
        b"one\rtwo\rtwo\rthree\r",
        b"two\rone\rthree\r",
        b"one\rthreE\r",
        b"one\rthree\rfour",
        b"",
    ] {
        assert!(fault(bad).is_some(), "{:?}", words(bad));
    }
}
