//! Whatever happens outside and whatever people ask for, in any order: no key goes down while
//! any condition is shut, none stays down beyond its limits, and nothing queued is lost by
//! stopping. The conditions are judged here a second time, from the inputs alone.

use std::collections::BTreeMap;

use dunlin_clock::{Duration, Instant};
use dunlin_station::gate::{DeviceState, Interlock, KeyLineState};
use dunlin_station::{BlockKind, Command, Event, Input, PortId, StationConfig};
use proptest::prelude::*;

use crate::desk::{Deed, Desk, plain};
use crate::wire::{call, station};

const PORTS: usize = 2;

/// Something that happens; ports are taken modulo their number.
#[derive(Clone, Debug)]
enum Happening {
    Wait(u64),
    Say(u8, usize),
    Busy(u8, bool),
    Device(u8, bool),
    Line(u8, u8),
    Sound(u8, bool),
    /// The driver ends what it plays, unasked.
    EndsEarly(u8),
    Stop(Option<u8>),
    Start(Option<u8>),
    /// From then on the driver is slow or fast to release, or tells no end.
    Manners(u64, u64, bool),
}

fn happening() -> impl Strategy<Value = Happening> {
    let port = 0..PORTS as u8;
    let scope = prop::option::of(0..PORTS as u8);
    prop_oneof![
        6 => (1_u64..20_000).prop_map(Happening::Wait),
        6 => (port.clone(), 1_usize..128).prop_map(|(p, n)| Happening::Say(p, n)),
        2 => (port.clone(), any::<bool>()).prop_map(|(p, on)| Happening::Busy(p, on)),
        2 => (port.clone(), any::<bool>()).prop_map(|(p, on)| Happening::Device(p, on)),
        2 => (port.clone(), any::<bool>()).prop_map(|(p, on)| Happening::Sound(p, on)),
        1 => port.clone().prop_map(Happening::EndsEarly),
        3 => (port, 0_u8..3).prop_map(|(p, s)| Happening::Line(p, s)),
        1 => scope.clone().prop_map(Happening::Stop),
        2 => scope.prop_map(Happening::Start),
        1 => (0_u64..300, 0_u64..4000, prop::bool::weighted(0.9))
            .prop_map(|(r, o, e)| Happening::Manners(r, o, e)),
    ]
}

fn config() -> StationConfig {
    let mut ports = vec![plain("HF", "QA1SKY"), plain("VHF", "QA1SKY-1")];
    for port in &mut ports {
        port.gate.needs_proof = true;
        port.gate.interlock = Interlock::NotTogether;
        port.gate.settle = Duration::from_secs(2);
        port.gate.limits.single = Duration::from_secs(4);
        port.gate.limits.ten_minutes = Duration::from_secs(15);
        port.gate.limits.hour = Duration::from_secs(40);
    }
    station("QA1SKY", ports, 7)
}

/// What the driver knows to be true, and what was asked for.
#[derive(Default)]
struct Truth {
    busy: [bool; PORTS],
    device: [bool; PORTS],
    line: [bool; PORTS],
    /// Since when no sound comes, ms.
    silent: [Option<u64>; PORTS],
    stopped: Vec<Option<u8>>,
    /// Texts asked for, by port.
    said: BTreeMap<u8, Vec<String>>,
}

struct Run {
    desk: Desk,
    truth: Truth,
    judged: usize,
}

impl Run {
    fn new() -> Self {
        let desk = Desk::new(config());
        let mut run = Run {
            desk,
            truth: Truth::default(),
            judged: 0,
        };
        for port in 0..PORTS as u8 {
            run.happens(&Happening::Device(port, true));
            run.happens(&Happening::Line(port, 0));
        }
        run
    }

    fn happens(&mut self, happening: &Happening) {
        let desk = &mut self.desk;
        match *happening {
            Happening::Wait(ms) => {
                let until = desk.now.as_millis() + ms;
                desk.until(until);
            }
            Happening::Say(port, n) => {
                let said = self.truth.said.entry(port).or_default();
                let text = format!("{}:{}", said.len(), "x".repeat(n.min(120)));
                let command = Command::SayToAll {
                    port: PortId(port),
                    to: call("ALL"),
                    via: Vec::new(),
                    text: text.clone(),
                };
                if desk.command(command).is_ok() {
                    said.push(text);
                }
            }
            Happening::Busy(port, on) => {
                self.truth.busy[usize::from(port)] = on;
                desk.busy(port, on);
            }
            Happening::Device(port, good) => {
                self.truth.device[usize::from(port)] = good;
                let state = match good {
                    true => DeviceState::Healthy("open"),
                    false => DeviceState::Lost("gone"),
                };
                let port = PortId(port);
                desk.give(Input::Device { port, state });
            }
            Happening::Line(port, state) => self.line(port, state),
            Happening::Sound(port, on) => {
                let n = usize::from(port);
                let since = self.truth.silent[n].unwrap_or(desk.now.as_millis());
                self.truth.silent[n] = (!on).then_some(since);
                desk.sounds[n] = on;
            }
            Happening::EndsEarly(port) => {
                if desk.is_keyed(port) {
                    desk.report(port);
                }
            }
            Happening::Stop(port) => {
                if !self.truth.stopped.contains(&port) {
                    self.truth.stopped.push(port);
                }
                desk.stop(port);
            }
            Happening::Start(port) => {
                let was = self.truth.stopped.contains(&port);
                self.truth.stopped.retain(|p| *p != port);
                assert_eq!(desk.start(port).is_ok(), was);
            }
            Happening::Manners(release, overhead, reports) => {
                desk.manners.releases_within = Some(Duration::from_millis(release));
                desk.manners.overhead = Duration::from_millis(overhead);
                desk.manners.reports_end = reports;
            }
        }
    }

