//! Call signs, services and crossings.

use dunlin_station::{CrossingRule, WhoMayCross};

use super::{Check, Say, View};
use crate::finding::Severity::{Attention, Hint};
use crate::transmit::is_invented;

/// One crossing says something.
fn say(
    index: usize,
    rule: &CrossingRule,
    key: &str,
    what: &str,
    evidence: String,
    consequence: &'static str,
    remedy: &str,
) -> Say {
    Say {
        path: format!("crossing.{index}.{key}"),
        what: format!("crossing '{}': {what}", rule.name),
        evidence,
        consequence,
        remedy: remedy.to_owned(),
    }
}

/// The form of Radio Regulations 19.68: one of B F G I K M N R W and a digit, or two characters
/// (of which not both are digits) and a digit, then up to four characters, the last a letter.
fn has_form(call: &str) -> bool {
    let c: Vec<char> = call.chars().collect();
    let digit = |i: usize| c.get(i).is_some_and(char::is_ascii_digit);
    let rest = |from: usize| {
        let tail = c.get(from..).unwrap_or_default();
        (1..=4).contains(&tail.len()) && tail.last().is_some_and(char::is_ascii_alphabetic)
    };
    let one = c.first().is_some_and(|c| "BFGIKMNRW".contains(*c)) && digit(1) && rest(2);
    let two = !(digit(0) && digit(1)) && digit(2) && rest(3);
    one || two
}

/// The far port of a crossing is as slow as HF is.
fn leads_to_hf(view: &View<'_>, rule: &CrossingRule) -> bool {
    let far = view.plan.station.ports.get(usize::from(rule.to.0));
    far.is_some_and(|port| port.line.baud() <= 300)
}

fn loops(view: &View<'_>, out: &mut Vec<Say>) {
    let rules = &view.plan.station.crossings;
    for (index, rule) in rules.iter().enumerate() {
        for back in &rules[..index] {
            let there = back.reach.is_empty() || back.reach.contains(&rule.call);
            let here = rule.reach.is_empty() || rule.reach.contains(&back.call);
            if back.from == rule.to && back.to == rule.from && there && here {
                out.push(say(
                    index,
                    rule,
                    "to",
                    "two crossings make a loop",
                    format!("'{}' leads the other way", back.name),
                    "A visitor can go round and round, each time on both channels.",
                    "Name in 'reach' what may be reached, not the other crossing.",
                ));
            }
        }
    }
}

pub(super) const CHECKS: &[Check] = &[
    Check {
        id: "ssid-customary",
        severity: Attention,
        reason: "By custom 1 is often a mailbox and 7 a node.",
        source: "lists of two clubs, which conflict; common practice",
        look: |view, out| {
            for (index, rule) in view.plan.station.crossings.iter().enumerate() {
                let ssid = rule.call.ssid();
                if matches!(ssid, 1 | 7) {
                    out.push(say(
                        index,
                        rule,
                        "call",
                        "its SSID usually means something else",
                        format!("{}: 1 is usually a mailbox, 7 a node", rule.call),
                        "Visitors expect something else behind it.",
                        "Take another SSID, such as 8 or 9.",
                    ));
                }
            }
        },
    },
    Check {
        id: "call-form",
        severity: Attention,
        reason: "Call signs of amateurs have a certain form.",
        source: "Radio Regulations 19.68",
        look: |view, out| {
            let call = view.plan.station.call;
            let text = call.characters();
            if !is_invented(call) && !has_form(text) {
                out.push(Say {
                    path: "station.call".into(),
                    what: format!("{text} has not the form of an amateur's call sign"),
                    evidence: "Radio Regulations 19.68: prefix, digit, up to four characters, the last a letter".into(),
                    consequence: "It may be a slip, and then you send under a wrong call sign.",
                    remedy: "Compare it with your licence; special calls may be an exception.".into(),
                });
            }
        },
    },
    Check {
        id: "crossings-loop",
        severity: Attention,
        reason: "Two crossings that lead to each other can carry one visitor round and round.",
        source: "arithmetic",
        look: loops,
    },
    Check {
        id: "crossing-unlimited",
        severity: Attention,
        reason: "A crossing without limits lets visitors fill the far channel.",
        source: "common practice, no source",
        look: |view, out| {
            for (index, rule) in view.plan.station.crossings.iter().enumerate() {
                let slow = leads_to_hf(view, rule);
                let most = if slow { 2 } else { 4 };
                if rule.most > most {
                    out.push(say(
                        index,
                        rule,
                        "most_visitors",
                        "many visitors at the same time",
                        format!("most_visitors = {}; {most} is plenty there", rule.most),
                        "They fill the far channel.",
                        "Lower most_visitors.",
                    ));
                }
            }
        },
    },
    Check {
        id: "crossing-all-to-hf",
        severity: Attention,
        reason: "Whoever is heard on VHF then transmits on HF with your licence.",
        source: "47 CFR 97.219 and practice of relay keepers",
        look: |view, out| {
            for (index, rule) in view.plan.station.crossings.iter().enumerate() {
                let slow = leads_to_hf(view, rule);
                if slow && rule.who == WhoMayCross::All && !rule.reach.is_empty() {
                    out.push(say(
                        index,
                        rule,
                        "allow",
                        "everybody may cross to HF",
                        "allow = \"all\"".into(),
                        "Whoever is heard transmits on HF, and you answer for it.",
                        "List who may cross.",
                    ));
                }
            }
        },
    },
    Check {
        id: "digipeat-own-call",
        severity: Hint,
        reason: "A call sign that both repeats and answers confuses people.",
        source: "common practice, no source",
        look: |view, out| {
            for port in view.ports() {
                for call in &port.config.digipeat {
                    if view
                        .plan
                        .station
                        .crossings
                        .iter()
                        .any(|rule| rule.call == *call)
                    {
                        out.push(port.say(
                            "digipeat",
                            "it repeats for the call sign of a crossing",
                            call.to_string(),
                            "People do not know what it will do.",
                            "Take another SSID.",
                        ));
                    }
                }
            }
        },
    },
];
