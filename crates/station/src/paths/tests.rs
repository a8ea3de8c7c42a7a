//! Ways against the paper's figures and against a search of all paths, and what frames tell.

use std::collections::BTreeMap;

use dunlin_ax25::wire::{Address, Control, Modulo, Repeater, Role, pid};
use dunlin_ax25::{CallSign, Frame};
use proptest::prelude::*;

use super::graph::{MOST_LEGS, MOST_REPEATERS, Sizes};
use super::watch::{MOST_EXCHANGES, MOST_WORKED};
use super::ways::MOST_WAYS;
use super::{Door, Node, Paths, Proof, WayThatWorked, WayView, When, etx};
use crate::event::PortId;

const PORT: PortId = PortId(0);
const MINUTE: When = 60_000;
/// Frames as long as those that are counted here, so that no ratio is changed for length.
const SAME: Sizes = Sizes {
    data: 50,
    answer: 50,
};

fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

fn own() -> CallSign {
    call("QA1SKY")
}

fn door() -> Door<'static> {
    Door {
        port: PORT,
        name: "VHF",
        own: own(),
        info_length: 128,
    }
}

/// A frame on the air; digipeaters with an asterisk have repeated it.
fn frame(from: &str, to: &str, via: &[&str], role: Role, control: Control) -> Vec<u8> {
    let repeater = |text: &&str| Repeater {
        has_been_repeated: text.ends_with('*'),
        ..Repeater::ahead(call(text.trim_end_matches('*')))
    };
    let text = control.has_pid();
    let frame = Frame {
        source: Address::from(call(from)),
        destination: Address::from(call(to)),
        repeaters: via.iter().map(repeater).collect(),
        role,
        control,
        pid: text.then_some(pid::NO_LAYER_3),
        info: if text {
            b"blankets".to_vec()
        } else {
            Vec::new()
        },
    };
    frame.encode()
}

fn hear(paths: &mut Paths, at: When, octets: &[u8]) {
    paths.heard(at, PORT, octets, Some(Modulo::Eight), |c| c == own());
}

fn overhear(paths: &mut Paths, at: When, octets: &[u8]) {
    paths.heard(at, PORT, octets, None, |c| c == own());
}

fn i(ns: u8, nr: u8) -> Control {
    Control::I { ns, nr, p: false }
}

fn rr(nr: u8, pf: bool) -> Control {
    Control::Rr { nr, pf }
}

fn ways(paths: &Paths, at: When, to: &str) -> Vec<WayView> {
    paths.ways(at, call(to), &[door()])
}

/// A leg that is known with this ratio as well as can be.
fn know(paths: &mut Paths, from: Node, to: Node, ratio: f64) {
    let leg = paths.graph.at(PORT, from, to);
    leg.prove(0);
    leg.count(0, 1e9, ratio * 1e9, SAME.data);
    for call in [from, to].into_iter().flatten() {
        if call.characters().starts_with("QD") {
            paths.graph.repeats(0, PORT, call);
        }
    }
}

#[test]
fn the_papers_example() {
    // Computed from the formula of De Couto et al. 2003, section 3, with the example of the
    // project's notes on channel access: df 0.9 and dr 0.8 cost 1.389, two such legs 2.778, one
    // leg with 0.5 and 0.6 costs 3.333.
    assert!((etx(0.9, 0.8) - 1.389).abs() < 5e-4);
    let mut paths = Paths::default();
    let (hill, far) = (Some(call("QD2HIL")), Some(call("QM3BAR")));
    for (from, to) in [(None, hill), (hill, far)] {
        know(&mut paths, from, to, 0.9);
        know(&mut paths, to, from, 0.8);
    }
    know(&mut paths, None, far, 0.5);
    know(&mut paths, far, None, 0.6);
    let [direct, relayed, _] = paths.graph.best(0, PORT, call("QM3BAR"), SAME);
    let (direct, relayed) = (direct.expect("known"), relayed.expect("known"));
    assert!((direct.0 - 3.333).abs() < 5e-4, "{direct:?}");
    assert!((relayed.0 - 2.778).abs() < 5e-4, "{relayed:?}");
    assert_eq!(relayed.1, [call("QD2HIL")]);
}

