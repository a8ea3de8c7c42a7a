//! The station of a fault run: its processes, devices, disk and people, and what is done to
//! them.

use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;

use dunlin_ax25::CallSign;
use dunlin_ax25::data_link::Version;
use dunlin_clock::{Duration, Instant, SampleRate, WallTime};
use dunlin_modem::Mode;
use dunlin_rig::SoundEvent;
use dunlin_rig::keyer::simulated::World as Line;
use dunlin_rig::keyer::{Handle, KeyLine, KeyerSettings, SenseLine};
use dunlin_station::gate::{
    AlarmKind, CarrierSense, GateConfig, Interlock, KeyDownLimits, Medium, Stop, TestSignal,
};
use dunlin_station::{Command, PortConfig, PortId, Station, StationConfig, Timing};

use super::card::{Card, CardPort};
use super::checker::{RELEASE, Rules, Tally, Truth, judge};
use super::plot::{Act, Plot};
use super::shift::Shifted;
use crate::journal::Journal;
use crate::run::driver::{Driver, Message, Outside, Port, Way};
use crate::run::sink::Waiting;

/// Time between two turns of the driver when nothing happens.
const TURN: Duration = Duration::from_millis(20);
const SETTLE: Duration = Duration::from_secs(2);

/// The limits of a run: in one of four they are so tight that they matter.
fn rules(seed: u64) -> Rules {
    Rules {
        single: Duration::from_secs(4),
        together: Duration::from_secs(if seed.is_multiple_of(4) { 15 } else { 150 }),
        apart: true,
    }
}

/// Two faults of one key at the same moment, one of them its keyer's, are beyond what
/// software can mend; the radio's own time-out timer is for those. So they are kept apart.
const APART: Duration = Duration::from_secs(1);

/// What survives the station's process.
#[derive(Debug, Default)]
struct Disk {
    stops: Vec<Stop>,
    full: bool,
    /// The mark that nothing is stopped, as in [`crate::state`].
    marked: bool,
}

impl Disk {
    fn keep(&mut self, stops: &[Stop]) {
        self.marked = !self.full;
        if !self.full {
            self.stops = stops.to_vec();
        }
    }

    fn stops(&self) -> Vec<Stop> {
        let mut stops = self.stops.clone();
        if !self.marked && !stops.iter().any(|stop| stop.port.is_none()) {
            stops.push(stop(None));
        }
        stops
    }
}

fn stop(port: Option<PortId>) -> Stop {
    Stop {
        port,
        by: "a test".into(),
        why: String::new(),
        at: WallTime(0),
    }
}

/// One port outside the station's process.
struct Outer {
    line: Line,
    settings: KeyerSettings,
    card: Rc<RefCell<Card>>,
    truth: Truth,
    busy: bool,
    waiting: Waiting,
}

/// A whole run.
pub(super) struct Life {
    seed: u64,
    now: Instant,
    config: StationConfig,
    driver: Option<Driver<CardPort>>,
    born: Instant,
    lives: Vec<(Instant, Instant)>,
    outer: Vec<Outer>,
    disk: Rc<RefCell<Disk>>,
    /// Messages that wait because the station hangs.
    inbox: VecDeque<Message>,
    hangs_until: Instant,
    dead_until: Option<Instant>,
    /// The latest fault of a keyer; the latest of the station.
    keyer_fault: Instant,
    station_fault: Instant,
    /// What persons have stopped.
    stopped: Vec<Option<usize>>,
    /// What ends later, and when.
    ends: Vec<(Instant, Act)>,
    turned: Instant,
    starts: u64,
}

impl Life {
    pub(super) fn new(seed: u64) -> Life {
        let rate = SampleRate::new(12_000).unwrap_or_else(|| unreachable!("not zero"));
        let outer = (0..2).map(|n| outer(seed, n, rate)).collect();
        let disk = Disk {
            marked: true,
            ..Disk::default()
        };
        let mut life = Life {
            seed,
            now: Instant::ZERO,
            config: config(rate, rules(seed)),
            driver: None,
            born: Instant::ZERO,
            lives: Vec::new(),
            outer,
            disk: Rc::new(RefCell::new(disk)),
            inbox: VecDeque::new(),
            hangs_until: Instant::ZERO,
            dead_until: None,
            keyer_fault: Instant::ZERO,
            station_fault: Instant::ZERO,
            stopped: Vec::new(),
            ends: Vec::new(),
            turned: Instant::ZERO,
            starts: 0,
        };
        life.start();
        life
    }

    /// Lets the plot happen, then some time for everything to come to rest.
    pub(super) fn live(&mut self, plot: &Plot, length: Duration) {
        for &(at, act) in &plot.acts {
            self.until(at);
            self.act(act);
        }
        self.until(Instant::ZERO + length);
        self.die(None);
        self.until(self.now + Duration::from_secs(2));
    }

