//! Mail between two stations with sound, and the same with whole frames: what agrees, and how well.

use dunlin_clock::{Duration, Instant};
use dunlin_mail::MessageId;
use dunlin_mail::post::{Answer, Ask};
use dunlin_rehearsal::{Fidelity, Rehearsal, Scenario};
use dunlin_station::Command;

use super::{REE, SKY, head, long, personal};

/// Two stations that keep mail; QA1SKY calls QM2REE.
const PAIR: &str = r#"
title = "A pair"
operator = "QA1SKY"
[[band]]
name = "Band"
BAND
paths = [{ from = "QA1SKY", to = "QM2REE", level = "LEVEL" }]

[[place]]
[place.station]
call = "QA1SKY"
[place.node]
call = "QA1SKY-5"
[place.mail]
keep = true
[[place.partner]]
call = "QM2REE-5"
port = "Band"
every_min = 600
[[place.port]]
name = "Band"
mode = "MODE"

[[place]]
[place.station]
call = "QM2REE"
[place.node]
call = "QM2REE-5"
[place.mail]
keep = true
[[place.partner]]
call = "QA1SKY-5"
port = "Band"
every_min = 600
[[place.port]]
name = "Band"
mode = "MODE"
"#;

/// What one exchange came to.
#[derive(Debug)]
struct Course {
    /// Of each way, from QA1SKY first: what has arrived and its chain.
    arrived: [(String, Vec<String>); 2],
    /// Seconds from the call until each was there.
    after: [f64; 2],
    /// Seconds from the call until the exchange was over at the side that called.
    over: f64,
}

