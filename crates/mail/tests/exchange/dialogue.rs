//! What is said when: order, limits, refusals, who has a message.

use dunlin_mail::exchange::{Input, Offerable, Output, Session, Why};
use dunlin_mail::{Kind, Message, MessageId, Precedence, Step};

use crate::station::{Keeper, NOW, Trace, call, exchange, message, noise};

fn pair(from_a: Vec<Message>, from_b: Vec<Message>) -> (Keeper, Keeper) {
    (Keeper::new("QA1SKY", from_a), Keeper::new("QM2REE", from_b))
}

fn all(a: &mut Keeper, b: &mut Keeper) -> Trace {
    let trace = exchange(a, b, usize::MAX, 64);
    assert!(a.last_words().0, "{:?}", a.last_words());
    assert!(b.last_words().0, "{:?}", b.last_words());
    trace
}

/// Numbers of the messages in the order in which they were stored.
fn stored(keeper: &Keeper) -> Vec<u64> {
    let number = |output: &Output| match output {
        Output::Store(message) => Some(message.id.number),
        _ => None,
    };
    keeper.log.iter().filter_map(number).collect()
}

fn refusals(keeper: &Keeper) -> Vec<(u64, Why)> {
    let refusal = |output: &Output| match output {
        Output::Refused { id, why } => Some((id.number, *why)),
        _ => None,
    };
    keeper.log.iter().filter_map(refusal).collect()
}

fn id(number: u64) -> MessageId {
    message(number, "").id
}

/// Hands what one session sends to the other, and gives back what else it put out.
fn pass(from: &mut Session, to: &mut Session) -> Vec<Output> {
    let mut rest = Vec::new();
    while let Some(output) = from.poll() {
        match output {
            Output::Send(octets) => to.handle(Input::Received(octets)),
            other => rest.push(other),
        }
    }
    rest
}

#[test]
fn with_nothing_to_say_each_side_speaks_once() {
    let (mut a, mut b) = pair(vec![], vec![]);
    let trace = all(&mut a, &mut b);
    assert_eq!(trace.turns.len(), 2);
}

#[test]
fn one_message_takes_four_turns_and_one_each_way_five() {
    let (mut a, mut b) = pair(vec![message(1, "One.")], vec![]);
    assert_eq!(all(&mut a, &mut b).turns.len(), 4);
    let (mut a, mut b) = pair(vec![message(1, "One.")], vec![message(2, "Two.")]);
    assert_eq!(all(&mut a, &mut b).turns.len(), 5);
}

#[test]
fn the_urgent_goes_first_then_the_personal_then_the_small() {
    let mut messages = Vec::new();
    let ranks = [
        (Precedence::Routine, true, 10),
        (Precedence::Routine, false, 400),
        (Precedence::Routine, false, 10),
        (Precedence::Welfare, true, 10),
        (Precedence::Priority, false, 500),
        (Precedence::Emergency, true, 600),
    ];
    for (number, (precedence, bulletin, octets)) in ranks.into_iter().enumerate() {
        let mut message = message(number as u64, &noise(number as u64, octets));
        message.precedence = precedence;
        if bulletin {
            let (topic, area) = ("FERRY".into(), "ISLES".into());
            message.kind = Kind::Bulletin { topic, area };
        }
        messages.push(message);
    }
    let (mut a, mut b) = pair(messages, vec![]);
    all(&mut a, &mut b);
    assert_eq!(stored(&b), [5, 4, 3, 2, 1, 0]);
}