    /// What the checker says.
    pub(super) fn judge(self) -> Result<Tally, Vec<String>> {
        let ports: Vec<_> = self
            .outer
            .iter()
            .map(|o| (o.line.changes(), o.truth.clone()))
            .collect();
        judge(&ports, &self.lives, rules(self.seed), self.now)
    }

    /// Time passes; whatever ends on the way ends.
    fn until(&mut self, at: Instant) {
        while self.now < at {
            let turn = self.turned + TURN;
            let end = self.ends.iter().map(|(end, _)| *end).min();
            let next = [Some(at), Some(turn), end, self.dead_until]
                .into_iter()
                .flatten()
                .filter(|t| *t > self.now)
                .min()
                .unwrap_or(at);
            self.now = next;
            for outer in &mut self.outer {
                outer.line.advance(next);
                outer.card.borrow_mut().advance(next);
            }
            self.end_what_is_due();
            if self.dead_until.is_some_and(|until| next >= until) {
                self.start();
            }
            if next >= turn {
                self.turned = next;
                self.turn();
            }
        }
    }

    /// The time of the station that lives now.
    fn own(&self) -> Instant {
        Instant::ZERO + self.now.since(self.born)
    }

    fn turn(&mut self) {
        let (now, own) = (self.now, self.own());
        let hangs = now < self.hangs_until;
        for (port, outer) in self.outer.iter_mut().enumerate() {
            outer.line.sense(outer.busy);
            while let Some(event) = outer.card.borrow_mut().event() {
                let port = PortId(port as u8); // Two ports.
                if self.driver.is_some() {
                    self.inbox.push_back(Message::Sound { port, event });
                }
            }
            if outer.card.borrow().is_present() && self.driver.is_some() && !hangs {
                // What is heard plays no part here, but that something is.
                outer.waiting.put();
                let (samples, age) = (vec![0.0], Duration::ZERO);
                let event = SoundEvent::Heard { samples, age };
                let port = PortId(port as u8); // Two ports.
                self.inbox.push_back(Message::Sound { port, event });
            }
            outer.truth.hung.set(now, hangs);
            if own >= Instant::ZERO + SETTLE {
                outer.truth.settling.set(now, false);
            }
        }
        let Some(driver) = self.driver.as_mut().filter(|_| !hangs) else {
            return;
        };
        while let Some(message) = self.inbox.pop_front() {
            driver.turn(own, Some(message));
        }
        driver.turn(own, None);
    }

    fn act(&mut self, act: Act) {
        let quiet = |life: &Life, since: Instant| life.now.since(since) >= APART;
        let station_well = self.driver.is_some()
            && self.now >= self.hangs_until
            && quiet(self, self.station_fault);
        let keyers_well = quiet(self, self.keyer_fault)
            && !self
                .ends
                .iter()
                .any(|(_, a)| matches!(a, Act::KeyerHangs(..)));
        match act {
            Act::StationDies(span) if keyers_well && self.driver.is_some() => self.die(Some(span)),
            Act::StationHangs(span) if keyers_well && station_well => {
                self.hangs_until = self.now + span;
                self.station_fault = self.now + span;
                self.each(|now, truth| truth.hung.set(now, true));
            }
            Act::KeyerDies(port) if station_well && keyers_well => {
                self.outer[port].line.kill();
                self.must_release(port);
            }
            Act::KeyerHangs(port, span) if station_well && keyers_well => {
                self.outer[port].line.freeze(true);
                if span > RELEASE {
                    self.must_release(port);
                }
                self.keyer_fault = self.now;
                self.ends.push((self.now + span, act));
            }
            Act::StationDies(_)
            | Act::StationHangs(_)
            | Act::KeyerDies(_)
            | Act::KeyerHangs(..) => {}
            Act::DeviceGoes(port, span) => {
                self.outer[port].card.borrow_mut().set_present(false);
                self.outer[port].truth.gone.set(self.now, true);
                self.ends.push((self.now + span, act));
            }
            Act::DeviceSticks(port, span) => {
                self.outer[port].card.borrow_mut().set_stuck(true);
                self.ends.push((self.now + span, act));
            }
            Act::SenseSticks(port, span) => {
                self.outer[port].busy = true;
                self.outer[port].truth.busy.set(self.now, true);
                self.ends.push((self.now + span, act));
            }
            Act::DiskFull(span) => {
                self.disk.borrow_mut().full = true;
                self.ends.push((self.now + span, act));
                self.tell(Message::Trouble {
                    kind: AlarmKind::Disk,
                    text: Some("no room".into()),
                });
            }
            Act::ClockJumps => self.tell(Message::Trouble {
                kind: AlarmKind::Clock,
                text: Some("set back by 7200 s".into()),
            }),
            Act::Stop(_) | Act::Start | Act::Say(..) | Act::Call(_) | Act::Test(..) => {
                self.person(act);
            }
        }
    }

