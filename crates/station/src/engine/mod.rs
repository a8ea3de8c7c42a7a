//! The engine: one sans-IO machine. What goes in is [`Input`] and [`Command`]; what comes
//! out is [`Output`].

mod links;
mod people;
mod receive;
mod relay;
mod send;

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::CallSign;
use dunlin_clock::Instant;

use crate::channel::Channel;
use crate::command::{Command, Refusal, Reply};
use crate::config::{ConfigError, PortConfig, StationConfig};
use crate::crossing::Crossing;
use crate::event::{CrossingId, Event, Note, PortId, Snapshot, TalkId, Urgency, ms};
use crate::heard::HeardList;
use crate::links::Links;
use crate::strip::Strips;
use crate::talk::Talk;

/// One thing that happened outside.
#[derive(Clone, Copy, Debug)]
pub enum Input<'a> {
    /// The next samples that a port heard, full scale = ±1. `now` is the moment of the last
    /// one. Every sample must be given, also those heard while transmitting.
    Samples {
        /// The port.
        port: PortId,
        /// The sound, at the port's sample rate.
        samples: &'a [f32],
    },
    /// The last sample of the port's transmission has been played and the key is released.
    Transmitted {
        /// The port.
        port: PortId,
    },
    /// The time of [`Station::next_wakeup`] has come.
    Wakeup,
}

/// One thing to do outside.
#[derive(Clone, Debug, PartialEq)]
#[allow(clippy::large_enum_variant)] // As in `Event`.
pub enum Output {
    /// Key the port, play all of this, release, then give [`Input::Transmitted`].
    Transmit {
        /// The port.
        port: PortId,
        /// The sound of the whole transmission, at the port's sample rate, full scale = ±1.
        samples: Vec<f32>,
    },
    /// Tell people and the journal.
    Event(Event),
}

/// Why the engine wants to be woken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WakeupReason {
    /// A slot of channel access begins.
    Slot(PortId),
    /// A timer of a link runs out.
    Link(PortId),
    /// A beacon is due.
    Beacon(PortId),
}

/// Notes kept for a snapshot.
const MOST_NOTES: usize = 200;
/// Crossings kept for a snapshot after they have ended.
const MOST_ENDED_CROSSINGS: usize = 20;

/// A packet-radio station. See the crate's page for the loop of a driver.
#[derive(Debug)]
pub struct Station {
    config: StationConfig,
    channels: Vec<Channel>,
    links: Links,
    talks: BTreeMap<TalkId, Talk>,
    next_talk: u64,
    crossings: BTreeMap<CrossingId, Crossing>,
    next_crossing: u64,
    heard: HeardList,
    strips: Strips,
    notes: VecDeque<Note>,
    outputs: VecDeque<Output>,
}

impl Station {
    /// Digipeaters on one path (AX.25 2.2 §3.12.5: up to eight in the address field).
    pub const MOST_REPEATERS: usize = dunlin_ax25::wire::MAX_REPEATERS;
    /// Talks open at the same time.
    pub const MOST_TALKS: usize = 64;

    /// A station that has heard nothing yet.
    ///
    /// # Errors
    /// A configuration that cannot work; see [`ConfigError`].
    pub fn new(config: StationConfig) -> Result<Self, ConfigError> {
        check(&config)?;
        let channels = config
            .ports
            .iter()
            .zip(0..)
            .map(|(port, n)| Channel::new(PortId(n), port.clone(), config.seed))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(Station {
            config,
            channels,
            links: Links::default(),
            talks: BTreeMap::new(),
            next_talk: 0,
            crossings: BTreeMap::new(),
            next_crossing: 0,
            heard: HeardList::default(),
            strips: Strips::default(),
            notes: VecDeque::new(),
            outputs: VecDeque::new(),
        })
    }

    /// Takes in one thing that happened. `now` never goes back.
    pub fn handle(&mut self, now: Instant, input: Input<'_>) {
        match input {
            Input::Samples { port, samples } => self.samples(now, port, samples),
            Input::Transmitted { port } => self.transmitted(now, port),
            Input::Wakeup => self.wakeup(now),
        }
        self.settle(now);
    }

    /// Carries out what a person asks for.
    ///
    /// # Errors
    /// [`Refusal`] says why not and what to do instead; then nothing has changed.
    pub fn command(&mut self, now: Instant, command: Command) -> Result<Reply, Refusal> {
        let reply = self.obey(now, command);
        self.settle(now);
        reply
    }

