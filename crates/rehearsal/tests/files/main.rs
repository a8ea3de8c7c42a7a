//! Files over talks, over simulated bands: of whole frames, and in `sound` of sound.

mod bench;
mod measured;
mod sound;

use bench::{Bench, REE, SKY, file};
use dunlin_mail::file::hash_of;
use dunlin_station::{Command, Direction, FileDecision, FileId, FileState, TalkState};

const MODES: [&str; 2] = ["afsk1200", "afsk300"];

/// Offers one of 10 000 octets to QM2REE and takes it there.
fn begun(b: &mut Bench) -> (FileId, FileId) {
    b.call();
    let ours = b.offer(SKY, "map.png", 10_000, 1);
    let theirs = b.offered(REE, 300).expect("it is offered");
    b.accept(REE, theirs);
    (ours, theirs)
}

#[test]
fn files_go_whole_both_ways_while_both_type() {
    for mode in MODES {
        let mut b = Bench::new(mode);
        let (map, map_there) = begun(&mut b);
        let list = b.offer(REE, "list.txt", 4_000, 2);
        let list_there = b.offered(SKY, 300).expect("it is offered");
        b.accept(SKY, list_there);
        let offers: Vec<usize> = [SKY, REE]
            .map(|s| b.lines(s, Direction::Sent).len())
            .to_vec();
        let mut said = [Vec::new(), Vec::new()];
        let mut next = 0;
        let done = |b: &mut Bench| {
            let all = [(SKY, map), (REE, map_there), (REE, list), (SKY, list_there)];
            all.iter().all(|&(s, f)| b.state(s, f) == FileState::Done)
        };
        while !b.until(1, done) && next < 3600 {
            next += 1;
            for (n, station) in [(0, SKY), (17, REE)] {
                if next % 40 == n {
                    let line = format!("Line {next}, typed while files go both ways.");
                    b.say(station, &line);
                    said[station].push(line);
                }
            }
        }
        assert!(done(&mut b), "{mode}: {:?}", b.files(SKY));
        b.assert_arrived(REE, "map.png", 10_000, 1);
        b.assert_arrived(SKY, "list.txt", 4_000, 2);
        assert!(b.until(120, |b| {
            let got = |to| b.lines(to, Direction::Received).len();
            let ways = [(SKY, REE), (REE, SKY)];
            ways.iter()
                .all(|&(from, to)| got(to) == offers[from] + said[from].len())
        }));
        for (from, to) in [(SKY, REE), (REE, SKY)] {
            let got: Vec<String> = b
                .lines(to, Direction::Received)
                .into_iter()
                .map(|l| l.text)
                .filter(|text| text.starts_with("Line"))
                .collect();
            assert_eq!(got, said[from], "{mode}: exact and in order");
            assert_eq!(
                b.lines(to, Direction::Received).len(),
                offers[from] + said[from].len()
            );
        }
        let view = b.view(REE, map_there);
        assert_eq!(
            (view.done, view.airtime_ms, view.words.as_str()),
            (10_000, 0, "stored")
        );
    }
}

#[test]
fn a_dropped_file_goes_on_in_a_later_talk() {
    for mode in MODES {
        let mut b = Bench::new(mode);
        let (ours, theirs) = begun(&mut b);
        assert!(b.until(900, |b| b.view(REE, theirs).done > 5_000));
        // Cut at once: the second request does not wait for what is under way.
        let talk = b.talk(SKY);
        for _ in 0..2 {
            let cut = b.r.command_at(SKY, Command::CloseTalk { talk });
            cut.expect("it ends");
        }
        let ended = |b: &mut Bench| {
            let over = |s: usize| b.talk_of(s).map(|t| t.1) == Some(TalkState::Ended);
            over(SKY) && over(REE)
        };
        assert!(b.until(120, ended));
        for (station, id) in [(SKY, ours), (REE, theirs)] {
            let view = b.view(station, id);
            assert_eq!(view.state, FileState::Stopped, "{}", view.words);
        }
        let there = b.view(REE, theirs).done;
        b.call();
        let again = b.offer(SKY, "map.png", 10_000, 1);
        let asked = b.offered(REE, 300).expect("it is offered again");
        b.accept(REE, asked);
        assert_eq!(b.view(REE, asked).done, there, "{mode}: from where it was");
        assert!(b.until(900, |b| b.state(SKY, again) == FileState::Done));
        b.assert_arrived(REE, "map.png", 10_000, 1);
        // Once more: the other side has it and says so.
        let third = b.offer(SKY, "map.png", 10_000, 1);
        let asked = b.offered(REE, 300).expect("it is offered");
        b.accept(REE, asked);
        assert!(b.until(120, |b| b.state(SKY, third) == FileState::Done));
        assert!(b.view(SKY, third).words.contains("had it already"));
    }
}