    fn must_release(&mut self, port: usize) {
        self.keyer_fault = self.now;
        self.outer[port].truth.must_release.push(self.now);
    }

    fn end_what_is_due(&mut self) {
        let now = self.now;
        let due: Vec<Act> = self
            .ends
            .iter()
            .filter(|(at, _)| *at <= now)
            .map(|(_, a)| *a)
            .collect();
        self.ends.retain(|(at, _)| *at > now);
        for act in due {
            match act {
                Act::KeyerHangs(port, _) => {
                    self.outer[port].line.freeze(false);
                    self.keyer_fault = now;
                }
                Act::DeviceGoes(port, _) => {
                    self.outer[port].card.borrow_mut().set_present(true);
                    self.outer[port].truth.gone.set(now, false);
                }
                Act::DeviceSticks(port, _) => self.outer[port].card.borrow_mut().set_stuck(false),
                Act::SenseSticks(port, _) => {
                    self.outer[port].busy = false;
                    self.outer[port].truth.busy.set(now, false);
                }
                Act::DiskFull(_) => self.disk.borrow_mut().full = false,
                _ => {}
            }
        }
    }

    /// A person does something, now or when the station listens again.
    fn person(&mut self, act: Act) {
        let id = |port: usize| PortId(port as u8); // Two ports.
        if self.now < self.hangs_until || self.driver.is_none() {
            if let (Act::Stop(port), None) = (act, &self.driver) {
                // `dunlin stop` for a station that does not run.
                let mut stops = self.disk.borrow().stops();
                stops.push(stop(port.map(id)));
                self.disk.borrow_mut().keep(&stops);
                self.stopped.push(port);
                self.note_stops();
            }
            return;
        }
        let command = match act {
            Act::Stop(port) => Command::Stop {
                port: port.map(id),
                by: "a test".into(),
                why: String::new(),
            },
            Act::Say(port, octets) => Command::SayToAll {
                port: id(port),
                to: call("CQ"),
                via: Vec::new(),
                text: "k".repeat(octets),
            },
            Act::Call(port) => Command::OpenTalk {
                port: id(port),
                to: call("QM3BAR"),
                via: Vec::new(),
            },
            Act::Test(port, seconds) => Command::Test {
                port: id(port),
                signal: TestSignal::Alternating,
                seconds,
            },
            _ => return self.start_again(),
        };
        if let Act::Stop(port) = act {
            self.stopped.push(port);
        }
        let now = self.own();
        if let Some(driver) = &mut self.driver {
            let _ = driver.command(now, command); // Refused is as good as done here.
        }
        self.note_stops();
    }

    fn start_again(&mut self) {
        self.stopped.clear();
        let now = self.own();
        for port in [None, Some(PortId(0)), Some(PortId(1))] {
            let by = "a test".into();
            if let Some(driver) = &mut self.driver {
                let _ = driver.command(now, Command::Start { port, by });
            }
        }
        self.note_stops();
    }

    /// Notes what persons have stopped and not started again: their word alone counts.
    fn note_stops(&mut self) {
        for (port, outer) in self.outer.iter_mut().enumerate() {
            let stopped = self.stopped.contains(&None) || self.stopped.contains(&Some(port));
            outer.truth.stopped.set(self.now, stopped);
        }
    }

    fn tell(&mut self, message: Message) {
        if self.driver.is_some() {
            self.inbox.push_back(message);
        }
    }

    fn each(&mut self, mut so: impl FnMut(Instant, &mut Truth)) {
        for outer in &mut self.outer {
            so(self.now, &mut outer.truth);
        }
    }

    /// The station's process is gone; it comes back after a while, or never.
    fn die(&mut self, comes_back: Option<Duration>) {
        self.driver = None; // Its pipes close.
        self.inbox.clear();
        self.hangs_until = self.now;
        self.station_fault = self.now;
        self.dead_until = comes_back.map(|span| self.now + span);
        self.lives.push((self.born, self.now));
        for outer in &mut self.outer {
            outer.card.borrow_mut().abandon();
            outer.truth.dead.set(self.now, true);
            outer.truth.hung.set(self.now, false);
            outer.truth.settling.set(self.now, false);
        }
    }

