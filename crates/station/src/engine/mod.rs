//! The engine: one sans-IO machine. What goes in is [`Input`] and [`Command`]; what comes
//! out is [`Output`].

mod alarms;
mod client;
mod controller;
mod files;
mod follow;
mod gate;
mod identify;
mod links;
mod mail;
mod onward;
mod outage;
mod paths;
mod people;
mod receive;
mod refuse;
mod relay;
mod repeat;
mod send;
mod shares;
mod sound;
mod stops;
mod talks;
mod test_signals;
mod turn;

pub use client::ClientView;
pub(crate) use mail::cut;
pub use mail::{
    Concluded, Conclusion, Draft, DraftError, FormalDraft, FormalReckoning, Reckoning, RouteCost,
};

use std::collections::{BTreeMap, VecDeque};

use dunlin_ax25::CallSign;
use dunlin_clock::{Duration, Instant, WallTime};
use dunlin_mail::file::Head;
use dunlin_mail::post::{Answer, Ask, Letter};

use crate::channel::Channel;
use crate::command::{Command, Refusal, Reply};
use crate::config::{ConfigError, PortConfig, StationConfig};
use crate::crossing::Crossing;
use crate::digipeat::MuteView;
use crate::event::{CrossingId, Event, Note, PortId, Snapshot, TalkId, TalkState, Urgency, ms};
use crate::files::{FileAnswer, FileAsk};
use crate::gate::alarms::Alarms;
use crate::gate::stops::Stops;
use crate::gate::{AlarmKind, DeviceState, KeyLineState};
use crate::heard::HeardList;
use crate::links::Links;
use crate::paths::Paths;
use crate::peers::Peers;
use crate::port::TimedFrame;
use crate::rejects::Rejects;
use crate::strip::Strips;
use crate::talk::Talk;
use client::Clients;
use files::FileAsks;
use mail::Post;
use onward::Borrowed;
use outage::Outage;
use refuse::Strangers;
use shares::Shares;

