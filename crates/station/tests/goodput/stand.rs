//! The measuring stand: whole station engines on one half-duplex channel, joined frame by frame:
//! their ports are controllers whose carrier line is read, so that each draws its slots itself, as with
//! sound. Bits are spoiled independently of each other.

use std::collections::BTreeMap;

use dunlin_ax25::CallSign;
use dunlin_ax25::data_link::Version;
use dunlin_clock::{Chance, Duration, Instant, SampleRate, WallTime};
use dunlin_modem::{Line, Mode};
use dunlin_station::gate::{CarrierSense, GateConfig, KeyDownLimits, Medium};
use dunlin_station::{
    Command, Direction, Event, Input, LineId, Output, PortConfig, PortId, Reply, Station,
    StationConfig, TalkId, TalkState, Timing,
};

const PORT: PortId = PortId(0);
/// Text is written as soon as less than this waits, octets.
const LOW_WATER: usize = 8 * 1024;
/// Text written at once, octets: one line.
const AT_ONCE: usize = 16 * 1024;
/// Octets that arrive before the measurement begins.
const BEFORE: usize = 1500;
/// A shared flag between two frames, bits.
const FLAG: usize = 8;

/// What is measured.
#[derive(Clone, Copy, Debug)]
pub struct Setup {
    pub baud: u32,
    pub version: Version,
    /// N1 and k; `None` = measured by the station itself.
    pub pinned: Option<(usize, u8)>,
    /// Chance that a bit is wrong.
    pub bit_errors: f64,
    pub seed: u64,
}

pub fn call(text: &str) -> CallSign {
    text.parse().expect("call sign")
}

/// The timing that a plan without figures of its own has at this speed.
pub fn timing(baud: u32) -> Timing {
    let fast = baud > 300;
    let ms = |slow, quick| Duration::from_millis(if fast { quick } else { slow });
    Timing {
        key_up_delay: ms(400, 300),
        tail: ms(50, 30),
        persistence: if fast { 0.25 } else { 0.2 },
        slot_time: ms(300, 100),
        idle_check: ms(600_000, 300_000),
        longest_transmission: ms(15_000, 10_000),
    }
}

pub fn config(own: &str, setup: &Setup, seed: u64) -> StationConfig {
    let fast = setup.baud > 300;
    let mode = if fast { Mode::Afsk1200 } else { Mode::Afsk300 };
    let (info_length, window) = setup
        .pinned
        .unwrap_or(if fast { (128, 4) } else { (64, 1) });
    let always = Duration::from_secs(600);
    let port = PortConfig {
        name: "C".into(),
        call: call(own),
        line: Line::from(mode),
        also_hears: Vec::new(),
        second_input: false,
        rate: SampleRate::new(12_000).expect("not zero"),
        may_transmit: true,
        level_dbfs: -6.0,
        offset_hz: 0.0,
        pre_emphasis_db_per_octave: 0.0,
        follow_most_hz: 0.0,
        fec: None,
        timing: timing(setup.baud),
        link_version: setup.version,
        window,
        info_length,
        adapt: setup.pinned.is_none(),
        retries: 10,
        full_duplex: false,
        digipeat: Vec::new(),
        digipeat_limits: Default::default(),
        beacons: Vec::new(),
        medium: Medium::Controller,
        gate: GateConfig {
            // The controller's carrier line is read.
            sense: CarrierSense {
                data: true,
                energy: false,
                external: true,
            },
            limits: KeyDownLimits {
                single: always,
                ten_minutes: always,
                hour: Duration::from_secs(3600),
            },
            ..GateConfig::default()
        },
    };
    StationConfig {
        call: call(own),
        greeting: String::new(),
        ports: vec![port],
        crossings: Vec::new(),
        node: None,
        mail: None,
        files: Default::default(),
        stops: Vec::new(),
        wall_at_zero: WallTime::default(),
        seed,
    }
}

