//! Other programs of the shack that send by our ports.

use dunlin_ax25::Frame;
use dunlin_ax25::wire::{Address, Control, Repeater, Role, pid};
use dunlin_clock::Duration;
use dunlin_station::{BlockKind, Event, Input, PortId, TalkState};
use proptest::prelude::*;

use crate::cable::{Cable, with_controller};
use crate::wire::call;

fn ui(from: &str, text: &str) -> Vec<u8> {
    let info = text.as_bytes().to_vec();
    Frame::ui(call(from), call("CQ"), &[], pid::NO_LAYER_3, info).encode()
}

fn sabm(from: &str, to: &str) -> Vec<u8> {
    let frame = Frame {
        source: Address::from(call(from)),
        destination: Address::from(call(to)),
        repeaters: Vec::new(),
        role: Role::Command,
        control: Control::Sabm { p: true },
        pid: None,
        info: Vec::new(),
    };
    frame.encode()
}

fn give(c: &mut Cable, client: u64, octets: &[u8]) {
    let port = PortId(0);
    c.handle(
        0,
        Input::FromClient {
            port,
            client,
            octets,
        },
    );
}

fn complaints(c: &Cable) -> Vec<String> {
    let note = |e: &Event| match e {
        Event::Note(n) if n.text.contains("program") => Some(n.text.clone()),
        _ => None,
    };
    c.told[0].iter().filter_map(note).collect()
}

fn alone() -> Cable {
    Cable::new(vec![with_controller("QA1SKY", 1)], 1)
}

#[test]
fn frames_to_all_and_calls_go_out_unchanged_and_are_shown() {
    let mut c = alone();
    let frames = [ui("QA1SKY-9", "from elsewhere"), sabm("QA1SKY-9", "QM3BAR")];
    frames.iter().for_each(|f| give(&mut c, 3, f));
    c.run(Duration::from_secs(5), |_| false);
    let sent: Vec<Vec<u8>> = c.handed[0].iter().map(|(_, o)| o.clone()).collect();
    assert_eq!(sent, frames);
    let blocks = c.stations[0].snapshot(c.now).blocks;
    assert!(
        blocks
            .iter()
            .all(|b| b.kind == BlockKind::Sent && b.from == "QA1SKY-9")
    );
    let views = c.stations[0].clients();
    assert_eq!((views[0].client, views[0].taken, views[0].sent), (3, 2, 2));
    assert_eq!(views[0].source, Some(call("QA1SKY-9")));
}

#[test]
fn what_cannot_be_sent_is_refused_with_a_reason() {
    let cases: [(&str, Vec<u8>, &str); 5] = [
        ("text", b"hello".to_vec(), "no AX.25 frame"),
        (
            "too long",
            [ui("QA1SKY-9", ""), vec![b'x'; 1100]].concat(),
            "too long",
        ),
        (
            "no call sign",
            ui("QA1SKY-9", "")[..7]
                .iter()
                .chain([b'a' << 1; 6].iter())
                .chain(&[0x61, 0x03, 0xF0])
                .copied()
                .collect(),
            "no call sign",
        ),
        ("own call", sabm("QA1SKY", "QM3BAR"), "another SSID"),
        (
            "odd path",
            {
                let far = Repeater {
                    has_been_repeated: true,
                    ..Repeater::ahead(call("QX0RLF"))
                };
                let mut frame = Frame::decode(&ui("QA1SKY-9", "x")).expect("a frame");
                frame.repeaters = vec![Repeater::ahead(call("QM3BAR")), far];
                frame.encode()
            },
            "path is odd",
        ),
    ];
    for (name, octets, words) in cases {
        let mut c = alone();
        give(&mut c, 1, &octets);
        c.run(Duration::from_secs(5), |_| false);
        assert!(c.handed[0].is_empty(), "{name}");
        let said = complaints(&c);
        assert!(
            said.len() == 1 && said[0].contains(words),
            "{name}: {said:?}"
        );
        assert_eq!(c.stations[0].clients()[0].refused, 1, "{name}");
    }
    let mut c = alone();
    let octets = ui("QA1SKY-9", "x");
    c.handle(
        0,
        Input::FromClient {
            port: PortId(4),
            client: 1,
            octets: &octets,
        },
    );
    assert!(complaints(&c)[0].contains("no such port"));
}