pub(crate) use alarms::Watch;
pub(crate) use gate::Told;
pub(crate) use test_signals::TestRun;

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
    /// The next samples that the second input of a port heard, as [`Input::Samples`]. They may
    /// be missing for any time; the port then goes on with the first input.
    SecondSamples {
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
    /// A frame that the controller of a port has heard, or that a simulated band of frames has
    /// brought (AX.25 octets without FCS).
    Frame {
        /// The port, of [`Medium::Controller`](crate::gate::Medium::Controller) or
        /// [`Medium::Frames`](crate::gate::Medium::Frames).
        port: PortId,
        /// The octets.
        octets: &'a [u8],
    },
    /// Data begins or ends to be heard on a simulated band of frames.
    Carrier {
        /// The port, of [`Medium::Frames`](crate::gate::Medium::Frames).
        port: PortId,
        /// It begins.
        on: bool,
    },
    /// A frame that another program of the shack wants to send by one of our ports.
    FromClient {
        /// The port.
        port: PortId,
        /// Which program; never used twice in one run.
        client: u64,
        /// AX.25 octets without FCS.
        octets: &'a [u8],
    },
    /// How the sound device or controller of a port does.
    Device {
        /// The port.
        port: PortId,
        /// How.
        state: DeviceState<'a>,
    },
    /// How the key line of a port does.
    KeyLine {
        /// The port.
        port: PortId,
        /// How.
        state: KeyLineState<'a>,
    },
    /// The radio's own line says whether the channel is occupied.
    ExternalCarrier {
        /// The port.
        port: PortId,
        /// Occupied.
        busy: bool,
    },
    /// Whoever keeps the mail has answered.
    MailAnswer {
        /// The ticket of the [`Output::Mail`].
        ticket: u64,
        /// The answer.
        answer: &'a Answer,
    },
    /// Whoever keeps files has answered.
    FileAnswer {
        /// The ticket of the [`Output::File`].
        ticket: u64,
        /// The answer.
        answer: &'a FileAnswer,
    },
    /// A letter was kept that [`Station::letter`] has made: partners for whom it waits may be called.
    MailKept {
        /// The letter.
        letter: &'a Letter,
    },
    /// A person has read, held, deleted or otherwise changed what is kept.
    MailTouched,
    /// The civil clock with which the engine began is far off, or was never set: nothing is deleted because of its age
    /// any more in this run. Given again, it does nothing.
    ClockWrong,
    /// Something outside the engine is wrong (disk, clock …), or is well again.
    Trouble {
        /// What.
        kind: AlarmKind,
        /// The port; `None` = the station.
        port: Option<PortId>,
        /// What is wrong and what to do; `None` = it is over.
        text: Option<&'a str>,
    },
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
    /// Give these frames to the port's controller, and give [`Input::Transmitted`] when it
    /// should have sent them.
    SendFrames {
        /// The port, of [`Medium::Controller`](crate::gate::Medium::Controller).
        port: PortId,
        /// AX.25 octets without FCS, in order.
        frames: Vec<Vec<u8>>,
        /// How long they take on the air, key-up delay included, as far as can be known.
        airtime: Duration,
    },
    /// Key the port on its simulated band for `airtime`, with these frames at their times, then
    /// give [`Input::Transmitted`]. There is no sound: nothing else can be keyed by it.
    OnBand {
        /// The port, of [`Medium::Frames`](crate::gate::Medium::Frames).
        port: PortId,
        /// The frames, in order.
        frames: Vec<TimedFrame>,
        /// From keying to unkeying.
        airtime: Duration,
    },
    /// Release the key of the port now and drop what is being played, then give
    /// [`Input::Transmitted`].
    Release {
        /// The port.
        port: PortId,
        /// Why, for the log.
        why: String,
    },
    /// Ask whoever keeps the mail, in the order in which these come, and give [`Input::MailAnswer`].
    Mail {
        /// Joins the answer to it.
        ticket: u64,
        /// What is asked.
        ask: Ask,
    },
    /// Ask whoever keeps files, in the order in which these come, and give [`Input::FileAnswer`].
    File {
        /// Joins the answer to it.
        ticket: u64,
        /// About which file.
        head: Head,
        /// What is asked.
        ask: FileAsk,
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
    /// A crossing on which visitors come in by this port has lasted too long.
    Crossing(PortId),
    /// A condition of the gate may open, a limit of the key is reached, or people are to be
    /// told of the gate.
    Gate(PortId),
    /// The call sign has to be said.
    Identify(PortId),
    /// A partner of the mail is due, on this port.
    Mail(PortId),
    /// It is looked again whether crossings and exchanges may take more of the ports' time.
    Share,
    /// What has grown old in the mail is looked for.
    Sweep,
    /// It is looked whether an emergency waits in the mail.
    Emergency,
    /// A test signal has waited too long.
    Test(PortId),
}

/// Notes kept for a snapshot.
const MOST_NOTES: usize = 200;
/// Talks kept for a snapshot after they have ended; the journal keeps them all.
const MOST_ENDED_TALKS: usize = 50;
/// Crossings kept for a snapshot after they have ended.
const MOST_ENDED_CROSSINGS: usize = 20;

/// A packet-radio station. See the crate's page for the loop of a driver.
#[derive(Debug)]
pub struct Station {
    config: StationConfig,
    channels: Vec<Channel>,
    stops: Stops,
    alarms: Alarms,
    /// When the alarms are looked for again.
    next_look: Instant,
    links: Links,
    peers: Peers,
    talks: BTreeMap<TalkId, Talk>,
    next_talk: u64,
    crossings: BTreeMap<CrossingId, Crossing>,
    next_crossing: u64,
    /// Call signs under which visitors of the node are carried on.
    borrowed: Vec<Borrowed>,
    shares: Shares,
    post: Post,
    files: FileAsks,
    heard: HeardList,
    paths: Paths,
    rejects: Rejects,
    /// For whom nothing is repeated or carried; those that are over stay until the next.
    mutes: Vec<MuteView>,
    /// By port.
    strangers: Vec<Strangers>,
    /// By port.
    outages: Vec<Outage>,
    strips: Strips,
    notes: VecDeque<Note>,
    clients: Clients,
    outputs: VecDeque<Output>,
    /// Somebody looks at what it shows.
    watched: bool,
}

impl Station {
    /// Digipeaters on one path (AX.25 2.2 §3.12.5: up to eight in the address field).
    pub const MOST_REPEATERS: usize = dunlin_ax25::wire::MAX_REPEATERS;
    /// Talks open at the same time.
    pub const MOST_TALKS: usize = 64;

    /// Callers let in at the same time; the rest of [`Station::MOST_TALKS`] is the operator's.
    pub const MOST_INCOMING: usize = 32;

    /// A station that has heard nothing yet.
    ///
    /// # Errors
    /// A configuration that cannot work; see [`ConfigError`].
    pub fn new(config: StationConfig) -> Result<Self, ConfigError> {
        config.check()?;
        let mut channels = config
            .ports
            .iter()
            .zip(0..)
            .map(|(port, n)| Channel::new(PortId(n), port.clone(), config.seed))
            .collect::<Result<Vec<_>, _>>()?;
        for channel in &mut channels {
            channel.invented = gate::invented_call(&config, channel.id);
            channel.reckon_call_sign();
        }
        let ports = channels.len();
        let mut station = Station {
            alarms: Alarms::default(),
            next_look: Instant::ZERO,
            stops: Stops::new(&config.stops, config.ports.len()),
            config,
            channels,
            links: Links::default(),
            peers: Peers::default(),
            talks: BTreeMap::new(),
            next_talk: 0,
            crossings: BTreeMap::new(),
            next_crossing: 0,
            borrowed: Vec::new(),
            shares: Shares::default(),
            post: Post::default(),
            files: FileAsks::default(),
            heard: HeardList::default(),
            paths: Paths::default(),
            rejects: Rejects::default(),
            mutes: Vec::new(),
            strangers: (0..ports).map(|_| Strangers::default()).collect(),
            outages: (0..ports).map(|_| Outage::default()).collect(),
            strips: Strips::default(),
            notes: VecDeque::new(),
            clients: Clients::default(),
            outputs: VecDeque::new(),
            watched: true,
        };
        station.begin_post();
        station.guard(Instant::ZERO);
        Ok(station)
    }

    /// From now on nobody looks at the strips, the gates and the stations heard: they are neither
    /// told nor kept. What the station does and says on the air stays the same, and talks,
    /// crossings, notes and alarms are told as ever. For worlds of thousands of stations.
    pub fn leave_unwatched(&mut self) {
        self.watched = false;
    }

    /// Takes in one thing that happened. `now` never goes back.
    pub fn handle(&mut self, now: Instant, input: Input<'_>) {
        match input {
            Input::Samples { port, samples } => self.samples(now, port, samples),
            Input::SecondSamples { port, samples } => self.second_samples(now, port, samples),
            Input::Transmitted { port } => self.transmitted(now, port),
            Input::Wakeup => self.wakeup(now),
            Input::Frame { port, octets } => self.frame_without_sound(now, port, octets),
            Input::Carrier { port, on } => self.band_carrier(now, port, on),
            Input::FromClient {
                port,
                client,
                octets,
            } => self.client_frame(now, port, client, octets),
            Input::Device { port, state } => self.device(now, port, state),
            Input::KeyLine { port, state } => self.key_line(now, port, state),
            Input::ExternalCarrier { port, busy } => self.external_carrier(now, port, busy),
            Input::MailAnswer { ticket, answer } => self.mail_answered(now, ticket, answer),
            Input::FileAnswer { ticket, answer } => self.file_answered(now, ticket, answer),
            Input::MailKept { letter } => self.mail_kept(now, letter),
            Input::MailTouched => self.mail_touched(now),
            Input::ClockWrong => self.clock_is_wrong(now),
            Input::Trouble { kind, port, text } => self.trouble(now, kind, port, text),
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

    /// Civil time at a moment of the engine, as its configuration sets it.
    pub fn civil(&self, at: Instant) -> WallTime {
        self.wall(at)
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
        let crossings = self
            .crossings
            .values()
            .filter_map(|c| Some((c.deadline()?, WakeupReason::Crossing(c.near.port))));
        links
            .into_iter()
            .chain(slots)
            .chain(beacons)
            .chain(crossings)
            .chain(self.share_wakeup())
            .chain(self.post_wakeup())
            .chain(self.gate_wakeups())
            .chain(self.alarm_wakeups())
            .chain(self.identification_wakeups())
            .chain(self.test_wakeups())
            .chain(self.outage_wakeups())
            .min_by_key(|(at, _)| *at)
    }

    /// Everything that people may see, now.
    pub fn snapshot(&self, now: Instant) -> Snapshot {
        Snapshot {
            now_ms: ms(now),
            call: self.config.call,
            ports: self.ports().map(|p| self.port_view(now, p)).collect(),
            blocks: self.strips.blocks(),
            heard: self.heard.views(),
            talks: self.talks.values().map(Talk::view).collect(),
            lines: self.talks.values().flat_map(Talk::lines).cloned().collect(),
            files: self.file_views(),
            crossings: self
                .crossings
                .values()
                .map(|c| self.crossing_view(c))
                .collect(),
            notes: self.notes.iter().cloned().collect(),
            gates: self.ports().map(|p| self.gate_view(now, p)).collect(),
            stops: self.stops.all().to_vec(),
            alarms: self.alarms.views(),
            rejects: self.rejects.views(),
            mutes: self.mutes(now),
            partners: self.partner_views(),
        }
    }

    /// Lets everything that follows from an input happen: link outputs, channel access, views.
    fn settle(&mut self, now: Instant) {
        self.pump_links(now);
        self.guard(now);
        self.look_for_alarms(now);
        for port in self.ports() {
            self.tell_links_of_channel(now, port);
        }
        if self.watched {
            self.show(now);
        }
    }

    /// Tells what has changed of ports and gates.
    fn show(&mut self, now: Instant) {
        for port in self.ports() {
            if !self.channel(port).is_view_due(now) {
                continue;
            }
            self.channels[usize::from(port.0)].drop_stale(now, &self.links);
            let view = self.port_view(now, port);
            if self.channel(port).is_news(&view) {
                self.tell(Event::Port(view));
            }
        }
        self.tell_gates(now);
    }

    fn wakeup(&mut self, now: Instant) {
        self.beacons(now);
        self.link_timers(now);
        self.overdue_crossings(now);
        self.look_at_shares(now);
        self.look_at_post(now);
        self.overdue_tests(now);
        self.identifications(now);
        self.pump_links(now);
        for port in self.ports() {
            // Each port anew: the one before may have keyed at this very instant.
            self.judge(now, port);
            self.channel(port).update_access(now);
            if self.channel(port).access.draw(now) {
                self.transmit(now, port);
            }
        }
    }

    fn tell(&mut self, event: Event) {
        let shows = matches!(event, Event::Block(_) | Event::Heard(_));
        if shows && !self.watched {
            return;
        }
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
        (0..self.channels.len()).map(|i| PortId(i as u8)) // The check of the configuration allows 255 at most.
    }

    fn channel(&mut self, port: PortId) -> &mut Channel {
        &mut self.channels[usize::from(port.0)]
    }

    fn port_config(&self, port: PortId) -> &PortConfig {
        &self.config.ports[usize::from(port.0)]
    }

    /// Whether `call` is one of the station's own on any port.
    fn is_own(&self, call: CallSign) -> bool {
        self.config.is_own(call) || self.borrowed.iter().any(|b| b.call == call)
    }

    /// Puts the oldest ended talks away, so that callers cannot fill the memory in a year.
    fn forget_ended_talks(&mut self) {
        let ended = self.talks.values().filter(|t| t.state == TalkState::Ended);
        let ended: Vec<TalkId> = ended.map(|t| t.id).collect();
        let surplus = ended.len().saturating_sub(MOST_ENDED_TALKS);
        for &id in &ended[..surplus] {
            self.talks.remove(&id);
            self.tell(Event::TalkGone(id));
        }
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
