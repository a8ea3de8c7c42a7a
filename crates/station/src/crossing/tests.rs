//! What a crossing answers to each happening.

use dunlin_clock::{Chance, Hours};
use dunlin_mail::post::Answer;

use super::*;
use crate::config::{CrossingRule, NodeRule, Notes};

fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

fn crossing(who: WhoMayCross, reach: &[&str]) -> Crossing {
    let rule = CrossingRule {
        name: "to the mainland".into(),
        from: PortId(1),
        to: PortId(0),
        call: call("QA1SKY-8"),
        far_call: call("QA1SKY-8"),
        who,
        reach: reach.iter().map(|c| call(c)).collect(),
        hours: Default::default(),
        most: 1,
        most_share: 1.0,
        most_digipeaters: 0,
        notes: Default::default(),
    };
    let near = LinkKey {
        port: PortId(1),
        local: call("QA1SKY-8"),
        remote: call("QM3BAR"),
    };
    let terms = Terms::of_crossing(&rule, "HF");
    Crossing::new(CrossingId(0), terms, near, call("QA1SKY"), Instant::ZERO)
}

fn called() -> LinkKey {
    LinkKey {
        port: PortId(0),
        local: call("QA1SKY-8"),
        remote: call("QX0RLF"),
    }
}

#[test]
fn text_typed_ahead_follows_the_announcement_unchanged() {
    let mut c = crossing(WhoMayCross::All, &[]);
    assert!(matches!(
        c.near_connected(WallTime(0))[..],
        [Act::ToNear(_)]
    ));
    assert!(c.near_data(Instant::ZERO, b"qx0").is_empty());
    let acts = c.near_data(Instant::ZERO, b"rlf\rhello\x00\xff");
    assert_eq!(acts[0], Act::CallFar(call("QX0RLF"), Some(PortId(0))));
    c.calling(called(), "HF", &[]);
    assert!(c.near_data(Instant::ZERO, b" there\r").is_empty());
    let acts = c.far_connected();
    assert_eq!(
        acts[1],
        Act::ToFar(b"QM3BAR is here by way of QA1SKY.\r".to_vec())
    );
    assert_eq!(acts[2], Act::ToFar(b"hello\x00\xff there\r".to_vec()));
    assert_eq!(
        c.far_data(Instant::ZERO, b"\x00yes"),
        [Act::ToNear(b"\x00yes".to_vec())]
    );
    assert_eq!(c.near_ended("has hung up", 0), [Act::CloseFar]);
    assert!(c.far_ended("released", 0).is_empty());
    assert!(c.has_ended());
}

#[test]
fn a_stranger_is_told_and_released() {
    let mut c = crossing(WhoMayCross::These(vec![call("QC2CAP")]), &[]);
    let acts = c.near_connected(WallTime(0));
    assert!(matches!(&acts[..], [Act::ToNear(_), Act::CloseNear]));
    let mut c = crossing(WhoMayCross::These(vec![call("QM3BAR-5")]), &[]);
    assert!(
        matches!(c.near_connected(WallTime(0))[..], [Act::ToNear(_)]),
        "any SSID may cross"
    );
}

#[test]
fn only_what_the_plan_allows_is_reached_and_patience_ends() {
    let mut c = crossing(WhoMayCross::All, &["QX0RLF", "QX1RLF"]);
    c.near_connected(WallTime(0));
    assert!(
        c.near_data(Instant::ZERO, b"\r\n").is_empty(),
        "a blank line is no answer"
    );
    for _ in 1..MOST_WRONG {
        assert!(matches!(
            c.near_data(Instant::ZERO, b"QZ9ZZZ\r")[..],
            [Act::ToNear(_)]
        ));
    }
    assert!(matches!(
        c.near_data(Instant::ZERO, b"?\r")[..],
        [Act::ToNear(_), Act::CloseNear]
    ));
}

#[test]
fn with_one_station_in_the_rule_the_visitor_is_not_asked() {
    let mut c = crossing(WhoMayCross::All, &["QX0RLF"]);
    assert_eq!(
        c.near_connected(WallTime(0))[0],
        Act::CallFar(call("QX0RLF"), Some(PortId(0)))
    );
    let acts = c.far_ended("no answer", 0);
    assert_eq!(acts[1], Act::CloseNear);
    assert!(!c.has_ended());
}

#[test]
fn an_answer_behind_a_wrong_one_is_taken_with_what_follows_it() {
    let mut c = crossing(WhoMayCross::All, &[]);
    c.near_connected(WallTime(0));
    let acts = c.near_data(Instant::ZERO, b"\rhello?\r\nQX0RLF\r\nfirst\r");
    assert_eq!(
        acts.last(),
        Some(&Act::CallFar(call("QX0RLF"), Some(PortId(0))))
    );
    let acts = c.far_connected();
    assert_eq!(acts[2], Act::ToFar(b"first\r".to_vec()));
}

