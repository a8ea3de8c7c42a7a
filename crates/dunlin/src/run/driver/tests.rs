//! The driver with ports that obey the test, in a time of the test's own.

use std::cell::RefCell;
use std::rc::Rc;

use super::farewell::FAREWELL;
use super::transmission::GRACE;
use super::*;
use crate::run::sink::Waiting;
use dunlin_ax25::CallSign;
use dunlin_plan::{Plan, PlanRules};
use dunlin_rig::keyer::{KeyLine, NoLine};
use dunlin_station::{BlockKind, TalkState, TalkView};

/// Sound per message, as real devices give it.
const PIECE: Duration = Duration::from_millis(20);
const RATE: u32 = 48_000;

/// What a port without hardware has been asked.
#[derive(Default)]
struct Asked {
    played: VecDeque<Vec<f32>>,
    hushed: u32,
}

#[derive(Clone, Default)]
struct FakePort(Rc<RefCell<Asked>>);

impl SoundPort for FakePort {
    fn play(&mut self, samples: Vec<f32>) {
        self.0.borrow_mut().played.push_back(samples);
    }
    fn hush(&mut self) {
        self.0.borrow_mut().hushed += 1;
    }
    fn counts(&self) -> Counts {
        Counts::default()
    }
}

/// A station whose one port is `fake`.
fn driver(call: &str) -> (Driver<FakePort>, FakePort) {
    driver_with(call, "")
}

/// The same with more tables of the port.
fn driver_with(call: &str, tables: &str) -> (Driver<FakePort>, FakePort) {
    let text = format!(
        "[station]\ncall = \"{call}\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n\
         key_up_delay_ms = 200\npersistence = 1.0\n\
         [port.sound]\ninput = \"pulse:in\"\noutput = \"pulse:out\"\nloop = true\n\
         {tables}"
    );
    let plan = Plan::read("plan.toml", text.as_bytes(), &PlanRules::real())
        .unwrap_or_else(|faults| panic!("{faults}"));
    let mut config = plan.station.clone();
    config.ports[0].gate.settle = Duration::ZERO;
    let journal = Journal::in_memory(&config).expect("memory");
    let rate = config.ports[0].rate;
    assert_eq!(rate.hz(), RATE);
    let station = Station::new(config).expect("a plan without fault");
    let fake = FakePort::default();
    let keyer = Box::new(NoLine::new(&KeyLine::None));
    let way = Way::Sound(fake.clone());
    let mut port = Port::new("VHF".into(), rate, way, keyer, Waiting::default());
    if plan.devices[0].second.is_some() {
        port = port.with_second(FakePort::default(), Waiting::default());
    }
    let ports = vec![port.opened("a test".into())];
    let mut driver = Driver::new(station, ports, Vec::new(), Outside::default(), journal);
    driver.begin(Instant::ZERO);
    driver.turn(Instant::ZERO, None);
    (driver, fake)
}

fn call(text: &str) -> CallSign {
    text.parse().expect("a call sign")
}

fn open(to: &str) -> Command {
    Command::OpenTalk {
        port: PortId(0),
        to: call(to),
        via: Vec::new(),
    }
}

fn sound(event: SoundEvent) -> Option<Message> {
    Some(Message::Sound {
        port: PortId(0),
        event,
    })
}

fn silence() -> Option<Message> {
    let n = RATE as usize * PIECE.as_millis() as usize / 1000;
    sound(SoundEvent::Heard {
        samples: vec![0.0; n],
        age: Duration::ZERO,
    })
}

/// Turns the driver with silence until it plays something, at most for a minute.
fn until_it_plays(driver: &mut Driver<FakePort>, fake: &FakePort, now: &mut Instant) -> Vec<f32> {
    for _ in 0..3000 {
        *now += PIECE;
        driver.turn(*now, counted(driver, silence()));
        if let Some(samples) = fake.0.borrow_mut().played.pop_front() {
            return samples;
        }
    }
    panic!("nothing was played for a minute");
}

