//! The keyer as a real process, at a pseudo-terminal instead of a radio: who dies, hangs or
//! starves while keyed, and how long until the radio is told to release.

mod keying;

use std::time::{Duration, Instant};

use dunlin_rig::keyer::{KeyLine, KeyerSettings, SerialLine};
use keying::{
    Canary, Hogs, KEY, Keyer, RELEASE, Radio, STATION, Station, be_a_station, judge, make_nice,
    patient, program, signal,
};
use rustix::process::Signal;

/// Not a test by itself: the other tests start it as a process that they can kill.
#[test]
fn a_station_for_these_tests() {
    if let Ok(json) = std::env::var(STATION) {
        let settings: KeyerSettings = serde_json::from_str(&json).expect("settings");
        be_a_station(settings, &program());
    }
}

/// A station that holds the key down, and how many commands the radio got so far.
fn keyed(radio: &Radio) -> (Station, usize) {
    let station = Station::start(&radio.settings());
    radio.wait_for(0, KEY);
    // Some beats pass.
    std::thread::sleep(Duration::from_millis(230));
    assert_eq!(
        radio.heard(),
        [RELEASE, KEY],
        "released at the start, then keyed"
    );
    (station, 2)
}

#[test]
fn the_station_is_killed() {
    let radio = Radio::new();
    let (station, skip) = keyed(&radio);
    let from = Instant::now();
    signal(station.id(), Signal::KILL);
    judge(
        "station killed",
        from,
        radio.wait_for(skip, RELEASE),
        radio.canary.bound(),
    );
}

#[test]
fn the_station_is_stopped() {
    let radio = Radio::new();
    let (station, skip) = keyed(&radio);
    let keyer = station.keyer();
    let from = Instant::now();
    signal(station.id(), Signal::STOP);
    judge(
        "station stopped",
        from,
        radio.wait_for(skip, RELEASE),
        radio.canary.bound(),
    );
    // When it goes on, it still believes that it keys; nothing keys by itself.
    std::thread::sleep(Duration::from_millis(400));
    signal(station.id(), Signal::CONT);
    patient("the reason", || {
        let said = station.said();
        let why = |l: &&String| l.contains("Released") && l.contains("no sign of life");
        said.iter().find(why).cloned()
    });
    assert!(!radio.is_keyed());
    assert_eq!(station.keyer(), keyer, "the keyer did its work and stays");
}

#[test]
fn the_station_closes_its_port() {
    let radio = Radio::new();
    let (mut station, skip) = keyed(&radio);
    let from = Instant::now();
    station.close();
    judge(
        "port closed",
        from,
        radio.wait_for(skip, RELEASE),
        radio.canary.bound(),
    );
}

#[test]
fn the_keyer_is_killed() {
    let radio = Radio::new();
    let (station, skip) = keyed(&radio);
    let keyer = station.keyer();
    let from = Instant::now();
    signal(keyer, Signal::KILL);
    judge(
        "keyer killed",
        from,
        radio.wait_for(skip, RELEASE),
        radio.canary.bound(),
    );
    radio.wait_for(skip + 1, KEY);
    assert_ne!(station.keyer(), keyer);
    let said = station.said().join("\n");
    for word in [
        "Failed",
        "signal: 9",
        "Alive",
        "a fresh keyer released the line",
    ] {
        assert!(said.contains(word), "{word} in {said}");
    }
}

#[test]
fn the_keyer_is_stopped() {
    let radio = Radio::new();
    let (station, skip) = keyed(&radio);
    let keyer = station.keyer();
    let from = Instant::now();
    signal(keyer, Signal::STOP);
    judge(
        "keyer stopped",
        from,
        radio.wait_for(skip, RELEASE),
        radio.canary.bound(),
    );
    radio.wait_for(skip + 1, KEY);
    assert_ne!(station.keyer(), keyer);
    let said = station.said().join("\n");
    assert!(said.contains("gave no sign of life"), "{said}");
}

/// Nobody in the computer can help while both are dead; the next start does, before all else.
#[test]
fn a_start_releases_what_a_crash_left_keyed() {
    let radio = Radio::new();
    let (station, skip) = keyed(&radio);
    let keyer = station.keyer();
    // Stopped first, so that neither sees the other's end.
    signal(keyer, Signal::STOP);
    signal(station.id(), Signal::KILL);
    signal(keyer, Signal::KILL);
    std::thread::sleep(Duration::from_millis(300));
    assert!(radio.is_keyed(), "{:?}", radio.heard());
    let _fresh = Station::start(&radio.settings());
    radio.wait_for(skip + 1, KEY);
    assert_eq!(radio.heard(), [RELEASE, KEY, RELEASE, KEY]);
}

/// Four times as much work as there are cores, and the process in question behind all of it.
/// A starved pair may lose its key by itself, which is safe; then there is nothing to measure.
#[test]
fn each_process_is_starved() {
    let mut measured = 0;
    for station_starves in [true, false] {
        for last in [Signal::KILL, Signal::STOP] {
            let radio = Radio::new();
            let (station, _) = keyed(&radio);
            let _hogs = Hogs::start();
            let (who, id) = match station_starves {
                true => ("station", station.id()),
                false => ("keyer", station.keyer()),
            };
            make_nice(id);
            std::thread::sleep(Duration::from_millis(700));
            let what = format!("{who} starved, then {last:?}");
            if !radio.is_keyed() {
                println!("{what}: had lost its key before");
                continue;
            }
            let skip = radio.heard().len();
            let from = Instant::now();
            signal(if station_starves { id } else { station.keyer() }, last);
            judge(&what, from, radio.wait_for(skip, RELEASE), Canary::STARVED);
            measured += 1;
        }
    }
    println!("{measured} of 4 were keyed to the end");
}

