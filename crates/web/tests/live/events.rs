//! The stream of events: complete, in order, resumed where it was cut.

use std::time::{Duration, Instant};

use crate::client::{Listening, Told};
use crate::stand_in::StandIn;

/// The number that the event carries as content, after a check that its id has it too.
fn number(told: &Told) -> u64 {
    let (_, seq) = told.id.rsplit_once('-').expect("an id with a number");
    let content = told.data.trim_start_matches("{\"talk_gone\":");
    assert_eq!(content, format!("{seq}}}"), "{told:?}");
    seq.parse().expect("a number")
}

#[test]
fn a_stream_cut_in_the_middle_goes_on_without_gap_or_double() {
    let station = StandIn::start();
    let publisher = {
        let hub = station.hub.clone();
        std::thread::spawn(move || {
            for n in 1..=6000 {
                hub.publish(&dunlin_station::Event::TalkGone(dunlin_station::TalkId(n)));
                if n % 50 == 0 {
                    std::thread::sleep(Duration::from_millis(2));
                }
            }
        })
    };
    let mut stream = Listening::open(station.port, "/api/events", &[]).expect("a stream");
    let first = stream.next_news();
    assert_eq!(first.event, "snapshot");
    let mut last_id = first.id.clone();
    let (_, seq) = first.id.rsplit_once('-').expect("an id");
    let mut expected: u64 = seq.parse::<u64>().expect("a number") + 1;
    let mut cuts = 0;
    while expected <= 6000 {
        let told = stream.next_news();
        assert_eq!(number(&told), expected);
        expected += 1;
        last_id = told.id;
        if expected.is_multiple_of(700) {
            stream.kill();
            cuts += 1;
            let header = format!("Last-Event-ID: {last_id}");
            let again = match cuts % 2 {
                0 => Listening::open(station.port, "/api/events", &[&header]),
                _ => Listening::open(station.port, &format!("/api/events?after={last_id}"), &[]),
            };
            stream = again.expect("a stream");
        }
    }
    publisher.join().expect("published");
    assert!(cuts >= 7, "only {cuts} cuts");
    let header = format!("Last-Event-ID: {last_id}");
    let mut idle = Listening::open(station.port, "/api/events", &[&header]).expect("a stream");
    assert_eq!(idle.next().event, "now", "nothing is told twice");
}

#[test]
fn the_header_wins_over_the_query_that_a_browser_repeats() {
    let station = StandIn::start();
    (0..5).for_each(|_| station.publish());
    let run = run_of(&station);
    let (query, header) = (
        format!("/api/events?after={run}-1"),
        format!("Last-Event-ID: {run}-3"),
    );
    let mut stream = Listening::open(station.port, &query, &[&header]).expect("a stream");
    assert_eq!(number(&stream.next_news()), 4);
}

#[test]
fn another_run_and_what_is_too_old_begin_with_a_snapshot() {
    let station = StandIn::start();
    (0..20_010).for_each(|_| station.publish());
    let run = run_of(&station);
    let mut last = String::new();
    for id in [
        format!("{run}-3"),
        "1a.2b-20005".into(),
        format!("{run}-20011"),
        "?".into(),
    ] {
        let header = format!("Last-Event-ID: {id}");
        let mut stream = Listening::open(station.port, "/api/events", &[&header]).expect("open");
        let first = stream.next_news();
        assert_eq!(
            (&*first.event, &*first.id),
            ("snapshot", &*format!("{run}-20010")),
            "{id}"
        );
        last = first.id;
    }
    let mut stream =
        Listening::open(station.port, &format!("/api/events?after={last}"), &[]).expect("a stream");
    station.publish();
    assert_eq!(
        number(&stream.next_news()),
        20_011,
        "events follow the snapshot"
    );
}

fn run_of(station: &StandIn) -> String {
    let mut stream = Listening::open(station.port, "/api/events", &[]).expect("a stream");
    let first = stream.next_news();
    first.id.rsplit_once('-').expect("an id").0.to_owned()
}

#[test]
fn an_event_reaches_a_listener_at_once() {
    let station = StandIn::start();
    let mut stream = Listening::open(station.port, "/api/events", &[]).expect("a stream");
    stream.next_news();
    let mut delays: Vec<Duration> = (0..100)
        .map(|_| {
            let began = Instant::now();
            station.publish();
            stream.next_news();
            began.elapsed()
        })
        .collect();
    delays.sort();
    println!(
        "publish to listener: median {:?}, longest {:?}",
        delays[50], delays[99]
    );
    // A quarter of the 200 ms from the engine to the page; loopback needs far less.
    assert!(delays[50] < Duration::from_millis(50), "{delays:?}");
}

#[test]
fn the_time_is_told_without_an_id() {
    let station = StandIn::start();
    let mut stream = Listening::open(station.port, "/api/events", &[]).expect("a stream");
    stream.next_news();
    let now = stream.next();
    assert_eq!(
        (&*now.event, &*now.id, &*now.data),
        ("now", "", "{\"now_ms\":42}")
    );
}

#[test]
fn listeners_are_limited_and_a_seat_is_free_again_when_one_leaves() {
    let station = StandIn::start();
    let mut all: Vec<Listening> = (0..32)
        .map(|_| Listening::open(station.port, "/api/events", &[]).expect("a seat"))
        .collect();
    assert_eq!(
        Listening::open(station.port, "/api/events", &[]).err(),
        Some(503)
    );
    all.pop().expect("one").kill();
    let deadline = Instant::now() + Duration::from_secs(10);
    while Listening::open(station.port, "/api/events", &[]).is_err() {
        assert!(Instant::now() < deadline, "the seat was not given back");
        std::thread::sleep(Duration::from_millis(100));
    }
}
