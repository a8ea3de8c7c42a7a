//! What goes in comes out: any event, any text, and the newest state of each thing.

use dunlin_clock::{Instant, WallTime};
use dunlin_station::{
    Block, BlockKind, CrossingHalf, CrossingId, CrossingView, Direction, Event, HeardView, Note,
    PortId, PortView, TalkId, TalkLine, TalkState, TalkView, Urgency,
};
use dunlin_store::{Limits, Store};
use proptest::prelude::*;
use proptest::sample::select;
use proptest::strategy::ValueTree;

fn store() -> Store {
    Store::in_memory(Limits::default()).expect("memory")
}

/// Any text: quotes, NUL, line ends and every script among it.
fn text() -> impl Strategy<Value = String> {
    let wild = prop::collection::vec(any::<char>(), 0..24).prop_map(String::from_iter);
    prop_oneof![
        wild,
        Just("'; DROP TABLE frames; --".to_owned()),
        Just("\"a\0b\" ünï ☂ 𝄞".to_owned())
    ]
}

fn figure() -> impl Strategy<Value = Option<f32>> {
    let finite = any::<f32>().prop_filter("a number", |x| !x.is_nan());
    prop::option::of(finite)
}

fn call<T: std::str::FromStr<Err: std::fmt::Debug> + std::fmt::Debug>() -> impl Strategy<Value = T>
{
    "Q[A-Z][0-9][A-Z]{1,3}(-1[0-5]|-[1-9])?".prop_map(|text| text.parse().expect("a call sign"))
}

fn block() -> impl Strategy<Value = Block> {
    let head = (
        any::<u64>(),
        any::<u8>(),
        any::<u64>(),
        any::<Option<u64>>(),
    );
    let kind = select(vec![
        BlockKind::Heard,
        BlockKind::Sent,
        BlockKind::Unreadable,
    ]);
    let texts = (
        text(),
        text(),
        prop::collection::vec(text(), 0..4),
        text(),
        text(),
    );
    let figures = (
        figure(),
        figure(),
        figure(),
        figure(),
        prop::option::of(text()),
    );
    let octets = prop::collection::vec(any::<u8>(), 0..80);
    (head, kind, texts, octets, figures).prop_map(|(head, kind, texts, octets, figures)| Block {
        id: head.0,
        port: PortId(head.1),
        kind,
        start_ms: head.2,
        end_ms: head.3,
        from: texts.0,
        to: texts.1,
        via: texts.2,
        what: texts.3,
        text: texts.4,
        octets,
        level_dbfs: figures.0,
        offset_hz: figures.1,
        twist_db: figures.2,
        snr_db: figures.3,
        why: figures.4,
        line: None,
        heard_on: None,
        guess: None,
    })
}

fn talk() -> impl Strategy<Value = TalkView> {
    let states = vec![
        TalkState::Calling,
        TalkState::Open,
        TalkState::Checking,
        TalkState::Closing,
        TalkState::Ended,
    ];
    let head = (
        any::<u64>(),
        any::<u8>(),
        any::<bool>(),
        select(states),
        text(),
    );
    let calls = (call(), call(), prop::collection::vec(call(), 0..8));
    let figures = (
        any::<u64>(),
        any::<u64>(),
        any::<u32>(),
        any::<u32>(),
        any::<Option<u64>>(),
    );
    (head, calls, figures).prop_map(|(head, calls, figures)| TalkView {
        id: TalkId(head.0),
        port: PortId(head.1),
        local: calls.0,
        remote: calls.1,
        via: calls.2,
        incoming: head.2,
        state: head.3,
        words: head.4,
        since_ms: figures.0,
        opened_ms: figures.1,
        waiting_octets: figures.2 as usize,
        retries: figures.3,
        last_heard_ms: figures.4,
        pace: None,
    })
}

fn line() -> impl Strategy<Value = TalkLine> {
    let head = (
        0..5_u64,
        any::<u64>(),
        any::<u64>(),
        any::<bool>(),
        any::<bool>(),
    );
    let direction = select(vec![Direction::Sent, Direction::Received]);
    let octets = prop::collection::vec(any::<u8>(), 0..80);
    (head, direction, text(), octets).prop_map(|(head, direction, text, octets)| TalkLine {
        talk: TalkId(head.0),
        line: head.1 >> 1, // Lines are read from zero up; SQLite's numbers are signed.
        at_ms: head.2,
        direction,
        text,
        complete: head.3,
        lost: head.4,
        octets,
    })
}

fn half() -> impl Strategy<Value = CrossingHalf> {
    let figures = (any::<u8>(), any::<u64>(), any::<u32>());
    (figures, call(), prop::option::of(call()), text()).prop_map(
        |(figures, local, remote, words)| CrossingHalf {
            port: PortId(figures.0),
            local,
            remote,
            words,
            received_octets: figures.1,
            waiting_octets: figures.2 as usize,
        },
    )
}

fn crossing() -> impl Strategy<Value = CrossingView> {
    let head = (any::<u64>(), any::<u64>(), any::<bool>());
    (head, half(), half(), text(), text()).prop_map(|(head, near, far, rule, words)| CrossingView {
        id: CrossingId(head.0),
        rule,
        notes: None,
        near,
        far,
        words,
        opened_ms: head.1,
        ended: head.2,
    })
}