/// A frame on the air.
struct Flying {
    from: usize,
    ends: Instant,
    bits: usize,
    octets: Vec<u8>,
}

/// A transmission under way.
#[derive(Clone, Copy)]
struct OnAir {
    since: Instant,
    ends: Instant,
    /// Another began at the same moment.
    collides: bool,
}

/// What a run gave.
#[derive(Clone, Copy, Debug, Default)]
pub struct Figures {
    /// Octets of text that arrived in each second.
    pub goodput: f64,
    /// Frames with text that were sent, first time or again, for each second.
    pub i_frames: u64,
    /// Frames without text, of the sender and of the receiver.
    pub others: [u64; 2],
    /// Transmissions of each.
    pub bursts: [u64; 2],
    /// The link was lost before the time was over.
    pub lost: bool,
}

pub struct Stand {
    pub stations: Vec<Station>,
    pub now: Instant,
    pub told: Vec<Event>,
    setup: Setup,
    on_air: Vec<Option<OnAir>>,
    flying: Vec<Flying>,
    noise: Chance,
    text: Chance,
    /// Length of each line that each station received, by talk.
    received: Vec<BTreeMap<(TalkId, LineId), usize>>,
    /// When each line that the first station wrote was acknowledged.
    pub arrived: BTreeMap<(TalkId, LineId), Instant>,
    pub counts: Figures,
    /// Somebody else occupies the channel.
    held: bool,
}

impl Stand {
    /// The first station sends; the others are called as given.
    pub fn new(setup: Setup, calls: &[&str]) -> Self {
        Stand::with(setup, calls, |_| {})
    }

    /// The same with other ports.
    pub fn with(setup: Setup, calls: &[&str], change: impl Fn(&mut PortConfig)) -> Self {
        let seeds = (0..).map(|n| setup.seed * 1000 + n);
        let configs = calls.iter().zip(seeds).map(|(c, seed)| {
            let mut config = config(c, &setup, seed);
            config.ports.iter_mut().for_each(&change);
            config
        });
        let stations: Vec<Station> = configs.map(|c| Station::new(c).expect("good")).collect();
        let chance = |name: &str| Chance::stream(setup.seed, name);
        let mut stand = Stand {
            on_air: vec![None; stations.len()],
            received: vec![BTreeMap::new(); stations.len()],
            stations,
            now: Instant::ZERO,
            told: Vec::new(),
            flying: Vec::new(),
            noise: chance("noise"),
            text: chance("text"),
            arrived: BTreeMap::new(),
            counts: Figures::default(),
            held: false,
            setup,
        };
        for s in 0..stand.stations.len() {
            stand.hear(s, false);
        }
        stand
    }

    pub fn open(&mut self, from: usize, to: &str) -> TalkId {
        let (port, to, via) = (PORT, call(to), Vec::new());
        match self.command(from, Command::OpenTalk { port, to, via }) {
            Reply::Talk(id) => id,
            _ => panic!("a talk was asked for"),
        }
    }

    pub fn command(&mut self, s: usize, command: Command) -> Reply {
        let reply = self.stations[s].command(self.now, command);
        self.drain(s);
        reply.expect("carried out")
    }

    pub fn say(&mut self, talk: TalkId, text: String) {
        self.command(0, Command::Say { talk, text });
    }

    /// A line of text as people write it: letters and spaces.
    pub fn letters(&mut self, octets: usize) -> String {
        let mut letter = || match self.text.below(30) {
            n @ 0..26 => char::from(b'a' + n as u8),
            _ => ' ',
        };
        let mut text: String = (0..octets).map(|_| letter()).collect();
        text.replace_range(0..1, "A");
        text
    }

    /// Keeps much text waiting in a talk of the first station.
    pub fn feed(&mut self, talk: TalkId) {
        let waits = self.stations[0].snapshot(self.now).talks;
        let waits = waits
            .iter()
            .find(|t| t.id == talk)
            .map_or(0, |t| t.waiting_octets);
        if waits < LOW_WATER {
            let text = self.letters(AT_ONCE);
            self.say(talk, text);
        }
    }