/// Every path of at most two digipeaters, each tried.
fn by_trying_all(
    costs: &BTreeMap<(usize, usize), f64>,
    stations: usize,
) -> [Option<(f64, Vec<usize>)>; 3] {
    // 0 = here, 1 = the one to reach, the others digipeaters.
    let cost = |path: &[usize]| -> Option<f64> {
        path.windows(2)
            .map(|leg| costs.get(&(leg[0], leg[1])).copied())
            .sum()
    };
    let relays = 2..stations;
    let none = vec![vec![0, 1]];
    let one = relays.clone().map(|a| vec![0, a, 1]).collect();
    let pairs = relays
        .clone()
        .flat_map(|a| relays.clone().map(move |b| (a, b)));
    let two = pairs
        .filter(|(a, b)| a != b)
        .map(|(a, b)| vec![0, a, b, 1])
        .collect();
    [none, one, two].map(|paths: Vec<Vec<usize>>| {
        let known = paths.into_iter().filter_map(|p| Some((cost(&p)?, p)));
        known.min_by(|a, b| a.0.total_cmp(&b.0))
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Against the search of all paths.
    #[test]
    fn the_best_path_is_the_best_of_all(
        legs in prop::collection::btree_map((0..9_usize, 0..9_usize), 0.02..1.0_f64, 0..60)
    ) {
        let station = |n: usize| match n {
            0 => None,
            1 => Some(call("QM3BAR")),
            n => Some(call(&format!("QD{n}HIL"))),
        };
        let mut paths = Paths::default();
        (2..9).for_each(|n| paths.graph.repeats(0, PORT, station(n).expect("not here")));
        for (&(from, to), &ratio) in legs.iter().filter(|((from, to), _)| from != to) {
            know(&mut paths, station(from), station(to), ratio);
        }
        let mut costs = BTreeMap::new();
        for from in 0..9 {
            for to in (0..9).filter(|to| *to != from) {
                let hop = paths.graph.hop(0, PORT, (station(from), station(to)), SAME);
                // A leg is known if either of the two has ever heard the other.
                let known = legs.contains_key(&(from, to)) || legs.contains_key(&(to, from));
                prop_assert_eq!(hop.is_some(), known);
                costs.extend(hop.map(|hop| ((from, to), hop.etx)));
            }
        }
        let found = paths.graph.best(0, PORT, call("QM3BAR"), SAME);
        for (found, tried) in found.into_iter().zip(by_trying_all(&costs, 9)) {
            match (found, tried) {
                (Some((cost, via)), Some((least, _))) => {
                    prop_assert!((cost - least).abs() < 1e-9, "{cost} {least}");
                    let numbers = via.iter().map(|c| (2..9).find(|n| station(*n) == Some(*c)));
                    let path: Vec<usize> = [Some(0)]
                        .into_iter()
                        .chain(numbers)
                        .chain([Some(1)])
                        .collect::<Option<_>>()
                        .expect("known stations");
                    let sum: f64 = path.windows(2).map(|l| costs[&(l[0], l[1])]).sum();
                    prop_assert!((sum - cost).abs() < 1e-9, "the path costs what is said");
                }
                (found, tried) => prop_assert_eq!(found.is_some(), tried.is_some()),
            }
        }
    }

    /// Whatever comes, nothing grows without end, no ratio leaves its range, nothing panics.
    #[test]
    fn no_frames_do_harm(frames in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..60), 0..50)) {
        let mut paths = Paths::default();
        for (n, octets) in frames.iter().enumerate() {
            hear(&mut paths, n as When, octets);
            overhear(&mut paths, n as When, octets);
            paths.sent(n as When, PORT, octets, Modulo::OneHundredTwentyEight);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(30))]

    /// Of a way that fails now and then, the product of what its legs are thought to pass comes
    /// to the share that passes.
    #[test]
    fn a_failure_is_shared_among_the_legs(share in 0.2..0.95_f64, digipeaters in 0..3_usize) {
        let via = ["QD2HIL*", "QD3HIL*"];
        let via = &via[..digipeaters];
        let back: Vec<&str> = via.iter().rev().copied().collect();
        let mut paths = Paths::default();
        let mut owed = 0.0;
        let tries = 4000;
        for n in 0..tries {
            let at = n / 100;
            let ask = frame("QA1SKY", "QM3BAR", via, Role::Command, rr(0, true));
            paths.sent(at, PORT, &ask, Modulo::Eight);
            owed += share;
            if owed >= 1.0 {
                owed -= 1.0;
                let answer = frame("QM3BAR", "QA1SKY", &back, Role::Response, rr(0, true));
                hear(&mut paths, at, &answer);
            }
        }
        let octets = frame("QA1SKY", "QM3BAR", via, Role::Command, rr(0, true)).len();
        let sizes = Sizes { data: octets, answer: octets };
        let path: Vec<CallSign> = via.iter().map(|c| call(c.trim_end_matches('*'))).collect();
        let hops = paths.graph.along(40, PORT, (&path, call("QM3BAR")), sizes).expect("proved");
        let passes: f64 = hops.iter().map(|h| 1.0 / h.etx).product();
        prop_assert!((passes - share).abs() < 0.04, "{passes} {share}");
    }
}

