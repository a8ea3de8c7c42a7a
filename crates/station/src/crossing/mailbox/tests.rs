//! Tests of what visitors write and list.

use super::form::AGAIN as AGAIN_FORM;
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
    assert!(told(&mut box_, &Answer::Done).starts_with("What is it about"));
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
    assert_eq!(box_.answered(&answer), Some(Told::Say(words)));
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
    match box_.answered(answer) {
        Some(Told::Say(text)) => text,
        None => String::new(),
        other => panic!("{other:?}"),
    }
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

fn formal() -> Letter {
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
    Letter::new(message, proof, &way, dunlin_clock::WallTime(0))
}

#[test]
fn a_radiogram_is_listed_as_one() {
    let listed = Mailbox::default().list(&[formal().head()]);
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
        Some(Told::Say("Nothing.".into()))
    );
    assert_eq!(box_.answered(&Answer::Done), None, "nothing was asked");
}

/// The visitor is about to type a radiogram, and it was asked whether there is room for any.
fn begun_form(visitor: &str) -> Mailbox {
    let mut box_ = Mailbox::default();
    let to = "QX0RLF at QX0RLF".parse().expect("an address");
    let visitor = visitor.parse().expect("a call sign");
    let Led::Wish(wish) = box_.radiogram(to, visitor) else {
        panic!("it is asked for room");
    };
    assert_eq!(
        wish,
        Wish::MayWrite(Precedence::Emergency),
        "its precedence is not known"
    );
    box_.asks(&wish);
    box_
}

/// The first line, with which it is asked whether there is room for a radiogram of its precedence.
fn first_line(box_: &mut Mailbox, line: &str) {
    let Some(Led::Wish(wish)) = box_.line(line) else {
        panic!("it is asked for room");
    };
    assert_eq!(wish, Wish::MayWrite(Precedence::Routine));
    box_.asks(&wish);
}

/// The form of docs/radiogram.md, as a visitor might type it, with one of its lines `changed`, up to AR.
fn typed(box_: &mut Mailbox, changed: (usize, &str)) -> Option<Led> {
    let may = Answer::MayLeave { octets: 5000 };
    let asks = told(box_, &may);
    assert!(asks.starts_with("Its lines as on the form"), "{asks}");
    let lines = [
        "12 R HXG QA1SKY 12 Great Marrow 1830Z Nov 29",
        "Warden of the school",
        "Harbour Lane 4",
        "Lee Cove",
        "Tel 555 0142",
        "BT",
        "Forty cots come by ferry at 1540 x open the",
        "hall x",
        "BT",
        "Harbour office",
    ];
    for (number, line) in (1..).zip(lines) {
        let line = if number == changed.0 { changed.1 } else { line };
        match number {
            1 => {
                first_line(box_, line);
                assert_eq!(told(box_, &may), "", "there is room");
            }
            _ => assert!(box_.line(line).is_none(), "nothing is said to {line}"),
        }
    }
    box_.line("ar")
}

fn given_in(led: Option<Led>) -> Draft {
    match led {
        Some(Led::Wish(Wish::Write(draft))) => draft,
        Some(Led::Say(text)) => panic!("{text}"),
        _ => panic!("nothing is given in"),
    }
}

#[test]
fn a_visitor_gives_in_a_radiogram_as_it_stands_on_the_form() {
    let mut box_ = begun_form("QM3BAR-7");
    let draft = given_in(typed(&mut box_, (0, "")));
    assert_eq!(draft.title, "LEE COVE 555");
    assert!(matches!(draft.kind, Kind::Formal { .. }));
    assert!(draft.body.starts_with("12 R HXG QA1SKY 12 GREAT MARROW"));
    assert!(
        draft.body.ends_with("BT\nHARBOUR OFFICE\nAR\n"),
        "{}",
        draft.body
    );
    assert!(!box_.is_writing());
}

