//! The words of the gate: the conditions that must all be open before a port keys, who has
//! stopped the station, what waits and why, and what is wrong. How each is judged stands in
//! the modules below.

pub(crate) mod alarms;
pub(crate) mod judge;
pub(crate) mod key_down;
pub(crate) mod stops;
pub(crate) mod view;
pub(crate) mod words;

use dunlin_clock::{Duration, WallTime};
use serde::{Deserialize, Serialize};

use crate::event::PortId;

/// What carries the frames of a port.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Medium {
    /// Sound, through the station's own modem.
    #[default]
    Sound,
    /// A controller of its own (KISS), which modulates, senses the channel and keys.
    Controller,
    /// A simulated band that carries whole frames for the time that they take, and tells when
    /// the channel is occupied. Everything but the modem is as with sound. A port with a radio,
    /// or with anything that has to be proved, cannot have it, and no station plan can ask for
    /// it.
    Frames,
}

/// By what a port knows that the channel is occupied. Any that is chosen and says "occupied"
/// holds the port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CarrierSense {
    /// Data tones with the bit timing of the port's mode.
    pub data: bool,
    /// Energy in the passband, above the learned noise floor.
    pub energy: bool,
    /// A line from the radio (squelch).
    pub external: bool,
}

/// How long a port may hold its key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct KeyDownLimits {
    /// In one transmission.
    pub single: Duration,
    /// In any ten minutes.
    pub ten_minutes: Duration,
    /// In any hour.
    pub hour: Duration,
}

/// What the port has to do with the station's other ports. Keying together takes two ports,
/// so there the stricter of their two settings holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Interlock {
    /// Nothing.
    #[default]
    None,
    /// It never keys while another port is keyed.
    NotTogether,
    /// As [`Interlock::NotTogether`], and it also waits while another port hears data.
    YieldToHearing,
}

/// How a port guards its key.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GateConfig {
    /// By what the channel is sensed.
    pub sense: CarrierSense,
    /// Key-down limits.
    pub limits: KeyDownLimits,
    /// Interlock with the other ports.
    pub interlock: Interlock,
    /// Longest time between two identifications while the port transmits.
    pub identify_every: Duration,
    /// A frame that waits longer raises an alarm.
    pub wait_alarm: Duration,
    /// After the start the port only listens for so long.
    pub settle: Duration,
    /// Device and key line must be reported good before the port may key. False only where
    /// neither exists: on simulated bands.
    pub needs_proof: bool,
    /// A radio is behind the port, so an invented call sign must never key it.
    pub real_radio: bool,
}

impl Default for GateConfig {
    /// What a port on a simulated band needs.
    fn default() -> Self {
        GateConfig {
            sense: CarrierSense {
                data: true,
                energy: false,
                external: false,
            },
            limits: KeyDownLimits {
                single: Duration::from_secs(30),
                ten_minutes: Duration::from_secs(300),
                hour: Duration::from_secs(1200),
            },
            interlock: Interlock::None,
            identify_every: Duration::from_secs(600),
            wait_alarm: Duration::from_secs(300),
            settle: Duration::ZERO,
            needs_proof: false,
            real_radio: false,
        }
    }
}

/// The conditions of the gate, in the order in which they are looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Condition {
    /// The station plan allows this port to transmit.
    Plan,
    /// The call sign is set and somebody's.
    CallSign,
    /// Nobody has stopped the station or the port.
    Stop,
    /// The port has listened long enough since the start.
    Listened,
    /// Sound device or controller is there and healthy.
    Device,
    /// The key line has been proved released since the start, and its keyer lives.
    KeyLine,
    /// The transmission can be identified in time.
    Identification,
    /// The key-down limits leave room.
    KeyDown,
    /// The other ports allow it.
    Interlock,
    /// The channel is clear by the chosen carrier sense.
    Channel,
    /// A slot has been drawn.
    Slot,
}

/// One condition of one port, now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct ConditionView {
    /// Which.
    pub condition: Condition,
    /// It allows the port to key.
    pub open: bool,
    /// Since when it stands so, ms.
    pub since_ms: u64,
    /// On what evidence, a sentence.
    pub evidence: String,
    /// What would open it, a sentence; empty while it is open.
    pub remedy: String,
}