#[test]
fn babble_instead_of_an_answer_ends_soon() {
    let mut c = crossing(WhoMayCross::All, &[]);
    c.near_connected(WallTime(0));
    let frames = (0..20).map(|_| c.near_data(Instant::ZERO, &[b'x'; 128]));
    let acts: Vec<Act> = frames.flatten().collect();
    assert_eq!(acts.len(), MOST_WRONG as usize + 1);
    assert_eq!(acts.last(), Some(&Act::CloseNear));
}

#[test]
fn silence_and_slow_ends_are_limited_and_losses_are_told() {
    let mut c = crossing(WhoMayCross::All, &["QX0RLF"]);
    c.near_connected(WallTime(0));
    c.far_connected();
    assert!(c.overdue(Instant::ZERO + SILENT_AT_MOST / 2).is_empty());
    let at = Instant::ZERO + SILENT_AT_MOST;
    assert_eq!(c.overdue(at)[1..], [Act::CloseNear, Act::CloseFar]);
    assert_eq!(c.overdue(at + END_WITHIN), [Act::Cut]);
    c.far_ended("gone", 40);
    c.near_ended("gone", 2);
    assert!(
        c.epilogue().contains("42 octets did not reach"),
        "{}",
        c.epilogue()
    );
}

#[test]
fn a_visitor_may_ask_and_is_answered_so_often_and_no_more() {
    let mut c = crossing(WhoMayCross::All, &[]);
    c.near_connected(WallTime(0));
    let at = Instant::ZERO;
    let told = c.near_data(at, b"help\rheard\rway qx0rlf\r");
    let way = Question::Way(call("QX0RLF"));
    assert!(matches!(&told[0], Act::ToNear(text) if text.starts_with(b"QA1SKY: a call sign")));
    assert_eq!(told[1..], [Act::Answer(Question::Heard), Act::Answer(way)]);
    let more = c.near_data(at, &b"heard\r".repeat(9));
    let answers = more.iter().filter(|a| matches!(a, Act::Answer(_)));
    assert_eq!(answers.count(), 7, "ten in all, help among them");
    assert_eq!(more.last(), Some(&Act::CloseNear));
}

#[test]
fn a_visitor_may_leave_with_a_word_and_name_a_station_after_a_question() {
    let mut c = crossing(WhoMayCross::All, &[]);
    c.near_connected(WallTime(0));
    let acts = c.near_data(Instant::ZERO, b"heard\rqx0rlf\r");
    assert_eq!(acts[0], Act::Answer(Question::Heard));
    assert_eq!(
        acts.last(),
        Some(&Act::CallFar(call("QX0RLF"), Some(PortId(0))))
    );
    let mut c = crossing(WhoMayCross::All, &[]);
    c.near_connected(WallTime(0));
    let acts = c.near_data(Instant::ZERO, b"end\r");
    assert!(matches!(&acts[..], [Act::ToNear(_), Act::CloseNear]));
}

#[test]
fn outside_its_hours_a_visitor_is_told_when_it_is_open() {
    let mut c = crossing(WhoMayCross::All, &[]);
    c.terms.hours = Hours::of(&[(3600, 7200)]).expect("a span");
    let acts = c.near_connected(WallTime(0));
    let said = b"QA1SKY: this crossing is closed now. It is open 01:00-02:00 UTC.\r".to_vec();
    assert_eq!(acts, [Act::ToNear(said), Act::CloseNear]);
    let mut c = crossing(WhoMayCross::All, &[]);
    c.terms.hours = Hours::of(&[(3600, 7200)]).expect("a span");
    assert_eq!(c.near_connected(WallTime(3_600_000)).len(), 1);
}

fn at_node() -> Crossing {
    let mut rule = NodeRule {
        call: call("QA1SKY-5"),
        ports: vec![PortId(1)],
        onward: vec![PortId(0)],
        who: WhoMayCross::All,
        hours: Default::default(),
        most: 1,
        most_share: 1.0,
        notes: Notes::default(),
    };
    rule.onward.push(PortId(1));
    let onward = vec![(PortId(0), "HF".to_owned()), (PortId(1), "VHF".to_owned())];
    let terms = Terms::of_node(&rule, onward, true);
    let near = LinkKey {
        port: PortId(1),
        local: call("QA1SKY-5"),
        remote: call("QM3BAR"),
    };
    Crossing::new(CrossingId(0), terms, near, call("QA1SKY"), Instant::ZERO)
}

