//! What is said when, and what becomes of it.

use dunlin_mail::file::{File, Head, Input, NotOffered, Output, Why};

use crate::station::{AIRTIME, Side, content, hash, head, talk};

const WHOLE: usize = usize::MAX;

fn pair() -> (Side, Side) {
    (Side::new("QA1SKY"), Side::new("QM2REE"))
}

/// The last figures of progress.
fn sent(side: &Side) -> Option<(u64, u64)> {
    side.log.iter().rev().find_map(|output| match output {
        Output::Sent { done, total, .. } => Some((*done, *total)),
        _ => None,
    })
}

#[test]
fn a_file_goes_over_and_the_sender_is_told_when_it_is_stored() {
    let (mut a, mut b) = pair();
    let map = content(1, 3000);
    let file = a.offer("map.png", &map);
    talk(&mut a, &mut b, WHOLE);
    assert_eq!(b.got[&hash(&map)], (map, 1));
    assert_eq!(sent(&a), Some((3000, 3000)));
    assert!(a.saw(|o| *o == Output::Delivered(file)));
    let line = String::from_utf8(b.heard.clone()).expect("text");
    assert!(
        line.starts_with(
            "QA1SKY offers the file map.png, 3000 octets, about 7 min on the air here;"
        )
    );
    assert!(a.heard.is_empty());
    // The second needs no line.
    a.offer("more.png", &content(2, 50));
    talk(&mut a, &mut b, WHOLE);
    assert_eq!((b.got.len(), b.heard.len()), (2, line.len()));
}

#[test]
fn nothing_is_said_to_be_stored_before_it_is() {
    let (mut a, mut b) = pair();
    let map = content(1, 100);
    let file = a.offer("map.png", &map);
    b.away = true;
    talk(&mut a, &mut b, WHOLE);
    b.files.handle(Input::Accept(File::Theirs(0), Vec::new()));
    // The outputs of b are not served: its disk is slow.
    while let Some(octets) = b.files.give(128) {
        a.hear(&octets);
    }
    while let Some(octets) = a.give(128) {
        b.files.handle(Input::Received(crate::station::NOW, octets));
    }
    assert!(b.files.give(128).is_none());
    b.files.handle(Input::Stored(File::Theirs(0), Ok(())));
    a.hear(&b.files.give(128).expect("word of it"));
    assert!(a.saw(|o| *o == Output::Delivered(file)));
}

#[test]
fn a_person_refuses_before_or_while_it_comes() {
    let (mut a, mut b) = pair();
    b.decides = |_| Some(Why::NotWanted);
    let file = a.offer("map.png", &content(1, 3000));
    talk(&mut a, &mut b, WHOLE);
    assert!(a.saw(|o| matches!(o, Output::Refused(f, Why::NotWanted, _) if *f == file)));
    assert_eq!(sent(&a), None);
    b.decides = |_| None;
    let file = a.offer("map2.png", &content(2, 3000));
    // The link is taken apart by hand: some pieces, then the refusal while others are under way.
    for _ in 0..3 {
        step(&mut a, &mut b);
        step(&mut b, &mut a);
    }
    let under_way = a.give(128).expect("a piece");
    b.handle(Input::Refuse(
        File::Theirs(1),
        Why::NoRoom,
        "the disk is full".into(),
    ));
    b.hear(&under_way);
    talk(&mut a, &mut b, WHOLE);
    let words = |o: &Output| matches!(o, Output::Refused(f, Why::NoRoom, w) if *f == file && w == "the disk is full");
    assert!(a.saw(words));
    assert!(sent(&a).expect("some went").0 < 3000);
    // The talk goes on, and so do other files.
    a.types(b"Sorry!\r");
    a.offer("small", &content(3, 10));
    talk(&mut a, &mut b, WHOLE);
    assert!(b.heard.ends_with(b"Sorry!\r") && b.got.len() == 1);
}

fn step(from: &mut Side, to: &mut Side) {
    if let Some(octets) = from.give(128) {
        to.hear(&octets);
    }
}

