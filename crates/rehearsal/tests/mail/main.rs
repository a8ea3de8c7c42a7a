//! Mail between stations and visitors, over simulated bands: of whole frames, and in `sound` of sound.

mod emergency;
mod formal;
mod limits;
mod ring;
mod room;
mod sound;

use dunlin_clock::{Duration, Instant};
use dunlin_mail::post::{Answer, Ask, Head, Standing, Which};
use dunlin_mail::{Kind, MessageId, Precedence};
use dunlin_rehearsal::{Fidelity, KeeperDelays, Rehearsal, Scenario, Told, What};
use dunlin_station::{Command, Draft, Event};

/// QM2REE on VHF, QA1SKY on both bands, QX0RLF on HF; Bar Island is a visitor without mail of its own.
const ISLES: &str = r#"
title = "Mail of the isles"
operator = "QA1SKY"
[[band]]
name = "VHF"
kind = "fm"
rate = 24000
paths = [
    { from = "QA1SKY", to = "QM2REE", level = "22 dB" },
    { from = "QA1SKY", to = "QM3BAR", level = "22 dB" },
]
[[band]]
name = "HF"
kind = "ssb"
rate = 12000
paths = [{ from = "QA1SKY", to = "QX0RLF", level = "16 dB", HOURS }]

[[place]]
[place.station]
call = "QA1SKY"
[place.node]
call = "QA1SKY-5"
[place.mail]
keep = true
keeps_for = ["QM3BAR"]
hold_words = ["raffle"]
[[place.partner]]
call = "QX0RLF-5"
port = "HF"
carries = ["QH8LIS"]
every_min = 30
PARTNER_HOURS
[[place.partner]]
call = "QM2REE-5"
port = "VHF"
areas = ["ISLES"]
every_min = 30
[[place.port]]
name = "HF"
mode = "afsk300"
[[place.port]]
name = "VHF"
mode = "afsk1200"

[[place]]
[place.station]
call = "QM2REE"
[place.node]
call = "QM2REE-5"
[place.mail]
keep = true
[[place.partner]]
call = "QA1SKY-5"
port = "VHF"
carries_all = true
every_min = 30
[[place.port]]
name = "VHF"
mode = "afsk1200"

[[place]]
[place.station]
call = "QM3BAR"
[[place.port]]
name = "VHF"
mode = "afsk1200"

[[place]]
[place.station]
call = "QX0RLF"
[place.node]
call = "QX0RLF-5"
[place.mail]
keep = true
[[place.partner]]
call = "QA1SKY-5"
port = "HF"
carries_all = true
every_min = 60
[[place.port]]
name = "HF"
mode = "afsk300"
"#;

const SKY: usize = 0;
const REE: usize = 1;
const RLF: usize = 3;

fn isles() -> Rehearsal {
    begin(&ISLES.replace(", HOURS", "").replace("PARTNER_HOURS", ""))
}