#[test]
fn a_line_of_a_radiogram_that_cannot_be_read_is_mended_alone() {
    let mut box_ = begun_form("QM3BAR");
    let wrong = said(typed(&mut box_, (3, "Harbour Lane 4, left")));
    let begins = "Line 3, column 15: ',' is no character of a radiogram";
    assert!(wrong.starts_with(begins), "{wrong}");
    assert!(wrong.ends_with(AGAIN_FORM), "{wrong}");
    assert_eq!(said(box_.line("hello")), AGAIN_FORM);
    assert_eq!(
        said(box_.line("line 30 Harbour Lane 4")),
        "There are the lines 1 to 11."
    );
    let changed = said(box_.line("line  3 Harbour  Lane 4"));
    assert_eq!(changed, "Line 3 is changed. SEND tries it again.");
    assert!(
        given_in(box_.line("send"))
            .body
            .contains("\nHARBOUR LANE 4\n")
    );
}

#[test]
fn a_check_that_does_not_agree_is_asked_for_and_goes_on_corrected() {
    // Both must agree on the count (G1); the words go on as they came (G3).
    let wrong = (1, "12 R HXG QA1SKY 11 Great Marrow 1830Z Nov 29");
    let mut box_ = begun_form("QM3BAR");
    let asks = said(typed(&mut box_, wrong));
    let begins = "The check says 11, but the text counts 12: it goes on as 11/12";
    assert!(asks.starts_with(begins), "{asks}");
    assert!(asks.contains("SEND lets it go on so"), "{asks}");
    let draft = given_in(box_.line("send"));
    assert!(
        draft.body.starts_with("12 R HXG QA1SKY 11/12 GREAT"),
        "{}",
        draft.body
    );
    // The station of origin has to get it right.
    let mut box_ = begun_form("QA1SKY-3");
    let asks = said(typed(&mut box_, wrong));
    let begins = "Check: the check says 11, but the text counts 12: write 12.";
    assert!(asks.starts_with(begins), "{asks}");
    assert!(
        said(box_.line("send")).starts_with(begins),
        "not by asking twice"
    );
    box_.line("line 1 12 R HXG QA1SKY 12 Great Marrow 1830Z Nov 29");
    assert!(given_in(box_.line("send")).body.contains("QA1SKY 12 GREAT"));
}

#[test]
fn the_end_of_a_radiogram_that_came_too_early_is_put_right() {
    let mut box_ = begun_form("QM3BAR");
    told(&mut box_, &Answer::MayLeave { octets: 5000 });
    assert!(
        said(box_.line("ar")).starts_with("Line 1, column 1: "),
        "nothing is there yet"
    );
    assert_eq!(
        said(box_.line("line 1 12 R QA1SKY 2 Great Marrow Nov 29")),
        "Line 1 is new. SEND tries it again."
    );
    for (number, words) in [(2, "Lee Cove"), (3, "BT"), (4, "All well"), (5, "BT")] {
        box_.line(&format!("before {number} {words}"));
    }
    let wrong = said(box_.line("+"));
    assert!(
        wrong.contains("the signature: one line with who signs"),
        "{wrong}"
    );
    box_.line("line 6 Harbour office");
    assert!(
        given_in(box_.line("AR"))
            .body
            .ends_with("BT\nHARBOUR OFFICE\nAR\n")
    );
}

#[test]
fn a_radiogram_for_which_there_is_no_room_is_not_taken_down() {
    let full = Answer::NotAllowed {
        words: "You have left 20 messages today.".into(),
    };
    // Not even for an emergency.
    let mut box_ = begun_form("QM3BAR");
    assert_eq!(told(&mut box_, &full), "You have left 20 messages today.");
    assert!(!box_.is_writing());
    // For an emergency only.
    let mut box_ = begun_form("QM3BAR");
    told(&mut box_, &Answer::MayLeave { octets: 5000 });
    first_line(&mut box_, "12 R QA1SKY 2 Great Marrow Nov 29");
    let refused = told(&mut box_, &full);
    assert_eq!(
        refused,
        "You have left 20 messages today. What comes up to AR is left out."
    );
    assert!(box_.line("Lee Cove").is_none() && box_.is_writing());
    assert_eq!(said(box_.line("AR")), "It was not taken.");
    assert!(!box_.is_writing());
    let mut box_ = begun_form("QM3BAR");
    told(&mut box_, &Answer::MayLeave { octets: 5000 });
    assert!(
        box_.line("12 EMERGENCY QA1SKY 2 Great Marrow 1830Z Nov 29")
            .is_none()
    );
}

