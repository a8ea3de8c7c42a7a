//! What a crossing answers to each happening.

use dunlin_clock::Hours;

use super::*;

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
    };
    let near = LinkKey {
        port: PortId(1),
        local: call("QA1SKY-8"),
        remote: call("QM3BAR"),
    };
    let id = CrossingId(0);
    Crossing::new(id, rule, near, call("QA1SKY"), "HF".into(), Instant::ZERO)
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
    assert_eq!(acts[1], Act::CallFar(call("QX0RLF")));
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
        c.near_connected(WallTime(0))[1],
        Act::CallFar(call("QX0RLF"))
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
    assert_eq!(acts.last(), Some(&Act::CallFar(call("QX0RLF"))));
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
    assert_eq!(acts.last(), Some(&Act::CallFar(call("QX0RLF"))));
    let mut c = crossing(WhoMayCross::All, &[]);
    c.near_connected(WallTime(0));
    let acts = c.near_data(Instant::ZERO, b"end\r");
    assert!(matches!(&acts[..], [Act::ToNear(_), Act::CloseNear]));
}

#[test]
fn outside_its_hours_a_visitor_is_told_when_it_is_open() {
    let mut c = crossing(WhoMayCross::All, &[]);
    c.rule.hours = Hours::of(&[(3600, 7200)]).expect("a span");
    let acts = c.near_connected(WallTime(0));
    let said = b"QA1SKY: this crossing is closed now. It is open 01:00-02:00 UTC.\r".to_vec();
    assert_eq!(acts, [Act::ToNear(said), Act::CloseNear]);
    let mut c = crossing(WhoMayCross::All, &[]);
    c.rule.hours = Hours::of(&[(3600, 7200)]).expect("a span");
    assert_eq!(c.near_connected(WallTime(3_600_000)).len(), 1);
}