    /// The next thing to do outside; `None` = nothing for now.
    pub fn poll(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When to give [`Input::Wakeup`], and why.
    pub fn next_wakeup(&self) -> Option<(Instant, WakeupReason)> {
        let links = self
            .links
            .next_wakeup()
            .map(|(at, port)| (at, WakeupReason::Link(port)));
        let slots = self
            .channels
            .iter()
            .filter_map(|c| Some((c.access.next_wakeup()?, WakeupReason::Slot(c.id))));
        let beacons = self.channels.iter().flat_map(|c| {
            let reason = WakeupReason::Beacon(c.id);
            c.beacons_due.iter().map(move |at| (*at, reason))
        });
        links
            .into_iter()
            .chain(slots)
            .chain(beacons)
            .min_by_key(|(at, _)| *at)
    }

    /// Everything that people may see, now.
    pub fn snapshot(&self, now: Instant) -> Snapshot {
        Snapshot {
            now_ms: ms(now),
            call: self.config.call,
            ports: self.channels.iter().map(|c| c.view(now)).collect(),
            blocks: self.strips.blocks(),
            heard: self.heard.views(),
            talks: self.talks.values().map(Talk::view).collect(),
            lines: self.talks.values().flat_map(Talk::lines).cloned().collect(),
            crossings: self
                .crossings
                .values()
                .map(|c| self.crossing_view(c))
                .collect(),
            notes: self.notes.iter().cloned().collect(),
        }
    }

    /// Lets everything that follows from an input happen: link outputs, channel access, views.
    fn settle(&mut self, now: Instant) {
        self.pump_links(now);
        for i in 0..self.channels.len() {
            self.channels[i].update_access(now);
            if let Some(view) = self.channels[i].changed_view(now) {
                self.tell(Event::Port(view));
            }
        }
    }

    fn wakeup(&mut self, now: Instant) {
        self.beacons(now);
        self.link_timers(now);
        self.pump_links(now);
        for port in self.ports() {
            self.channel(port).update_access(now);
            if self.channel(port).access.draw(now) {
                self.transmit(now, port);
            }
        }
    }

    fn tell(&mut self, event: Event) {
        self.outputs.push_back(Output::Event(event));
    }

    fn note(&mut self, now: Instant, port: Option<PortId>, urgency: Urgency, text: String) {
        let at_ms = ms(now);
        let note = Note {
            at_ms,
            port,
            urgency,
            text,
        };
        if self.notes.len() >= MOST_NOTES {
            self.notes.pop_front();
        }
        self.notes.push_back(note.clone());
        self.tell(Event::Note(note));
    }

    fn ports(&self) -> impl Iterator<Item = PortId> + use<> {
        (0..self.channels.len()).map(|i| PortId(i as u8)) // `check` allows 255 at most.
    }

    fn channel(&mut self, port: PortId) -> &mut Channel {
        &mut self.channels[usize::from(port.0)]
    }

    fn port_config(&self, port: PortId) -> &PortConfig {
        &self.config.ports[usize::from(port.0)]
    }

    /// Whether `call` is one of the station's own on any port.
    fn is_own(&self, call: CallSign) -> bool {
        self.config.ports.iter().any(|p| p.call == call)
            || self
                .config
                .crossings
                .iter()
                .any(|c| c.call == call || c.far_call == call)
    }

    fn forget_ended_crossings(&mut self) {
        let ended: Vec<CrossingId> = self
            .crossings
            .values()
            .filter(|c| c.has_ended())
            .map(|c| c.id)
            .collect();
        let surplus = ended.len().saturating_sub(MOST_ENDED_CROSSINGS);
        for id in &ended[..surplus] {
            self.crossings.remove(id);
        }
    }
}

/// Refuses what cannot work.
fn check(config: &StationConfig) -> Result<(), ConfigError> {
    if config.ports.is_empty() || config.ports.len() > 255 {
        return Err(ConfigError::Ports(config.ports.len()));
    }
    for port in &config.ports {
        check_port(port)?;
    }
    for (i, rule) in config.crossings.iter().enumerate() {
        let port = |id: PortId| config.ports.get(usize::from(id.0));
        let (Some(from), Some(_)) = (port(rule.from), port(rule.to)) else {
            return Err(ConfigError::CrossingPorts(rule.name.clone()));
        };
        if rule.from == rule.to {
            return Err(ConfigError::CrossingPorts(rule.name.clone()));
        }
        let earlier = &config.crossings[..i];
        let twice = earlier
            .iter()
            .any(|r| r.from == rule.from && r.call == rule.call);
        if from.call == rule.call || twice {
            return Err(ConfigError::CallTwice(rule.call, from.name.clone()));
        }
    }
    Ok(())
}

fn check_port(port: &PortConfig) -> Result<(), ConfigError> {
    let t = &port.timing;
    let figures = [
        (
            "persistence",
            t.persistence,
            t.persistence > 0.0 && t.persistence <= 1.0,
            "above 0, at most 1",
        ),
        (
            "slot time, s",
            t.slot_time.as_secs_f64(),
            (0.01..=10.0).contains(&t.slot_time.as_secs_f64()),
            "0.01 to 10",
        ),
        (
            "idle check, s",
            t.idle_check.as_secs_f64(),
            (1.0..=86_400.0).contains(&t.idle_check.as_secs_f64()),
            "1 to 86400",
        ),
        (
            "window",
            f64::from(port.window),
            (1..=7).contains(&port.window),
            "1 to 7",
        ),
        (
            "information length, octets",
            port.info_length as f64,
            (1..=256).contains(&port.info_length),
            "1 to 256",
        ),
        (
            "retries",
            f64::from(port.retries),
            (1..=50).contains(&port.retries),
            "1 to 50",
        ),
    ];
    for (what, value, good, allowed) in figures {
        if !good {
            return Err(ConfigError::OutOfRange {
                port: port.name.clone(),
                what,
                value: value.to_string(),
                allowed,
            });
        }
    }
    Ok(())
}