/// Counts a piece of sound in, as the sink does before it sends one.
fn counted(driver: &Driver<FakePort>, message: Option<Message>) -> Option<Message> {
    driver.ports[0].waiting.put();
    message
}

#[test]
fn a_recording_holds_exactly_what_the_modem_got() {
    let (mut driver, fake) = driver("QA1SKY");
    let mut now = Instant::ZERO;
    let refused = driver.recording(PortId(0)).expect_err("nothing yet");
    assert!(refused.contains("has heard nothing yet"), "{refused}");
    assert!(driver.recording(PortId(7)).is_err());
    let n = RATE as usize / 50;
    let mut heard: Vec<f32> = Vec::new();
    for piece in 0..10 {
        now += PIECE;
        let samples: Vec<f32> = (0..n)
            .map(|k| ((piece * n + k) as f32 / 7.0).sin())
            .collect();
        heard.extend(&samples);
        let age = Duration::ZERO;
        let message = sound(SoundEvent::Heard { samples, age });
        driver.turn(now, counted(&driver, message));
    }
    let recording = driver.recording(PortId(0)).expect("there is one");
    assert_eq!(
        (recording.rate_hz, recording.port_name.as_str()),
        (RATE, "VHF")
    );
    assert_eq!(recording.samples, heard);
    assert_eq!(recording.began, driver.station.civil(Instant::ZERO));
    // What is at the input while the port sends is not heard by the modem either.
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    until_it_plays(&mut driver, &fake, &mut now);
    let before = driver
        .recording(PortId(0))
        .expect("there is one")
        .samples
        .len();
    now += PIECE;
    let samples = vec![0.7; n];
    let age = Duration::ZERO;
    let message = sound(SoundEvent::Heard { samples, age });
    driver.turn(now, counted(&driver, message));
    let after = driver.recording(PortId(0)).expect("there is one").samples;
    assert_eq!(after[before..], vec![0.0; n]);
}

fn notes(driver: &Driver<FakePort>, now: Instant) -> String {
    driver
        .snapshot(now)
        .notes
        .iter()
        .map(|n| n.text.clone() + "\n")
        .collect()
}

fn transmitting(driver: &Driver<FakePort>, now: Instant) -> bool {
    driver.snapshot(now).ports[0].transmitting
}

#[test]
fn a_transmission_lasts_until_the_device_says_that_it_is_out() {
    let (mut driver, fake) = driver("QA1SKY");
    let mut now = Instant::ZERO;
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    let samples = until_it_plays(&mut driver, &fake, &mut now);
    assert!(
        samples.len() > RATE as usize / 5,
        "key-up delay and a frame"
    );
    // Long after the sound's own length: still transmitting, because nothing was told.
    now += Duration::from_secs(1);
    driver.turn(now, None);
    assert!(transmitting(&driver, now));
    driver.turn(now, sound(SoundEvent::Played { underruns: 0 }));
    assert!(!transmitting(&driver, now));
    assert_eq!(fake.0.borrow().hushed, 0);
}

#[test]
fn a_device_that_hangs_is_silenced_and_the_port_is_free_again() {
    let (mut driver, fake) = driver("QA1SKY");
    let mut now = Instant::ZERO;
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    let samples = until_it_plays(&mut driver, &fake, &mut now);
    let lasts = Duration::from_secs_f64(samples.len() as f64 / f64::from(RATE));
    now += lasts + GRACE + PIECE;
    driver.turn(now, None);
    assert_eq!(fake.0.borrow().hushed, 1);
    assert!(!transmitting(&driver, now));
    assert!(notes(&driver, now).contains("silenced"));
    // The answer that comes too late does no harm.
    driver.turn(now, sound(SoundEvent::Played { underruns: 0 }));
}