    /// The key line as a true driver would report it.
    fn line(&mut self, port: u8, state: u8) {
        let keyed = self.desk.is_keyed(port);
        let state = match state {
            0 if keyed => return, // It is not released.
            0 => KeyLineState::Released("read back"),
            1 => KeyLineState::Down,
            _ => KeyLineState::Failed("the keyer died"),
        };
        self.truth.line[usize::from(port)] = matches!(state, KeyLineState::Released(_));
        let port = PortId(port);
        self.desk.give(Input::KeyLine { port, state });
    }

    /// Judges what was keyed since the last look. Only waits let a key go down.
    fn judge(&mut self) -> Result<(), TestCaseError> {
        let deeds: Vec<(u64, Deed)> = self.desk.deeds[self.judged..].to_vec();
        self.judged = self.desk.deeds.len();
        for (at, deed) in deeds {
            let Deed::Keyed(port) = deed else {
                continue;
            };
            let (t, n) = (&self.truth, usize::from(port));
            prop_assert!(at >= 2000, "settling");
            prop_assert!(t.device[n], "no device at {}", at);
            prop_assert!(t.line[n], "key line not proved at {}", at);
            prop_assert!(!t.busy[n], "busy at {}", at);
            let own = self.desk.down[n].iter().map(|(_, end)| end.as_millis());
            let own = own.filter(|end| *end <= at).max().unwrap_or(0);
            let heard = t.silent[n].is_none_or(|since| at <= since.max(own) + 500);
            prop_assert!(heard, "no sound at {}", at);
            let stopped = t.stopped.iter().any(|s| s.is_none_or(|s| s == port));
            prop_assert!(!stopped, "stopped at {}", at);
        }
        Ok(())
    }

    /// Key-down time against its limits, and no two keys at once, from the driver's account.
    fn account(&self) -> Result<(), TestCaseError> {
        let limits = config().ports[0].gate.limits;
        for port in &self.desk.down {
            for (i, &(began, ended)) in port.iter().enumerate() {
                prop_assert!(ended.since(began) <= limits.single);
                for (span, limit) in [(600, limits.ten_minutes), (3600, limits.hour)] {
                    let from = ended - Duration::from_secs(span);
                    let sum: Duration = port[..=i]
                        .iter()
                        .map(|(b, e)| e.since((*b).max(from)))
                        .sum();
                    prop_assert!(sum <= limit, "{:?} in {} s", sum, span);
                }
            }
        }
        let overlap = |a: &(Instant, Instant), b: &(Instant, Instant)| a.0 < b.1 && b.0 < a.1;
        for a in &self.desk.down[0] {
            prop_assert!(!self.desk.down[1].iter().any(|b| overlap(a, b)), "together");
        }
        Ok(())
    }

    /// Makes everything well and waits until nothing is left to send.
    fn heal(&mut self) -> Result<(), TestCaseError> {
        for scope in [None, Some(0), Some(1)] {
            self.happens(&Happening::Start(scope));
        }
        self.happens(&Happening::Manners(100, 50, true));
        for port in 0..PORTS as u8 {
            if self.desk.is_keyed(port) {
                self.desk.report(port);
            }
            self.happens(&Happening::Busy(port, false));
            self.happens(&Happening::Sound(port, true));
            self.happens(&Happening::Device(port, true));
            self.happens(&Happening::Line(port, 0));
        }
        for _ in 0..20_000 {
            self.happens(&Happening::Wait(10_000));
            self.judge()?;
            if (0..PORTS as u8).all(|p| self.desk.gate(p).queued == 0) {
                return Ok(());
            }
        }
        prop_assert!(false, "still waiting: {:?}", self.desk.gate(0).sentence);
        Ok(())
    }

    /// Texts sent whole on a port, in order.
    fn sent(&self, port: u8) -> Vec<String> {
        let mut blocks = BTreeMap::new();
        for event in &self.desk.events {
            if let Event::Block(b) = event
                && b.kind == BlockKind::Sent
                && b.port == PortId(port)
            {
                blocks.insert(b.id, b.clone());
            }
        }
        // Not the call sign by itself: it comes when it has to.
        let whole = blocks
            .into_values()
            .filter(|b| b.why.is_none() && b.to != "ID");
        whole
            .filter_map(|b| String::from_utf8(b.octets.get(16..)?.to_vec()).ok())
            .collect()
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn no_key_goes_down_while_anything_is_shut_nor_beyond_its_limits(
        happenings in prop::collection::vec(happening(), 1..80)
    ) {
        let mut run = Run::new();
        for happening in &happenings {
            run.happens(happening);
            run.judge()?;
            for port in 0..PORTS as u8 {
                let gate = run.desk.gate(port);
                let idle = gate.queued == 0 || run.desk.is_keyed(port);
                let reasons = gate.waiting.iter().all(|w| !w.reason.is_empty());
                prop_assert!(idle || !run.desk.shut(port).is_empty(), "waits for nothing");
                prop_assert!(reasons, "waits without a reason");
            }
        }
        run.account()?;
    }

    #[test]
    fn nothing_queued_is_lost_by_stopping_and_starting(
        happenings in prop::collection::vec(happening(), 1..60)
    ) {
        let mut run = Run::new();
        let stops = |h: &&Happening| !matches!(h, Happening::Device(..) | Happening::Line(..)
            | Happening::EndsEarly(..) | Happening::Manners(..));
        for happening in happenings.iter().filter(stops) {
            run.happens(happening);
            run.judge()?;
        }
        run.heal()?;
        run.account()?;
        for port in 0..PORTS as u8 {
            let said = run.truth.said.get(&port).cloned().unwrap_or_default();
            prop_assert_eq!(run.sent(port), said, "all of it, in order, once");
        }
    }
}