#[test]
fn the_sender_withdraws_while_it_goes() {
    let (mut a, mut b) = pair();
    let file = a.offer("map.png", &content(1, 3000));
    for _ in 0..6 {
        step(&mut a, &mut b);
        step(&mut b, &mut a);
    }
    a.handle(Input::Withdraw(file, "the wrong map".into()));
    talk(&mut a, &mut b, WHOLE);
    let told = |o: &Output| matches!(o, Output::Stopped { keep: true, words, .. } if words == "the wrong map");
    assert!(b.saw(told) && b.got.is_empty() && b.parts.len() == 1);
    // And before anybody has shown to speak this: in words. Its number is not used again.
    let (mut a, mut b) = pair();
    let file = a.offer("map.png", &content(1, 3000));
    a.handle(Input::Withdraw(file, String::new()));
    let other = a.offer("other.png", &content(2, 300));
    talk(&mut a, &mut b, WHOLE);
    assert!(
        String::from_utf8_lossy(&b.heard).contains("\rQA1SKY no longer offers the file map.png.\r")
    );
    assert!(other == File::Ours(1) && b.got.len() == 1);
}

#[test]
fn a_station_that_has_it_says_so() {
    let (mut a, mut b) = pair();
    let map = content(1, 300);
    b.got.insert(hash(&map), (map.clone(), 1));
    a.offer("map.png", &map);
    talk(&mut a, &mut b, WHOLE);
    assert!(a.has.is_empty() && b.got[&hash(&map)].1 == 1 && sent(&a).is_none());
    // All octets were there, but it was not known to be stored.
    let (mut a, mut b) = pair();
    b.parts.insert(hash(&map), map.clone());
    a.offer("map.png", &map);
    talk(&mut a, &mut b, WHOLE);
    assert!(a.has.is_empty() && b.got.len() == 1 && sent(&a).is_none());
}

#[test]
fn a_partial_that_is_wrong_costs_one_more_start() {
    let (mut a, mut b) = pair();
    let map = content(1, 600);
    let mut part = map[..400].to_vec();
    part[7] ^= 1;
    b.parts.insert(hash(&map), part);
    a.offer("map.png", &map);
    talk(&mut a, &mut b, WHOLE);
    assert!(
        a.saw(|o| matches!(o, Output::Wanted(_, 400)))
            && a.saw(|o| matches!(o, Output::Wanted(_, 0)))
    );
    assert!(b.saw(|o| matches!(o, Output::Damaged(_))));
    assert_eq!(b.got[&hash(&map)], (map, 1));
}

#[test]
fn a_plain_partner_answers_in_words_or_not_at_all() {
    let (mut a, _) = pair();
    let file = a.offer("map.png", &content(1, 3000));
    let said = a.give(999).expect("a line");
    assert!(said.ends_with(b"]\r") && a.give(999).is_none());
    // Whatever is typed, control characters too: it is text, and nothing but lines goes out.
    let typed = b"hm\x1c\x05\x00\xff\r\nwhat is that?\ryes\r";
    a.hear(typed);
    // An echo of the line shows nothing.
    a.hear(&said);
    assert_eq!(a.heard, [typed, &said[..]].concat());
    assert!(a.give(999).is_none() && !a.saw(|o| matches!(o, Output::Speaks(_))));
    a.hear(b"No.\r");
    assert!(a.saw(|o| matches!(o, Output::Refused(f, Why::NotWanted, _) if *f == file)));
    assert!(a.heard.ends_with(b"No.\r"));
}

#[test]
fn both_offer_at_once() {
    let (mut a, mut b) = pair();
    let (one, two) = (content(1, 2000), content(2, 900));
    a.offer("one", &one);
    b.offer("two", &two);
    talk(&mut a, &mut b, WHOLE);
    assert!(b.got.contains_key(&hash(&one)) && a.got.contains_key(&hash(&two)));
}