#[test]
fn what_was_not_sent_is_told_with_its_reason() {
    let (mut driver, fake) = driver("QA1SKY");
    let mut now = Instant::ZERO;
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    until_it_plays(&mut driver, &fake, &mut now);
    driver.turn(
        now,
        sound(SoundEvent::NotPlayed {
            reason: "unplugged".into(),
        }),
    );
    let lost = SoundEvent::Lost {
        reason: "unplugged".into(),
        retry_in: Duration::from_secs(3),
    };
    driver.turn(now, sound(lost));
    assert!(!transmitting(&driver, now));
    let text = notes(&driver, now);
    assert!(
        text.contains("not sent, or not to its end: unplugged"),
        "{text}"
    );
    assert!(text.contains("hears and sends nothing"), "{text}");
    assert!(!driver.snapshot(now).alarms.is_empty());
    driver.turn(
        now,
        sound(SoundEvent::Ready {
            detail: "the same".into(),
            identities: Box::default(),
        }),
    );
    assert!(driver.snapshot(now).alarms.is_empty());
}

#[test]
fn gaps_in_a_transmission_are_told() {
    let (mut driver, fake) = driver("QA1SKY");
    let mut now = Instant::ZERO;
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    until_it_plays(&mut driver, &fake, &mut now);
    driver.turn(now, sound(SoundEvent::Played { underruns: 2 }));
    assert!(notes(&driver, now).contains("2 gaps in what was just sent"));
}

/// Two stations on two cables, with the latency of real devices, in virtual time.
struct Pair {
    seats: [(Driver<FakePort>, FakePort); 2],
    /// What each station is playing, and how much of it is out.
    air: [Option<(Vec<f32>, usize)>; 2],
    now: Instant,
}

impl Pair {
    fn new() -> Self {
        Pair {
            seats: [driver("QA1SKY"), driver("QM3BAR")],
            air: [None, None],
            now: Instant::ZERO,
        }
    }

    fn step(&mut self) {
        self.now += PIECE;
        let n = RATE as usize * PIECE.as_millis() as usize / 1000;
        let mut pieces = [vec![0.0_f32; n], vec![0.0_f32; n]];
        let mut ended = [false; 2];
        for (i, piece) in pieces.iter_mut().enumerate() {
            let Some((samples, at)) = &mut self.air[i] else {
                continue;
            };
            let end = (*at + n).min(samples.len());
            piece[..end - *at].copy_from_slice(&samples[*at..end]);
            *at = end;
            ended[i] = end == samples.len();
        }
        for i in 0..2 {
            let (driver, fake) = &mut self.seats[i];
            let samples = pieces[1 - i].clone();
            let heard = SoundEvent::Heard {
                samples,
                age: Duration::ZERO,
            };
            driver.turn(self.now, counted(driver, sound(heard)));
            if ended[i] {
                self.air[i] = None;
                driver.turn(self.now, sound(SoundEvent::Played { underruns: 0 }));
            }
            if let Some(samples) = fake.0.borrow_mut().played.pop_front() {
                assert!(self.air[i].is_none(), "one transmission at a time");
                self.air[i] = Some((samples, 0));
            }
        }
    }

    fn talk(&self, seat: usize) -> Option<TalkView> {
        self.seats[seat].0.snapshot(self.now).talks.first().cloned()
    }

    fn until(&mut self, what: &str, done: impl Fn(&Pair) -> bool) {
        for _ in 0..3000 {
            if done(self) {
                return;
            }
            self.step();
        }
        panic!("{what} did not happen within a minute");
    }

    fn has_line(&self, seat: usize, text: &str) -> bool {
        let snapshot = self.seats[seat].0.snapshot(self.now);
        snapshot
            .lines
            .iter()
            .any(|line| line.text == text && line.complete)
    }

    fn say(&mut self, seat: usize, text: &str) {
        let talk = self.talk(seat).expect("there is a talk").id;
        let command = Command::Say {
            talk,
            text: text.into(),
        };
        self.seats[seat]
            .0
            .command(self.now, command)
            .expect("the talk takes text");
    }
}

