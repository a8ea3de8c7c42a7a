//! A station on a desk, without sound: a driver in virtual time that keys, obeys a release
//! within 300 ms, and keeps its own account of the keys. Channels are made busy by the
//! radio's line.

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::gate::{AlarmView, CarrierSense, Condition, ConditionView, GateView, Stop};
use dunlin_station::{
    Command, Event, Input, Note, Output, PortConfig, PortId, Refusal, Reply, Station, StationConfig,
};

use crate::wire::{call, port, station};

/// Sound comes so often; drivers are quicker.
const SOUND_EVERY: Duration = Duration::from_millis(400);

/// How a driver of the desk does its work.
#[derive(Clone, Copy, Debug)]
pub struct Manners {
    /// From the order to release to the report of it; `None` = never.
    pub releases_within: Option<Duration>,
    /// Key-down time beyond the sound.
    pub overhead: Duration,
    /// It reports the end of transmissions.
    pub reports_end: bool,
}

/// A key that is down.
#[derive(Clone, Copy, Debug)]
struct Key {
    since: Instant,
    reports: Option<Instant>,
}

/// Something that the station did, as the driver saw it.
#[derive(Clone, Debug, PartialEq)]
pub enum Deed {
    Keyed(u8),
    Released(u8),
    Ordered(u8, String),
}

pub struct Desk {
    pub station: Station,
    pub now: Instant,
    pub manners: Manners,
    pub deeds: Vec<(u64, Deed)>,
    pub events: Vec<Event>,
    /// Intervals in which each key was down.
    pub down: Vec<Vec<(Instant, Instant)>>,
    /// The sound of the last transmission.
    pub sound: Vec<f32>,
    keys: Vec<Option<Key>>,
    rates: Vec<SampleRate>,
    /// Ports whose channel is judged by sound get some, as long as this says so.
    pub sounds: Vec<bool>,
    sound_due: Instant,
}

/// A port without chance: it transmits in the first slot, 100 ms after it wants to. It goes
/// by the radio's line.
pub fn plain(name: &str, own: &str) -> PortConfig {
    let mut config = port(name, Mode::Afsk1200, own);
    config.timing.persistence = 1.0;
    config.gate.sense = CarrierSense {
        data: true,
        energy: false,
        external: true,
    };
    config
}

/// One plain port that has to be proved.
pub fn guarded() -> StationConfig {
    let mut config = plain("VHF", "QA1SKY");
    config.gate.needs_proof = true;
    station("QA1SKY", vec![config], 1)
}

impl Desk {
    pub fn new(config: StationConfig) -> Self {
        let mut desk = Desk::new_unread(config);
        for port in 0..desk.sounds.len() {
            if desk.sounds[port] {
                desk.busy(port as u8, false);
            }
        }
        desk
    }

    /// As [`Desk::new`], but nobody has read the radios' lines.
    pub fn new_unread(config: StationConfig) -> Self {
        let n = config.ports.len();
        let rates = config.ports.iter().map(|p| p.rate).collect();
        let sounds: Vec<bool> = config.ports.iter().map(|p| p.gate.needs_proof).collect();
        let mut desk = Desk {
            station: Station::new(config).expect("a good configuration"),
            now: Instant::ZERO,
            manners: Manners {
                releases_within: Some(Duration::from_millis(300)),
                overhead: Duration::from_millis(50),
                reports_end: true,
            },
            deeds: Vec::new(),
            events: Vec::new(),
            down: vec![Vec::new(); n],
            sound: Vec::new(),
            keys: vec![None; n],
            rates,
            sounds,
            sound_due: Instant::ZERO,
        };
        desk.drain();
        desk
    }

    /// One port that needs no proof.
    pub fn simple() -> Self {
        Desk::new(station("QA1SKY", vec![plain("VHF", "QA1SKY")], 1))
    }

    pub fn give(&mut self, input: Input<'_>) {
        self.station.handle(self.now, input);
        self.drain();
    }

    pub fn command(&mut self, command: Command) -> Result<Reply, Refusal> {
        let reply = self.station.command(self.now, command);
        self.drain();
        reply
    }

    /// Asks for a frame to all.
    pub fn say(&mut self, port: u8, text: &str) {
        let command = Command::SayToAll {
            port: PortId(port),
            to: call("ALL"),
            via: Vec::new(),
            text: text.into(),
        };
        self.command(command).expect("queued");
    }

    pub fn stop(&mut self, port: Option<u8>) {
        let command = Command::Stop {
            port: port.map(PortId),
            by: "Ann".into(),
            why: "storm".into(),
        };
        assert_eq!(self.command(command), Ok(Reply::Done));
    }

    pub fn start(&mut self, port: Option<u8>) -> Result<Reply, Refusal> {
        let port = port.map(PortId);
        let by = "Bo".into();
        self.command(Command::Start { port, by })
    }

    pub fn busy(&mut self, port: u8, busy: bool) {
        let port = PortId(port);
        self.give(Input::ExternalCarrier { port, busy });
    }