#[test]
fn several_files_go_one_after_the_other() {
    let (mut a, mut b) = pair();
    for seed in 0..4 {
        a.offer(&format!("file {seed}"), &content(seed, 5000));
    }
    let first = head("other name", &content(0, 5000));
    assert_eq!(a.files.offer(first, AIRTIME), Err(NotOffered::Already));
    let fifth = head("x", b"x");
    assert_eq!(
        a.files.offer(fifth.clone(), AIRTIME),
        Err(NotOffered::TooMany)
    );
    talk(&mut a, &mut b, WHOLE);
    assert_eq!(b.got.len(), 4);
    assert!(a.files.offer(fifth, AIRTIME).is_ok());
}

#[test]
fn limits_of_size_are_kept_by_both_sides() {
    let (mut a, mut b) = pair();
    b.limits.largest = 999;
    b.begin();
    let file = a.offer("large", &content(1, 1000));
    talk(&mut a, &mut b, WHOLE);
    assert!(a.saw(|o| matches!(o, Output::Refused(f, Why::TooLarge, _) if *f == file)));
    assert!(!b.saw(|o| matches!(o, Output::Offered(..) | Output::TurnedAway(_))));
    let large = Head::new("x", None, 1000, [0; 32]).expect("a head");
    assert_eq!(
        a.files.offer(large, AIRTIME),
        Err(NotOffered::TooLarge(1000, 999))
    );
}

#[test]
fn a_file_that_cannot_be_read_is_withdrawn() {
    let (mut a, mut b) = pair();
    let map = content(1, 9000);
    a.offer("map.png", &map);
    // It has become shorter meanwhile.
    a.has.insert(hash(&map), map[..5000].to_vec());
    talk(&mut a, &mut b, WHOLE);
    assert!(b.saw(
        |o| matches!(o, Output::Stopped { keep: true, words, .. } if words == "it cannot be read")
    ));
}

#[test]
fn files_are_over_when_one_side_says_so_and_text_goes_on() {
    let (mut a, mut b) = pair();
    a.offer("map.png", &content(1, 3000));
    for _ in 0..6 {
        step(&mut a, &mut b);
        step(&mut b, &mut a);
    }
    b.handle(Input::Quit("the shack closes".into()));
    a.types(b"See you \x1c soon\r");
    talk(&mut a, &mut b, WHOLE);
    assert!(a.saw(|o| *o == Output::Over("the shack closes".into())));
    assert!(b.heard.ends_with(b"See you \x1c soon\r") && b.parts.len() == 1);
    assert_eq!(
        a.files.offer(head("x", b"x"), AIRTIME),
        Err(NotOffered::Over)
    );
}

#[test]
fn a_record_of_which_a_part_is_out_comes_to_its_end_before_the_last() {
    let (mut a, mut b) = pair();
    a.portion = 16;
    a.begin();
    a.offer("map.png", &content(1, 3000));
    while !b.saw(|o| matches!(o, Output::Speaks(_))) {
        step(&mut a, &mut b);
        step(&mut b, &mut a);
    }
    step(&mut a, &mut b);
    a.handle(Input::Quit("the shack closes".into()));
    talk(&mut a, &mut b, WHOLE);
    assert!(b.saw(|o| *o == Output::Over("the shack closes".into())));
}

#[test]
fn whoever_wants_no_files_when_the_hello_comes_says_so() {
    let (mut a, mut b) = pair();
    a.offer("map.png", &content(1, 3000));
    // The line takes two frames.
    step(&mut a, &mut b);
    step(&mut a, &mut b);
    b.handle(Input::Quit("no files today".into()));
    talk(&mut a, &mut b, WHOLE);
    assert!(a.saw(|o| matches!(o, Output::Over(_))) && b.parts.is_empty());
    // Before the line: it stays a line.
    let (mut a, mut b) = pair();
    b.handle(Input::Quit("no files today".into()));
    a.offer("map.png", &content(1, 3000));
    assert_eq!(talk(&mut a, &mut b, WHOLE).octets, b.heard.len());
}