#[test]
fn a_radiogram_that_is_too_long_has_no_hole() {
    let mut box_ = begun_form("QM3BAR");
    told(&mut box_, &Answer::MayLeave { octets: 200 });
    first_line(&mut box_, "12 R QA1SKY 2 Great Marrow Nov 29");
    told(&mut box_, &Answer::MayLeave { octets: 200 });
    let full = said(box_.line(&"Lee ".repeat(50)));
    assert!(
        full.starts_with("A message holds 200 octets here; "),
        "{full}"
    );
    assert!(box_.line("Lee Cove").is_none());
    assert!(said(box_.line("AR")).starts_with("Its end is missing."));
}

#[test]
fn what_is_typed_ahead_takes_no_answer_of_another() {
    let mut box_ = begun_form("QM3BAR");
    given_in(typed(&mut box_, (0, ""))).title.clear();
    let wish = Wish::Write(Draft {
        kind: personal(),
        precedence: Precedence::Routine,
        title: String::new(),
        body: String::new(),
        keep_back: false,
    });
    // The wishes of one piece are all noted before the keeper is asked the first.
    box_.asks(&wish);
    box_.asks(&Wish::Mail);
    box_.will_stand("queued for QX0RLF".into());
    assert_eq!(told(&mut box_, &Answer::Kept), "Kept: queued for QX0RLF.");
    box_.asks(&wish);
    box_.asks(&Wish::Bulletins(None));
    box_.refused();
    assert_eq!(told(&mut box_, &Answer::Heads(Vec::new())), "Nothing.");
    assert_eq!(told(&mut box_, &Answer::Heads(Vec::new())), "Nothing.");
    assert!(box_.asked.is_empty());
}

#[test]
fn a_radiogram_is_not_mended_for_ever() {
    let mut box_ = begun_form("QM3BAR");
    typed(&mut box_, (4, "Lee Cove?"));
    for _ in 0..MOST_TRIES {
        assert!(said(box_.line("send")).contains("write QUERY"));
    }
    assert!(said(box_.line("send")).ends_with("Dropped."));
    assert!(!box_.is_writing());
}

#[test]
fn what_became_of_a_radiogram_is_told_with_a_reason() {
    let mut box_ = Mailbox::default();
    let no_list = box_.concludes(1, Ok(Conclusion::Delivered));
    assert!(matches!(no_list, Led::Say(text) if text.starts_with("First MAIL")));
    let why = form::not_delivered(1, "");
    assert_eq!(
        why,
        Err("And why? Such as NOT DELIVERED 1 PHONE NOT ANSWERED.".into())
    );
    let why = form::not_delivered(1, "gone, they say");
    assert!(why.is_err_and(|text| text.starts_with("',' is no character")));
    let long = form::not_delivered(1, &"moved ".repeat(13));
    assert_eq!(long, Err("Say why in 12 words at most.".into()));
    let why = form::not_delivered(1, "Phone not answered.");
    let failure = dunlin_mail::radiogram::Failure::NoAnswer;
    let conclusion = Conclusion::NotDelivered { why: failure };
    assert_eq!(why, Ok(conclusion.clone()));
    let letter = Box::new(formal());
    box_.list(&[letter.head()]);
    let Led::Wish(wish) = box_.concludes(1, Ok(conclusion.clone())) else {
        panic!("it is looked at");
    };
    box_.asks(&wish);
    let next = box_.answered(&Answer::Opened(letter.clone()));
    let wish = Wish::Conclude(letter, conclusion);
    assert_eq!(next, Some(Told::Wish(wish.clone())));
    box_.asks(&wish);
    box_.will_stand("QM3BAR is told".into());
    assert_eq!(told(&mut box_, &Answer::Done), "Noted; QM3BAR is told.");
}