fn heard() -> impl Strategy<Value = HeardView> {
    let head = (
        any::<u8>(),
        text(),
        prop::option::of(text()),
        any::<u64>(),
        any::<u64>(),
    );
    let figures = (figure(), figure(), figure(), figure());
    (head, 0..1_u64 << 53, figures, text()).prop_map(|(head, count, figures, said)| HeardView {
        port: PortId(head.0),
        call: head.1,
        by: head.2,
        first_ms: head.3,
        last_ms: head.4,
        count,
        level_dbfs: figures.0,
        offset_hz: figures.1,
        twist_db: figures.2,
        snr_db: figures.3,
        line: None,
        advice: None,
        said,
    })
}

fn note() -> impl Strategy<Value = Note> {
    let urgency = select(vec![Urgency::Plain, Urgency::Attention]);
    (any::<u64>(), any::<Option<u8>>(), urgency, text()).prop_map(|(at_ms, port, urgency, text)| {
        Note {
            at_ms,
            port: port.map(PortId),
            urgency,
            text,
        }
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn frames_come_back(block in block(), newer in block(), wall in any::<i64>()) {
        let mut store = store();
        store.record(WallTime(wall), &Event::Block(block.clone()));
        store.flush()?;
        let back = store.frames(None, 10)?;
        prop_assert_eq!(&back[0].value, &block);
        prop_assert_eq!(back[0].wall, WallTime(wall));
        // The same block in a later state replaces the first.
        let newer = Block { id: block.id, ..newer };
        store.record(WallTime(0), &Event::Block(newer.clone()));
        store.flush()?;
        let back = store.frames(None, 10)?;
        prop_assert_eq!(back.len(), 1);
        prop_assert_eq!(&back[0].value, &newer);
        prop_assert_eq!(back[0].wall, WallTime(wall), "the moment it began stays");
    }

    #[test]
    fn talks_come_back(talk in talk(), newer in talk()) {
        let mut store = store();
        let newer = TalkView { id: talk.id, ..newer };
        for view in [talk, newer] {
            store.record(WallTime(1), &Event::Talk(view.clone()));
            store.flush()?;
            let back = store.talks(None, 10)?;
            prop_assert_eq!(back.len(), 1);
            prop_assert_eq!(&back[0].value.view, &view);
            prop_assert!(!back[0].value.put_away);
            prop_assert_eq!(store.talk(back[0].run, view.id)?, back.into_iter().next());
        }
    }

    #[test]
    fn lines_come_back(line in line(), newer in line()) {
        let mut store = store();
        let newer = TalkLine { talk: line.talk, line: line.line, ..newer };
        for view in [line, newer] {
            store.record(WallTime(1), &Event::TalkLine(view.clone()));
            store.flush()?;
            let run = store.run().expect("begun by the first event");
            let back = store.talk_lines(run, view.talk, 0, 10)?;
            prop_assert_eq!(back.len(), 1);
            prop_assert_eq!(&back[0].value, &view);
        }
    }

    #[test]
    fn crossings_come_back(view in crossing(), newer in crossing()) {
        let mut store = store();
        let newer = CrossingView { id: view.id, ..newer };
        for view in [view, newer] {
            store.record(WallTime(1), &Event::Crossing(view.clone()));
            store.flush()?;
            let back = store.crossings(None, 10)?;
            prop_assert_eq!(back.len(), 1);
            prop_assert_eq!(&back[0].value, &view);
        }
    }

    #[test]
    fn stations_heard_come_back(view in heard(), newer in heard()) {
        let mut store = store();
        let newer = HeardView { port: view.port, call: view.call.clone(), ..newer };
        for (wall, view) in [(3, view), (4, newer)] {
            store.record(WallTime(wall), &Event::Heard(view.clone()));
            store.flush()?;
            let back = store.heard(10)?;
            prop_assert_eq!(back.len(), 1);
            prop_assert_eq!(&back[0].latest, &view);
            prop_assert_eq!((back[0].first, back[0].last), (WallTime(3), WallTime(wall)));
            prop_assert_eq!(back[0].count, view.count);
        }
    }

    #[test]
    fn notes_come_back(notes in prop::collection::vec(note(), 0..10)) {
        let mut store = store();
        for note in &notes {
            store.record(WallTime(1), &Event::Note(note.clone()));
        }
        store.flush()?;
        let back: Vec<Note> = store.notes(None, 10)?.into_iter().rev().map(|n| n.value).collect();
        prop_assert_eq!(back, notes);
    }
}

fn some<T: std::fmt::Debug>(strategy: impl Strategy<Value = T>) -> T {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    strategy.new_tree(&mut runner).expect("a value").current()
}

#[test]
fn a_figure_that_is_no_number_is_kept_as_none() {
    let mut store = store();
    let block = Block {
        snr_db: Some(f32::NAN),
        ..some(block())
    };
    store.record(WallTime(0), &Event::Block(block));
    store.flush().expect("written");
    assert_eq!(
        store.frames(None, 1).expect("readable")[0].value.snr_db,
        None
    );
}

#[test]
fn a_block_that_was_only_busy_is_not_kept() {
    let mut store = store();
    let frame = some(block());
    let busy = Block {
        kind: BlockKind::Busy,
        ..frame.clone()
    };
    store.record(WallTime(0), &Event::Block(busy.clone()));
    store.flush().expect("written");
    assert_eq!(store.frames(None, 10).expect("readable"), []);
    store.record(WallTime(0), &Event::Block(frame));
    store.flush().expect("written");
    assert_eq!(store.frames(None, 10).expect("readable").len(), 1);
    store.record(WallTime(0), &Event::Block(busy));
    store.flush().expect("written");
    assert_eq!(store.frames(None, 10).expect("readable"), []);
}

#[test]
fn writing_happens_once_a_second_and_a_growing_line_is_written_once_then() {
    let mut store = store();
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    let mut line = some(line());
    for at in 1..=99 {
        line.text.push('x');
        line.at_ms = at;
        store.record(WallTime(0), &Event::TalkLine(line.clone()));
        assert!(
            !store
                .tick(Instant::from_millis(at * 10))
                .expect("too early")
        );
    }
    assert_eq!(store.waiting(), 1, "one line, in its last state");
    let run = store.run().expect("begun");
    assert_eq!(
        store.talk_lines(run, line.talk, 0, 10).expect("readable"),
        []
    );
    assert!(store.tick(Instant::from_secs(1)).expect("written"));
    let back = store.talk_lines(run, line.talk, 0, 10).expect("readable");
    assert_eq!(back[0].value, line);
    assert!(!store.tick(Instant::from_secs(2)).expect("nothing new"));
}

#[test]
fn the_same_numbers_in_another_run_are_other_things() {
    let mut store = store();
    let view = TalkView {
        state: TalkState::Open,
        ..some(talk())
    };
    let first = store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    store.record(WallTime(1), &Event::Talk(view.clone()));
    let second = store.begin_run(WallTime(100), "QA1SKY").expect("begins");
    store.record(WallTime(101), &Event::Talk(view.clone()));
    store.record(WallTime(102), &Event::TalkGone(view.id));
    store.flush().expect("written");
    let talks = store.talks(None, 10).expect("readable");
    let seen: Vec<_> = talks
        .iter()
        .map(|t| (t.run, t.value.put_away, t.value.cut_off))
        .collect();
    assert_eq!(seen, [(second, true, false), (first, false, true)]);
    store.end_run(WallTime(200)).expect("ends");
    assert!(
        store.talks(None, 1).expect("readable")[0].value.cut_off,
        "its run is over"
    );
    let runs = store.runs(10).expect("readable");
    assert_eq!(runs[0].ended, Some(WallTime(200)));
    assert_eq!(runs[1].ended, None, "it was cut off");
}

#[test]
fn stations_heard_are_joined_over_runs_by_the_name_of_the_port() {
    let mut store = store();
    let port = |at: u8, name: &str| {
        Event::Port(PortView {
            port: PortId(at),
            name: name.into(),
            mode: "afsk1200".into(),
            call: "QA1SKY".parse().expect("a call sign"),
            busy: false,
            transmitting: false,
            queued: 0,
            waits: None,
            level_dbfs: None,
            occupied: 0.0,
            own_share: 0.0,
            may_transmit: true,
        })
    };
    let heard = |at: u8, count| {
        let call = "QM3BAR".to_owned();
        Event::Heard(HeardView {
            port: PortId(at),
            call,
            count,
            ..some(heard())
        })
    };
    store.begin_run(WallTime(0), "QA1SKY").expect("begins");
    store.record(WallTime(10), &port(0, "VHF"));
    store.record(WallTime(10), &heard(0, 5));
    store.begin_run(WallTime(100), "QA1SKY").expect("begins");
    store.record(WallTime(110), &port(1, "VHF")); // The same port, in another place of the plan.
    store.record(WallTime(110), &heard(1, 2));
    store.record(WallTime(105), &heard(3, 1)); // A port without a name.
    store.flush().expect("written");
    let all = store.heard(10).expect("readable");
    let seen: Vec<_> = all
        .iter()
        .map(|h| (h.port_name.as_str(), h.count, h.first.0, h.last.0))
        .collect();
    assert_eq!(seen, [("VHF", 7, 10, 110), ("port 3", 1, 105, 105)]);
    assert_eq!(all[0].latest.count, 2, "how it stands in the latest run");
}

#[test]
fn long_lists_are_read_page_by_page() {
    let mut store = store();
    for at_ms in 0..25 {
        let note = Note {
            at_ms,
            ..some(note())
        };
        store.record(WallTime(0), &Event::Note(note));
    }
    store.flush().expect("written");
    let (mut before, mut seen) = (None, Vec::new());
    loop {
        let page = store.notes(before, 10).expect("readable");
        let Some(last) = page.last() else { break };
        before = Some(last.row);
        seen.extend(page.iter().map(|n| n.value.at_ms));
    }
    assert_eq!(seen, (0..25).rev().collect::<Vec<u64>>());
}
