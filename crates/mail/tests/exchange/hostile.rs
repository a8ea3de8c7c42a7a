//! Partners that lie, repeat themselves, or speak something else: none does harm.

use dunlin_mail::exchange::{
    Input, MOST_HELD, MOST_TURN, Offerable, Output, Partial, Session, Why,
};
use dunlin_mail::{Message, MessageId};
use proptest::prelude::*;

use crate::station::{Keeper, NOW, call, exchange, message, noise};

const HELLO: [u8; 8] = [0xd1, 6, 1, 0xa0, 0x8d, 0x06, 0x80, 0x10];
const OVER: [u8; 3] = [6, 1, 0];
const OVER_MORE: [u8; 3] = [6, 1, 1];
/// Octets of the hello of a keeper that takes the longest turns.
const HELLO_LENGTH: usize = 9;

fn id(number: u64) -> MessageId {
    message(number, "").id
}

/// A keeper that is called by a partner of which the test says every octet.
struct Scene {
    keeper: Keeper,
    session: Session,
    sent: Vec<u8>,
    ended: bool,
}

impl Scene {
    fn new(messages: Vec<Message>) -> Self {
        let keeper = Keeper::new("QM2REE", messages);
        let session = keeper.session(call("QA1SKY"), false);
        Scene {
            keeper,
            session,
            sent: Vec::new(),
            ended: false,
        }
    }

    fn told(&mut self, parts: &[&[u8]]) {
        self.session.handle(Input::Received(parts.concat()));
        let (sent, ended) = self.keeper.serve(&mut self.session);
        self.sent = sent;
        self.ended |= ended;
    }

    /// What the session said about the partner when it ended.
    fn complaint(&mut self) -> String {
        assert!(self.ended, "it goes on");
        let (well, words) = self.keeper.last_words();
        assert!(!well);
        words
    }
}

/// What an honest sender of this message says: hello and offer, then its chain and piece.
fn honest(message: Message) -> (Vec<u8>, Vec<u8>) {
    let mut a = Keeper::new("QA1SKY", vec![message]);
    // It may have been at the station of the scene, but not at this one.
    let mut b = Keeper::new("QM4TAR", vec![]);
    a.limits.turn = MOST_TURN;
    b.limits.turn = MOST_TURN;
    let trace = exchange(&mut a, &mut b, usize::MAX, 64);
    let turn = |n: usize| {
        let octets = &trace.turns[n].1;
        octets[..octets.len() - 3].to_vec()
    };
    (turn(0)[HELLO_LENGTH..].to_vec(), turn(2))
}

fn record(kind: u8, payload: &[u8]) -> Vec<u8> {
    let length = payload.len();
    let mut octets = vec![kind, length as u8 & 0x7f | 0x80, (length >> 7) as u8];
    octets.extend(payload);
    octets
}

#[test]
fn a_stream_of_text_ends_the_session_without_an_answer() {
    let mut scene = Scene::new(vec![]);
    scene.told(&[b"Welcome to the harbour office.\r"]);
    let words = scene.complaint();
    assert!(
        words.contains("QA1SKY sent 57 as its first octet"),
        "{words}"
    );
    assert!(scene.sent.is_empty());
}

#[test]
fn what_does_not_fit_ends_the_session_and_says_what_and_where() {
    let (offer, body) = honest(message(1, "Text."));
    let cases: [(&[&[u8]], &str); 13] = [
        (&[&HELLO, &HELLO], "a second hello (octet 8)"),
        (&[&[0xd1, 3, 0, 1, 1]], "a hello of version 0"),
        (&[&[0xd1, 4, 1, 100, 100, 0]], "at least 512"),
        (
            &[&HELLO, &record(3, &[0, 1, 0])],
            "item 0, which was not offered",
        ),
        (
            &[&HELLO, &record(4, &[0])],
            "a chain of item 0, which is not wanted",
        ),
        (
            &[&HELLO, &record(5, &[7, 0, 1])],
            "a piece of item 7, which is not wanted",
        ),
        (
            &[&HELLO, &offer, &offer],
            "a second offer of QM3BAR:0000000000001",
        ),
        (&[&HELLO, &offer, &body], "which is not wanted"),
        (
            &[&HELLO, &record(2, &offer[2..20])],
            "ends in the middle of a field",
        ),
        (&[&HELLO, &record(2, &[0; 60])], "no call sign"),
        (&[&HELLO, &[6, 0]], "ends in the middle of a field"),
        (&[&HELLO, &[3, 0], &OVER_MORE], "answers without an entry"),
        (
            &[&HELLO, &[2, 0xff, 0xff, 0xff, 0x7f]],
            "a record of 268435455 octets",
        ),
    ];
    for (parts, expected) in cases {
        let mut scene = Scene::new(vec![]);
        scene.told(parts);
        let words = scene.complaint();
        assert!(words.contains(expected), "{words}, not {expected}");
        assert!(words.starts_with("QA1SKY sent ") && words.contains("(octet "));
        assert!(scene.keeper.stored.is_empty());
    }
}

