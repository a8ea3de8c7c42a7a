//! People on their own: what they do at which time.

use dunlin_ax25::CallSign;
use dunlin_mail::file::{Head, hash_of};
use dunlin_station::{FileDecision, FileId, FileState, FileView, TalkView};

use super::*;
use crate::scenario::Answer;

fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

fn person(does: Vec<Step>, answers: Vec<Answer>) -> Person {
    let plan = PersonPlan {
        name: "Brae".into(),
        station: 0,
        does,
        repeat: None,
        tries: 2,
        pause: Duration::from_secs(10),
        thinks: Duration::from_secs(1),
        takes_files: false,
        answers,
    };
    Person::new(plan, 1)
}

fn talk(id: u64, state: TalkState) -> Event {
    Event::Talk(view(id, state, false))
}

fn view(id: u64, state: TalkState, incoming: bool) -> TalkView {
    TalkView {
        id: TalkId(id),
        port: PortId(0),
        local: call("QM3BAR"),
        remote: call("QA1SKY"),
        via: Vec::new(),
        incoming,
        state,
        words: "no answer".into(),
        since_ms: 0,
        opened_ms: 0,
        waiting_octets: 0,
        retries: 0,
        last_heard_ms: None,
        pace: None,
    }
}

fn line(id: u64, line: LineId, text: &str, complete: bool) -> Event {
    Event::TalkLine(TalkLine {
        talk: TalkId(id),
        line,
        at_ms: 0,
        direction: Direction::Received,
        text: text.into(),
        complete,
        lost: false,
        octets: text.as_bytes().to_vec(),
    })
}

fn acts(person: &mut Person) -> Vec<Act> {
    std::iter::from_fn(|| person.poll()).collect()
}

fn calls() -> Step {
    let patience = Duration::from_secs(60);
    Step::Call {
        to: call("QA1SKY"),
        port: 0,
        via: Vec::new(),
        patience,
    }
}

#[test]
fn a_person_calls_waits_for_its_line_answers_and_ends() {
    let patience = Duration::from_secs(30);
    let awaits = Step::Await {
        text: "WHICH".into(),
        patience,
    };
    let says = Step::Say {
        text: "QX0RLF".into(),
    };
    let mut p = person(vec![calls(), awaits, says, Step::Close], Vec::new());
    let t = Instant::from_secs;
    p.wake(t(0));
    assert!(matches!(
        acts(&mut p)[..],
        [Act::Ask(Command::OpenTalk { .. })]
    ));
    p.answered(t(0), &Ok(Reply::Talk(TalkId(7))));
    p.notice(t(3), &talk(7, TalkState::Open));
    p.notice(t(4), &line(7, 0, "Which sta", false));
    p.wake(t(5));
    assert!(
        acts(&mut p).is_empty(),
        "the line was found, the thought is not over"
    );
    p.wake(t(8));
    let says = Command::Say {
        talk: TalkId(7),
        text: "QX0RLF".into(),
    };
    assert_eq!(acts(&mut p), [Act::Ask(says)]);
    p.wake(t(11));
    assert_eq!(
        acts(&mut p),
        [Act::Ask(Command::CloseTalk { talk: TalkId(7) })]
    );
    p.notice(t(12), &talk(7, TalkState::Ended));
    p.wake(t(15));
    assert_eq!((p.finished(), p.gave_up()), (1, 0));
    assert_eq!(p.next_wakeup(), None);
}

#[test]
fn a_person_tries_as_often_as_planned_and_then_gives_up() {
    let mut p = person(vec![calls(), Step::Close], Vec::new());
    p.wake(Instant::ZERO);
    p.answered(Instant::ZERO, &Ok(Reply::Talk(TalkId(1))));
    acts(&mut p);
    p.notice(Instant::from_secs(9), &talk(1, TalkState::Ended));
    assert_eq!(
        acts(&mut p),
        [Act::Remark("will try again: no answer".into())]
    );
    let again = p.next_wakeup().expect("a second try");
    assert!((19..=24).contains(&(again.as_millis() / 1000)));
    p.wake(again);
    p.answered(again, &Ok(Reply::Talk(TalkId(2))));
    acts(&mut p);
    p.wake(again + Duration::from_secs(60));
    let close = Act::Ask(Command::CloseTalk { talk: TalkId(2) });
    let why = Act::Remark("gives up: nobody answered in time".into());
    assert_eq!(acts(&mut p), [close, why]);
    assert_eq!((p.finished(), p.gave_up(), p.next_wakeup()), (0, 1, None));
}