#[test]
fn own_frames_acknowledged_and_sent_again_are_counted() {
    let mut paths = Paths::default();
    let sends = |paths: &mut Paths, ns| {
        let octets = frame("QA1SKY", "QM3BAR", &[], Role::Command, i(ns, 0));
        paths.sent(0, PORT, &octets, Modulo::Eight);
    };
    // 15 frames, one of them twice; the two behind it twice as well, which does not count.
    for ns in [0, 1, 2, 3] {
        sends(&mut paths, ns);
    }
    let answer = |nr| frame("QM3BAR", "QA1SKY", &[], Role::Response, rr(nr, false));
    hear(&mut paths, 0, &answer(1));
    for ns in [1, 2, 3] {
        sends(&mut paths, ns);
    }
    hear(&mut paths, 0, &answer(4));
    for ns in 4..14 {
        sends(&mut paths, ns % 8);
        hear(&mut paths, 0, &answer((ns + 1) % 8));
    }
    let leg = paths.graph.leg(PORT, None, Some(call("QM3BAR")));
    assert_eq!(leg.expect("known").counted(0), (15.0, 14.0));
    let found = ways(&paths, 3 * MINUTE, "QM3BAR");
    assert_eq!(
        found[0].words,
        "direct: 14 of 15 frames to QM3BAR arrived, heard last 3 min ago; this way worked last \
         3 min ago"
    );
    assert_eq!((found[0].proof, found.len()), (Some(Proof::TwoWay), 1));
    assert_eq!(found[0].age_ms, Some(180_000));
}

#[test]
fn numbers_missing_in_what_is_heard_count_as_not_heard() {
    let mut paths = Paths::default();
    for ns in [0, 1, 3, 6, 5, 7] {
        let octets = frame("QM3BAR", "QA1SKY", &[], Role::Command, i(ns, 0));
        hear(&mut paths, 0, &octets);
    }
    // 2, 4 and 5 were missing; 5 was sent again, which does not count.
    let leg = paths.graph.leg(PORT, Some(call("QM3BAR")), None);
    assert_eq!(leg.expect("known").counted(0), (8.0, 5.0));
}

#[test]
fn numbers_of_a_link_whose_modulo_is_not_known_are_not_counted() {
    let mut paths = Paths::default();
    let modulo_128 = |ns, nr| {
        let octets = frame("QB4COV", "QC2CAP", &[], Role::Command, i(ns, nr));
        let frame = Frame::decode(&octets).expect("a frame");
        frame.encode_modulo(Modulo::OneHundredTwentyEight)
    };
    for n in 0..20 {
        overhear(&mut paths, 0, &modulo_128(n * 5, 0));
    }
    let counted = |paths: &Paths| {
        let leg = paths.graph.leg(PORT, Some(call("QB4COV")), None);
        leg.expect("heard").counted(0)
    };
    assert_eq!(counted(&paths), (0.0, 0.0));
    let begin = Control::Sabme { p: true };
    overhear(
        &mut paths,
        0,
        &frame("QB4COV", "QC2CAP", &[], Role::Command, begin),
    );
    [0, 1, 3]
        .into_iter()
        .for_each(|n| overhear(&mut paths, 0, &modulo_128(n, 0)));
    assert_eq!(counted(&paths), (4.0, 3.0));
}