fn begin(text: &str) -> Rehearsal {
    let scenario =
        Scenario::read("mail", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"));
    Rehearsal::begin_at(scenario, 5, true, Fidelity::Frame).expect("it begins")
}

fn personal(to: &str, body: &str) -> Draft {
    let to = to.parse().expect("an address");
    Draft {
        kind: Kind::Personal { to },
        precedence: Precedence::Routine,
        title: "Cots".into(),
        body: body.into(),
        keep_back: false,
    }
}

/// Lets time pass until `done`, at most so many minutes. True if it came.
fn until(r: &mut Rehearsal, minutes: u64, mut done: impl FnMut(&mut Rehearsal) -> bool) -> bool {
    let end = r.now() + Duration::from_secs(60 * minutes);
    while r.now() < end {
        r.advance(r.now() + Duration::from_secs(10));
        while r.poll().is_some() {}
        if done(r) {
            return true;
        }
    }
    false
}

fn heads(r: &mut Rehearsal, station: usize) -> Vec<Head> {
    let ask = Ask::List {
        reader: None,
        which: Which::All,
        after: None,
        most: 100,
    };
    match r.ask_mail(station, ask) {
        Answer::Heads(heads) => heads,
        other => panic!("{other:?}"),
    }
}

fn head(r: &mut Rehearsal, station: usize, id: MessageId) -> Option<Head> {
    heads(r, station).into_iter().find(|head| head.id == id)
}

#[test]
fn a_message_goes_from_station_to_station_and_its_writer_sees_how_far_it_is() {
    let mut r = isles();
    let body = "Forty cots come by the ferry on Monday.\n".repeat(8);
    let id = r.write(REE, personal("QX0RLF", &body)).expect("written");
    assert_eq!(
        head(&mut r, REE, id).map(|h| h.standing),
        Some(Standing::Queued)
    );
    assert!(
        until(&mut r, 120, |r| head(r, RLF, id).is_some()),
        "it arrives"
    );
    let ask = Ask::Open {
        id,
        reader: None,
        glance: false,
    };
    let Answer::Opened(letter) = r.ask_mail(RLF, ask) else {
        panic!("it is there");
    };
    assert_eq!(letter.message.body, body);
    let chain: Vec<String> = letter
        .message
        .chain
        .iter()
        .map(|s| s.station.to_string())
        .collect();
    assert_eq!(chain, ["QM2REE", "QA1SKY", "QX0RLF"]);
    // The station between knows that the next one has it, and so does the writer's of the one between.
    let words =
        |r: &mut Rehearsal, station| head(r, station, id).map(|h| h.words()).unwrap_or_default();
    // It may have the message a moment before the one between hears that it was stored.
    let known = |r: &mut Rehearsal| words(r, SKY).contains("taken by QX0RLF");
    assert!(until(&mut r, 5, known), "{}", words(&mut r, SKY));
    assert!(
        words(&mut r, REE).contains("taken by QA1SKY"),
        "{}",
        words(&mut r, REE)
    );
}

#[test]
fn a_bulletin_goes_to_all_of_its_area_once_and_one_with_a_word_of_the_list_is_held() {
    let mut r = isles();
    let bulletin = |body: &str| Draft {
        kind: Kind::Bulletin {
            topic: "FERRY".into(),
            area: "ISLES".into(),
        },
        ..personal("QX0RLF", body)
    };
    let id = r
        .write(RLF, bulletin("No ferry tomorrow.\n"))
        .expect("written");
    let held = r
        .write(RLF, bulletin("Raffle on Sunday.\n"))
        .expect("written");
    assert!(until(&mut r, 180, |r| head(r, REE, id).is_some()));
    let standing = head(&mut r, SKY, held).map(|h| h.standing);
    assert!(
        matches!(standing, Some(Standing::Held { .. })),
        "{standing:?}"
    );
    until(&mut r, 180, |_| false);
    assert_eq!(head(&mut r, REE, held), None);
    assert_eq!(heads(&mut r, REE).len(), 1, "once");
}

#[test]
fn nothing_is_lost_while_the_band_is_shut_and_the_partner_is_told_to_be_silent() {
    let text = ISLES
        .replace("HOURS }", "open = [\"06:00-07:00\"] }")
        .replace("PARTNER_HOURS", "");
    let mut r = begin(&text);
    let id = r
        .write(SKY, personal("QX0RLF", "Forty.\n"))
        .expect("written");
    let mut silent = None;
    let end = Instant::ZERO + Duration::from_secs(8 * 3600);
    while r.now() < end && head(&mut r, RLF, id).is_none() {
        r.advance(r.now() + Duration::from_secs(10));
        while let Some(told) = r.poll() {
            if let dunlin_rehearsal::Told::Operator(Event::Alarm(alarm)) = told
                && alarm.text.contains("QX0RLF-5")
            {
                silent.get_or_insert(r.now());
            }
        }
    }
    let hour = r.now().as_millis() as f64 / 3.6e6;
    assert!((6.0..7.5).contains(&hour), "it arrived after {hour:.1} h");
    assert!(silent.is_some(), "an alarm told of the silence");
    let partner = &r.snapshot().partners[0];
    assert!(
        partner.contact_ms.is_some() || partner.exchanging,
        "{partner:?}"
    );
}

#[test]
fn a_visitor_writes_by_plain_words_and_reads_the_answer() {
    let mut r = isles();
    // The visitor is a person of the scenario's third station; here the test types.
    let text = ISLES.replace(", HOURS", "").replace("PARTNER_HOURS", "")
        + r#"
[[person]]
name = "Brae"
at = "QM3BAR"
does = [
    { do = "call", to = "QA1SKY-5" },
    { do = "await", text = "or help" },
    { do = "say", text = "write qx0rlf at qx0rlf" },
    { do = "await", text = "What is it about" },
    { do = "say", text = "Blankets" },
    { do = "await", text = "Now the text." },
    { do = "say", text = "Twelve, please." },
    { do = "say", text = "send" },
    { do = "await", text = "Kept: queued for QX0RLF" },
    { do = "close" },
    { do = "wait", time = "3 h" },
    { do = "call", to = "QA1SKY-5" },
    { do = "await", text = "Something waits for you" },
    { do = "say", text = "mail" },
    { do = "await", text = "Re blankets" },
    { do = "say", text = "read 1" },
    { do = "await", text = "On the next boat." },
    { do = "say", text = "delete 1" },
    { do = "await", text = "Deleted." },
    { do = "close" },
]
"#;
    r.end();
    let mut r = begin(&text);
    let written = |r: &mut Rehearsal| heads(r, RLF).first().map(|head| head.id);
    assert!(
        until(&mut r, 150, |r| written(r).is_some()),
        "the letter arrives"
    );
    let id = written(&mut r).expect("there");
    let got = head(&mut r, RLF, id).expect("there");
    assert_eq!(
        (got.title.as_str(), got.from.to_string()),
        ("Blankets", "QM3BAR at QA1SKY".into())
    );
    let mut answer = personal(&got.from.to_string(), "On the next boat.\n");
    answer.title = "Re blankets".into();
    r.write(RLF, answer).expect("written");
    let finished = |r: &mut Rehearsal| r.people()[0].finished() == 1;
    assert!(
        until(&mut r, 300, finished),
        "Brae reads the answer: gave up {}",
        r.people()[0].gave_up()
    );
    let left: Vec<Standing> = heads(&mut r, SKY).into_iter().map(|h| h.standing).collect();
    assert!(
        left.iter().all(|s| !matches!(s, Standing::Here)),
        "{left:?}"
    );
}

#[test]
fn a_person_may_have_a_partner_called_at_once() {
    let mut r = isles();
    let id = r
        .write(SKY, personal("QX0RLF", "Forty.\n"))
        .expect("written");
    let partner = "QX0RLF-5".parse().expect("a call sign");
    r.command(Command::CallPartner { partner })
        .expect("it is called");
    let nobody = "QZ9ZZZ".parse().expect("a call sign");
    let refused = r.command(Command::CallPartner { partner: nobody });
    assert!(refused.is_err_and(|why| why.to_string().contains("no partner")));
    assert!(until(&mut r, 5, |r| head(r, RLF, id).is_some()));
}

#[test]
fn what_can_go_nowhere_is_reported_to_its_writer_over_all_stations_between() {
    let text = ISLES.replace(", HOURS", "").replace("PARTNER_HOURS", "");
    let mut r = begin(&text.replace("carries = [\"QH8LIS\"]", "carries_all = true"));
    let id = r
        .write(REE, personal("QZ1FAR at QZ2FAR", "Forty.\n"))
        .expect("written");
    let report = |r: &mut Rehearsal| {
        let about = |head: &Head| matches!(head.kind, Kind::Service { about, .. } if about == id);
        heads(r, REE).into_iter().find(about)
    };
    assert!(
        until(&mut r, 240, |r| report(r).is_some()),
        "the writer is told"
    );
    let report = report(&mut r).expect("there");
    let ask = Ask::Open {
        id: report.id,
        reader: None,
        glance: false,
    };
    let Answer::Opened(letter) = r.ask_mail(REE, ask) else {
        panic!("it is there");
    };
    let body = &letter.message.body;
    assert!(
        body.contains("QZ1FAR at QZ2FAR") && body.contains("refused by QX0RLF"),
        "{body}"
    );
}

/// Exchanges with the first partner that the operator's station told of, and how each ended.
fn exchanges(told: &[Event]) -> Vec<String> {
    let words = |event: &Event| match event {
        Event::Note(note) => note
            .text
            .strip_prefix("mail with QX0RLF-5: ")
            .map(String::from),
        _ => None,
    };
    told.iter().filter_map(words).collect()
}

/// Lets time pass until `done`, at most so many minutes, and gives what the operator's station told.
fn told_until(
    r: &mut Rehearsal,
    minutes: u64,
    mut done: impl FnMut(&mut Rehearsal) -> bool,
) -> Vec<Event> {
    let end = r.now() + Duration::from_secs(60 * minutes);
    let mut told = Vec::new();
    while r.now() < end && !done(r) {
        r.advance(r.now() + Duration::from_secs(5));
        while let Some(next) = r.poll() {
            if let dunlin_rehearsal::Told::Operator(event) = next {
                told.push(event);
            }
        }
    }
    told
}

fn call_rlf(r: &mut Rehearsal) {
    let partner = "QX0RLF-5".parse().expect("a call sign");
    r.command(Command::CallPartner { partner })
        .expect("it is called");
}

/// Words that do not pack well.
fn long() -> String {
    let mut chance = dunlin_clock::Chance::stream(1, "long");
    let letter = |n: u32| match n % 9 {
        8 => ' ',
        _ => char::from(b'a' + chance.below(26) as u8),
    };
    (0..6000).map(letter).collect()
}

#[test]
fn what_is_written_during_an_exchange_goes_with_it() {
    for writer in [SKY, RLF] {
        let mut r = isles();
        let first = r.write(SKY, personal("QX0RLF", &long())).expect("written");
        call_rlf(&mut r);
        let exchanging = |r: &mut Rehearsal| r.snapshot().partners[0].words == "exchanging mail";
        told_until(&mut r, 5, exchanging);
        // The exchange has begun and read its queues.
        told_until(&mut r, 1, |_| false);
        let reader = if writer == SKY { RLF } else { SKY };
        let to = if writer == SKY { "QX0RLF" } else { "QA1SKY" };
        let second = r
            .write(writer, personal(to, "One more thing.\n"))
            .expect("written");
        let told = told_until(&mut r, 60, |r| {
            head(r, RLF, first).is_some() && !r.snapshot().partners[0].exchanging
        });
        let ends = exchanges(&told);
        assert!(
            ends.len() == 1 && ends[0].contains("all is done"),
            "{writer}: {ends:?}"
        );
        assert!(
            head(&mut r, reader, second).is_some(),
            "written at {writer}"
        );
    }
}

#[test]
fn an_exchange_that_is_ended_goes_on_later_where_it_was() {
    // In the midst of what this side sends, and of what the partner sends.
    for (writer, reader, to) in [(SKY, RLF, "QX0RLF"), (RLF, SKY, "QA1SKY")] {
        let mut r = isles();
        let id = r.write(writer, personal(to, &long())).expect("written");
        call_rlf(&mut r);
        told_until(&mut r, 3, |_| false);
        let partner = "QX0RLF-5".parse().expect("a call sign");
        let why = "a talk needs the channel".to_owned();
        r.command(Command::EndPartner { partner, why })
            .expect("one goes on");
        let told = told_until(&mut r, 2, |_| false);
        let there = r.snapshot_of(RLF).partners[0].clone();
        let words = "QA1SKY ended: ended by the operator: a talk needs the channel";
        assert!(!there.exchanging, "{there:?}");
        assert!(there.words == words || writer == SKY, "{there:?}");
        let ends = ["ended by the operator: a talk needs the channel"];
        assert_eq!(exchanges(&told), ends);
        let partials = |r: &mut Rehearsal| match r.ask_mail(reader, Ask::Counts) {
            Answer::Counts(counts) => counts.partials,
            other => panic!("{other:?}"),
        };
        assert_eq!((partials(&mut r), head(&mut r, reader, id)), (1, None));
        assert!(until(&mut r, 120, |r| head(r, reader, id).is_some()));
        assert_eq!(partials(&mut r), 0);
    }
}

#[test]
fn a_keeper_that_answers_late_costs_time_and_no_mail() {
    let mut r = isles();
    r.slow_keepers(KeeperDelays {
        most: Duration::from_secs(5),
        one_in: 12,
        seldom: Duration::from_secs(60),
    });
    let mut ids = Vec::new();
    for number in 0..6 {
        let body = format!("Number {number}. ") + &"Forty cots come by the ferry. ".repeat(10);
        let to_rlf = r.write(REE, personal("QX0RLF", &body)).expect("written");
        let to_ree = r
            .write(RLF, personal("QM2REE at QM2REE", &body))
            .expect("written");
        ids.extend([(to_rlf, RLF), (to_ree, REE)]);
    }
    let all = |r: &mut Rehearsal| ids.iter().all(|&(id, at)| head(r, at, id).is_some());
    assert!(until(&mut r, 12 * 60, all), "all arrive");
    let hours = r.now().as_millis() as f64 / 3.6e6;
    println!("all have arrived after {hours:.1} h");
    // What is known of them comes to rest, too: nothing waits for ever, and nothing comes twice.
    let settled = |r: &mut Rehearsal| {
        [SKY, REE, RLF].into_iter().all(|station| {
            let heads = heads(r, station);
            heads.iter().all(|head| head.standing != Standing::Queued)
        })
    };
    assert!(until(&mut r, 12 * 60, settled), "nothing waits");
    assert_eq!(heads(&mut r, RLF).len() + heads(&mut r, REE).len(), 24);
}

#[test]
fn who_has_left_enough_is_told_before_typing_and_what_nobody_fetches_is_reported() {
    let limited = ISLES
        .replace(", HOURS", ", open = [\"03:00-03:01\"]")
        .replace("PARTNER_HOURS", "")
        .replacen(
            "keep = true",
            "keep = true\nvisitor_day_messages = 1\nqueued_days = 1",
            1,
        );
    let text = limited
        + r#"
[[person]]
name = "Brae"
at = "QM3BAR"
does = [
    { do = "call", to = "QA1SKY-5" },
    { do = "await", text = "or help" },
    { do = "say", text = "word qh8lis at qh8lis The ferry is late." },
    { do = "await", text = "Kept: queued for QX0RLF" },
    { do = "say", text = "write qx0rlf" },
    { do = "await", text = "You have left 1 message with" },
    { do = "say", text = "heard" },
    { do = "await", text = "QM3BAR" },
    { do = "close" },
]
"#;
    let mut r = begin(&text);
    let told = |r: &mut Rehearsal| r.people()[0].finished() == 1;
    assert!(
        until(&mut r, 60, told),
        "gave up: {}",
        r.people()[0].gave_up()
    );
    let report = |r: &mut Rehearsal| {
        let all = heads(r, SKY).into_iter();
        all.map(|head| head.title)
            .find(|title| title.starts_with("Not delivered"))
    };
    assert_eq!(report(&mut r), None);
    assert!(
        until(&mut r, 26 * 60, |r| report(r).is_some()),
        "after a day"
    );
}
