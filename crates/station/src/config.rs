//! What the engine needs to know of the station: the part of the station plan that is
//! independent of devices. The `plan` crate reads it from a file and checks it.

use dunlin_ax25::CallSign;
use dunlin_ax25::data_link::Version;
use dunlin_clock::{Duration, Hours, SampleRate, WallTime};
use dunlin_mail::post::{HoldRules, Keeping, Room, Routes};
use dunlin_modem::Line;
use thiserror::Error;

use crate::event::PortId;
use crate::files::FileRule;
use crate::gate::{GateConfig, Medium, Stop};
use crate::port::FecStrength;

/// The whole station.
#[derive(Clone, Debug, PartialEq)]
pub struct StationConfig {
    /// The station's call sign.
    pub call: CallSign,
    /// Sent to whoever calls and is let in; empty = nothing.
    pub greeting: String,
    /// The ports, in the order in which people see them.
    pub ports: Vec<PortConfig>,
    /// Rules that let visitors cross from port to port. None = nobody crosses.
    pub crossings: Vec<CrossingRule>,
    /// The node, if there is one.
    pub node: Option<NodeRule>,
    /// How mail goes, if any is kept here. It goes by the node's call sign.
    pub mail: Option<MailRule>,
    /// Which files are taken over talks.
    pub files: FileRule,
    /// Who had stopped the station or a port before this start.
    pub stops: Vec<Stop>,
    /// Civil time at the zero of the engine's time line.
    pub wall_at_zero: WallTime,
    /// Seed of the station's dice (slots, beacon spread).
    pub seed: u64,
}

/// How much a port repeats for others.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DigipeatLimits {
    /// A frame whose path has more digipeaters is not repeated, 1 to 8.
    pub most_hops: u8,
    /// Frames of one sender in a minute, 1 to 1000.
    pub user_a_minute: u16,
    /// Frames of all senders in a minute, 1 to 1000.
    pub port_a_minute: u16,
}

impl Default for DigipeatLimits {
    fn default() -> Self {
        DigipeatLimits {
            most_hops: 3,
            user_a_minute: 30,
            port_a_minute: 60,
        }
    }
}

impl PortConfig {
    /// Every line that it listens to; the first is the one with which it sends.
    pub fn lines(&self) -> impl Iterator<Item = Line> + '_ {
        std::iter::once(self.line).chain(self.also_hears.iter().copied())
    }
}

impl StationConfig {
    /// Whether the station answers or repeats under this call sign on any port.
    pub fn is_own(&self, call: CallSign) -> bool {
        let port = |p: &PortConfig| p.call == call || p.digipeat.contains(&call);
        let rule = |c: &CrossingRule| c.call == call || c.far_call == call;
        let node = self.node.as_ref().is_some_and(|node| node.call == call);
        node || self.ports.iter().any(port) || self.crossings.iter().any(rule)
    }
}

