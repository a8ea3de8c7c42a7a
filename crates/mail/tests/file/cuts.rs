//! A link that drops at any octet: the file arrives once, exact, and what was there is not sent again.

use dunlin_mail::file::{Input, Output};

use crate::station::{Side, content, hash, talk};

#[test]
fn a_link_that_drops_at_every_octet_loses_nothing() {
    let map = content(7, 1500);
    let whole = {
        let (mut a, mut b) = (Side::new("QA1SKY"), Side::new("QM2REE"));
        a.offer("map.png", &map);
        talk(&mut a, &mut b, usize::MAX).octets
    };
    for drop in 0..=whole {
        let (mut a, mut b) = (Side::new("QA1SKY"), Side::new("QM2REE"));
        a.offer("map.png", &map);
        if drop == 0 {
            a.handle(Input::Dropped);
        } else {
            talk(&mut a, &mut b, drop);
        }
        let kept = b.parts.get(&hash(&map)).map_or(0, Vec::len);
        if !a.has.is_empty() {
            a.begin();
            b.begin();
            a.offer("map.png", &map);
            let trace = talk(&mut a, &mut b, usize::MAX);
            // Line, two hellos, offer, wish, word of the end: below 300 octets together.
            let most = (map.len() - kept) * 129 / 124 + 304;
            assert!(
                trace.octets <= most,
                "{drop}: {} octets for the rest",
                trace.octets
            );
        }
        assert!(a.has.is_empty(), "{drop}: the sender does not know");
        assert_eq!(b.got[&hash(&map)], (map.clone(), 1), "{drop}");
        assert!(b.parts.is_empty());
    }
}

#[test]
fn a_link_that_drops_again_and_again_gets_it_over() {
    let map = content(8, 4000);
    let (mut a, mut b) = (Side::new("QA1SKY"), Side::new("QM2REE"));
    let mut talks = 0;
    while !a.has.is_empty() || talks == 0 {
        a.begin();
        b.begin();
        a.offer("map.png", &map);
        let before = b.parts.get(&hash(&map)).map_or(0, Vec::len);
        talk(&mut a, &mut b, 500 + talks);
        if before > 0 {
            let from = a.log.iter().find_map(|output| match output {
                Output::Wanted(_, from) => Some(*from as usize),
                _ => None,
            });
            assert_eq!(from.unwrap_or(before), before);
        }
        talks += 1;
        assert!(talks < 60);
    }
    assert!(talks > 8);
    assert_eq!(b.got[&hash(&map)], (map, 1));
}