#[test]
fn an_invented_call_sign_keys_no_radio() {
    let mut config = with_controller("NOCALL", 1);
    config.ports[0].gate.real_radio = true;
    let mut c = Cable::new(vec![config], 1);
    give(&mut c, 1, &ui("QM3BAR", "x"));
    c.run(Duration::from_secs(5), |_| false);
    assert!(c.handed[0].is_empty());
    assert!(complaints(&c)[0].contains("begins with Q"));
}

#[test]
fn a_program_cannot_speak_into_a_link_of_ours() {
    let mut c = Cable::pair(2);
    c.open(0, "QM3BAR");
    let open = |c: &Cable| c.stations[0].snapshot(c.now).talks[0].state == TalkState::Open;
    assert!(c.run(Duration::from_secs(60), open));
    let before = c.handed[0].len();
    let to = call("QM3BAR");
    let octets = Frame::ui(call("QA1SKY"), to, &[], pid::NO_LAYER_3, b"x".to_vec()).encode();
    give(&mut c, 1, &octets);
    give(&mut c, 1, &sabm("QA1SKY", "QM3BAR"));
    c.run(Duration::from_secs(5), |_| false);
    assert_eq!(c.handed[0].len(), before);
    // The same pair under another SSID is the program's own affair.
    give(&mut c, 1, &sabm("QA1SKY-9", "QM3BAR"));
    c.run(Duration::from_secs(5), |_| false);
    assert_eq!(c.handed[0].len(), before + 1);
    assert!(open(&c));
}

#[test]
fn one_program_cannot_starve_another_nor_us() {
    let mut c = Cable::pair(3);
    for n in 0..500 {
        give(&mut c, 1, &ui("QA1SKY-9", &format!("flood {n}")));
    }
    give(&mut c, 2, &ui("QA1SKY-10", "one modest frame"));
    c.open(0, "QM3BAR");
    let modest = |c: &Cable| {
        c.handed[0]
            .iter()
            .any(|(_, o)| o.ends_with(b"modest frame"))
    };
    assert!(c.run(Duration::from_secs(20), modest));
    let open = |c: &Cable| c.stations[0].snapshot(c.now).talks[0].state == TalkState::Open;
    assert!(c.run(Duration::from_secs(60), open));
    let views = c.stations[0].clients();
    assert_eq!(
        (views[0].taken, views[0].refused, views[1].sent),
        (16, 484, 1)
    );
    assert_eq!(complaints(&c).len(), 1, "said once, not 484 times");
    c.run(Duration::from_secs(60), |_| false);
    give(&mut c, 1, b"junk");
    let said = complaints(&c);
    assert!(said[1].contains("483 more were refused before"), "{said:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn only_frames_with_a_call_sign_leave(
        octets in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..60), 0..40),
        flips in prop::collection::vec((0_usize..20, any::<u8>()), 0..40),
    ) {
        let mut c = alone();
        for o in &octets {
            give(&mut c, 1, o);
        }
        for (place, octet) in flips {
            let mut frame = ui("QA1SKY-9", "spoiled");
            frame[place] = octet;
            give(&mut c, 2, &frame);
        }
        c.run(Duration::from_secs(60), |_| false);
        for (_, sent) in &c.handed[0] {
            let source = Frame::decode_overheard(sent).ok().and_then(|f| f.source.call_sign());
            let field = dunlin_ax25::wire::AddressField::decode(sent).expect("an address field").0;
            prop_assert!(source.or(field.source.call_sign()).is_some());
        }
    }
}