    /// Octets of text that station `s` has received.
    pub fn octets(&self, s: usize) -> usize {
        self.received[s].values().sum()
    }

    pub fn state(&self, talk: TalkId) -> Option<TalkState> {
        let talks = self.stations[0].snapshot(self.now).talks;
        talks.iter().find(|t| t.id == talk).map(|t| t.state)
    }

    /// Runs for so long.
    pub fn run(&mut self, span: Duration) {
        self.run_until(self.now + span, |_| false);
    }

    /// Runs until `done` or `end`; whether it was done.
    pub fn run_until(&mut self, end: Instant, mut done: impl FnMut(&Self) -> bool) -> bool {
        while !done(self) {
            let wakeups = self.stations.iter().filter_map(Station::next_wakeup);
            let flights = self.flying.iter().map(|f| f.ends);
            let ends = self.on_air.iter().filter_map(|t| Some((*t)?.ends));
            let times = wakeups.map(|(at, _)| at);
            let next = times.chain(flights).chain(ends).min();
            let Some(at) = next.filter(|at| *at <= end) else {
                self.now = end;
                return done(self);
            };
            self.now = at.max(self.now);
            self.step();
        }
        true
    }

    fn step(&mut self) {
        let now = self.now;
        let (landed, flying): (Vec<_>, Vec<_>) = std::mem::take(&mut self.flying)
            .into_iter()
            .partition(|f| f.ends <= now);
        self.flying = flying;
        landed.into_iter().for_each(|frame| self.land(&frame));
        for s in 0..self.stations.len() {
            if self.on_air[s].is_some_and(|t| t.ends <= now) {
                self.on_air[s] = None;
                self.carriers();
                self.handle(s, Input::Transmitted { port: PORT });
            }
        }
        for s in 0..self.stations.len() {
            if self.stations[s]
                .next_wakeup()
                .is_some_and(|(at, _)| at <= now)
            {
                self.handle(s, Input::Wakeup);
            }
        }
        // Only now: two that key at one moment do not hear each other.
        if self.on_air.iter().flatten().any(|t| t.since == now) {
            self.carriers();
        }
    }

    fn key(&mut self, s: usize, frames: Vec<Vec<u8>>, airtime: Duration) {
        let baud = f64::from(self.setup.baud);
        let tail = timing(self.setup.baud).tail.as_secs_f64();
        let (since, ends) = (self.now, self.now + airtime);
        self.counts.bursts[s.min(1)] += 1;
        // Reckoned from the end, where the tail is whole flags.
        let mut at = ends - Duration::from_secs_f64((tail * baud / 8.0).ceil() * 8.0 / baud);
        for octets in frames.into_iter().rev() {
            let bits = dunlin_framing::encode(&[&octets], 1, 1).len() - FLAG;
            self.count(s, &octets);
            self.flying.push(Flying {
                from: s,
                ends: at,
                bits,
                octets,
            });
            at = at - Duration::from_secs_f64(bits as f64 / baud);
        }
        self.flying.sort_by_key(|f| f.ends);
        let mut others = self.on_air.iter_mut().flatten();
        let collides = others.any(|t| t.since == since);
        let alike = self
            .on_air
            .iter_mut()
            .flatten()
            .filter(|t| t.since == since);
        alike.for_each(|t| t.collides = collides);
        self.on_air[s] = Some(OnAir {
            since,
            ends,
            collides,
        });
    }

    fn count(&mut self, s: usize, octets: &[u8]) {
        // An even control octet is that of an I frame (AX.25 2.2, Fig 4.1).
        match octets[14] & 1 {
            0 => self.counts.i_frames += 1,
            _ => self.counts.others[s.min(1)] += 1,
        }
    }