#[test]
fn answers_go_to_the_talk_that_asked_and_not_more_often_than_planned() {
    let answer = Answer {
        to: "weather".into(),
        say: "Rain.".into(),
        close: true,
        times: 1,
        file: None,
    };
    let mut p = person(Vec::new(), vec![answer]);
    for (id, incoming) in [(2, false), (3, true), (4, true)] {
        p.notice(
            Instant::ZERO,
            &Event::Talk(view(id, TalkState::Open, incoming)),
        );
    }
    p.notice(Instant::ZERO, &line(2, 0, "weather", true));
    p.notice(Instant::ZERO, &line(3, 0, "how is the Weather?", true));
    p.notice(Instant::ZERO, &line(3, 1, "weather, please", true));
    p.notice(Instant::ZERO, &line(4, 0, "weather", false));
    p.wake(Instant::from_secs(2));
    let say = Command::Say {
        talk: TalkId(3),
        text: "Rain.".into(),
    };
    let close = Command::CloseTalk { talk: TalkId(3) };
    assert_eq!(acts(&mut p), [Act::Ask(say), Act::Ask(close)]);
}

fn offered(id: u64, direction: Direction) -> Event {
    Event::File(FileView {
        id: FileId(id),
        talk: TalkId(3),
        name: "map.png".into(),
        media: None,
        size: 9,
        hash: "00".repeat(32),
        direction,
        state: FileState::Offered,
        words: String::new(),
        done: 0,
        airtime_ms: 0,
        since_ms: 0,
    })
}

#[test]
fn who_takes_files_takes_each_once_and_does_not_answer_the_line_that_offers_it() {
    let answer = Answer {
        to: String::new(),
        say: "What?".into(),
        close: false,
        times: 9,
        file: None,
    };
    let mut plan = person(Vec::new(), vec![answer]).plan.clone();
    let offers = "QA1SKY offers the file map.png, 9 octets [files 1 00000000]";
    for takes in [false, true] {
        plan.takes_files = takes;
        let mut p = Person::new(plan.clone(), 1);
        let now = Instant::ZERO;
        p.notice(now, &Event::Talk(view(3, TalkState::Open, true)));
        p.notice(now, &line(3, 0, offers, true));
        p.notice(now, &offered(1, Direction::Received));
        p.notice(now, &offered(1, Direction::Received));
        p.notice(now, &offered(2, Direction::Sent));
        p.wake(Instant::from_secs(2));
        let acts = acts(&mut p);
        match takes {
            false => assert!(matches!(acts[..], [Act::Ask(Command::Say { .. })])),
            true => assert_eq!(
                acts,
                [Act::Ask(Command::AnswerFile {
                    talk: TalkId(3),
                    file: FileId(1),
                    decision: FileDecision::Accept,
                    words: String::new(),
                })]
            ),
        }
    }
}

#[test]
fn an_answer_may_offer_a_file_that_is_on_the_shelf() {
    let text = "07:40 north quay\n";
    let hash = hash_of(text.as_bytes());
    let head = Head::new("times.txt", None, text.len() as u64, hash).expect("a head");
    let answer = Answer {
        to: "timetable".into(),
        say: String::new(),
        close: false,
        times: 1,
        file: Some((head, text.into())),
    };
    let mut p = person(Vec::new(), vec![answer]);
    let now = Instant::ZERO;
    p.notice(now, &Event::Talk(view(3, TalkState::Open, true)));
    p.notice(now, &line(3, 0, "the timetable, please", true));
    p.wake(Instant::from_secs(2));
    let acts = acts(&mut p);
    let [
        Act::Ask(Command::OfferFile {
            talk, name, size, ..
        }),
    ] = &acts[..]
    else {
        panic!("{acts:?}");
    };
    assert_eq!((talk.0, &**name, *size), (3, "times.txt", 17));
}