#[test]
fn a_talk_goes_both_ways_and_stopping_closes_it() {
    let mut pair = Pair::new();
    let now = pair.now;
    pair.seats[0]
        .0
        .command(now, open("QM3BAR"))
        .expect("a talk opens");
    let open = |p: &Pair, i| p.talk(i).is_some_and(|t| t.state == TalkState::Open);
    pair.until("the talk", |p| open(p, 0) && open(p, 1));
    pair.say(0, "Ferry at 0740");
    pair.until("the text", |p| p.has_line(1, "Ferry at 0740"));
    pair.say(1, "Two crates of bread");
    pair.until("the answer", |p| p.has_line(0, "Two crates of bread"));
    let now = pair.now;
    pair.seats[0].0.turn(now, Some(Message::End));
    assert!(!pair.seats[0].0.is_over(), "the other side is told first");
    pair.until("the end", |p| p.seats[0].0.is_over());
    assert_eq!(pair.talk(1).map(|t| t.state), Some(TalkState::Ended));
    // The journal is written once a second.
    let later = pair.now + Duration::from_secs(2);
    pair.seats[0].0.turn(later, None);
    let journal = pair.seats[0].0.journal.as_ref().expect("it runs");
    let store = journal.store();
    let runs = store.runs(1).expect("the journal reads");
    let lines = store.talk_lines(runs[0].run, pair.talk(0).expect("kept").id, 0, 10);
    let texts: Vec<String> = lines
        .expect("reads")
        .into_iter()
        .map(|l| l.value.text)
        .collect();
    assert_eq!(texts, ["Ferry at 0740", "Two crates of bread"]);
}

#[test]
fn a_second_stop_ends_at_once() {
    let (mut driver, fake) = driver("QA1SKY");
    let mut now = Instant::ZERO;
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    until_it_plays(&mut driver, &fake, &mut now);
    driver.turn(now, Some(Message::End));
    assert!(!driver.is_over(), "a transmission still runs");
    driver.turn(now, Some(Message::End));
    assert!(driver.is_over());
}

#[test]
fn a_station_whose_peer_has_vanished_stops_in_time_and_says_so() {
    let mut pair = Pair::new();
    let now = pair.now;
    pair.seats[0]
        .0
        .command(now, open("QM3BAR"))
        .expect("a talk opens");
    let state = |p: &Pair, i| p.talk(i).map(|t| t.state);
    pair.until("the talk", |p| {
        state(p, 0) == Some(TalkState::Open) && state(p, 1) == Some(TalkState::Open)
    });
    let mut now = pair.now;
    let (driver, fake) = &mut pair.seats[0];
    driver.turn(now, Some(Message::End));
    let limit = now + FAREWELL + Duration::from_secs(1);
    while !driver.is_over() {
        assert!(now < limit, "it does not stop");
        now += PIECE;
        driver.turn(now, counted(driver, silence()));
        if fake.0.borrow_mut().played.pop_front().is_some() {
            driver.turn(now, sound(SoundEvent::Played { underruns: 0 }));
        }
    }
    let text = notes(driver, now);
    assert!(text.contains("the other side did not answer"), "{text}");
}

/// A station whose port has a second input.
fn driver_with_second() -> (Driver<FakePort>, FakePort) {
    driver_with("QA1SKY", "[port.second_sound]\ninput = \"pulse:two\"\n")
}

fn second(driver: &Driver<FakePort>, event: SoundEvent) -> Option<Message> {
    let (_, waiting) = driver.ports[0].second.as_ref().expect("a second input");
    if matches!(event, SoundEvent::Heard { .. }) {
        waiting.put();
    }
    let port = PortId(0);
    Some(Message::SecondSound { port, event })
}

fn lost() -> SoundEvent {
    SoundEvent::Lost {
        reason: "unplugged".into(),
        retry_in: Duration::from_secs(3),
    }
}