#[test]
fn an_emergency_overtakes_what_is_under_way() {
    let (a, b) = pair(vec![message(1, &noise(1, 20_000))], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    let mut urgent = message(2, "Fire at the pump house.");
    urgent.precedence = Precedence::Emergency;
    let mut turns_after = 0;
    let mut first_stored = None;
    for turn in 0..40 {
        if turn == 3 {
            pass(&mut caller, &mut called);
            let urgent = Offerable::new(&urgent).expect("an offer");
            caller.handle(Input::Offer(urgent));
            pass(&mut called, &mut caller);
            // It does not wait behind a piece of the large one.
            let there = called.partials()[0].octets.len();
            pass(&mut caller, &mut called);
            assert_eq!(called.partials()[0].octets.len(), there);
        }
        pass(&mut caller, &mut called);
        for output in pass(&mut called, &mut caller) {
            match output {
                Output::Offered(offer) => called.handle(Input::Accept(offer.id)),
                Output::Store(message) => {
                    first_stored.get_or_insert((message.id.number, turn));
                    called.handle(Input::Stored(message.id, NOW));
                }
                Output::Ended { well, .. } => {
                    assert!(well);
                    turns_after = turn;
                }
                _ => {}
            }
        }
    }
    let (number, turn) = first_stored.expect("something stored");
    assert_eq!(number, 2);
    // Offered in the next turn, sent in the one after.
    assert!(turn <= 6 && turns_after > 8, "{turn} {turns_after}");
}

#[test]
fn the_limit_of_a_port_is_kept_on_both_sides() {
    let messages = vec![message(1, &noise(1, 3000)), message(2, "Small.")];
    // The called side learns the limit before it offers, the caller by the answer.
    for calls in [true, false] {
        let (mut a, mut b) = pair(messages.clone(), vec![]);
        b.limits.packed = 1000;
        let trace = match calls {
            true => all(&mut a, &mut b),
            false => all(&mut b, &mut a),
        };
        assert_eq!(refusals(&a), [(1, Why::TooLarge)]);
        assert_eq!(stored(&b), [2]);
        let octets: usize = trace.turns.iter().map(|(_, octets)| octets.len()).sum();
        assert!(octets < 250, "{octets}");
        if !calls {
            // Hello and one offer.
            assert!(trace.turns[1].1.len() < 60);
        }
    }
}

#[test]
fn every_reason_reaches_the_sender() {
    let messages = (2..8).map(|n| message(n, "Text.")).collect();
    let (mut a, mut b) = pair(messages, vec![]);
    b.decides = |offer| {
        [Why::NotThisArea, Why::Held, Why::NoRoom, Why::TryLater]
            .into_iter()
            .nth(offer.id.number as usize - 2)
    };
    all(&mut a, &mut b);
    let mut reasons = refusals(&a);
    reasons.sort();
    let expected = [Why::NotThisArea, Why::Held, Why::NoRoom, Why::TryLater];
    assert_eq!(
        reasons,
        [2, 3, 4, 5].into_iter().zip(expected).collect::<Vec<_>>()
    );
    assert_eq!(stored(&b).len(), 2);
    assert_eq!(a.out, [id(4), id(5)]);
}

#[test]
fn the_sender_sees_who_has_it_now_and_since_when() {
    let (mut a, mut b) = pair(vec![message(1, "Text.")], vec![]);
    all(&mut a, &mut b);
    let step = Step {
        station: call("QM2REE"),
        at: NOW,
    };
    assert_eq!(a.has[&id(1)].chain.last(), Some(&step));
    assert_eq!(a.has, b.has);
}

#[test]
fn nothing_goes_back_to_where_it_has_been() {
    let mut been = message(1, "Been there.");
    been.taken_by(call("QM2REE"), NOW);
    let mut written_there = message(2, "Written there.");
    written_there.id.origin = call("QM2REE");
    let (mut a, mut b) = pair(vec![been, written_there, message(3, "New.")], vec![]);
    let trace = all(&mut a, &mut b);
    assert_eq!(refusals(&a), [(1, Why::HaveIt), (2, Why::HaveIt)]);
    assert_eq!(stored(&b), [3]);
    // One offer is in the first turn.
    assert!(trace.turns[0].1.len() < 60);
}

#[test]
fn a_message_that_both_have_is_not_sent() {
    let (mut a, mut b) = pair(vec![message(1, "Both.")], vec![message(1, "Both.")]);
    let trace = all(&mut a, &mut b);
    assert_eq!(trace.turns.len(), 2);
    assert!(a.out.is_empty() && b.out.is_empty() && b.stored.is_empty());
}

#[test]
fn taken_is_said_only_after_it_was_stored() {
    let (a, b) = pair(vec![message(1, "Text.")], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    pass(&mut caller, &mut called);
    assert!(matches!(called.poll(), Some(Output::Offered(_))));
    assert_eq!(called.poll(), None);
    called.handle(Input::Accept(id(1)));
    pass(&mut called, &mut caller);
    pass(&mut caller, &mut called);
    assert!(matches!(called.poll(), Some(Output::Store(_))));
    assert_eq!(called.poll(), None);
    called.handle(Input::Stored(id(1), NOW));
    pass(&mut called, &mut caller);
    let told = pass(&mut caller, &mut called);
    assert!(matches!(told[0], Output::Taken { .. }), "{told:?}");
}

#[test]
fn what_cannot_be_stored_is_kept_and_not_sent_again() {
    let (mut a, mut b) = pair(vec![message(1, &noise(1, 1500))], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    pass(&mut caller, &mut called);
    called.handle(Input::Accept(id(1)));
    pass(&mut called, &mut caller);
    pass(&mut caller, &mut called);
    called.handle(Input::NotStored(id(1), Why::NoRoom));
    let outputs = pass(&mut called, &mut caller);
    for output in outputs {
        if let Output::KeepPartial(partial) = output {
            b.kept.insert(partial.id, partial);
        }
    }
    let told = pass(&mut caller, &mut called);
    let refused = Output::Refused {
        id: id(1),
        why: Why::NoRoom,
    };
    assert_eq!(told[0], refused);
    let trace = all(&mut a, &mut b);
    assert_eq!(stored(&b), [1]);
    assert!(b.kept.is_empty());
    let octets: usize = trace.turns.iter().map(|(_, octets)| octets.len()).sum();
    assert!(octets < 150, "{octets}");
}

/// A called session that has got all of a message and waits for the station to store it.
fn storing() -> (Session, Session) {
    let (a, b) = pair(vec![message(1, &noise(1, 1500))], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    pass(&mut caller, &mut called);
    called.handle(Input::Accept(id(1)));
    pass(&mut called, &mut caller);
    pass(&mut caller, &mut called);
    let outputs = pass(&mut called, &mut caller);
    assert!(matches!(outputs[..], [Output::Store(_)]), "{outputs:?}");
    (caller, called)
}

#[test]
fn what_is_being_stored_when_the_link_drops_is_kept_until_it_is() {
    type Told = fn(MessageId) -> Input;
    let ends: [(Told, bool); 4] = [
        (|id| Input::Stored(id, NOW), true),
        (|id| Input::NotStored(id, Why::HaveIt), true),
        (|id| Input::NotStored(id, Why::NoRoom), false),
        (|_| Input::Dropped, false),
    ];
    for (told, dropped) in ends {
        let (mut caller, mut called) = storing();
        assert_eq!(called.partials().len(), 1);
        called.handle(Input::Dropped);
        let outputs = pass(&mut called, &mut caller);
        let [
            Output::KeepPartial(partial),
            Output::Ended { well: false, .. },
        ] = &outputs[..]
        else {
            panic!("{outputs:?}");
        };
        assert!(partial.id == id(1) && partial.octets.len() > 1000);
        called.handle(told(id(1)));
        let expected = match dropped {
            true => vec![Output::DropPartial(id(1))],
            false => vec![],
        };
        assert_eq!(pass(&mut called, &mut caller), expected);
    }
}

#[test]
fn an_end_while_something_is_decided_or_stored_is_not_a_good_one() {
    let bare_end = || Input::Received(vec![7, 0]);
    let (mut caller, mut called) = storing();
    called.handle(bare_end());
    let outputs = pass(&mut called, &mut caller);
    assert!(matches!(outputs[0], Output::KeepPartial(_)));
    assert!(matches!(outputs[1], Output::Ended { well: false, .. }));
    let (a, b) = pair(vec![message(1, "Text.")], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    pass(&mut caller, &mut called);
    called.handle(bare_end());
    let outputs = pass(&mut called, &mut caller);
    assert!(matches!(outputs[1], Output::Ended { well: false, .. }));
}

#[test]
fn what_came_another_way_meanwhile_is_not_kept() {
    let (a, b) = pair(vec![message(1, "Text.")], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    pass(&mut caller, &mut called);
    called.handle(Input::Accept(id(1)));
    pass(&mut called, &mut caller);
    pass(&mut caller, &mut called);
    called.handle(Input::NotStored(id(1), Why::HaveIt));
    let outputs = pass(&mut called, &mut caller);
    let kept = |output: &Output| matches!(output, Output::KeepPartial(_));
    assert!(!outputs.iter().any(kept), "{outputs:?}");
    let refused = Output::Refused {
        id: id(1),
        why: Why::HaveIt,
    };
    assert_eq!(pass(&mut caller, &mut called)[0], refused);
}

#[test]
fn a_station_that_does_not_decide_or_store_holds_up_nobody() {
    let (a, b) = pair(vec![message(1, "Text."), message(2, "More.")], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    pass(&mut caller, &mut called);
    called.handle(Input::Accept(id(1)));
    called.handle(Input::GoOn);
    pass(&mut called, &mut caller);
    let later = Output::Refused {
        id: id(2),
        why: Why::TryLater,
    };
    assert_eq!(pass(&mut caller, &mut called)[0], later);
    // The store is slow.
    let mut ended = false;
    for _ in 0..5 {
        called.handle(Input::GoOn);
        pass(&mut called, &mut caller);
        let told = pass(&mut caller, &mut called);
        assert!(
            !told
                .iter()
                .any(|output| matches!(output, Output::Taken { .. }))
        );
        ended |= matches!(told.last(), Some(Output::Ended { .. }));
    }
    assert!(ended);
}

#[test]
fn what_a_later_version_adds_is_skipped() {
    let (mut a, mut b) = pair(vec![], vec![message(1, "Text.")]);
    let mut session = b.session(a.call, false);
    // A hello of version 9 with more in it, a record of a new type, over with more in it.
    let mut octets = vec![0xd1, 8, 9, 0xa0, 0x8d, 0x06, 0x80, 0x10, 1, 2];
    octets.extend([0x60, 200, 1]);
    octets.extend([7; 200]);
    octets.extend([6, 3, 0, 9, 9]);
    session.handle(Input::Received(octets));
    let (sent, ended) = b.serve(&mut session);
    assert!(!ended && sent.len() > 30, "{:?}", b.log);
    a.limits.turn = 0;
    all(&mut a, &mut b);
}

#[test]
fn more_than_a_session_can_hold_is_left_for_the_next() {
    let messages = (0..300).map(|n| message(n, "Text.")).collect();
    let (mut a, mut b) = pair(messages, vec![]);
    all(&mut a, &mut b);
    assert_eq!((b.has.len(), a.out.len()), (255, 45));
    all(&mut a, &mut b);
    assert_eq!((b.has.len(), a.out.len()), (300, 0));
}

#[test]
fn a_station_may_end_at_any_time_and_says_why() {
    let (mut a, mut b) = pair(vec![message(1, &noise(1, 5000))], vec![]);
    let mut called = b.session(a.call, false);
    let mut caller = a.session(b.call, true);
    called.handle(Input::Received(a.serve(&mut caller).0));
    caller.handle(Input::Received(b.serve(&mut called).0));
    called.handle(Input::Received(a.serve(&mut caller).0[..900].to_vec()));
    assert_eq!(caller.under_way(), [id(1)]);
    called.handle(Input::End("the band is closing".into()));
    let (sent, ended) = b.serve(&mut called);
    assert!(ended && b.kept[&id(1)].octets.len() > 800);
    caller.handle(Input::Received(sent));
    a.serve(&mut caller);
    let (well, words) = a.last_words();
    assert!(
        !well && words == "QM2REE ended: the band is closing",
        "{words}"
    );
    assert_eq!(a.out, [id(1)]);
}