#[test]
fn the_limit_of_a_turn_counts_chains_and_octets_of_items_without_the_numbers_of_pieces() {
    let (offer, body) = honest(message(1, &noise(1, 6000)));
    let chain = &body[..body[1] as usize + 2];
    let room = 2048 - (chain.len() - 2);
    for (more, ended) in [(0, false), (1, true)] {
        let mut scene = Scene::new(vec![]);
        scene.told(&[&HELLO, &offer, &OVER]);
        let octets = [[0, 0].as_slice(), &vec![7; room + more]].concat();
        scene.told(&[chain, &record(5, &octets), &OVER_MORE]);
        assert_eq!(scene.ended, ended);
    }
}

#[test]
fn an_unknown_record_is_skipped_also_out_of_turn() {
    let (offer, _) = honest(message(1, "Text."));
    let mut scene = Scene::new(vec![]);
    // The offer is not decided, so it is this side's turn.
    let start = [&HELLO[..], &offer, &OVER].concat();
    scene.session.handle(Input::Received(start));
    assert!(matches!(scene.session.poll(), Some(Output::Offered(_))));
    let unknown = record(0x60, b"later");
    scene.session.handle(Input::Received(unknown));
    assert_eq!(scene.session.poll(), None);
    scene.told(&[&OVER]);
    assert!(scene.complaint().contains("not its turn"));
}

#[test]
fn pieces_that_do_not_fit_end_the_session() {
    let (offer, body) = honest(message(1, &noise(1, 6000)));
    let chain = &body[..body[1] as usize + 2];
    let cases: [(&[&[u8]], &str); 7] = [
        (&[&record(5, &[0, 0, 1])], "before its chain"),
        (&[chain, chain], "a second chain of item 0"),
        (
            &[chain, &record(5, &[0, 5, 1])],
            "from octet 5 on, where 0 comes next",
        ),
        (
            &[chain, &record(5, &[0; 3000])],
            "more than 2048 octets of items in one turn",
        ),
        (
            &[chain, &record(5, &[0, 0])],
            "without octets, of which some are missing",
        ),
        (&[&record(4, &[0, 0, 0])], "ends in the middle of a field"),
        (
            &[&OVER, &record(0x60, &[1]), &OVER],
            "something while it was not its turn",
        ),
    ];
    for (parts, expected) in cases {
        let mut scene = Scene::new(vec![]);
        scene.told(&[&HELLO, &offer, &OVER]);
        scene.told(parts);
        let words = scene.complaint();
        assert!(words.contains(expected), "{words}, not {expected}");
        assert!(scene.keeper.stored.is_empty());
    }
}

#[test]
fn what_was_here_before_is_not_taken_again() {
    // The station has forgotten both. One comes from it, the other has it in its chain.
    let mut own = message(1, "Text.");
    own.id.origin = call("QM2REE");
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &honest(own).0, &OVER]);
    assert_eq!(scene.sent[8..12], [3, 2, 0, 2]);
    let mut been = message(2, "Text.");
    been.taken_by(call("QM2REE"), NOW);
    let (offer, body) = honest(been);
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &offer, &OVER]);
    scene.told(&[&body, &OVER]);
    assert_eq!(scene.sent[..4], [3, 2, 0, 2]);
    assert!(scene.keeper.stored.is_empty());
}

#[test]
fn an_offer_without_octets_is_refused() {
    let (mut offer, _) = honest(message(1, "Text."));
    // Type, length, hash, first octet, identifier, five octets of time.
    offer[2 + 6 + 1 + 12 + 5] = 0;
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &offer]);
    assert!(scene.complaint().contains("with no octets"));
}

#[test]
fn what_is_packed_in_more_than_any_packing_needs_is_too_large() {
    // The content has 22 octets.
    for (packed, answer) in [(86, 0), (87, 3)] {
        let (mut offer, _) = honest(message(1, "Text."));
        let place = 2 + 6 + 1 + 12 + 5;
        assert_eq!(offer[place + 1], 22);
        offer[place] = packed;
        let mut scene = Scene::new(vec![]);
        scene.told(&[&HELLO, &offer, &OVER]);
        assert_eq!(scene.sent[10..12], [0, answer]);
    }
}

