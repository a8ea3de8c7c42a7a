//! Many talks at once: one station with two ports, and sixty-four stations, half of them on
//! each channel, all with engines of their own, joined frame by frame.

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_modem::Mode;
use dunlin_station::gate::{DeviceState, Medium};
use dunlin_station::{
    Command, Input, Output, PortConfig, PortId, Reply, Snapshot, Station, TalkId, TalkState,
    TalkView,
};

use crate::wire::{call, port, station};

const MINUTE: Duration = Duration::from_secs(60);
const HUB: usize = 0;

/// A channel on which frames follow each other without collisions.
#[derive(Default)]
struct Channel {
    free_at: Instant,
    flying: Vec<(Instant, usize, Vec<u8>)>,
    dead: bool,
}

struct Region {
    stations: Vec<Station>,
    channels: [Channel; 2],
    now: Instant,
    /// When each port of each station reports its frames as sent.
    reports: Vec<[Option<Instant>; 2]>,
}

fn controller(name: &str, own: &str) -> PortConfig {
    let mut config = port(name, Mode::Fsk9600, own);
    config.rate = SampleRate::new(48_000).expect("not zero");
    config.medium = Medium::Controller;
    config.window = 4;
    config.info_length = 128;
    config.retries = 10;
    config
}

fn name(n: usize) -> String {
    format!("QB{}{}X", n / 10, n % 10)
}

impl Region {
    fn new() -> Region {
        let ports = vec![controller("east", "QA1SKY"), controller("west", "QA1SKY-2")];
        let hub = Station::new(station("QA1SKY", ports, 1)).expect("good");
        let others = (1..=64).map(|n| {
            let own = name(n);
            let config = station(&own, vec![controller("C", &own)], n as u64 + 1);
            Station::new(config).expect("good")
        });
        Region {
            stations: std::iter::once(hub).chain(others).collect(),
            channels: Default::default(),
            now: Instant::ZERO,
            reports: vec![[None; 2]; 65],
        }
    }

    /// Which port of a station is on a channel.
    fn port_on(s: usize, channel: usize) -> Option<PortId> {
        match s {
            HUB => Some(PortId(channel as u8)),
            s => ((s - 1) / 32 == channel).then_some(PortId(0)),
        }
    }

    fn channel_of(s: usize, port: PortId) -> usize {
        match s {
            HUB => usize::from(port.0),
            s => (s - 1) / 32,
        }
    }

    fn handle(&mut self, s: usize, input: Input<'_>) {
        self.stations[s].handle(self.now, input);
        self.drain(s);
    }

    fn command(&mut self, command: Command) -> Reply {
        let reply = self.stations[HUB].command(self.now, command);
        self.drain(HUB);
        reply.expect("carried out")
    }

    fn drain(&mut self, s: usize) {
        while let Some(output) = self.stations[s].poll() {
            let Output::SendFrames {
                port,
                frames,
                airtime,
            } = output
            else {
                continue;
            };
            self.reports[s][usize::from(port.0)] = Some(self.now + airtime);
            let channel = &mut self.channels[Region::channel_of(s, port)];
            channel.free_at = channel.free_at.max(self.now) + airtime;
            let at = channel.free_at;
            channel
                .flying
                .extend(frames.into_iter().map(|o| (at, s, o)));
        }
    }

    fn run(&mut self, time: Duration, done: impl Fn(&Snapshot) -> bool) -> bool {
        let end = self.now + time;
        let mut look = self.now;
        while self.now < end {
            if self.now >= look {
                look = self.now + Duration::from_secs(1);
                if done(&self.stations[HUB].snapshot(self.now)) {
                    return true;
                }
            }
            self.step(end);
        }
        done(&self.stations[HUB].snapshot(self.now))
    }