    /// Lets time pass until `ms`, with every wake-up at its moment.
    pub fn until(&mut self, ms: u64) {
        let end = Instant::from_millis(ms);
        assert!(end >= self.now, "time does not go back");
        for _ in 0..200_000 {
            let wakeup = self.station.next_wakeup().map(|(at, _)| (at, None));
            let ends = self.keys.iter().zip(0..).filter_map(|(k, n)| {
                let at = k.as_ref()?.reports?;
                Some((at, Some(n)))
            });
            let wakeup = wakeup.into_iter();
            let sound = self
                .sounds
                .contains(&true)
                .then_some((self.sound_due, None));
            let next = ends.chain(wakeup).chain(sound).min_by_key(|(at, _)| *at);
            let Some((at, what)) = next.filter(|(at, _)| *at <= end) else {
                self.now = end;
                return;
            };
            self.now = self.now.max(at);
            if self.hear() {
                continue;
            }
            match what {
                Some(port) => self.report(port),
                None => self.give(Input::Wakeup),
            }
        }
        panic!("the station wants to be woken without end at {}", self.now);
    }

    /// Every port that shall hear something gets a little of it when it is due.
    fn hear(&mut self) -> bool {
        if self.sound_due > self.now || !self.sounds.contains(&true) {
            return false;
        }
        self.sound_due = self.now + SOUND_EVERY;
        for n in 0..self.sounds.len() {
            if self.sounds[n] {
                let (port, samples) = (PortId(n as u8), &[0.0][..]);
                self.give(Input::Samples { port, samples });
            }
        }
        true
    }

    /// The driver has released the key.
    pub fn report(&mut self, port: u8) {
        if let Some(key) = self.keys[usize::from(port)].take() {
            self.down[usize::from(port)].push((key.since, self.now));
            self.deed(Deed::Released(port));
        }
        let port = PortId(port);
        self.give(Input::Transmitted { port });
    }

    fn deed(&mut self, deed: Deed) {
        self.deeds.push((self.now.as_millis(), deed));
    }

    fn drain(&mut self) {
        while let Some(output) = self.station.poll() {
            match output {
                Output::Event(event) => self.events.push(event),
                Output::Mail { .. } | Output::File { .. } => panic!("nothing is kept"),
                Output::Transmit { port, samples } => {
                    let lasts = self.rates[usize::from(port.0)].duration_of(samples.len() as u64);
                    self.sound = samples;
                    self.press(port, lasts);
                }
                Output::SendFrames { port, airtime, .. } | Output::OnBand { port, airtime, .. } => {
                    self.press(port, airtime);
                }
                Output::Release { port, why } => {
                    self.deed(Deed::Ordered(port.0, why));
                    let within = self.manners.releases_within;
                    if let Some(key) = &mut self.keys[usize::from(port.0)] {
                        key.reports = within.map(|d| self.now + d);
                    }
                }
            }
        }
    }

    fn press(&mut self, port: PortId, lasts: Duration) {
        let end = self.now + lasts + self.manners.overhead;
        let key = Key {
            since: self.now,
            reports: self.manners.reports_end.then_some(end),
        };
        let before = self.keys[usize::from(port.0)].replace(key);
        assert!(before.is_none(), "keyed while keyed at {}", self.now);
        self.deed(Deed::Keyed(port.0));
    }

    pub fn is_keyed(&self, port: u8) -> bool {
        self.keys[usize::from(port)].is_some()
    }

    /// When a port was keyed, ms.
    pub fn keyed(&self, port: u8) -> Vec<u64> {
        let of_port = self.deeds.iter().filter(|(_, d)| *d == Deed::Keyed(port));
        of_port.map(|(at, _)| *at).collect()
    }

    /// Orders to release a port.
    pub fn orders(&self, port: u8) -> Vec<(u64, String)> {
        let orders = self.deeds.iter().filter_map(|(at, d)| match d {
            Deed::Ordered(p, why) if *p == port => Some((*at, why.clone())),
            _ => None,
        });
        orders.collect()
    }

    pub fn gate(&self, port: u8) -> GateView {
        self.station.snapshot(self.now).gates[usize::from(port)].clone()
    }

    pub fn condition(&self, port: u8, condition: Condition) -> ConditionView {
        let all = self.gate(port).conditions;
        let found = all.into_iter().find(|c| c.condition == condition);
        found.expect("every condition is shown")
    }

    /// The conditions that are shut.
    pub fn shut(&self, port: u8) -> Vec<Condition> {
        let all = self.gate(port).conditions.into_iter();
        all.filter(|c| !c.open).map(|c| c.condition).collect()
    }

    pub fn stops(&self) -> Vec<Stop> {
        self.station.snapshot(self.now).stops
    }

    pub fn alarms(&self) -> Vec<AlarmView> {
        self.station.snapshot(self.now).alarms
    }

    pub fn notes(&self) -> Vec<Note> {
        self.station.snapshot(self.now).notes
    }

    /// A note with these words has been told.
    pub fn noted(&self, words: &str) -> bool {
        self.notes().iter().any(|n| n.text.contains(words))
    }
}