#[test]
fn a_text_of_a_megabyte_is_refused_at_the_offer() {
    let (mut offer, _) = honest(message(1, "Text."));
    let place = 2 + 6 + 1 + 12 + 5;
    // A number in seven bits an octet, the lowest first: 1 048 576.
    let megabyte = [0x80, 0x80, 0x40];
    offer.splice(place..place + 2, [megabyte, megabyte].concat());
    offer[1] += 4;
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &offer, &OVER]);
    assert_eq!(scene.sent[10..12], [0, 3], "too large");
    assert!(scene.keeper.kept.is_empty() && scene.keeper.stored.is_empty());
}

#[test]
fn no_more_is_wanted_at_once_than_can_be_held() {
    let messages: Vec<Message> = (0..16).map(|n| message(n, &noise(n, 100_000))).collect();
    let size = |message| Offerable::new(message).expect("an offer").offer().packed;
    let sizes: Vec<usize> = messages.iter().map(size).collect();
    assert!(sizes.iter().sum::<usize>() > MOST_HELD + 100_000);
    let mut a = Keeper::new("QA1SKY", messages);
    let mut b = Keeper::new("QM2REE", vec![]);
    (a.limits.turn, b.limits.turn) = (MOST_TURN, MOST_TURN);
    exchange(&mut a, &mut b, usize::MAX, 4096);
    let came: usize = b.stored.keys().map(|id| sizes[id.number as usize]).sum();
    assert!(came <= MOST_HELD && came > MOST_HELD - 100_000, "{came}");
    // The rest is for another session.
    exchange(&mut a, &mut b, usize::MAX, 4096);
    assert_eq!((b.stored.len(), a.out.len()), (16, 0));
}

#[test]
fn a_wrong_hash_is_asked_for_once_more_and_then_refused() {
    let (mut offer, body) = honest(message(1, "Text."));
    let (good, good_body) = honest(message(2, "Good."));
    offer[3] ^= 1;
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &offer, &good, &OVER]);
    let second = |body: &[u8]| {
        // The same of item 1; the number is the first octet of each payload.
        let mut body = body.to_vec();
        let chain = body[1] as usize + 2;
        (body[2], body[chain + 2]) = (1, 1);
        body
    };
    scene.told(&[&body, &second(&good_body), &OVER]);
    // Again from 0, and the other is taken.
    assert_eq!((scene.sent[0], &scene.sent[2..5]), (3, &[0, 0, 0][..]));
    assert_eq!(scene.keeper.stored.len(), 1);
    let chain = body[1] as usize + 2;
    scene.told(&[&body[chain..], &OVER]);
    assert_eq!(scene.sent[..4], [3, 2, 0, 8]);
    assert!(scene.ended && scene.keeper.last_words().0);
    assert!(scene.keeper.kept.is_empty());
    assert_eq!(scene.keeper.stored.len(), 1);
}

#[test]
fn more_octets_than_were_offered_end_the_session() {
    let (offer, mut body) = honest(message(1, "Text."));
    let piece = body[1] as usize + 2;
    body[piece + 1] += 1;
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &offer, &OVER]);
    scene.told(&[&body, &[0]]);
    assert!(scene.complaint().contains("goes beyond its"));
}

#[test]
fn what_unpacks_to_more_than_it_says_is_never_unpacked() {
    let text = "x".repeat(90_000);
    let (mut offer, mut body) = honest(message(1, &text));
    // The size of the content is three octets, before the call sign at the end.
    let place = offer.len() - 4 - 3;
    offer[place..place + 3].copy_from_slice(&[0x90, 0xce, 0x00]); // 10 000
    let mut scene = Scene::new(vec![]);
    // The hash has to be right, or this would not get as far.
    let piece = body.split_off(body[1] as usize + 2);
    let packed = &piece[piece.len() - (piece[1] as usize & 0x7f | (piece[2] as usize) << 7) + 2..];
    let hash = sha(&[&offer[8..], packed]);
    offer[2..8].copy_from_slice(&hash);
    scene.told(&[&HELLO, &offer, &OVER]);
    scene.told(&[&body, &piece, &OVER]);
    assert_eq!(scene.sent[..4], [3, 2, 0, 8]);
    assert!(scene.keeper.stored.is_empty());
    // And what says that it is huge is not even wanted.
    let mut scene = Scene::new(vec![]);
    offer[place..place + 3].copy_from_slice(&[0xff, 0xff, 0x7f]);
    scene.told(&[&HELLO, &offer, &OVER]);
    assert!(scene.sent.windows(4).any(|w| w == [3, 2, 0, 3]));
}