#[test]
fn a_digipeater_that_repeats_a_station_hears_it() {
    let mut paths = Paths::default();
    let beacon = |via: &[&str]| {
        frame(
            "QX0RLF",
            "CQ",
            via,
            Role::Command,
            Control::Ui { pf: false },
        )
    };
    overhear(&mut paths, 0, &beacon(&["QM3BAR*"]));
    let found = ways(&paths, 12 * MINUTE, "QX0RLF");
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].via, [call("QM3BAR")]);
    assert_eq!(found[0].proof, Some(Proof::Hearsay));
    assert_eq!(
        found[0].legs[1].words,
        "QX0RLF was heard by QM3BAR 12 min ago"
    );
    assert_eq!(
        found[0].legs[0].words,
        "QM3BAR was heard here 12 min ago, and never seen to hear this station"
    );
    // Heard straight, two of three times repeated.
    let at = 13 * MINUTE;
    overhear(&mut paths, at, &beacon(&["QM3BAR"]));
    overhear(&mut paths, at, &beacon(&["QM3BAR"]));
    overhear(&mut paths, at, &beacon(&["QM3BAR*"]));
    let leg = paths
        .graph
        .leg(PORT, Some(call("QX0RLF")), Some(call("QM3BAR")));
    assert_eq!(leg.expect("known").counted(at), (3.0, 2.0));
    let found = ways(&paths, at, "QX0RLF");
    assert_eq!(found[0].via, [], "direct is better now: {found:?}");
}

#[test]
fn one_station_that_acknowledges_another_hears_it() {
    let mut paths = Paths::default();
    let (a, b) = ("QB4COV", "QD2HIL");
    let says = |ns| frame(a, b, &[], Role::Command, i(ns, 0));
    let takes = |nr| frame(b, a, &[], Role::Response, rr(nr, false));
    // How many the first acknowledgement is for is not known.
    overhear(&mut paths, 0, &says(0));
    overhear(&mut paths, 0, &takes(1));
    // Four frames heard, one of them twice.
    for ns in [1, 2, 2, 3, 4] {
        overhear(&mut paths, 0, &says(ns));
    }
    overhear(&mut paths, 0, &takes(5));
    let leg = paths.graph.leg(PORT, Some(call(a)), Some(call(b)));
    assert_eq!(leg.expect("known").counted(0), (5.0, 4.0));
    let back = paths.graph.leg(PORT, Some(call(b)), Some(call(a)));
    assert!(
        back.is_none_or(|leg| leg.proven(0).is_none()),
        "not the other way round"
    );
}

#[test]
fn only_stations_that_repeat_are_proposed_as_digipeaters() {
    let mut paths = Paths::default();
    let (a, b) = ("QB4COV", "QX0RLF");
    overhear(
        &mut paths,
        0,
        &frame(a, b, &[], Role::Command, Control::Sabm { p: true }),
    );
    overhear(
        &mut paths,
        0,
        &frame(b, a, &[], Role::Response, Control::Ua { f: true }),
    );
    let found = ways(&paths, 0, b);
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(
        (found[0].via.len(), found[0].proof),
        (0, Some(Proof::OneWay))
    );
}

#[test]
fn an_answer_by_digipeaters_proves_the_whole_way() {
    let mut paths = Paths::default();
    let call_it = Control::Sabm { p: true };
    let sent = frame(
        "QA1SKY",
        "QX0RLF",
        &["QD2HIL", "QD3HIL"],
        Role::Command,
        call_it,
    );
    paths.sent(0, PORT, &sent, Modulo::Eight);
    let via = ["QD3HIL*", "QD2HIL*"];
    let answer = frame(
        "QX0RLF",
        "QA1SKY",
        &via,
        Role::Response,
        Control::Ua { f: true },
    );
    hear(&mut paths, 0, &answer);
    let found = ways(&paths, MINUTE, "QX0RLF");
    assert_eq!(found[0].via, [call("QD2HIL"), call("QD3HIL")]);
    assert_eq!(found[0].worked_ms_ago, Some(60_000));
    assert!(
        found[0].words.contains("this way worked last 1 min ago"),
        "{}",
        found[0].words
    );
    let proofs: Vec<Proof> = found[0].legs.iter().map(|leg| leg.proof).collect();
    assert_eq!(proofs, [Proof::TwoWay, Proof::Hearsay, Proof::Hearsay]);
}