#[test]
fn a_second_input_that_is_lost_is_an_alarm_and_the_port_goes_on() {
    let (mut driver, fake) = driver_with_second();
    let mut now = Instant::ZERO;
    let message = second(&driver, lost());
    driver.turn(now, message);
    let alarms = driver.snapshot(now).alarms;
    assert_eq!(alarms.len(), 1);
    assert_eq!(alarms[0].kind, AlarmKind::SecondInput);
    assert!(
        alarms[0].text.contains("unplugged") && alarms[0].text.contains("goes on with the first"),
        "{}",
        alarms[0].text
    );
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    until_it_plays(&mut driver, &fake, &mut now);
    let ready = SoundEvent::Ready {
        detail: "the same".into(),
        identities: Box::default(),
    };
    let message = second(&driver, ready);
    driver.turn(now, message);
    assert!(driver.snapshot(now).alarms.is_empty());
}

#[test]
fn a_second_input_that_did_not_answer_at_the_start_is_an_alarm_that_holds() {
    let (mut driver, fake) = driver_with_second();
    // As the devices leave it then.
    driver.ports[0].second = None;
    let mut now = Instant::ZERO;
    let event = SoundEvent::Lost {
        reason: "it did not answer".into(),
        retry_in: Duration::ZERO,
    };
    let port = PortId(0);
    driver.turn(now, Some(Message::SecondSound { port, event }));
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    until_it_plays(&mut driver, &fake, &mut now);
    let alarms = driver.snapshot(now).alarms;
    assert_eq!(alarms.len(), 1);
    assert_eq!(alarms[0].kind, AlarmKind::SecondInput);
    let text = &alarms[0].text;
    assert!(
        text.contains("not tried again before the next start"),
        "{text}"
    );
}

#[test]
fn what_only_the_second_input_hears_is_heard_but_not_the_own_transmission() {
    let (mut driver, fake) = driver_with_second();
    let mut now = Instant::ZERO;
    driver.command(now, open("QM3BAR")).expect("a talk opens");
    let own = until_it_plays(&mut driver, &fake, &mut now);
    let hears = |driver: &mut Driver<FakePort>, now: &mut Instant, sound: &[f32]| {
        for piece in sound.chunks(RATE as usize / 50) {
            *now += PIECE;
            let message = counted(driver, silence());
            driver.turn(*now, message);
            let samples = piece.to_vec();
            let age = Duration::ZERO;
            let message = second(driver, SoundEvent::Heard { samples, age });
            driver.turn(*now, message);
        }
    };
    let heard = |driver: &Driver<FakePort>, now| {
        let blocks = driver.snapshot(now).blocks;
        let heard = blocks.into_iter().filter(|b| b.kind == BlockKind::Heard);
        heard
            .map(|b| b.heard_on.expect("two inputs"))
            .collect::<Vec<_>>()
    };
    let pause = vec![0.0; RATE as usize];
    hears(&mut driver, &mut now, &own);
    driver.turn(now, sound(SoundEvent::Played { underruns: 0 }));
    hears(&mut driver, &mut now, &pause);
    assert_eq!(heard(&driver, now), []);
    // The same sound from elsewhere: who calls so is a stranger to this port.
    hears(&mut driver, &mut now, &[own, pause].concat());
    let on = heard(&driver, now);
    assert_eq!(on.len(), 1, "{on:?}");
    assert!(on[0].second && !on[0].first);
}

#[test]
fn trouble_with_the_mail_is_an_alarm_until_something_is_kept() {
    let (mut driver, _) = driver("N0CALL");
    let alarms = |driver: &Driver<FakePort>| {
        let alarms = driver.snapshot(Instant::from_secs(2)).alarms;
        let disk = alarms.into_iter().filter(|a| a.kind == AlarmKind::Disk);
        disk.map(|alarm| alarm.text).collect::<Vec<_>>()
    };
    let trouble = |text: Option<&str>| Message::Mail(Done::Trouble(text.map(Into::into)));
    driver.turn(
        Instant::from_secs(1),
        Some(trouble(Some("there is no room left for the mail"))),
    );
    let told = alarms(&driver);
    assert!(told[0].starts_with("there is no room left"), "{told:?}");
    driver.turn(Instant::from_secs(2), Some(trouble(None)));
    assert_eq!(alarms(&driver), Vec::<String>::new());
}