fn sha(parts: &[&[u8]]) -> [u8; 6] {
    use sha2::{Digest, Sha256};
    let whole = Sha256::digest(parts.concat());
    std::array::from_fn(|n| whole[n])
}

#[test]
fn an_old_exchange_played_again_stores_nothing() {
    let mut a = Keeper::new("QA1SKY", vec![message(1, "Text.")]);
    let mut b = Keeper::new("QM2REE", vec![]);
    let trace = exchange(&mut a, &mut b, usize::MAX, 64);
    let mut session = b.session(a.call, false);
    for (_, octets) in trace.turns.iter().filter(|(caller, _)| *caller) {
        session.handle(Input::Received(octets.clone()));
        b.serve(&mut session);
    }
    assert_eq!(b.stored[&id(1)], 1);
    assert!(matches!(b.log.last(), Some(Output::Ended { .. })));
}

#[test]
fn a_poisoned_partial_costs_one_repetition() {
    let text = noise(5, 800);
    let (offer, body) = honest(message(1, &text));
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &offer, &OVER]);
    let chain = body[1] as usize + 2;
    scene.told(&[
        &body[..chain],
        &record(5, &[[0, 0].as_slice(), &[0xee; 300]].concat()),
    ]);
    scene.session.handle(Input::Dropped);
    let mut b = scene.keeper;
    b.serve(&mut scene.session);
    assert_eq!(b.kept[&id(1)].octets.len(), 300);
    let mut a = Keeper::new("QX0RLF", vec![message(1, &text)]);
    exchange(&mut a, &mut b, usize::MAX, 64);
    assert_eq!(b.has[&id(1)].body, text);
    assert!(b.kept.is_empty());
}

#[test]
fn partials_that_are_longer_than_the_item_are_not_used() {
    let mut a = Keeper::new("QA1SKY", vec![message(1, "Text.")]);
    let mut b = Keeper::new("QM2REE", vec![]);
    let (offer, _) = honest(message(1, "Text."));
    let hash = std::array::from_fn(|n| offer[2 + n]);
    let octets = vec![0; 500];
    b.kept.insert(
        id(1),
        Partial {
            id: id(1),
            hash,
            octets,
        },
    );
    exchange(&mut a, &mut b, usize::MAX, 64);
    assert_eq!(b.stored[&id(1)], 1);
}

#[test]
fn a_partner_that_never_gets_anywhere_is_left() {
    // It passes the turn and says that it has more, and nothing comes.
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &OVER_MORE]);
    for _ in 0..3 {
        scene.told(&[&record(0x60, b"noise"), &OVER_MORE]);
    }
    assert!(scene.complaint().contains("neither side"));
}

/// How many turns a session speaks before it ends by itself.
fn turns_until_left(scene: &mut Scene, mut turn: impl FnMut(usize) -> Vec<u8>) -> usize {
    for count in 0..1000 {
        scene.told(&[&turn(count), &OVER_MORE]);
        if scene.ended {
            return count + 1;
        }
    }
    panic!("it goes on");
}

#[test]
fn a_partner_that_sends_next_to_nothing_is_left() {
    let (offer, body) = honest(message(1, &noise(1, 6000)));
    let chain = body[..body[1] as usize + 2].to_vec();
    let packed = &body[chain.len() + 5..];
    let trickle = |from: usize, octets: usize| {
        let mut payload = vec![0, (from & 0x7f) as u8 | 0x80, (from >> 7) as u8];
        payload.extend(&packed[from..from + octets]);
        record(5, &payload)
    };
    for octets in [1, 100] {
        let mut scene = Scene::new(vec![]);
        scene.told(&[&HELLO, &offer, &OVER]);
        let told = turns_until_left(&mut scene, |count| match count {
            0 => [&chain[..], &trickle(0, octets)].concat(),
            _ => trickle(count * octets, octets),
        });
        assert_eq!(told, 15);
        assert!(scene.complaint().contains("16 turns have settled nothing"));
        // What came is not lost.
        assert_eq!(scene.keeper.kept[&id(1)].octets.len(), octets * told);
    }
    // As much as the shortest turn allows beside the longest chain is enough.
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &offer, &OVER]);
    scene.told(&[&chain, &trickle(0, 180), &OVER_MORE]);
    for count in 1..25 {
        scene.told(&[&trickle(count * 180, 180), &OVER_MORE]);
    }
    assert!(!scene.ended);
}