fn pair(mode: &str, level: &str, fidelity: Fidelity, seed: u64) -> Rehearsal {
    let band = match mode {
        "afsk300" => "kind = \"ssb\"\nrate = 12000",
        _ => "kind = \"fm\"\nrate = 24000",
    };
    let text = PAIR.replace("BAND", band).replace("LEVEL", level);
    let text = text.replace("MODE", mode);
    let scenario =
        Scenario::read("pair", text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"));
    Rehearsal::begin_at(scenario, seed, true, fidelity).expect("it begins")
}

/// Lets QA1SKY call QM2REE with one message each way, until both know that all is done.
fn exchange(r: &mut Rehearsal, bodies: [&str; 2], minutes: u64) -> Course {
    let ids = [
        r.write(SKY, personal("QM2REE", bodies[0]))
            .expect("written"),
        r.write(REE, personal("QA1SKY", bodies[1]))
            .expect("written"),
    ];
    let partner = "QM2REE-5".parse().expect("a call sign");
    r.command(Command::CallPartner { partner })
        .expect("it is called");
    let ways = [(REE, ids[0]), (SKY, ids[1])];
    let mut after = [None; 2];
    let mut over = None;
    while over.is_none() && r.now() < Instant::ZERO + Duration::from_secs(60 * minutes) {
        r.advance(r.now() + Duration::from_millis(100));
        while r.poll().is_some() {}
        let seconds = r.now().since(Instant::ZERO).as_secs_f64();
        for (after, (station, id)) in after.iter_mut().zip(ways) {
            if after.is_none() && head(r, station, id).is_some() {
                *after = Some(seconds);
            }
        }
        let rests = |station| !r.snapshot_of(station).partners[0].exchanging;
        if after.iter().all(Option::is_some) && rests(SKY) && rests(REE) {
            over = Some(seconds);
        }
    }
    let [there, back] = after.map(|at| at.expect("it arrives"));
    Course {
        arrived: ways.map(|(station, id)| opened(r, station, id)),
        after: [there, back],
        over: over.expect("the exchange ends"),
    }
}

fn opened(r: &mut Rehearsal, station: usize, id: MessageId) -> (String, Vec<String>) {
    let ask = Ask::Open {
        id,
        reader: None,
        glance: false,
    };
    let Answer::Opened(letter) = r.ask_mail(station, ask) else {
        panic!("it is there");
    };
    let chain = letter.message.chain.iter();
    (
        letter.message.body.clone(),
        chain.map(|s| s.station.to_string()).collect(),
    )
}

/// One message of so many octets each way, that do not pack well. What has arrived, and by which way, is as it should be.
fn both_ways((mode, level): (&str, &str), octets: usize, fidelity: Fidelity, seed: u64) -> Course {
    let text = long();
    let bodies = [&text[..octets], &text[octets..2 * octets]];
    let mut r = pair(mode, level, fidelity, seed);
    let course = exchange(&mut r, bodies, 30);
    let chains = [["QA1SKY", "QM2REE"], ["QM2REE", "QA1SKY"]];
    for ((arrived, body), chain) in course.arrived.iter().zip(bodies).zip(chains) {
        assert_eq!(arrived.0, body);
        assert_eq!(arrived.1, chain);
    }
    let [there, back] = course.after;
    let over = course.over;
    println!("{mode} {level} {fidelity:?} {seed}: {there:.1} {back:.1}, over {over:.1} s");
    course
}

#[test]
fn messages_go_both_ways_by_sound_at_1200_baud_through_noise() {
    // Of frames of 64 octets 93.5 % are read at this level.
    let course = both_ways(("afsk1200", "6 dB"), 1000, Fidelity::Sound, 3);
    assert!(course.over < 60.0, "{course:?}");
}

#[test]
fn messages_go_both_ways_by_sound_at_300_baud_through_noise() {
    let course = both_ways(("afsk300", "-3 dB"), 100, Fidelity::Sound, 1);
    assert!(course.over < 60.0, "{course:?}");
}

/// Where nothing is lost, the same dice fall at both fidelities, so that what is left is how well the measured delays
/// of the modem fit.
#[test]
fn sound_and_frames_deliver_the_same_at_the_same_time_where_nothing_is_lost() {
    for (on, octets) in [(("afsk1200", "22 dB"), 1000), (("afsk300", "16 dB"), 100)] {
        for seed in 1..=3 {
            let [sound, frames] =
                [Fidelity::Sound, Fidelity::Frame].map(|f| both_ways(on, octets, f, seed));
            assert_eq!(sound.arrived, frames.arrived);
            let times = |c: &Course| [c.after[0], c.after[1], c.over];
            for (sound, frames) in times(&sound).into_iter().zip(times(&frames)) {
                let apart = (sound - frames).abs();
                assert!(apart < 0.5, "{on:?} {seed}: {sound:.1} and {frames:.1} s");
            }
        }
    }
}

/// On a path that loses nearly half of its full frames chance decides when a message is there: the mean with sound lies within
/// what it gives to the mean with frames.
#[test]
fn sound_lies_within_what_chance_gives_to_frames_where_much_is_lost() {
    const SOUND: u64 = 4;
    const FRAMES: u64 = 20;
    let on = ("afsk1200", "5.2 dB");
    let over = |fidelity, seed| both_ways(on, 1000, fidelity, seed).over;
    let sound: Vec<f64> = (1..=SOUND).map(|s| over(Fidelity::Sound, s)).collect();
    let frames: Vec<f64> = (1..=FRAMES).map(|s| over(Fidelity::Frame, s)).collect();
    let mean = |all: &[f64]| all.iter().sum::<f64>() / all.len() as f64;
    let middle = mean(&frames);
    let spread = frames.iter().map(|f| (f - middle).powi(2)).sum::<f64>();
    let deviation = (spread / (FRAMES - 1) as f64).sqrt();
    let apart = (mean(&sound) - middle).abs();
    let allowed = 3.0 * deviation / (SOUND as f64).sqrt();
    println!(
        "{:.1} s with sound, {middle:.1} s with frames, deviation {deviation:.1} s",
        mean(&sound)
    );
    assert!(apart < allowed, "{apart:.1} s apart, {allowed:.1} allowed");
}

#[test]
fn an_exchange_that_is_cut_by_sound_goes_on_where_it_was() {
    let text = long();
    let body = &text[..3000];
    let whole = {
        let mut r = pair("afsk1200", "8 dB", Fidelity::Sound, 1);
        let id = r.write(SKY, personal("QM2REE", body)).expect("written");
        arrives_after_call(&mut r, id)
    };
    let mut r = pair("afsk1200", "8 dB", Fidelity::Sound, 1);
    let id = r.write(SKY, personal("QM2REE", body)).expect("written");
    let partner = "QM2REE-5".parse().expect("a call sign");
    r.command(Command::CallPartner { partner })
        .expect("it is called");
    pass(&mut r, 15);
    let why = "a talk needs the channel".to_owned();
    r.command(Command::EndPartner { partner, why })
        .expect("one goes on");
    // A message that was stopped on its way is put back for a minute; but a person calls sooner.
    pass(&mut r, 10);
    let partials = |r: &mut Rehearsal| match r.ask_mail(REE, Ask::Counts) {
        Answer::Counts(counts) => counts.partials,
        other => panic!("{other:?}"),
    };
    assert_eq!((partials(&mut r), head(&mut r, REE, id)), (1, None));
    let rest = arrives_after_call(&mut r, id);
    assert_eq!(opened(&mut r, REE, id).0, body);
    assert_eq!(partials(&mut r), 0);
    println!("the whole takes {whole:.0} s, the rest {rest:.0} s");
    assert!(rest + 4.0 < whole, "{rest} and {whole} s");
}

/// Seconds from a call of QA1SKY until a message is at QM2REE.
fn arrives_after_call(r: &mut Rehearsal, id: MessageId) -> f64 {
    let partner = "QM2REE-5".parse().expect("a call sign");
    r.command(Command::CallPartner { partner })
        .expect("it is called");
    let called = r.now();
    while head(r, REE, id).is_none() {
        assert!(r.now() < called + Duration::from_secs(120), "it arrives");
        pass(r, 1);
    }
    r.now().since(called).as_secs_f64()
}

fn pass(r: &mut Rehearsal, seconds: u64) {
    r.advance(r.now() + Duration::from_secs(seconds));
    while r.poll().is_some() {}
}
