//! Whatever the text is, reading it never panics, and what it says stays true; what it lets pass,
//! the engine takes.

use dunlin_plan::{Plan, PlanRules};
use dunlin_station::Station;
use proptest::prelude::*;

const EXAMPLE: &str = include_str!("../../../plans/example.toml");

/// Reads, and holds what is said to what must be true of any answer.
fn read(octets: &[u8]) {
    for rules in [
        PlanRules::real(),
        PlanRules::rehearsal(PlanRules::real().rate),
    ] {
        match Plan::read("any.toml", octets, &rules) {
            Ok(plan) => {
                if let Err(error) = Station::new(plan.station) {
                    panic!("the plan passed, the engine refuses: {error}");
                }
            }
            Err(list) => {
                assert!(!list.faults.is_empty());
                let lines = octets.split(|o| *o == b'\n').count();
                for fault in &list.faults {
                    assert!((1..=lines).contains(&fault.place.line));
                    assert!(fault.place.column >= 1);
                    assert!(!fault.what.is_empty() && !fault.allowed.is_empty());
                }
                let shown = list.to_string();
                assert!(!shown.contains(|c: char| c.is_control() && c != '\n'));
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn random_octets_are_answered(octets in prop::collection::vec(any::<u8>(), 0..300)) {
        read(&octets);
    }

    #[test]
    fn random_texts_are_answered(text in "\\PC{0,200}") {
        read(text.as_bytes());
    }

    #[test]
    fn random_tables_are_answered(text in r#"((\[\[?(station|port|crossing|port\.sound|port\.beacon)\]?\]|(call|name|mode|tail|via|level|window|from|far_call|allow|sound|beacon|port) = ("[A-Z0-9\-]{0,8}( ms| Hz)?"|[\-0-9.]{1,9}|\[("Q[A-Z]{1,4}",?){0,4}\]|\{\}|true))\n){0,14}"#) {
        read(text.as_bytes());
    }

    #[test]
    fn a_plan_with_one_piece_changed_is_answered(
        at in 0..EXAMPLE.len(),
        length in 0..40_usize,
        piece in "[\\PC\u{0}-\u{7f}]{0,12}",
    ) {
        let mut octets = EXAMPLE.as_bytes().to_vec();
        let end = (at + length).min(octets.len());
        octets.splice(at..end, piece.bytes());
        read(&octets);
    }
}