#[test]
fn a_partner_that_offers_and_asks_and_never_goes_on_is_left() {
    // Each offer changes something, but none is ever followed by an octet.
    let mut scene = Scene::new(vec![message(900, &noise(1, 9000))]);
    scene.told(&[&HELLO, &OVER_MORE]);
    let told = turns_until_left(&mut scene, |count| honest(message(count as u64, "Text.")).0);
    assert_eq!(told, 15);
    assert!(scene.complaint().contains("16 turns have settled nothing"));
}

#[test]
fn a_partner_that_asks_for_ever_for_the_same_is_left() {
    let mut scene = Scene::new(vec![message(1, "Text.")]);
    scene.told(&[&HELLO, &OVER]);
    let again = record(3, &[0, 0, 0]);
    scene.told(&[&again, &OVER]);
    scene.told(&[&again, &OVER]);
    assert!(!scene.ended);
    scene.told(&[&again, &OVER]);
    assert!(scene.complaint().contains("does not fit"));
    assert_eq!(scene.keeper.out, [id(1)]);
}

#[test]
fn taken_before_it_was_sent_is_not_believed() {
    let mut scene = Scene::new(vec![message(1, "Text.")]);
    scene.told(&[&HELLO, &OVER]);
    scene.told(&[&record(3, &[0, 1, 0]), &OVER]);
    assert!(scene.complaint().contains("does not fit"));
    assert_eq!(scene.keeper.out, [id(1)]);
}

#[test]
fn offers_without_end_are_not_taken() {
    let mut scene = Scene::new(vec![]);
    scene.keeper.decides = |_| Some(Why::TryLater);
    scene.told(&[&HELLO]);
    for number in 0..256 {
        let (offer, _) = honest(message(number, "Text."));
        scene.told(&[&offer]);
        if number % 32 == 31 {
            scene.told(&[&OVER_MORE]);
        }
    }
    assert!(scene.complaint().contains("more than 255 offers"));
}

#[test]
fn a_turn_has_an_end() {
    let mut scene = Scene::new(vec![]);
    let unknown = record(0x60, &[0; 1000]);
    scene.told(&[&HELLO]);
    for _ in 0..30 {
        scene.told(&[&unknown]);
    }
    assert!(
        scene
            .complaint()
            .contains("a turn of more than 18432 octets")
    );
}

#[test]
fn words_of_the_end_cannot_move_the_cursor() {
    let mut scene = Scene::new(vec![]);
    scene.told(&[&HELLO, &record(7, b"\x1b[2J\xff\nbye")]);
    assert!(scene.complaint().ends_with("[2J\u{fffd}bye"));
}

proptest! {
    #[test]
    fn any_octets_are_harmless(octets in proptest::collection::vec(any::<u8>(), 0..500)) {
        let mut scene = Scene::new(vec![message(1, "Text.")]);
        scene.told(&[&HELLO, &octets]);
        scene.session.handle(Input::Dropped);
        scene.keeper.serve(&mut scene.session);
        prop_assert!(scene.keeper.stored.is_empty());
    }

    #[test]
    fn a_changed_octet_alters_no_message(place in 0_usize..400, change in 1_u8..=255) {
        let original = message(1, &noise(1, 200));
        let mut a = Keeper::new("QA1SKY", vec![original.clone()]);
        let mut b = Keeper::new("QM2REE", vec![message(2, "Back.")]);
        let trace = exchange(&mut a, &mut b, usize::MAX, 64);
        let mut scene = Scene::new(vec![message(2, "Back.")]);
        let mut before = 0;
        for (_, octets) in trace.turns.iter().filter(|(caller, _)| *caller) {
            let mut octets = octets.clone();
            if let Some(octet) = place.checked_sub(before).and_then(|at| octets.get_mut(at)) {
                *octet ^= change;
            }
            before += octets.len();
            scene.told(&[&octets]);
        }
        scene.session.handle(Input::Dropped);
        scene.keeper.serve(&mut scene.session);
        for (id, stored) in &scene.keeper.has {
            // The chain is not covered: it changes at every station.
            if *id == original.id {
                prop_assert_eq!(&stored.body, &original.body);
                prop_assert_eq!(&stored.kind, &original.kind);
                prop_assert_eq!(stored.precedence, original.precedence);
            }
        }
        prop_assert!(scene.keeper.stored.keys().all(|id| *id == original.id));
        prop_assert!(scene.keeper.has.len() <= 2);
    }
}