/// One frame in the queue of a port.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct WaitingView {
    /// The frame in few words, as on the strip.
    pub what: String,
    /// Whom it is for, as on the air.
    pub to: String,
    /// Since when it waits, ms.
    pub since_ms: u64,
    /// Why it waits.
    pub reason: String,
}

/// Key-down time of one port.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct KeyDownView {
    /// Key down since, ms; `None` = released.
    pub down_since_ms: Option<u64>,
    /// In the last ten minutes, ms.
    pub ten_minutes_ms: u64,
    /// In the last hour, ms.
    pub hour_ms: u64,
    /// Limit in one transmission, ms.
    pub single_limit_ms: u64,
    /// Limit in ten minutes, ms.
    pub ten_minutes_limit_ms: u64,
    /// Limit in an hour, ms.
    pub hour_limit_ms: u64,
}

/// The gate of one port.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct GateView {
    /// The port.
    pub port: PortId,
    /// All in one sentence: what happens or does not, since when, why, what to do.
    pub sentence: String,
    /// Every condition, in order.
    pub conditions: Vec<ConditionView>,
    /// The first frames of the queue.
    pub waiting: Vec<WaitingView>,
    /// Frames in the queue altogether.
    pub queued: usize,
    /// Key-down time and its limits.
    pub key_down: KeyDownView,
    /// The test signal that is being sent or waits, in words.
    pub test: Option<String>,
    /// When the port last identified itself, ms.
    pub identified_ms: Option<u64>,
}

/// Somebody has stopped the station or one port. Only a person starts it again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stop {
    /// The port; `None` = the whole station.
    pub port: Option<PortId>,
    /// Who stopped it.
    pub by: String,
    /// Why.
    pub why: String,
    /// When.
    pub at: WallTime,
}

/// What an alarm is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AlarmKind {
    /// A frame has waited too long.
    Waiting,
    /// Nothing is heard, not even noise, where there should be.
    Deaf,
    /// The sound that comes in is clipped, not at its rate, or no sound.
    Sound,
    /// Nobody has answered or repeated anything for long.
    Unheard,
    /// A transmission did not end when it should have.
    Stuck,
    /// Sound device or controller is gone or wrong.
    Device,
    /// The second sound input of a port is gone; the port goes on with the first.
    SecondInput,
    /// The key line or its keyer fails.
    KeyLine,
    /// The journal cannot be written, or has no room.
    Disk,
    /// A partner of the mail has not been reached for long.
    Partner,
    /// Mail has been held for long.
    Held,
    /// An emergency waits in the mail, and nobody has read it.
    Emergency,
    /// The machine's clock is wrong or has jumped.
    Clock,
    /// The program has started too often.
    Restarts,
}

/// Something that a person should look after.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct AlarmView {
    /// What it is about. One alarm of a kind for each port.
    pub kind: AlarmKind,
    /// The port; `None` = the station.
    pub port: Option<PortId>,
    /// It still holds.
    pub active: bool,
    /// Since when, ms; of an alarm that is over, when it ended.
    pub since_ms: u64,
    /// What is wrong, on what evidence, and what to do.
    pub text: String,
}

/// A test signal. It passes the gate, stops by itself and is identified.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TestSignal {
    /// The lower tone, steady.
    LowTone,
    /// The higher tone, steady.
    HighTone,
    /// Both in turn, as the flags of a long preamble at the port's rate would not: half a
    /// second each.
    Alternating,
    /// A frame to all, again and again.
    RepeatedFrame,
    /// Flags for some seconds, then one frame.
    LongPreamble,
}

/// How the device of a port does. The sentences come from the driver and go to people.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceState<'a> {
    /// Open and working; what it is.
    Healthy(&'a str),
    /// Not there, or not to be used; why.
    Lost(&'a str),
}

/// How the key line of a port does. The sentences come from the driver and go to people.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyLineState<'a> {
    /// Proved released; on what evidence.
    Released(&'a str),
    /// The keyer holds it down.
    Down,
    /// The keyer fails or the line cannot be used; why.
    Failed(&'a str),
}
