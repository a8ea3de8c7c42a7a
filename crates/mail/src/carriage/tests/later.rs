//! What comes later than an exchange begins: mail, and answers of the keeper.

use super::*;

/// QA1SKY has so many messages for QM2REE, and QM2REE has as many for it.
fn many(count: u64, most: usize) -> [Keeper; 2] {
    let mut near = Keeper::new("QA1SKY", "QM2REE", true);
    let mut far = Keeper::new("QM2REE", "QA1SKY", false);
    for number in 0..count {
        near.write(message(number, to("QM2REE"), "Forty cots."));
        let mut back = message(number, to("QA1SKY"), "Thank you.");
        back.id.origin = call("QM2REE");
        far.write(back);
    }
    (near.most, far.most) = (most, most);
    [near, far]
}

#[test]
fn what_is_queued_during_an_exchange_is_offered_in_it() {
    let whole = link(&mut pair(), usize::MAX);
    let mut in_it = 0;
    for side in 0..2 {
        for at in (0..whole).step_by(FRAME) {
            let mut keepers = pair();
            let mut queued = false;
            let left = link_and(&mut keepers, usize::MAX, |passed, keepers, carriages| {
                if passed > at && !std::mem::replace(&mut queued, true) {
                    let partner = ["QM2REE", "QA1SKY"];
                    let mut new = message(7, to(partner[side]), "One more thing.");
                    new.id.origin = call(partner[1 - side]);
                    keepers[side].write(new);
                    carriages[side].handle(Input::Queued, NOW);
                }
            });
            assert!(queued, "octet {at}");
            let arrived = keepers[1 - side].kept.len();
            // Of what comes too late the station hears, and calls again.
            let late = left.1[side];
            assert_eq!(arrived, if late { 1 } else { 2 }, "side {side}, octet {at}");
            in_it += usize::from(!late);
            link(&mut keepers, usize::MAX);
            assert!(keepers[side].waiting.is_empty(), "octet {at}");
            assert!(keepers[1 - side].kept.values().all(|times| *times == 1));
        }
    }
    assert!(in_it > whole / FRAME, "{in_it} of {}", 2 * whole / FRAME);
}

#[test]
fn a_long_queue_is_read_on_in_the_same_exchange() {
    let mut keepers = many(20, 3);
    let (_, left) = link_and(&mut keepers, usize::MAX, |_, _, _| {});
    for keeper in &keepers {
        assert!(keeper.waiting.is_empty());
        assert_eq!(keeper.kept.len(), 20);
        assert!(keeper.read <= 8, "read {} times", keeper.read);
        assert_eq!(keeper.read_partials, 1, "which only the first uses");
    }
    assert_eq!(left, [false; 2]);
}

#[test]
fn a_short_queue_is_read_once() {
    let mut keepers = pair();
    link(&mut keepers, usize::MAX);
    assert_eq!([keepers[0].read, keepers[1].read], [1, 1]);
}

#[test]
fn what_is_more_than_an_exchange_may_offer_is_left_for_the_next() {
    let mut keepers = many(260, 100);
    let (_, left) = link_and(&mut keepers, usize::MAX, |_, _, _| {});
    assert_eq!([keepers[0].kept.len(), keepers[1].kept.len()], [255, 255]);
    assert_eq!(left, [true; 2]);
    let (_, left) = link_and(&mut keepers, usize::MAX, |_, _, _| {});
    assert_eq!([keepers[0].kept.len(), keepers[1].kept.len()], [260, 260]);
    assert_eq!(left, [false; 2]);
}

#[test]
fn a_queue_that_could_not_be_settled_is_not_read_for_ever() {
    let mut keepers = many(10, 3);
    keepers[0].settles_nothing = true;
    link(&mut keepers, usize::MAX);
    assert!(keepers[0].read < 8, "read {} times", keepers[0].read);
    assert!(keepers[1].kept.values().all(|times| *times == 1));
}