#[test]
fn a_call_without_answer_counts_against_the_way() {
    let mut paths = Paths::default();
    let beacon = frame(
        "QM3BAR",
        "CQ",
        &[],
        Role::Command,
        Control::Ui { pf: false },
    );
    overhear(&mut paths, 0, &beacon);
    let before = ways(&paths, 0, "QM3BAR")[0].etx.expect("known");
    let sabm = frame(
        "QA1SKY",
        "QM3BAR",
        &[],
        Role::Command,
        Control::Sabm { p: true },
    );
    (0..6).for_each(|_| paths.sent(0, PORT, &sabm, Modulo::Eight));
    paths.link_ended(0, PORT, call("QM3BAR"));
    let after = &ways(&paths, 0, "QM3BAR")[0];
    assert!(
        after.etx.expect("known") > 1.5 * before,
        "{before} {after:?}"
    );
    assert_eq!(after.proof, Some(Proof::OneWay));
    let words = "QM3BAR was heard here just now, and none of 6 frames to it was answered";
    assert_eq!(after.legs[0].words, words);
}

#[test]
fn what_is_old_costs_more_and_is_forgotten() {
    let mut paths = Paths::default();
    let beacon = frame(
        "QM3BAR",
        "CQ",
        &[],
        Role::Command,
        Control::Ui { pf: false },
    );
    overhear(&mut paths, 0, &beacon);
    let etx = |minutes: When| {
        ways(&paths, minutes * MINUTE, "QM3BAR")
            .first()
            .and_then(|w| w.etx)
    };
    let costs: Vec<f32> = [0, 30, 120, 600].into_iter().filter_map(etx).collect();
    assert_eq!(costs.len(), 4);
    assert!(costs.is_sorted() && costs[3] > costs[0], "{costs:?}");
    assert_eq!(etx(1441), None, "a day later");
}

#[test]
fn the_way_that_worked_last_is_remembered_and_proposed() {
    let mut paths = Paths::default();
    let way = |via: &str, before_start_ms| WayThatWorked {
        port: PORT,
        to: call("QX0RLF"),
        via: vec![call(via)],
        before_start_ms,
    };
    paths.remember(way("QD2HIL", 3 * 86_400_000));
    paths.remember(way("QD3HIL", 9 * 86_400_000));
    let found = ways(&paths, 0, "QX0RLF");
    assert_eq!(found.len(), 1);
    assert_eq!((found[0].via[0], found[0].etx), (call("QD2HIL"), None));
    assert_eq!(
        found[0].words,
        "by QD2HIL: this way worked last 3 days ago; nothing newer is known of it"
    );
    assert_eq!(ways(&paths, 0, "QM3BAR"), []);
}

#[test]
fn our_own_transmitter_tells_nothing() {
    let mut paths = Paths::default();
    let beacon = frame(
        "QA1SKY",
        "CQ",
        &[],
        Role::Command,
        Control::Ui { pf: false },
    );
    overhear(&mut paths, 0, &beacon);
    assert_eq!(paths.kept(), [0, 0, 0]);
}

#[test]
fn a_flood_of_stations_is_forgotten_from_its_old_end() {
    let mut paths = Paths::default();
    for n in 0..3000_u32 {
        let letter = |n: u32| char::from(b'A' + (n % 26) as u8);
        let name = format!("Q{}{}{}", letter(n), letter(n / 26), letter(n / 676));
        let calls = Control::Sabm { p: true };
        let (source, by) = (format!("{name}-1"), format!("{name}-2*"));
        overhear(
            &mut paths,
            When::from(n),
            &frame(&source, "QB4COV", &[&by], Role::Command, calls),
        );
        paths.remember(WayThatWorked {
            port: PORT,
            to: call(&name),
            via: Vec::new(),
            before_start_ms: 10_000 - u64::from(n),
        });
    }
    let [legs, exchanges, worked] = paths.kept();
    assert_eq!(
        (legs, exchanges, worked),
        (MOST_LEGS, MOST_EXCHANGES, MOST_WORKED)
    );
    assert_eq!(paths.graph.repeaters(0, PORT).len(), MOST_REPEATERS);
    assert!(ways(&paths, 3000, "QAAA-1").len() <= MOST_WAYS);
}