#[test]
fn a_file_is_refused_before_it_goes_and_while_it_comes() {
    let mut b = Bench::new("afsk1200");
    b.call();
    let first = b.offer(SKY, "map.png", 10_000, 1);
    let asked = b.offered(REE, 300).expect("it is offered");
    b.decide(REE, asked, FileDecision::TooLarge, "half of it would do");
    assert!(b.until(120, |b| b.state(SKY, first) == FileState::Refused));
    let words = b.view(SKY, first).words;
    assert!(words.contains("too large (half of it would do)"), "{words}");
    // Nothing is taken by itself.
    let second = b.offer(SKY, "chart.png", 10_000, 3);
    let asked = b.offered(REE, 300).expect("it is offered");
    b.pass(600_000);
    assert_eq!(b.state(SKY, second), FileState::Offered);
    b.accept(REE, asked);
    assert!(b.until(120, |b| b.view(REE, asked).done > 1000));
    b.decide(REE, asked, FileDecision::Later, "");
    assert!(b.until(120, |b| b.state(SKY, second) == FileState::Refused));
    // What was under way harms nothing, and the talk goes on.
    b.say(SKY, "Tomorrow, then.");
    assert!(b.until(120, |b| {
        let lines = b.lines(REE, Direction::Received);
        lines.last().is_some_and(|l| l.text == "Tomorrow, then.")
    }));
    // Who offers takes it back.
    let third = b.offer(SKY, "old.png", 5_000, 4);
    let asked = b.offered(REE, 300).expect("it is offered");
    let stop = Command::StopFile {
        talk: b.talk(SKY),
        file: third,
        words: "the wrong one".into(),
    };
    b.r.command_at(SKY, stop).expect("it stops");
    assert!(b.until(120, |b| b.state(REE, asked) == FileState::Stopped));
    assert!(b.r.files_of(REE).is_empty());
}

#[test]
fn a_liar_about_hash_or_size_gets_nowhere() {
    let mut b = Bench::new("afsk1200");
    b.call();
    let octets = file(3_000, 1);
    let wrong = hash_of(b"something else");
    let ours = b.offer_as(SKY, "map.png", octets.clone(), (3_000, wrong));
    let ours = ours.expect("it is offered");
    let asked = b.offered(REE, 300).expect("it is offered");
    b.accept(REE, asked);
    assert!(b.until(600, |b| b.state(SKY, ours) == FileState::Refused));
    let words = b.view(SKY, ours).words;
    assert!(words.contains("damaged twice"), "{words}");
    assert_eq!(b.state(REE, asked), FileState::Stopped);
    // Said to be longer than it is: it ends where its octets end.
    let ours = b.offer_as(SKY, "long.png", octets, (5_000, hash_of(b"another")));
    let ours = ours.expect("it is offered");
    let asked = b.offered(REE, 300).expect("it is offered");
    b.accept(REE, asked);
    assert!(b.until(600, |b| b.state(SKY, ours) == FileState::Stopped));
    assert!(b.until(60, |b| b.state(REE, asked) == FileState::Stopped));
    assert!(b.view(SKY, ours).words.contains("cannot be read"));
    assert!(b.r.files_of(REE).is_empty());
}

#[test]
fn the_limits_of_the_plan_and_of_the_shelf_hold() {
    let mut b = Bench::with("afsk1200", "22 dB", "[place.files]\nlargest_octets = 5000");
    b.call();
    let ours = b.offer(SKY, "map.png", 10_000, 1);
    assert!(b.until(120, |b| b.state(SKY, ours) == FileState::Refused));
    assert!(b.view(SKY, ours).words.contains("too large"));
    assert!(b.files(REE).is_empty(), "nobody was asked");
    // From now on it is known.
    let head = (6_000, hash_of(&file(6_000, 2)));
    let refused = b.offer_as(SKY, "map.png", file(6_000, 2), head);
    assert!(refused.is_err_and(|why| why.contains("takes 5000")));
    b.r.narrow_shelf(REE, 1000);
    let ours = b.offer(SKY, "small.png", 2_000, 3);
    let asked = b.offered(REE, 120).expect("it is offered");
    b.accept(REE, asked);
    assert!(b.until(120, |b| b.state(SKY, ours) == FileState::Refused));
    assert!(b.view(SKY, ours).words.contains("no room"));
    let files = "[place.files]\nonly_from = [\"QM3BAR\"]";
    let mut b = Bench::with("afsk1200", "22 dB", files);
    b.call();
    let ours = b.offer(SKY, "map.png", 100, 1);
    assert!(b.until(120, |b| b.state(SKY, ours) == FileState::Refused));
    assert!(b.files(REE).is_empty(), "nobody was asked");
}