    fn step(&mut self, end: Instant) {
        let wakeups = self.stations.iter().filter_map(Station::next_wakeup);
        let reports = self.reports.iter().flatten().flatten().copied();
        let flights = self
            .channels
            .iter()
            .flat_map(|c| c.flying.iter().map(|f| f.0));
        let next = wakeups
            .map(|(at, _)| at)
            .chain(reports)
            .chain(flights)
            .min();
        self.now = next.unwrap_or(end).clamp(self.now, end);
        let now = self.now;
        for n in 0..2 {
            let flying = std::mem::take(&mut self.channels[n].flying);
            let (landed, flying): (Vec<_>, Vec<_>) = flying.into_iter().partition(|f| f.0 <= now);
            self.channels[n].flying = flying;
            for (_, from, octets) in landed {
                for s in (0..self.stations.len()).filter(|s| *s != from) {
                    let Some(port) = Region::port_on(s, n).filter(|_| !self.channels[n].dead)
                    else {
                        continue;
                    };
                    let octets = &octets;
                    self.handle(s, Input::Frame { port, octets });
                }
            }
        }
        for s in 0..self.stations.len() {
            for n in 0..2 {
                if self.reports[s][n].is_some_and(|at| at <= now) {
                    self.reports[s][n] = None;
                    let port = PortId(n as u8);
                    self.handle(s, Input::Transmitted { port });
                }
            }
            if self.stations[s]
                .next_wakeup()
                .is_some_and(|(at, _)| at <= now)
            {
                self.handle(s, Input::Wakeup);
            }
        }
    }

    fn say(&mut self, talk: TalkId, text: &str) {
        let text = text.to_owned();
        self.command(Command::Say { talk, text });
    }
}

/// A talk with each of the sixty-four, and three lines in each.
fn talk_with_all(r: &mut Region) -> Vec<TalkId> {
    let open = |n: usize| Command::OpenTalk {
        port: PortId(((n - 1) / 32) as u8),
        to: call(&name(n)),
        via: Vec::new(),
    };
    let mut talks = Vec::new();
    for n in 1..=64 {
        match r.command(open(n)) {
            Reply::Talk(id) => talks.push(id),
            _ => panic!("a talk was asked for"),
        }
    }
    for (n, talk) in talks.iter().enumerate() {
        r.say(*talk, &three_lines(n).join("\n"));
    }
    talks
}

fn three_lines(n: usize) -> [String; 3] {
    [
        format!("{n} blankets"),
        format!("{n} lamps"),
        format!("for island {n}"),
    ]
}

fn west(talk: &TalkView) -> bool {
    talk.port == PortId(1)
}

#[test]
fn sixty_four_talks_at_once_deliver_all_and_a_port_that_dies_loses_no_text() {
    let mut r = Region::new();
    let talks = talk_with_all(&mut r);
    let arrived = |s: &Snapshot| s.lines.iter().filter(|l| l.complete).count() == 192;
    assert!(r.run(20 * MINUTE, arrived));
    let all = r.stations[HUB].snapshot(r.now);
    assert_eq!(all.talks.len(), 64);
    let open = |t: &TalkView| t.state == TalkState::Open;
    assert!(all.talks.iter().all(open), "all at once");
    for (n, s) in r.stations.iter().skip(1).enumerate() {
        let lines = s.snapshot(r.now).lines;
        let texts: Vec<String> = lines.into_iter().map(|l| l.text).collect();
        assert_eq!(texts, three_lines(n));
    }

    // One port dies, and more is written everywhere.
    r.channels[1].dead = true;
    let state = DeviceState::Lost("the controller is gone");
    let port = PortId(1);
    r.handle(HUB, Input::Device { port, state });
    talks.iter().for_each(|talk| r.say(*talk, "and the doctor"));
    r.run(3 * MINUTE, |_| false);
    let view = r.stations[HUB].snapshot(r.now);
    for talk in &view.talks {
        let mut lines = view.lines.iter().filter(|l| l.talk == talk.id);
        let last = lines.next_back().expect("written");
        assert_eq!((last.text.as_str(), last.lost), ("and the doctor", false));
        assert_eq!(last.complete, !west(talk), "{talk:?}");
        let waits = talk.words.contains("can send nothing");
        assert_eq!(waits, west(talk), "{}", talk.words);
        assert!(open(talk));
    }

    let gone = |s: &Snapshot| {
        let mut west = s.talks.iter().filter(|t| west(t));
        west.all(|t| t.state == TalkState::Ended)
    };
    assert!(r.run(40 * MINUTE, gone));
    let view = r.stations[HUB].snapshot(r.now);
    for talk in view.talks.iter().filter(|t| west(t)) {
        for words in [
            "could send nothing for 30 min",
            "What to try: look at the gate",
        ] {
            assert!(talk.words.contains(words), "{}", talk.words);
        }
        let mut lines = view.lines.iter().filter(|l| l.talk == talk.id);
        assert!(
            lines.any(|l| l.text == "and the doctor" && l.lost),
            "{talk:?}"
        );
    }
    let alive: Vec<&TalkView> = view.talks.iter().filter(|t| !west(t)).collect();
    assert!(
        alive.len() == 32 && alive.iter().all(|t| open(t)),
        "the other port goes on"
    );
}