    /// The station's process starts.
    fn start(&mut self) {
        self.dead_until = None;
        self.station_fault = self.now;
        self.born = self.now;
        self.starts += 1;
        let mut config = self.config.clone();
        config.seed = self.seed.wrapping_mul(1000).wrapping_add(self.starts);
        config.stops = self.disk.borrow().stops();
        let ports = self
            .outer
            .iter_mut()
            .zip(&config.ports)
            .map(|(outer, port)| {
                let nursery = Shifted {
                    inner: outer.line.nursery(),
                    by: self.now.since(Instant::ZERO),
                };
                let handle = Handle::new(&outer.settings.port, nursery, Instant::ZERO);
                let way = Way::Sound(CardPort(outer.card.clone()));
                let (name, keyer) = (port.name.clone(), Box::new(handle));
                let opened = Port::new(name, port.rate, way, keyer, outer.waiting.clone());
                match outer.card.borrow().is_present() {
                    true => opened.opened("the simulated device".into()),
                    false => opened,
                }
            });
        let ports = ports.collect();
        let disk = self.disk.clone();
        let outside = Outside {
            keep_stops: Some(Box::new(move |stops| disk.borrow_mut().keep(stops))),
            print: Some(Box::new(|_| ())),
            ..Outside::default()
        };
        let journal = Journal::in_memory(&config).unwrap_or_else(|e| panic!("memory: {e}"));
        let mut driver = match Station::new(config) {
            Ok(station) => Driver::new(station, ports, Vec::new(), outside, journal),
            Err(error) => panic!("the station of a fault run: {error}"),
        };
        driver.begin(Instant::ZERO);
        self.driver = Some(driver);
        let now = self.now;
        for outer in &mut self.outer {
            outer.truth.dead.set(now, false);
            outer.truth.settling.set(now, true);
        }
        self.ends.retain(|(_, act)| *act != Act::Start);
        self.note_stops();
    }
}

fn outer(seed: u64, number: u64, rate: SampleRate) -> Outer {
    let mut settings = KeyerSettings::of(
        ["HF", "VHF"][number as usize % 2],
        KeyLine::Cat {
            device: "/dev/simulated".into(),
            baud: 9600,
            key: vec![1],
            release: vec![0],
        },
    );
    settings.longest = Duration::from_secs(8);
    settings.rest = Duration::from_secs(3);
    settings.sense = Some(SenseLine::Gpio {
        chip: "/dev/simulated".into(),
        line: 0,
        inverted: false,
    });
    // Some radios are found keyed at the start.
    let down = seed.wrapping_add(number).is_multiple_of(5);
    Outer {
        line: Line::new(settings.clone(), down),
        settings,
        card: Card::new(rate),
        truth: Truth::default(),
        busy: false,
        waiting: Waiting::default(),
    }
}

/// A call sign of our own invention.
pub(super) fn call(text: &str) -> CallSign {
    text.parse().unwrap_or_else(|_| unreachable!("a call sign"))
}

/// The same station with limits that leave room to talk, on cables.
pub(super) fn plain_config(rate: SampleRate) -> StationConfig {
    let hour = Duration::from_secs(3600);
    let mut config = config(rate, rules(1));
    for port in &mut config.ports {
        port.gate.limits.ten_minutes = Duration::from_secs(600);
        port.gate.limits.hour = hour;
        port.gate.sense.external = false;
        port.gate.interlock = Interlock::None;
    }
    config
}

fn config(rate: SampleRate, rules: Rules) -> StationConfig {
    let call = call("QA1SKY");
    let port = |name: &str| PortConfig {
        name: name.into(),
        call,
        line: Mode::Afsk1200.into(),
        also_hears: Vec::new(),
        second_input: false,
        rate,
        may_transmit: true,
        level_dbfs: -6.0,
        offset_hz: 0.0,
        pre_emphasis_db_per_octave: 0.0,
        follow_most_hz: 0.0,
        fec: None,
        timing: Timing {
            key_up_delay: Duration::from_millis(200),
            tail: Duration::from_millis(30),
            persistence: 0.5,
            slot_time: Duration::from_millis(100),
            idle_check: Duration::from_secs(60),
            longest_transmission: Duration::from_secs(4),
        },
        full_duplex: false,
        link_version: Version::V20,
        window: 4,
        info_length: 128,
        adapt: false,
        retries: 5,
        digipeat: Vec::new(),
        digipeat_limits: Default::default(),
        beacons: Vec::new(),
        medium: Medium::Sound,
        gate: GateConfig {
            sense: CarrierSense {
                data: true,
                energy: false,
                external: true,
            },
            limits: KeyDownLimits {
                single: rules.single,
                ten_minutes: rules.together,
                hour: rules.together * 2,
            },
            interlock: Interlock::NotTogether,
            settle: SETTLE,
            needs_proof: true,
            ..GateConfig::default()
        },
    };
    StationConfig {
        call,
        greeting: String::new(),
        ports: vec![port("HF"), port("VHF")],
        crossings: Vec::new(),
        node: None,
        mail: None,
        files: Default::default(),
        stops: Vec::new(),
        wall_at_zero: WallTime(0),
        seed: 0,
    }
}