#[test]
fn what_cannot_be_offered_or_answered_is_said() {
    let mut b = Bench::new("afsk1200");
    b.call();
    let talk = b.talk(SKY);
    let mut offer = |name: &str, size: u64, hash: &str| {
        let command = Command::OfferFile {
            talk,
            name: name.into(),
            media: None,
            size,
            hash: hash.into(),
        };
        b.r.command_at(SKY, command).map_err(|e| e.to_string())
    };
    let hash = "0123456789abcdef".repeat(4);
    let why = |answer: Result<_, String>| answer.expect_err("it is refused");
    assert!(why(offer("a/b", 1, &hash)).contains("U+002F"));
    assert!(why(offer("a", 0, &hash)).contains("empty"));
    assert!(why(offer("a", 1, "12")).contains("SHA-256"));
    for n in 0..4 {
        offer(&format!("f{n}"), 1, &hash.replacen('0', &n.to_string(), 1))
            .expect("four may be open");
    }
    assert!(why(offer("f4", 1, &hash.replacen('0', "9", 1))).contains("enough files"));
    let answer = Command::AnswerFile {
        talk,
        file: FileId(0),
        decision: FileDecision::Accept,
        words: String::new(),
    };
    let refused = b.r.command_at(SKY, answer).expect_err("it is an own one");
    assert!(refused.to_string().contains("waits for no answer"));
    let stop = Command::StopFile {
        talk,
        file: FileId(99),
        words: String::new(),
    };
    let refused = b.r.command_at(SKY, stop).expect_err("there is none");
    assert!(refused.to_string().contains("no file number 99"));
}

#[test]
fn a_link_that_dies_keeps_what_came() {
    let mut b = Bench::new("afsk1200");
    let (_, theirs) = begun(&mut b);
    assert!(b.until(600, |b| b.view(REE, theirs).done > 2_000));
    let stop = Command::Stop {
        port: None,
        by: "test".into(),
        why: "the radio is off".into(),
    };
    b.r.command_at(SKY, stop).expect("it stops");
    let ended = |b: &mut Bench, s| b.talk_of(s).map(|t| t.1) == Some(TalkState::Ended);
    assert!(b.until(3600, |b| ended(b, REE)));
    assert_eq!(b.state(REE, theirs), FileState::Stopped);
    let there = b.view(REE, theirs).done;
    let start = Command::Start {
        port: None,
        by: "test".into(),
    };
    b.r.command_at(SKY, start).expect("it goes on");
    assert!(b.until(3600, |b| ended(b, SKY)));
    b.call();
    let again = b.offer(SKY, "map.png", 10_000, 1);
    let asked = b.offered(REE, 300).expect("it is offered again");
    b.accept(REE, asked);
    assert_eq!(b.view(REE, asked).done, there);
    assert!(b.until(900, |b| b.state(SKY, again) == FileState::Done));
    b.assert_arrived(REE, "map.png", 10_000, 1);
}

#[test]
fn a_file_goes_whole_over_a_path_that_loses_many_frames() {
    let mut b = Bench::with("afsk1200", "9 dB", "");
    let (ours, _) = begun(&mut b);
    b.say(REE, "It comes slowly.");
    assert!(
        b.until(7200, |b| b.state(SKY, ours) == FileState::Done),
        "{:?}",
        b.view(SKY, ours)
    );
    b.assert_arrived(REE, "map.png", 10_000, 1);
}

#[test]
fn a_file_waits_for_key_down_time_and_lines_and_answers_do_not() {
    // A file of 9000 octets wants two minutes on the air; one is allowed in ten minutes.
    let mut b = Bench::limited("single_s = 20\nten_minutes_s = 60\nhour_s = 300");
    b.call();
    let ours = b.offer(SKY, "map.png", 9000, 1);
    let asked = b.offered(REE, 60).expect("it is offered");
    b.accept(REE, asked);
    let words = |b: &Bench| b.r.snapshot_of(SKY).talks[0].words.clone();
    let says_so = |b: &Bench| words(b).contains("much text waits");
    assert!(b.until(400, |b| says_so(b)), "{}", words(&b));
    let done = b.view(REE, asked).done;
    for n in 0..3 {
        let line = format!("Line {n} while the file waits.");
        b.say(SKY, &line);
        assert!(b.until(15, |b| b.has_line(REE, &line)), "{line}");
        // It brings none of the file with it.
        assert!(b.view(REE, asked).done <= done + 600, "{done}");
    }
    // An answer about another file goes at once.
    let theirs = b.offer(REE, "list.txt", 40, 2);
    let offered = b.offered(SKY, 60).expect("it is offered");
    b.decide(SKY, offered, FileDecision::NotWanted, "");
    assert!(b.until(30, |b| b.state(REE, theirs) == FileState::Refused));
    assert!(b.until(3600, |b| b.state(SKY, ours) == FileState::Done));
    b.assert_arrived(REE, "map.png", 9000, 1);
    assert!(!says_so(&b), "{}", words(&b));
}