#[test]
fn whatever_a_visitor_types_comes_back_without_control_characters_and_in_measure() {
    let words: [&[u8]; 14] = [
        b"go qx0rlf on \x1b[2J\r",
        b"read 1\r",
        b"write qx0rlf\r",
        b"\x07title\x1b\r",
        b"text\x08\r",
        b"send\r",
        b"word qx0rlf \x1b]0;x\x07\r",
        b"mail\r",
        b"bulletins \xff\r",
        b"\0\0\0",
        b"\r\n",
        b"help\r",
        b"publish a\x1b in b\r",
        b"delete 99999999999999999999\r",
    ];
    for seed in 0..200 {
        let mut chance = Chance::stream(seed, "visitor");
        let mut c = at_node();
        c.near_connected(WallTime(0));
        let mut said = 0;
        for _ in 0..100 {
            let typed = words[chance.below(words.len() as u64) as usize];
            for act in c.near_data(Instant::ZERO, typed) {
                if let Act::ToNear(text) = act {
                    said += text.len();
                    let text = String::from_utf8(text).expect("text");
                    let bad = text.chars().find(|ch| ch.is_control() && *ch != '\r');
                    assert_eq!(bad, None, "{text:?}");
                }
            }
        }
        assert!(said < 20_000, "{said} octets");
    }
}

#[test]
fn a_visitor_of_the_node_leaves_word_on_one_line() {
    let mut c = at_node();
    c.near_connected(WallTime(0));
    let acts = c.near_data(Instant::ZERO, b"word qx0rlf The ferry is late.\r");
    let [Act::Mail(Wish::Write(draft))] = &acts[..] else {
        panic!("{acts:?}");
    };
    assert_eq!(
        (draft.title.as_str(), draft.body.as_str()),
        ("word of QM3BAR", "The ferry is late.\n")
    );
    c.will_stand("queued for QX0RLF".into());
    assert_eq!(
        c.mail_answered(&Answer::Heads(Vec::new())),
        [],
        "that was the count at the beginning"
    );
    let told = c.mail_answered(&Answer::Kept);
    assert_eq!(told, [Act::ToNear(b"Kept: queued for QX0RLF.\r".to_vec())]);
}

#[test]
fn the_notes_are_told_with_the_first_call_of_a_visit() {
    let mut c = crossing(WhoMayCross::All, &[]);
    c.terms.notes = Notes {
        licence: Some("full licences".into()),
        power: Some("10 W, wire".into()),
    }
    .words();
    let told = "QA1SKY: calling QX0RLF on HF. Licence: full licences. Power: 10 W, wire.";
    assert_eq!(c.calling(called(), "HF", &[]), [line(told.into())]);
    let again = "QA1SKY: calling QX0RLF on HF.";
    assert_eq!(c.calling(called(), "HF", &[]), [line(again.into())]);
    let view = c.view(0, 0);
    let notes = "Licence: full licences. Power: 10 W, wire.";
    assert_eq!(view.notes.as_deref(), Some(notes));
    assert_eq!(Notes::default().words(), None);
}

/// A visitor of the node in the midst of a message.
fn writing() -> Crossing {
    let mut c = at_node();
    c.near_connected(WallTime(0));
    c.near_data(Instant::ZERO, b"write qx0rlf\r");
    c.near_data(Instant::ZERO, b"Cots\r");
    c
}

#[test]
fn of_a_text_of_a_megabyte_so_much_is_kept_as_a_message_holds_and_it_is_told_once() {
    for line in [
        &b"forty cots come by the ferry on monday and more behind\r"[..],
        &[b'x'; 200],
    ] {
        let mut c = writing();
        let mut told = Vec::new();
        let mut typed = 0;
        while typed < 1 << 20 {
            told.extend(c.near_data(Instant::ZERO, line));
            typed += line.len();
        }
        let Stage::Asking { typed } = &c.stage else {
            panic!("it asks still: {told:?}");
        };
        assert!(typed.len() <= LONGEST_LINE + line.len(), "{}", typed.len());
        assert!(told.len() <= 1, "{told:?}");
        let acts = c.near_data(Instant::ZERO, b"\rsend\r");
        let Some(Act::Mail(Wish::Write(draft))) = acts.last() else {
            panic!("{acts:?}");
        };
        assert!(draft.body.len() <= 4096, "{}", draft.body.len());
    }
}

#[test]
fn who_falls_silent_in_a_message_is_told_and_released_and_nothing_is_sent() {
    let mut c = writing();
    assert!(c.near_data(Instant::ZERO, b"Forty cots\rand al").is_empty());
    assert!(c.overdue(Instant::ZERO + SILENT_AT_MOST / 2).is_empty());
    let bye = "QA1SKY: no text for too long. Goodbye.";
    let at = Instant::ZERO + SILENT_AT_MOST;
    assert_eq!(c.overdue(at), [line(bye.into()), Act::CloseNear]);
    assert_eq!(c.near_data(at, b"l\rsend\r"), [], "too late");
    assert_eq!(c.near_ended("released", 0), []);
    assert!(c.has_ended());
}