/// One port: a radio, its modem and its manners on the channel.
#[derive(Clone, Debug, PartialEq)]
pub struct PortConfig {
    /// Name for people, such as `VHF`.
    pub name: String,
    /// Call sign and SSID of the operator on this port.
    pub call: CallSign,
    /// The modem: a mode with its symbol rate, tones and polarity.
    pub line: Line,
    /// Further lines that it listens to and never sends with; with `line` at most
    /// [`MOST_LINES`](crate::port::MOST_LINES), none twice.
    pub also_hears: Vec<Line>,
    /// A second sound input hears the same channel.
    pub second_input: bool,
    /// Sample rate of the sound in both directions.
    pub rate: SampleRate,
    /// Whether it may transmit at all.
    pub may_transmit: bool,
    /// It hears on another frequency than it sends on, and goes on hearing while it sends: it does
    /// not wait for what it hears, and no slots are drawn. Only where nobody else sends on its
    /// frequency, as to a satellite or a duplex repeater. A controller has this from its own settings.
    pub full_duplex: bool,
    /// Peak level of the transmitted sound, dB of full scale, at most 0.
    pub level_dbfs: f32,
    /// Correction of the transmitted tones, Hz.
    pub offset_hz: f32,
    /// How much higher a tone is sent than one an octave below, dB per octave: 0 to 6; 0 for
    /// modes without tones.
    pub pre_emphasis_db_per_octave: f32,
    /// How far the tones may be moved for a station that is heard off the middle, Hz: 0 (never)
    /// to 100; 0 but for modes that look for their tones, and with a second input.
    pub follow_most_hz: f32,
    /// Forward error correction of the transmitted frames; `None` = none. A controller's
    /// frames are the controller's business.
    pub fec: Option<FecStrength>,
    /// Timing on the channel.
    pub timing: Timing,
    /// The version of AX.25 that stations are called with. Calls are accepted by either.
    pub link_version: Version,
    /// k: I frames outstanding at most, 1 to 64, by version 2.0 no more than 7.
    pub window: u8,
    /// N1: longest information field sent, octets, 1 to 256.
    pub info_length: usize,
    /// `window` and `info_length` are only where a talk begins: they follow what is lost.
    pub adapt: bool,
    /// N2: tries before giving up.
    pub retries: u32,
    /// Call signs for which this port repeats frames; empty = no digipeating.
    pub digipeat: Vec<CallSign>,
    /// How much it repeats.
    pub digipeat_limits: DigipeatLimits,
    /// Beacons of this port.
    pub beacons: Vec<Beacon>,
    /// What carries the port's frames.
    pub medium: Medium,
    /// How the port guards its key.
    pub gate: GateConfig,
}

/// Timing of one port on its channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Timing {
    /// T103: flags between keying and the first frame.
    pub key_up_delay: Duration,
    /// Flags after the last frame.
    pub tail: Duration,
    /// Chance to transmit in a free slot, above 0, at most 1.
    pub persistence: f64,
    /// T102: length of a slot.
    pub slot_time: Duration,
    /// T3: silence on a link after which the other end is asked whether it is there.
    pub idle_check: Duration,
    /// Longest single transmission.
    pub longest_transmission: Duration,
}

/// A text sent to all at intervals.
#[derive(Clone, Debug, PartialEq)]
pub struct Beacon {
    /// The address it is sent to.
    pub to: CallSign,
    /// Digipeaters, in order.
    pub via: Vec<CallSign>,
    /// Time between two of them.
    pub interval: Duration,
    /// Time from the start to the first.
    pub first_delay: Duration,
    /// The text.
    pub text: String,
}

/// Who may use a crossing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum WhoMayCross {
    /// Everybody.
    All,
    /// These call signs, each with any SSID.
    These(Vec<CallSign>),
}

/// A rule that lets visitors on one port be carried to stations on another.
#[derive(Clone, Debug, PartialEq)]
pub struct CrossingRule {
    /// Name for people.
    pub name: String,
    /// The port on which visitors call.
    pub from: PortId,
    /// The port on which they are carried on.
    pub to: PortId,
    /// The call sign and SSID that visitors connect to.
    pub call: CallSign,
    /// The call sign and SSID that this station uses for them on the far port.
    pub far_call: CallSign,
    /// Who may cross.
    pub who: WhoMayCross,
    /// Stations that may be reached; empty = any. With exactly one, visitors are not asked.
    pub reach: Vec<CallSign>,
    /// When visitors are let in, by UTC.
    pub hours: Hours,
    /// Visitors at the same time, at most.
    pub most: usize,
    /// The most that it may take of the time of any port, over ten minutes, above 0 to 1.
    pub most_share: f64,
    /// Digipeaters by which a station is called that was not heard direct of late, at most; 0 to 2.
    pub most_digipeaters: usize,
    /// What visitors and the operator are told of it.
    pub notes: Notes,
}

/// What is told of the way out: words, by which nothing is decided.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Notes {
    /// Which licence covers what this station transmits for visitors.
    pub licence: Option<String>,
    /// With what power and aerial it does.
    pub power: Option<String>,
}

impl Notes {
    /// Both in one line; `None` if there is neither.
    pub fn words(&self) -> Option<String> {
        let licence = self.licence.iter().map(|note| format!("Licence: {note}."));
        let power = self.power.iter().map(|note| format!("Power: {note}."));
        let words: Vec<String> = licence.chain(power).collect();
        (!words.is_empty()).then(|| words.join(" "))
    }
}

