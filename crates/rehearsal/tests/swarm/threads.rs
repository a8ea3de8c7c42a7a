//! All text between two call signs in one direction, over all their talks of a day, what one end wrote
//! against what came out at the other.
//!
//! A line that its writer was told is acknowledged must have come out whole, once and in order. Of a
//! line told as lost, or still under way, the first octets may have come out, or none.

use std::collections::{BTreeMap, BTreeSet};

use dunlin_ax25::CallSign;
use dunlin_rehearsal::Rehearsal;
use dunlin_rehearsal::ledger::TalkRecord;
use dunlin_station::Direction;

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

/// What one visitor was announced with and wrote, a text for each station named, in order.
type Visits = Vec<Vec<u8>>;

/// The same for what crossings carried to the stations beyond. There text may be lost, which the visitor is
/// told, and one talk of the far station may have served several visitors, one after the other; but nothing comes
/// out that is not the beginning of what one of them was announced with and wrote, each visitor's texts in order.
///
/// Who is served first may differ from who named the station first: a name takes its time to arrive. So each
/// visitor is judged by itself; the announcements tell whose text it is.
pub fn broken_across(rehearsal: &Rehearsal) -> Vec<String> {
    let scenario = rehearsal.scenario();
    // By the far call sign and the station beyond, then by the announcement.
    let mut threads: BTreeMap<(CallSign, CallSign), BTreeMap<Vec<u8>, Visits>> = BTreeMap::new();
    for (_, talk) in rehearsal.talks().talks() {
        let Some(by) = scenario
            .owner(talk.view.remote)
            .filter(|_| !talk.view.incoming)
        else {
            continue;
        };
        let station = &scenario.stations[by].config;
        let rules = &station.crossings;
        let Some(rule) = rules.iter().find(|rule| rule.call == talk.view.remote) else {
            continue;
        };
        let hello = format!("{} is here by way of {}.\r", talk.view.local, station.call);
        // A visitor who was cut off and has come back in the same talk names a station again.
        let mut to = None;
        for line in talk
            .lines
            .values()
            .filter(|l| l.direction == Direction::Sent)
        {
            let named = String::from_utf8_lossy(&line.octets).trim_end().parse();
            let hello = hello.clone().into_bytes();
            match (named, to) {
                (Ok(named), _) => {
                    to = Some(named);
                    let thread = threads.entry((rule.far_call, named)).or_default();
                    thread.entry(hello.clone()).or_default().push(hello);
                }
                (Err(_), None) => {}
                (Err(_), Some(to)) => {
                    let thread = threads.entry((rule.far_call, to)).or_default();
                    let visit = thread.entry(hello).or_default().last_mut();
                    visit.into_iter().for_each(|text| text.extend(&line.octets));
                }
            }
        }
    }
    let mut wrong = Vec::new();
    for ((from, to), visits) in threads {
        let of_far =
            |t: &TalkRecord| t.view.local == to && t.view.remote == from && t.view.incoming;
        let talks = rehearsal.talks().talks().filter(|(_, t)| of_far(t));
        let lines = talks.flat_map(|(_, talk)| talk.lines.values());
        let received = lines.filter(|l| l.direction == Direction::Received);
        let received: Vec<u8> = received.flat_map(|l| l.octets.iter().copied()).collect();
        wrong.extend(
            fault_across(&visits, &received).map(|why| format!("{from} to {to} across: {why}")),
        );
    }
    wrong
}

/// What is wrong with what came out beyond a crossing. The earliest visit that fits is taken for each text, which
/// leaves the most for those that follow.
fn fault_across(visits: &BTreeMap<Vec<u8>, Visits>, received: &[u8]) -> Option<String> {
    let whole = |at: usize| {
        visits
            .keys()
            .find(|hello| received[at..].starts_with(hello))
    };
    let begins: Vec<usize> = (0..received.len())
        .filter(|&at| whole(at).is_some())
        .collect();
    let first = begins.first().copied().unwrap_or(received.len());
    let is_begun = |rest: &[u8]| visits.keys().any(|hello| hello.starts_with(rest));
    if !is_begun(&received[..first]) {
        return Some(format!("first came {}", words(&received[..first])));
    }
    let mut used: BTreeMap<&Vec<u8>, usize> = BTreeMap::new();
    for (number, &at) in begins.iter().enumerate() {
        let end = begins.get(number + 1).copied().unwrap_or(received.len());
        let text = &received[at..end];
        let hello = whole(at)?;
        let used = used.entry(hello).or_default();
        // The announcement behind it may be cut short, if that visitor was lost at once.
        let fits = |visit: &&Vec<u8>| {
            let same = visit.iter().zip(text).take_while(|(a, b)| a == b).count();
            is_begun(&text[same..])
        };
        let left = &visits[hello][*used..];
        match left.iter().position(|visit| fits(&visit)) {
            Some(taken) => *used += taken + 1,
            None => {
                return Some(format!(
                    "at octet {at} came what {} visits of this visitor cannot have written: {} ... {}",
                    left.len(),
                    words(text),
                    words(&text[text.len().saturating_sub(60)..])
                ));
            }
        }
    }
    None
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

#[test]
fn what_comes_out_beyond_a_crossing_is_the_beginning_of_a_visit_each_in_its_order() {
    let hello = |call: &str| format!("{call} is here.\r").into_bytes();
    let visit = |call: &str, text: &str| [hello(call), text.as_bytes().to_vec()].concat();
    let visits = BTreeMap::from([
        (
            hello("QM3BAR"),
            vec![visit("QM3BAR", "one\r"), visit("QM3BAR", "two\rthree\r")],
        ),
        (hello("QD2HIL"), vec![visit("QD2HIL", "four\r")]),
    ]);
    let fault = |texts: &[Vec<u8>]| fault_across(&visits, &texts.concat());
    let (one, two) = (visit("QM3BAR", "one\r"), visit("QM3BAR", "two\r"));
    let four = visit("QD2HIL", "four\r");
    for good in [
        vec![],
        vec![four.clone(), one.clone(), two.clone()],
        vec![hello("QM3BAR"), b"QD2H".to_vec(), two.clone()],
        vec![b"QM3".to_vec(), one.clone()],
    ] {
        assert_eq!(fault(&good), None);
    }
    for bad in [
        vec![two.clone(), one.clone()],
        vec![one.clone(), one],
        vec![four.clone(), four],
        vec![visit("QM3BAR", "twx")],
        vec![b"x".to_vec()],
        vec![two, b"more".to_vec()],
    ] {
        assert!(fault(&bad).is_some(), "{:?}", words(&bad.concat()));
    }
}