#[test]
fn its_own_limit_releases_and_wants_a_rest() {
    let radio = Radio::new();
    let mut settings = radio.settings();
    settings.longest = Duration::from_secs(1);
    settings.rest = Duration::from_secs(1);
    let mut keyer = Keyer::of(&settings);
    keyer.press();
    let from = radio.wait_for(1, KEY);
    keyer.hold(1500);
    let released = radio.wait_for(2, RELEASE);
    let took = released.duration_since(from);
    println!("own limit of 1 s: released after {} ms", took.as_millis());
    assert!(
        took > Duration::from_millis(500) && took < Duration::from_secs(1) + radio.canary.bound()
    );
    let why = keyer.wait_for("up ");
    assert!(why.contains("own limit"), "{why}");
    keyer.press();
    keyer.wait_for("refused it rests");
    std::thread::sleep(Duration::from_millis(1100));
    assert_eq!(radio.heard(), [RELEASE, KEY, RELEASE]);
    keyer.press();
    radio.wait_for(3, KEY);
}

#[test]
fn the_end_of_its_orders_and_each_signal_release() {
    let ends = [Signal::TERM, Signal::HUP, Signal::INT, Signal::QUIT].map(Some);
    for end in ends.into_iter().chain([None]) {
        let radio = Radio::new();
        let mut keyer = Keyer::of(&radio.settings());
        keyer.press();
        radio.wait_for(1, KEY);
        let from = Instant::now();
        match end {
            Some(end) => signal(keyer.child.id(), end),
            None => drop(keyer.orders.take()),
        }
        judge(
            &format!("{end:?}"),
            from,
            radio.wait_for(2, RELEASE),
            radio.canary.bound(),
        );
        assert_eq!(keyer.code(), Some(0), "{end:?}");
        assert_eq!(radio.heard(), [RELEASE, KEY, RELEASE]);
        keyer.wait_for("up ");
        keyer.wait_for("ended ");
    }
}

#[test]
fn a_signal_to_release_leaves_it_at_work() {
    let radio = Radio::new();
    let mut keyer = Keyer::of(&radio.settings());
    keyer.press();
    radio.wait_for(1, KEY);
    signal(keyer.child.id(), Signal::USR1);
    radio.wait_for(2, RELEASE);
    keyer.hold(300);
    assert!(!radio.is_keyed(), "a fresh press is needed");
    keyer.press();
    radio.wait_for(3, KEY);
}

#[test]
fn rubbish_in_its_orders_ends_it_released() {
    let radio = Radio::new();
    let mut keyer = Keyer::of(&radio.settings());
    keyer.press();
    radio.wait_for(1, KEY);
    for _ in 0..20 {
        keyer.say(&"\u{1b}[31m nonsense ".repeat(500));
    }
    radio.wait_for(2, RELEASE);
    assert_eq!(keyer.code(), Some(1));
    keyer.wait_for("fault the orders cannot be read");
}

/// Starts a keyer that cannot work; what it says and its exit code.
fn refused(first_line: &str) -> String {
    let mut keyer = Keyer::start(first_line);
    let what = keyer.wait_for("fault ");
    assert_eq!(keyer.code(), Some(1));
    what
}

fn serial(device: &str) -> String {
    let line = KeyLine::Serial {
        device: device.into(),
        line: SerialLine::Rts,
        inverted: false,
        opposed: false,
    };
    serde_json::to_string(&KeyerSettings::of("VHF", line)).expect("settings")
}

#[test]
fn a_line_that_cannot_be_held_is_told_in_a_sentence() {
    let file = tempfile::NamedTempFile::new().expect("a temporary file");
    let file = file.path().to_str().expect("a plain path");
    let said = refused(&serial(file));
    assert!(said.contains("is a file, not a serial port"), "{said}");
    let said = refused(&serial("/dev/serial/by-id/nothing"));
    assert!(said.contains("is it plugged in?"), "{said}");
    // A pseudo-terminal is a terminal, but has no RTS.
    let said = refused(&serial(&Radio::new().device));
    assert!(said.contains("could not be released"), "{said}");
    let said = refused("good morning");
    assert!(said.contains("not a keyer's settings"), "{said}");
    let said = refused(&serial("/dev/x").replace("\"secs\":30", "\"secs\":3000"));
    assert!(said.contains("1 s to 180 s"), "{said}");
}

#[test]
fn two_keyers_cannot_hold_one_line() {
    let radio = Radio::new();
    let first = Keyer::of(&radio.settings());
    let json = serde_json::to_string(&radio.settings()).expect("settings");
    let said = refused(&json);
    assert!(said.contains("is in use by 'dunlin'"), "{said}");
    assert!(said.contains(&first.child.id().to_string()), "{said}");
    drop(first);
    Keyer::of(&radio.settings());
}