/// The node: a call sign to which visitors connect, who ask, and go on from there.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeRule {
    /// The call sign and SSID that visitors connect to.
    pub call: CallSign,
    /// The ports on which it answers.
    pub ports: Vec<PortId>,
    /// The ports by which visitors may go on; empty = nobody goes on.
    pub onward: Vec<PortId>,
    /// Who may go on. Everybody may ask.
    pub who: WhoMayCross,
    /// When visitors are let in, by UTC.
    pub hours: Hours,
    /// Visitors at the same time, at most, 1 to 20.
    pub most: usize,
    /// As that of a crossing.
    pub most_share: f64,
    /// As those of a crossing.
    pub notes: Notes,
}

/// How mail is kept, and exchanged with partners.
#[derive(Clone, Debug, PartialEq)]
pub struct MailRule {
    /// Where it goes on to.
    pub routes: Routes,
    /// What a person looks at first.
    pub holds: HoldRules,
    /// Areas whose bulletins are taken; `None` = all.
    pub areas: Option<Vec<String>>,
    /// With whom it is exchanged.
    pub partners: Vec<Partner>,
    /// What exchanges may take of the time of each port, above 0 to 1, as a share of ten minutes of this station's
    /// transmissions. Beyond it they wait, but for emergencies.
    pub most_share: f64,
    /// How much is kept.
    pub room: Room,
    /// How long it is kept.
    pub keeping: Keeping,
    /// Drawn anew by chance at each start, outside the engine: the identifiers of what is written here depend on it,
    /// and an identifier must never be given twice.
    pub salt: u64,
}

/// One station with which mail is exchanged.
#[derive(Clone, Debug, PartialEq)]
pub struct Partner {
    /// The call sign and SSID by which it is called and calls.
    pub call: CallSign,
    /// The port to call it on.
    pub port: PortId,
    /// Digipeaters on the way to it.
    pub via: Vec<CallSign>,
    /// When it may be called, by UTC. It may call at any time.
    pub hours: Hours,
    /// It is called so often, also when nothing waits for it: it may hold something for us.
    pub every: Duration,
    /// Octets of a packed item, at most.
    pub most_octets: usize,
}

/// A configuration that cannot work. The `plan` crate finds these and more, with the place
/// in the file; the engine refuses them for whoever builds it by hand.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ConfigError {
    /// No port at all, or more than 255.
    #[error("a station needs 1 to 255 ports, this has {0}")]
    Ports(usize),
    /// A modem that cannot work with these figures.
    #[error("port {port}: {reason}")]
    Modem {
        /// The port's name.
        port: String,
        /// What the modem says.
        reason: String,
    },
    /// Frames without a modem are for simulated bands only.
    #[error("port {0}: a port with a radio cannot leave the modem out")]
    RadioWithoutModem(String),
    /// A line that is listened to twice, or on a port whose controller listens.
    #[error("port {port}: {line} cannot be heard besides, or is named twice")]
    Line {
        /// The port's name.
        port: String,
        /// The line.
        line: String,
    },
    /// A figure out of range.
    #[error("port {port}: {what} is {value}, allowed is {allowed}")]
    OutOfRange {
        /// The port's name.
        port: String,
        /// Which setting.
        what: &'static str,
        /// Its value.
        value: String,
        /// The allowed range.
        allowed: &'static str,
    },
    /// A crossing that names a port that does not exist, or one port twice.
    #[error("crossing {0}: the two ports must exist and differ")]
    CrossingPorts(String),
    /// Mail without a node, or a partner on a port on which the node does not answer.
    #[error("mail needs a node, and it must answer on the ports of the partners")]
    Mail,
    /// A share of the channel that is none.
    #[error("{0}: its share of the channel is {1}, allowed is above 0 to 1")]
    Share(String, String),
    /// A node that names a port that does not exist.
    #[error("the node: its ports must exist, and it must answer on one at least")]
    NodePorts,
    /// Two things answer under one call sign on one port.
    #[error("{0} is used twice on port {1}")]
    CallTwice(CallSign, String),
}
