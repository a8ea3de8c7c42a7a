//! A link that drops at any octet: nothing is lost, doubled, altered or sent twice.

use std::collections::BTreeMap;

use dunlin_mail::exchange::Partial;
use dunlin_mail::{Kind, Message, Precedence, Step};
use proptest::prelude::*;

use crate::station::{Keeper, NOW, Trace, call, exchange, message, noise};

/// Reads a number of the stream; `None` if it is not all there.
fn number(octets: &mut &[u8]) -> Option<usize> {
    let mut number = 0;
    for place in 0.. {
        let (&octet, rest) = octets.split_first()?;
        *octets = rest;
        number |= usize::from(octet & 0x7f) << (7 * place);
        if octet < 0x80 {
            break;
        }
    }
    Some(number)
}

/// Counts, for each item by its hash, how often each octet arrived. Reads the records by itself.
fn count(arrived: &[u8], counts: &mut BTreeMap<Vec<u8>, BTreeMap<usize, u32>>) {
    let mut offers: Vec<Vec<u8>> = Vec::new();
    let mut rest = arrived;
    while let Some((&kind, more)) = rest.split_first() {
        rest = more;
        let Some(length) = number(&mut rest) else {
            return;
        };
        let (mut payload, more) = rest.split_at(length.min(rest.len()));
        rest = more;
        match kind {
            2 if payload.len() == length => offers.push(payload[..6].to_vec()),
            5 => {
                let item = number(&mut payload);
                let Some((item, from)) = item.zip(number(&mut payload)) else {
                    return;
                };
                let counts = counts.entry(offers[item].clone()).or_default();
                for place in from..from + payload.len() {
                    *counts.entry(place).or_default() += 1;
                }
            }
            _ => {}
        }
    }
}

/// Exchanges over one link after another until all is through.
fn through(a: &mut Keeper, b: &mut Keeper, mut drops: Vec<usize>, chunk: usize) -> u32 {
    let mut counts = BTreeMap::new();
    let mut sessions = 0;
    loop {
        let drop = drops.pop().unwrap_or(usize::MAX);
        let a_calls = sessions % 3 != 1;
        let Trace { arrived, .. } = match a_calls {
            true => exchange(a, b, drop, chunk),
            false => exchange(b, a, drop, chunk),
        };
        for direction in arrived {
            count(&direction, &mut counts);
        }
        sessions += 1;
        if a.out.is_empty() && b.out.is_empty() {
            break;
        }
        assert!(sessions < 200, "no end");
    }
    for item in counts.values() {
        for (place, &count) in item {
            assert_eq!(count, 1, "octet {place} arrived {count} times");
        }
    }
    sessions
}

fn any_message(number: u64) -> impl Strategy<Value = Message> {
    let precedence = prop_oneof![
        Just(Precedence::Routine),
        Just(Precedence::Priority),
        Just(Precedence::Emergency)
    ];
    let body = prop_oneof![
        (any::<u64>(), 0_usize..5000).prop_map(|(seed, octets)| noise(seed, octets)),
        ".{0,60}".prop_map(|text| text.chars().filter(|c| !c.is_control()).collect()),
        (0_usize..200).prop_map(|lines| "The ferry is late.\n".repeat(lines)),
    ];
    (precedence, any::<bool>(), body).prop_map(move |(precedence, bulletin, body)| {
        let mut message = message(number, &body);
        message.precedence = precedence;
        if bulletin {
            message.kind = Kind::Bulletin {
                topic: "FERRY".into(),
                area: "ISLES".into(),
            };
        }
        message
    })
}