/// A link of which one side's keeper answers nothing of a kind until both stand still; then that carriage is told to go
/// on, and the answers come after that.
fn slow(keepers: &mut [Keeper; 2], slow_side: usize, is_slow: fn(&Ask) -> bool) -> bool {
    let mut carriages = [0, 1].map(|side| Carriage::new(keepers[side].settings.clone(), NOW));
    let mut lines: [Vec<u8>; 2] = Default::default();
    let mut late: Vec<(Ticket, Ask)> = Vec::new();
    let (mut ends, mut gone_on) = (Vec::new(), 0);
    while ends.len() < 2 {
        for side in 0..2 {
            while let Some(output) = carriages[side].poll() {
                match output {
                    Output::Send(octets) => lines[side].extend(octets),
                    Output::Ask(ticket, ask) if side == slow_side && is_slow(&ask) => {
                        late.push((ticket, ask));
                    }
                    Output::Ask(ticket, ask) => {
                        let answer = Box::new(keepers[side].answer(ask));
                        carriages[side].handle(Input::Answer(ticket, answer), NOW);
                    }
                    Output::Ended { well, .. } => ends.push(well),
                    Output::Note(_) | Output::CameToNothing(_) => {}
                }
            }
        }
        if let Some(side) = (0..2).find(|&side| !lines[side].is_empty()) {
            let octets = std::mem::take(&mut lines[side]);
            carriages[1 - side].handle(Input::Received(octets), NOW);
        } else if ends.len() < 2 {
            assert!(carriages[slow_side].waits(), "nobody else is waited for");
            gone_on += 1;
            carriages[slow_side].handle(Input::GoOn, NOW);
            assert!(!carriages[slow_side].waits(), "it has spoken");
            let answers = late
                .drain(..)
                .map(|(ticket, ask)| (ticket, keepers[slow_side].answer(ask)));
            for (ticket, answer) in answers.collect::<Vec<_>>() {
                carriages[slow_side].handle(Input::Answer(ticket, Box::new(answer)), NOW);
            }
        }
    }
    assert!(gone_on > 0, "nothing was slow");
    ends == [true; 2]
}

#[test]
fn a_queue_that_is_read_too_late_for_the_first_turn_is_offered_in_a_later_one() {
    let mut keepers = pair();
    assert!(slow(&mut keepers, 0, |ask| matches!(
        ask,
        Ask::Outgoing { .. }
    )));
    assert_eq!([keepers[0].kept.len(), keepers[1].kept.len()], [1, 1]);
}

#[test]
fn a_partial_that_is_read_too_late_for_the_first_turn_is_gone_on_from() {
    let cuts = (0..).map(|cut| {
        let mut keepers = pair();
        link(&mut keepers, cut);
        keepers
    });
    let mut cuts = cuts.skip_while(|keepers| keepers[1].partials.is_empty());
    let mut keepers = cuts.nth(5).expect("a cut within the item");
    let side = 1;
    let mut carriage = Carriage::new(keepers[side].settings.clone(), NOW);
    let Some(Output::Ask(ticket, ask)) = carriage.poll() else {
        panic!("it asks for its queue");
    };
    carriage.handle(Input::GoOn, NOW);
    let answer = Box::new(keepers[side].answer(ask));
    carriage.handle(Input::Answer(ticket, answer), NOW);
    let (sent, _) = keepers[side].serve(&mut carriage);
    let mut other = Carriage::new(keepers[1 - side].settings.clone(), NOW);
    let (mut theirs, _) = keepers[1 - side].serve(&mut other);
    other.handle(Input::Received(sent), NOW);
    theirs.extend(keepers[1 - side].serve(&mut other).0);
    carriage.handle(Input::Received(theirs), NOW);
    let (sent, _) = keepers[side].serve(&mut carriage);
    let there = keepers[side]
        .partials
        .values()
        .next()
        .expect("it")
        .octets
        .len();
    let mut wanted = vec![0, 0];
    crate::exchange::octets::put_number(&mut wanted, there as u64);
    assert!(
        there > 0 && sent.windows(wanted.len()).any(|w| w == wanted),
        "{sent:02x?}"
    );
}

#[test]
fn an_offer_that_is_decided_too_late_is_to_be_offered_again() {
    let mut keepers = pair();
    assert!(slow(&mut keepers, 1, |ask| matches!(
        ask,
        Ask::Known { .. }
    )));
    assert_eq!(keepers[1].kept.len(), 0);
    assert_eq!(keepers[0].waiting.len(), 1);
    link(&mut keepers, usize::MAX);
    assert_eq!((keepers[1].kept.len(), keepers[0].waiting.len()), (1, 0));
}

#[test]
fn what_is_stored_late_is_told_in_a_later_turn() {
    let mut keepers = pair();
    assert!(slow(&mut keepers, 1, |ask| matches!(ask, Ask::Keep(_))));
    assert!(keepers[0].waiting.is_empty());
    assert!(keepers[1].kept.values().all(|times| *times == 1));
}
