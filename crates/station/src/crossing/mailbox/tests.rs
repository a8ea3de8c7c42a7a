//! Tests of what visitors write and list.

use super::*;

fn personal() -> Kind {
    let to = "QX0RLF".parse().expect("an address");
    Kind::Personal { to }
}

fn said(led: Option<Led>) -> String {
    match led {
        Some(Led::Say(text)) => text,
        _ => String::new(),
    }
}

#[test]
fn a_message_is_written_line_by_line_and_control_characters_stay_out() {
    let mut box_ = Mailbox::default();
    let led = box_.write(personal(), Precedence::Routine);
    let Led::Wish(wish @ Wish::MayWrite(_)) = led else {
        panic!("it is asked for room");
    };
    box_.asks(&wish);
    let asks = box_.answered(&Answer::Done).map(|(text, _)| text);
    assert!(asks.is_some_and(|text| text.starts_with("What is it about")));
    assert!(said(box_.line("Cots\u{1b}[2J")).starts_with("Now the text."));
    assert!(box_.line("Forty.").is_none());
    assert!(box_.line("").is_none());
    assert!(box_.line("Send them\u{7}.").is_none());
    let Some(Led::Wish(Wish::Write(draft))) = box_.line("send") else {
        panic!("it is sent");
    };
    assert_eq!(
        (draft.title.as_str(), draft.body.as_str()),
        ("Cots[2J", "Forty.\n\nSend them.\n")
    );
    assert!(!box_.is_writing());
}

#[test]
fn a_message_may_be_dropped_and_does_not_grow_without_end() {
    let mut box_ = Mailbox::default();
    box_.write(personal(), Precedence::Routine);
    box_.line("Cots");
    for _ in 0..100 {
        box_.line(&"x".repeat(79));
    }
    assert!(
        box_.writing
            .as_ref()
            .is_some_and(|w| w.body.len() < MOST_WRITTEN)
    );
    assert_eq!(said(box_.line("STOP")), "Dropped.");
    assert!(!box_.is_writing());
    assert!(box_.number(1).is_err());
}

#[test]
fn who_has_left_too_much_is_told_before_a_text_is_typed() {
    let mut box_ = Mailbox::default();
    box_.write(personal(), Precedence::Routine);
    box_.asks(&Wish::MayWrite(Precedence::Routine));
    let words = "You have left 20 messages.".to_owned();
    let answer = Answer::NotAllowed {
        words: words.clone(),
    };
    assert_eq!(box_.answered(&answer), Some((words, None)));
    assert!(!box_.is_writing());
}

/// Begins a message, which is asked for.
fn begun() -> Mailbox {
    let mut box_ = Mailbox::default();
    box_.write(personal(), Precedence::Routine);
    box_.asks(&Wish::MayWrite(Precedence::Routine));
    box_
}

/// The text that is sent by this line.
fn sends(box_: &mut Mailbox, line: &str) -> String {
    let Some(Led::Wish(wish)) = box_.line(line) else {
        panic!("it is sent");
    };
    box_.asks(&wish);
    match wish {
        Wish::Write(draft) => draft.body,
        other => panic!("{other:?}"),
    }
}

fn told(box_: &mut Mailbox, answer: &Answer) -> String {
    box_.answered(answer)
        .map(|(text, _)| text)
        .unwrap_or_default()
}

#[test]
fn who_has_little_left_is_told_how_much_and_types_no_more() {
    let mut box_ = begun();
    let asks = told(&mut box_, &Answer::MayLeave { octets: 150 });
    assert!(asks.ends_with("About 150 octets are left."), "{asks}");
    box_.line("Cots");
    assert!(box_.line(&"x".repeat(99)).is_none());
    let full = said(box_.line(&"y".repeat(99)));
    assert!(full.starts_with("A message holds 150 octets"), "{full}");
    assert_eq!(sends(&mut box_, "send").len(), 100);
}