    fn land(&mut self, frame: &Flying) {
        let collided = self.on_air[frame.from].is_some_and(|t| t.collides);
        for s in (0..self.stations.len()).filter(|s| *s != frame.from) {
            let good = (1.0 - self.setup.bit_errors).powi(frame.bits as i32);
            let deaf = self.on_air[s].is_some();
            if self.noise.unit() < good && !collided && !deaf {
                let octets = &frame.octets;
                self.handle(s, Input::Frame { port: PORT, octets });
            }
        }
    }

    /// Somebody else begins or ceases to occupy the channel.
    pub fn hold(&mut self, held: bool) {
        self.held = held;
        self.carriers();
    }

    fn hears(&self, s: usize) -> bool {
        let mut others = self.on_air.iter().enumerate().filter(|(n, _)| *n != s);
        self.held || others.any(|(_, t)| t.is_some())
    }

    /// Tells everybody who is heard.
    fn carriers(&mut self) {
        for s in 0..self.stations.len() {
            self.hear(s, self.hears(s));
        }
    }

    fn hear(&mut self, s: usize, busy: bool) {
        self.handle(s, Input::ExternalCarrier { port: PORT, busy });
    }

    fn handle(&mut self, s: usize, input: Input<'_>) {
        self.stations[s].handle(self.now, input);
        self.drain(s);
    }

    fn drain(&mut self, s: usize) {
        while let Some(output) = self.stations[s].poll() {
            match output {
                Output::SendFrames {
                    frames, airtime, ..
                } => {
                    assert!(self.on_air[s].is_none(), "keyed while keyed");
                    self.key(s, frames, airtime);
                }
                Output::Event(Event::TalkLine(line)) => {
                    let key = (line.talk, line.line);
                    if line.direction == Direction::Received {
                        self.received[s].insert(key, line.octets.len());
                    } else if line.complete && s == 0 {
                        self.arrived.entry(key).or_insert(self.now);
                    }
                }
                Output::Event(event @ (Event::Note(_) | Event::Talk(_))) if s == 0 => {
                    self.told.push(event);
                }
                Output::Event(_) | Output::Mail { .. } | Output::File { .. } => {}
                Output::Transmit { .. } | Output::OnBand { .. } => {
                    panic!("a controller plays no sound and is on no band")
                }
                Output::Release { why, .. } => panic!("released: {why}"),
            }
        }
    }
}

/// One way, as much text as the link takes, for so many virtual seconds.
pub fn bulk(setup: Setup, seconds: u64) -> Figures {
    let mut stand = Stand::new(setup, &["QA1SKY", "QM3BAR"]);
    let talk = stand.open(0, "QM3BAR");
    let patience = stand.now + Duration::from_secs(600);
    stand.run_until(patience, |s| s.state(talk) == Some(TalkState::Open));
    let feed = |stand: &mut Stand, until: Instant| {
        while stand.now < until && stand.state(talk) != Some(TalkState::Ended) {
            stand.feed(talk);
            let some = (stand.now + Duration::from_secs(20)).min(until);
            stand.run_until(some, |_| false);
        }
    };
    // The measurement begins when the text flows.
    let begins_by = patience + Duration::from_secs(600);
    let lost = |s: &Stand| s.state(talk) == Some(TalkState::Ended);
    while stand.octets(1) < BEFORE && stand.now < begins_by && !lost(&stand) {
        let soon = stand.now + Duration::from_secs(20);
        feed(&mut stand, soon);
    }
    let (begin, before) = (stand.now, stand.octets(1));
    stand.counts = Figures::default();
    feed(&mut stand, begin + Duration::from_secs(seconds));
    let span = stand.now.since(begin).as_secs_f64();
    Figures {
        goodput: (stand.octets(1) - before) as f64 / span.max(1.0),
        lost: stand.state(talk) == Some(TalkState::Ended),
        ..stand.counts
    }
}