fn messages(first: u64) -> impl Strategy<Value = Vec<Message>> {
    (0..6_u64)
        .prop_flat_map(move |count| (first..first + count).map(any_message).collect::<Vec<_>>())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]
    #[test]
    fn all_arrives_once_and_unaltered(
        from_a in messages(0),
        from_b in messages(100),
        drops in proptest::collection::vec(0_usize..3000, 0..12),
        chunk in 1_usize..300,
        turn in 512_usize..4000,
        fails in 0_u32..4,
    ) {
        let mut a = Keeper::new("QA1SKY", from_a.clone());
        let mut b = Keeper::new("QM2REE", from_b.clone());
        a.limits.turn = turn;
        b.fails = fails;
        through(&mut a, &mut b, drops, chunk);
        for (keeper, from) in [(&b, from_a), (&a, from_b)] {
            for mut message in from {
                message.chain.push(Step { station: keeper.call, at: NOW });
                prop_assert_eq!(keeper.has.get(&message.id), Some(&message));
                prop_assert_eq!(keeper.stored[&message.id], 1);
            }
        }
        prop_assert!(a.kept.is_empty() && b.kept.is_empty());
        prop_assert_eq!(a.has.len(), b.has.len());
    }
}

#[test]
fn a_drop_at_every_octet_is_survived() {
    let text = noise(7, 900);
    let fresh = || {
        (
            Keeper::new("QA1SKY", vec![message(1, &text), message(2, "Short.")]),
            Keeper::new("QM2REE", vec![message(3, "Back.")]),
        )
    };
    let (mut a, mut b) = fresh();
    let trace = exchange(&mut a, &mut b, usize::MAX, 64);
    let all: usize = trace.arrived.iter().map(Vec::len).sum();
    assert!(all > 900);
    for drop in 0..all {
        let (mut a, mut b) = fresh();
        through(&mut a, &mut b, vec![drop], 64);
        assert_eq!((a.has.len(), b.has.len()), (3, 3), "dropped after {drop}");
        assert!(a.stored.values().chain(b.stored.values()).all(|&n| n == 1));
    }
}

#[test]
fn what_one_station_began_another_goes_on_with() {
    let long = message(1, &noise(3, 4000));
    let mut a = Keeper::new("QA1SKY", vec![long.clone()]);
    let mut b = Keeper::new("QM2REE", vec![]);
    let mut other = Keeper::new("QX0RLF", vec![long]);
    exchange(&mut a, &mut b, 1500, 64);
    let there = b.kept.values().next().expect("a partial").octets.len();
    assert!(there > 1200);
    let trace = exchange(&mut other, &mut b, usize::MAX, 64);
    assert!(trace.arrived[0].len() < 4000 - there + 100);
    assert_eq!(b.has.len(), 1);
}

#[test]
fn a_wrong_partial_is_dropped_and_the_whole_is_asked_for_once() {
    let text = noise(3, 1000);
    let mut a = Keeper::new("QA1SKY", vec![message(1, &text)]);
    let mut b = Keeper::new("QM2REE", vec![]);
    exchange(&mut a, &mut b, 600, 64);
    let kept = b.kept.values_mut().next().expect("a partial");
    kept.octets[3] ^= 1;
    exchange(&mut a, &mut b, usize::MAX, 64);
    assert_eq!(b.last_words().0, a.last_words().0);
    assert_eq!(b.has.values().next().map(|m| &m.body), Some(&text));
    assert!(b.kept.is_empty() && a.out.is_empty());
}

#[test]
fn what_is_kept_of_another_text_under_the_same_name_is_not_used() {
    let mut a = Keeper::new("QA1SKY", vec![message(1, "The right one.")]);
    let mut b = Keeper::new("QM2REE", vec![]);
    let id = message(1, "").id;
    let old = Partial {
        id,
        hash: [1; 6],
        octets: vec![9; 4],
    };
    b.kept.insert(id, old);
    let trace = exchange(&mut a, &mut b, usize::MAX, 64);
    // It is not asked for twice.
    assert_eq!(trace.turns.len(), 4);
    assert_eq!(b.has[&id].body, "The right one.");
    assert!(b.kept.is_empty());
    assert!(a.last_words().0 && b.last_words().0);
    assert_eq!(b.has[&id].chain[1].station, call("QM2REE"));
}