#[test]
fn a_text_that_is_refused_is_not_lost() {
    let mut box_ = begun();
    box_.answered(&Answer::MayLeave { octets: 5000 });
    box_.line("Cots");
    box_.line("Forty.");
    box_.line("Or fifty.");
    sends(&mut box_, "send");
    let words = "Too much for today.".to_owned();
    let refused = told(&mut box_, &Answer::NotAllowed { words });
    assert!(refused.starts_with("Too much for today. Your text is still here"));
    assert!(said(box_.line("mail")).starts_with("SEND tries it again"));
    assert!(said(box_.line("cut")).starts_with("7 octets are left of it."));
    assert_eq!(sends(&mut box_, "SEND"), "Forty.\n");
    let words = String::new();
    let failed = told(&mut box_, &Answer::Failed { words });
    assert!(failed.contains("please try later. Your text is still here"));
    assert_eq!(sends(&mut box_, "send"), "Forty.\n");
    assert_eq!(told(&mut box_, &Answer::Kept), "Kept: .");
    assert!(!box_.is_writing() && box_.sent.is_none());
}

#[test]
fn what_was_typed_ahead_of_a_refusal_is_no_command() {
    let words = || Answer::Full {
        words: String::new(),
    };
    let mut box_ = begun();
    box_.line("Cots");
    assert!(told(&mut box_, &words()).starts_with("There is no room"));
    assert!(box_.line("delete 1").is_none() && box_.is_writing());
    assert_eq!(said(box_.line("send")), "It was not taken.");
    assert!(!box_.is_writing());
    // All was typed ahead: one refusal is enough, and the text is still here.
    let mut box_ = begun();
    box_.line("Cots");
    box_.line("Forty.");
    sends(&mut box_, "send");
    assert_eq!(told(&mut box_, &words()), "");
    assert!(told(&mut box_, &words()).contains("Your text is still here"));
    assert_eq!(said(box_.line("stop")), "Dropped.");
}

#[test]
fn after_a_refusal_lines_that_mean_nothing_end_it() {
    let mut box_ = begun();
    box_.line("Cots");
    sends(&mut box_, "send");
    box_.answered(&Answer::Done);
    box_.answered(&Answer::AlreadyKnown);
    let lines = ["mail", "end", "hello", "hello"].map(|line| said(box_.line(line)));
    assert_eq!(lines, [AGAIN, AGAIN, AGAIN, "Dropped."]);
    assert!(!box_.is_writing());
}

#[test]
fn a_radiogram_is_listed_as_one() {
    let message = dunlin_mail::Message {
        id: "QM3BAR:0000000000001".parse().expect("an identifier"),
        kind: Kind::Formal {
            to: "QX0RLF".parse().expect("an address"),
        },
        precedence: Precedence::Routine,
        from: "QM3BAR".parse().expect("an address"),
        written: dunlin_clock::WallTime(1_795_960_920_000),
        title: "LEE COVE 555".into(),
        body: "form".into(),
        chain: Vec::new(),
    };
    let way = dunlin_mail::post::Way::Here;
    let proof = dunlin_mail::post::Proof::KnownPath;
    let letter = Letter::new(message, proof, &way, dunlin_clock::WallTime(0));
    let listed = Mailbox::default().list(&[letter.head()]);
    let expected = "1: QM3BAR radiogram on 11-29 about \"LEE COVE 555\", 4 octets";
    assert_eq!(listed, expected);
}

#[test]
fn answers_come_in_the_order_of_the_asks() {
    let mut box_ = Mailbox::default();
    box_.asks(&Wish::Count);
    box_.asks(&Wish::Mail);
    assert_eq!(box_.answered(&Answer::Heads(Vec::new())), None);
    assert_eq!(
        box_.answered(&Answer::Heads(Vec::new())),
        Some(("Nothing.".into(), None))
    );
    assert_eq!(box_.answered(&Answer::Done), None, "nothing was asked");
}
